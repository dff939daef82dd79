"""A level and decaying exponentials fitted to readings; several starts at once, as one fit of 150 readings is all
overhead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.logs.steady.noise import slow_spread
from phasewright.logs.steady.series import Series

_MOST_TURNS = 40


@dataclass(frozen=True, slots=True, eq=False)
class Decay:
    """A level and decaying exponentials fitted to a series."""

    level: float
    level_u: float
    constant: np.ndarray
    """(k,) time constants, shortest first [s]."""
    constant_u: np.ndarray
    amplitude: np.ndarray
    """(k,) at the series' first reading."""
    lag1: float
    """Lag-1 correlation of the residuals; 1 - lag1 is half their Durbin-Watson value."""
    cost: float
    """Sum of squares of the residuals [unit squared]."""
    slow: float
    """Spread that independent residuals would need to wander as slowly [unit]."""
    count: int


@dataclass(slots=True, eq=False)
class _Best:
    """The best of each fit so far. Arrays over fits (m, ...)."""

    cost: np.ndarray
    at: np.ndarray
    """Logarithms of the time constants, (m, k)."""
    linear: np.ndarray
    residual: np.ndarray
    full: np.ndarray
    """What the linear parameters stand before, (m, n, p + k)."""


def fit_decays(series: Series, starts: Sequence[Sequence[float]], *, held: bool = False) -> list[Decay | None]:
    """Return for each of `starts` (m, k) the least-squares fit of k exponentials from time constants there [s].

    With `held` the last constant of each stays where it is. None where a fit fails.

    Beside them a level and the load's fluctuation, whose gains are held near what is physical. The uncertainties know
    about correlated residuals and the sensor's resolution.
    """
    t, y = series.time - series.time[0], series.value
    start = np.asarray(starts, dtype=float)
    m, k = start.shape
    tied = np.concatenate([
        [0.0], np.full(series.load.shape[1], 1.0 / max(series.gain, 1e-12)), np.full(k, 1.0 / (3.0 * series.spread)),
    ]) ** 2  # fmt: skip
    p = len(tied) - k
    common = np.empty((m, len(t), p + k))
    common[:, :, 0] = 1.0
    common[:, :, 1:p] = series.load
    low, high = np.log(2.0 * float(np.median(np.diff(t)))), np.log(20.0 * float(t[-1]))
    noise = max(float(np.std(np.diff(y))) / 2**0.5, series.resolution / 12**0.5, 1e-4)
    best = _Best(np.full(m, np.inf), np.log(start), np.zeros((m, p + k)), np.zeros((m, len(t))), common)
    trial, damp, live = best.at.copy(), np.full(m, 1e-3), np.arange(m)
    for turn in range(_MOST_TURNS):
        full = common[live]
        full[:, :, p:] = np.exp(-t[:, None] / np.exp(trial[live])[:, None, :])
        turned = full.transpose(0, 2, 1)
        linear = np.linalg.solve(turned @ full / noise**2 + np.diag(tied), (turned @ y / noise**2)[:, :, None])[:, :, 0]
        residual = y - (full @ linear[:, :, None])[:, :, 0]
        cost = np.einsum("ij,ij->i", residual, residual) / noise**2 + linear**2 @ tied
        better = (cost < best.cost[live] - 1e-9) | (turn == 0)
        gained = best.cost[live] - cost
        damp[live] = np.where(better, np.maximum(damp[live] * 0.3, 1e-9), damp[live] * 6.0)
        won = live[better]
        best.cost[won], best.at[won], best.linear[won] = cost[better], trial[won], linear[better]
        best.residual[won], best.full[won] = residual[better], full[better]
        # A step that hardly changes the cost, for better or worse, is the last: shorter ones change it less.
        live = live[np.abs(gained) >= 1e-6 * np.maximum(cost, 1.0)]
        if not len(live):
            break
        normal, gradient = _normal(best, live, t, k, np.full(len(live), noise), tied, held)
        eased = damp[live, None] * (np.diagonal(normal, axis1=1, axis2=2) + 1e-12)
        steps = np.linalg.solve(normal + eased[:, :, None] * np.eye(p + 2 * k), gradient[:, :, None])[:, -k:, 0]
        trial[live] = np.clip(best.at[live] + np.clip(steps, -0.7, 0.7), low, high)
    return _report(series, best, t, k, tied, held)


def _normal(
    best: _Best, rows: np.ndarray, t: np.ndarray, k: int, noise: np.ndarray, tied: np.ndarray, held: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Return the normal matrices (m, q, q) and the gradients (m, q) of the fits in `rows`, for `noise` (m,) [unit]."""
    full, linear = best.full[rows], best.linear[rows]
    motion = full[:, :, -k:] * linear[:, None, -k:] * t[:, None] / np.exp(best.at[rows])[:, None, :]
    jacobian = np.concatenate([full, motion], axis=2) / noise[:, None, None]
    turned = jacobian.transpose(0, 2, 1)
    normal = turned @ jacobian
    size = len(tied)
    normal[:, :size, :size] += np.diag(tied)
    gradient = (turned @ (best.residual[rows] / noise[:, None])[:, :, None])[:, :, 0]
    gradient[:, :size] -= tied * linear
    if held:
        normal[:, -1, :] = normal[:, :, -1] = 0.0
        normal[:, -1, -1], gradient[:, -1] = 1.0, 0.0
    return normal, gradient


def _report(series: Series, best: _Best, t: np.ndarray, k: int, tied: np.ndarray, held: bool) -> list[Decay | None]:
    used = best.full.shape[2] + k
    slow = np.array([slow_spread(r, series.value, series.resolution, used)[1] for r in best.residual])
    normal, _ = _normal(best, np.arange(len(slow)), t, k, slow, tied, held)
    found: list[Decay | None] = []
    for i, matrix in enumerate(normal):
        try:
            variance = np.diag(np.linalg.inv(matrix))
        except np.linalg.LinAlgError:
            found.append(None)
            continue
        if not np.all(np.isfinite(variance)) or variance[0] < 0:
            found.append(None)
            continue
        constant, residual = np.exp(best.at[i]), best.residual[i]
        order = np.argsort(constant)
        power = float(residual @ residual)
        lag1 = float(residual[1:] @ residual[:-1]) / power if power > 0 else 0.0
        constant_u = constant * np.sqrt(np.maximum(variance[-k:], 0.0))
        found.append(Decay(
            float(best.linear[i, 0]), float(variance[0] ** 0.5), constant[order], constant_u[order],
            best.linear[i, -k:][order], lag1, power, float(slow[i]), len(t)))  # fmt: skip
    return found
