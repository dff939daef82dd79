"""Flat tops: a converter or a report that can show no more, so that its readings are lower bounds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phasewright.logs.records import Remark, Table
from phasewright.logs.sanity.doubts import Gathered, Ranges, merged, rows_to_ranges
from phasewright.logs.sanity.survey import BLOCK, PAIRS, Column, quantile

_LEAST = 10
"""Readings at the top from which on it is looked at."""
_BESIDE = 60.0
"""A reading this close to a clipped one [s] belongs to the same load and is a lower bound in the mean."""


def find_clipped(table: Table, columns: Sequence[Column], gathered: Gathered) -> None:
    """Mark as lower bounds the stretches whose readings pile up at the highest one.

    Noise lets the readings of a sound channel thin out towards the highest. Where the resolution hides the noise (a
    temperature in whole degrees) a flat top says nothing, and nothing is said.
    """
    for column in columns:
        if column.unit not in ("V", "A", "W", "degC") or column.resolution <= 0.0 or column.repeats > 0.97:
            continue
        missing = merged([gathered.missing_of(channel) for channel in column.channels])
        top, rows, near = _top(column, missing)
        if len(rows) < _LEAST or not _piled(column, top, rows, near):
            continue
        ranges = _widen(table, rows)
        unit = "°C" if column.unit == "degC" else column.unit
        remark = Remark(
            "note", f"flat top at {top:.6g} {unit}: saturated or clipped, a lower bound only",
            table.line_of(int(rows[0])), column.name, len(rows), "use a wider range, or map another sensor",
        )  # fmt: skip
        for channel in column.channels:
            gathered.bound(channel, ranges, remark)


def _top(column: Column, missing: Ranges) -> tuple[float, np.ndarray, np.ndarray]:
    """Return the highest reading, the rows that show it, and the sampled readings of the loaded upper half."""
    high = column.high.copy()
    for k in np.unique(missing // BLOCK) if len(missing) else ():
        if k < len(high):
            first, last = int(k) * BLOCK, min((int(k) + 1) * BLOCK, len(column.raw))
            part = np.array(column.values(first, last))
            for a, b in missing:
                part[max(a - first, 0) : max(b - first, 0)] = np.nan
            high[k] = np.fmax.reduce(part)
    if np.isnan(high).all():
        return float("nan"), np.zeros(0, dtype=np.int64), np.zeros(0)
    top = float(np.nanmax(high))
    rows = [first + np.flatnonzero(column.values(first, last) == top) for first, last in column.blocks(high == top)]
    return top, np.concatenate(rows), column.first


def _piled(column: Column, top: float, rows: np.ndarray, sample: np.ndarray) -> bool:
    """Return whether the highest reading is more frequent than the readings just below it allow."""
    n = len(column.raw)
    share = n / max(len(sample), 1) if n - 1 > 2 * PAIRS else 1.0
    # Noise of the readings near the top, from neighbours that both lie there.
    upper = (column.first >= 0.8 * top) & (column.second >= 0.8 * top) & (column.first < top) & (column.second < top)
    change = np.abs(column.second - column.first)[upper]
    if len(change) < 20:
        # Nearly all that is loaded lies at the top: the readings below it tell how the column moves.
        change = np.abs(column.second - column.first)[(column.first < top) & (column.second < top)]
    still = float(np.mean(change == 0.0)) if len(change) >= 20 else column.repeats
    noise = quantile(change, 0.68) if len(change) >= 20 else column.step
    if still > 0.6 or noise < 0.9 * column.resolution:
        return False
    below = top - sample[np.isfinite(sample)]
    width = max(noise, column.resolution)
    beside = np.count_nonzero((below > 0.0) & (below <= width)) * share
    # Codes in the band below the top, each as frequent as the top would be if it were nothing but one more code.
    codes = max(width / column.resolution, 1.0)
    runs = rows_to_ranges(rows)
    longest = int((runs[:, 1] - runs[:, 0]).max())
    return len(rows) > 3.0 * beside / codes + _LEAST and longest >= 4


def _widen(table: Table, rows: np.ndarray) -> Ranges:
    """Return the stretches between readings at the top that lie close together."""
    apart = np.concatenate([[True], np.diff(table.time_ns[rows]) > _BESIDE * 1e9])
    first = np.flatnonzero(apart)
    return np.column_stack([rows[first], rows[np.append(first[1:], len(rows)) - 1] + 1])
