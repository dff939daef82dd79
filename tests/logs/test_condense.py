"""Condensing fast traces: exact means, extremes, gaps, missing values, memory-mapped arrays."""

import numpy as np
import pytest

from phasewright.logs import Trace
from phasewright.logs import condense as module
from phasewright.logs.condense import BIN_LENGTH, condense, stamp_cut, stamp_doubt, wished_length


def trace(time_s, value, *, averaging=0.005, stamp_at="end", segments=None, channel="input_power"):
    time_ns = np.round(np.asarray(time_s) * 1e9).astype(np.int64)
    return Trace(channel, "W", "meter", time_ns, np.asarray(value, float), averaging, stamp_at,
                 segments or ((0, len(time_ns)),), False)


def fast(count=20_000, rate=200.0, seed=3):
    generator = np.random.default_rng(seed)
    time = (1 + np.arange(count)) / rate
    return time, 200.0 + np.cumsum(generator.normal(0.0, 0.5, count))


def test_energy_is_kept():
    time, value = fast()
    bins = condense(trace(time, value), 0)
    assert bins.condensed
    assert np.sum(bins.value * (bins.end - bins.start)) == pytest.approx(np.sum(value) / 200.0, rel=1e-12)


def test_bins_are_means_with_the_extremes_of_their_samples():
    time, value = fast(1003)
    bins = condense(trace(time, value), 0)
    table = value[:1000].reshape(-1, 5)
    np.testing.assert_allclose(bins.value[:200], table.mean(axis=1), rtol=1e-13)
    np.testing.assert_array_equal(bins.low[:200], table.min(axis=1))
    np.testing.assert_array_equal(bins.high[:200], table.max(axis=1))
    assert bins.value[-1] == pytest.approx(value[1000:].mean())
    assert 0.02 <= np.median(bins.end - bins.start) <= 0.05


def test_intervals_follow_the_stamp():
    time, value = fast(400)
    end, middle, start = (condense(trace(time, value, stamp_at=at), 0) for at in ("end", "middle", "start"))
    assert end.end[0] == pytest.approx(time[4])
    assert middle.end[0] == pytest.approx(time[4] + 0.0025)
    assert start.end[0] == pytest.approx(time[4] + 0.005)


def test_no_interval_spans_a_gap_or_the_end_of_a_segment():
    time, value = fast(2000)
    time = np.where(np.arange(2000) >= 1003, time + 0.5, time)
    value = np.where(np.arange(2000) >= 1003, value + 1000.0, value)
    bins = condense(trace(time, value, segments=((0, 1501), (1501, 2000))), 0)
    assert np.max(bins.end - bins.start) < 0.03
    assert not np.any((bins.low < 700.0) & (bins.high > 700.0))
    a, b = bins.segments[0]
    assert bins.end[b - 1] == pytest.approx(time[1500], abs=1e-9)
    assert bins.segments == ((0, b), (b, len(bins.value)))
    assert a == 0


@pytest.mark.parametrize("spread", ["single", "run"])
def test_missing_samples_are_left_out_and_lost_bins_are_missing(spread):
    time, value = fast(1000)
    whole = value.copy()
    lost = np.arange(0, 1000, 50) if spread == "single" else np.arange(100, 111)
    value[lost] = np.nan
    bins = condense(trace(time, value), 0)
    for k in range(200):
        part = value[5 * k : 5 * k + 5]
        good = part[np.isfinite(part)]
        if len(good) >= 2.5:
            assert bins.value[k] == pytest.approx(good.mean())
        else:
            assert np.isnan(bins.value[k])
    assert np.isfinite(whole).all()


def test_jittered_stamps_and_single_lost_rows_keep_the_bins_whole():
    generator = np.random.default_rng(0)
    time, value = fast(4000)
    time = time + generator.uniform(-0.001, 0.001, len(time))
    keep = generator.random(len(time)) > 0.01
    bins = condense(trace(time[keep], value[keep]), 0)
    assert len(bins.value) == pytest.approx(keep.sum() / 5, rel=0.01)
    np.testing.assert_array_less(bins.start[1:] - bins.end[:-1], 1e-9)


