"""The order of steps, how long each is held, when to cool down, and the plan after steps have been measured."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.bench import Accuracy, Instrument, Step
from phasewright.model import Residual
from phasewright.plan import READINESS, Conditions, Workload, matrix, order_steps, preflight, update_plan
from phasewright.plan.dwell import Heat, at_idle, cool_down_before, heat_of, hold_for, times_of

LOADS = (Workload("scalar", 200.0), Workload("vector", 300.0))


@pytest.fixture(scope="module")
def plan(bench):
    return order_steps(bench, matrix(bench, (2, 3, 4, 6, 10), LOADS))


def foreseen(item) -> tuple:
    forecast = item.forecast
    chance = math.floor(100.0 * (forecast.chance_to_trip or 0.0))
    hot = forecast.quantities["regulator_temperature"].value
    return READINESS.index(forecast.verdict), chance, hot


@settings(max_examples=6, deadline=None)
@given(
    counts=st.lists(st.integers(2, 10), min_size=1, max_size=3, unique=True),
    watts=st.lists(st.floats(60.0, 320.0), min_size=1, max_size=2, unique=True),
    coolants=st.lists(st.sampled_from([None, 25.0, 40.0]), min_size=1, max_size=2, unique=True),
)
def test_order_is_monotone_in_severity(bench, fitted, counts, watts, coolants):
    wanted = matrix(bench, counts, [Workload(package_power=power) for power in watts], coolants)
    found = [item for item in order_steps(bench, wanted, fitted=fitted).steps if not item.repeats]
    assert sorted(item.name for item in found) == sorted(step.name for step in wanted)
    keys = [foreseen(item) for item in found]
    assert keys == sorted(keys)


def test_fewer_phases_of_one_load_come_later(plan):
    for load in ("scalar", "vector"):
        counts = [
            item.forecast.phase_count
            for item in plan.steps
            if item.forecast.step.settings["load"] == load and not item.repeats
        ]
        assert counts == sorted(counts, reverse=True)


def test_first_step_is_the_baseline_and_comes_again_at_the_end(plan):
    run = [item for item in plan.steps if item.runnable]
    assert run[0].name == "10 phases, 200 W"
    assert [item.forecast.step.baseline for item in plan.steps].count(True) == 1
    assert run[0].forecast.step.baseline
    assert run[-1].name == "10 phases, 200 W, again"
    assert run[-1].repeats == run[0].name
    assert run[-1].forecast.step.settings == run[0].forecast.step.settings
    assert all(not item.runnable for item in plan.steps[len(run) :])


def test_a_baseline_that_was_chosen_is_repeated(bench):
    wanted = [replace(step, baseline=step.settings["phase_count"] == 6) for step in matrix(bench, (10, 6), LOADS[:1])]
    again = order_steps(bench, wanted).steps[-1]
    assert again.repeats == "6 phases, 200 W"
    assert [item.repeats for item in order_steps(bench, wanted, conditions=Conditions(repeat_first=False)).steps] == [
        "",
        "",
    ]
    # A plan made of a plan does not repeat it twice.
    names = [
        item.name
        for item in order_steps(bench, [item.forecast.step for item in order_steps(bench, wanted).steps]).steps
    ]
    assert sorted(names) == ["10 phases, 200 W", "6 phases, 200 W", "6 phases, 200 W, again"]


# ---- dwell and cool-down ------------------------------------------------------------------------------------------


def history(change: dict[str, float], times: dict[str, float], moments: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Temperature still to go [K] and its slope [K/s], from scipy's integration of the first-order lags."""
    from scipy.integrate import solve_ivp

    paths = list(change)
    tau = np.array([times[path] for path in paths])
    found = solve_ivp(
        lambda _, x: -x / tau,
        (0.0, float(moments[-1])),
        [change[path] for path in paths],
        t_eval=moments,
        rtol=1e-8,
        atol=1e-10,
    )
    return found.y.sum(axis=0), (-found.y / tau[:, None]).sum(axis=0)


