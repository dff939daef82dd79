"""Readings that no sensor took: error codes, full-scale and all-ones words, the power-on value of one-wire sensors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phasewright.logs.blockwise import picked
from phasewright.logs.records import Remark, Table
from phasewright.logs.sanity.doubts import Gathered, Ranges, count_rows, merged, rows_to_ranges
from phasewright.logs.sanity.spikes import OFTEN
from phasewright.logs.sanity.survey import PAIRS, Column, quantile, steps_of

# Data sheets of the common kinds of sensor and the PMBus data formats, from memory; LINEAR11 and linear 16 of the word
# 0xFFFF are computed: -1 x 2^-1, 65535 x 2^-12, 2^-9, 2^-8.
_TEMPERATURE = {
    0.0: "no answer", -1.0: "error code", -127.0: "no sensor", -128.0: "lowest 8-bit code", 127.0: "highest 8-bit code",
    127.5: "full scale", 127.996: "full scale", 255.0: "0xFF, no answer", 255.996: "0xFFFF, no answer",
    85.0: "power-on value", -0.5: "0xFFFF, no answer",
}  # fmt: skip
_ELECTRICAL = {
    -0.5: "word 0xFFFF, no such register", 15.99976: "word 0xFFFF, no such register",
    127.998: "word 0xFFFF, no such register", 255.996: "word 0xFFFF, no such register",
    -1.0: "error code", -2.0: "error code", 0.0: "no answer",
}  # fmt: skip
_GAP = 2.5
"""Rows further apart than this many periods have a gap between them."""
_FEW = 5
"""Pairs of neighbouring readings that tell how a column steps."""
_SHORT = 3
"""Rows at most for which an instrument that does not answer is not taken for a machine that is off."""
_LOOK_BACK = 64
"""Missing readings that are stepped over to find the reading before a code."""


def find_codes(table: Table, columns: Sequence[Column], gathered: Gathered) -> None:
    """Take out the runs of a code that are jumped to and from; a reading is reached smoothly and is left."""
    together = _together(columns)
    for column in columns:
        if column.unit == "degC":
            codes = _TEMPERATURE
        elif column.unit in ("V", "A", "W"):
            codes = _ELECTRICAL
        else:
            continue
        known = together.get(id(column))
        if known is not None:
            _take_out(table, column, known[1], f"{known[0]:g} in all of V, A and W at once: an error code", gathered)
        for code, meaning in codes.items():
            if code == 0.0 and column.unit == "A":
                # No current is a reading; no power and no voltage beside a load on both sides are none.
                continue
            rows = _rows_of(column, code)
            if known is not None and known[0] == code:
                rows = np.setdiff1d(rows, _rows(known[1]))
            ranges = _jumped(column, code, rows)
            if column.unit != "degC":
                ranges = _inside(table, ranges)
            if len(ranges):
                unit = "°C" if column.unit == "degC" else column.unit
                _take_out(table, column, ranges, f"jumps to {code:g} {unit}: {meaning}", gathered)


def _take_out(table: Table, column: Column, ranges: Ranges, words: str, gathered: Gathered) -> None:
    remark = Remark(
        "note", f"{words}; left out as no reading", table.line_of(int(ranges[0, 0])), column.name,
        count_rows(ranges), "check the sensor and its wiring",
    )  # fmt: skip
    for channel in column.channels:
        gathered.drop(channel, ranges, remark)


def _rows_of(column: Column, code: float) -> np.ndarray:
    """Return the rows that read `code`, allowing for two written decimals of a code that has three."""
    whole = 2.0 * code == round(2.0 * code)
    near = 1e-6 * max(abs(code), 1.0) if whole and column.scale == 1.0 and not column.shift else 0.0051
    found = []
    with np.errstate(invalid="ignore"):
        possible = (column.low <= code + near) & (column.high >= code - near)
    for first, last in column.blocks(possible):
        part = column.values(first, last)
        found.append(first + np.flatnonzero(np.abs(part - code) <= near))
    return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)


def _rows(ranges: Ranges) -> np.ndarray:
    return np.concatenate([np.arange(a, b) for a, b in ranges]) if len(ranges) else np.zeros(0, dtype=np.int64)


def _jumped(column: Column, code: float, rows: np.ndarray) -> Ranges:
    """Return the runs of `rows` that stand apart from the readings on both sides."""
    if not len(rows):
        return rows_to_ranges(rows)
    runs = rows_to_ranges(rows)
    n = len(column.raw)
    before = _neighbour(column, runs[:, 0] - 1, -1, n)
    after = _neighbour(column, runs[:, 1], 1, n)
    alone = np.isnan(before) & np.isnan(after)
    if alone.all():
        # Nothing but the code: a log that never read anything else.
        return runs if len(rows) >= 10 and (column.unit == "degC" or code < 0) else runs[:0]
    step, resolution, repeats = _otherwise(column, code, before, after)
    jump = np.fmin(np.abs(before - code), np.abs(after - code))
    length = runs[:, 1] - runs[:, 0]
    # So many equal readings in a row that this column would hardly ever show by itself.
    rare = repeats < 0.99
    frozen = length >= np.maximum(3, np.log(1e-6 / n) / np.log(max(repeats, 1e-3))) if rare else length < 0
    if column.unit == "degC":
        least = np.where(frozen, max(1.5 * step + resolution, 1.0), max(4.0 * step, 3.0) + 2.0 * resolution)
        # A part that heats up quickly passes the power-on value on its way; it does not jump there.
        passed = ~frozen & ((before - code) * (after - code) < 0.0)
        return runs[(jump > least) & ~passed]
    level = np.fmin(np.abs(before), np.abs(after))
    if code < 0:
        # Currents and voltages of a running machine are positive: a negative one among them needs no large jump.
        sound = (np.fmin(before, after) > 0.0) & (level > 1.5 * abs(code))
        return runs[sound & (jump > 0.3 * level)]
    # A positive code among positive readings: only one that stands still, or lies beyond all that is read otherwise.
    if code == 0.0:
        if len(rows) <= OFTEN * n:
            # A few are glitches like others, and told as such.
            return runs[:0]
        # A machine that goes off is at zero for longer, and comes back idling.
        return runs[(length <= _SHORT) & (np.fmin(before, after) > 0.5 * column.level(0.95))]
    other = column.first[np.isfinite(column.first) & (np.abs(column.first - code) > 0.01 * abs(code))]
    beyond = code > 1.3 * float(np.quantile(other, 0.99)) if len(other) else False
    level = np.fmax(level, code)
    return runs[(frozen | beyond) & (jump > np.where(frozen, 0.1 * level + 1.5 * step, 0.2 * level))]


def _otherwise(column: Column, code: float, before: np.ndarray, after: np.ndarray) -> tuple[float, float, float]:
    """Return (usual greatest step, resolution, share of repeats) of the readings beside a code.

    A code that stands in every tenth row makes its own jumps the usual ones.
    """
    near = 0.0051
    sound = np.isfinite(column.first) & np.isfinite(column.second)
    coded = sound & ((np.abs(column.first - code) < near) | (np.abs(column.second - code) < near))
    if not coded.any():
        return column.step, column.resolution, column.repeats
    if np.count_nonzero(sound & ~coded) >= _FEW:
        return steps_of(column.first[~coded], column.second[~coded])
    # Hardly two readings in a row without it: what lies on its two sides.
    change = np.abs(after - before)
    change = change[np.isfinite(change)]
    return (2.0 * quantile(change, 0.9) if len(change) else 0.0), 0.0, 0.0


def _inside(table: Table, ranges: Ranges) -> Ranges:
    """Return the runs without single rows beside a gap: there power goes, or comes, and an offset may show."""
    if not len(ranges):
        return ranges
    time = table.time_ns
    first, last = ranges[:, 0], ranges[:, 1] - 1
    period = float(np.median(np.diff(time[:PAIRS])))
    before = picked(time, first) - picked(time, np.maximum(first - 1, 0))
    after = picked(time, np.minimum(last + 1, len(time) - 1)) - picked(time, last)
    return ranges[(last > first) | ((before < _GAP * period) & (after < _GAP * period))]


def _neighbour(column: Column, rows: np.ndarray, way: int, n: int) -> np.ndarray:
    """Return the next reading from each row on in direction `way`; NaN = none near."""
    rows = rows.copy()
    out = np.full(len(rows), np.nan)
    for _ in range(_LOOK_BACK):
        open_ = np.isnan(out) & (rows >= 0) & (rows < n)
        if not open_.any():
            break
        out[open_] = column.at(rows[open_])
        rows[open_] += way
    return out


def _together(columns: Sequence[Column]) -> dict[int, tuple[float, Ranges]]:
    """Return the rows in which every voltage, current and power of the log reads the same -1 or -2, by column."""
    electrical = [c for c in columns if c.unit in ("V", "A", "W") and c.scale == 1.0]
    if len({c.name for c in electrical}) < 2:
        return {}
    for code in (-1.0, -2.0):
        rows = _rows_of(electrical[0], code)
        for column in electrical[1:]:
            rows = rows[np.isin(rows, _rows_of(column, code))] if len(rows) else rows
        if len(rows):
            ranges = merged([rows_to_ranges(rows)])
            return {id(column): (code, ranges) for column in electrical}
    return {}
