"""Which designs are at least as good as others: fronts of whole numbers, exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Table", "best_options", "nondominated", "table_of"]

MOST_CELLS = 4_000_000
"""Cells of a table of dominance; with more levels neighbours are put together, which rules out less but never wrongly."""
NEVER = np.iinfo(np.int64).max // 4
"""Greater than any price in whole steps."""


def nondominated(points: np.ndarray) -> np.ndarray:
    """Return the indices of the points (n, k) that no other point equals or betters in every column, ascending.

    Of equal points the first counts. Smaller is better.
    """
    order = np.lexsort((np.arange(len(points)), *points.T[::-1]))
    ordered = points[order]
    kept = np.empty((0, points.shape[1]), dtype=points.dtype)
    chosen: list[int] = []
    # In lexical order a point can only be bettered by one before it, so blocks need to look back and within only.
    for first in range(0, len(ordered), 512):
        block = ordered[first : first + 512]
        beaten = np.zeros(len(block), dtype=bool)
        for part in range(0, len(kept), 1024):
            other = kept[part : part + 1024]
            left = np.flatnonzero(~beaten)
            beaten[left] = np.any(np.all(other[None, :, :] <= block[left, None, :], axis=2), axis=1)
        left = np.flatnonzero(~beaten)
        own = block[left]
        before = np.tri(len(own), k=-1, dtype=bool)
        good = ~np.any(np.all(own[None, :, :] <= own[:, None, :], axis=2) & before, axis=1)
        kept = np.concatenate([kept, own[good]])
        chosen += order[first + left[good]].tolist()
    return np.array(sorted(chosen), dtype=np.int64)


@dataclass(frozen=True, eq=False)
class Table:
    """Least price of the known designs that are at least as good in the other columns, by level of each."""

    levels: tuple[np.ndarray, ...]
    least: np.ndarray

    def dominates(self, price: np.ndarray, others: tuple[np.ndarray, ...]) -> np.ndarray:
        """Return where a known design is at least as good as one with this price and these other figures."""
        return self.floor(others) <= price

    def floor(self, others: tuple[np.ndarray, ...]) -> np.ndarray:
        """Return the least price of a known design that is at least as good in the other figures."""
        at = [np.searchsorted(level, value, side="right") for level, value in zip(self.levels, others, strict=True)]
        return self.least[tuple(at)]


def table_of(price: np.ndarray, others: tuple[np.ndarray, ...]) -> Table:
    """Return the table of dominance of known designs: prices and other figures, arrays (n,) of whole numbers."""
    levels = [np.unique(item) for item in others]
    while np.prod([len(level) + 1.0 for level in levels]) > MOST_CELLS:
        longest = max(range(len(levels)), key=lambda k: len(levels[k]))
        # The last level stays, so that every known design still finds a level at or above its own.
        levels[longest] = levels[longest][::-1][::2][::-1]
    least = np.full([len(level) + 1 for level in levels], NEVER, dtype=np.int64)
    at = tuple(np.searchsorted(level, value, side="left") + 1 for level, value in zip(levels, others, strict=True))
    np.minimum.at(least, at, price)
    for axis in range(least.ndim):
        np.minimum.accumulate(least, axis=axis, out=least)
    return Table(tuple(levels), least)


def best_options(price: np.ndarray, area: np.ndarray, failing: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (index, known), both (rows, width): the options of each row that none betters in price, area and chance.

    `price` and `area` (options,) are the same for all rows, `failing` (rows, options) is not; options above `most`
    are left out. Rows are filled up with index 0 where `known` is False.
    """
    order = np.lexsort((np.arange(len(price)), area, price))
    ranked = failing[:, order]
    keep = ranked <= most
    if np.any(area):
        placed = area[order]
        for k in range(1, len(order)):
            smaller = np.flatnonzero(placed[:k] <= placed[k])
            if len(smaller):
                keep[:, k] &= ranked[:, k] < ranked[:, smaller].min(axis=1)
    else:
        keep[:, 1:] &= ranked[:, 1:] < np.minimum.accumulate(ranked, axis=1)[:, :-1]
    width = max(int(keep.sum(axis=1).max(initial=0)), 1)
    first = np.argsort(~keep, axis=1, kind="stable")[:, :width]
    return order[first], np.take_along_axis(keep, first, axis=1)
