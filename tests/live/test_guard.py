"""Bounds nest, silence is a fault, and both end a run in time."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.bench import limits_of
from phasewright.live import Bound, Guard, demo_scenario, nested_bounds, stale_after

BENCH = demo_scenario().bench
CHANNELS = ("regulator_temperature", "rail_current", "coolant_temperature", "inductor_temperature", "input_current")


def parts(phase_count):
    """What the parts bear, worked out here again from the bench file's figures."""
    return {"regulator_temperature": 150.0, "inductor_temperature": 125.0, "coolant_temperature": 50.0,
            "rail_current": phase_count * 80.0, "input_current": 8 * 8.0}


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(CHANNELS), st.floats(allow_nan=True, allow_infinity=True), st.sampled_from(["stop", "hold"]),
       st.integers(1, 10))
def test_no_request_ever_widens_what_the_parts_bear(channel, threshold, action, phase_count):
    """S2, short; the long version is in benchmarks/record_trials.py."""
    bounds = nested_bounds([Bound(channel, threshold, "", action, "asked")], BENCH, {"phase_count": phase_count})
    stops = {bound.channel: bound.threshold for bound in bounds if bound.action == "stop"}
    for name, most in parts(phase_count).items():
        assert stops[name] <= most + 1e-9


def test_a_request_may_lower_a_bound():
    (bound,) = [item for item in nested_bounds([Bound("regulator_temperature", 95.0, "degC", "stop", "asked")], BENCH, {})
                if item.channel == "regulator_temperature"]
    assert (bound.threshold, bound.why) == (95.0, "asked")


def test_protections_do_their_own_work_and_end_no_step():
    kinds = {item.kind for item in limits_of(BENCH, {}) if item.applies_to == "package_power"}
    assert kinds == {"protection"}
    assert not [bound for bound in nested_bounds([], BENCH, {}) if bound.channel == "package_power"]


def test_one_bad_reading_ends_nothing_two_in_succession_do():
    guard = Guard()
    guard.arm([Bound("rail_current", 100.0, "A", "stop", "rating")], {}, 0)
    for value in (120.0, 90.0, 130.0, None, float("nan")):
        guard.see("rail_current", value, 0)
    assert guard.check(0) is None
    guard.see("rail_current", 101.0, 0)
    stopped = guard.check(0)
    assert stopped.action == "stop" and "beyond 100 A: rating" in stopped.reason
    guard.disarm()
    assert guard.check(0) is None


def test_a_stop_goes_before_a_hold_and_labels_are_bounded_too():
    guard = Guard()
    guard.arm([Bound("rail_current", 100.0, "A", "hold", "a"), Bound("coolant_temperature", 50.0, "degC", "stop", "b")], {}, 0)
    for _ in range(2):
        guard.see("rail_current.left", 200.0, 0)
        guard.see("coolant_temperature", 60.0, 0)
    assert guard.check(0).channel == "coolant_temperature"


@pytest.mark.parametrize("seed", range(100))
def test_a_stale_channel_is_found_within_three_periods_or_two_seconds(seed):
    """S4: 100 of 100, and never before; a missing reading is no sign of life."""
    chance = random.Random(seed)
    period = chance.choice([0.05, 0.2, 0.5, 1.0, 3.0])
    quiet_from = chance.uniform(5.0, 20.0)
    guard, now, found = Guard(), 0.0, None
    guard.arm([], {"input_power": period, "coolant_temperature": 1.0}, 0)
    tick, due, last = 0.05, 0.0, 0.0
    while found is None and now < 60.0:
        if now >= due:
            due += period
            alive = now < quiet_from
            guard.see("input_power", 300.0 if alive else None, round(now * 1e9))
            last = now if alive else last
        guard.see("coolant_temperature", 30.0, round(now * 1e9))
        found = guard.check(round(now * 1e9))
        now += tick
    longest = max(3.0 * period, 2.0)
    assert stale_after(period) == longest
    assert found.channel == "input_power" and found.action == "stop" and found.value is None
    assert longest - 1e-6 < now - tick - last <= longest + 2.0 * tick
