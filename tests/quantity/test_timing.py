"""Bounds on what clocks can tell (reference-values section 13)."""

import numpy as np
import pytest

from phasewright.quantity import delay_bound, fit_least_squares, rate_bound, two_way_offset


def pulse():
    t = np.arange(600) / 10.0
    return np.tanh(t - 20.0) - np.tanh(t - 40.0)


def test_sg_01_delay_bound_of_a_known_pulse():
    """SG-01: s = tanh(t - 20) - tanh(t - 40), 10 samples/s, 60 s, sigma 0.05: 9.6825 ms (Cramer-Rao bound)."""
    assert delay_bound(pulse(), 10.0, 0.05) == pytest.approx(9.6825e-3, rel=1e-4)


def test_sg_02_energy_of_two_tanh_edges():
    """SG-02: squared slopes of one edge add to (4/3) x rate; two edges at 10/s: 26.667 (integral of sech^4 = 4/3)."""
    assert (0.05 / delay_bound(pulse(), 10.0, 0.05)) ** 2 == pytest.approx(26.6667, rel=1e-4)


def test_delay_bound_is_what_a_fit_reaches():
    """SG-01, second half: a fit of the delay in white noise scatters by the bound (20 000 trials gave 9.736 ms)."""
    t = np.arange(600) / 10.0
    generator = np.random.default_rng(11)
    found = []
    for _ in range(150):
        noisy = pulse() + 0.05 * generator.standard_normal(600)

        def residuals(p, noisy=noisy):
            return (np.tanh(t - 20.0 - p[0]) - np.tanh(t - 40.0 - p[0]) - noisy) / 0.05

        fit = fit_least_squares(residuals, [0.0], names=["delay"], scale_u=False)
        found.append(fit.values[0])
        assert fit.u[0] == pytest.approx(9.68e-3, rel=0.1)
    assert np.std(found) == pytest.approx(9.6825e-3, rel=0.17)  # three standard errors of a deviation from 150


def test_sg_04_two_way_time_transfer():
    """SG-04: stamps 100.000, 100.120, 100.121, 100.041: offset 0.100 s, delay 0.040 s (form of RFC 5905)."""
    found = two_way_offset(100.000, 100.120, 100.121, 100.041)
    assert found.offset == pytest.approx(0.100, abs=1e-12)
    assert found.delay == pytest.approx(0.040, abs=1e-12)


def test_sg_05_rate_by_regression():
    """SG-05: sigma 1 ms, 3600 readings 1 s apart: 1.6038e-8 s/s."""
    assert rate_bound(1e-3, 3600, 1.0) == pytest.approx(1.6038e-8, rel=5e-5)


def test_rate_bound_is_the_slope_of_a_line():
    """Against the covariance of a straight line by numpy."""
    t = 0.5 * np.arange(40)
    design = np.stack([np.ones(40), t], axis=1)
    expected = 0.2 * np.sqrt(np.linalg.inv(design.T @ design)[1, 1])
    assert rate_bound(0.2, 40, 0.5) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    "call",
    [
        lambda: delay_bound(np.ones(3), 10.0, 0.1),
        lambda: delay_bound(np.ones(10), 0.0, 0.1),
        lambda: delay_bound(np.full(10, np.nan), 1.0, 0.1),
        lambda: rate_bound(1.0, 1, 1.0),
        lambda: rate_bound(-1.0, 10, 1.0),
    ],
)
def test_refusals_say_the_rule(call):
    with pytest.raises(ValueError, match="asked for"):
        call()


def test_a_constant_signal_has_no_delay():
    assert delay_bound(np.ones(10), 1.0, 0.1) == np.inf
