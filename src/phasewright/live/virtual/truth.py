"""What really happened in a simulated campaign, on the reference log's clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from phasewright.live.virtual import margins, steady
from phasewright.live.virtual.instruments import OwnClock, Readings, clocks_of
from phasewright.live.virtual.margins import TrueMargin
from phasewright.live.virtual.scenario import Scenario
from phasewright.live.virtual.signals import Signals
from phasewright.live.virtual.simulation import Piece, Run

BOUND = 1.0
"""Settled means: less than this is still to come [K]."""


@dataclass(frozen=True, slots=True)
class TrueClock:
    """The true map of one segment of a log's clock to the reference clock, in the convention of the clock maps.

    reference time = t + offset(zero_ns, pivot) + drift*1e-6*(t - pivot), t = seconds of own time since `zero_ns`.
    """

    log: str
    segment: int
    zero_ns: int
    """First stamp of the reference log for absolute clocks when the reference is absolute, else the own first stamp."""
    first_ns: int
    """First stamp of the segment."""
    last_ns: int
    drift: float
    """[ppm]"""
    base: float
    """Reference time at own time `zero_ns` [s]."""

    @property
    def offset(self) -> float:
        """Offset [s] at pivot 0 from `zero_ns`."""
        return self.base

    def offset_at(self, pivot: float, zero_ns: int | None = None) -> float:
        """Return the offset [s] that a clock map with this `pivot` [s] and `zero_ns` should have."""
        zero = self.zero_ns if zero_ns is None else zero_ns
        own = (zero - self.zero_ns) * 1e-9 + pivot
        return self.base + own * (1.0 + self.drift * 1e-6) - pivot

    def to_reference(self, time_ns: np.ndarray) -> np.ndarray:
        """Return reference-clock seconds of stamps [ns]."""
        own = (np.asarray(time_ns) - self.zero_ns) * 1e-9
        return self.base + own * (1.0 + self.drift * 1e-6)


@dataclass(frozen=True, slots=True)
class TrueStep:
    """What really happened in one step. Times [s] on the reference clock, `..._lab` on lab time."""

    name: str
    phase_count: int
    start_s: float
    end_s: float
    start_lab: float
    end_lab: float
    state: str
    """held | clamped | tripped"""
    held_back: Mapping[str, float]
    """Seconds for which each protection acted."""
    trip: str
    """What shut it down, '' = nothing."""
    trip_s: float | None
    settled_temperature: float
    """Hottest stage if the last part's load were held for ever [degC]; inf = thermal runaway, NaN = tripped."""
    settled_coolant: float
    end_temperature: float
    """Hottest stage, mean over the last 30 s [degC]."""
    end_coolant: float
    remaining: Mapping[str, float]
    """By channel: how far it would still move under the load of the step's last part [K]."""
    settled: bool
    """Whether every one of them is below 1 K."""
    verdict: str
    """What a reader who knew everything would say."""
    verdicts: frozenset[str]
    """What a careful reader of these logs may say; see `margins.verdicts`."""
    margins: tuple[TrueMargin, ...]


