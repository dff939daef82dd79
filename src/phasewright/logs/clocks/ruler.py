"""Places on a long rising axis, found by an even grid of cells rather than by a search."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LONG = 50_000
"""Shorter axes are searched as quickly."""
_CROWDED = 12
"""More knots than this in one cell: the axis is too uneven for a grid."""


@dataclass(frozen=True, slots=True, eq=False)
class Ruler:
    """A rising axis `knot` (n,) with as many even cells; `before` (cells + 1,) counts the knots before each cell."""

    knot: np.ndarray
    rate: float
    """Cells for each unit of the axis; 0 = too uneven for a grid."""
    before: np.ndarray
    most: int
    """Most knots in one cell."""

    def count_until(self, place: np.ndarray) -> np.ndarray:
        """Return how many knots lie at or before each of `place` (m,), as numpy's searchsorted does."""
        if not self.rate or len(place) < 100:
            return np.searchsorted(self.knot, place, side="right")
        cell = _cells(self.knot, place, self.rate, len(self.before) - 2)
        at, stop = self.before[cell], self.before[cell + 1]
        last = len(self.knot) - 1
        for _ in range(self.most):
            more = (at < stop) & (self.knot[np.minimum(at, last)] <= place)
            if not more.any():
                break
            at += more
        return at


def lay_ruler(knot: np.ndarray) -> Ruler:
    """Return the ruler of a rising axis."""
    count = len(knot)
    span = float(knot[-1] - knot[0]) if count else 0.0
    if count < LONG or not np.isfinite(span) or span <= 0.0:
        return Ruler(knot, 0.0, np.zeros(0, dtype=np.int64), 0)
    rate = count / span
    held = np.bincount(_cells(knot, knot, rate, count), minlength=count + 1)
    most = int(held.max())
    if most > _CROWDED:
        return Ruler(knot, 0.0, np.zeros(0, dtype=np.int64), most)
    return Ruler(knot, rate, np.concatenate([[0], np.cumsum(held)]), most)


def _cells(knot: np.ndarray, place: np.ndarray, rate: float, last: int) -> np.ndarray:
    """Return the cell of each place; rising with it, so that knots of earlier cells lie before it for certain."""
    return np.clip((place - knot[0]) * rate, 0.0, last).astype(np.int64)
