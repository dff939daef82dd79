"""The search behind `fit_least_squares`: scaling, derivatives, bounds, other starts, the last digits."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

_AT_BOUND = 1e-7  # of the scale: closer than this counts as on the bound
_ORTHOGONAL = 1e-5  # cosine between residuals and slopes below which a point is a minimum
_OTHER_STARTS = 16


@dataclass(frozen=True, slots=True)
class Task:
    """A fit in scaled parameters, q = p / scale; bounds in p; all arrays of shape (p,)."""

    function: Callable[[np.ndarray], np.ndarray]
    slopes: Callable[[np.ndarray], np.ndarray] | None
    scale: np.ndarray
    floor: np.ndarray
    ceiling: np.ndarray
    bend: float = math.inf
    """Residuals far above it count by their size instead of their square (soft-L1)."""
    least: float = 1e-3
    """Size of q below which a parameter counts as near 0; 1 once the scale is that of the solution."""

    @property
    def low(self) -> np.ndarray:
        """Return the lower bounds in scaled parameters."""
        return self.floor / self.scale

    @property
    def high(self) -> np.ndarray:
        """Return the upper bounds in scaled parameters."""
        return self.ceiling / self.scale

    def parameters(self, q: np.ndarray) -> np.ndarray:
        """Return p, never beyond a bound by rounding."""
        return np.clip(q * self.scale, self.floor, self.ceiling)

    def raw(self, q: np.ndarray) -> np.ndarray:
        """Return the residuals as the caller gave them, shape (m,)."""
        # A trial step may overflow the model; what is not finite is refused by the search, not by a warning.
        with np.errstate(all="ignore"):
            return np.asarray(self.function(self.parameters(q)), dtype=float)

    def residuals(self, q: np.ndarray) -> np.ndarray:
        """Return residuals whose sum of squares is the loss: soft-L1 is a sum of squares too, of bent residuals."""
        r = self.raw(q)
        if math.isinf(self.bend):
            return r
        with np.errstate(all="ignore"):
            return r * np.sqrt(2.0 / (1.0 + np.sqrt(1.0 + (r / self.bend) ** 2)))

    def cost(self, q: np.ndarray) -> float:
        """Return the sum of squares, inf where the model cannot be computed."""
        r = self.residuals(q)
        with np.errstate(all="ignore"):
            total = float(r @ r)
        return total if math.isfinite(total) else math.inf

    def jacobian(self, q: np.ndarray) -> np.ndarray:
        """Return the derivative of the residuals, shape (m, p), to about 11 digits (one-sided at a bound: about 7)."""
        if self.slopes is None:
            return np.stack([self._column(q, k) for k in range(len(q))], axis=1)
        with np.errstate(all="ignore"):
            table = np.asarray(self.slopes(self.parameters(q)), dtype=float) * self.scale
        if math.isinf(self.bend):
            return table
        root = np.sqrt(1.0 + (self.raw(q) / self.bend) ** 2)
        return table * (np.sqrt(0.5 * (1.0 + root)) / root)[:, None]

    def _column(self, q: np.ndarray, k: int) -> np.ndarray:
        step = 1e-3 * max(abs(q[k]), self.least)
        step = min(step, 0.5 * max(self.high[k] - q[k], q[k] - self.low[k]))

        def at(shift: float) -> np.ndarray:
            moved = q.copy()
            moved[k] += shift * step
            return self.residuals(moved)

        if q[k] - step < self.low[k] or q[k] + step > self.high[k]:
            side = 1.0 if q[k] + step <= self.high[k] else -1.0
            return side * (4.0 * at(0.5 * side) - at(side) - 3.0 * at(0.0)) / step
        # Three chords, extrapolated to zero width (error of sixth order).
        wide, middle, narrow = at(1.0) - at(-1.0), at(0.5) - at(-0.5), at(0.25) - at(-0.25)
        return (0.5 * wide - 20.0 * middle + 128.0 * narrow) / (45.0 * step)

    def held(self, q: np.ndarray, gradient: np.ndarray) -> np.ndarray:
        """Return which parameters stand on a bound that the data push against, shape (p,)."""
        near = _AT_BOUND * np.maximum(1.0, np.abs(q))
        return ((q - self.low <= near) & (gradient > 0.0)) | ((self.high - q <= near) & (gradient < 0.0))

    def rescaled(self, q: np.ndarray) -> tuple[Task, np.ndarray]:
        """Return the task in the scale of its solution `q`, and the solution in it."""
        r, table = self.residuals(q), self.jacobian(q)
        norms = np.sqrt(np.sum(table**2, axis=0))
        rms = math.sqrt(float(r @ r) / max(1, len(r) - len(q)))
        # What a parameter can move before the fit gets worse; the scale of one whose value is near 0.
        reach = np.where(norms > 0.0, 10.0 * rms / np.where(norms > 0.0, norms, 1.0), 1.0)
        size = np.maximum(np.abs(q), np.clip(reach, 1e-9, 1.0))
        return replace(self, scale=self.scale * size, least=1.0), q / size


def solve(task: Task, q: np.ndarray) -> tuple[Task, np.ndarray, str]:
    """Return the task in the scale of its solution, the solution, and '' or why it is no minimum."""
    best = _attempt(task, q, "trf")
    unbounded = bool(np.all(np.isinf(task.low)) and np.all(np.isinf(task.high)))
    if best[2] and unbounded and len(task.residuals(q)) >= len(q):
        best = _better(best, _attempt(task, q, "lm"))
    if best[2]:
        for other in _other_starts(task, q):
            if math.isfinite(task.cost(other)):
                best = _better(best, _attempt(task, other, "trf"))
            if not best[2]:
                break
    return best


def _better(one: tuple[Task, np.ndarray, str], other: tuple[Task, np.ndarray, str]) -> tuple[Task, np.ndarray, str]:
    """Return the attempt with the lesser cost; of two equal ones the one that did not stall."""
    mine, theirs = one[0].cost(one[1]), other[0].cost(other[1])
    if theirs < mine * (1.0 - 1e-6) or (theirs <= mine * (1.0 + 1e-6) and one[2] and not other[2]):
        return other
    return one


def _attempt(task: Task, q: np.ndarray, method: str) -> tuple[Task, np.ndarray, str]:
    from scipy.optimize import least_squares

    bounds = (task.low, task.high) if method == "trf" else (-np.inf, np.inf)
    try:
        with np.errstate(all="ignore"):
            found = least_squares(
                task.residuals,
                q,
                jac="2-point" if task.slopes is None else task.jacobian,
                bounds=bounds,
                method=method,
                x_scale="jac",
                ftol=1e-12,
                xtol=1e-12,
                gtol=1e-12,
                max_nfev=200 * (len(q) + 1),
            )
    except (ValueError, np.linalg.LinAlgError) as error:  # the model could not be computed beside a point
        return task, q, f"the search broke off: {error}"
    point = np.clip(found.x, task.low, task.high)
    fine, point = task.rescaled(point)
    point = _polish(fine, point)
    return fine, point, _stalled(fine, point)


def _polish(task: Task, q: np.ndarray) -> np.ndarray:
    """Return `q` after Gauss-Newton steps with accurate derivatives: the search stops at about 6 digits."""
    last = math.inf
    for _ in range(30):
        r, table = task.residuals(q), task.jacobian(q)
        if not np.all(np.isfinite(table)) or not np.all(np.isfinite(r)):
            return q
        q, free = _on_bounds(task, q, table.T @ r)
        step = np.zeros(len(q))
        step[free] = _newton_step(table[:, free], r)
        cost, gain = float(r @ r), float(np.sum((table @ step) ** 2))
        if gain <= 1e-24 * cost or (gain <= 1e-12 * cost and gain > 0.5 * last):
            return np.clip(q + step, task.low, task.high)  # at the end, or in the rounding of the residuals
        last = gain
        for part in (1.0, 0.5, 0.1, 0.01):
            trial = np.clip(q + part * step, task.low, task.high)
            if task.cost(trial) <= cost * (1.0 + 1e-9):
                break
        else:
            return q
        q = trial
    return q


def _newton_step(table: np.ndarray, r: np.ndarray) -> np.ndarray:
    norms = np.sqrt(np.sum(table**2, axis=0))
    norms = np.where(norms > 0.0, norms, 1.0)
    return -np.linalg.lstsq(table / norms, r, rcond=1e-11)[0] / norms


def _on_bounds(task: Task, q: np.ndarray, gradient: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return `q` with held parameters exactly on their bound, and which are free."""
    held = task.held(q, gradient)
    near = np.where(q - task.low <= task.high - q, task.low, task.high)
    return np.where(held, near, q), ~held


