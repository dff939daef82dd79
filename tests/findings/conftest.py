"""A small invented bench and recordings built by hand, so that every expected number is known beforehand."""

from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np
import pytest

from phasewright.bench import (
    CHANNELS,
    Accuracy,
    Bench,
    Board,
    Campaign,
    Connector,
    Cooling,
    Cost,
    Instrument,
    Processor,
    Protection,
    Regulator,
    Stage,
    Step,
)
from phasewright.findings import analyze
from phasewright.logs import AlignedTrace, ClockMap, Recording, Settling, StepSpan, Window

METER = {
    "input_power": Accuracy(gain=0.005, offset=0.2, stated_as="limit"),
    "input_voltage": Accuracy(gain=0.001, offset=0.01, stated_as="limit"),
    "input_current": Accuracy(gain=0.004, offset=0.02, stated_as="limit"),
    "coolant_temperature": Accuracy(offset=0.3, stated_as="limit"),
    "ambient_temperature": Accuracy(offset=0.3, stated_as="limit"),
}
HOST = {
    "package_power": Accuracy(gain=0.02, offset=1.0, stated_as="standard"),
    "rail_current": Accuracy(gain=0.03, offset=1.0, stated_as="expanded"),
    "rail_voltage": Accuracy(gain=0.002, stated_as="limit"),
    "regulator_temperature": Accuracy(offset=1.0, resolution=0.0, stated_as="limit"),
    "processor_temperature": Accuracy(offset=2.0, stated_as="limit"),
    "processor_clock": Accuracy(gain=0.001, stated_as="limit"),
    "rail_power": Accuracy(gain=0.03, stated_as="expanded"),
}


def a_bench(**changes) -> Bench:
    bench = Bench(
        name="bench by hand",
        board=Board("board by hand", other_loads=6.0, other_loads_u=1.0, connectors=(Connector("PWR", 6, 9.0),)),
        regulator=Regulator(
            "core rail",
            phase_count=12,
            stages_per_phase=1,
            stage=Stage(current_rating=60.0, temperature_limit=125.0),
            protection=Protection(phase_current=52.0, temperature_trip=110.0),
        ),
        processor=Processor(power_limit=400.0),
        cooling=Cooling("liquid", fan_map=((25.0, 0.3), (40.0, 1.0))),
        instruments=(
            Instrument("meter", period=0.1, averaging=0.1, stamp_at="end", accuracy=METER),
            Instrument("host", period=1.0, averaging=1.0, stamp_at="end", accuracy=HOST),
        ),
    )
    return replace(bench, **changes)


@dataclass
class Played:
    """One step of a recording by hand: levels by channel, length, and how the window came out."""

    name: str = "8 phases"
    settings: dict = field(default_factory=lambda: {"phase_count": 8, "load": "all cores"})
    levels: dict = field(default_factory=dict)
    length: float = 400.0
    settled: bool = True
    settling: tuple = ()
    found: bool = True
    baseline: bool = False
    outcome: str = ""
    end: str = ""
    shape: dict = field(default_factory=dict)
    """channel -> function(time in the step [s], level) -> readings"""


LEVELS = {
    "input_power": 300.0,
    "package_power": 250.0,
    "rail_current": 200.0,
    "rail_voltage": 1.2,
    "regulator_temperature": 75.0,
    "coolant_temperature": 32.0,
    "ambient_temperature": 24.0,
}
NOISE = {"W": 0.5, "A": 0.4, "V": 0.0004, "degC": 0.05, "Hz": 1e5, "1": 0.0, "J": 0.0}
PERIOD = {"meter": 0.1, "host": 1.0}


def still(remaining: float = 0.4, channel: str = "regulator_temperature") -> Settling:
    return Settling(channel, 1e-5, 1e-5, 100.0, remaining, 1.0, remaining < 1.0, "slope x time constant")


def played(steps, generator=None, log_of=None, noise=None, time_u=None, keep=lambda channel, t: np.ones(len(t), bool)):
    """Return (campaign, recording, spans, windows) of `steps` laid end to end with 20 s of idle between them."""
    generator = generator or np.random.default_rng(3)
    log_of = log_of or {
        name: "host" if name in HOST or name in ("phase_count", "fan_duty", "protection_active") else "meter"
        for name in CHANNELS
    }
    spans, windows, at = [], [], 20.0
    for step in steps:
        spans.append(StepSpan(step.name, at, at + step.length, "times"))
        start, end = at + 0.5 * step.length, at + 0.95 * step.length
        if not step.found:
            start = end = at
        windows.append(
            Window(
                step.name,
                start,
                end,
                step.settled,
                step.settling or (still(),),
                (),
                found=step.found,
            )
        )
        at += step.length + 20.0
    levels = [{**LEVELS, **step.levels} for step in steps]
    channels = dict.fromkeys(
        name for found in levels for name in found if any(item.get(name) is not None for item in levels)
    )
    traces = {}
    for name in channels:
        base = name.partition(".")[0]
        log = log_of[base]
        period = PERIOD[log]
        ends = np.arange(period, at, period)
        middle = ends - 0.5 * period
        unit = CHANNELS[base].unit
        known = [item[name] for item in levels if item.get(name) is not None]
        value = np.full(len(ends), 20.0 if unit == "degC" else 0.2 * known[0])
        for step, span in zip(steps, spans, strict=True):
            level = {**LEVELS, **step.levels}.get(name)
            if level is None:
                value[(middle >= span.start_s) & (middle < span.end_s)] = np.nan
                continue
            inside = (middle >= span.start_s) & (middle < span.end_s)
            readings = np.full(inside.sum(), float(level))
            if name in step.shape:
                readings = step.shape[name](middle[inside] - span.start_s, readings)
            value[inside] = readings
        sigma = NOISE[unit] if noise is None else noise.get(name, 0.0)
        value = value + sigma * generator.standard_normal(len(value))
        kept = keep(name, ends)
        traces[name] = AlignedTrace(
            name,
            unit,
            log,
            log,
            (ends - period)[kept],
            ends[kept],
            value[kept],
            period,
            (time_u or {}).get(log, 0.02 if log == "host" else 0.0),
            segments=((0, int(kept.sum())),),
        )
    clocks = (
        ClockMap("meter", 0, "meter", "reference", 0, 0.0, 0.0),
        ClockMap("host", 0, "meter", "aligned", 0, 1.5, 0.02, 3.0, 1.0, averaging=1.0, peak_ratio=0.4),
    )
    recording = Recording("meter", "2026-01-05T10:00:00Z", traces, clocks, ())
    plan = tuple(Step(s.name, s.settings, baseline=s.baseline, outcome=s.outcome, end=s.end) for s in steps)
    campaign = Campaign("campaign by hand", (), plan, cost=Cost(8.0, 365.0, 0.30, "EUR"))
    return campaign, recording, tuple(spans), tuple(windows)


def analyzed(*steps, bench=None, **options):
    campaign, recording, spans, windows = played(steps, **options)
    return analyze(bench or a_bench(), campaign, recording, spans, windows)


@pytest.fixture(scope="session")
def hand():
    """Everything that a test needs to build a recording by hand."""
    return SimpleNamespace(
        Played=Played,
        analyzed=analyzed,
        played=played,
        bench=a_bench,
        still=still,
        LEVELS=LEVELS,
        HOST=HOST,
        METER=METER,
        fixed=analyzed(Played("8 phases")),
    )
