"""Rows TH-01 to TH-09 of the reference values: thermal resistances, networks, settling, runaway."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from phasewright.physics import (
    approach_fraction,
    cauer_to_foster,
    chain_temperatures,
    final_value,
    foster_history,
    foster_rise,
    heat_split,
    loop_gain,
    parallel_thermal,
    runaway_resistance,
    series_thermal,
    settle_linear,
    settle_together,
    settling_time,
    thermal_resistance,
)


def near(expected, tolerance):
    return pytest.approx(expected, abs=tolerance, rel=0)


def test_TH_01_JESD51_psi_is_no_resistance():
    # 20 W, 16 W of it upwards through 10 K/W and 4 W down through 40 K/W, to 40 degC. All of the heat counts in Psi.
    hot, reference, total = 200.0, 40.0, 20.0
    theta = thermal_resistance(hot - reference, 16.0)
    psi = thermal_resistance(hot - reference, total)
    assert theta == near(10.0, 1e-12)
    assert psi == near(8.0, 1e-12)
    # In series with another 5 K/W on the upper path Psi gives a wrong temperature, the network the right one.
    right = reference + total * parallel_thermal([theta + 5.0, 40.0])
    assert right == near(258.18, 0.005)
    assert reference + total * series_thermal([psi, 5.0]) != pytest.approx(right, abs=10.0)


def test_TH_02_series_network():
    assert chain_temperatures(25.0, 5.0, [8.0, 1.0, 3.0])[-1] == near(85.0, 1e-12)
    assert chain_temperatures(25.0, 5.0, [8.0, 1.0, 3.0])[1] == near(70.0, 1e-12)
    assert thermal_resistance(85.0 - 25.0, 5.0) == near(series_thermal([3.0, 1.0, 8.0]), 1e-12)


def test_TH_03_parallel_paths():
    assert parallel_thermal([10.0, 40.0]) == near(8.0, 1e-12)
    assert 40.0 + 20.0 * parallel_thermal([10.0, 40.0]) == near(200.0, 1e-12)
    np.testing.assert_allclose(heat_split(20.0, [10.0, 40.0]), [16.0, 4.0], rtol=1e-12)


TH_04_TIMES = [0.01, 0.1, 1.0, 10.0, 60.0]


def test_TH_04_foster_step_response():
    expected = [0.317060, 0.509952, 0.597541, 1.286939, 2.400426]
    np.testing.assert_allclose(foster_rise(TH_04_TIMES, 1.0, [0.5, 2.0], [0.01, 20.0]), expected, rtol=0, atol=1e-6)


def test_TH_04_foster_step_response_equals_an_ode_solver():
    resistances, constants = np.array([0.5, 2.0]), np.array([0.01, 20.0])
    solution = solve_ivp(
        lambda _, x: (resistances - x) / constants, (0.0, 60.0), [0.0, 0.0], method="LSODA", t_eval=TH_04_TIMES,
        rtol=1e-11, atol=1e-13,
    )  # fmt: skip
    np.testing.assert_allclose(foster_rise(TH_04_TIMES, 1.0, resistances, constants), solution.y.sum(axis=0), atol=1e-9)


def test_TH_05_cauer_to_foster():
    network = cauer_to_foster([0.5, 2.0], [0.02, 10.0])
    np.testing.assert_allclose(network.thermal_resistances, [0.4980045, 2.0019955], rtol=0, atol=5e-8)
    np.testing.assert_allclose(network.time_constants, [9.98003e-3, 20.04002], rtol=5e-7)
    assert network.thermal_resistances.sum() == near(2.5, 1e-12)
    rise = foster_rise(1.0, 1.0, network.thermal_resistances, network.time_constants)
    assert rise == near(0.5954528, 5e-8)


def test_TH_05_foster_of_a_longer_ladder_equals_an_ode_solver():
    resistances, capacities = np.array([0.3, 0.8, 1.5, 0.4]), np.array([0.05, 2.0, 30.0, 200.0])

    def slope(_, temperature):
        flow = (temperature - np.append(temperature[1:], 0.0)) / resistances
        return (np.concatenate([[1.0], flow[:-1]]) - flow) / capacities

    times = [0.01, 0.1, 1.0, 20.0, 300.0]
    solution = solve_ivp(slope, (0.0, 300.0), np.zeros(4), method="LSODA", t_eval=times, rtol=1e-11, atol=1e-13)
    network = cauer_to_foster(resistances, capacities)
    computed = foster_rise(times, 1.0, network.thermal_resistances, network.time_constants)
    np.testing.assert_allclose(computed, solution.y[0], rtol=1e-8, atol=1e-10)


def test_TH_05_history_of_a_stepped_power_equals_an_ode_solver():
    generator = np.random.default_rng(5)
    times = np.cumsum(generator.uniform(0.01, 3.0, 60))
    powers = generator.uniform(0.0, 40.0, 60)
    resistances, constants = np.array([0.2, 0.7, 1.1]), np.array([0.05, 4.0, 90.0])
    state, expected = resistances * 12.0, [12.0 * resistances.sum()]
    for step, power in zip(np.diff(times), powers, strict=False):
        solution = solve_ivp(
            lambda _, x, p=power: (resistances * p - x) / constants, (0.0, step), state, method="LSODA",
            rtol=1e-10, atol=1e-12,
        )  # fmt: skip
        state = solution.y[:, -1]
        expected.append(state.sum())
    np.testing.assert_allclose(foster_history(times, powers, resistances, constants, 12.0), expected, rtol=1e-7)


def test_TH_07_loss_rising_with_temperature():
    settled = settle_linear(20.0, 25.0, 0.004, 2.0, 40.0)
    assert settled.temperature == near(90.4762, 0.00005)
    assert settled.loss == near(25.2381, 0.00005)
    assert runaway_resistance(20.0, 0.004) == near(12.5, 1e-12)
    assert loop_gain(20.0, 0.004, 12.5) == near(1.0, 1e-12)
    # The printed closed form, and plain iteration.
    assert (40.0 + 2.0 * 20.0 * (1 - 0.004 * 25.0)) / (1 - 0.004 * 2.0 * 20.0) == near(settled.temperature, 1e-9)
    temperature = 40.0
    for _ in range(100):
        temperature = 40.0 + 2.0 * 20.0 * (1 + 0.004 * (temperature - 25.0))
    assert settled.temperature == near(temperature, 1e-9)


def test_TH_07_runaway_from_12_5_K_per_W():
    settled = settle_linear(20.0, 25.0, 0.004, [12.49, 12.5, 13.0], 40.0)
    assert np.isfinite(settled.temperature[0])
    assert np.all(np.isinf(settled.temperature[1:]))
    assert np.all(np.isinf(settled.loss[1:]))


def test_TH_07_coupled_solution_equals_brentq_for_curved_losses():
    def loss(temperature):
        return 18.0 * (1 + 0.003 * (temperature - 25.0) + 2e-5 * (temperature - 25.0) ** 2) + 0.4 * np.exp(
            (temperature - 60.0) / 40.0
        )

    resistances = np.array([0.1, 0.5, 1.0, 1.6])
    settled = settle_together(loss, resistances, 35.0)
    for resistance, temperature, gain in zip(resistances, settled.temperature, settled.gain, strict=True):
        expected = brentq(lambda t, r=resistance: 35.0 + r * loss(t) - t, 35.0, 35.0 + 60.0 * resistance + 5.0)
        assert temperature == pytest.approx(expected, rel=1e-9)
        assert 0.0 < gain < 1.0
    runaway = settle_together(loss, 6.0, 35.0)
    assert runaway.temperature == np.inf
    assert runaway.gain >= 1.0
    # No crossing indeed: the loop is above the line everywhere.
    scan = np.linspace(35.0, 400.0, 4000)
    assert np.all(35.0 + 6.0 * loss(scan) > scan)


def test_TH_08_newton_cooling():
    expected = [0.632121, 0.864665, 0.950213, 0.981684, 0.993262]
    np.testing.assert_allclose(approach_fraction([1, 2, 3, 4, 5], 1.0), expected, rtol=0, atol=5e-7)
    assert settling_time(1.0, 0.05) == near(2.99573, 0.000005)
    assert settling_time(1.0, 0.01) == near(4.60517, 0.000005)


def test_TH_09_final_value_from_three_points():
    points = 85.0 - 45.0 * np.exp(-np.array([0.0, 200.0, 400.0]) / 300.0)
    np.testing.assert_allclose(points, [40.0, 61.89623, 73.13813], rtol=0, atol=5e-6)
    end = final_value(*points, 200.0)
    assert end.temperature == near(85.000, 1e-9)
    assert end.time_constant == near(300.0, 1e-9)
    rounded = final_value(40.0, 61.89623, 73.13813, 200.0)
    assert rounded.temperature == near(85.000, 0.0005)
    assert rounded.time_constant == near(300.0, 0.05)
