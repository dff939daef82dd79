"""Fewer points, every extreme kept, no gap bridged."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from phasewright.report.thinning import break_gaps, thin

VALUES = arrays.arrays(
    np.float64,
    st.integers(1, 400),
    elements=st.one_of(st.floats(-1e6, 1e6, allow_nan=False), st.just(float("nan"))),
)


def buckets_of(time: np.ndarray, count: int) -> np.ndarray:
    """Return the bucket of every moment, by plain comparison with the edges."""
    edges = [time[0] + (time[-1] - time[0]) * i / count for i in range(1, count)]
    return np.array([sum(t >= edge for edge in edges) for t in time])


@settings(max_examples=150, deadline=None)
@given(VALUES, st.integers(1, 40))
def test_extremes_of_every_bucket_are_kept(value, count):
    time = np.arange(float(len(value)))
    thin_time, thin_value = thin(time, value, count)
    points = {(t, v) for t, v in zip(time, value, strict=True) if np.isfinite(v)}
    kept = [(t, v) for t, v in zip(thin_time, thin_value, strict=True) if np.isfinite(v)]
    assert set(kept) <= points, "only readings, never means"
    assert np.all(np.diff(thin_time) >= 0.0)
    bucket = buckets_of(time, count)
    for number in np.unique(bucket):
        inside = value[bucket == number]
        inside = inside[np.isfinite(inside)]
        if inside.size:
            here = [v for t, v in kept if bucket[int(t)] == number]
            assert min(here) == inside.min() and max(here) == inside.max()


@settings(max_examples=100, deadline=None)
@given(VALUES, st.integers(1, 40))
def test_no_gap_is_bridged(value, count):
    """Between two neighbouring points of the result no reading was missing."""
    time = np.arange(float(len(value)))
    thin_time, thin_value = thin(time, value, count)
    finite = np.isfinite(thin_value)
    for i in np.flatnonzero(finite[1:] & finite[:-1]):
        between = value[int(thin_time[i]) : int(thin_time[i + 1]) + 1]
        assert not np.isnan(between).any()


def test_a_long_record_becomes_short():
    generator = np.random.default_rng(5)
    value = generator.normal(size=200_000)
    value[77_777] = 40.0
    value[120_001] = -40.0
    time, thinned = thin(np.arange(200_000.0), value, 800)
    assert len(time) <= 2 * 800
    assert thinned.max() == 40.0 and time[np.argmax(thinned)] == 77_777.0
    assert thinned.min() == -40.0 and time[np.argmin(thinned)] == 120_001.0


def test_condensed_readings_keep_the_extremes_inside_them():
    time = np.arange(1000.0)
    value = np.full(1000, 10.0)
    low, high = value - 1.0, value + 1.0
    high[500], low[700] = 99.0, -99.0
    _, thinned = thin(time, value, 50, low=low, high=high)
    assert thinned.max() == 99.0 and thinned.min() == -99.0


def test_one_missing_reading_breaks_the_line():
    value = np.ones(10_000)
    value[5_000] = np.nan
    _, thinned = thin(np.arange(10_000.0), value, 100)
    assert np.isnan(thinned).sum() == 1


def test_holes_between_stamps_are_broken():
    time = np.array([0.0, 1.0, 2.0, 60.0, 61.0])
    t, v = break_gaps(time, np.arange(5.0), 3.5)
    assert len(t) == 6 and np.isnan(v[3]) and 2.0 < t[3] < 60.0
    same, _ = break_gaps(time, np.arange(5.0), 100.0)
    assert same is time


def test_short_and_empty_records_pass():
    t, v = thin(np.array([]), np.array([]), 10)
    assert t.size == v.size == 0
    t, v = thin(np.array([3.0]), np.array([4.0]), 10)
    assert list(t) == [3.0] and list(v) == [4.0]


def test_refusals_say_what_and_how():
    with pytest.raises(ValueError, match="shapes"):
        thin(np.arange(3.0), np.arange(4.0), 5)
    with pytest.raises(ValueError, match="buckets = 0"):
        thin(np.arange(3.0), np.arange(3.0), 0)
