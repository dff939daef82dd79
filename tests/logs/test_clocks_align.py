"""Alignment of two logs whose clocks are known."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from phasewright.bench import Campaign, LogEntry, LogFault
from phasewright.logs import Trace, align


def stepped_load(generator, length, *, fine=0.02):
    """A load [W] on a fine grid: random holds with bursts."""
    count = int(length / fine)
    power = np.full(count, 60.0)
    at = 8.0
    while at < length:
        hold = generator.uniform(8.0, 50.0)
        power[int(at / fine) : int((at + hold) / fine)] = generator.uniform(70.0, 320.0)
        at += hold
    for start in generator.uniform(0.0, length, int(length / 4)):
        power[int(start / fine) : int((start + generator.exponential(0.8)) / fine) + 1] += generator.normal(0.0, 10.0)
    return power


def two_logs(generator, length=900.0, *, offset=37.25, drift=60.0, fine=0.02, load=None, absolute=False):
    """A 20 Hz input-power log and a 1 Hz package-power log of the same load; the truth is in the arguments."""
    power = stepped_load(generator, length, fine=fine) if load is None else load
    inlet = 9.0 + 1.03 * power + 2.5e-4 * power**2
    knots = np.arange(len(power) + 1) * fine
    package, inlet = (np.concatenate([[0.0], np.cumsum(x)]) * fine for x in (power, inlet))
    fast = np.arange(1, int(length * 20)) / 20.0
    meter = (np.interp(fast, knots, inlet) - np.interp(fast - 0.05, knots, inlet)) / 0.05
    meter = meter + generator.normal(0.0, 0.3, len(fast))
    slow = np.cumsum(1.0 + generator.normal(0.0, 0.03, int(length) - 2))
    slow = slow[(slow > 1.0) & (slow < length) & (generator.random(len(slow)) > 0.02)]
    host = 0.95 * (np.interp(slow, knots, package) - np.interp(slow - 1.0, knots, package))
    host = np.round((host + generator.normal(0.0, 0.4, len(slow))) * 10.0) / 10.0
    own = (slow - offset) / (1.0 + drift * 1e-6)
    zero = 1_700_000_000_000_000_000 if absolute else 0

    def stamps(x):
        return zero + np.round(x * 1e9).astype(np.int64)

    meter = Trace("input_power", "W", "meter", stamps(fast), meter, 0.05, "end", ((0, len(fast)),), absolute)
    host = Trace("package_power", "W", "host", stamps(own), host, 1.0, "end", ((0, len(own)),), absolute)
    return {"meter": SimpleNamespace(traces=(meter,), reports=()), "host": SimpleNamespace(traces=(host,), reports=())}


def campaign(**changes):
    logs = (LogEntry("meter", ("logs/meter.csv",), "meter", ()), LogEntry("host", ("logs/host.csv",), "host", ()))
    return Campaign("trial", logs, (), **changes)


def host_error(recording, opened, offset, drift):
    """Error of the host's map at its own pivot [s]."""
    clock = next(c for c in recording.clocks if c.log == "host")
    first = opened["meter"].traces[0].time_ns[0]
    own_ns = int(clock.zero_ns + clock.pivot * 1e9)
    zero = 1_700_000_000_000_000_000 if opened["host"].traces[0].absolute else 0
    own = (own_ns - zero) * 1e-9
    truth = own * (1.0 + drift * 1e-6) + offset - (first - zero) * 1e-9
    return clock, float(clock.to_reference(np.array([own_ns]))[0]) - truth


@pytest.mark.parametrize("absolute", [False, True])
def test_offset_and_drift_come_back(absolute):
    opened = two_logs(np.random.default_rng(5), absolute=absolute)
    recording = align(opened, None, campaign())
    clock, error = host_error(recording, opened, 37.25, 60.0)
    assert clock.status == "aligned"
    assert recording.reference == "meter"
    assert abs(error) < 0.02
    assert abs(error) < 4 * clock.offset_u
    assert abs(clock.drift - 60.0) < 4 * clock.drift_u
    assert set(recording.traces) == {"input_power", "package_power"}
    assert clock.peak_ratio < 0.9


def test_periodic_load_is_refused_with_candidates():
    length, fine = 900.0, 0.02
    square = np.where(np.arange(int(length / fine)) * fine % 60.0 < 30.0, 300.0, 100.0)
    opened = two_logs(np.random.default_rng(1), length, load=square)
    recording = align(opened, None, campaign())
    clock = next(c for c in recording.clocks if c.log == "host")
    assert clock.status == "ambiguous"
    assert len(clock.candidates) > 1
    assert "package_power" not in recording.traces


def test_what_a_person_states_settles_an_ambiguous_log():
    length, fine = 900.0, 0.02
    square = np.where(np.arange(int(length / fine)) * fine % 60.0 < 30.0, 300.0, 100.0)
    opened = two_logs(np.random.default_rng(1), length, load=square)
    doubtful = next(c for c in align(opened, None, campaign()).clocks if c.log == "host")
    for right, _ in doubtful.candidates[:3]:  # the load repeats: all fit as well, only a person knows
        said = campaign()
        said = replace(said, logs=(said.logs[0], replace(said.logs[1], clock_offset=right + 1.5)))
        recording = align(opened, None, said)
        clock = next(c for c in recording.clocks if c.log == "host")
        assert clock.status == "aligned" and "package_power" in recording.traces
        assert clock.offset == pytest.approx(right, abs=0.1)


def test_log_without_readings_is_refused_with_its_file():
    opened = two_logs(np.random.default_rng(2), 120.0)
    opened["host"] = SimpleNamespace(traces=(), reports=())
    with pytest.raises(LogFault, match="logs/host.csv"):
        align(opened, None, campaign())
