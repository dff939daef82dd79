"""A log that has nothing but heat in common with the reference: placed loosely, and told so in plain words."""

from types import SimpleNamespace

import numpy as np
import pytest

from phasewright.bench import Campaign, LogEntry
from phasewright.logs import Trace, align

ZERO = 1_700_000_000_000_000_000
OFF = 12.0
"""[s] By so much the thermometer's calendar clock is slow."""


def trace(channel, unit, log, time, value):
    stamps = ZERO + np.round(time * 1e9).astype(np.int64)
    return Trace(channel, unit, log, stamps, value, None, "end", ((0, len(time)),), True)


@pytest.fixture
def opened():
    """A meter, and a thermometer whose coolant answers the load behind 60 s [first-order lag, common practice]."""
    generator = np.random.default_rng(8)
    time = np.arange(0.0, 2400.0, 0.5)
    power = np.full(len(time), 60.0)
    at = 60.0
    while at < 2300.0:
        hold = generator.uniform(60.0, 240.0)
        power[(time >= at) & (time < at + hold)] = generator.uniform(120.0, 350.0)
        at += hold + generator.uniform(30.0, 90.0)
    heat = np.empty(len(time))
    value = 25.0
    for i, p in enumerate(power):
        value += (25.0 + 0.05 * p - value) * 0.5 / 60.0
        heat[i] = value
    meter = trace("input_power", "W", "meter", time, power + generator.normal(0.0, 0.5, len(time)))
    slow = heat[::4] + generator.normal(0.0, 0.02, len(time[::4]))
    warm = trace("coolant_temperature", "degC", "thermometer", time[::4] - OFF, slow)
    return {"meter": SimpleNamespace(traces=(meter,), reports=()), "thermometer": SimpleNamespace(traces=(warm,), reports=())}


def campaign(shared=""):
    logs = tuple(
        LogEntry(name, (f"logs/{name}.csv",), name, (), shared_clock=shared) for name in ("meter", "thermometer")
    )
    return Campaign("trial", logs, (), reference_log="meter")


def test_how_loosely_it_sits_is_told(opened):
    recording = align(opened, None, campaign())
    clock = next(c for c in recording.clocks if c.log == "thermometer")
    assert clock.status == "aligned"
    # The clocks' zeros are each log's first stamp or the reference's; compare on the stamps themselves.
    place = float(clock.to_reference(np.array([ZERO + 1_000_000_000_000]))[0])
    assert abs(place - (1000.0 + OFF)) < 1.96 * clock.offset_u + 1.0
    told = [r.what for r in recording.remarks if "nothing but heat in common" in r.what]
    assert len(told) == 1
    assert f"within {1.96 * clock.offset_u:.0f} s (95 %)" in told[0]
    assert "where 0.5 s, a quarter of the slower log's period" in told[0]


def test_a_shared_clock_needs_no_such_words(opened):
    recording = align(opened, None, campaign("recorder"))
    assert not any("heat in common" in remark.what for remark in recording.remarks)
