"""The start marker against shifted copies of itself, and through the clock alignment and the step finder."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.bench import Campaign, Instrument, LogEntry, Step
from phasewright.logs import AlignedTrace, OpenedLog, Recording, Trace, align, find_steps
from phasewright.plan import Marker, start_marker

SPACING = 0.1


def second_peak(activity: np.ndarray, window: float = 1.0) -> float:
    """Second over first peak of the correlation of edges, 1 s differences (reliability notes, section 6.1)."""
    width = round(window / SPACING)
    mean = np.convolve(activity, np.full(width, 1.0 / width), "valid")
    edge = mean[width:] - mean[:-width]
    full = np.correlate(edge, edge, "full")[len(edge) - 1 :]
    return float(full[round(3 * window / SPACING) :].max() / full[0])


def test_second_peak_is_far_below_the_first():
    # Three rising and three falling edges: a shifted copy that meets one edge of its sign scores 1/6.
    assert second_peak(start_marker().activity(SPACING)) == pytest.approx(1 / 6, abs=0.01)
    assert second_peak(start_marker().activity(SPACING), window=2.0) < 0.2


def test_periodic_pulses_would_be_ambiguous():
    time = np.arange(0.0, 300.0, SPACING)
    assert second_peak(((time % 60.0) < 30.0).astype(float)) > 0.75


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(-0.5, 0.5), min_size=6, max_size=6))
def test_half_a_second_by_hand_does_no_harm(slips):
    marker = start_marker()
    edges = np.array(marker.pulses).ravel() + slips
    by_hand = Marker(tuple(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)), marker.quiet, ())
    assert second_peak(by_hand.activity(SPACING)) < 0.5


def test_pulses_are_unequal_and_short():
    marker = start_marker()
    lengths = [end - start for start, end in marker.pulses]
    gaps = [b[0] - a[1] for a, b in zip(marker.pulses[:-1], marker.pulses[1:], strict=True)]
    assert len({*lengths, *gaps}) == 5
    assert all(3.0 <= x < 10.0 for x in (*lengths, *gaps))
    assert marker.duration == pytest.approx(29.0 + 60.0)
    assert len(marker.activity(0.5)) == 178


def test_instructions_say_the_times_of_the_pulses():
    marker = start_marker("the vector load")
    text = " ".join(marker.instructions)
    assert "the vector load: on for 3 s, off for 4 s, on for 6 s, off for 7 s, on for 9 s, off" in text


def record(levels: list[tuple[float, float]]) -> AlignedTrace:
    """Package power at one reading a second: idle, marker, idle, then the stretches (length s, watts)."""
    marker = start_marker()
    power = [40.0 + 200.0 * marker.activity(1.0)] + [np.full(round(length), level) for length, level in levels]
    value = np.concatenate(power) + np.random.default_rng(4).normal(0.0, 0.5, sum(map(len, power)))
    end = np.arange(1.0, len(value) + 1.0)
    return AlignedTrace("package_power", "W", "host", "host", end - 1.0, end, value, 1.0, 0.0)


def test_no_pulse_is_taken_for_a_step():
    trace = record([(300.0, 150.0), (300.0, 200.0), (300.0, 240.0), (60.0, 40.0)])
    recording = Recording("host", "", {"package_power": trace}, (), ())
    steps = tuple(Step(f"{p:.0f} W", {"package_power": p}) for p in (150.0, 200.0, 240.0))
    spans = find_steps(recording, Campaign("marker", (), steps, step_source="edges"))
    assert [round(span.start_s) for span in spans] == [89, 389, 689]


def opened(name: str, channel: str, period: float, late: float, gain: float) -> OpenedLog:
    """A log that saw the marker and then one even load, on a clock that is `late` behind."""
    fine = 0.01
    marker = start_marker().activity(fine)
    power = 40.0 + 200.0 * np.concatenate([marker, np.full(round(60.0 / fine), 0.5)])
    count = int(len(power) * fine / period)
    mean = power[: round(count * period / fine)].reshape(count, -1).mean(axis=1)
    value = gain * mean + np.random.default_rng(4).normal(0.0, 0.5, count)
    time = np.round((np.arange(1, count + 1) * period - late) * 1e9).astype(np.int64) + 1_700_000_000_000_000_000
    return OpenedLog((Trace(channel, "W", name, time, value, period, "end", ((0, count),)),), ())


def test_clock_offset_is_found_from_the_marker_alone(bench):
    instruments = (
        Instrument("meter", period=0.1, averaging=0.1, stamp_at="end"),
        Instrument("host", period=1.0, averaging=1.0, stamp_at="end"),
    )
    entries = tuple(LogEntry(name, (f"logs/{name}.csv",), name, ()) for name in ("meter", "host"))
    logs = {
        "meter": opened("meter", "input_power", 0.1, 0.0, 1.15),
        "host": opened("host", "package_power", 1.0, 7.4, 1),
    }
    recording = align(logs, replace(bench, instruments=instruments), Campaign("marker", entries, ()))
    host = next(item for item in recording.clocks if item.log == "host")
    assert host.status == "aligned"
    assert host.offset == pytest.approx(7.4, abs=0.15)
    assert host.peak_ratio < 0.5
