"""Rows ST-01 to ST-08 of the reference values: what a run proves, against scipy and statsmodels as well."""

import numpy as np
import pytest
from scipy import special
from statsmodels.stats.proportion import proportion_confint

from phasewright.physics import (
    clopper_pearson,
    failure_probability_bound,
    failure_rate_bound,
    mtbf_bound,
    mtbf_interval,
    rule_of_three,
    success_run_count,
)
from phasewright.physics._quantile import beta_point, gamma_point


def near(expected, tolerance):
    return pytest.approx(expected, abs=tolerance, rel=0)


@pytest.mark.parametrize(
    ("confidence", "expected"), [(0.60, 0.916291), (0.90, 2.302585), (0.95, 2.995732), (0.99, 4.605170)]
)
def test_ST_01_e_handbook_8_4_5_1_zero_failures(confidence, expected):
    assert failure_rate_bound(1.0, confidence) == near(expected, 5e-7)
    assert mtbf_bound(1.0, confidence) == pytest.approx(1 / failure_rate_bound(1.0, confidence), rel=1e-15)
    assert failure_rate_bound(1.0, confidence) == pytest.approx(special.chdtri(2, 1 - confidence) / 2, rel=1e-12)


@pytest.mark.parametrize("failures", [1, 2, 5, 40])
def test_ST_01_with_failures_equals_chi_square(failures):
    expected = special.chdtri(2 * failures + 2, 0.05) / 2 / 8.0
    assert failure_rate_bound(8.0, 0.95, failures) == pytest.approx(expected, rel=1e-11)


def test_ST_02_rule_of_three():
    counts = [10, 30, 60, 100, 300]
    exact = [0.258866, 0.095034, 0.048703, 0.029513, 0.009936]
    np.testing.assert_allclose(failure_probability_bound(counts, 0.95), exact, rtol=0, atol=5e-7)
    np.testing.assert_allclose(rule_of_three(counts), [0.3, 0.1, 0.05, 0.03, 0.01], rtol=1e-12)


@pytest.mark.parametrize(
    ("reliability", "raw", "expected"), [(0.90, 28.43, 29), (0.95, 58.40, 59), (0.99, 298.07, 299)]
)
def test_ST_03_success_run(reliability, raw, expected):
    assert np.log(0.05) / np.log(reliability) == near(raw, 0.005)
    assert success_run_count(reliability, 0.95) == expected
    assert failure_probability_bound(expected, 0.95) <= 1 - reliability < failure_probability_bound(expected - 1, 0.95)


def test_ST_04_e_handbook_7_2_4_1_clopper_pearson():
    interval = clopper_pearson(4, 20, 0.90)
    assert interval.low == near(0.071354, 5e-7)
    assert interval.high == near(0.401028, 5e-7)


@pytest.mark.parametrize(
    ("failures", "count", "low", "high"),
    [(0, 10, 0.0, 0.308497), (1, 10, 0.0025286, 0.445016), (5, 50, 0.033275, 0.218135)],
)
def test_ST_05_clopper_pearson(failures, count, low, high):
    interval = clopper_pearson(failures, count, 0.95)
    assert interval.low == near(low, 5e-7 if low > 0.01 else 5e-8)
    assert interval.high == near(high, 5e-7)


@pytest.mark.parametrize(("failures", "count"), [(0, 7), (1, 9), (13, 40), (40, 40), (3, 10_000)])
@pytest.mark.parametrize("confidence", [0.6, 0.95, 0.999])
def test_ST_05_clopper_pearson_equals_statsmodels(failures, count, confidence):
    low, high = proportion_confint(failures, count, alpha=1 - confidence, method="beta")
    interval = clopper_pearson(failures, count, confidence)
    assert interval.low == pytest.approx(low, rel=1e-9, abs=1e-15)
    assert interval.high == pytest.approx(high, rel=1e-9)


@pytest.mark.parametrize(("failures", "low", "high"), [(1, 0.210799, 19.49573), (3, 0.386914, 3.668866)])
def test_ST_07_factors_on_the_estimated_mtbf(failures, low, high):
    # The table's factors multiply T / r.
    interval = mtbf_interval(float(failures), failures, 0.90)
    assert interval.low == near(low, 5e-7)
    assert interval.high == pytest.approx(high, rel=3e-7)


def test_ST_08_e_handbook_8_4_5_1_one_failure_in_a_year():
    interval = mtbf_interval(8760 * 3600.0, 1, 0.60)
    assert interval.low / 3600 == near(2925.55, 0.005)
    assert interval.high / 3600 == near(39257.2, 0.05)
    assert mtbf_bound(8760 * 3600.0, 0.80, 1) == pytest.approx(interval.low, rel=1e-12)


def test_ST_08_without_failures_nothing_bounds_from_above():
    interval = mtbf_interval(100.0, 0, 0.90)
    assert interval.high == np.inf
    assert interval.low == pytest.approx(100.0 / -np.log(0.05), rel=1e-12)


# ---- our own inverse tails against scipy ---------------------------------------------------------------------------

TAILS = [1e-8, 1e-3, 0.025, 0.05, 0.2, 0.5, 0.9, 0.999]


@pytest.mark.parametrize("shape", [0.5, 1.0, 2.0, 3.0, 10.0, 300.0, 1e5])
@pytest.mark.parametrize("upper", [True, False])
def test_gamma_point_equals_scipy(shape, upper):
    inverse = special.gammainccinv if upper else special.gammaincinv
    computed = [gamma_point(shape, tail, upper=upper) for tail in TAILS]
    np.testing.assert_allclose(computed, inverse(shape, TAILS), rtol=1e-11)


@pytest.mark.parametrize("a", [0.5, 1.0, 5.0, 100.0, 1000.0])
@pytest.mark.parametrize("b", [0.5, 1.0, 17.0, 5000.0, 1e6])
@pytest.mark.parametrize("upper", [True, False])
def test_beta_point_equals_scipy(a, b, upper):
    inverse = special.betainccinv if upper else special.betaincinv
    computed = [beta_point(a, b, tail, upper=upper) for tail in TAILS]
    # Logarithms of the gamma function cancel: fewer digits are left at a million trials.
    np.testing.assert_allclose(computed, inverse(a, b, TAILS), rtol=1e-10 if b < 1e5 else 1e-7)
