"""Rows LL-01 to LL-15 of the reference values: load line, tolerance band, load steps."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from phasewright.physics import (
    capacitance_for_overshoot,
    charge_capacitance,
    charge_current,
    critical_inductance,
    esl_kick,
    esr_limit,
    greatest_inductance,
    inductor_slew_time,
    load_line_band,
    load_line_voltage,
    overshoot_of,
    sizing_inductance,
    step_excursion,
    step_excursion_time,
    tolerance_band,
    total_slew,
    transition_steps,
    voltage_transition_time,
)


def near(expected, tolerance):
    return pytest.approx(expected, abs=tolerance, rel=0)


@pytest.mark.parametrize(
    ("current", "top", "bottom"), [(0.0, 0.0, -40e-3), (100.0, -125e-3, -165e-3), (150.0, -187.5e-3, -227.5e-3)]
)
def test_LL_01_VRM_10_2L_p14_load_line_limits(current, top, bottom):
    band = load_line_band(1.35, 1.25e-3, current, 40e-3)
    assert band.high - 1.35 == near(top, 1e-12)
    assert band.low - 1.35 == near(bottom, 1e-12)
    assert load_line_voltage(1.35, 1.25e-3, current) == band.high


def test_LL_02_VRM_10_2_p9_envelope_and_LL_15_kick_at_its_slope():
    # Peak 150 A less the step of 100 A leaves 50 A; the step takes 1/12 us at the stated slope, inside its 1 us.
    slope = 1200e6
    assert 100.0 / slope == near(83.33e-9, 0.005e-9)
    assert 100.0 / slope < 1e-6
    assert esl_kick(10e-12, slope) == near(12.0e-3, 0.05e-3)


def test_LL_03_VRM_10_2L_p14_transition():
    assert transition_steps(0.450, 12.5e-3) == 36
    assert voltage_transition_time(0.450, 12.5e-3, 5e-6) == near(180e-6, 1e-12)
    assert voltage_transition_time(0.450, 12.5e-3, 5e-6, 50e-6) == near(230e-6, 1e-12)


def test_LL_04_VRD_10_0_p27_transition():
    assert transition_steps(1.6 - 0.8375, 12.5e-3) == 61
    assert voltage_transition_time(1.6 - 0.8375, 12.5e-3, 5e-6) == near(305e-6, 1e-12)
    # The source says 350 us, with a settling allowance of 50 us cut to a round number.
    assert voltage_transition_time(1.6 - 0.8375, 12.5e-3, 5e-6, 50e-6) == near(355e-6, 1e-12)


def test_LL_05_VRD_10_1_p24_tolerance_band():
    assert tolerance_band(1.35, 0.005, 0.1, 0.05, 0.01, 4, 5e-3) == near(13.415e-3, 0.001e-3)


def test_LL_06_step_up_below_the_critical_inductance():
    slew = total_slew(10.8, 0.22e-6, 6)
    assert slew == pytest.approx(294.55e6, rel=2e-5)
    assert step_excursion(100.0, slew, 4e-3, 0.5e-3) == near(50.0e-3, 0.0005e-3)
    assert step_excursion_time(100.0, slew, 4e-3, 0.5e-3) == 0.0


@pytest.mark.parametrize("inductance", [22e-9, 100e-9, 0.22e-6, 0.5e-6])
@pytest.mark.parametrize(("voltage", "count"), [(10.8, 6), (1.2, 6), (1.2, 3)])
@pytest.mark.parametrize("resistance", [0.0, 0.5e-3, 1.5e-3])
def test_LL_06_excursion_equals_simulation(inductance, voltage, count, resistance):
    step, capacitance = 100.0, 4e-3
    slew = total_slew(voltage, inductance, count)
    # The capacitor gives what the inductors do not yet: dI - m t, until they have caught up.
    t = np.linspace(0.0, step / slew, 200_001)
    lacking = step - slew * t
    charge = np.concatenate([[0.0], np.cumsum((lacking[1:] + lacking[:-1]) / 2 * np.diff(t))])
    excursion = resistance * lacking + charge / capacitance
    assert step_excursion(step, slew, capacitance, resistance) == pytest.approx(excursion.max(), rel=1e-6)
    assert step_excursion_time(step, slew, capacitance, resistance) == near(
        t[excursion.argmax()], 2 * t[1] if excursion.argmax() else 1e-15
    )


def test_LL_06_excursion_equals_an_ode_solver():
    step, capacitance, resistance, slew = 100.0, 4e-3, 0.5e-3, total_slew(1.2, 0.22e-6, 6)
    solution = solve_ivp(
        lambda t, y: [(step - slew * t) / capacitance], (0.0, step / slew), [0.0], rtol=1e-11, atol=1e-14,
        dense_output=True,
    )  # fmt: skip
    t = np.linspace(0.0, step / slew, 20_001)
    excursion = resistance * (step - slew * t) + solution.sol(t)[0]
    assert step_excursion(step, slew, capacitance, resistance) == pytest.approx(excursion.max(), rel=1e-7)


def test_LL_08_critical_inductance():
    assert critical_inductance(1.2, 6, 4e-3, 0.5e-3, 100.0) == pytest.approx(144e-9, rel=1e-6)
    assert critical_inductance(1.2, 3, 4e-3, 0.5e-3, 100.0) == pytest.approx(72e-9, rel=1e-6)
    assert critical_inductance(10.8, 6, 4e-3, 0.5e-3, 100.0) == pytest.approx(1.296e-6, rel=1e-6)


@pytest.mark.parametrize("count", [3, 6])
def test_LL_08_excursion_leaves_r_dI_at_the_critical_inductance(count):
    critical = critical_inductance(1.2, count, 4e-3, 0.5e-3, 100.0)
    for factor, larger in ((0.5, False), (0.999, False), (1.01, True), (2.0, True)):
        excursion = step_excursion(100.0, total_slew(1.2, factor * critical, count), 4e-3, 0.5e-3)
        assert (excursion > 50e-3 * (1 + 1e-12)) is larger


def test_LL_09_ISL6326_p28_eq39_40_sizing_bounds():
    release = sizing_inductance(54.5455e-3, 1.2, 6, 4e-3, 0.5e-3, 100.0)
    rise = sizing_inductance(54.5455e-3, 10.8, 6, 4e-3, 0.5e-3, 100.0, 1.25)
    assert release == pytest.approx(26.18e-9, rel=2e-4)
    assert rise == pytest.approx(147.3e-9, rel=2e-4)
    exact = greatest_inductance(54.5455e-3, 1.2, 6, 4e-3, 0.5e-3, 100.0)
    assert exact == pytest.approx(0.22e-6, rel=0.005)
    assert exact > release, "the data-sheet bound is on the safe side"
    assert step_excursion(100.0, total_slew(1.2, exact, 6), 4e-3, 0.5e-3) == pytest.approx(54.5455e-3, rel=1e-12)


def test_LL_10_ADP2102_p21_overshoot_by_energy():
    computed = capacitance_for_overshoot(2.2e-6, 0.6, 1.8, 50e-3)
    assert computed == pytest.approx(4.340e-6, rel=1e-4)
    assert computed == pytest.approx(4.33e-6, rel=0.003)
    assert overshoot_of(2.2e-6, 0.6, computed, 1.8) == pytest.approx(50e-3, rel=1e-12)


@pytest.mark.parametrize(("count", "current"), [(1, 0.6), (4, 80.0)])
def test_LL_10_overshoot_equals_an_ode_solver(count, current):
    inductance, capacitance, voltage = 2.2e-6, 1e-4 * current, 1.2

    def empty(_, y):
        return y[0]

    empty.terminal = True
    solution = solve_ivp(
        lambda _, y: [-y[1] * count / inductance, y[0] / capacitance], (0.0, 1.0), [current, voltage],
        events=empty, rtol=1e-10, atol=1e-12,
    )  # fmt: skip
    expected = solution.y_events[0][0][1] - voltage
    assert overshoot_of(inductance, current, capacitance, voltage, count) == pytest.approx(expected, rel=1e-6)


def test_LL_11_SLUS930B_p52_overshoot_by_charge_and_resistance():
    computed = charge_capacitance(750e-9, 10.0, 1.2, 120e-3)
    assert computed == near(520.8e-6, 0.05e-6)
    assert round(computed * 1e6) == 521
    assert esr_limit(50e-3, 4.88, 521e-6, 300e3, 1) == near(9.446e-3, 0.0005e-3)
    assert esr_limit(50e-3, 4.88, 521e-6, 300e3, 1) == near(9.45e-3, 0.005e-3)


def test_LL_12_SLUS660H_p43_overshoot_by_charge():
    assert charge_capacitance(1e-6, 10.0, 1.5, 80e-3) == near(833.3e-6, 0.05e-6)


def test_LL_13_NCP5316_p21_slew_times():
    assert inductor_slew_time(0.22e-6, 100.0 / 6, 12.0 - 1.2) == near(0.3395e-6, 0.00005e-6)
    assert inductor_slew_time(0.22e-6, 100.0 / 6, 1.2) == near(3.0556e-6, 0.00005e-6)
    assert 100.0 / total_slew(1.2, 0.22e-6, 6) == pytest.approx(inductor_slew_time(0.22e-6, 100.0 / 6, 1.2), rel=1e-12)


def test_LL_14_SLUS930B_p53_eq45_charge_current():
    assert charge_current(774e-6, 1.2, 3.1e-3) == near(0.2996, 0.00005)
    assert charge_current(774e-6, 1.2, 3.1e-3) == near(0.30, 0.005)


def test_LL_15_kick():
    assert esl_kick(10e-12, 1200e6) == pytest.approx(12.0e-3, rel=1e-12)
