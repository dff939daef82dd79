"""One column that stands still to the last digit although its readings otherwise change from row to row."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phasewright.logs.blockwise import every, picked
from phasewright.logs.records import Remark, Table
from phasewright.logs.sanity.doubts import Gathered, Ranges, merged
from phasewright.logs.sanity.survey import PAIRS, Column

_LEAST = 5.0
"""Shorter runs move no figure of a step and are not looked for [s]."""
_LIVELY = 0.5
"""A column that repeats itself more often than this rests by itself."""
_CHANCE = 1e-7
"""Chance that a sound column shows one such run."""


def find_frozen(table: Table, columns: Sequence[Column], gathered: Gathered) -> None:
    """Take out runs of one column that are far too long for it.

    A channel that is summed from several columns hides such a run, as the others move on; one that is a column by
    itself is looked at again when all logs are on one clock.
    """
    shared = _shared(columns)
    for column in columns:
        if column.unit not in ("V", "A", "W") or column.repeats > _LIVELY or column.name not in shared:
            continue
        top = max(abs(column.level(0.95)), abs(column.level(0.05)))
        runs = _runs(column, table)
        known = merged([gathered.missing_of(channel) for channel in column.channels])
        # Nothing flows while the machine is off, and what is left out already needs no second remark.
        runs = np.array([
            (a, b) for a, b in runs.tolist()
            if abs(float(column.at(np.array([a]))[0])) > 0.02 * top
            and not ((known[:, 0] <= a + 1) & (known[:, 1] >= b)).any()
        ], dtype=np.int64).reshape(-1, 2)  # fmt: skip
        if not len(runs):
            continue
        a, b = runs[np.argmax(runs[:, 1] - runs[:, 0])]
        seconds = float(table.time_ns[b - 1] - table.time_ns[a]) * 1e-9
        value = float(column.at(np.array([a]))[0])
        remark = Remark(
            "note", f"stands still at {value:.4g} {column.unit} for {seconds:.3g} s while it otherwise changes from row "
            "to row: stuck, left out there", table.line_of(int(a)), column.name, len(runs),
            "check the sensor and its link",
        )  # fmt: skip
        for channel in column.channels:
            gathered.drop(channel, runs, remark)


def _shared(columns: Sequence[Column]) -> set[str]:
    """Return the columns that make a channel together with others."""
    makers: dict[str, set[str]] = {}
    for column in columns:
        for channel in column.channels:
            makers.setdefault(channel, set()).add(column.name)
    return {name for names in makers.values() if len(names) > 1 for name in names}


def _runs(column: Column, table: Table) -> Ranges:
    """Return (first, past-the-last) row of runs of equal readings longer than chance and `_LEAST` allow."""
    n = len(column.raw)
    if n < 20:
        return np.zeros((0, 2), dtype=np.int64)
    period = float(np.median(np.diff(table.time_ns[:PAIRS]))) * 1e-9
    chance = 1.5 * np.log(_CHANCE / n) / np.log(max(column.repeats, 0.02))
    least = int(max(10.0, chance, _LEAST / period if period > 0.0 else 0.0))
    stride = max(least // 2, 1)
    # A run of `least` rows holds two neighbouring marks of the stride: only around such pairs every row is read.
    marks = every(column.raw, stride)
    hits = np.flatnonzero(marks[1:] == marks[:-1])
    for inside in (1, stride // 2, stride - 1):
        hits = hits[picked(column.raw, np.minimum(hits * stride + inside, n - 1)) == marks[hits]]
    found, reach = [], 0
    for hit in hits.tolist():
        a, b = hit * stride, min((hit + 1) * stride, n - 1)
        if a < reach:
            continue
        value = column.raw[a]
        if not (np.asarray(column.raw[a : b + 1]) == value).all():
            continue
        while a > reach and column.raw[a - 1] == value:
            a -= 1
        while b + 1 < n:
            part = np.asarray(column.raw[b + 1 : b + 1 + stride]) == value
            if not part.all():
                b += int(np.argmin(part))
                break
            b += len(part)
        if b + 1 - a >= least:
            found.append((a, b + 1))
        reach = b + 1
    return np.array(found, dtype=np.int64).reshape(-1, 2)
