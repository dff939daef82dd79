"""Mean of a time series with the uncertainty that its correlation leaves."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class SeriesMean:
    """Mean of a series with its statistical standard uncertainty."""

    mean: float
    u: float | None
    count: int
    effective_count: float
    lag1: float
    dof: float = 1.0


def effective_count(count: float, lag1: float) -> float:
    """Return the number of independent samples that tell as much about a mean as `count` samples of lag-1 correlation."""
    if lag1 >= 1.0:
        return 1.0
    tail = 2.0 * lag1 * (1.0 - lag1**count) / (count * (1.0 - lag1) ** 2)
    return count / ((1.0 + lag1) / (1.0 - lag1) - tail)


def series_mean(values: np.ndarray, *, weights: np.ndarray | None = None) -> SeriesMean:
    """Return the mean of `values` (shape (n,), NaN ignored) and its statistical standard uncertainty."""
    x = np.asarray(values, dtype=float)
    w = np.ones_like(x) if weights is None else np.asarray(weights, dtype=float)
    keep = np.isfinite(x)
    x, w = x[keep], w[keep]
    n = len(x)
    if n == 0:
        raise ValueError("no values (values) - at least one finite value - mend the window")
    mean = float(np.sum(w * x) / np.sum(w))
    if n < 2:
        return SeriesMean(mean, None, n, 1.0, 0.0)
    d = x - mean
    var = float(d @ d) / (n - 1)
    if var == 0.0:
        return SeriesMean(mean, 0.0, n, 1.0, 1.0)
    lag1 = min(max(float(d[1:] @ d[:-1]) / float(d @ d) + 1.0 / n, -0.5), 0.999)
    n_eff = min(max(effective_count(n, lag1), 1.0), float(n))
    return SeriesMean(mean, math.sqrt(var / n_eff), n, n_eff, lag1, max(n_eff - 1.0, 1.0))