class Truth:
    """The truth behind a simulated campaign."""

    def __init__(self, scenario: Scenario, signals: Signals, clocks: Mapping[str, tuple[TrueClock, ...]],
                 reference: OwnClock, origin: float, errors: Mapping[str, float], own: Mapping[str, tuple]):
        self.scenario, self.bench, self.signals = scenario, scenario.bench, signals
        self.clocks, self.errors = clocks, errors
        self._reference, self._origin, self._own = reference, origin, own
        self.steps: tuple[TrueStep, ...] = ()

    def to_reference(self, lab):
        """Return seconds on the reference clock at lab time [s]."""
        return self._reference.own(lab) - self._origin

    def to_lab(self, reference):
        """Return lab time [s] at seconds on the reference clock."""
        return self._reference.lab(np.asarray(reference, dtype=float) + self._origin)

    def channels(self) -> tuple[str, ...]:
        """Return the names that `mean` knows."""
        return self.signals.names()

    def mean(self, channel: str, start_s: float, end_s: float) -> float:
        """Return the true mean of `channel` between two times of the reference clock [s]; KeyError if unknown."""
        return float(self.signals.get(channel).mean(self.to_lab(start_s), self.to_lab(end_s)))

    def figure(self, name: str, step: str, start_s: float, end_s: float) -> float:
        """Return a true figure of `step` over a window of the reference clock [s], by the names of the findings.

        Knows every channel of `mean`, and ``loss``, ``delivery_efficiency``, ``conversion_loss``,
        ``conversion_efficiency``, ``phase_current``, ``stage_current``, ``regulator_rise``. KeyError for others.
        """
        def mean(channel: str) -> float:
            return self.mean(channel, start_s, end_s)

        count, stages = self.step(step).phase_count, self.bench.regulator.stages_per_phase
        figures = {
            "loss": lambda: mean("input_power") - mean("package_power"),
            "delivery_efficiency": lambda: mean("package_power") / mean("input_power"),
            "conversion_loss": lambda: mean("input_power") - mean("other_loads") - mean("rail_power"),
            "conversion_efficiency": lambda: mean("rail_power") / (mean("input_power") - mean("other_loads")),
            "phase_current": lambda: mean("rail_current") / count,
            "stage_current": lambda: mean("rail_current") / count / stages,
            "regulator_rise": lambda: mean("regulator_temperature") - mean("coolant_temperature"),
        }
        return float(figures[name]()) if name in figures else mean(name)

    def step(self, name: str) -> TrueStep:
        """Return the true step called `name`; KeyError if there is none."""
        for item in self.steps:
            if item.name == name:
                return item
        raise KeyError(name)

    def settled(self, name: str, start_s: float, end_s: float) -> Mapping[str, float]:
        """Return where step `name` would settle under the load of a window [s] of the reference clock [degC]."""
        piece = next(p for p in self.signals.run.pieces if p.stretch.name == name)
        return steady.settle(self.signals.run, piece, float(self.to_lab(start_s)), float(self.to_lab(end_s)))[0]

    def peak(self, channel: str, start_s: float, end_s: float, averaging: float) -> float:
        """Return the greatest true mean over `averaging` [s] of `channel` between two reference times [s]."""
        signal = self.signals.get(channel)
        ends = np.arange(float(self.to_lab(start_s)) + averaging, float(self.to_lab(end_s)), signal.dt)
        return float(signal.mean(ends - averaging, ends).max())

    def noted(self, log: str, lab: float) -> str:
        """Return lab time as a person notes it: a clock time on `log`, or seconds on the reference log for ''."""
        if not log:
            return f"{max(float(self.to_reference(lab)), 0.0):.1f} s"
        clock = next((c for c, first, last in self._own[log] if first <= lab < last), self._own[log][-1][0])
        moment = datetime.fromtimestamp(round(float(clock.own(lab))), UTC)
        return moment.strftime("%Y-%m-%dT%H:%M:%S")

    def as_dict(self) -> dict:
        """Return the truth as plain data (``truth.json``)."""
        return {
            "format": "phasewright-truth-1", "simulated": True, "campaign": self.scenario.name,
            "clocks": [{"log": c.log, "segment": c.segment, "offset_s": c.offset, "drift_ppm": c.drift,
                        "zero_ns": c.zero_ns} for items in self.clocks.values() for c in items],
            "steps": [{
                "name": s.name, "start_s": s.start_s, "end_s": s.end_s, "state": s.state, "trip": s.trip,
                "held_back": dict(s.held_back), "settled": s.settled,
                "remaining_K": {name: _plain(value) for name, value in s.remaining.items()},
                "settled_temperature_degC": _plain(s.settled_temperature), "verdict": s.verdict,
                "verdicts": sorted(s.verdicts),
                "margins": [{"limit": m.limit, "applies_to": m.applies_to, "low": _plain(m.low),
                             "high": _plain(m.high)} for m in s.margins],
            } for s in self.steps],
            "errors": dict(self.errors),
        }


