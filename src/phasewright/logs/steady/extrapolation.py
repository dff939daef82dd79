"""Where an unsettled temperature would settle, given only where the record allows to say so.

A one-exponential fit is confidently wrong when there are two time constants. So a settled value is given only when the
residuals are clean, one and two exponentials agree, and the record is at least twice as long as the longest time
constant; what the two fits differ by stands in the uncertainty.
"""

from __future__ import annotations

import numpy as np

from phasewright.logs.steady.decays import Decay, fit_decays
from phasewright.logs.steady.series import Series
from phasewright.quantity import coverage_factor

MISFIT = 0.015
"""Share of a transient's swing that no exponential may explain; it stands in the uncertainty of a settled value."""
_STARTS = (0.0, 0.15, 0.3, 0.45)
_CLEAN = 0.3
_LENGTHS = 2.0


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
            return found[0], float(np.hypot(found[1], _wander(series)))
    return None


def _wander(series: Series) -> float:
    """Return what the load's slow wander may have moved the temperature by [K]: only this step tells its level."""
    return series.gain * float(np.std(series.load[:, -1])) if series.load.shape[1] else 0.0


def _judge(series: Series, length: float) -> tuple[float, float] | None:
    one = fit_decays(series, [(0.3 * length,)])[0]
    if one is None or one.lag1 > _CLEAN + 1.0 / one.count**0.5 or _too_long(one, length):
        return None
    # A second constant may hide beside the first: every one that the readings do not rule out has its say.
    start = float(one.constant[0])
    seconds = np.geomspace(0.1 * start, 3.0 * length, 9)
    pairs = [(min(start, 0.7 * second) if second > start else start, second) for second in seconds.tolist()]
    fits = [one, *(fit for fit in fit_decays(series, pairs, held=True) if fit is not None)]
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