@pytest.mark.parametrize("bound", [0.5, 1.0, 2.0])
@pytest.mark.parametrize(
    "change",
    [
        {"stage": 20.0, "plate": 10.0, "package": 4.0, "coolant": 5.0},
        {"stage": 8.0, "plate": 1.0, "package": 0.0, "coolant": 0.0},
        {"stage": -15.0, "plate": -6.0, "package": 3.0, "coolant": -2.0},
    ],
)
def test_when_the_window_opens_time_constant_times_slope_is_below_the_bound(bench, fitted, change, bound):
    times = times_of(fitted)
    hold = hold_for(bench, change, times, bound)
    moving = [times[path] for path, delta in change.items() if abs(delta) > 0.05 * bound]
    own = max(times[path] for path in ("stage", "plate", "package") if abs(change[path]) > 0.05 * bound)
    window = max(60.0, 2.0 * own * 1.0 / bound)  # a bench without instruments: a sensor of 1 K is taken
    left, slope = history(change, times, np.linspace(0.0, hold.to_settle - window, 400))
    assert abs(left[-1]) <= 0.5 * bound + 0.06 * bound
    assert abs(slope[-1]) * max(moving) <= 0.5 * bound + 0.06 * bound
    assert hold.to_settle % 10.0 == 0.0
    assert hold.to_decide >= 2.0 * max(moving)


def test_dwell_grows_with_the_change_and_with_a_coarse_sensor(bench, fitted):
    times = times_of(fitted)

    def hold(rise: float, resolution: float) -> float:
        stated = {"regulator_temperature": Accuracy(resolution=resolution)}
        return hold_for(
            replace(bench, instruments=(Instrument("host", accuracy=stated),)),
            {"stage": rise, "plate": rise},
            times,
            1.0,
        ).to_settle

    assert hold(5.0, 0.1) < hold(20.0, 0.1) < hold(20.0, 1.0) < hold(20.0, 4.0)


def test_deciding_takes_less_time_than_settling(bench):
    wanted = matrix(bench, (10, 4), LOADS)
    patient, hasty = (order_steps(bench, wanted, conditions=Conditions(decide=decide)) for decide in (False, True))
    assert hasty.duration < patient.duration
    for item in hasty.steps:
        assert item.dwell == item.dwell_to_decide <= item.dwell_to_settle
    assert all(item.dwell_reason.startswith("to settle") for item in patient.steps)
    assert any(item.dwell_reason.startswith("to decide") for item in hasty.steps)


def test_paths_add_up_and_more_phases_take_heat_off_each_stage(bench, fitted):
    coolant = {"coolant_temperature": 30.0}
    found = preflight(bench, [{"phase_count": n, "package_power": 250.0, **coolant} for n in (10, 6, 4)])
    heats = []
    for item in found.steps:
        heat, quantities = heat_of(fitted, item.forecast), item.forecast.quantities
        heats.append(heat)
        assert heat.stage + heat.plate + heat.package == pytest.approx(quantities["regulator_rise"].value)
        # Not more than if all of the loss passed the stages.
        per_phase = (
            fitted.parameter("stage_rise").value * quantities["conversion_loss"].value / item.forecast.phase_count
        )
        assert 0.0 < heat.stage < 1.1 * per_phase
        assert at_idle(heat, bench) == Heat(0.0, 0.0, 0.0, 30.0, True)
    assert heats[0].stage < heats[1].stage < heats[2].stage
    assert heats[0].package == pytest.approx(heats[2].package)  # the same package power


def test_heat_left_over_is_let_out_before_a_step_that_it_would_stop(bench, fitted):
    """The start of the step, by the lags of scipy's integration, stays below where it is stopped."""
    times = times_of(fitted)
    forecast = preflight(bench, {"phase_count": 4, "package_power": 200.0}).steps[0].forecast
    step, before = Heat(55.0, 8.0, 3.0, 32.0, False), Heat(5.0, 30.0, 12.0, 32.0, False)
    wait, why, left = cool_down_before(bench, forecast, step, before, times)
    assert wait > 0.0
    assert "110 °C" in why

    def hottest(start: Heat) -> float:
        # The stage's own path is quick: counted as settled from the first moment.
        change = {path: getattr(start, path) - getattr(step, path) for path in ("plate", "package")}
        togo, _ = history(change, times, np.linspace(0.0, 600.0, 300))
        return 32.0 + step.stage + step.plate + step.package + float(togo.max())

    assert hottest(before) > 110.0
    assert hottest(left) <= 110.0 + 1e-6
    assert cool_down_before(bench, forecast, step, Heat(5.0, 9.0, 4.0, 32.0, False), times)[0] == 0.0


