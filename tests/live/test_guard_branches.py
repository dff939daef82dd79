"""The guard at its edges: beyond is more than the bound, twice in succession; silence is more than three periods."""

from dataclasses import replace

import pytest

from phasewright.bench import limits_of
from phasewright.live import Bound, demo_scenario
from phasewright.live.guard import Guard, nested_bounds, stale_after

BENCH = demo_scenario().bench
SECOND = 1_000_000_000


def guard_of(*bounds, see=None, now=0):
    made = Guard()
    made.arm(bounds, see or {}, now)
    return made


def test_a_reading_at_its_bound_is_not_beyond_it():
    guard = guard_of(Bound("rail_current", 100.0, "A", "stop", "rating"))
    for _ in range(5):
        guard.see("rail_current", 100.0, 0)
    assert guard.check(0) is None
    guard.see("rail_current", 100.5, 0)
    assert guard.check(0) is None
    guard.see("rail_current", 101.5, 0)
    stopped = guard.check(0)
    assert stopped.value == 101.5
    assert stopped.age is None
    assert stopped.reason == "rail_current reads 101.5 A, beyond 100 A: rating"


def test_a_reading_back_at_the_bound_breaks_the_succession():
    guard = guard_of(Bound("rail_current", 100.0, "A", "stop", "rating"))
    for value in (150.0, 100.0, 150.0):
        guard.see("rail_current", value, 0)
    assert guard.check(0) is None


@pytest.mark.parametrize("period, longest", [(0.1, 2.0), (0.6, 2.0), (1.0, 3.0), (4.0, 12.0), (None, 3.0)])
def test_silence_ends_a_run_after_three_periods_or_two_seconds_and_not_at_them(period, longest):
    guard = guard_of(see={"input_power": period}, now=7 * SECOND)
    assert stale_after(period) == pytest.approx(longest)
    edge = 7 * SECOND + round(longest * SECOND)
    assert guard.check(edge - SECOND // 1000) is None
    stopped = guard.check(edge + SECOND // 1000)
    assert (stopped.channel, stopped.action, stopped.value) == ("input_power", "stop", None)
    assert stopped.age == pytest.approx(longest + 0.001)
    assert f"for {longest:.1f} s" in stopped.reason


def test_an_age_of_just_the_longest_is_not_stale():
    guard = guard_of(see={"input_power": 1.0})
    assert guard.check(3 * SECOND) is None
    assert guard.check(3 * SECOND + 1) is not None


def test_what_was_seen_before_arming_is_neither_silence_nor_succession():
    guard = guard_of(Bound("rail_current", 100.0, "A", "hold", "a"), see={"rail_current": 1.0})
    guard.see("rail_current", 150.0, 0)
    guard.arm([Bound("rail_current", 100.0, "A", "hold", "a")], {"rail_current": 1.0}, 60 * SECOND)
    assert guard.check(61 * SECOND) is None
    guard.see("rail_current", 150.0, 61 * SECOND)
    assert guard.check(61 * SECOND) is None
    guard.see("rail_current", 150.0, 62 * SECOND)
    assert guard.check(62 * SECOND).action == "hold"


def test_an_older_stamp_that_comes_later_makes_a_channel_no_older():
    guard = guard_of(see={"input_power": 1.0})
    guard.see("input_power", 300.0, 10 * SECOND)
    guard.see("input_power", 300.0, 4 * SECOND)
    assert guard.check(13 * SECOND) is None
    assert guard.check(13 * SECOND + 1).age == pytest.approx(3.0)


def test_a_guard_that_was_never_armed_ends_nothing():
    guard = Guard()
    guard.see("rail_current", 1e9, 0)
    assert not guard.armed
    assert guard.check(1000 * SECOND) is None


@pytest.mark.parametrize("order", [1, -1])
def test_a_stop_goes_before_a_hold_whichever_came_first(order):
    guard = guard_of(Bound("rail_current", 100.0, "A", "hold", "a"), Bound("coolant_temperature", 50.0, "degC", "stop", "b"))
    for channel in ("rail_current", "coolant_temperature")[::order] * 2:
        guard.see(channel, 200.0, 0)
    assert guard.check(0).action == "stop"


def test_each_bound_of_a_channel_gives_its_own_reason():
    guard = guard_of(Bound("rail_current", 100.0, "A", "hold", "asked"), Bound("rail_current", 200.0, "A", "stop", "rating"))
    for value in (150.0, 150.0):
        guard.see("rail_current", value, 0)
    assert guard.check(0).action == "hold" and guard.check(0).reason.endswith("beyond 100 A: asked")
    for value in (250.0, 250.0):
        guard.see("rail_current", value, 0)
    assert guard.check(0).action == "stop" and guard.check(0).reason.endswith("beyond 200 A: rating")


@pytest.mark.parametrize("phases", [1, 2, 4])
@pytest.mark.parametrize("applies_to", ["stage_current", "phase_current"])
def test_all_phases_together_bear_what_each_bears_times_their_number(monkeypatch, applies_to, phases):
    """Currents that run in parallel add: the definition of a parallel circuit."""
    own = next(item for item in limits_of(BENCH, {"phase_count": phases}) if item.kind in ("absolute_maximum", "rating"))
    only = replace(own, applies_to=applies_to, value=30.0, unit="A", kind="rating")
    bench = replace(BENCH, regulator=replace(BENCH.regulator, stages_per_phase=2))
    monkeypatch.setattr("phasewright.live.guard.limits_of", lambda bench, settings: (only,))
    found = {item.channel: item for item in nested_bounds([], bench, {"phase_count": phases})}
    times = phases * (2 if applies_to == "stage_current" else 1)
    assert set(found) == {applies_to, "rail_current"}
    assert found[applies_to].threshold == 30.0 and "in each of" not in found[applies_to].why
    assert found["rail_current"].threshold == 30.0 * times
    assert (f"in each of {times}" in found["rail_current"].why) == (times > 1)
    assert {item.action for item in found.values()} == {"stop"}


def test_the_lower_of_two_requests_holds_whichever_came_first():
    low, high = (Bound("outlet_temperature", value, "degC", "hold", "asked") for value in (40.0, 41.0))
    for asked in ([low, high], [high, low]):
        assert low in nested_bounds(asked, BENCH, {}) and high not in nested_bounds(asked, BENCH, {})
    endless = Bound("outlet_temperature", float("inf"), "degC", "hold", "asked")
    assert endless not in nested_bounds([endless], BENCH, {})
