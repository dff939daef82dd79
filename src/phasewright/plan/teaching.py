"""Which of the steps that are wise would teach most about the others.

The hottest stage is the coolant plus three rises, one for each path of the heat, each a resistance times the loss. An
unknown (the three resistances, the loss) moves every step's temperature by a share that is known, so one more reading
narrows the others by plain regression: var(t | c) = var(t) (1 - r^2), r the correlation of t with the reading of c.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.model import Fitted
from phasewright.plan.dwell import heat_of
from phasewright.plan.records import Forecast

__all__ = ["Lesson", "lessons_of", "most_taught"]

PATHS = ("stage", "plate", "package")
READING = 0.5
"""[K] Standard uncertainty of a settled temperature, shared errors left out; common practice, no source."""
COUNT_SCATTER = 0.04
"""[1] Of the stages' own rise: what differs from one phase count to the next whatever is learned; common practice, no
source."""
WORTH = 0.1
"""[1] Share of the uncertainty by which a step has to narrow another for that to be much."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """What measuring one step would do for the others."""

    name: str
    narrowed: float
    """Sum over all open steps, itself too, of the drop in standard uncertainty [K]."""
    of: str
    """The other step that would gain most."""
    before: float
    """Standard uncertainty of its hottest stage now [K]."""
    after: float
    """And then [K]."""


def lessons_of(fitted: Fitted, candidates: Sequence[Forecast], open_steps: Sequence[Forecast]) -> tuple[Lesson, ...]:
    """Return what each candidate would teach about the open steps, the most instructive first."""
    root = _root(fitted)
    rows = {item.step.name: row for item in (*candidates, *open_steps) if (row := _slopes(fitted, item)) is not None}
    spread = {
        item.step.name: float(item.quantities["regulator_temperature"].u or 0.0)
        for item in open_steps
        if item.step.name in rows
    }
    lessons = []
    for candidate in candidates:
        name = candidate.step.name
        others = [other for other in spread if other != name]
        if name not in rows or not others:
            continue
        own = rows[name] @ root
        read = float(own @ own) + READING**2 + _scatter(rows[name])
        then = {}
        for other, now in spread.items():
            row = rows[other] @ root
            shared = float(row @ own) ** 2 / (read * (float(row @ row) + _scatter(rows[other])))
            then[other] = min(now, READING) if other == name else now * math.sqrt(max(1.0 - shared, 0.0))
        best = max(others, key=lambda other: spread[other] - then[other])
        narrowed = sum(spread[other] - then[other] for other in spread)
        lessons.append(Lesson(name, narrowed, best, spread[best], then[best]))
    return tuple(sorted(lessons, key=lambda lesson: -lesson.narrowed))


def _scatter(row: np.ndarray) -> float:
    """Return the variance [K^2] that a phase count has for itself."""
    return float(COUNT_SCATTER * row[4]) ** 2


def _root(fitted: Fitted) -> np.ndarray:
    """Return a square root (5, 5) of the covariance of the unknowns: three resistances, the loss; the last is none."""
    names = list(fitted.prior.names)
    at = [names.index(f"{path}_rise") for path in PATHS]
    root = np.diag([0.0, 0.0, 0.0, 1.0, 0.0])
    root[:3, :3] = np.linalg.cholesky(fitted.covariance[np.ix_(at, at)])
    return root


def _slopes(fitted: Fitted, forecast: Forecast) -> np.ndarray | None:
    """Return by how much each unknown moves the hottest stage of a step [K], and the stages' own rise [K], (5,).

    None where heat never settles.
    """
    heat, temperature = heat_of(fitted, forecast), forecast.quantities.get("regulator_temperature")
    if heat is None or temperature is None or temperature.u is None:
        return None
    loss = forecast.quantities["conversion_loss"]
    wide = [fitted.prior.belief(f"{path}_rise").spread for path in PATHS]
    rises = (heat.stage, heat.plate, heat.package)
    share = 0.0 if not loss.u else loss.u / loss.value
    moved = [rise * w for rise, w in zip(rises, wide, strict=True)]
    return np.array([*moved, share * (heat.stage + heat.plate), heat.stage])


def most_taught(fitted: Fitted, candidates: Sequence[Forecast], open_steps: Sequence[Forecast]) -> tuple[str, str]:
    """Return the name of the candidate that would teach most, and what in a sentence; '' when there is none."""
    if not candidates:
        return "", "No step is left that may be run and would teach anything."
    lessons = lessons_of(fitted, candidates, open_steps)
    if not lessons:
        name = candidates[0].step.name
        return name, f"{name} would teach most: it is the only one left."
    first = lessons[0]
    little = first.after > (1.0 - WORTH) * first.before
    return first.name, (
        f"{first.name} would teach most{', but little' if little else ''}: {first.of} would then be known to "
        f"±{1.96 * first.after:.1f} K instead of ±{1.96 * first.before:.1f} K."
    )
