"""Rows that repeat the one before in every column: the link was down and the logger wrote the last values again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phasewright.logs.blockwise import every
from phasewright.logs.records import Remark, Table
from phasewright.logs.sanity.doubts import Gathered, Ranges, count_rows
from phasewright.logs.sanity.survey import BLOCK, PAIRS, Column

_SHORTEST = 0.5
"""In fast logs shorter repeats are not looked for [s]."""
_LIVELY = 0.6
"""A column that repeats itself more often than this says little about whether the link was up."""
_CHANCE = 1e-6
"""Chance that a sound log shows one such run."""


def find_stale(table: Table, columns: Sequence[Column], gathered: Gathered) -> None:
    """Take out runs of rows that are equal to the last digit in every column of the log.

    A slow sensor repeats itself for minutes: a run counts only when it is far longer than chance and the log's own
    habit make it, and only when some column of the log moves nearly always.
    """
    lively = min((c for c in columns if c.repeats < _LIVELY), key=lambda c: c.repeats, default=None)
    n = len(table.time_ns)
    if lively is None or n < 20:
        return
    numbers = [np.asarray(values) for values in table.columns.values() if len(values) == n]
    usual, runs = _repeats(numbers, lively, table)
    if not len(runs):
        return
    length = runs[:, 1] - runs[:, 0]
    least = max(3.0, np.log(_CHANCE / n) / np.log(min(max(usual, 1e-3), 0.999)))
    if len(runs) >= 20:
        least = max(least, 4.0 * float(np.quantile(length, 0.9)))
    stale = runs[length >= least]
    if not len(stale):
        return
    seconds = float((table.time_ns[np.minimum(stale[:, 1], n) - 1] - table.time_ns[stale[:, 0] - 1]).sum()) * 1e-9
    stretches = f"{len(stale)} stretch{'es' if len(stale) > 1 else ''}"
    remark = Remark(
        "note", f"all {len(numbers)} columns repeat the row before to the last digit for {seconds:.3g} s in {stretches}"
        ": the link was down; left out as no readings", table.line_of(int(stale[0, 0])), "", count_rows(stale),
        "look at the link between instrument and logger",
    )  # fmt: skip
    for channel in dict.fromkeys(channel for column in columns for channel in column.channels):
        gathered.drop(channel, stale, remark)


def _repeats(numbers: Sequence[np.ndarray], lively: Column, table: Table) -> tuple[float, Ranges]:
    """Return the usual share of rows that repeat the one before, and the runs of such rows."""
    n = len(table.time_ns)
    period = float(table.time_ns[-1] - table.time_ns[0]) * 1e-9 / (n - 1)
    stride = int(_SHORTEST / period / 2) if period > 0.0 and n > 2 * PAIRS else 1
    first, last = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    if stride < 2:
        same = _same(numbers, 0, n)
        first, last = _runs(same)
        first, last = first + 1, last + 1
        usual = float(np.count_nonzero(same)) / len(same)
        return usual, np.column_stack([first, last])
    # A run holds two neighbouring marks of the stride: the liveliest column shows where to look at all rows.
    marks = every(lively.raw, stride)
    hits = np.flatnonzero(marks[1:] == marks[:-1])
    found: list[Ranges] = []
    reach = 0
    for hit in hits.tolist():
        a, b = max((hit - 1) * stride, reach), min((hit + 2) * stride, n)
        if b - a < 2 or not _same(numbers, hit * stride, min(hit * stride + 3, n)).all():
            continue
        while b < n and _same(numbers, b - 2, b)[0]:
            b = min(b + stride, n)
        one, two = _runs(_same(numbers, a, b))
        found.append(np.column_stack([one + a + 1, two + a + 1]))
        reach = b
    runs = np.concatenate(found) if found else np.zeros((0, 2), dtype=np.int64)
    pairs = lively.repeats
    return pairs, runs[runs[:, 1] - runs[:, 0] >= stride]


def _same(numbers: Sequence[np.ndarray], first: int, last: int) -> np.ndarray:
    """Return for rows `first` + 1 to `last` whether they repeat the row before in every column (missing ones alike)."""
    same = np.ones(max(last - first - 1, 0), dtype=bool)
    for values in numbers:
        for a in range(0, len(same), BLOCK):
            b = min(a + BLOCK, len(same))
            if not same[a:b].any():
                continue
            part = values[first + a : first + b + 1]
            equal = part[1:] == part[:-1]
            if not equal.all():
                equal |= np.isnan(part[1:]) & np.isnan(part[:-1])
            same[a:b] &= equal
    return same


def _runs(same: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    edge = np.diff(same.astype(np.int8), prepend=0, append=0)
    return np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
