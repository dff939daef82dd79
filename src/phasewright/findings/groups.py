"""One setting in many campaigns: boards, coolers or days side by side, and which of them differ for real.

What a group of campaigns says is their mean. The errors that its campaigns state are taken to be the same in all of
them, because a group is mostly measured with one set of meters: they do not average out. What its campaigns differ by
does. So an interval never gets narrower than the instruments allow, however many campaigns there are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.findings.campaigns import LEVEL, chance_of, holm
from phasewright.quantity import Part, Value, coverage_factor, difference, value_from_parts

__all__ = ["GroupComparison", "GroupContrast", "GroupFinding", "Held", "compare_groups"]


@dataclass(frozen=True, slots=True)
class Held:
    """One campaign's figure at the setting that is asked for."""

    campaign: str
    """Names the campaign; different for each."""
    name: str
    """What the campaign is called by people."""
    board: str
    cooler: str
    day: str
    """Day on which its record begins, ``2031-03-04``; '' when that is not known."""
    step: str
    verdict: str
    settings: str
    """What else was set, in words."""
    value: Value
    simulated: bool = False


@dataclass(frozen=True, slots=True)
class GroupFinding:
    """What the campaigns of one board, cooler or day say together."""

    group: str
    campaigns: tuple[str, ...]
    value: Value
    """Mean of the campaigns."""
    scatter: float | None
    """Standard deviation from campaign to campaign, in the unit of the value; None for a single one."""
    agreement: float | None
    """Chance of a scatter this large from the stated uncertainties alone; None where it cannot be told."""


@dataclass(frozen=True, slots=True)
class GroupContrast:
    """One group against the baseline group."""

    group: str
    difference: Value
    """The group's less the baseline's."""
    probability: float | None
    """Chance of a difference this large when there is none, adjusted for all groups; None = unknown."""
    real: bool | None
    """Whether it is more than the uncertainty explains; None = nobody knows, an interval is missing."""


@dataclass(frozen=True, slots=True)
class GroupComparison:
    """One figure at one setting, by board, cooler, day or campaign."""

    quantity: str
    by: str
    """board | cooler | day | campaign"""
    held: tuple[Held, ...]
    groups: tuple[GroupFinding, ...]
    baseline: str
    contrasts: tuple[GroupContrast, ...]


def compare_groups(held: Sequence[Held], quantity: str, *, by: str = "board", baseline: str = "") -> GroupComparison:
    """Compare groups of campaigns at one setting with a baseline group.

    Parameters
    ----------
    held
        One figure for each campaign, all of `quantity`, at one phase count and load.
    quantity
        Name of the figure.
    by
        What makes a group: board, cooler, day or campaign.
    baseline
        Group with which the others are compared; '' = the one with most campaigns, the first of equals.

    Raises
    ------
    ValueError
        For no figure at all, mixed units, an unknown `by`, or a baseline that is not among the groups.
    """
    if by not in ("board", "cooler", "day", "campaign"):
        raise ValueError(f"unknown grouping (by = {by}) - board, cooler, day or campaign - take one of these")
    units = {item.value.unit for item in held}
    if len(units) != 1:
        raise ValueError(f"no common unit (units = {sorted(units)}) - figures of one quantity are compared - ask for one")
    members: dict[str, list[Held]] = {}
    for item in held:
        members.setdefault(_key(item, by), []).append(item)
    groups = tuple(_group(name, items) for name, items in members.items())
    first = baseline or max(groups, key=lambda group: len(group.campaigns)).group
    if first not in members:
        raise ValueError(f"no such group (baseline = {first}) - one of {sorted(members)} - take one of these")
    base = next(group for group in groups if group.group == first)
    apart = [(group.group, difference(group.value, base.value)) for group in groups if group is not base]
    chances = [chance_of(value) for _, value in apart]
    adjusted = iter(holm([chance for chance in chances if chance is not None]))
    contrasts = []
    for (name, value), chance in zip(apart, chances, strict=True):
        told = next(adjusted) if chance is not None else None
        contrasts.append(GroupContrast(name, value, told, None if told is None else told < LEVEL))
    return GroupComparison(quantity, by, tuple(held), groups, first, tuple(contrasts))


def _key(item: Held, by: str) -> str:
    if by == "campaign":
        return item.campaign
    return {"board": item.board, "cooler": item.cooler, "day": item.day}[by] or f"{by} not stated"


def _group(name: str, items: Sequence[Held]) -> GroupFinding:
    values = np.array([item.value.value for item in items])
    errors = np.array([math.nan if item.value.u is None else item.value.u for item in items])
    mean, count = float(values.mean()), len(values)
    scatter = float(values.std(ddof=1)) if count > 1 else None
    names = tuple(item.campaign for item in items)
    unit = items[0].value.unit
    if np.isnan(errors).any():
        why = next((item.value.reason for item in items if item.value.u is None and item.value.reason), "not stated")
        return GroupFinding(name, names, Value(mean, unit, None, None, None, "derived", reason=why), scatter, None)
    parts = [Part(f"{name}/stated", float(errors.mean()))]
    if scatter:
        parts.append(Part(f"{name}/scatter", scatter / math.sqrt(count), "student", count - 1.0))
    return GroupFinding(name, names, value_from_parts(mean, unit, parts), scatter, _agreement(values, errors))


def _agreement(values: np.ndarray, errors: np.ndarray) -> float | None:
    """Return the chance of this scatter from independent stated errors (Cochran 1954, Biometrics 10, the Q statistic)."""
    if len(values) < 2 or not (errors > 0.0).all():
        return None
    from scipy import special

    weights = 1.0 / errors**2
    spread = float((weights * (values - (weights * values).sum() / weights.sum()) ** 2).sum())
    return float(special.chdtrc(len(values) - 1, spread))


def stated_u(u: float | None, low95: float | None, high95: float | None) -> float | None:
    """Return a standard uncertainty that gives at least the stated interval when it is taken as normal; None = unknown."""
    if u is None or low95 is None or high95 is None:
        return None
    return max(u, 0.5 * (high95 - low95) / coverage_factor(math.inf))
