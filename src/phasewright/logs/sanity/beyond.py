"""Single readings far beyond what any bench shows: words of a bus, codes of an instrument that no list knows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phasewright.logs.records import Remark, Table
from phasewright.logs.sanity.doubts import Gathered, merged, rows_to_ranges
from phasewright.logs.sanity.magnitude import GREATEST
from phasewright.logs.sanity.survey import Column

_COLDEST, _HOTTEST = -200.0, 400.0
"""Between liquid nitrogen and what no part of a board outlives [degC]; common practice, no source."""


def find_beyond(table: Table, columns: Sequence[Column], gathered: Gathered) -> None:
    """Take out the readings that are too large, or too cold, for anything on a bench, however frequent they are."""
    for column in columns:
        low, high = _bounds(column)
        with np.errstate(invalid="ignore"):
            wanted = (column.low < low) | (column.high > high)
        rows = [np.zeros(0, dtype=np.int64)]
        for first, last in column.blocks(wanted):
            part = column.values(first, last)
            rows.append(first + np.flatnonzero((part < low) | (part > high)))
        found = np.concatenate(rows)
        for first, last in merged([gathered.missing_of(channel) for channel in column.channels]):
            found = found[(found < first) | (found >= last)]
        if not len(found):
            continue
        worst = column.at(found)
        worst = float(worst[np.argmax(np.abs(worst))])
        unit = "°C" if column.unit == "degC" else column.unit
        remark = Remark(
            "note", f"readings such as {worst:.4g} {unit}, beyond what any bench shows: left out as no readings",
            table.line_of(int(found[0])), column.name, len(found), "check the sensor and its wiring",
        )  # fmt: skip
        for channel in column.channels:
            gathered.drop(channel, rows_to_ranges(found), remark)


def _bounds(column: Column) -> tuple[float, float]:
    if column.unit == "degC":
        return _COLDEST, _HOTTEST
    greatest = GREATEST.get((column.kind, column.unit), np.inf)
    return -greatest, greatest
