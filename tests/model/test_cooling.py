"""Fan and pump: what their duty does to the way to the coolant, to the coolant, and to what a warmer processor draws."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from phasewright.live import demo_scenario, make_campaign
from phasewright.model import fitted_prior, predict, prior_of, settled_temperature
from phasewright.model.coolant import AIR_SIDE, given_off, responses
from phasewright.model.formula import cooled
from phasewright.model.leaking import LEAK_AT, LEAK_DOUBLES, leakage_of, settled_growth
from phasewright.model.record import lay_grid

WIDTH = np.array([2.0] * 6 + [6.0] * 5 + [12.0] * 4)
EDGES = np.concatenate([[0.0], np.cumsum(WIDTH)])


@pytest.mark.parametrize("side", AIR_SIDE["liquid"])
def test_coolant_against_scipy_where_the_fan_changes(side):
    """tau dT/dt = P - g(duty) T, integrated cell by cell by scipy.integrate.solve_ivp (RK45, 1e-10)."""
    duty = np.array([1.0] * 5 + [0.3] * 6 + [0.6] * 4)
    power = np.array([50.0] * 3 + [300.0] * 7 + [120.0] * 5)
    g, tau = given_off(duty, *side), 80.0
    warmed, begun = responses(power, g, WIDTH, np.array([tau]))
    for ours, drive, state in ((warmed[0], power, power[0] / g[0]), (begun[0], 0.0 * power, 1.0)):
        means = []
        for k, width in enumerate(WIDTH):
            found = solve_ivp(lambda t, y, k=k, u=drive: [(u[k] - g[k] * y[0]) / tau, y[0]], (0.0, width), [state, 0.0],
                              rtol=1e-10, atol=1e-12)  # fmt: skip
            state = found.y[0, -1]
            means.append(found.y[1, -1] / width)
        assert ours == pytest.approx(np.array(means), rel=1e-7)


@pytest.mark.parametrize("side", AIR_SIDE["liquid"])
def test_a_radiator_gives_off_more_with_more_fan_and_all_at_full(side):
    given = given_off(np.linspace(0.0, 1.0, 11), *side)
    assert np.all(np.diff(given) > 0.0) and given[-1] == pytest.approx(1.0, rel=1e-12)
    assert given[0] > 0.0, "warm air rises by itself"


def test_powers_of_the_duty_are_those_of_the_flow():
    """Heat transfer of a wall grows with speed^0.5 (laminar) to speed^0.8 (turbulent): Incropera, flat plate, from memory."""
    p = {"plate_rise": 0.3, "package_rise": 0.03, "plate_fan": 0.5, "package_fan": 0.8}
    slow = cooled(p, 0.25)
    assert slow["plate_rise"] == pytest.approx(0.6, rel=1e-12)
    assert slow["package_rise"] == pytest.approx(0.03 * 4.0**0.8, rel=1e-12)
    assert cooled(p, math.nan) == p and cooled(p, 1.0)["plate_rise"] == p["plate_rise"]
    assert cooled(p, 0.0)["plate_rise"] == cooled(p, 0.1)["plate_rise"], "below a tenth it moves by itself"


@pytest.fixture(scope="module")
def air():
    """A simulated bench cooled by air on which nothing was measured, its usual duty known."""
    bench = demo_scenario().bench
    bench = replace(bench, cooling=replace(bench.cooling, coolant="air", fan_map=()))
    return replace(fitted_prior(prior_of(bench)), usual_duty=0.8)


def at(fitted, **more):
    setting = {"phase_count": 8, "package_power": 200.0, "coolant_temperature": 28.0, **more}
    return predict(fitted, setting, refuse=False).quantities["regulator_temperature"]


def test_less_fan_is_never_cooler_and_the_usual_duty_changes_nothing(air):
    hot = [at(air, fan_duty=duty).value for duty in (1.0, 0.8, 0.6, 0.4, 0.2)]
    assert np.all(np.diff(hot) > 0.0)
    assert at(air, fan_duty=0.8).value == at(air).value
    assert at(air, fan_duty=0.3).u > at(air).u, "how much less was never seen"
    assert at(air, pump_duty=0.3).value == at(air).value, "no pump moves air"


def test_in_a_loop_the_pump_acts_on_the_plate_and_the_fan_on_the_coolant(air):
    wet = replace(air, bench=replace(air.bench, cooling=replace(air.bench.cooling, coolant="liquid")))
    assert at(wet, pump_duty=0.4).value > at(wet).value
    assert at(wet, fan_duty=0.4).value == at(wet).value, "the coolant's temperature is stated"


@pytest.mark.parametrize("name", ["fan_duty", "pump_duty"])
@pytest.mark.parametrize("duty", [-0.1, 1.2, math.nan])
def test_an_impossible_duty_is_refused(air, name, duty):
    with pytest.raises(ValueError, match=name):
        at(air, **{name: duty})


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    from phasewright.app import jobs

    folder = tmp_path_factory.mktemp("cooling") / "demo"
    make_campaign(folder, demo_scenario(), 5)
    return jobs.analyze(folder)


def test_leakage_that_was_planted_makes_the_load_grow_as_it_must(demo):
    """A load of work (1 + leak 2^((T - 60 K)/22 K)) that warms along a line; worked out by hand."""
    grid = lay_grid(demo)
    first, past = max(grid.stretches, key=lambda pair: pair[1] - pair[0])
    part = np.zeros(len(grid.time), dtype=bool)
    part[first:past] = True
    hot = 60.0 + 25.0 * (1.0 - np.exp(-(np.arange(len(grid.time)) % 60) / 30.0))
    leak, work = 0.12, 200.0
    package = work * (1.0 + leak * 2.0 ** ((hot - LEAK_AT) / LEAK_DOUBLES))
    grid = replace(grid, processor=hot, package=package, coolant=np.full(len(hot), 30.0), held=np.zeros(len(hot)))
    step = next(k for k in range(len(demo.steps)) if np.count_nonzero(part & (grid.planned == k)) > 20)
    cells = np.flatnonzero(part & (grid.planned == step))
    share, u = leakage_of(grid, package)
    assert share == pytest.approx(leak, abs=2.0 * u) and u < 0.01
    found = settled_growth(grid, cells, 30.0, "liquid", 1.0)
    warmer = settled_growth(grid, cells, 45.0, "liquid", 1.0)
    assert 0.9 < found.factor < warmer.factor < 1.5
    blind = settled_growth(replace(grid, processor=np.full(len(hot), np.nan)), cells, 45.0, "liquid", 1.0)
    assert blind.factor == 1.0 and blind.u > 0.0


def test_a_load_that_a_limit_holds_does_not_grow(demo):
    from phasewright.model import fit_model

    fitted = fit_model(demo)
    step = next(item for item in demo.steps if item.window.settled and "package_power" in item.quantities)
    free = settled_temperature(fitted, demo, step.step.name)
    power = step.quantities["package_power"].value
    held = replace(step, step=replace(step.step, settings={**step.step.settings, "power_limit": power}))
    steps = tuple(held if item is step else item for item in demo.steps)
    stays = settled_temperature(fitted, replace(demo, steps=steps), step.step.name)
    assert stays.temperature.value != free.temperature.value
    assert stays.temperature.value == pytest.approx(free.temperature.value, abs=3.0)
