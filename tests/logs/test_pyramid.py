"""Pyramid of extremes: against a plain numpy search over the same samples."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.logs import ClockMap, Trace, build_pyramid, view_trace


def trace_of(time_s, value, log="a"):
    time_ns = np.round(np.asarray(time_s) * 1e9).astype(np.int64)
    return Trace("input_power", "W", log, time_ns, np.asarray(value, float), None, "end", ((0, len(time_ns)),), False)


def clock(offset=0.0, drift=0.0):
    return ClockMap("a", 0, "a", "reference", 0, offset, 0.0, drift=drift)


@settings(max_examples=120, deadline=None)
@given(n=st.integers(0, 5000), seed=st.integers(0, 2**32 - 1), cuts=st.integers(1, 60), holes=st.floats(0, 1))
def test_extremes_are_those_of_every_sample(n, seed, cuts, holes):
    """numpy.nanmin and nanmax over each stretch say the same, gaps and missing readings included."""
    generator = np.random.default_rng(seed)
    value = generator.standard_normal(n)
    value[generator.random(n) < holes * 0.9] = np.nan
    edges = np.sort(generator.integers(0, n + 1, cuts + 1))
    low, high = build_pyramid(value).extremes(edges)
    for index in range(cuts):
        part = value[edges[index] : edges[index + 1]]
        part = part[np.isfinite(part)]
        if len(part):
            assert (low[index], high[index]) == (part.min(), part.max())
        else:
            assert np.isnan(low[index]) and np.isnan(high[index])


def test_a_single_peak_among_millions_is_seen_at_every_width():
    value = np.zeros(3_000_000)
    value[1_234_567], value[2_000_001] = 77.5, -3.25
    trace = trace_of(np.arange(len(value)) * 1e-3, value)
    pyramid = build_pyramid(value)
    assert sum(item.nbytes for item in (*pyramid.lows, *pyramid.highs)) < 0.05 * value.nbytes
    for buckets in (3, 100, 1100):
        view = view_trace(trace, (clock(),), pyramid, first_s=0.0, last_s=3000.0, buckets=buckets)
        assert np.nanmax(view.high) == 77.5 and np.nanmin(view.low) == -3.25
        at = view.time_s[np.nanargmax(view.high)]
        assert abs(at - 1234.567) <= 3000.0 / buckets


def test_gaps_stay_open_and_edges_are_joined():
    time = np.concatenate([np.arange(0, 100, 0.01), np.arange(200, 300, 0.01)])
    trace = trace_of(time, np.sin(time))
    pyramid = build_pyramid(trace.value)
    view = view_trace(trace, (clock(),), pyramid, first_s=0.0, last_s=300.0, buckets=300)
    assert np.isnan(view.low).sum() == 1
    assert not np.any((view.time_s > 101) & (view.time_s < 199) & np.isfinite(view.low))
    near = view_trace(trace, (clock(),), pyramid, first_s=99.5, last_s=200.5, buckets=600)
    assert np.isnan(near.low).sum() == 1 and np.array_equal(near.low, near.high, equal_nan=True)
    inside = view_trace(trace, (clock(),), pyramid, first_s=50.0, last_s=50.5, buckets=600)
    assert inside.time_s[0] <= 50.0 and inside.time_s[-1] >= 50.49


def test_readings_stand_where_their_clock_puts_them():
    trace = trace_of(np.arange(0, 1000, 0.01), np.arange(100_000))
    pyramid = build_pyramid(trace.value)
    moved = clock(offset=25.0, drift=200.0)
    for span in ((100.0, 101.0), (100.0, 900.0)):
        view = view_trace(trace, (moved,), pyramid, first_s=span[0], last_s=span[1], buckets=200)
        own = (view.time_s - 25.0) / (1 + 200e-6)
        assert np.all(np.abs(0.5 * (view.low + view.high) / 100 - own) <= 1.01 * (span[1] - span[0]) / 200)
    assert len(view_trace(trace, (), pyramid, first_s=0.0, last_s=1.0, buckets=5).time_s) == 0
    with pytest.raises(ValueError, match="empty stretch"):
        view_trace(trace, (moved,), pyramid, first_s=1.0, last_s=1.0, buckets=5)
