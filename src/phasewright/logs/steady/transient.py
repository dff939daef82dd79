"""What is left of a temperature's transient: every plausible time constant weighed by how well it explains the step.

A reading in a step is modelled as a level, up to two decaying exponentials, and what fluctuations of the load add. Time
constants are not picked: models over a grid of them are averaged with their evidence (Bayesian model averaging, Hoeting
et al., Statistical Science 14 (1999) 382), so that a slow part that the record can neither show nor rule out stands in the
uncertainty. One-exponential fits alone are confidently wrong when two time constants exist.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.steady.mixture import magnitude_bound
from phasewright.logs.steady.series import Series

_SHORTEST = 5.0
_GRID = 9


@dataclass(frozen=True, slots=True, eq=False)
class Transient:
    """Averaged over models. Arrays over models (m,)."""

    weight: np.ndarray
    level: np.ndarray
    """Settled value of each model."""
    level_u: np.ndarray
    amplitude: np.ndarray
    """(m, 2) of each model's exponentials at time 0, 0 where it has fewer."""
    constant: np.ndarray
    """(m, 2) time constants [s], 1 where it has fewer."""
    cover: np.ndarray
    """(m, 2, 2) covariance of the amplitudes."""
    noise: float
    """Spread of the residuals [K]."""
    slow_noise: float
    """Spread that independent readings would need for the residuals' slow wander [K]."""
    correlation: float
    """Lag-1 correlation of the residuals."""
    end: float

    def left(self, start: float, end: float) -> tuple[np.ndarray, np.ndarray]:
        """Return what remains on average from `start` to `end` [s], and its standard uncertainty, of each model [K]."""
        length = max(end - start, 1e-9)
        shape = self.constant * (np.exp(-start / self.constant) - np.exp(-end / self.constant)) / length
        mean = -(self.amplitude * shape).sum(axis=1)
        var = np.einsum("mi,mij,mj->m", shape, self.cover, shape)
        return mean, np.sqrt(np.maximum(var, 0.0))

    def bound(self, start: float, end: float, level: float = 0.95) -> float:
        """Return the magnitude that what remains from `start` to `end` does not exceed, one-sided at `level` [K]."""
        mean, u = self.left(start, end)
        return magnitude_bound(self.weight, mean, u, level)

    def mean_left(self, start: float, end: float) -> tuple[float, float]:
        """Return mean and standard uncertainty over all models of what remains from `start` to `end` [K]."""
        mean, u = self.left(start, end)
        m = float(self.weight @ mean)
        return m, float(self.weight @ (u**2 + (mean - m) ** 2)) ** 0.5

    def longest(self, share: float = 0.95) -> float:
        """Return the time constant that the slowest part does not exceed with probability `share` [s]."""
        slow = self.constant.max(axis=1)
        order = np.argsort(slow)
        total = np.cumsum(self.weight[order])
        return float(slow[order][min(int(np.searchsorted(total, share)), len(order) - 1)])

    def settled_value(self) -> tuple[float, float]:
        """Return the settled value and its standard uncertainty over all models."""
        m = float(self.weight @ self.level)
        return m, float(self.weight @ (self.level_u**2 + (self.level - m) ** 2)) ** 0.5


def fit_transient(series: Series, *, longest: float) -> Transient | None:
    """Return the averaged transient with time constants up to `longest` [s]; None for fewer than 12 readings."""
    t, y = series.time, series.value
    n = len(t)
    if n < 12:
        return None
    shortest = max(_SHORTEST, 2.0 * float(np.median(np.diff(t))))
    grid = np.geomspace(shortest, max(longest, 2 * shortest), _GRID)
    shapes = np.exp(-t[:, None] / grid)
    full = np.column_stack([np.ones(n), series.load, shapes])
    load_count = series.load.shape[1]
    prior = np.concatenate([[1e3], np.full(load_count, series.gain), np.full(_GRID, max(series.spread, 1.0))])
    centre = float(np.mean(y))
    noise, slow, correlation = _noise_level(full, y - centre, prior, series.resolution)
    gram = full.T @ full / slow**2
    moment = full.T @ (y - centre) / slow**2
    own = 1 + load_count
    models: list[tuple[int, ...]] = [()] + [(i,) for i in range(_GRID)]
    models += [(i, j) for i in range(_GRID) for j in range(i + 2, _GRID)]
    m = len(models)
    log_evidence, level, level_u = np.empty(m), np.empty(m), np.empty(m)
    amplitude, constant, cover = np.zeros((m, 2)), np.ones((m, 2)), np.zeros((m, 2, 2))
    for k, model in enumerate(models):
        pick = np.array([*range(own), *(own + i for i in model)])
        a = gram[np.ix_(pick, pick)] + np.diag(1.0 / prior[pick] ** 2)
        inverse = np.linalg.inv(a)
        found = inverse @ moment[pick]
        log_evidence[k] = 0.5 * float(moment[pick] @ found) - 0.5 * np.linalg.slogdet(a)[1] \
            - float(np.log(prior[pick]).sum()) - np.log((1, _GRID, m - 1 - _GRID)[len(model)])
        level[k], level_u[k] = centre + found[0], inverse[0, 0] ** 0.5
        size = len(model)
        amplitude[k, :size], constant[k, :size] = found[own:], grid[list(model)]
        cover[k, :size, :size] = inverse[own:, own:]
    weight = np.exp(log_evidence - log_evidence.max())
    return Transient(weight / weight.sum(), level, level_u, amplitude, constant, cover, noise, slow, correlation,
                     float(t[-1]))


def _noise_level(full: np.ndarray, y: np.ndarray, prior: np.ndarray, resolution: float) -> tuple[float, float, float]:
    """Spread of the residuals of the whole basis, its slow equivalent, and their lag-1 correlation.

    The slow equivalent is the greater of what the lag-1 correlation implies, what the slow cosines of the residuals show,
    and what the resolution can hide (a constant reading tells of one place only, however often it is repeated).
    """
    n = len(y)
    first = max(float(np.std(np.diff(y))) / 2**0.5, 1e-3, resolution / 12**0.5)
    noise = first
    for _ in range(3):
        a = full.T @ full / noise**2 + np.diag(1.0 / prior**2)
        r = y - full @ np.linalg.solve(a, full.T @ y / noise**2)
        used = 4.0
        noise = max((float(r @ r) / max(n - used, 1.0)) ** 0.5, 1e-4)
    power = float(r @ r)
    lag1 = float(r[1:] @ r[:-1]) / power if power > 0 else 0.0
    lag1 = min(max(lag1 + (1.0 + 4.0 * lag1) / n, 0.0), 0.98)
    slow = noise * ((1.0 + lag1) / (1.0 - lag1)) ** 0.5
    number = np.arange(4, min(20, n // 3))
    if len(number) > 3:
        cosine = np.cos(np.pi * np.outer(number, np.arange(n) + 0.5) / n) * (2.0 / n) ** 0.5
        slow = max(slow, float(np.mean((cosine @ r) ** 2)) ** 0.5)
    if resolution > 0:
        changes = int(np.count_nonzero(np.diff(y)))
        told = min(max(2.0 + changes, 2.0), float(n))
        slow = max(slow, resolution / 12**0.5 * (n / told) ** 0.5)
        noise = max(noise, resolution / 12**0.5)
    return noise, slow, lag1
