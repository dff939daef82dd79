"""Fewer points to draw, every extreme kept."""

from __future__ import annotations

import numpy as np


def thin(
    time: np.ndarray, value: np.ndarray, buckets: int, *, low: np.ndarray | None = None, high: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return at most 2 points a bucket (4 where it holds a gap): its smallest and its greatest, in their order in time.

    Parameters
    ----------
    time, value
        Same length (n,), time rising [s]; NaN in `value` = missing. Runs of missing values come back as one NaN point,
        so a line drawn through the result is broken there and never bridges a gap.
    buckets
        Number of equal stretches of time.
    low, high
        Extremes inside each reading where a reading is already condensed; then these are kept.

    Returns
    -------
    (time, value), time rising. Points are readings of the input, never means.

    Raises
    ------
    ValueError
        When lengths differ or `buckets` is below 1.
    """
    time, value = np.asarray(time, dtype=float), np.asarray(value, dtype=float)
    if time.shape != value.shape or time.ndim != 1:
        raise ValueError(f"time and value differ (shapes {time.shape}, {value.shape}) - one time a value - check both")
    if buckets < 1:
        raise ValueError(f"buckets = {buckets} - at least 1 - give the width of the drawing in pixels")
    if time.size == 0:
        return time, value
    bottom = value if low is None else np.asarray(low, dtype=float)
    top = value if high is None else np.asarray(high, dtype=float)
    if low is None and high is None and time.size <= 2 * buckets:
        return _gaps_once(time, value)
    edges = np.linspace(time[0], time[-1], buckets + 1)[1:-1]
    bucket = np.searchsorted(edges, time, side="right")
    missing = ~(np.isfinite(bottom) & np.isfinite(top))
    starts = np.flatnonzero(np.r_[True, (bucket[1:] != bucket[:-1]) | (missing[1:] != missing[:-1])])
    gap = missing[starts]
    lowest = np.minimum.reduceat(np.where(missing, 0.0, bottom), starts)
    highest = np.maximum.reduceat(np.where(missing, 0.0, top), starts)
    ends = np.r_[starts[1:], time.size]
    first_low = _first_match(bottom, lowest, starts, ends)
    first_high = _first_match(top, highest, starts, ends)
    swap = first_high < first_low
    left, right = np.where(swap, first_high, first_low), np.where(swap, first_low, first_high)
    first, second = np.where(swap, highest, lowest), np.where(swap, lowest, highest)
    out_time = np.stack([time[left], time[right]], axis=1)
    out_value = np.where(gap[:, None], np.nan, np.stack([first, second], axis=1))
    keep = np.ones_like(out_value, dtype=bool)
    keep[:, 1] = (left != right) | (first != second)
    keep[gap, 1] = False
    return _gaps_once(out_time[keep], out_value[keep])


def _first_match(values: np.ndarray, wanted: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return for each run starts:ends the first index whose value is `wanted`, (runs,); its start where none is."""
    target = np.repeat(wanted, ends - starts)
    index = np.where(values == target, np.arange(values.size), values.size)
    found = np.minimum.reduceat(index, starts)
    return np.where(found < values.size, found, starts)


def _gaps_once(time: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the points with each run of missing values shrunk to its first."""
    missing = np.isnan(value)
    keep = ~missing
    keep[missing & ~np.r_[False, missing[:-1]]] = True
    return time[keep], value[keep]


def break_gaps(time: np.ndarray, value: np.ndarray, longest: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the points with a missing value in every hole longer than `longest` [s], so that no line bridges it."""
    holes = np.flatnonzero(np.diff(time) > longest)
    if holes.size == 0:
        return time, value
    middle = 0.5 * (time[holes] + time[holes + 1])
    return np.insert(time, holes + 1, middle), np.insert(value, holes + 1, np.nan)
