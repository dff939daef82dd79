"""Means, peaks and their budgets: statistics, gain, offset, rounding, alignment."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phasewright.bench import Accuracy, Instrument
from phasewright.findings.readings import take_readings
from phasewright.findings.trust import observed_resolution, resolution_u, trust_of
from phasewright.logs import AlignedTrace


def trace(values, period=1.0, averaging=None, segments=(), name="input_power", unit="W", **more):
    ends = period * np.arange(1, len(values) + 1)
    length = period if averaging is None else averaging
    return AlignedTrace(
        name,
        unit,
        "log",
        "meter",
        ends - length,
        ends,
        np.asarray(values, float),
        length,
        0.0,
        segments=segments,
        **more,
    )


def bench_with(hand, accuracy, channel="input_power"):
    return replace(hand.bench(), instruments=(Instrument("meter", accuracy={channel: accuracy}),))


def parts_of(value):
    return {part.source: part for part in value.parts}


# ---- which readings -----------------------------------------------------------------------------------------------


def test_only_readings_wholly_inside_count_and_missing_ones_are_told():
    found = take_readings(trace([1, 2, np.nan, 4, 5]), 0.5, 4.5)
    assert found.value.tolist() == [2.0, 4.0]
    assert found.left_out == 1


def test_segments_are_searched_one_by_one():
    found = take_readings(trace(range(10), segments=((0, 4), (4, 10))), 2.0, 7.0)
    assert found.value.tolist() == [2.0, 3.0, 4.0, 5.0, 6.0]


def test_averaged_readings_weigh_by_their_length():
    one = AlignedTrace(
        "input_power", "W", "l", "meter", np.array([0.0, 1.0]), np.array([1.0, 4.0]), np.array([10.0, 20.0]), 1.0, 0.0
    )
    found = take_readings(one, 0.0, 4.0)
    assert found.weights() @ found.value / found.weights().sum() == pytest.approx(17.5)


def test_momentary_reading_beside_a_gap_does_not_speak_for_the_gap():
    ends = np.array([0.0, 1.0, 2.0, 3.0, 100.0, 101.0])
    one = AlignedTrace("input_power", "W", "l", "meter", ends, ends, np.arange(6.0), 0.0, 0.0)
    weights = take_readings(one, 0.0, 200.0).weights()
    assert weights.max() <= 2.0 and weights.min() > 0.0


# ---- stated accuracy ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stated_as", "divisor", "shape"),
    [("limit", math.sqrt(3.0), "rectangular"), ("standard", 1.0, "normal"), ("expanded", 2.0, "normal")],
)
def test_stated_accuracy_becomes_standard_uncertainty(hand, stated_as, divisor, shape):
    """JCGM 100:2008, 4.3.7 (bounds), 4.3.3 (multiple of a standard deviation)."""
    bench = bench_with(hand, Accuracy(gain=0.006, offset=0.9, stated_as=stated_as))
    found = trust_of(bench, "meter", "input_power")
    assert (found.gain_u, found.offset_u, found.shape) == (
        pytest.approx(0.006 / divisor),
        pytest.approx(0.9 / divisor),
        shape,
    )
    assert found.known


def test_gain_and_offset_are_named_after_the_instrument_and_shared(hand):
    analysis = hand.analyzed(hand.Played("a"), hand.Played("b"))
    shared = [set(parts_of(step.quantities["input_power"])) for step in analysis.steps]
    assert {"meter/input_power/gain", "meter/input_power/offset"} <= shared[0] & shared[1]
    assert {"a/input_power/statistics"} == {name for name in shared[0] - shared[1] if "statistics" in name}


def test_package_power_has_a_default_and_other_channels_have_none(hand):
    bench = replace(hand.bench(), instruments=(Instrument("host"),))
    package = trust_of(bench, "host", "package_power")
    assert (package.gain_u, package.offset_u, package.known) == (0.03, 1.0, True)
    rail = trust_of(bench, "host", "rail_current")
    assert not rail.known and "[instrument.accuracy.rail_current]" in rail.reason


def test_resolution_alone_is_no_accuracy(hand):
    found = trust_of(bench_with(hand, Accuracy(resolution=0.1)), "meter", "input_power")
    assert not found.known and found.resolution == 0.1


def test_labelled_channel_takes_the_accuracy_of_its_kind_and_its_own_source(hand):
    found = trust_of(hand.bench(), "host", "rail_current.phase_1")
    assert found.known and found.source("gain") == "host/rail_current.phase_1/gain"


def test_counts_and_commands_have_no_systematic_part(hand):
    assert trust_of(hand.bench(), "host", "phase_count").known
    assert trust_of(hand.bench(), "host", "fan_duty").gain_u == 0.0


def test_unknown_accuracy_is_none_with_a_reason_never_zero(hand):
    analysis = hand.analyzed(hand.Played(levels={"inductor_temperature": 70.0}))
    value = analysis.steps[0].quantities["inductor_temperature"]
    assert value.u is None and value.low95 is None and "inductor_temperature" in value.reason
    rise = analysis.steps[0].quantities["inductor_rise"]
    assert rise.u is None and rise.reason == value.reason


# ---- rounding -----------------------------------------------------------------------------------------------------


def test_resolution_of_still_readings_is_step_over_root_12():
    """JCGM 100:2008, F.2.2.1."""
    assert resolution_u(1.0, 0.0) == pytest.approx(1.0 / math.sqrt(12.0))
    assert resolution_u(0.0, 3.0) == 0.0


@pytest.mark.parametrize("sigma", [0.0, 0.2, 0.3, 0.5, 1.0])
def test_what_rounding_leaves_in_a_mean_is_never_understated(sigma):
    """Simulated: the error of the mean of many rounded readings, over all places within a step."""
    generator = np.random.default_rng(11)
    errors, stated = [], []
    for place in generator.uniform(0.0, 1.0, 400):
        true = place + sigma * generator.standard_normal(4000)
        readings = np.round(true)
        errors.append(readings.mean() - true.mean())
        stated.append(resolution_u(1.0, readings.std()))
    assert np.sqrt(np.mean(np.square(errors))) <= 1.05 * np.sqrt(np.mean(np.square(stated))) + 0.01
    if sigma >= 1.0:
        assert max(stated) < 0.02


@given(step=st.floats(1e-6, 1e3), scatter=st.floats(0.0, 1e4))
def test_rounding_never_exceeds_step_over_root_12(step, scatter):
    found = resolution_u(step, scatter)
    assert 0.0 <= found <= step / math.sqrt(12.0) * (1.0 + 1e-9)


def test_step_of_the_readings_is_seen_in_the_log():
    generator = np.random.default_rng(2)
    assert observed_resolution(trace(np.round(70.0 + 2.0 * generator.standard_normal(500)))) == pytest.approx(1.0)
    assert observed_resolution(trace(0.25 * np.round(300.0 + 8.0 * generator.standard_normal(500)))) == pytest.approx(
        0.25
    )
    assert observed_resolution(trace(70.0 + generator.standard_normal(500))) == 0.0
    assert observed_resolution(trace(np.repeat([5.0, 250.0, 300.0], 200))) == 0.0


# ---- alignment ----------------------------------------------------------------------------------------------------


def test_time_uncertainty_times_slope_is_in_the_budget(hand):
    def ramp(t, level):
        return level + 0.02 * t

    steps = [hand.Played(shape={"package_power": ramp})]
    tight, loose = (hand.analyzed(*steps, time_u={"host": u}).steps[0].quantities["package_power"] for u in (0.0, 5.0))
    assert "clock/host" not in parts_of(tight)
    assert parts_of(loose)["clock/host"].contribution == pytest.approx(5.0 * 0.02, rel=0.1)


def test_edge_beside_the_window_counts_when_the_clock_is_that_unsure(hand):
    campaign, recording, spans, windows = hand.played([hand.Played()], time_u={"host": 30.0})
    from phasewright.findings import analyze

    close = (replace(windows[0], end_s=spans[0].end_s),)
    found = analyze(hand.bench(), campaign, recording, spans, close).steps[0].quantities["package_power"]
    # Half of 200 W over 60 s, in a window of 200 s.
    assert abs(parts_of(found)["clock/host"].contribution) == pytest.approx(0.5 * 200.0 * 60.0 / 200.0, rel=0.05)


def test_clock_that_nothing_places_counts_as_the_spread_over_the_step(hand):
    def swing(t, level):
        return level + 10.0 * np.sin(t / 30.0)

    found = hand.analyzed(hand.Played(shape={"package_power": swing}), time_u={"host": float("inf")}).steps[0]
    assert parts_of(found.quantities["package_power"])["clock/host"].contribution == pytest.approx(
        10.0 / math.sqrt(2.0), rel=0.1
    )


# ---- powers from what is logged -----------------------------------------------------------------------------------


def test_input_power_from_simultaneous_voltage_and_current_is_the_mean_of_products(hand):
    def up(t, level):
        return level * np.where(t % 2.0 < 1.0, 1.2, 0.8)

    def down(t, level):
        return level * np.where(t % 2.0 < 1.0, 0.99, 1.01)

    levels = {"input_power": None, "input_voltage": 12.0, "input_current": 25.0}
    step = hand.analyzed(
        hand.Played(levels=levels, shape={"input_current": up, "input_voltage": down}), noise={}
    ).steps[0]
    found = step.quantities["input_power"]
    assert found.value == pytest.approx(12.0 * 25.0 * 0.5 * (1.2 * 0.99 + 0.8 * 1.01), rel=3e-4)
    assert found.kind == "measured" and "products of simultaneous" in step.basis["input_power"]
    assert {"meter/input_voltage/gain", "meter/input_current/offset"} <= set(parts_of(found))


def test_power_from_two_logs_says_that_it_is_the_product_of_means(hand):
    log_of = {
        name: "host" if name in hand.HOST else "meter" for name in [*hand.LEVELS, "input_voltage", "input_current"]
    }
    log_of["input_voltage"] = "host"
    bench = hand.bench()
    host = replace(bench.instruments[1], accuracy={**hand.HOST, "input_voltage": hand.METER["input_voltage"]})
    levels = {"input_power": None, "input_voltage": 12.0, "input_current": 25.0}
    step = hand.analyzed(
        hand.Played(levels=levels), bench=replace(bench, instruments=(bench.instruments[0], host)), log_of=log_of
    ).steps[0]
    assert step.quantities["input_power"].value == pytest.approx(300.0, rel=1e-3)
    assert "not read together" in step.basis["input_power"]


def test_package_power_from_an_energy_counter(hand):
    def counter(t, level):
        return level * t

    levels = {"package_power": None, "package_energy": 250.0}
    log_of = {name: "host" if name in hand.HOST else "meter" for name in hand.LEVELS} | {"package_energy": "host"}
    step = hand.analyzed(hand.Played(levels=levels, shape={"package_energy": counter}), log_of=log_of).steps[0]
    found = step.quantities["package_power"]
    assert found.value == pytest.approx(250.0, rel=1e-6)
    assert found.u == pytest.approx(np.hypot(7.5, 1.0), rel=1e-3)


def test_counter_that_wraps_in_the_window_is_refused_with_the_reason(hand):
    def counter(t, level):
        return (level * t) % 65532.6

    levels = {"package_power": None, "package_energy": 250.0}
    log_of = {name: "host" if name in hand.HOST else "meter" for name in hand.LEVELS} | {"package_energy": "host"}
    step = hand.analyzed(hand.Played(levels=levels, shape={"package_energy": counter}), log_of=log_of).steps[0]
    missing = {item.name: item.why for item in step.missing}
    assert "does not rise" in missing["package_power"] and "does not rise" in missing["loss"]


def test_peak_is_that_of_the_raw_samples_and_says_their_averaging(hand):
    campaign, recording, spans, windows = hand.played([hand.Played()])
    from phasewright.findings import analyze

    plain = recording.traces["input_power"]
    high = plain.value + 25.0
    condensed = replace(plain, low=plain.value - 20.0, high=high, raw_averaging=0.001)
    recording = replace(recording, traces={**recording.traces, "input_power": condensed})
    step = analyze(hand.bench(), campaign, recording, spans, windows).steps[0]
    assert step.quantities["input_power_peak"].value == pytest.approx(325.0, abs=3.0)
    assert step.peak_averaging["input_power_peak"] == 0.001
    assert "averages over 0.001 s" in step.basis["input_power_peak"]
