"""Heat in time against python-control, an independent library of linear systems: transfer functions and state space."""

import control
import numpy as np
import pytest

from phasewright.physics import cauer_to_foster, foster_history, foster_rise

RESISTANCES = np.array([0.45, 1.3, 2.1])
"""[K/W]"""
TIMES = np.array([0.8, 14.0, 220.0])
"""[s]"""


def foster_system():
    """Return the Foster network as the sum of first-order transfer functions."""
    return control.parallel(*(control.tf([r], [tau, 1.0]) for r, tau in zip(RESISTANCES, TIMES, strict=True)))


def test_foster_step_is_the_step_response_of_its_transfer_function():
    time = np.linspace(0.0, 900.0, 1801)
    expected = control.step_response(foster_system(), time).outputs
    np.testing.assert_allclose(foster_rise(time, 1.0, RESISTANCES, TIMES), expected, rtol=1e-6, atol=1e-9)


def test_foster_settles_at_the_gain_of_its_transfer_function():
    assert float(foster_rise(1e9, 1.0, RESISTANCES, TIMES)) == pytest.approx(control.dcgain(foster_system()).real)


def test_foster_history_is_the_response_to_power_in_steps():
    generator = np.random.default_rng(8)
    time = np.arange(0.0, 400.0, 0.5)
    power = np.repeat(generator.uniform(5.0, 60.0, 8), 100)
    found = foster_history(time, power, RESISTANCES, TIMES)
    # Held between moments: the discrete system with a zero-order hold is exact at the moments.
    held = control.sample_system(control.ss(foster_system()), 0.5, method="zoh")
    expected = control.forced_response(held, time, power).outputs
    np.testing.assert_allclose(found, expected, rtol=1e-7, atol=1e-7)


def test_a_ladder_of_layers_and_its_foster_network_are_one_system():
    resistance, capacity = np.array([0.3, 0.9, 1.7]), np.array([0.4, 9.0, 160.0])
    conductance = 1.0 / resistance
    network = np.diag(conductance) + np.diag(np.r_[0.0, conductance[:-1]])
    network -= np.diag(conductance[:-1], 1) + np.diag(conductance[:-1], -1)
    ladder = control.ss(-network / capacity[:, None], [[1.0 / capacity[0]], [0.0], [0.0]], [[1.0, 0.0, 0.0]], 0.0)
    time = np.linspace(0.0, 1200.0, 2401)
    foster = cauer_to_foster(resistance, capacity)
    np.testing.assert_allclose(sorted(-1.0 / control.poles(ladder).real), sorted(foster.time_constants), rtol=1e-9)
    found = foster_rise(time, 1.0, foster.thermal_resistances, foster.time_constants)
    np.testing.assert_allclose(found, control.step_response(ladder, time).outputs, rtol=1e-6, atol=1e-8)
