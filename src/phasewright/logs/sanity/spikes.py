"""Single readings far from both neighbours: glitches of an instrument, not peaks of the load."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phasewright.logs.blockwise import picked
from phasewright.logs.records import Remark, Table
from phasewright.logs.sanity.doubts import Gathered, merged, rows_to_ranges
from phasewright.logs.sanity.survey import PAIRS, Column

UP, DOWN = 1.6, 0.4
"""A reading counts as a spike from this multiple of both its neighbours on (a glitch doubles a reading or loses it)."""
_REAL = 1.25
"""Another current or power that rises by this factor at the same moment shows that the load was real."""
_GAP = 2.5
"""Readings further apart than this many periods have a gap between them."""
OFTEN = 0.02
"""Share of readings above which jumps are the way of the channel, not glitches."""


def find_spikes(table: Table, columns: Sequence[Column], gathered: Gathered) -> None:
    """Take single-reading spikes out of the channels; they stay in the raw log."""
    electrical = [c for c in columns if c.unit in ("V", "A", "W")]
    for column in electrical:
        rows = _lone(column, _electrical_test(column), lambda low, high: high > UP * low)
        rows = _unconfirmed(_within(table, rows), column, electrical)
        _drop(table, column, rows, gathered)
    for column in columns:
        if column.unit == "degC":
            least = max(8.0, 6.0 * column.step + 2.0 * column.resolution)
            rows = _lone(column, _thermal_test(least), lambda low, high, least=least: high - low > least)
            _drop(table, column, _within(table, rows), gathered)


def _within(table: Table, rows: np.ndarray) -> np.ndarray:
    """Return the rows without those beside a gap: there a load, or the machine, may have begun or ended."""
    if not len(rows):
        return rows
    time = table.time_ns
    period = float(np.median(np.diff(time[:PAIRS])))
    before, at, after = (picked(time, rows + k) for k in (-1, 0, 1))
    return rows[(at - before < _GAP * period) & (after - at < _GAP * period)]


def _drop(table: Table, column: Column, rows: np.ndarray, gathered: Gathered) -> None:
    # What is known to be a code or a repeated row needs no second remark.
    for first, last in merged([gathered.missing_of(channel) for channel in column.channels]):
        rows = rows[(rows < first) | (rows >= last)]
    if not len(rows):
        return
    values = column.at(rows)
    sizes = f"{values.min():.4g}" if values.min() == values.max() else f"{values.min():.4g} to {values.max():.4g}"
    unit = "°C" if column.unit == "degC" else column.unit
    remark = Remark(
        "note", f"single readings of {sizes} {unit} far from both neighbours: spikes, kept in the raw log, left out of "
        "means and peaks", table.line_of(int(rows[0])), column.name, len(rows),
    )  # fmt: skip
    for channel in column.channels:
        gathered.drop(channel, rows_to_ranges(rows), remark)


def _lone(column: Column, test, possible) -> np.ndarray:
    """Return the rows that pass `test` (left, middle, right) -> (sure, half-way), block by block."""
    sure, half = [], 0
    with np.errstate(invalid="ignore"):
        wanted = possible(column.low, column.high)
        # A spike in the first row of a block has a neighbour in the block before.
        edge = possible(np.fmin(column.low[1:], column.low[:-1]), np.fmax(column.high[1:], column.high[:-1]))
        wanted[1:] |= edge
        for first, last in column.blocks(wanted):
            # The first and the last row have one neighbour only: there a load may begin or end.
            part = column.values(first - 1, last + 1)
            if len(part) < 3:
                continue
            found, almost = test(part[:-2], part[1:-1], part[2:])
            sure.append(max(first, 1) + np.flatnonzero(found))
            half += int(np.count_nonzero(almost))
    rows = np.concatenate(sure) if sure else np.zeros(0, dtype=np.int64)
    if len(rows) > max(3, OFTEN * len(column.raw)) or half > 10 * len(rows) + 20:
        return rows[:0]
    return rows


def _electrical_test(column: Column):
    # Readings near zero (the machine is off) scatter by large factors and mean nothing.
    floor = 0.05 * abs(column.level(0.95))
    room = 2.0 * column.step

    def test(left, middle, right):
        top, low = np.maximum(left, right), np.minimum(left, right)
        margin = np.minimum(room, 0.2 * top)
        rise, fall = middle - top, low - middle
        alike = top - low
        up = (rise > (UP - 1.0) * top + margin) & (rise > floor) & (alike < 0.5 * rise)
        down = (middle < DOWN * low) & (fall > floor) & (alike < 0.5 * fall)
        almost = ((rise > 0.3 * top + margin) & (rise > floor) & (alike < 0.5 * rise)) & ~up
        return up | down, almost

    return test


def _thermal_test(least: float):
    def test(left, middle, right):
        jump = np.minimum(np.abs(middle - left), np.abs(middle - right))
        lone = ((middle - left) * (middle - right) > 0.0) & (np.abs(left - right) < 0.5 * jump)
        return lone & (jump > least), lone & (jump > 0.5 * least) & (jump <= least)

    return test


def _unconfirmed(rows: np.ndarray, column: Column, others: Sequence[Column]) -> np.ndarray:
    """Return the spikes that no other current or power of the same log confirms by a rise of its own."""
    if not len(rows):
        return rows
    n = len(column.raw)
    left, right = np.where(rows > 0, rows - 1, np.minimum(1, n - 1)), np.where(rows < n - 1, rows + 1, max(n - 2, 0))
    up = column.at(rows) > column.at(left)
    real = np.zeros(len(rows), dtype=bool)
    with np.errstate(invalid="ignore"):
        for other in others:
            if other.name != column.name and other.unit in ("A", "W") and column.unit in ("A", "W"):
                real |= other.at(rows) > _REAL * np.fmax(other.at(left), other.at(right))
    return rows[~(up & real)]
