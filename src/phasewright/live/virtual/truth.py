"""What really happened in a simulated campaign, on the reference log's clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from phasewright.bench import Bench
from phasewright.live.virtual import electrical, simulation, workload
from phasewright.live.virtual.instruments import OwnClock, Readings, clocks_of
from phasewright.live.virtual.scenario import PlannedStep, Scenario
from phasewright.live.virtual.signals import Signals


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
    """Hottest stage if the step's load were held for ever [degC]; inf = thermal runaway."""
    settled_coolant: float
    end_temperature: float
    """Hottest stage, mean over the last 30 s [degC]."""
    end_coolant: float
    remaining: float
    """Settled less end temperature of the hottest stage [K]."""
    settled: bool
    verdicts: frozenset[str]
    """Verdicts that a careful reader of these logs may give."""
    margins: Mapping[str, float]
    """True margin to each limit, in the limit's unit."""


class Truth:
    """The truth behind a simulated campaign."""

    def __init__(self, scenario: Scenario, bench: Bench, signals: Signals, clocks: Mapping[str, tuple[TrueClock, ...]],
                 reference: OwnClock, origin: float, errors: Mapping[str, float], own: Mapping[str, tuple]):
        self.scenario, self.bench, self.signals = scenario, bench, signals
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

    def step(self, name: str) -> TrueStep:
        """Return the true step called `name`; KeyError if there is none."""
        for item in self.steps:
            if item.name == name:
                return item
        raise KeyError(name)

    def settled(self, name: str, start_s: float, end_s: float) -> Mapping[str, float]:
        """Return where step `name` would settle under the mean load of a window [s]: temperatures [degC]."""
        start, end = float(self.to_lab(start_s)), float(self.to_lab(end_s))
        return settle(self.signals.run, self.scenario, name, start, end)

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
                "held_back": dict(s.held_back), "settled": s.settled, "remaining_K": s.remaining,
                "settled_temperature_degC": s.settled_temperature if np.isfinite(s.settled_temperature) else None,
                "verdicts": sorted(s.verdicts), "margins": dict(s.margins),
            } for s in self.steps],
            "errors": dict(self.errors),
        }


