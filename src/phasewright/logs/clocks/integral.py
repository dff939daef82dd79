"""A channel integrated over time, so that the mean over any interval is exact and quick."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from phasewright.logs.clocks.ruler import Ruler, lay_ruler
from phasewright.logs.condense import Intervals

_GAP_PERIODS = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Integral:
    """Running integrals of one channel over the covered time.

    `knot` float64 (m,) are the edges of the intervals [s], never decreasing; `covered` (m,) is the length of record up
    to each knot [s]; `first` and `second` (m,) the integrals of the centred, scaled channel z = (x - centre) / scale
    and of z squared.
    """

    knot: np.ndarray
    covered: np.ndarray
    first: np.ndarray
    second: np.ndarray
    centre: float
    scale: float
    period: float
    ruler: list[Ruler] = field(default_factory=list, repr=False)
    """Finds places among the knots; laid when first asked for, and shared by what has the same knots."""
    _behind: dict[float, Integral] = field(default_factory=dict, init=False, repr=False)
    looked_at: dict[Any, Any] = field(default_factory=dict, init=False, repr=False)
    """What was made of the channel to hold others against it (see `coarse`)."""

    @property
    def spread(self) -> float:
        """Standard deviation of z over the record: 1, unless nothing moves."""
        length = float(self.covered[-1])
        return float(max(self.second[-1] / length - (self.first[-1] / length) ** 2, 0.0)) ** 0.5 if length > 0 else 0.0

    @property
    def span(self) -> tuple[float, float]:
        """First and last moment of the record [s]."""
        return float(self.knot[0]), float(self.knot[-1])

    def means(self, start: np.ndarray, end: np.ndarray, *, square: bool = False) -> tuple[np.ndarray, ...]:
        """Return the means of z (and of z squared) over [start, end] and the share of each interval that is on record.

        Where nothing is on record the mean is 0.
        """
        width = end - start
        a, fa = self._place(start)
        b, fb = self._place(end)
        covered = _at(self.covered, b, fb) - _at(self.covered, a, fa)
        safe = np.maximum(covered, 1e-12)
        share = covered / np.maximum(width, 1e-12)
        first = (_at(self.first, b, fb) - _at(self.first, a, fa)) / safe
        if not square:
            return first, share
        second = (_at(self.second, b, fb) - _at(self.second, a, fa)) / safe
        return first, second, share

    def lagged(self, constant: float) -> Integral:
        """Return the same channel behind a first-order lag of `constant` [s], at rest before the record.

        The lagged channel y obeys constant * dy/dt = z - y, so its integral is that of z less constant * (y - y0). Gaps
        hold the lagged value.
        """
        if constant <= 0:
            return self
        width = np.diff(self.covered)
        keep = np.exp(-width / constant)
        safe = np.where(width > 0, width, 1.0)
        columns = []
        for integral in (self.first, self.second):
            level = np.diff(integral) / safe
            columns.append(integral - constant * _relax(level, keep))
        return replace(self, first=columns[0], second=columns[1])

    def behind(self, constant: float) -> Integral:
        """Return the channel behind a first-order lag of `constant` [s], kept for the next time; its square is not."""
        found = self._behind.get(constant)
        if found is None:
            keep = np.exp(-np.diff(self.covered) / constant)
            width = np.diff(self.covered)
            level = np.diff(self.first) / np.where(width > 0, width, 1.0)
            first = self.first - constant * _relax(level, keep)
            found = self._behind[constant] = replace(self, first=first)
        return found

    def _place(self, time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        if not self.ruler:
            self.ruler.append(lay_ruler(self.knot))
        index = np.clip(self.ruler[0].count_until(time) - 1, 0, len(self.knot) - 2)
        low = self.knot[index]
        width = self.knot[index + 1] - low
        fraction = np.clip((time - low) / np.where(width > 0, width, 1.0), 0.0, 1.0)
        return index, fraction


def _relax(level: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """Values y[0] = 0 and y[k+1] = keep[k]*y[k] + (1 - keep[k])*(level[k] - level[0]), without a loop over samples."""
    drive = (1.0 - keep) * (level - level[0])
    out = np.zeros(len(level) + 1)
    # In blocks over which the product of the keeps stays well above the smallest float.
    decay = np.cumsum(np.log(np.maximum(keep, 1e-12)))
    first = 0
    while first < len(level):
        base = decay[first - 1] if first else 0.0
        last = max(first + 1, int(np.searchsorted(-decay, -base + 200.0)))
        factor = np.exp(decay[first:last] - base)
        out[first + 1 : last + 1] = factor * (out[first] + np.cumsum(drive[first:last] / factor))
        first = last
    return out


def _at(column: np.ndarray, index: np.ndarray, fraction: np.ndarray) -> np.ndarray:
    low = column[index]
    return low + fraction * (column[index + 1] - low)


def integrate(intervals: Intervals, first: int = 0, last: int | None = None) -> Integral:
    """Return the running integral of the readings `first` to `last` (past the last) of `intervals`.

    Each reading stands for the time from the end of the reading before to its own end (shifted to the middle of its
    averaging), at most 1.5 periods; missing readings and gaps cover no time.
    """
    last = len(intervals.value) if last is None else last
    start, end, value = _tiles(intervals, first, last)
    good = np.isfinite(value) & (end > start)
    start, end, value = start[good], end[good], value[good]
    centre = float(np.mean(value)) if len(value) else 0.0
    scale = float(np.std(value)) if len(value) else 1.0
    scale = scale if scale > 0 else 1.0
    z = (value - centre) / scale
    width = end - start
    # Knots: every start that is not the end before it, and every end.
    apart = np.ones(len(start), dtype=bool)
    if len(start) > 1:
        apart[1:] = start[1:] > end[:-1]
    n = len(start) + int(apart.sum())
    place = np.arange(len(start)) + np.cumsum(apart)
    knot, covered, one, two = np.empty(n), np.zeros(n), np.zeros(n), np.zeros(n)
    knot[place] = end
    knot[place[apart] - 1] = start[apart]
    covered[place], one[place], two[place] = width, z * width, z * z * width
    return Integral(
        knot, np.cumsum(covered), np.cumsum(one), np.cumsum(two), centre, scale, intervals.period
    )


def _tiles(intervals: Intervals, first: int, last: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Intervals that follow each other without overlap, one for each reading."""
    start, end = intervals.start[first:last], intervals.end[first:last]
    value = intervals.value[first:last]
    if intervals.condensed or len(end) < 2:
        return start, end, value
    middle = 0.5 * (start + end)
    half = 0.5 * intervals.period
    step = np.diff(middle)
    close = step <= _GAP_PERIODS * intervals.period
    left, right = middle - half, middle + half
    seam = 0.5 * (middle[1:] + middle[:-1])
    left[1:] = np.where(close, seam, left[1:])
    right[:-1] = np.where(close, seam, right[:-1])
    for a, _ in intervals.segments:
        k = a - first
        if 0 < k < len(end):
            left[k], right[k - 1] = middle[k] - half, middle[k - 1] + half
    return left, np.maximum(right, left), value
