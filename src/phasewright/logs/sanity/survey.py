"""One quick look over every column that a channel is made from: bounds of every block, and how readings usually step.

Everything that asks more of a column asks it only of the blocks whose bounds allow what it looks for, so that a clean
log of a gigabyte costs one pass for the bounds.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.bench import ChannelSource, LogFault, base_channel
from phasewright.logs._names import column_position
from phasewright.logs.blockwise import BLOCK, Rows, picked, rows_between, side_by_side, spans
from phasewright.logs.records import Table
from phasewright.quantity import base_unit, convert

PAIRS = 20_000
"""Neighbouring readings that are looked at to learn how a column usually steps."""


@dataclass(slots=True, eq=False)
class Column:
    """One column of a table, as the channels that it makes see it. Figures are in `unit`."""

    name: str
    raw: np.ndarray
    """float64 (n,) as in the table; may be a memory map."""
    unit: str
    """Base unit: W, V, A, degC, J, ..."""
    written: str
    """Unit that the readings are taken to be in."""
    scale: float
    shift: float
    channels: tuple[str, ...]
    low: np.ndarray
    """Lowest reading of each block, NaN = none, (blocks,)."""
    high: np.ndarray
    first: np.ndarray
    """First of each sampled pair of neighbouring readings, (m,)."""
    second: np.ndarray
    step: float
    """Usual greatest step between neighbouring readings: twice what 90 % of the steps do not exceed, so that a few
    codes and spikes do not count."""
    resolution: float
    """Smallest step seen; 0 = none seen."""
    repeats: float
    """Share of readings that are the same as the one before."""

    def values(self, first: int, last: int) -> np.ndarray:
        """Return the readings of rows `first` to `last` (past the last) in `unit`."""
        part = rows_between(self.raw, first, last)
        return part if self.scale == 1.0 and self.shift == 0.0 else part * self.scale + self.shift

    def at(self, rows: np.ndarray) -> np.ndarray:
        """Return the readings of single rows."""
        return picked(self.raw, rows) * self.scale + self.shift

    def blocks(self, wanted: np.ndarray) -> Iterator[tuple[int, int]]:
        """Yield (first, past-the-last) row of the blocks marked in `wanted` (blocks,)."""
        for k in np.flatnonzero(wanted):
            yield int(k) * BLOCK, min((int(k) + 1) * BLOCK, len(self.raw))

    def level(self, share: float) -> float:
        """Return the quantile `share` of the sampled readings; NaN when there are none."""
        good = self.first[np.isfinite(self.first)]
        return quantile(good, share) if len(good) else float("nan")

    @property
    def kind(self) -> str:
        """What of the bench it tells of: input, package, rail, regulator, coolant, ..."""
        return self.channels[0].partition(".")[0].partition("_")[0]


def quantile(values: np.ndarray, share: float) -> float:
    """Return the quantile `share` of values float64 (n,), n > 0, without NaN, on the line between its neighbours.

    As numpy's of the same name, to the last digit; that one loads masked arrays, which a small log waits for.
    """
    place = share * (len(values) - 1)
    below = int(place)
    above = min(below + 1, len(values) - 1)
    part = np.partition(values, (below, above))
    low, high, along = float(part[below]), float(part[above]), place - below
    return low + (high - low) * along if along < 0.5 else high - (high - low) * (1.0 - along)


def survey(table: Table, sources: Sequence[ChannelSource]) -> list[Column]:
    """Return the numeric columns that `sources` name, each once for every unit that it is read in.

    Columns that are not there, hold words or state no unit are left out: making the channel refuses them.
    """
    used: dict[tuple[str, str], list[str]] = {}
    for source in sources:
        try:
            unit = base_channel(source.channel).unit
        except KeyError:
            continue
        for term in source.terms:
            units = (*term.units, *[""] * (len(term.columns) - len(term.units)))
            for column, stated in zip(term.columns, units, strict=False):
                try:
                    name = table.names[column_position(column, table.names, "", "")]
                except LogFault:
                    continue
                written = stated or table.units[table.names.index(name)] or ("1" if unit == "1" else "")
                if written and name in table.columns and len(table.columns[name]):
                    used.setdefault((name, written), []).append(source.channel)
    held = {name: table.columns[name] for name, _ in used}
    bounds = dict(zip(held, side_by_side(_bounds, list(held.values()), len(table.time_ns)), strict=True))
    found = [
        _look(name, held[name], bounds[name], written, tuple(dict.fromkeys(channels)))
        for (name, written), channels in used.items()
    ]
    return [column for column in found if column is not None]


def _look(
    name: str, raw: np.ndarray, bounds: tuple[np.ndarray, np.ndarray], written: str, channels: tuple[str, ...]
) -> Column | None:
    target = base_channel(channels[0]).unit
    for unit in (target, base_unit(written)):
        # "F" is Fahrenheit to a temperature; the parts of a product have units of their own.
        try:
            shift = convert(0.0, written, unit)
            scale = convert(1.0, written, unit) - shift
            break
        except ValueError:
            continue
    else:
        return None
    low, high = bounds
    first, second = _pairs(raw)
    step, resolution, repeats = steps_of(first, second)
    return Column(
        name, raw, unit, written, scale, shift, channels, low * scale + shift, high * scale + shift,
        first * scale + shift, second * scale + shift, step * scale, resolution * scale, repeats,
    )  # fmt: skip


def _bounds(raw: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    blocks = spans(len(raw))
    low, high = np.empty(len(blocks)), np.empty(len(blocks))
    with Rows(raw) as rows:
        for k, (first, last) in enumerate(blocks):
            part = rows.part(first, last)
            low[k], high[k] = part.min(), part.max()
            if low[k] != low[k]:
                low[k], high[k] = np.fmin.reduce(part), np.fmax.reduce(part)
    return low, high


def _pairs(raw: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    n = len(raw)
    if n - 1 <= 2 * PAIRS:
        return np.array(raw[:-1]), np.array(raw[1:])
    # Runs of neighbours rather than lone pairs: fewer pages of a mapped file are touched.
    starts = np.linspace(0, n - 65, PAIRS // 64).astype(np.int64)
    rows = (starts[:, None] + np.arange(64)).ravel()
    return np.array(raw[rows]), np.array(raw[rows + 1])


def steps_of(first: np.ndarray, second: np.ndarray) -> tuple[float, float, float]:
    """Return (usual greatest step, resolution, share of repeats) of pairs of neighbouring readings."""
    change = np.abs(second - first)
    change = change[np.isfinite(change)]
    if not len(change):
        return 0.0, 0.0, 1.0
    size = float(np.nanmax(np.abs(first), initial=0.0))
    moved = change[change > 1e-9 * size]
    resolution = float(moved.min()) if len(moved) else 0.0
    return 2.0 * quantile(change, 0.9), resolution, 1.0 - len(moved) / len(change)
