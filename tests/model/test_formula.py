"""The formula: energy balance, closed forms against general-purpose solvers, monotone in phases."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from phasewright import physics
from phasewright.model.formula import (
    NEIGHBOUR,
    Load,
    input_of,
    load_from_current,
    load_from_package,
    loss_at,
    neighbours,
    settle,
)

CALM = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
"""A machine that is busy with something else is no fault."""

P = {
    "board_loss": 1.0,
    "phase_loss": 0.9,
    "proportional_loss": 0.04,
    "phase_resistance": 1.8e-3,
    "path_resistance": 5e-5,
    "resistance_coefficient": 0.0035,
    "stage_rise": 2.4,
    "plate_rise": 0.1,
    "package_rise": 0.015,
    "stage_fixed_share": 0.7,
    "stage_resistance_share": 0.9,
    "other_power": 20.0,
    "other_rails": 9.0,
    "supply_resistance": 2e-3,
    "rail_setpoint": 1.2,
    "load_line": 0.3e-3,
}


def test_closed_form_is_the_root_of_heat_and_loss():
    """Against scipy.optimize.brentq, which knows nothing of the closed form."""
    for n in (3, 5, 9):
        load = load_from_current(P, 180.0)
        state = settle(P, n, load, 32.0, 0.05)

        def imbalance(t, n=n, load=load):
            conducted = 0.9 * 1.8e-3 * (180.0 / n) ** 2 * (1.0 + 0.0035 * (t - 25.0))
            hottest = 1.05 * (0.7 * 0.9 + 0.04 * 180.0 / n + conducted)
            plate = P["plate_rise"] * loss_at(P, n, 180.0, t)
            return 32.0 + P["stage_rise"] * hottest + plate + P["package_rise"] * load.package - t

        assert state.temperature == pytest.approx(brentq(imbalance, 0.0, 500.0), abs=1e-8)
        assert state.loss == pytest.approx(loss_at(P, n, 180.0, state.temperature), rel=1e-12)


def test_table_row_th_07_loss_and_temperature_together():
    """TH-07: 20 W at 25 degC, 0.004 1/K, 2 K/W, 40 degC: 90.4762 degC and 25.2381 W; runaway from 12.5 K/W on."""
    own = {name: 0.0 for name in P} | {"resistance_coefficient": 0.004, "phase_resistance": 20.0, "stage_rise": 2.0}
    own |= {"stage_resistance_share": 1.0}
    load = Load(np.float64(1.0), np.float64(1.0), np.float64(0.0))
    state = settle(own, 1, load, 40.0)
    assert state.temperature == pytest.approx(90.4762, abs=1e-4)
    assert state.loss == pytest.approx(25.2381, abs=1e-4)
    assert np.isfinite(settle(own | {"stage_rise": 12.49}, 1, load, 40.0).temperature)
    assert np.isinf(settle(own | {"stage_rise": 12.5}, 1, load, 40.0).temperature)
    same = physics.settle_linear(20.0, 25.0, 0.004, 2.0, 40.0)
    assert same.temperature == pytest.approx(float(state.temperature), rel=1e-12)


@CALM
@given(current=st.floats(5.0, 400.0), phases=st.integers(1, 20), hot=st.floats(20.0, 120.0))
def test_energy_balance_to_rounding(current, phases, hot):
    """Whatever goes in comes out: package, loss, cables and other loads add up to the input."""
    load = load_from_current(P, current)
    loss = loss_at(P, phases, current, hot)
    power, path = input_of(P, load, loss, 12.0)
    # The package's other rails are fed by the other loads, so they count once.
    out = load.voltage * load.current + loss + P["other_power"] + path
    assert power == pytest.approx(out, rel=1e-12)
    assert path == pytest.approx((power / 12.0) ** 2 * P["supply_resistance"], rel=1e-9, abs=1e-12)
    assert power > load.package - P["other_rails"]


@CALM
@given(package=st.floats(15.0, 400.0))
def test_load_from_package_is_the_inverse_of_load_from_current(package):
    load = load_from_package(P, package)
    back = load_from_current(P, load.current)
    assert back.package == pytest.approx(package, rel=1e-12)


@settings(CALM, max_examples=200)
@given(
    current=st.floats(20.0, 300.0), phases=st.integers(2, 19), coolant=st.floats(15.0, 50.0),
    resistance=st.floats(0.5e-3, 4e-3), stage=st.floats(0.3, 6.0), plate=st.floats(0.0, 0.6), fixed=st.floats(0.0, 2.0),
)  # fmt: skip
def test_more_phases_are_never_hotter_where_conduction_outweighs_what_a_phase_costs(
    current, phases, coolant, resistance, stage, plate, fixed
):
    """One more phase costs `phase_loss`; where it saves more conduction than that, no part of the rise may grow."""
    own = P | {"phase_resistance": resistance, "stage_rise": stage, "plate_rise": plate, "phase_loss": fixed}
    load = load_from_current(own, current)
    saved = resistance * current**2 / (phases * (phases + 1))
    if saved < fixed:
        return
    few, more = (settle(own, n, load, coolant) for n in (phases, phases + 1))
    assert few.gain > more.gain
    assert more.temperature <= few.temperature + 1e-9 or np.isinf(few.temperature)


def test_neighbours_against_a_row_that_conducts():
    """Heat of a stage falls by one factor a place along a row of equal links to a common plate: against the same row
    solved as a resistor network (numpy.linalg), phases on as `neighbours` takes them."""
    fitted, on = 9, [0, 8, 4, 2, 6]
    reach = NEIGHBOUR
    # A row whose Green's function falls by `reach`: link 1, shunt reach + 1/reach - 2; ends shunted as if it went on.
    shunt = reach + 1.0 / reach - 2.0
    long = 60
    row = np.diag(np.full(long, 2.0 + shunt)) - np.eye(long, k=1) - np.eye(long, k=-1)
    start = (long - fitted) // 2
    for count in (2, 3, 5):
        heat = np.zeros(long)
        heat[[start + place for place in on[:count]]] = 1.0
        rise = np.linalg.solve(row, heat)
        alone = np.linalg.solve(row, np.eye(long)[start])[start]
        ratio = rise.max() / alone - 1.0
        assert neighbours(fitted)[count] * 2.0 * reach / (1.0 - reach) == pytest.approx(ratio, rel=1e-9)


def test_neighbours_warm_more_the_more_there_are():
    near = neighbours(12)
    assert near[0] == near[1] == 0.0
    assert np.all(np.diff(near) >= 0.0)
    assert 0.9 < near[12] < 1.0
