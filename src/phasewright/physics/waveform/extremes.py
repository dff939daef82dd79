"""The greatest value of a signal, found so that no peak between two moments can be missed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from phasewright.physics._arguments import Array

__all__ = ["find_greatest"]

CLOSE = 1e-9
"""Share of the swing within which a value counts as the greatest."""
ROUNDS = 60
LEAST_SPLIT = 1e-9
"""Share of its interval below which a stretch is not halved again: rounding has the say there."""
CHUNK = 20_000


def find_greatest(
    advance: Callable[[Any, Array, Array], Array], matrices: Sequence[Any], rows: Array, number: Any, state: Array,
    length: Array, begin: Array,
) -> tuple[float, float]:  # fmt: skip
    """Return the greatest value and its time.

    Between two moments h apart a signal lies at most h^2 / 8 max |y''| above the greater of its ends. The second
    derivative of each mode only shrinks or turns, so its bound is known; stretches that cannot hold the greatest
    value are dropped, the others halved.
    """
    best, best_time, least = -np.inf, float(begin[0]), np.inf
    for first in range(0, len(number), CHUNK):
        part = slice(first, first + CHUNK)
        low = (rows[number[part]] * state[part]).sum(axis=1)
        least = min(least, float(low.min()))
    for first in range(0, len(number), CHUNK):
        part = slice(first, first + CHUNK)
        best, best_time = _greatest_of(
            advance, matrices, rows, number[part], state[part], length[part], begin[part], best, best_time, least
        )
    return best, best_time


def _bounds(matrices: Sequence[Any], rows: Array, number: Any, state: Array) -> tuple[Array, Array]:
    """Return, an interval, the modes' second derivatives at its start times the row, and their rates; (K, n)."""
    n = state.shape[1] - 3
    bend, rates = np.zeros((len(number), n)), np.zeros((len(number), n))
    for which in np.unique(number):
        chosen = number == which
        one = matrices[which]
        if one.modes is None:
            # Root energies cannot grow by themselves, so the whole state's second derivative bounds the signal's.
            second = state[chosen] @ (one.matrix @ one.matrix).T
            bend[chosen, 0] = np.linalg.norm(second[:, :n], axis=1) * np.linalg.norm(rows[which, :n])
            continue
        first = one.modes.first_derivatives(state[chosen])
        push = state[chosen, -2:-1] * one.modes.drive[:, 0] * one.matrix[-3, -2]
        bend[chosen] = np.abs((first * one.modes.rates + push) * (rows[which, :n] @ one.modes.shapes))
        rates[chosen] = np.minimum(one.modes.rates.real, 0.0)
    return bend, rates


def _greatest_of(
    advance: Any, matrices: Any, rows: Any, number: Any, state: Any, length: Any, begin: Any, best: float,
    best_time: float, least: float,
) -> tuple[float, float]:  # fmt: skip
    bend, rates = _bounds(matrices, rows, number, state)

    def value(which: Any, after: Array) -> Array:
        return (advance(number[which], state[which], after) * rows[number[which]]).sum(axis=1)

    which = np.arange(len(number))
    low, high = np.zeros(len(which)), length.copy()
    left, right = (rows[number] * state).sum(axis=1), value(which, length)
    for _ in range(ROUNDS):
        for values, after in ((left, low), (right, high)):
            place = int(np.argmax(values))
            if values[place] > best:
                best, best_time = float(values[place]), float(begin[which[place]] + after[place])
        least = min(least, float(left.min()), float(right.min()))
        span = high - low
        room = span**2 / 8.0 * (bend[which] * np.exp(rates[which] * low[:, None])).sum(axis=1)
        margin = CLOSE * (best - least) + 4e-15 * abs(best)
        open_ = (np.maximum(left, right) + room > best + margin) & (span > LEAST_SPLIT * length[which])
        if not open_.any():
            break
        which, low, high, left, right = which[open_], low[open_], high[open_], left[open_], right[open_]
        middle = 0.5 * (low + high)
        centre = value(which, middle)
        which = np.concatenate([which, which])
        low, high = np.concatenate([low, middle]), np.concatenate([middle, high])
        left, right = np.concatenate([left, centre]), np.concatenate([centre, right])
    return best, best_time