def build_truth(scenario: Scenario, bench: Bench, run, signals: Signals, readings: Mapping[str, Readings],
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
    truth = Truth(scenario, bench, signals, clocks, reference, first_ns * 1e-9, errors, own)
    truth.steps = tuple(_true_step(truth, run, piece) for piece in run.pieces if piece.stretch.kind == "step")
    return truth


def settle(run, scenario: Scenario, name: str, start: float, end: float) -> dict[str, float]:
    """Return steady temperatures [degC] of step `name` under the load of lab times [start, end) [s] held for ever."""
    piece = next(p for p in run.pieces if p.stretch.name == name)
    return steady_state(run, scenario.surroundings, piece.stretch, start, end)


def steady_state(run, surroundings, stretch, start: float, end: float) -> dict[str, float]:
    """Iterate loss and temperature to where they agree; inf where they run away.

    The load is the window's activity, so leakage and rail current follow the temperature as they do in the run.
    """
    parts, network, nodes = run.parts, run.network, run.network.nodes
    mask = electrical.active_mask(parts, stretch.phase_count)
    first, last = int(start), max(int(np.ceil(end)), int(start) + 1)
    t = run.temperatures[min(last, len(run.temperatures) - 1)].copy()
    piece = next(p for p in run.pieces if p.stretch is stretch)
    lead = piece.start
    activity = stretch.activity[(first - lead) * workload.BLOCK : (last - lead) * workload.BLOCK]
    # Fifty quantiles stand for the spread of the load: their mean square differs from the whole's by under 1e-3.
    sample = np.quantile(activity, (np.arange(workload.BLOCK) + 0.5) / workload.BLOCK)
    room = float(np.mean(surroundings.room_at(np.arange(first, last) + 0.5)))
    state = simulation._State(temperature=t, before=t, voltage=parts.set_voltage, supply=parts.supply_voltage)
    keeper = simulation._Keeper(1.0)
    free = simulation.Stretch(stretch.name, stretch.kind, stretch.phase_count, sample, simulation.Guards(),
                              stretch.fan_duty, stretch.set_voltage)
    duty = float(run.fan[min(last, len(run.fan)) - 1])
    for _ in range(200):
        second = simulation._second(parts, network, mask, free, sample, stretch.set_voltage or parts.set_voltage,
                                    keeper, state)
        after = network.steady(second.heat, duty, room)
        if not np.isfinite(after).all() or after[nodes.stage].max() > 400.0:
            return {"regulator_temperature": float("inf"), "coolant_temperature": float("inf"),
                    "processor_temperature": float("inf")}
        wanted = stretch.fan_duty if stretch.fan_duty is not None else surroundings.duty_at(float(after[nodes.coolant]))
        moved = float(np.abs(after - state.temperature).max()) + abs(wanted - duty) * 10.0
        duty += 0.3 * (wanted - duty)
        state.temperature = state.before = after
        if moved < 1e-5:
            break
    return {"regulator_temperature": float(state.temperature[nodes.stage].max()),
            "coolant_temperature": float(state.temperature[nodes.coolant]),
            "processor_temperature": float(state.temperature[nodes.die])}


def _true_step(truth: Truth, run, piece) -> TrueStep:
    scenario, signals = truth.scenario, truth.signals
    stretch = piece.stretch
    start, end = float(piece.start), float(piece.end if piece.trip is None else piece.trip.time)
    lead = max(end - 30.0, start)
    hot = float(signals.get("regulator_temperature").mean(lead, end))
    coolant = float(signals.get("coolant_temperature").mean(lead, end))
    acted = sum(piece.held_back.values())
    state = "tripped" if piece.trip else "clamped" if acted > 0.02 * (end - start) else "held"
    window = max(start, end - max(0.3 * (end - start), 30.0))
    if state == "tripped" or end - start < 2.0:
        settled = {"regulator_temperature": float("inf") if piece.trip and piece.trip.kind == "temperature_trip" else
                   float("nan"), "coolant_temperature": float("nan")}
    else:
        settled = steady_state(run, scenario.surroundings, stretch, np.floor(window), np.floor(end))
    remaining = settled["regulator_temperature"] - hot
    remaining_coolant = settled["coolant_temperature"] - coolant
    bound = 1.0
    is_settled = bool(state != "tripped" and abs(remaining) < bound and abs(remaining_coolant) < bound)
    planned = next(s for s in scenario.steps if s.name == stretch.name)
    margins = _margins(truth, planned, stretch, window, end, settled["regulator_temperature"])
    verdicts = _verdicts(state, acted, end - start, remaining, remaining_coolant, bound, margins)
    return TrueStep(stretch.name, stretch.phase_count, float(truth.to_reference(start)), float(truth.to_reference(end)),
                    start, end, state, dict(piece.held_back), piece.trip.kind if piece.trip else "",
                    float(truth.to_reference(piece.trip.time)) if piece.trip else None,
                    settled["regulator_temperature"], settled["coolant_temperature"], hot, coolant, float(remaining),
                    is_settled, verdicts, margins)


def _margins(truth: Truth, step: PlannedStep, stretch, start: float, end: float, hot: float) -> dict[str, float]:
    """Return true margins in the limit's unit: mean phase current to the ratings, settled temperature to the limits."""
    bench, signals = truth.bench, truth.signals
    regulator, stage = bench.regulator, bench.regulator.stage
    phase = float(signals.get("rail_current").mean(start, end)) / step.phase_count
    protection = step.protection_phase_current or regulator.protection.phase_current
    found = {}
    for name, limit, figure in (
        ("stage current_rating", stage.current_rating, phase / regulator.stages_per_phase),
        ("inductor current_rating", regulator.inductor.current_rating, phase),
        ("inductor saturation_current", regulator.inductor.saturation_current, phase),
        ("protection phase_current", protection, phase),
        ("stage temperature_limit", stage.temperature_limit, hot),
        ("protection temperature_warning", regulator.protection.temperature_warning, hot),
    ):
        if limit is not None and np.isfinite(figure):
            found[name] = limit - figure
    return found


def _verdicts(state: str, acted: float, length: float, remaining: float, remaining_coolant: float, bound: float,
              margins: Mapping[str, float]) -> frozenset[str]:
    """Return every verdict that design.md section 2 allows for the truth; see `docs/why` of the virtual bench."""
    if state == "tripped":
        return frozenset({"tripped"})
    if state == "clamped":
        return frozenset({"clamped"})
    allowed = {"clamped"} if acted > 0.002 * length else set()
    drift = max(abs(remaining), abs(remaining_coolant))
    if drift >= 0.7 * bound or length < 150.0:
        allowed.add("unsettled")
    if drift < 1.5 * bound:
        allowed |= {"sustained", "unsettled"} if drift > 0.3 * bound else {"sustained"}
        relative = [value / (8.0 if "temperature" in name else 4.0) for name, value in margins.items()]
        if relative and min(relative) < 1.0:
            allowed.add("marginal")
            if min(relative) < -1.0:
                allowed.discard("sustained")
    return frozenset(allowed)
