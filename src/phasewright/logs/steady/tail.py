"""What remains at the end of a step, judged from its tail alone.

Over a tail the last transient is one exponential whose time constant is known only roughly: every constant of a grid is
fitted, with the load's fluctuation beside it, and weighed by its prior and by how well it explains the tail. Quicker
parts that still run make the estimate larger, never smaller. A straight line times the time constant is the limit of
this for a tail much shorter than the constant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from phasewright.logs.steady.mixture import chance_beyond, magnitude_bound
from phasewright.logs.steady.noise import slow_spread
from phasewright.logs.steady.series import Series

MISFIT = 0.015
"""No bench is one exponential: fans follow the coolant, losses follow the temperature. The misfit is taken as this
share of the tail's swing, wandering about five times over the tail."""


@dataclass(frozen=True, slots=True, eq=False)
class Tail:
    """One tail. Arrays over time constants (k,)."""

    start: float
    end: float
    constant: np.ndarray
    weight: np.ndarray
    left: np.ndarray
    """What remains, mean over the tail [K]."""
    left_u: np.ndarray
    noise: float
    slow_noise: float

    def bound(self, level: float = 0.95) -> float:
        """Return the magnitude that what remains does not exceed, one-sided at `level` [K]."""
        return magnitude_bound(self.weight, self.left, self.left_u, level)

    def chance(self, bound: float) -> float:
        """Return the chance that more than `bound` remains [K]."""
        return chance_beyond(self.weight, self.left, self.left_u, bound)

    def shifted(self, start: float, end: float) -> Tail:
        """Return the same fit's say on what remains on average from `start` to `end` [s]."""

        def mean(a: float, b: float) -> np.ndarray:
            length = max(b - a, 1e-9)
            return self.constant * (np.exp(-a / self.constant) - np.exp(-b / self.constant)) / length

        change = mean(start - self.start, end - self.start) / mean(0.0, self.end - self.start)
        return replace(self, start=start, end=end, left=self.left * change, left_u=self.left_u * change)

    def estimate(self) -> tuple[float, float]:
        """Return mean and standard uncertainty of what remains [K]."""
        mean = float(self.weight @ self.left)
        return mean, float(self.weight @ (self.left_u**2 + (self.left - mean) ** 2)) ** 0.5


def fit_tail(series: Series, start: float, constant: np.ndarray, prior: np.ndarray) -> Tail | None:
    """Return what remains over the readings from `start` [s] on; None for fewer than 12 readings.

    `constant` (k,) are the time constants [s] and `prior` (k,) their weights.
    """
    # Slots often begin a tail to the digit: rounding, which differs between machines, must not decide about the first.
    pick = series.time >= start - 1e-6
    if pick.sum() < 12:
        return None
    t, y = series.time[pick], series.value[pick]
    end = float(t[-1])
    n = len(t)
    shape = np.exp(-(t[:, None] - start) / constant)
    average = constant * (1.0 - np.exp(-(end - start) / constant)) / (end - start)
    common = np.column_stack([np.ones(n), series.load[pick] - series.load[pick].mean(axis=0)])
    scale = np.concatenate([[1e3], np.full(series.load.shape[1], series.gain)])
    centre = y.mean()
    y = y - centre
    # Amplitudes may be as large as the whole range of the record; slow constants need more for the same slope.
    reach = max(series.spread, 1.0)
    noise = slow = max(float(np.std(np.diff(y))) / 2**0.5, series.resolution / 12**0.5, 1e-3)
    p = common.shape[1]
    full = np.column_stack([common, shape])
    gram0, moment0 = full.T @ full, full.T @ y
    k = len(constant)
    pick_m = np.column_stack([np.tile(np.arange(p), (k, 1)), p + np.arange(k)])
    penalty = np.diag(1.0 / np.concatenate([scale, [reach]]) ** 2)
    gram_m = gram0[pick_m[:, :, None], pick_m[:, None, :]]
    moment_m = moment0[pick_m]
    for turn in range(3):
        a = gram_m / slow**2 + penalty
        found = np.linalg.solve(a, moment_m[:, :, None] / slow**2)[:, :, 0]
        score = 0.5 * np.einsum("ij,ij->i", found, moment_m) / slow**2 - 0.5 * np.linalg.slogdet(a)[1]
        log_weight = score + np.log(np.maximum(prior, 1e-12))
        if turn == 2:
            break
        best = int(np.argmax(log_weight))
        residual = y - full[:, pick_m[best]] @ found[best]
        noise, slow = slow_spread(residual, series.value[pick], series.resolution, p + 1)
        slow = (slow**2 + (MISFIT * float(np.ptp(full[:, p + best] * found[best, p]))) ** 2 * n / 5.0) ** 0.5
    weight = np.exp(log_weight - log_weight.max())
    inverse = np.linalg.inv(a)
    left = -found[:, p] * average
    left_u = average * np.sqrt(np.maximum(inverse[:, p, p], 0.0))
    return Tail(start, end, constant, weight / weight.sum(), left, left_u, noise, slow)