def test_slow_traces_pass_through():
    time = np.arange(1, 51) * 1.0 + 0.013
    value = np.arange(50.0)
    value[7] = np.nan
    bins = condense(trace(time, value, averaging=1.0, stamp_at="middle"), 0)
    np.testing.assert_array_equal(bins.value, value)
    np.testing.assert_allclose(bins.end, time + 0.5)
    np.testing.assert_allclose(bins.start, time - 0.5)
    assert bins.low is None and bins.high is None


def test_chunks_do_not_show(tmp_path):
    count = 300_003
    time, value = fast(count, rate=1000.0)
    path = tmp_path / "value.npy"
    np.save(path, value)
    mapped = np.load(path, mmap_mode="r")
    bins = condense(trace(time, mapped, averaging=0.001), 0)
    table = value[: count // 25 * 25].reshape(-1, 25)
    np.testing.assert_allclose(bins.value[: len(table)], table.mean(axis=1), rtol=1e-12)
    assert np.max(bins.end - bins.start) < 0.0255


def test_doubt_of_what_is_not_stated():
    assert stamp_doubt(1.0, "end", 1.0) == 0.0
    assert stamp_doubt(1.0, "unknown", 1.0) == pytest.approx(0.5)
    assert stamp_doubt(None, "end", 1.0) == pytest.approx(1.0 / 12**0.5)


def test_cut_stamps_are_noticed():
    generator = np.random.default_rng(1)
    true = np.cumsum(1.0 + generator.normal(0.0, 0.2, 500))
    cut = (np.floor(true) * 1e9).astype(np.int64)
    shift, doubt = stamp_cut(cut)
    assert shift == 0.5
    assert doubt == pytest.approx(1.0 / 12**0.5)
    assert stamp_cut(np.round(true * 1e9).astype(np.int64)) == (0.0, 0.0)
    assert stamp_cut(np.arange(500) * 50_000_000) == (0.0, 0.0)


def test_usual_records_have_usual_bins():
    time, value = fast(20_000)
    assert wished_length([trace(time, value)]) == BIN_LENGTH


@pytest.mark.parametrize("rates", [(200.0,), (200.0, 1000.0, 1.0), (40.0,), (51.0, 20.0)])
def test_bins_of_very_long_records_are_bounded_and_keep_energy_and_extremes(monkeypatch, rates):
    monkeypatch.setattr(module, "MOST_BINS", 2_000)
    traces = [trace(*fast(int(300 * rate), rate), averaging=1.0 / rate) for rate in rates]
    length = wished_length(traces)
    bins = [condense(item, 0, bin_length=length) for item in traces]
    assert length > BIN_LENGTH
    assert sum(len(item.value) for item in bins) <= 2_000 + len(bins)
    for rate, item, made in zip(rates, traces, bins, strict=True):
        assert np.sum(made.value * (made.end - made.start)) == pytest.approx(np.sum(item.value) / rate, rel=1e-3)
        low, high = (made.value, made.value) if made.low is None else (made.low, made.high)
        assert (low.min(), high.max()) == (item.value.min(), item.value.max())
        if rate * length < 1.5:
            assert not made.condensed and np.array_equal(made.value, item.value)


def test_a_record_without_any_period_ends_the_search_for_longer_bins(monkeypatch):
    monkeypatch.setattr(module, "MOST_BINS", 10)
    lone = trace(np.arange(40.0), np.ones(40), segments=tuple((row, row + 1) for row in range(40)))
    assert len(condense(lone, 0, bin_length=wished_length([lone])).value) == 40


def test_longer_bins_are_as_unsure_as_they_are_long():
    """What widening adds to the doubt stands beside what stamps and averaging add; usual bins add nothing."""
    time, value = fast(20_000)
    item = trace(time, value, averaging=0.005, stamp_at="end")
    usual, wide = condense(item, 0), condense(item, 0, bin_length=0.25)
    assert usual.stamp_u == usual.mark_u == 0.0
    assert wide.stamp_u == wide.mark_u == pytest.approx(0.02 * 0.25)
