"""Columns that say the same twice, currents with the wrong sign, and connectors that share unlike each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from phasewright.bench import ChannelSource, escape
from phasewright.logs.records import Remark, Table
from phasewright.logs.sanity.doubts import Gathered
from phasewright.logs.sanity.survey import BLOCK, Column

_MOVES = 10
"""Columns that change less often than this in the sample may be equal because nothing happens."""
_UNLIKE = 1.6
"""Ratio of two connectors' currents from which on sharing alone is no likely reason; common practice, no source."""
_NAMES = {1.0: "the same", 2.0: "near 2", 4.0: "near 4", 8.0: "near 8", 10.0: "near 10"}


def find_copies(table: Table, columns: Sequence[Column], gathered: Gathered) -> None:
    """Remark on columns of one unit that are identical to the last digit although they move."""
    for number, one in enumerate(columns):
        for other in columns[number + 1 :]:
            if one.unit != other.unit or one.unit == "1" or one.name == other.name or one.written != other.written:
                continue
            if not np.array_equal(one.first, other.first, equal_nan=True):
                continue
            moves = np.count_nonzero(one.first[1:] != one.first[:-1])
            if moves < _MOVES or not _equal(one.raw, other.raw):
                continue
            words = (
                f"columns {escape(one.name)!r} and {escape(other.name)!r} are identical to the last digit: the same "
                "sensor twice or a copy, no independent evidence"
            )
            for column in (one, other):
                for channel in column.channels:
                    gathered.say(channel, Remark("note", words, table.report.header_line or None, column.name,
                                                 mend="look at the wiring and at the channel map"))  # fmt: skip


def _equal(one: np.ndarray, other: np.ndarray) -> bool:
    return all(
        np.array_equal(one[a : a + BLOCK], other[a : a + BLOCK], equal_nan=True) for a in range(0, len(one), BLOCK)
    )


def find_signs(table: Table, columns: Sequence[Column], gathered: Gathered) -> None:
    """Remark on currents and powers that are negative most of the time they are anything."""
    for column in columns:
        if column.unit not in ("A", "W", "V") or column.kind not in ("input", "package", "rail"):
            continue
        good = column.first[np.isfinite(column.first)]
        if not len(good):
            continue
        down, up = float(-good[good < 0].sum()), float(good[good > 0].sum())
        if down <= up or -column.level(0.1) < 0.5 and column.unit != "V":
            continue
        for channel in column.channels:
            gathered.say(channel, Remark(
                "note", f"negative nearly throughout (median {column.level(0.5):.4g} {column.unit}): the sign is "
                "inverted", table.report.header_line or None, column.name,
                mend=f"turn the probe, or state factor = -1 for {channel} in campaign.toml"))  # fmt: skip


def find_unlike_connectors(
    table: Table, sources: Sequence[ChannelSource], columns: Mapping[str, Column], gathered: Gathered
) -> None:
    """Remark when one connector carries a multiple of the other's current: a scale register, or a bad contact."""
    for source in sources:
        if not source.channel.startswith("input_power") or len(source.terms) < 2:
            continue
        currents = [
            column for term in source.terms for name in term.columns
            if (column := columns.get(name)) is not None and column.unit == "A"
        ]  # fmt: skip
        for number, one in enumerate(currents):
            for other in currents[number + 1 :]:
                ratio = _ratio(one, other)
                if ratio is None or 1.0 / _UNLIKE < abs(ratio) < _UNLIKE:
                    continue
                big, small = (one, other) if abs(ratio) > 1.0 else (other, one)
                size = max(abs(ratio), 1.0 / abs(ratio))
                scale = min(_NAMES, key=lambda s: abs(np.log(size / s)))
                near = f", {_NAMES[scale]} as a scale register makes" if abs(np.log(size / scale)) < 0.22 else ""
                gathered.say(source.channel, Remark(
                    "note", f"{escape(big.name)!r} carries {size:.3g} times the current of {escape(small.name)!r}{near}"
                    "; or one connector has poor contact", table.report.header_line or None, big.name,
                    mend="check the range of both, and the contacts"))  # fmt: skip


def _ratio(one: Column, other: Column) -> float | None:
    """Return the slope of one current over the other; None when either carries nothing that moves."""
    a, b = one.first, other.first
    good = np.isfinite(a) & np.isfinite(b)
    a, b = a[good], b[good]
    if len(a) < 50 or np.ptp(a) < 20 * max(np.median(np.abs(np.diff(a))), 1e-12):
        return None
    a, b = a - np.median(a), b - np.median(b)
    low, high = float(b @ b), float(a @ b)
    if low <= 0.0 or high * high < 0.5 * low * float(a @ a):
        return None
    return float(np.sqrt(float(a @ a) / low)) * (1.0 if high > 0 else -1.0)
