"""Least-squares fitting with honest uncertainties."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Fit:
    """What a fit says."""

    names: tuple[str, ...]
    values: np.ndarray
    u: tuple[float | None, ...]
    covariance: np.ndarray
    dof: int
    rss: float
    at_bound: tuple[bool, ...]
    converged: bool
    message: str


def fit_least_squares(
    residuals: Callable[[np.ndarray], np.ndarray],
    start: Sequence[float],
    *,
    names: Sequence[str],
    low: Sequence[float] | None = None,
    high: Sequence[float] | None = None,
    jacobian: Callable[[np.ndarray], np.ndarray] | None = None,
    robust: bool = False,
    scale_u: bool = True,
) -> Fit:
    """Return the parameters that make the sum of squared residuals least."""
    from scipy.optimize import least_squares

    x0 = np.asarray(start, dtype=float)
    lo = np.full(len(x0), -np.inf) if low is None else np.asarray(low, dtype=float)
    hi = np.full(len(x0), np.inf) if high is None else np.asarray(high, dtype=float)
    scale = np.where(x0 != 0, np.abs(x0), 1.0)
    found = least_squares(
        lambda p: residuals(p * scale),
        np.clip(x0, lo, hi) / scale,
        jac="2-point" if jacobian is None else (lambda p: jacobian(p * scale) * scale),
        bounds=(lo / scale, hi / scale),
        loss="soft_l1" if robust else "linear",
        x_scale="jac",
    )
    values = found.x * scale
    r = residuals(values)
    rss = float(r @ r)
    dof = len(r) - len(values)
    covariance = np.linalg.pinv(found.jac.T @ found.jac) * np.outer(scale, scale)
    if scale_u and dof > 0:
        covariance = covariance * rss / dof
    u = tuple(float(v) for v in np.sqrt(np.diag(covariance)))
    at_bound = tuple(bool(flag) for flag in found.active_mask)
    return Fit(tuple(names), values, u, covariance, dof, rss, at_bound, bool(found.success), found.message)
