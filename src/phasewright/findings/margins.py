"""How far one step is from every limit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from phasewright.bench import Limit, base_channel
from phasewright.findings.labels import HOTTEST
from phasewright.findings.records import Margin, NotComputable
from phasewright.findings.sheet import Sheet, channel_mend
from phasewright.logs import Settling, Window
from phasewright.quantity import Part, Value, difference, value_from_parts

__all__ = [
    "above_limit",
    "find_margins",
    "holds_zero",
    "includes_zero",
    "margins_of",
    "probability_above_zero",
    "relative",
]

BY_PEAK = ("protection", "absolute_maximum", "physics")
"""Kinds of limit that a short peak reaches as well as a mean; ratings and standards bound the mean."""
OWN_READING = ("package_power", "processor_temperature")
"""Figures that the processor reads, and limits, itself."""


@dataclass(frozen=True, slots=True)
class _Figure:
    name: str
    value: Value
    note: str


def find_margins(
    sheet: Sheet, limits: Iterable[Limit], window: Window
) -> tuple[tuple[Margin, ...], tuple[NotComputable, ...]]:
    """Return the margins of one step, the one that gives first in front, and the limits that could not be judged.

    What gives first is the smallest margin in standard uncertainties; of equals the smallest relative to its limit.
    """
    margins, missing = [], []
    for limit in limits:
        figures = _figures_for(sheet, limit, window)
        if not figures:
            known = sheet.missing.get(limit.applies_to)
            missing.append(
                NotComputable(
                    f"margin to {limit.name}",
                    known.why if known else f"no {limit.applies_to.replace('_', ' ')}",
                    known.mend if known else channel_mend(limit.applies_to),
                )
            )
        margins += [_margin(limit, figure) for figure in figures]
    return tuple(sorted(margins, key=_gives_first)), tuple(missing)


def margins_of(
    quantities: Mapping[str, Value], limits: Iterable[Limit], *, peak_averaging: Mapping[str, float] | None = None
) -> tuple[tuple[Margin, ...], tuple[NotComputable, ...]]:
    """Return the margins of a settled state that no window was measured of, such as a predicted one; see find_margins.

    `quantities` are figures by name, ``<name>_peak`` for peaks; `peak_averaging` the time over which each peak is
    stated [s].
    """
    sheet = Sheet("prediction", quantities=dict(quantities), peak_averaging=dict(peak_averaging or {}))
    return find_margins(sheet, limits, Window("prediction", 0.0, 0.0, True, (), ()))


def _figures_for(sheet: Sheet, limit: Limit, window: Window) -> list[_Figure]:
    """Return the figures that `limit` bounds: the mean or settled value, and the peak where a peak counts."""
    name, quantities = limit.applies_to, sheet.quantities
    found = []
    mean = _speaker(sheet, name)
    if mean is not None:
        found.append(_settled_figure(sheet, mean, limit, window))
    peak = f"{name}_peak"
    if limit.kind in BY_PEAK and peak in quantities and limit.unit in ("A", "W") and name != "package_power":
        length = sheet.peak_averaging.get(peak, math.nan)
        over = f" over {length:.3g} s averages" if math.isfinite(length) and length > 0.0 else ""
        found.append(_Figure(peak, quantities[peak], f"peak{over}"))
    return found


def _speaker(sheet: Sheet, name: str) -> str | None:
    """Return the quantity that is held against a limit on `name`: the hottest sensor, the fullest phase, or itself."""
    if name in HOTTEST:
        sensors = [
            item
            for item in sheet.quantities
            if (item == name or item.startswith(f"{name}.")) and not item.endswith(("_peak", "_settled"))
        ]
        return max(sensors, key=lambda item: sheet.quantities[item].value, default=None)
    return next((item for item in (f"{name}_greatest", name) if item in sheet.quantities), None)


def _settled_figure(sheet: Sheet, name: str, limit: Limit, window: Window) -> _Figure:
    """Return the figure as it stands, or would stand, when settled."""
    value = sheet.quantities[name]
    if name.partition(".")[0] in OWN_READING and limit.kind == "protection":
        # The processor holds its own reading to the limit, so that reading's gain and offset do not matter here.
        own = tuple(part for part in value.parts if not part.source.endswith(("/gain", "/offset", "/power offset")))
        value = value_from_parts(value.value, value.unit, own, kind=value.kind)
    if value.unit != "degC":
        return _Figure(name, value, "mean")
    settled = sheet.quantities.get(f"{name}_settled")
    if settled is not None:
        return _Figure(name, settled, "extrapolated")
    found = settling_of(name, window)
    if not found:
        return _Figure(name, value, "mean")
    remaining = max(item.remaining for item in found)
    if not all(item.settled for item in found):
        return _Figure(name, value, "mean, not settled")
    if value.u is None:
        return _Figure(name, value, "mean")
    parts = (*value.parts, Part(f"{sheet.step}/{name}/settling", remaining / math.sqrt(3.0), "rectangular"))
    return _Figure(name, value_from_parts(value.value, value.unit, parts, kind=value.kind), "mean")


def settling_of(name: str, window: Window) -> list[Settling]:
    """Return the slope tests of the channel `name` and of its labelled sensors."""
    return [item for item in window.settling if item.channel == name or base_channel(item.channel).name == name]


def _margin(limit: Limit, figure: _Figure) -> Margin:
    if limit.u is None:
        ceiling = Value(
            limit.value, limit.unit, kind="set", reason=f"uncertainty of the limit {limit.name} is not known"
        )
    else:
        parts = [Part(f"limit/{limit.applies_to}/{limit.name}", limit.u)] if limit.u else []
        ceiling = value_from_parts(limit.value, limit.unit, parts, kind="set")
    margin = difference(ceiling, figure.value)
    if margin.u is None:
        reason = figure.value.reason or ceiling.reason or margin.reason
        return Margin(limit, figure.value, replace(margin, reason=reason), None, None, figure.note)
    in_u = margin.value / margin.u if margin.u > 0.0 else math.copysign(math.inf, margin.value)
    return Margin(limit, figure.value, margin, in_u, probability_above_zero(margin), figure.note)


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


def _gives_first(margin: Margin) -> tuple[float, float]:
    if margin.in_u is not None:
        return margin.in_u, relative(margin)
    # Without an uncertainty the sign is all that can be compared with the others.
    return (-math.inf if margin.margin.value <= 0.0 else math.inf), relative(margin)


def holds_zero(value: Value) -> bool:
    """Return True when the 95 % interval is known and includes zero."""
    return value.low95 is not None and value.high95 is not None and value.low95 <= 0.0 <= value.high95


def includes_zero(margin: Margin) -> bool:
    """Return True when the 95 % interval of a known margin includes zero."""
    return holds_zero(margin.margin)


def above_limit(margin: Margin) -> bool:
    """Return True when the figure is above its limit at 95 %."""
    return margin.margin.high95 is not None and margin.margin.high95 < 0.0
