"""What a quantity looks like behind a first-order lag, on an even grid."""

from __future__ import annotations

import numpy as np

_SMALLEST = 30.0
"""A stretch is worked through at once until its factors fall by exp(-30), far from the smallest float."""


def lagged(value: np.ndarray, step: float, lag: float, *, before: float = 0.0) -> np.ndarray:
    """Return `value` float64 (n,), on a grid of `step` [s], behind a first-order lag of `lag` [s], float64 (n,).

    `before` is where it rests before the record, in the unit of `value`. y[i] = k y[i-1] + (1 - k) x[i] with
    k = exp(-step/lag), as of a low pass of first order whose input holds between readings (textbook). Both `step` and
    `lag` are above 0; holes (NaN) reach on to the end.
    """
    keep = float(np.exp(-step / lag))
    size = max(1, min(len(value), int(-_SMALLEST / np.log(keep))))
    power = keep ** np.arange(1, size + 1)
    out = np.empty(len(value))
    last = before
    for first in range(0, len(value), size):
        part = value[first : first + size]
        p = power[: len(part)]
        out[first : first + size] = p * (last + (1.0 - keep) * np.cumsum(part / p))
        last = out[first + len(part) - 1]
    return out
