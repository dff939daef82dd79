"""Every limit that physics works out, and where the course of a load step is drawn from."""

from __future__ import annotations

import numpy as np

from phasewright.bench import Bench
from phasewright.limits import electrical, lifetime, surroundings
from phasewright.limits.case import Case
from phasewright.limits.records import State
from phasewright.limits.rule import Rule

__all__ = ["RULES", "Rule", "droop_course", "rule_of"]

RULES: tuple[Rule, ...] = (*electrical.RULES, *surroundings.RULES, *lifetime.RULES)
"""In the order of electrons: switching period, load step, surroundings, life."""


def rule_of(name: str) -> Rule:
    """Return the limit called `name`; KeyError if there is none."""
    for rule in RULES:
        if rule.name == name:
            return rule
    raise KeyError(name)


def droop_course(bench: Bench, state: State, times: np.ndarray, *, release: bool = False) -> np.ndarray | None:
    """Return the deviation [V] from the voltage before the greatest load step at `times` [s], shape of `times`.

    A drop is positive; with `release` it is the rise when the load lets go. None where the bench or the state lack
    what it takes.
    """
    case = Case(bench, state)
    rule = rule_of("tolerance band at a load step")
    if any(case.stated(path) is None for path in rule.needs) or any(case.quantity(q) is None for q in rule.quantities):
        return None
    return electrical.course_of(case, times, release)
