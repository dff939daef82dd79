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
class _Fits:
    """Fits side by side, of one series or of several. Arrays over fits (m, ...); rows beyond a series are zeros."""

    series: list[Series]
    time: np.ndarray
    """From each series' first reading [s], (m, n)."""
    here: np.ndarray
    """1 where there is a reading, (m, n)."""
    value: np.ndarray
    """Less its mean, (m, n)."""
    mean: np.ndarray
    common: np.ndarray
    """What a level and the load's gains stand before, (m, n, p)."""
    tied: np.ndarray
    """Weights that hold gains and amplitudes near what is physical, (m, p + k)."""
    noise: np.ndarray
    low: np.ndarray
    """Bounds of the logarithms of the time constants, (m, 1)."""
    high: np.ndarray
    held: bool

    def products(self, rows: np.ndarray, at: np.ndarray) -> np.ndarray:
        """Return all inner products of what the fits in `rows` are made of, (r, p + 2k + 1, p + 2k + 1).

        In order: the common columns, the exponentials for the logarithms `at` (r, k) of their time constants, their
        derivatives by those for an amplitude of 1, and the readings.
        """
        columns = self.columns(rows, at)
        return columns.transpose(0, 2, 1) @ columns

    def columns(self, rows: np.ndarray, at: np.ndarray) -> np.ndarray:
        p, k = self.common.shape[2], at.shape[1]
        columns = np.empty((len(rows), self.time.shape[1], p + 2 * k + 1))
        columns[:, :, :p] = self.common[rows]
        ages = self.time[rows][:, :, None] / np.exp(at)[:, None, :]
        decayed = columns[:, :, p : p + k]
        np.exp(-ages, out=decayed)
        decayed *= self.here[rows][:, :, None]
        np.multiply(decayed, ages, out=columns[:, :, p + k : -1])
        columns[:, :, -1] = self.value[rows]
        return columns

    def normal(
        self, rows: np.ndarray, products: np.ndarray, linear: np.ndarray, noise: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the normal matrices (r, q, q) and the gradients (r, q) of the fits in `rows`, for `noise` (r,)."""
        size = linear.shape[1]
        times = np.ones((len(rows), products.shape[1] - 1))
        times[:, size:] = linear[:, size - (products.shape[1] - 1 - size) :]
        normal = products[:, :-1, :-1] * (times[:, :, None] * times[:, None, :] / (noise**2)[:, None, None])
        rest = products[:, :-1, -1] - (products[:, :-1, :size] @ linear[:, :, None])[:, :, 0]
        gradient = rest * times / (noise**2)[:, None]
        tied = self.tied[rows]
        on = np.arange(size)
        normal[:, on, on] += tied
        gradient[:, :size] -= tied * linear
        if self.held:
            normal[:, -1, :] = normal[:, :, -1] = 0.0
            normal[:, -1, -1], gradient[:, -1] = 1.0, 0.0
        return normal, gradient


def fit_decays(series: Series, starts: Sequence[Sequence[float]], *, held: bool = False) -> list[Decay | None]:
    """Return for each of `starts` (m, k) the least-squares fit of k exponentials from time constants there [s].

    With `held` the last constant of each stays where it is. None where a fit fails.

    Beside them a level and the load's fluctuation, whose gains are held near what is physical. The uncertainties know
    about correlated residuals and the sensor's resolution.
    """
    return fit_side_by_side([series] * len(starts), starts, held=held)


def fit_side_by_side(
    series: Sequence[Series], starts: Sequence[Sequence[float]], *, held: bool = False
) -> list[Decay | None]:
    """Return what `fit_decays` returns, each of `starts` (m, k) for a series of its own (m of them)."""
    found: list[Decay | None] = [None] * len(series)
    for count in {item.load.shape[1] for item in series}:
        chosen = [i for i, item in enumerate(series) if item.load.shape[1] == count]
        start = np.array([starts[i] for i in chosen], dtype=float)
        for i, fit in zip(chosen, _fitted([series[i] for i in chosen], start, held), strict=True):
            found[i] = fit
    return found


def _lay_out(series: list[Series], start: np.ndarray, held: bool) -> _Fits:
    unique = list({id(item): item for item in series}.values())
    which = [next(i for i, other in enumerate(unique) if other is item) for item in series]
    n, p, k = max(len(item.time) for item in unique), 1 + unique[0].load.shape[1], start.shape[1]
    time, here, value = (np.zeros((len(unique), n)) for _ in range(3))
    common = np.zeros((len(unique), n, p))
    tied, row = np.empty((len(unique), p + k)), []
    for i, item in enumerate(unique):
        size = len(item.time)
        time[i, :size], here[i, :size] = item.time - item.time[0], 1.0
        mean = item.value.mean()
        value[i, :size] = item.value - mean
        common[i, :size, 0], common[i, :size, 1:] = 1.0, item.load
        tied[i, 0], tied[i, 1:p] = 0.0, 1.0 / max(item.gain, 1e-12) ** 2
        tied[i, p:] = 1.0 / (3.0 * item.spread) ** 2
        noise = max(float(np.std(np.diff(item.value))) / 2**0.5, item.resolution / 12**0.5, 1e-4)
        row.append((mean, noise, np.log(2.0 * float(np.median(np.diff(item.time)))), np.log(20.0 * time[i, size - 1])))
    mean, noise, low, high = np.array(row)[which].T
    return _Fits(series, time[which], here[which], value[which], mean, common[which], tied[which], noise,
                 low[:, None], high[:, None], held)  # fmt: skip


def _fitted(series: list[Series], start: np.ndarray, held: bool) -> list[Decay | None]:
    """Levenberg's and Marquardt's way over the time constants; all else is linear and solved for at every turn."""
    fits = _lay_out(series, start, held)
    m, k = start.shape
    size = fits.tied.shape[1]
    on, whole = np.arange(size), np.arange(size + k)
    best_cost, best_at, best_linear = np.full(m, np.inf), np.log(start), np.zeros((m, size))
    best_products = np.zeros((m, size + k + 1, size + k + 1))
    trial, damp, live = best_at.copy(), np.full(m, 1e-3), np.arange(m)
    for turn in range(_MOST_TURNS):
        products = fits.products(live, trial[live])
        power = fits.noise[live] ** 2
        matrix = products[:, :size, :size] / power[:, None, None]
        matrix[:, on, on] += fits.tied[live]
        aim = products[:, :size, -1] / power[:, None]
        linear = np.linalg.solve(matrix, aim[:, :, None])[:, :, 0]
        # The least sum of squares of a linear problem, straight from its inner products.
        cost = products[:, -1, -1] / power - np.einsum("ij,ij->i", linear, aim)
        better = (cost < best_cost[live] - 1e-9) | (turn == 0)
        gained = best_cost[live] - cost
        damp[live] = np.where(better, np.maximum(damp[live] * 0.3, 1e-9), damp[live] * 6.0)
        won = live[better]
        best_cost[won], best_at[won] = cost[better], trial[won]
        best_linear[won], best_products[won] = linear[better], products[better]
        # A step that hardly changes the cost, for better or worse, is the last: shorter ones change it less.
        live = live[np.abs(gained) >= 1e-6 * np.maximum(cost, 1.0)]
        if not len(live):
            break
        normal, gradient = fits.normal(live, best_products[live], best_linear[live], fits.noise[live])
        normal[:, whole, whole] += damp[live, None] * (normal[:, whole, whole] + 1e-12)
        steps = np.linalg.solve(normal, gradient[:, :, None])[:, -k:, 0]
        trial[live] = np.clip(best_at[live] + np.clip(steps, -0.7, 0.7), fits.low[live], fits.high[live])
    return _report(fits, best_at, best_linear, best_products)


def _report(fits: _Fits, at: np.ndarray, linear: np.ndarray, products: np.ndarray) -> list[Decay | None]:
    every, size, k = np.arange(len(at)), linear.shape[1], at.shape[1]
    made = (fits.columns(every, at)[:, :, :size] @ linear[:, :, None])[:, :, 0]
    residuals = [(fits.value[i] - made[i])[: len(item.time)] for i, item in enumerate(fits.series)]
    slow = np.array([
        slow_spread(residual, item.value, item.resolution, size + k)[1]
        for residual, item in zip(residuals, fits.series, strict=True)
    ])
    normal, _ = fits.normal(every, products, linear, slow)
    found: list[Decay | None] = []
    for i, (matrix, residual) in enumerate(zip(normal, residuals, strict=True)):
        try:
            variance = np.diag(np.linalg.inv(matrix))
        except np.linalg.LinAlgError:
            found.append(None)
            continue
        if not np.all(np.isfinite(variance)) or variance[0] < 0:
            found.append(None)
            continue
        constant = np.exp(at[i])
        order = np.argsort(constant)
        power = float(residual @ residual)
        lag1 = float(residual[1:] @ residual[:-1]) / power if power > 0 else 0.0
        constant_u = constant * np.sqrt(np.maximum(variance[-k:], 0.0))
        found.append(Decay(
            float(linear[i, 0] + fits.mean[i]), float(variance[0] ** 0.5), constant[order], constant_u[order],
            linear[i, -k:][order], lag1, power, float(slow[i]), len(residual)))  # fmt: skip
    return found
