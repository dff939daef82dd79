"""Clock steps inside a stretch: where the clock was set, to one reading.

A clock that is set leaves an odd distance between two stamps, which is also what a lost reading or a pause leaves. Each
odd distance is therefore a question: did time pass there, or was the clock set? The values answer it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from phasewright.logs.clocks.fit import ClockFit
from phasewright.logs.clocks.integral import Integral

LEAST_STEP = 0.12
"""Smaller clock steps are not looked for [s]: jitter and clock rates that change with temperature move as much."""
_MOST_JUMPS = 120
_LEAST_READINGS = 6
_TELLING = 700
"""Readings with the greatest changes that the search looks at."""
_DRIFTS = (0.0, -60.0, 60.0, -120.0, 120.0, -180.0, 180.0)


@dataclass(frozen=True, slots=True)
class ClockStep:
    """The clock was set by `size` [s] just before the reading `index`; `offset` [s] held before, with `drift` [ppm]."""

    index: int
    size: float
    offset: float
    drift: float


def looks_set(fit: ClockFit, count: int, distance: np.ndarray) -> bool:
    """Whether anything hints that the clock was set among the `count` readings that `fit` was given.

    Either a lasting part of the readings asks for another offset, or is not explained at all, or lies off the record.
    `distance` are the distances between the stamps [s]: without an odd one there is nothing to look for.
    """
    if not len(odd_distances(distance, float(np.median(distance)))):
        return False
    if count - len(fit.used) > max(10, 0.03 * count):
        return True
    push = fit.innovation * 5.0 / (4.0 + fit.innovation**2) * fit.leverage
    hold = fit.leverage**2
    blocks = max(2, min(16, len(push) // 40))
    at = np.linspace(0, len(push), blocks + 1).astype(int)
    p, h = (np.add.reduceat(x, at[:-1]) for x in (push, hold))
    size = np.add.reduceat(np.abs(fit.innovation), at[:-1]) / np.diff(at)
    asked = p / np.maximum(h, 1e-12)
    strong = (np.abs(asked) > 0.25 * LEAST_STEP) & (p**2 > 20.0 * h)
    return bool(strong.any() or fit.jitter > 0.3 or np.any(size > 2.5 * np.quantile(size, 0.25)))


def propose_small_steps(fit: ClockFit, stamp: np.ndarray) -> list[ClockStep]:
    """Return the likeliest places of a clock step smaller than the averaging, best first, from a fit's innovations.

    To first order in the offset; the fitted offset and drift, which lean towards a step, are let go again.
    """
    distance = np.diff(stamp)
    period = float(np.median(distance))
    weight = 5.0 / (4.0 + fit.innovation**2)
    time = stamp[fit.used] - float(np.mean(stamp[fit.used]))
    hold = weight * fit.leverage**2
    push = weight * fit.leverage * fit.innovation

    def after(x: np.ndarray) -> np.ndarray:
        return np.append(np.cumsum(x[::-1])[::-1], 0.0)

    a, b, p = after(hold), after(hold * time), after(push)
    whole = np.array([[a[0], b[0]], [b[0], float(hold @ time**2)]]) + 1e-12 * np.eye(2)
    inverse = np.linalg.inv(whole)
    lean = inverse @ np.array([p[0], float(push @ time)])
    found = []
    for k in odd_distances(distance, period):
        cut = int(np.searchsorted(fit.used, k + 1))
        column = np.array([a[cut], b[cut]])
        own = a[cut] - float(column @ inverse @ column)
        asked = p[cut] - float(column @ lean)
        if own <= 0:
            continue
        for size in _sizes(float(distance[k]), period, ()):
            gain = -2.0 * size * asked - size**2 * own
            shift = (column @ inverse) * size
            before = fit.offset + float(shift[0])
            found.append((gain, ClockStep(int(k) + 1, size, before, fit.drift + float(shift[1]) * 1e6)))
    found.sort(key=lambda item: -item[0])
    return [step for gain, step in found[:2] if gain > 25.0]


def stamp_cost(stamp: np.ndarray, index: int, size: float) -> float:
    """Return how unlikely the stamps make a clock step of `size` [s] just before reading `index`, in powers of e.

    What is left of the distance without the step should be a whole number of periods, best one; at most 20, as a logger
    may have rested.
    """
    distance = np.diff(stamp)
    period = float(np.median(distance))
    spread = max(1.4826 * float(np.median(np.abs(distance - period))), 0.02)
    passed = float(distance[index - 1]) - size
    whole = max(1.0, float(np.rint(passed / period)))
    return min(0.5 * ((passed - whole * period) / spread) ** 2 + 4.0 * min(whole - 1.0, 2.0), 20.0)


def matching_places(
    stamp: np.ndarray, size: float, before: np.ndarray, after: np.ndarray
) -> list[int]:
    """Return the indices where the stamps show a clock step of about `size` [s], the best explained first.

    `before` and `after` (n,) are the costs of each reading under the offsets before and after the step.
    """
    distance = np.diff(stamp)
    period = float(np.median(distance))
    spread = 1.4826 * float(np.median(np.abs(distance - period)))
    reach = max(0.08, 4.0 * spread)
    left = np.concatenate([[0.0], np.cumsum(before)])
    right = np.concatenate([[0.0], np.cumsum(after)])
    found = []
    for k in odd_distances(distance, period):
        passed = distance[k] - size
        if abs(passed - max(1.0, float(np.rint(passed / period))) * period) < reach:
            found.append((float(left[k + 1] + right[-1] - right[k + 1]), int(k) + 1))
    return [k for _, k in sorted(found)]


def propose_steps(
    reference: Integral, stamp: np.ndarray, value: np.ndarray, averaging: float, offsets: Sequence[float], pivot: float,
    gain: float,
) -> list[ClockStep]:
    """Return the likeliest places and sizes of one clock step, best first.

    `stamp` (n,) are the ends of the readings [s] on their own clock, `offsets` the candidates of the coarse search, one
    of which holds for some part of the record (at `pivot` [s]).
    """
    distance = np.diff(stamp)
    period = float(np.median(distance))
    apart = sorted({round(abs(a - b), 2) for a in offsets for b in offsets if a != b})
    jumps = [(int(k), _sizes(float(distance[k]), period, apart)) for k in odd_distances(distance, period)]
    telling = _telling(value)
    best: dict[int, tuple[float, ClockStep]] = {}
    for drift in _DRIFTS if len(stamp) * period > 600.0 else (0.0,):
        own = pivot + (stamp - pivot) * (1.0 + drift * 1e-6)
        costs = _Costs(reference, own, value, averaging, telling, typical_change(value), gain)
        for k, sizes in jumps:
            cut = int(np.searchsorted(telling, k + 1))
            if not _LEAST_READINGS <= k + 1 <= len(stamp) - _LEAST_READINGS:
                continue
            for size in sizes:
                for c in offsets:
                    for before, after in ((c, c - size), (c + size, c)):
                        left, right = costs.running(before), costs.running(after)
                        total = float(left[cut] + right[-1] - right[cut])
                        if k not in best or total < best[k][0]:
                            best[k] = (total, ClockStep(k + 1, size, before, drift))
    order = sorted(best.values(), key=lambda item: item[0])
    return [step for _, step in order[:3]]


@dataclass(frozen=True, slots=True, eq=False)
class _Costs:
    """Running cost of explaining the telling readings with an offset, worked out once for each offset."""

    reference: Integral
    stamp: np.ndarray
    value: np.ndarray
    averaging: float
    telling: np.ndarray
    scale: float
    gain: float
    known: dict[int, np.ndarray] = field(default_factory=dict)

    def running(self, offset: float) -> np.ndarray:
        """Return the cost of the telling readings before each of them, (m + 1,)."""
        key = int(round(offset / 0.04))
        if key not in self.known:
            cost = mismatch(
                self.reference, self.stamp, self.value, self.averaging, 0.04 * key, self.telling, self.scale,
                self.gain)
            self.known[key] = np.concatenate([[0.0], np.cumsum(cost)])
        return self.known[key]


def _telling(value: np.ndarray) -> np.ndarray:
    """Indices of the readings that differ most from the one before, in order."""
    change = np.abs(np.diff(value, prepend=np.nan))
    change[~np.isfinite(change)] = -1.0
    return np.sort(np.argsort(change)[::-1][:_TELLING])


def odd_distances(distance: np.ndarray, period: float) -> np.ndarray:
    """Return the indices of the distances between stamps [s] that are no usual period, at most 120."""
    spread = 1.4826 * float(np.median(np.abs(distance - period)))
    odd = np.flatnonzero(np.abs(distance - period) > max(LEAST_STEP, 3.5 * spread))
    if len(odd) > _MOST_JUMPS:
        # Lost readings leave whole periods; what is no whole period, and what is longest, is oddest.
        part = np.abs(distance[odd] - np.rint(distance[odd] / period) * period)
        odd = odd[np.argsort(-(part / period + 1e-3 * distance[odd] / period))[:_MOST_JUMPS]]
    return odd


def _sizes(distance: float, period: float, apart: Sequence[float]) -> tuple[float, ...]:
    """Sizes by which the clock may have been set at an odd distance [s]."""
    whole = max(1.0, float(np.rint(distance / period)))
    options = {round(distance - period, 2), round(distance - whole * period, 2)}
    options |= {d for d in apart if d < distance - 0.5 * period}
    return tuple(size for size in options if abs(size) >= LEAST_STEP)


def mismatch(
    reference: Integral, stamp: np.ndarray, value: np.ndarray, averaging: float, offset: float, rows: np.ndarray,
    scale: float, gain: float,
) -> np.ndarray:
    """Return how badly the change to each reading of `rows` from the one before is explained, with `offset` [s].

    In units of negative log likelihood (Cauchy, `scale`); a reading off the record is explained not at all. `gain` is
    what the reference's scaled values are to be multiplied with.
    """
    rows = np.asarray(rows)
    width = max(averaging, reference.period, 1e-3)
    end = np.concatenate([stamp[rows], stamp[np.maximum(rows - 1, 0)]]) + offset
    mean, share = reference.means(end - width, end)
    here, before = np.split(mean, 2)
    plain = np.abs(value[rows] - value[np.maximum(rows - 1, 0)])
    known = (np.minimum(*np.split(share, 2)) > 0.9) & np.isfinite(plain)
    plain = np.nan_to_num(plain)
    change = np.abs(np.nan_to_num(value[rows] - value[np.maximum(rows - 1, 0)]) - gain * (here - before))
    known &= np.isfinite(change)
    rest = np.where(known, change, plain)
    # A bounded cost: a spike costs no more than a few badly explained readings.
    return np.log1p((rest / max(scale, 1e-12)) ** 2)


def gain_between(reference: Integral, value: np.ndarray) -> float:
    """Return the gain from the reference's scaled values to the readings `value` of a whole log.

    Both have the same cause, so their spreads give the gain wherever the clocks stand. Of a part of the log they would
    not: its spread is another.
    """
    return float(np.nanstd(value)) / max(reference.spread, 1e-12)


def typical_change(value: np.ndarray) -> float:
    """Return the change from one reading to the next that noise and small fluctuations make: the scale of the costs."""
    change = np.abs(np.diff(value[np.isfinite(value)]))
    quiet = float(np.quantile(change, 0.3)) if len(change) else 0.0
    return max(quiet, 0.02 * float(np.nanstd(value)), 1e-9)
