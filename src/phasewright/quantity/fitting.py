"""Least-squares fitting that says what the data decide and what they do not."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from phasewright.quantity._search import Task, solve

_FAR = 1e6  # times the scale of its start: a parameter with an uncertainty beyond is not decided
_BEND = 1.5  # standard deviations; at normal scatter the fit keeps about 95 % of plain least squares' efficiency


@dataclass(frozen=True, slots=True)
class Fit:
    """Parameters found by least squares, with what is known of each."""

    names: tuple[str, ...]
    values: np.ndarray
    """Shape (p,), in the units of the start."""
    u: tuple[float | None, ...]
    """Standard uncertainties; None where `reasons` says why."""
    covariance: np.ndarray
    """Shape (p, p); NaN in the rows and columns of parameters whose uncertainty is unknown."""
    dof: int
    """Residuals less free parameters (those held by a bound are not free)."""
    rss: float
    """Sum of squared residuals, as given."""
    at_bound: tuple[bool, ...]
    """True where a bound holds the parameter back."""
    converged: bool
    message: str
    reasons: tuple[str, ...] = ()
    """For each parameter why its uncertainty is unknown; '' where it is known."""


def fit_least_squares(
    residuals: Callable[[np.ndarray], np.ndarray],
    start: Sequence[float],
    *,
    names: Sequence[str],
    low: Sequence[float] | None = None,
    high: Sequence[float] | None = None,
    jacobian: Callable[[np.ndarray], np.ndarray] | None = None,
    robust: bool = False,
    scale_u: bool = True,
) -> Fit:
    """Return the parameters that make the sum of squared residuals least, each with its uncertainty or why it has none.

    `residuals` takes parameters of shape (p,) and returns shape (m,); `jacobian`, if given, returns their derivatives,
    shape (m, p). `start` sets the scale of each parameter, so its order of magnitude should be right (0 = of order 1).
    `low` and `high` bound the parameters (-inf and inf are allowed).

    Covariance: (J^T J)^-1 by singular values, times rss/dof if `scale_u` (scatter unknown, taken from the residuals);
    with `scale_u` False the residuals must already be in standard deviations. A parameter that a bound holds back is
    kept fixed there; its own uncertainty is unknown, and those of the others hold under that condition. A parameter
    that the data do not decide (its direction is null to rounding) has no uncertainty either. `robust` takes the
    soft-L1 loss, with its bend at 1.5 standard deviations (1.4826 x median of the residuals' sizes, or 1 if not
    `scale_u`), and Huber's covariance for M-estimates, whose scatter always comes from the residuals.

    When the search stalls it is taken up from up to 16 other starts, always the same ones; a minimum that is not the
    lowest is not noticed. `converged` is False if no minimum was reached. Uncertainties are of first order.

    Raises ValueError for sizes that do not fit, bounds in the wrong order, and residuals not finite at the start.
    """
    task, q = _prepare(residuals, start, names, low, high, jacobian)
    names, reach = tuple(names), _FAR * task.scale
    if not robust:
        task, q, problem = solve(task, q)
        return _report(task, q, names, problem, scale_u, reach)
    bend = _BEND
    if scale_u:
        plain, q, _ = solve(task, q)
        bend = _BEND * _scatter(plain.raw(q), len(q))
        task = plain
    problem = ""
    for _ in range(20):
        if bend == 0.0:  # more than half of the residuals are exactly 0: nothing is left to bend
            break
        task, q, problem = solve(replace(task, bend=bend), q)
        before, bend = bend, (_BEND * _scatter(task.raw(q), len(q)) if scale_u else bend)
        if abs(bend - before) <= 1e-8 * before:
            break
    return _report(task, q, names, problem, scale_u, reach)


def _prepare(
    residuals: Callable[[np.ndarray], np.ndarray],
    start: Sequence[float],
    names: Sequence[str],
    low: Sequence[float] | None,
    high: Sequence[float] | None,
    jacobian: Callable[[np.ndarray], np.ndarray] | None,
) -> tuple[Task, np.ndarray]:
    p0 = np.array(start, dtype=float)
    floor = np.full(p0.shape, -np.inf) if low is None else np.array(low, dtype=float)
    ceiling = np.full(p0.shape, np.inf) if high is None else np.array(high, dtype=float)
    if p0.ndim != 1 or not 0 < len(p0) == len(names) or not p0.shape == floor.shape == ceiling.shape:
        raise ValueError(
            f"sizes do not fit (start = {p0.shape}, names = {len(names)}, low = {floor.shape}, high = {ceiling.shape}) "
            f"- one of each for every parameter is asked for - check the lists"
        )
    for name, x, least, most in zip(names, p0, floor, ceiling, strict=True):
        if not math.isfinite(x) or not least < most:
            raise ValueError(
                f"cannot start (start of {name} = {x}, low = {least}, high = {most}) - a finite start and low < high "
                f"are asked for - leave a parameter that is known out of the fit"
            )
    p0 = np.clip(p0, floor, ceiling)
    with np.errstate(invalid="ignore"):
        span = ceiling - floor
    scale = np.where(p0 != 0.0, np.abs(p0), np.where(np.isfinite(span), span, 1.0))
    task = Task(residuals, jacobian, scale, floor, ceiling)
    r = task.raw(p0 / scale)
    if r.ndim != 1 or len(r) == 0 or not np.all(np.isfinite(r)):
        raise ValueError(
            f"cannot start (residuals of shape {r.shape}, {int(np.count_nonzero(~np.isfinite(r)))} not finite) - one "
            f"row of finite residuals is asked for - start where the model can be computed"
        )
    return task, p0 / scale


def _scatter(r: np.ndarray, parameters: int) -> float:
    """Return the standard deviation of residuals that an outlier cannot move (normal-consistent median of sizes)."""
    spare = math.sqrt(len(r) / (len(r) - parameters)) if len(r) > parameters else 1.0
    return 1.4826 * float(np.median(np.abs(r))) * spare


# ---- what is known ----------------------------------------------------------------------------------------


def _report(task: Task, q: np.ndarray, names: tuple[str, ...], problem: str, scale_u: bool, reach: np.ndarray) -> Fit:
    r = task.raw(q)
    bent = task.residuals(q)
    table = task.jacobian(q)
    held = task.held(q, table.T @ bent)
    plain = table if math.isinf(task.bend) else replace(task, bend=math.inf).jacobian(q)
    unit, undecided = _inverse(plain, ~held, 1e-13 if task.slopes is not None else 1e-9)
    free = int(np.count_nonzero(~held))
    dof = len(r) - free
    factor, without = _variance(task, r, dof, free, scale_u)
    covariance = unit * np.outer(task.scale, task.scale) * (factor if math.isfinite(factor) else 1.0)
    values = task.parameters(q)
    at_low = np.abs(values - task.floor) <= np.abs(task.ceiling - values)
    values = np.where(held, np.where(at_low, task.floor, task.ceiling), values)
    far = np.sqrt(np.diagonal(covariance)) > np.maximum(reach, _FAR * np.abs(values))
    reasons = tuple(
        f"{name} is held at its {'low' if at_low[k] else 'high'} bound"
        if held[k]
        else _undecided(name, [names[i] for i in undecided[k]])
        if k in undecided
        else f"the data do not decide {name}: values a million times as large would fit as well"
        if far[k]
        else without
        for k, name in enumerate(names)
    )
    lacking = np.array([bool(reason) for reason in reasons])
    covariance[lacking, :] = np.nan
    covariance[:, lacking] = np.nan
    u = tuple(None if gone else math.sqrt(covariance[k, k]) for k, gone in enumerate(lacking))
    message = problem or ("a bound holds a parameter back" if np.any(held) else "a minimum was reached")
    at_bound = tuple(bool(flag) for flag in held)
    return Fit(names, values, u, covariance, dof, float(r @ r), at_bound, not problem, message, reasons)


def _undecided(name: str, partners: list[str]) -> str:
    if not partners:
        return f"the data do not decide {name}: it has no effect on the residuals"
    return f"the data do not decide {name}: it can move together with {' and '.join(partners)}"


def _variance(task: Task, r: np.ndarray, dof: int, free: int, scale_u: bool) -> tuple[float, str]:
    """Return what (J^T J)^-1 is to be multiplied with, or nan and why there is nothing."""
    robust = not math.isinf(task.bend)
    if not scale_u and not robust:
        return 1.0, ""
    if dof <= 0:
        return math.nan, "as many parameters as residuals: nothing is left over to tell the scatter"
    if not robust:
        return float(r @ r) / dof, ""
    # Huber, Robust Statistics (1981), 7.6, first covariance formula (as general-purpose libraries print it, "H1").
    root = np.sqrt(1.0 + (r / task.bend) ** 2)
    score, bent = r / root, root**-3
    mean = float(np.mean(bent))
    small = 1.0 + free / len(r) * float(np.var(bent)) / mean**2
    return small**2 * float(score @ score) / dof / mean**2, ""


def _inverse(table: np.ndarray, free: np.ndarray, cut: float) -> tuple[np.ndarray, dict[int, list[int]]]:
    """Return (J^T J)^-1 over the free parameters, shape (p, p), and each undecided one with those it moves with."""
    count = len(free)
    out = np.zeros((count, count))
    where = np.flatnonzero(free)
    if not len(where):
        return out, {}
    part = table[:, where]
    norms = np.sqrt(np.sum(part**2, axis=0))
    safe = np.where(norms > 0.0, norms, 1.0)
    core = np.linalg.qr(part / safe, mode="r")  # p by p, so that all null directions come without an m by m matrix
    _, sizes, directions = np.linalg.svd(core, full_matrices=True)
    rank = int(np.count_nonzero(sizes > cut * max(sizes[0], 1e-300)))
    seen = directions[:rank] / sizes[:rank, None]
    out[np.ix_(where, where)] = (seen.T @ seen) / np.outer(safe, safe)
    undecided: dict[int, list[int]] = {}
    for null in directions[rank:]:
        members = np.flatnonzero(np.abs(null) > 1e-3)
        for k in members:
            others = [int(where[i]) for i in members if i != k]
            undecided.setdefault(int(where[k]), [])
            undecided[int(where[k])] += [i for i in others if i not in undecided[int(where[k])]]
    return out, undecided
