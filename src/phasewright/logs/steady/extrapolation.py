"""Where an unsettled temperature would settle, given only where the record allows to say so.

A one-exponential fit is confidently wrong when there are two time constants. So a settled value is given only when the
residuals are clean, one and two exponentials agree, and the record is at least twice as long as the longest time
constant; what the two fits differ by stands in the uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phasewright.logs.steady.decays import Decay, fit_side_by_side
from phasewright.logs.steady.series import Series
from phasewright.quantity import coverage_factor

MISFIT = 0.015
"""Share of a transient's swing that no exponential may explain; it stands in the uncertainty of a settled value."""
_STARTS = (0.0, 0.15, 0.3, 0.45)
_CLEAN = 0.3
_LENGTHS = 2.0


def settled_values(every: Sequence[Series | None]) -> list[tuple[float, float] | None]:
    """Return for each series its settled value and standard uncertainty, or None where its record does not allow it.

    The fits of all of them go side by side: the first start of each whose single exponential will do is looked into,
    then the next of those that it did not settle.
    """
    found: list[tuple[float, float] | None] = [None] * len(every)
    tries: list[tuple[int, Series, float]] = []
    for index, series in enumerate(every):
        if series is None or len(series.time) < 40:
            continue
        whole = float(series.time[-1] - series.time[0])
        for share in _STARTS:
            pick = series.time >= series.time[0] + share * whole
            part = Series(series.time[pick], series.value[pick], series.load[pick], series.spread, series.gain,
                          series.resolution)
            tries.append((index, part, whole * (1.0 - share)))
    single = fit_side_by_side([part for _, part, _ in tries], [(0.3 * length,) for _, _, length in tries])
    waiting: dict[int, list[tuple[Series, float, Decay]]] = {}
    for (index, part, length), one in zip(tries, single, strict=True):
        if one is not None and one.lag1 <= _CLEAN + 1.0 / one.count**0.5 and not _too_long(one, length):
            waiting.setdefault(index, []).append((part, length, one))
    while waiting:
        turn = [(index, *left.pop(0)) for index, left in waiting.items()]
        for (index, _, _, _), value in zip(turn, _judge([item[1:] for item in turn]), strict=True):
            series = every[index]
            if value is not None and series is not None:
                found[index] = (value[0], float(np.hypot(value[1], _wander(series))))
        waiting = {index: left for index, left in waiting.items() if left and found[index] is None}
    return found


def _wander(series: Series) -> float:
    """Return what the load's slow wander may have moved the temperature by [K]: only this step tells its level."""
    return series.gain * float(np.std(series.load[:, -1])) if series.load.shape[1] else 0.0


def _judge(fitted: Sequence[tuple[Series, float, Decay]]) -> list[tuple[float, float] | None]:
    """Return what each (series, length [s], single exponential) settles at, where a second constant may hide as well."""
    owners, pairs = [], []
    for series, length, one in fitted:
        # A second constant may hide beside the first: every one that the readings do not rule out has its say.
        start = float(one.constant[0])
        for second in np.geomspace(0.1 * start, 3.0 * length, 9).tolist():
            owners.append(series)
            pairs.append((min(start, 0.7 * second) if second > start else start, second))
    double = fit_side_by_side(owners, pairs, held=True)
    return [
        _weighed([one, *(fit for fit in double[9 * i : 9 * i + 9] if fit is not None)])
        for i, (_, _, one) in enumerate(fitted)
    ]


def _weighed(fits: Sequence[Decay]) -> tuple[float, float] | None:
    """Return the settled value and its standard uncertainty that the fits give, the single exponential first."""
    one = fits[0]
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