def test_a_colder_coolant_is_waited_for(bench):
    wanted = [
        {"phase_count": 10, "package_power": 150.0, "coolant_temperature": 40.0},
        {"phase_count": 10, "package_power": 150.0, "coolant_temperature": 30.0},
    ]
    first, second = preflight(bench, wanted).steps
    assert first.cool_down == 0.0
    assert second.cool_down == pytest.approx(240.0 * math.log(10.0 / 0.5), abs=10.0)
    assert second.cool_down_reason == "until the coolant is at 30 °C"


# ---- after measured steps -----------------------------------------------------------------------------------------


def learned(fitted, names, **scores):
    """What part data say, narrowed and moved as if the named steps had been measured."""
    score = np.array([scores.get(name, 0.0) for name in fitted.prior.names])
    residuals = tuple(Residual(name, "regulator_temperature", 50.0, 50.0, 0.3) for name in names)
    return replace(
        fitted, score=score, covariance=0.05 * np.eye(len(score)), residuals=residuals, step_count=len(names)
    )


def test_a_plan_is_made_anew_after_each_measured_step(plan, fitted):
    first = plan.steps[0].name
    assert plan.next_step == first
    after = update_plan(plan, learned(fitted, [first]))
    assert after.steps[0].measured
    assert [item.measured for item in after.steps].count(True) == 1
    assert {item.name for item in after.steps} == {item.name for item in plan.steps}
    assert after.next_step == next(item.name for item in plan.steps[1:])
    assert after.next_sentence.startswith(f"Next: {after.next_step}")
    assert after.readiness.measured
    assert after.duration < plan.duration
    keys = [foreseen(item) for item in after.steps if not item.measured and not item.repeats]
    assert keys == sorted(keys)


def test_a_bench_that_runs_hotter_than_thought_loses_its_hard_steps(plan, fitted):
    names = [item.name for item in plan.steps[:2]]
    cool = update_plan(plan, learned(fitted, names))
    hot = update_plan(plan, learned(fitted, names, stage_rise=9.0, plate_rise=6.0))
    run = [{item.name for item in found.steps if item.runnable} for found in (cool, hot)]
    assert run[1] < run[0]
    assert "No longer wise" in hot.next_sentence


def test_when_nothing_wise_is_left_it_says_so(bench, fitted):
    wanted = [{"phase_count": 8, "package_power": 200.0}, {"phase_count": 2, "package_power": 320.0}]
    plan = order_steps(bench, wanted, conditions=Conditions(repeat_first=False))
    after = update_plan(plan, learned(fitted, [plan.steps[0].name]))
    assert after.next_step == ""
    assert after.next_sentence.startswith("None of the 1 steps left is wise: 2 phases, 320 W")
    done = update_plan(plan, fitted, measured={item.name for item in plan.steps})
    assert done.next_sentence == "Every step has been measured."


def test_where_no_wanted_step_is_wise_a_milder_one_is_named(bench):
    plan = order_steps(bench, [{"phase_count": 2, "package_power": 300.0}])
    assert plan.next_step == ""
    assert plan.next_sentence.endswith("Begin with a milder one: 10 phases, 300 W is a go.")
    heavy = order_steps(bench, [{"phase_count": 2, "package_power": 900.0}]).next_sentence
    watts = float(heavy.split("10 phases, ")[1].split(" W")[0])
    assert preflight(bench, {"phase_count": 10, "package_power": watts}).verdict != "no-go"


def test_only_a_wise_step_may_teach(plan):
    teaching = next(item for item in plan.steps if item.name == plan.teaches)
    assert teaching.runnable
    assert not teaching.repeats
    assert plan.teaches in plan.teaches_sentence


def test_steps_may_be_records_or_settings(bench):
    mixed = [
        Step("mine", {"phase_count": 8, "package_power": 150.0}),
        {"name": "yours", "phase_count": 6, "rail_current": 90},
    ]
    plan = order_steps(bench, mixed)
    assert {item.name for item in plan.steps} == {"mine", "yours", f"{plan.steps[0].name}, again"}
