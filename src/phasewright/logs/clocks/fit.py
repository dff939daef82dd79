"""Fine fit of one clock against another: offset, drift, averaging time, and a bent gain between the two channels.

The slower channel is modelled as interval means of the faster one, integrated exactly. The loss between the two
channels may bend: means of the fast channel and of its square both enter, so that a curved loss cannot lean on the
offset. The residuals' memory is taken out by an autoregression that is fitted with them, and each reading is weighted
by what noise and stamp scatter allow it to say; heavy tails (Student's t with 4 degrees) keep spikes from pulling.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.clocks.integral import Integral

_TAIL = 4.0
_ORDER = 3
_JITTERS = (0.0, 0.006, 0.025, 0.1, 0.4)
_SHARE = 0.95
_LAGS = (1.5, 6.0)
"""Losses follow the parts' temperature, which follows the load within seconds (stages) to many seconds [s]; common
practice, no source."""
_WARMS = 0.01
"""Standard share of the gain that such a lag may carry [1]; common practice, no source."""
_WANDERS = 0.1
"""Standard change of the gain between the two channels over half a record [1]: other phase counts lose more."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """The slower channel: `stamp` (n,) [s] on its own clock, `value` (n,); the averaging ends `shift` averaging lengths
    after the stamp."""

    stamp: np.ndarray
    value: np.ndarray
    shift: float
    period: float


@dataclass(frozen=True, slots=True, eq=False)
class ClockFit:
    """What the fit found. Fast-clock seconds = t + offset + drift*1e-6*(t - pivot) for slow-clock seconds t."""

    offset: float
    offset_u: float
    drift: float
    drift_u: float
    averaging: float
    averaging_u: float | None
    pivot: float
    gain: float
    noise: float
    """Spread of one innovation [unit of the slow channel]."""
    jitter: float
    """Spread of the stamps that the edges show [s]."""
    count: int
    informative: float
    """Number of readings that effectively carry the offset."""
    cost: float
    """Negative log likelihood; comparable between fits over the same readings."""
    used: np.ndarray
    """Indices of the readings that were compared."""
    innovation: np.ndarray
    """Scaled innovations of those readings."""
    leverage: np.ndarray
    """Change of those scaled innovations with the offset [1/s]."""


def fit_clock(
    fast: Integral,
    slow: Readings,
    *,
    offset: float,
    drift: float,
    averaging: float,
    pivot: float,
    fit_drift: bool = True,
    fit_averaging: bool = False,
    scan: float = 0.0,
) -> ClockFit | None:
    """Return the fitted clock, or None when too few readings lie inside the record of `fast`.

    `offset` [s] and `drift` [ppm] start the search, which first scans `scan` [s] to both sides. `averaging` [s] is held
    unless `fit_averaging`.
    """
    problem = _Problem(fast, slow, pivot)
    theta = np.array([offset, drift, averaging], dtype=float)
    if scan > 0:
        theta = problem.scan(theta, scan)
    free = [0] + [1] * fit_drift + [2] * fit_averaging
    if problem.select(theta) < 3 * (len(free) + 3):
        return None
    return problem.solve(theta, free)


class _Problem:
    def __init__(self, fast: Integral, slow: Readings, pivot: float):
        self.fast, self.pivot, self.shift = fast, pivot, slow.shift
        good = np.isfinite(slow.value)
        self.index = np.flatnonzero(good)
        self.stamp, raw = slow.stamp[good], slow.value[good]
        self.centre = float(np.mean(raw)) if len(raw) else 0.0
        self.unit = float(np.std(raw)) if len(raw) else 1.0
        self.unit = self.unit if self.unit > 0 else 1.0
        self.value = (raw - self.centre) / self.unit
        self.rows = np.zeros(0, dtype=int)
        self.extra, self.tied = np.zeros((0, 0)), np.zeros(0)
        self.lagged = [fast.behind(constant) for constant in _LAGS]
        self.least = max(fast.period, 1e-3)

    def columns(self, theta: np.ndarray, rows: np.ndarray | None = None) -> tuple[np.ndarray, ...]:
        """Means of the fast channel and of its square for each reading, and the share on record."""
        return self.fast.means(*self.span(theta, rows), square=True)

    def span(self, theta: np.ndarray, rows: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Start and end of what each reading averages, on the fast clock [s]."""
        stamp = self.stamp if rows is None else self.stamp[rows]
        offset, drift, averaging = theta
        width = max(averaging, self.least)
        end = stamp + self.shift * averaging + 0.5 * (width - averaging)
        end = end + offset + drift * 1e-6 * (end - self.pivot)
        return end - width * (1.0 + drift * 1e-6), end

    def select(self, theta: np.ndarray) -> int:
        """Keep the readings whose interval (and a little around it) is on record; return how many."""
        share = self.columns(theta)[2]
        around = np.array([theta[0], theta[1], theta[2] + 1.0])
        wide = self.columns(around)[2]
        self.rows = np.flatnonzero((share > _SHARE) & (wide > 0.6 * _SHARE))
        self.lay_out(theta)
        return len(self.rows)

    def lay_out(self, theta: np.ndarray) -> None:
        """Columns for what may part the two channels beside a bent gain, and how tightly each is held near 0."""
        start, end = self.span(theta, self.rows)
        if not len(self.rows):
            return
        one = self.fast.means(start, end)[0]
        stamp = self.stamp[self.rows]
        late = (stamp - stamp.mean()) / max(0.5 * float(np.ptp(stamp)), 1e-9)
        warm = [slow.means(start, end)[0] - one for slow in self.lagged]
        columns = [one * late, one * late**2]
        tied = [1.0 / _WANDERS] * 2
        for column in warm:
            columns += [column, column * late]
            tied += [1.0 / _WARMS] * 2
        self.extra, self.tied = np.column_stack(columns), np.array([0.0] * 3 + tied)

    def scan(self, theta: np.ndarray, reach: float) -> np.ndarray:
        """Best start within `reach` [s], by the sum of absolute differences of the residuals."""
        step = max(0.2 * theta[2], 0.1)
        best, best_cost = theta, np.inf
        for move in np.arange(-reach, reach + 0.5 * step, step):
            trial = theta + np.array([move, 0.0, 0.0])
            one, two, share = self.columns(trial)
            good = share > _SHARE
            if good.sum() < 12:
                continue
            design = np.diff(np.column_stack([one[good], two[good]]), axis=0)
            aim = np.diff(self.value[good])
            k = _solve(design.T @ design, design.T @ aim)
            cost = float(np.mean(np.abs(aim - design @ k)))
            if cost < best_cost:
                best, best_cost = trial, cost
        return best

    def system(self, theta: np.ndarray, free: list[int], k: np.ndarray | None) -> tuple[np.ndarray, ...]:
        """Design columns, their derivatives by offset, drift and averaging (as combined with `k`)."""
        rows = self.rows
        one, two, _ = self.columns(theta, rows)
        design = np.column_stack([np.ones(len(rows)), one, two, self.extra])
        if k is None:
            k = np.zeros(design.shape[1])
            first = design[:, :3]
            k[:3] = _solve(first.T @ first, first.T @ self.value[rows])
        small = max(0.04 * theta[2], 0.5 * self.least)
        up, down = theta.copy(), theta.copy()
        up[0] += small
        down[0] -= small
        (u1, u2, _), (d1, d2, _) = self.columns(up, rows), self.columns(down, rows)
        slope = (k[1] * (u1 - d1) + k[2] * (u2 - d2)) / (2 * small)
        parts = []
        for which in free:
            if which == 0:
                parts.append(slope)
            elif which == 1:
                parts.append(slope * 1e-6 * (self.stamp[rows] - self.pivot))
            else:
                wide, thin = theta.copy(), theta.copy()
                wide[2] += small
                thin[2] = max(thin[2] - small, self.least)
                (w1, w2, _), (t1, t2, _) = self.columns(wide, rows), self.columns(thin, rows)
                parts.append((k[1] * (w1 - t1) + k[2] * (w2 - t2)) / max(wide[2] - thin[2], 1e-9))
        return design, np.column_stack(parts), slope, k

    def solve(self, theta: np.ndarray, free: list[int]) -> ClockFit:
        value = self.value[self.rows]
        design, motion, slope, k = self.system(theta, free, None)
        weight = np.ones(len(value))
        memory = np.zeros(_ORDER)
        limit = np.array([0.5 * max(theta[2], 0.5), 300.0, 0.3 * max(theta[2], 0.2)])
        sigma = jitter = 0.0
        for turn in range(24):
            residual = value - design @ k
            if turn < 8 or turn % 4 == 0:
                memory = _memory(residual, weight)
            e, j = _whiten(residual, memory), _whiten(np.column_stack([motion, design]), memory)
            spread = _spread_of(slope, memory)
            if turn in (0, 1, 3, 4, 6, 7) or turn % 4 == 0:
                sigma, jitter = _noise(e, spread)
            variance = sigma**2 + (jitter * spread) ** 2
            weight = (_TAIL + 1) / (_TAIL + e * e / variance) / variance
            root = np.sqrt(weight)
            # What is known beforehand of the gains counts like readings.
            tied = np.concatenate([np.zeros(len(free)), self.tied**2])
            aim = (j * root[:, None]).T @ (e * root)
            aim[len(free) :] -= self.tied**2 * k
            step = _solve((j * weight[:, None]).T @ j + np.diag(tied), aim)
            move = step[: len(free)] * min(1.0, *(limit[free] / np.maximum(np.abs(step[: len(free)]), 1e-30)))
            theta = theta.copy()
            theta[free] += move
            if 2 in free:
                theta[2] = np.clip(theta[2], self.least, 60.0)
            if turn in (2, 5):
                self.select(theta)
                value = self.value[self.rows]
            design, motion, slope, k = self.system(theta, free, None if turn in (2, 5) else k + step[len(free) :])
            if turn in (2, 5):
                weight = np.ones(len(value))
            elif turn > 6 and abs(move[0]) < 2e-5 and (1 not in free or abs(move[free.index(1)]) < 0.02):
                break
        return self.report(theta, free, design, motion, slope, k, memory)

    def report(self, theta, free, design, motion, slope, k, memory) -> ClockFit:
        residual = self.value[self.rows] - design @ k
        e, j = _whiten(residual, memory), _whiten(np.column_stack([motion, design]), memory)
        spread = _spread_of(slope, memory)
        sigma, jitter = _noise(e, spread)
        variance = sigma**2 + (jitter * spread) ** 2
        z = e / np.sqrt(variance)
        weight = (_TAIL + 1) / (_TAIL + z * z) / variance
        # Curvature of the t likelihood and the observed spread of the scores together (sandwich); for few informative
        # readings that is too small, so the curvature alone is the floor.
        curve = (_TAIL + 1) * (_TAIL - z * z) / (_TAIL + z * z) ** 2 / variance
        prior = np.diag(np.concatenate([np.zeros(len(free)), self.tied**2]))
        bread = np.linalg.pinv((j * curve[:, None]).T @ j + prior)
        score = j * (weight * e)[:, None]
        cover = bread @ (score.T @ score + prior) @ bread
        expected = np.linalg.pinv((j * ((_TAIL + 1) / (_TAIL + 3) / variance)[:, None]).T @ j + prior)
        told = _told(j[:, 0] ** 2 / variance)
        spare = max(told - len(free), 1.0)
        inflate = _student(spare) / 1.96
        sand = np.sqrt(np.maximum(np.diag(cover), 0.0)) * (told / spare) ** 0.5
        floor = np.sqrt(np.maximum(np.diag(expected), 0.0))
        u = np.maximum(sand, floor) * inflate * _wider(j, slope, memory, sigma, jitter, expected)
        informative = told
        cost = float(np.sum(0.5 * np.log(variance) + 0.5 * (_TAIL + 1) * np.log1p(z * z / _TAIL)))
        at = {which: position for position, which in enumerate(free)}
        return ClockFit(
            float(theta[0]), float(u[0]), float(theta[1]), float(u[at[1]]) if 1 in at else 0.0,
            float(theta[2]), float(u[at[2]]) if 2 in at else None, self.pivot,
            float((k[1]) * self.unit / self.fast.scale), float(sigma * self.unit), float(jitter), len(self.rows),
            informative, cost, self.index[self.rows], z, j[:, 0] / np.sqrt(variance),
        )


