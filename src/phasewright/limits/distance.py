"""From a limit and a figure to a margin, and the order in which margins give way."""

from __future__ import annotations

import math
from dataclasses import replace

from phasewright.bench import Limit
from phasewright.limits.records import Margin
from phasewright.quantity import Part, Value, difference, value_from_parts


def distance(limit: Limit, figure: Value, note: str = "", role: str = "decides", margin: Value | None = None) -> Margin:
    """Return the margin of `figure` to `limit`; `margin` where it is known better than as their difference."""
    if margin is None:
        margin = _mirrored(limit, figure)
    if margin is None:
        ceiling = _ceiling(limit)
        margin = difference(figure, ceiling) if limit.floor else difference(ceiling, figure)
        if margin.u is None:
            margin = replace(margin, reason=figure.reason or ceiling.reason or margin.reason)
    if margin.u is None:
        return Margin(limit, figure, margin, None, None, note, role)
    in_u = margin.value / margin.u if margin.u > 0.0 else math.copysign(math.inf, margin.value)
    return Margin(limit, figure, margin, in_u, probability_above_zero(margin), note, role)


def _mirrored(limit: Limit, figure: Value) -> Value | None:
    """Return the margin to an exact ceiling: the figure mirrored, so that its interval need not be found again."""
    low, high = figure.low95, figure.high95
    if limit.u != 0.0 or figure.u is None or low is None or high is None:
        return None
    half = 0.5 * (high - low)
    if abs(high - figure.value - half) > 1e-9 * half:
        return None  # a lopsided interval does not come from the parts alone
    sign = 1.0 if limit.floor else -1.0
    left = sign * (figure.value - limit.value)
    parts = tuple(Part(part.source, sign * part.contribution, part.shape, part.dof) for part in figure.parts)
    unit = "K" if figure.unit == "degC" else figure.unit
    return Value(left, unit, figure.u, left - half, left + half, "derived", parts, figure.dof)


def _ceiling(limit: Limit) -> Value:
    if limit.u is None:
        why = f"uncertainty of the limit {limit.name} is not known"
        return Value(limit.value, limit.unit, kind="set", reason=why)
    parts = [Part(f"limit/{limit.applies_to}/{limit.name}", limit.u)] if limit.u else []
    return value_from_parts(limit.value, limit.unit, parts, kind="set")


def probability_above_zero(value: Value) -> float | None:
    """Return the probability [1] that the quantity is above zero (normal, or Student for few degrees of freedom)."""
    if value.u is None:
        return None
    if value.u == 0.0:
        return 1.0 if value.value > 0.0 else 0.0
    from scipy.special import ndtr, stdtr

    score = value.value / value.u
    return float(ndtr(score) if math.isinf(value.dof) else stdtr(value.dof, score))


def relative(margin: Margin) -> float:
    """Return the margin as a share of its limit [1]."""
    return margin.margin.value / abs(margin.limit.value) if margin.limit.value else math.inf


def gives_first(margin: Margin) -> tuple[float, float]:
    """Return the key by which margins are sorted: least standard uncertainties, of equals least share of the limit.

    Both to nine digits: one limit told for a phase and for all phases is as far away twice, whatever rounding says.
    """
    if margin.in_u is not None:
        return float(f"{margin.in_u:.9g}"), float(f"{relative(margin):.9g}")
    # Without an uncertainty the sign is all that can be compared with the others.
    return (-math.inf if margin.margin.value <= 0.0 else math.inf), relative(margin)


def holds_zero(value: Value) -> bool:
    """Return True when the 95 % interval is known and includes zero."""
    return value.low95 is not None and value.high95 is not None and value.low95 <= 0.0 <= value.high95


def includes_zero(margin: Margin) -> bool:
    """Return True when the 95 % interval of a known margin includes zero."""
    return holds_zero(margin.margin)


def above_limit(margin: Margin) -> bool:
    """Return True when the figure is beyond its limit at 95 %."""
    return margin.margin.high95 is not None and margin.margin.high95 < 0.0