def _stalled(task: Task, q: np.ndarray) -> str:
    """Return '' at a minimum (residuals orthogonal to all free slopes, all directions decided), else what is wrong."""
    r, table = task.residuals(q), task.jacobian(q)
    if not np.all(np.isfinite(table)) or not np.all(np.isfinite(r)):
        return "the model cannot be computed next to the best point"
    free = ~task.held(q, table.T @ r)
    norms = np.sqrt(np.sum(table**2, axis=0))
    size = math.sqrt(float(r @ r))
    if size <= 1e-10 * float(np.max(norms * np.abs(q), initial=0.0)):
        return ""  # an exact fit has no direction left to be orthogonal to
    cosines = np.abs(table.T @ r) / (np.where(norms > 0.0, norms, 1.0) * size)
    if np.any(cosines[free] > _ORTHOGONAL):
        return f"the best point found is no minimum (residuals and slopes are {np.max(cosines[free]):.2g} aligned)"
    if np.any(norms[free] == 0.0):
        return "a parameter has no effect at the best point found"
    return ""


def _other_starts(task: Task, q: np.ndarray) -> Iterator[np.ndarray]:
    """Yield other starts, always the same: within the bounds if both are given, else up to 1.5 decades either way."""
    # Additive recurrence with the powers of the generalised golden ratio: even cover in any number of dimensions.
    golden = 2.0
    for _ in range(60):
        golden = (1.0 + golden) ** (1.0 / (len(q) + 1.0))
    steps = golden ** -np.arange(1.0, len(q) + 1.0)
    boxed = np.isfinite(task.low) & np.isfinite(task.high)
    for k in range(1, _OTHER_STARTS + 1):
        share = (0.5 + k * steps) % 1.0
        decades = 0.5 if k <= 5 else 1.5
        moved = np.where(q != 0.0, q, 1.0) * 10.0 ** (decades * (2.0 * share - 1.0))
        floor, ceiling = np.where(boxed, task.low, 0.0), np.where(boxed, task.high, 0.0)
        yield np.clip(np.where(boxed, floor + (ceiling - floor) * share, moved), task.low, task.high)