def _plain(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def build_truth(scenario: Scenario, run: Run, signals: Signals, readings: Mapping[str, Readings],
                errors: Mapping[str, float]) -> Truth:
    """Work out clocks and steps of a finished run."""
    zero = scenario.lab_zero
    own = {}
    for item in scenario.instruments:
        shift = zero if item.dialect.absolute else 0.0
        own[item.log] = tuple((OwnClock(c.start, c.zero + shift, c.drift), first, last)
                              for c, first, last in clocks_of(item, signals.length))
    name = scenario.reference_log
    reference = own[name][0][0]
    first_ns = int(readings[name].stamp[0])
    absolute = all(item.dialect.absolute for item in scenario.instruments)
    clocks: dict[str, tuple[TrueClock, ...]] = {}
    for log, segments in own.items():
        made = readings[log]
        rows = []
        for number, ((clock, _, _), (a, b)) in enumerate(zip(segments, made.segments, strict=True)):
            if a == b:
                continue
            same_zero = absolute
            zero_ns = first_ns if same_zero else int(made.stamp[0])
            drift = ((1.0 + reference.drift * 1e-6) / (1.0 + clock.drift * 1e-6) - 1.0) * 1e6
            base = float(reference.own(clock.lab(zero_ns * 1e-9))) - first_ns * 1e-9
            rows.append(TrueClock(log, number, zero_ns, int(made.stamp[a]), int(made.stamp[b - 1]), drift, base))
        clocks[log] = tuple(rows)
    truth = Truth(scenario, signals, clocks, reference, first_ns * 1e-9, errors, own)
    truth.steps = tuple(_true_step(truth, run, piece) for piece in run.pieces if piece.stretch.kind == "step")
    return truth


def _true_step(truth: Truth, run: Run, piece: Piece) -> TrueStep:
    signals, stretch = truth.signals, piece.stretch
    start, end = piece.start + stretch.late, piece.end - stretch.early
    if piece.trip is not None:
        end = piece.trip.time
    lead = max(end - 30.0, start)
    hot = float(signals.get("regulator_temperature").mean(lead, end))
    coolant = float(signals.get("coolant_temperature").mean(lead, end))
    acted = float(run.protected[piece.start : piece.end].sum())
    state = "tripped" if piece.trip else "clamped" if acted > 0.02 * (end - start) else "held"
    window = max(start, end - max(0.3 * (end - start), 30.0))
    if state == "tripped":
        target, to_come = {}, {}
    else:
        target, to_come = steady.settle(run, piece, window, end)
    remaining = {name: to_come.get(name, float("nan")) for name in steady.WATCHED}
    bound = BOUND
    planned = next(s for s in truth.scenario.steps if s.name == stretch.name)
    hottest = target.get("regulator_temperature", float("nan"))
    found = margins.true_margins(truth.scenario, signals, planned, window, end, hottest)
    verdict, allowed = margins.verdicts(state, acted / (end - start), remaining, bound, found)
    return TrueStep(
        name=stretch.name, phase_count=stretch.phase_count, start_s=float(truth.to_reference(start)),
        end_s=float(truth.to_reference(end)), start_lab=start, end_lab=end, state=state,
        held_back=dict(piece.held_back), trip=piece.trip.kind if piece.trip else "",
        trip_s=float(truth.to_reference(piece.trip.time)) if piece.trip else None,
        settled_temperature=hottest,
        settled_coolant=target.get("coolant_temperature", float("nan")), end_temperature=hot, end_coolant=coolant,
        remaining=remaining, settled=state != "tripped" and all(abs(value) < bound for value in remaining.values()),
        verdict=verdict, verdicts=allowed, margins=found)