def _solve(normal: np.ndarray, aim: np.ndarray) -> np.ndarray:
    """Solve normal equations, scaled so that every column counts alike; columns that tell nothing get 0."""
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    even = normal / np.outer(scale, scale) + 1e-12 * np.eye(len(scale))
    return np.linalg.solve(even, aim / scale) / scale


def _told(power: np.ndarray) -> float:
    """How many readings effectively carry what `power` (n,) is the information of."""
    return float(power.sum() ** 2 / max(float((power**2).sum()), 1e-300))


def _memory(residual: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Autoregression of the residuals, shrunk until it is stable."""
    n = len(residual)
    past = np.column_stack([residual[_ORDER - i - 1 : n - i - 1] for i in range(_ORDER)])
    w = weight[_ORDER:]
    normal = (past * w[:, None]).T @ past
    ridge = 1e-9 * np.trace(normal) + 1e-300
    memory = np.linalg.solve(normal + ridge * np.eye(_ORDER), (past * w[:, None]).T @ residual[_ORDER:])
    roots = np.roots(np.append(1.0, -memory))
    top = float(np.max(np.abs(roots))) if len(roots) else 0.0
    if top > 0.99:
        memory = memory * (0.99 / top) ** np.arange(1, _ORDER + 1)
    return memory


def _whiten(column: np.ndarray, memory: np.ndarray) -> np.ndarray:
    """Take out of each row what the rows before tell of it; the first rows get what is there."""
    out = np.array(column, dtype=float)
    for i, m in enumerate(memory, start=1):
        out[i:] -= m * column[:-i]
    # The first rows lack their past: they only say as much as their level, which the memory makes nearly nothing.
    out[: len(memory)] = 0.0
    return out


def _wider(
    j: np.ndarray, slope: np.ndarray, memory: np.ndarray, sigma: float, jitter: float, bread: np.ndarray
) -> np.ndarray:
    """Return by what factor stamp errors widen the uncertainty of each parameter beyond what independent innovations say.

    The error of one stamp shows in its own innovation and, by the memory, in those that follow; with an edge it does so
    in step with the derivatives there, so that the scores of one edge add up and do not average out.
    """
    if not jitter:
        return np.ones(j.shape[1])
    spread = _spread_of(slope, memory)
    weight = 1.0 / (sigma**2 + (jitter * spread) ** 2)
    pull = j * weight[:, None]
    along = pull.copy()
    for i, m in enumerate(memory, start=1):
        along[:-i] -= m * pull[i:]
    own = pull @ bread
    plain = np.sum(own**2 / weight[:, None], axis=0)
    joint = sigma**2 * np.sum(own**2, axis=0) + jitter**2 * np.sum((slope[:, None] * (along @ bread)) ** 2, axis=0)
    return np.sqrt(np.maximum(joint / np.maximum(plain, 1e-300), 1.0))


def _spread_of(slope: np.ndarray, memory: np.ndarray) -> np.ndarray:
    """How an independent stamp error of 1 s at every reading would show in the innovations."""
    square = slope**2
    out = square.copy()
    for i, m in enumerate(memory, start=1):
        out[i:] += m * m * square[:-i]
    return np.sqrt(out)


def _noise(e: np.ndarray, spread: np.ndarray) -> tuple[float, float]:
    """Noise and stamp scatter that make the innovations likeliest (Student's t)."""
    quiet = spread <= np.median(spread)
    start = 1.4826 * float(np.median(np.abs(e[quiet]))) if quiet.any() else 0.0
    e2, s2 = e * e, spread * spread
    variance, heavy, part = np.empty_like(e2), np.empty_like(e2), np.empty_like(e2)
    tried: dict[float, tuple[float, float]] = {}

    def spread_out(sigma2: float, jitter: float) -> None:
        """Variance of each innovation, and the tail's sum that its weight has below it."""
        np.multiply(s2, jitter**2, out=variance)
        np.add(variance, sigma2, out=variance)
        np.multiply(variance, _TAIL, out=heavy)
        np.add(heavy, e2, out=heavy)

    def cost(jitter: float) -> float:
        # This is where fits of long logs spend their time: same places in memory, as few passes as it takes.
        if jitter not in tried:
            sigma2 = max(start, 1e-6) ** 2
            for _ in range(3):
                spread_out(sigma2, jitter)
                np.multiply(heavy, variance, out=heavy)
                power = float(np.sum(np.divide(e2, heavy, out=part)))
                shares = float(np.sum(np.divide(1.0, variance, out=part)))
                sigma2 = max((_TAIL + 1) * sigma2 * power / shares, 1e-14)
            spread_out(sigma2, jitter)
            tails = 0.5 * (_TAIL + 1) * float(np.sum(np.log(np.divide(heavy, variance, out=part), out=part)))
            total = 0.5 * float(np.sum(np.log(variance, out=part))) + tails
            tried[jitter] = (total, sigma2**0.5)
        return tried[jitter][0]

    best = min(_JITTERS, key=cost)
    for factor in (2.0, 0.5, 1.4, 0.7):
        if best and cost(best * factor) < cost(best):
            best *= factor
    return tried[best][1], best


def _student(dof: float) -> float:
    """97.5 % point of Student's t (Cornish-Fisher expansion; within 1 % from 3 degrees of freedom, Abramowitz and
    Stegun 26.7.5)."""
    x, v = 1.959964, max(dof, 2.0)
    g1 = (x**3 + x) / 4
    g2 = (5 * x**5 + 16 * x**3 + 3 * x) / 96
    g3 = (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384
    g4 = (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160
    return x + g1 / v + g2 / v**2 + g3 / v**3 + g4 / v**4
