"""How much residuals that are correlated in time tell of a slow change."""

from __future__ import annotations

from functools import lru_cache

import numpy as np


def slow_spread(residual: np.ndarray, reading: np.ndarray, resolution: float, used: int) -> tuple[float, float]:
    """Return the spread of `residual` (n,), and the spread that independent residuals would need to hide as much.

    The second is the greatest of three: what the lag-1 correlation implies; what the slow cosines of the residual show;
    what the resolution can hide, as a reading that never changes tells of one place only, however often it is repeated.
    `used` is the number of fitted parameters.
    """
    n = len(residual)
    power = float(residual @ residual)
    spread = max((power / max(n - used, 1)) ** 0.5, 1e-5)
    lag1 = float(residual[1:] @ residual[:-1]) / power if power > 0 else 0.0
    # Detrended residuals look less correlated than the noise is: bias of about -(1 + 4 rho)/n, Marriott and Pope 1954.
    lag1 = min(max(lag1 + (used - 1 + 4.0 * lag1) / n, 0.0), 0.98)
    slow = spread * ((1.0 + lag1) / (1.0 - lag1)) ** 0.5
    cosine = _slow_cosines(n)
    if len(cosine) > 3:
        shown = float(np.sum((cosine @ residual) ** 2)) / max(len(cosine) - used + 1, 3)
        slow = max(slow, min(shown**0.5, 3.0 * slow))
    if resolution > 0:
        told = min(2.0 + int(np.count_nonzero(np.diff(reading))), float(n))
        slow = max(slow, resolution / 12**0.5 * (n / told) ** 0.5)
        spread = max(spread, resolution / 12**0.5)
    return spread, slow


@lru_cache(maxsize=64)
def _slow_cosines(n: int) -> np.ndarray:
    """Return the slow cosines over `n` readings, each of length 1, (m, n): second to thirteenth at most."""
    number = np.arange(2, min(14, n // 3))
    cosines = np.cos(np.pi * np.outer(number, np.arange(n) + 0.5) / n) * (2.0 / n) ** 0.5
    cosines.setflags(write=False)
    return cosines
