"""Where an unsettled temperature would settle, given only where the record allows to say so.

A one-exponential fit is confidently wrong when there are two time constants. So a settled value is given only when the
residuals are clean, one and two exponentials agree, and the record is at least twice as long as the longest time
constant; what the two fits differ by stands in the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.steady.noise import slow_spread
from phasewright.logs.steady.series import Series
from phasewright.quantity import coverage_factor

MISFIT = 0.004
"""Share of a transient's swing that no exponential may explain; it stands in the uncertainty of a settled value."""
_STARTS = (0.0, 0.15, 0.3, 0.45)
_CLEAN = 0.3
_LENGTHS = 2.0


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


def settled_value(series: Series) -> tuple[float, float] | None:
    """Return the settled value and its standard uncertainty, or None where the record does not allow it."""
    if len(series.time) < 40:
        return None
    whole = float(series.time[-1] - series.time[0])
    for share in _STARTS:
        pick = series.time >= series.time[0] + share * whole
        part = Series(series.time[pick], series.value[pick], series.load[pick], series.spread, series.gain,
                      series.resolution)
        found = _judge(part, whole * (1.0 - share))
        if found is not None:
            return found
    return None


def _judge(series: Series, length: float) -> tuple[float, float] | None:
    one = fit_decay(series, (0.3 * length,))
    if one is None or one.lag1 > _CLEAN + 1.0 / one.count**0.5 or _too_long(one, length):
        return None
    # A second constant may hide beside the first: every one that the readings do not rule out has its say.
    start = float(one.constant[0])
    fits = [one]
    for second in np.geomspace(0.1 * start, 3.0 * length, 9):
        fit = fit_decay(series, (min(start, 0.7 * second) if second > start else start, second), held=True)
        if fit is not None:
            fits.append(fit)
    cost = np.array([fit.cost for fit in fits])
    weight = np.exp(-0.5 * (cost - cost.min()) / one.slow**2)
    weight[0] *= len(fits) - 1.0
    weight /= weight.sum()
    level, u = np.array([fit.level for fit in fits]), np.array([fit.level_u for fit in fits])
    mean = float(weight @ level)
    apart = float(weight @ (level - mean) ** 2) ** 0.5
    own = float(weight @ u**2) ** 0.5 * coverage_factor(max(one.count - 4.0, 1.0)) / 1.96
    swing = float(np.abs(one.amplitude).sum())
    if apart > max(2.0 * own, 0.01 * swing) or float(np.hypot(own, apart)) > 0.1 * swing + 0.1:
        return None
    return mean, float((own**2 + apart**2 + (MISFIT * swing) ** 2) ** 0.5)


def _too_long(fit: Decay, length: float) -> bool:
    """Whether the record is less than twice the longest time constant, or that constant is hardly known."""
    return bool(_LENGTHS * fit.constant[-1] > length or fit.constant_u[-1] > 0.5 * fit.constant[-1])


def fit_decay(series: Series, start: tuple[float, ...], *, held: bool = False) -> Decay | None:
    """Return the least-squares fit of as many exponentials as `start` has time constants [s]; None when it fails.

    With `held` the last constant stays where it is.

    Beside them a level and the load's fluctuation, whose gains are held near what is physical. The uncertainties know
    about correlated residuals and the sensor's resolution.
    """
    t = series.time - series.time[0]
    y = series.value
    k = len(start)
    common = np.column_stack([np.ones(len(t)), series.load])
    tied = np.concatenate([[0.0], np.full(series.load.shape[1], 1.0 / max(series.gain, 1e-12))])
    log_constant = np.log(np.asarray(start, dtype=float))
    low, high = np.log(2.0 * float(np.median(np.diff(t)))), np.log(20.0 * float(t[-1]))
    noise = max(float(np.std(np.diff(y))) / 2**0.5, series.resolution / 12**0.5, 1e-4)
    damp, best = 1e-3, None
    for _ in range(40):
        constant = np.exp(log_constant)
        shape = np.exp(-t[:, None] / constant)
        full = np.column_stack([common, shape])
        penalty = np.diag(np.concatenate([tied, np.full(k, 1.0 / (3.0 * series.spread))]) ** 2)
        linear = np.linalg.solve(full.T @ full / noise**2 + penalty, full.T @ y / noise**2)
        residual = y - full @ linear
        cost = float(residual @ residual) / noise**2 + float(linear @ penalty @ linear)
        if best is None or cost < best[0] - 1e-9:
            gained = np.inf if best is None else best[0] - cost
            best = (cost, log_constant, linear, residual, full)
            damp = max(damp * 0.3, 1e-9)
            if gained < 1e-6 * max(cost, 1.0):
                break
        else:
            damp *= 6.0
            if damp > 1e6:
                break
        _, at, linear, residual, full = best
        constant = np.exp(at)
        motion = full[:, -k:] * linear[-k:] * t[:, None] / constant
        jacobian = np.column_stack([full, motion]) / noise
        normal = jacobian.T @ jacobian
        normal[: len(linear), : len(linear)] += penalty
        gradient = jacobian.T @ (residual / noise)
        gradient[: len(linear)] -= penalty @ linear
        if held:
            normal[-1, :] = normal[:, -1] = 0.0
            normal[-1, -1], gradient[-1] = 1.0, 0.0
        step = np.linalg.solve(normal + damp * np.diag(np.diag(normal) + 1e-12), gradient)[-k:]
        log_constant = np.clip(at + np.clip(step, -0.7, 0.7), low, high)
    return _report(series, best, k, penalty, held)


def _report(series: Series, best: tuple, k: int, penalty: np.ndarray, held: bool) -> Decay | None:
    _, at, linear, residual, full = best
    t = series.time - series.time[0]
    constant = np.exp(at)
    spread, slow = slow_spread(residual, series.value, series.resolution, full.shape[1] + k)
    motion = full[:, -k:] * linear[-k:] * t[:, None] / constant
    jacobian = np.column_stack([full, motion]) / slow
    normal = jacobian.T @ jacobian
    normal[: len(linear), : len(linear)] += penalty
    if held:
        normal[-1, :] = normal[:, -1] = 0.0
        normal[-1, -1] = 1.0
    try:
        cover = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return None
    variance = np.diag(cover)
    if not np.all(np.isfinite(variance)) or variance[0] < 0:
        return None
    order = np.argsort(constant)
    power = float(residual @ residual)
    lag1 = float(residual[1:] @ residual[:-1]) / power if power > 0 else 0.0
    constant_u = constant * np.sqrt(np.maximum(variance[-k:], 0.0))
    return Decay(float(linear[0]), float(variance[0] ** 0.5), constant[order], constant_u[order], linear[-k:][order],
                 lag1, power, slow, len(t))
