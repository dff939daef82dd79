"""How sure a clock is said to be, held against draws of what makes it unsure."""

import numpy as np
import pytest

from phasewright.logs.clocks import fit


@pytest.mark.parametrize("memory", [np.array([0.9, 0.0, 0.0]), np.array([0.7, 0.2, -0.1]), np.zeros(3)])
def test_stamp_errors_widen_an_interval_by_what_draws_show(memory):
    """Estimates of weighted least squares under noise and stamp errors, 4000 draws: numpy's standard deviation."""
    generator = np.random.default_rng(8)
    count, sigma, jitter = 400, 1.0, 0.05
    slope = np.zeros(count)
    slope[20::40] = generator.uniform(50.0, 150.0, len(slope[20::40])) * generator.choice([-1.0, 1.0], 10)
    late = np.linspace(-1.0, 1.0, count)
    j = fit._whiten(np.column_stack([slope, slope * late]), memory)
    spread = fit._spread_of(slope, memory)
    weight = 1.0 / (sigma**2 + (jitter * spread) ** 2)
    bread = np.linalg.inv((j * weight[:, None]).T @ j)
    draws = sigma * generator.standard_normal((4000, count))
    shown = fit._whiten((slope * jitter * generator.standard_normal((4000, count))).T, memory)
    estimates = (draws + shown.T) * weight @ j @ bread
    said = fit._wider(j, slope, memory, sigma, jitter, bread) * np.sqrt(np.diag(bread))
    # A standard deviation of 4000 draws is itself sure to 1.1 %.
    assert said == pytest.approx(estimates.std(axis=0), rel=0.05)
    if not memory.any():
        assert fit._wider(j, slope, memory, sigma, jitter, bread) == pytest.approx([1.0, 1.0])


def test_without_stamp_errors_nothing_is_widened():
    j = np.random.default_rng(1).standard_normal((50, 2))
    assert np.array_equal(fit._wider(j, j[:, 0], np.array([0.5, 0.1, 0.0]), 1.0, 0.0, np.eye(2)), [1.0, 1.0])
