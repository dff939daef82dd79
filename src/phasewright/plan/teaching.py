"""Which of the steps that are wise would teach most about the others: the model's own lessons, in the plan's words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from phasewright.model import Fitted, Setting, as_setting, next_step
from phasewright.plan.currents import settings_on
from phasewright.plan.records import Forecast

__all__ = ["Lesson", "lessons_of", "most_taught"]

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
    open_ones = [(item.step.name, found) for item in open_steps if (found := _setting(fitted, item)) is not None]
    lessons = []
    for candidate in candidates:
        own, name = _setting(fitted, candidate), candidate.step.name
        others = [(other, setting) for other, setting in open_ones if other != name]
        if own is None or not others:
            continue
        found = next_step(fitted, [own], [setting for _, setting in others])
        itself = next_step(fitted, [own], [own]) if any(other == name for other, _ in open_ones) else ()
        for lesson in found:
            narrowed = lesson.narrowed + sum(item.narrowed for item in itself)
            lessons.append(Lesson(name, narrowed, others[lesson.of][0], lesson.before, lesson.after))
    return tuple(sorted(lessons, key=lambda lesson: -lesson.narrowed))


def _setting(fitted: Fitted, forecast: Forecast) -> Setting | None:
    """Return the setting of a step; None where it cannot be foreseen."""
    if forecast.prediction is None:
        return None
    try:
        return as_setting(settings_on(fitted.bench, forecast.step.settings))
    except ValueError:
        return None


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
