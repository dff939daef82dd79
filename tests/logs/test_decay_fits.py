"""Fits of decaying exponentials and bounds of mixtures, against scipy."""

import numpy as np
import pytest
from scipy import optimize, stats

from phasewright.logs.steady.decays import fit_decays
from phasewright.logs.steady.mixture import chance_beyond, magnitude_bound
from phasewright.logs.steady.series import Series


def series_of(generator: np.random.Generator, constants: tuple[float, ...], count: int = 120) -> Series:
    time = np.sort(generator.uniform(0.0, 400.0, count))
    load = generator.normal(0.0, 2.0, (count, 2))
    value = 60.0 + load @ [0.05, 0.02] + generator.normal(0.0, 0.05, count)
    for constant in constants:
        value -= 15.0 * np.exp(-(time - time[0]) / constant)
    return Series(time, value, load, 40.0, 0.2, 0.0)


def test_one_exponential_is_that_of_scipy_least_squares():
    series = series_of(np.random.default_rng(3), (70.0,))
    time, noise = series.time - series.time[0], float(np.std(np.diff(series.value))) / 2**0.5

    def residuals(x: np.ndarray) -> np.ndarray:
        level, *gains, amplitude, log_constant = x
        model = level + series.load @ gains + amplitude * np.exp(-time / np.exp(log_constant))
        # The same priors: gains near what is physical, amplitude within three times the record's range.
        return np.concatenate([(series.value - model) / noise, np.array(gains) / series.gain,
                               [amplitude / (3.0 * series.spread)]])

    found = optimize.least_squares(residuals, [60.0, 0.0, 0.0, -10.0, np.log(100.0)], xtol=1e-14, ftol=1e-14)
    fit = fit_decays(series, [(120.0,)])[0]
    assert fit is not None
    assert fit.level == pytest.approx(found.x[0], abs=1e-4)
    assert fit.amplitude[0] == pytest.approx(found.x[3], abs=1e-3)
    assert fit.constant[0] == pytest.approx(np.exp(found.x[4]), rel=1e-4)


def test_a_held_constant_stays_and_fits_side_by_side_are_those_one_by_one():
    series = series_of(np.random.default_rng(4), (30.0, 200.0))
    pairs = [(25.0, second) for second in (60.0, 120.0, 240.0, 480.0)]
    together = fit_decays(series, pairs, held=True)
    for pair, fit in zip(pairs, together, strict=True):
        alone = fit_decays(series, [pair], held=True)[0]
        assert fit is not None and alone is not None
        assert np.min(np.abs(fit.constant / pair[1] - 1.0)) < 1e-9
        assert fit.level == pytest.approx(alone.level, rel=1e-9)
        assert fit.level_u == pytest.approx(alone.level_u, rel=1e-6)
        assert fit.cost == pytest.approx(alone.cost, rel=1e-9)
    assert min(together, key=lambda fit: fit.cost).constant[1] == pytest.approx(240.0)


def test_bound_of_a_mixture_is_where_scipy_says():
    generator = np.random.default_rng(5)
    for _ in range(20):
        weight = generator.dirichlet(np.ones(6))
        mean, u = generator.normal(0.0, 1.0, 6), generator.uniform(0.01, 1.0, 6)
        beyond = lambda x: float(weight @ (stats.norm.sf((x - mean) / u) + stats.norm.sf((x + mean) / u)))  # noqa: B023, E731
        for level in (0.9, 0.95, 0.99):
            bound = magnitude_bound(weight, mean, u, level)
            assert beyond(bound) == pytest.approx(1.0 - level, abs=2e-6)
            assert chance_beyond(weight, mean, u, bound) <= 1.0 - level
