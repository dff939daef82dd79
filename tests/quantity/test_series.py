"""Mean of a series: effective count, certified sets, and coverage of the interval against noise of known mean."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from phasewright.quantity import coverage_factor, effective_count, series_mean

NIST = Path(__file__).parents[1] / "published" / "nist"


@pytest.mark.parametrize(
    ("count", "lag1", "exact", "asymptote"),
    [(100, 0.5, 33.7838, 33.3333), (600, 0.9, 32.0856, 31.5789), (3600, 0.98, 36.8706, 36.3636)],
)
def test_me_12_effective_count_of_ar1(count, lag1, exact, asymptote):
    """ME-12, closed form; the asymptote is n (1 - r)/(1 + r)."""
    assert effective_count(count, lag1) == pytest.approx(exact, abs=5e-5)
    assert count * (1 - lag1) / (1 + lag1) == pytest.approx(asymptote, abs=5e-5)
    assert effective_count(1000 * count, lag1) == pytest.approx(1000 * asymptote, rel=1e-4)


@settings(deadline=None)
@given(st.integers(1, 400), st.floats(-0.95, 0.999999))
def test_effective_count_is_the_sum_over_lags(count, lag1):
    """n / [1 + 2 sum (1 - k/n) r^k], the definition (any text on time series)."""
    lags = np.arange(1, count)
    expected = count / (1.0 + 2.0 * np.sum((1.0 - lags / count) * lag1**lags))
    assert effective_count(count, lag1) == pytest.approx(expected, rel=1e-6)


def test_effective_count_at_the_ends():
    assert effective_count(50, 0.0) == 50.0
    assert effective_count(50, 1.0) == 1.0
    assert effective_count(50, 1.0 - 1e-12) == pytest.approx(1.0, rel=1e-3)
    for count, lag1 in ((0, 0.5), (10, -1.0), (10, 1.1), (math.nan, 0.5)):
        with pytest.raises(ValueError, match="asked for"):
            effective_count(count, lag1)


def michelso():
    with (NIST / "Michelso.csv").open(encoding="ascii") as file:
        return np.array([float(row["speed"]) for row in csv.DictReader(file)])


def test_me_13_nist_strd_michelso():
    """Certified: mean 299.852400000000, SD 0.0790105478190518, lag-1 correlation 0.535199668621283; n_eff 30.737."""
    found = series_mean(michelso())
    assert found.count == 100
    assert found.mean == pytest.approx(299.8524, rel=1e-15)
    assert found.lag1 == pytest.approx(0.535199668621283, rel=1e-11)
    assert effective_count(100, found.lag1) == pytest.approx(30.737, abs=5e-4)
    repeats = series_mean(michelso(), independent=True)
    assert repeats.u * 10.0 == pytest.approx(0.0790105478190518, rel=1e-11)
    assert repeats.dof == 99.0


def test_michelso_is_far_fewer_than_a_hundred_independent_readings():
    """AR(1) with the certified lag-1 correlation gives 30.7; u is known to about a fifth (10 degrees of freedom)."""
    found = series_mean(michelso())
    assert found.effective_count < 60.0
    assert found.u == pytest.approx(0.0790 / math.sqrt(30.737), rel=0.4)


def test_lag1_agrees_with_statsmodels():
    from statsmodels.tsa.stattools import acf

    x = np.random.default_rng(3).standard_normal(300).cumsum()
    assert series_mean(x).lag1 == pytest.approx(acf(x, nlags=1)[1], rel=1e-10)


# ---- coverage ------------------------------------------------------------------------------------------------------


def ar1(generator, runs, count, lag1):
    """Return stationary AR(1) noise with standard deviation 1, shape (runs, count)."""
    steps = generator.standard_normal((count, runs))
    out = np.empty((count, runs))
    out[0] = steps[0]
    gain = math.sqrt(1.0 - lag1 * lag1)
    for k in range(1, count):
        out[k] = lag1 * out[k - 1] + gain * steps[k]
    return np.ascontiguousarray(out.T)


def held(rows, truth=0.0):
    """Return the share of intervals that hold the truth, and the median half width."""
    found = [series_mean(row) for row in rows]
    half = np.array([coverage_factor(item.dof) * item.u for item in found])
    inside = np.abs(np.array([item.mean for item in found]) - truth) <= half
    return float(inside.mean()), float(np.median(half))


@pytest.mark.parametrize(
    ("count", "lag1"),
    [
        (60, 0.0),
        (60, 0.5),
        (100, 0.7),
        (200, 0.8),
        (600, 0.0),
        (600, 0.9),
        (1200, 0.95),
        (3600, 0.0),
        (3600, 0.9),
        (3600, 0.98),
    ],
)
def test_interval_covers_ar1(count, lag1):
    """Noise of known mean 0, 1500 runs (600 of the longest), effective count >= 15: 92-97 % of intervals hold it."""
    truth = effective_count(count, lag1)
    assert truth >= 15.0
    runs = 1500 if count < 3600 else 600
    share, half = held(ar1(np.random.default_rng(count + round(100 * lag1)), runs, count, lag1))
    assert 0.92 <= share <= 0.97
    # No wider than need be: someone who knew the noise exactly would say 1.96/sqrt(n_eff).
    assert 0.95 <= half * math.sqrt(truth) / 1.96 <= 1.35


@pytest.mark.parametrize(("count", "lag1"), [(10, 0.0), (20, 0.3), (60, 0.9), (200, 0.95), (600, 0.98)])
def test_short_records_still_cover_most(count, lag1):
    """Fewer than about 15 independent readings: at least 88 % (measured 90-96 %)."""
    share, _ = held(ar1(np.random.default_rng(count), 1000, count, lag1))
    assert 0.88 <= share <= 0.985


def noisy(generator, runs, count):
    return ar1(generator, runs, count, 0.98) + 2.0 * generator.standard_normal((runs, count))


def two_corners(generator, runs, count):
    return ar1(generator, runs, count, 0.5) + ar1(generator, runs, count, 0.98)


def averaged(generator, runs, count):
    total = np.cumsum(generator.standard_normal((runs, count + 20)), axis=1)
    return (total[:, 20:] - total[:, :-20]) / 20.0


def switching(generator, runs, count):
    flips = np.cumsum(generator.random((runs, count)) < 0.05, axis=1) + generator.integers(2, size=(runs, 1))
    return flips % 2 - 0.5 + 0.1 * generator.standard_normal((runs, count))


def rounded(generator, runs, count):
    shift = generator.random((runs, 1))
    return np.round(ar1(generator, runs, count, 0.9) + shift) - shift


@pytest.mark.parametrize("noise", [noisy, two_corners, averaged, switching])
def test_interval_covers_other_noise(noise):
    """Slow noise under a white floor, two corners, a running mean of 20, a load that switches at random: 92-97.5 %."""
    share, _ = held(noise(np.random.default_rng(20), 600, 2400))
    assert 0.92 <= share <= 0.975


def test_interval_covers_long_records():
    """Longer than the blocks of the method: 20 000 readings, lag-1 correlation 0.999 (10 independent), and white."""
    share, _ = held(ar1(np.random.default_rng(8), 300, 20_000, 0.999))
    assert 0.88 <= share <= 0.98
    share, half = held(np.random.default_rng(9).standard_normal((300, 20_000)))
    assert 0.92 <= share <= 0.98
    assert half == pytest.approx(1.96 / math.sqrt(20_000), rel=0.05)


def test_effective_count_is_about_right():
    found = [series_mean(row).effective_count for row in ar1(np.random.default_rng(4), 300, 3600, 0.9)]
    assert np.median(found) == pytest.approx(effective_count(3600, 0.9), rel=0.15)


def test_interval_covers_with_uneven_lengths():
    """White readings that stand for lengths between 1 and 9: the variance of the mean is sum w^2 / (sum w)^2."""
    generator = np.random.default_rng(14)
    weights = generator.uniform(1.0, 9.0, 300)
    inside, us = [], []
    for _ in range(1000):
        found = series_mean(generator.standard_normal(300), weights=weights)
        inside.append(abs(found.mean) <= coverage_factor(found.dof) * found.u)
        us.append(found.u)
    assert 0.92 <= np.mean(inside) <= 0.97
    assert np.median(us) == pytest.approx(math.sqrt(np.sum(weights**2)) / np.sum(weights), rel=0.05)


# ---- what is special -----------------------------------------------------------------------------------------------


def test_identical_readings_count_as_one():
    found = series_mean(np.full(600, 47.0))
    assert (found.mean, found.u, found.count, found.effective_count) == (47.0, 0.0, 600, 1.0)
    assert found.dof == 599.0


def test_one_flip_of_the_last_digit():
    """599 times 47 and once 48: the mean is 47 + 1/600, with an uncertainty of about as much."""
    x = np.full(600, 47.0)
    x[300] = 48.0
    found = series_mean(x)
    assert found.mean == pytest.approx(47.0 + 1.0 / 600.0, rel=1e-15)
    assert found.u == pytest.approx(1.0 / 600.0, rel=0.3)
    assert 1.0 <= found.effective_count <= 600.0


def test_a_slow_step_of_the_last_digit():
    """Half the record 47, then 48: that is one movement, not 600 readings."""
    found = series_mean(np.repeat([47.0, 48.0], 300))
    assert found.effective_count < 6.0
    assert found.u > 0.2


def test_rounded_readings_keep_their_coverage():
    """Steps of one standard deviation, placed anywhere: rounding then acts as noise (under 1e-8 of bias)."""
    share, _ = held(rounded(np.random.default_rng(6), 1000, 600))
    assert 0.92 <= share <= 0.97


def test_few_readings():
    one = series_mean([3.0])
    assert (one.mean, one.u, one.count, one.effective_count) == (3.0, None, 1, 1.0)
    two = series_mean([1.0, 3.0])
    assert two.u == pytest.approx(1.0)  # |difference| / 2, GUM 4.2.3 for n = 2
    assert two.dof == 1.0
    three = series_mean([1.0, 2.0, 6.0])
    assert three.mean == 3.0
    assert three.u == pytest.approx(np.std([1.0, 2.0, 6.0], ddof=1) / math.sqrt(3.0))
    assert three.dof == 2.0


def test_missing_readings_are_left_out():
    x = np.random.default_rng(2).standard_normal(200)
    holed = np.concatenate([[np.nan], x[:100], [np.nan, np.nan], x[100:]])
    found, whole = series_mean(holed), series_mean(x)
    assert found.count == 200
    assert found.mean == pytest.approx(whole.mean, rel=1e-12)
    assert found.u == pytest.approx(whole.u, rel=1e-12)


def test_a_regular_ripple_does_not_widen_the_mean():
    """A sine of 20 readings and amplitude 3 in white noise of 1: its whole periods cancel, the noise alone remains."""
    generator = np.random.default_rng(12)
    ripple = 3.0 * np.sin(2.0 * np.pi * np.arange(1200) / 20.0)
    us = [series_mean(ripple + generator.standard_normal(1200)).u for _ in range(200)]
    assert np.median(us) == pytest.approx(1.0 / math.sqrt(1200.0), rel=0.2)


@pytest.mark.parametrize(
    ("values", "weights"),
    [
        ([], None),
        ([np.nan, np.nan], None),
        ([1.0, np.inf], None),
        ([[1.0, 2.0]], None),
        ([1.0, 2.0], [1.0]),
        ([1.0, 2.0], [1.0, -1.0]),
        ([1.0, 2.0], [0.0, 0.0]),
        ([1.0, 2.0], [1.0, np.nan]),
    ],
)
def test_refusals_say_what_rule_and_mend(values, weights):
    with pytest.raises(ValueError) as caught:
        series_mean(np.array(values), weights=weights)
    assert str(caught.value).count(" - ") == 2


series = st.lists(st.integers(-1000, 1000), min_size=2, max_size=120).map(lambda rows: np.array(rows) / 8.0)


@settings(deadline=None)
@given(series, st.floats(0.01, 100.0), st.integers(-1000, 1000))
def test_shift_and_scale_go_through(x, scale, shift):
    plain, moved = series_mean(x), series_mean(scale * x + shift)
    assert moved.mean == pytest.approx(scale * plain.mean + shift, rel=1e-9, abs=1e-9)
    assert moved.u == pytest.approx(scale * plain.u, rel=1e-5, abs=1e-9)
    assert moved.effective_count == pytest.approx(plain.effective_count, rel=1e-5)


@settings(deadline=None)
@given(series)
def test_results_stay_in_their_ranges(x):
    found = series_mean(x)
    assert x.min() <= found.mean <= x.max()
    assert 1.0 <= found.effective_count <= found.count == len(x)
    assert 1.0 <= found.dof <= len(x) - 1
    assert math.isfinite(found.u) and found.u >= 0.0
    assert -1.0 <= found.lag1 <= 1.0


@settings(deadline=None)
@given(series, st.floats(0.1, 10.0))
def test_equal_weights_change_nothing(x, weight):
    assume(np.ptp(x) > 0.0)
    plain, weighted = series_mean(x), series_mean(x, weights=np.full(len(x), weight))
    assert weighted.mean == pytest.approx(plain.mean, rel=1e-9, abs=1e-9)
    assert weighted.u == pytest.approx(plain.u, rel=1e-6)


@settings(deadline=None)
@given(series)
def test_time_reversed_tells_the_same(x):
    one, other = series_mean(x), series_mean(x[::-1])
    assert other.u == pytest.approx(one.u, rel=1e-6, abs=1e-12)
