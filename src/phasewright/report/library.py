"""One setting in many campaigns, drawn: every board, cooler or day as a row, its campaigns faint, their mean on top."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from phasewright.findings import GroupComparison, GroupContrast, GroupFinding
from phasewright.quantity import Value
from phasewright.report.document import Block, Column, Figure, Fold, Layout, Table
from phasewright.report.escaping import clean
from phasewright.report.sketch import Sketch, fit
from phasewright.report.wording import (
    THIN,
    axis_title,
    chance_text,
    display_unit,
    half_width,
    number_text,
    plain,
    quantity_title,
)

MOST_ROWS = 40
ROW = 30.0
_MANY = {"board": "boards", "cooler": "coolers", "day": "days", "campaign": "campaigns"}
REAL = {True: "differs for real", False: "not told apart", None: "not known"}


def setting_name(phase_count: int, load_name: str, load: float) -> str:
    """Return a setting of a library in words: ``3 phases at about 300 W``."""
    unit, places = ("W", 0) if load_name == "package_power" else ("A", 0)
    return f"{phase_count} phase{'s' if phase_count != 1 else ''} at about {plain(load, places)}{THIN}{unit}"


def comparison_title(found: GroupComparison) -> str:
    """Return what differs for real, in one sentence without its full stop."""
    name = quantity_title(found.quantity).lower()
    first = next(group for group in found.groups if group.group == found.baseline)
    if not found.contrasts:
        count = len(first.campaigns)
        return f"{count} campaigns of one {found.by}: {name} {number_text(first.value, found.quantity)}{_agreeing(first)}"
    real = [item for item in found.contrasts if item.real]
    base = clean(found.baseline, 60)
    if not real:
        if all(item.real is None for item in found.contrasts):
            return f"Whether {name} differs cannot be told: uncertainties are not known"
        many = len(found.groups)
        return f"{quantity_title(found.quantity)} of {many} {_MANY[found.by]} cannot be told apart"
    far = max(real, key=lambda item: abs(item.difference.value))
    size = number_text(_sized(far.difference), _difference_name(found, far.difference))
    where = "above" if far.difference.value > 0.0 else "below"
    count, many = len(real), len(found.contrasts)
    rest = f"; {count} of {many} differ{'s' if count == 1 else ''} for real" if many > 1 else ""
    return f"{quantity_title(found.quantity)} of {clean(far.group, 60)} lies {size} {where} {base}{rest}"


def _agreeing(group: GroupFinding) -> str:
    if group.agreement is None:
        return ""
    if group.agreement < 0.05:
        return "; they scatter more than their uncertainties explain"
    return "; they agree within their uncertainties"


def _difference_name(found: GroupComparison, value: Value) -> str:
    return "regulator_rise" if value.unit == "K" else found.quantity


def _sized(value: Value) -> Value:
    """Return the size of a difference with its interval."""
    if value.value >= 0.0 or value.low95 is None or value.high95 is None:
        return replace(value, value=abs(value.value))
    return replace(value, value=-value.value, low95=-value.high95, high95=-value.low95)


def groups_table(found: GroupComparison, stem: str = "library") -> Table:
    """Return one row a group: campaigns, mean, scatter, difference from the baseline and whether it is real."""
    unit = found.groups[0].value.unit
    apart = {item.group: item for item in found.contrasts}
    rows = []
    for group in _ordered(found.groups):
        item = apart.get(group.group)
        rows.append((
            group.group, len(group.campaigns), group.value, group.scatter, item.difference if item else None,
            "compared with this" if item is None else REAL[item.real],
            "–" if item is None or item.probability is None else chance_text(item.probability),
        ))  # fmt: skip
    spread = "K" if unit == "degC" else unit
    return Table(
        f"{stem}-groups", f"By {found.by}",
        (Column("group", found.by.capitalize()), Column("campaigns", "Campaigns", "1", "number"),
         Column(found.quantity, quantity_title(found.quantity), unit, "value"), Column("scatter", "Scatter", spread, "number"),
         Column("difference", "Difference", spread, "value"), Column("real", "Real?"),
         Column("chance", "Chance without one")),
        tuple(rows),
        "± is the half-width of the 95 % interval. Stated errors are taken to be the same within a group, so they do not "
        "average out; scatter from campaign to campaign does. Real: more than the uncertainty explains, all differences "
        "tested together with a 5 % chance that any is called real though none is (Holm).",
    )  # fmt: skip


def campaigns_table(found: GroupComparison, stem: str = "library") -> Table:
    """Return one row a campaign."""
    unit = found.groups[0].value.unit
    return Table(
        f"{stem}-campaigns", "Every campaign at this setting",
        (Column("campaign", "Campaign"), Column("board", "Board"), Column("cooler", "Cooler"), Column("day", "Day"),
         Column("step", "Step"), Column("settings", "Set besides"),
         Column(found.quantity, quantity_title(found.quantity), unit, "value"), Column("verdict", "Verdict")),
        tuple((item.name or item.campaign, item.board, item.cooler, item.day or None, item.step, item.settings or None,
               item.value, item.verdict) for item in found.held),
        listed=len(found.held) <= 200,
    )  # fmt: skip


def library_figure(found: GroupComparison, setting: str, stem: str = "library") -> Figure:
    """Return the groups side by side."""
    said = "; ".join(
        f"{clean(group.group)}: {number_text(group.value, found.quantity)}, {_verdict(found, group)}"
        for group in _ordered(found.groups)[:MOST_ROWS]
    )
    name = quantity_title(found.quantity)
    left = len(found.groups) - MOST_ROWS
    return Figure(
        stem, comparison_title(found),
        f"{name}, {setting}, a row for each {found.by}; n = {len(found.held)} campaigns, bars: 95 % intervals",
        f"{said}.", lambda layout: _draw(found, layout), groups_table(found, stem),
        ("Ticks: single campaigns. " if len(found.groups) < len(found.held) else "")
        + "Square: what the others are compared with. Filled: differs for real; hollow: not told apart."
        + (f" {left} more stand in the table." if left > 0 else ""),
    )  # fmt: skip


def library_blocks(found: GroupComparison, setting: str, *, stem: str = "library") -> tuple[Block, ...]:
    """Return what a library says of one figure at one setting: the drawing with its finding, every campaign.

    `stem` begins the names of figure and tables, so that several settings can stand on one page.
    """
    return (
        library_figure(found, setting, stem),
        Fold(f"Every campaign at this setting ({len(found.held)})", (campaigns_table(found, stem),)),
    )


def _ordered(groups: Sequence[GroupFinding]) -> list[GroupFinding]:
    return sorted(groups, key=lambda group: (group.value.value, group.group))


def _contrast(found: GroupComparison, group: GroupFinding) -> GroupContrast | None:
    return next((item for item in found.contrasts if item.group == group.group), None)


def _verdict(found: GroupComparison, group: GroupFinding) -> str:
    item = _contrast(found, group)
    return "compared with this" if item is None else REAL[item.real]


def _draw(found: GroupComparison, layout: Layout) -> Sketch:
    groups = _ordered(found.groups)[:MOST_ROWS]
    factor = display_unit(groups[0].value.unit, found.quantity)[1]
    members: dict[str, list[float]] = {}
    owner = {name: group.group for group in groups for name in group.campaigns}
    for item in found.held:
        if item.campaign in owner:
            members.setdefault(owner[item.campaign], []).append(item.value.value * factor)
    ends = [x for points in members.values() for x in points]
    for group in groups:
        half = (half_width(group.value) or 0.0) * factor
        ends += [group.value.value * factor - half, group.value.value * factor + half]
    left = 0.0 if layout.narrow else 250.0
    right = 96.0 if layout.narrow else 230.0
    row = ROW + (18.0 if layout.narrow else 0.0)
    sketch = Sketch(layout.width, 18.0 + row * len(groups) + 44.0)
    foot = 18.0 + row * len(groups)
    ticks = _ticks(min(ends), max(ends), 3 if layout.narrow else 5)
    low, high = min(ticks[0], min(ends)), max(ticks[-1], max(ends))
    room = layout.width - left - right - 16.0

    def at(x: float) -> float:
        return left + 8.0 + (x - low) / ((high - low) or 1.0) * room

    for tick in ticks:
        sketch.line((at(tick), 12.0), (at(tick), foot), stroke="hair", width=1.0)
        places = max(0, -math.floor(math.log10(ticks[1] - ticks[0]) + 1e-9)) if len(ticks) > 1 else 1
        sketch.words(at(tick), foot + 16.0, plain(tick, places), size=11.0, ink="soft", anchor="middle")
    title = axis_title(found.quantity, groups[0].value.unit)
    sketch.words(left + 8.0, foot + 36.0, title, size=11.0, ink="soft")
    for index, group in enumerate(groups):
        y = 18.0 + row * (index + 0.5) + (9.0 if layout.narrow else 0.0)
        _row(sketch, found, group, (left, layout.width, y), at, factor, members.get(group.group, []), layout.narrow)
    return sketch


def _row(sketch, found, group, place, at, factor, points, narrow) -> None:
    left, width, y = place
    item = _contrast(found, group)
    value, half = group.value.value * factor, (half_width(group.value) or 0.0) * factor
    name = clean(group.group) + (f" ({len(group.campaigns)})" if len(group.campaigns) > 1 else "")
    if narrow:
        sketch.words(0.0, y - 13.0, fit(name, 12.0, width), size=12.0)
    else:
        sketch.words(left - 10.0, y + 4.0, fit(name, 12.5, left - 16.0), size=12.5, anchor="end")
    ink = "ink" if item is None else "blue" if item.real else "soft"
    if len(points) > 1:
        for point in points[:400]:
            sketch.line((at(point), y - 7.0), (at(point), y + 7.0), stroke="line", width=1.0)
    sketch.line((at(value - half), y), (at(value + half), y), stroke=ink, width=2.2)
    if item is None:
        sketch.box(at(value) - 5.0, y - 5.0, 10.0, 10.0, fill=ink)
    elif item.real:
        sketch.disc(at(value), y, 5.0, fill=ink)
    else:
        sketch.disc(at(value), y, 5.0, fill="paper", stroke=ink, width=2.0)
    told = number_text(group.value, found.quantity)
    if narrow:
        sketch.words(width, y + 4.0, fit(told, 11.0, 100.0), size=11.0, anchor="end")
        return
    sketch.words(width - 222.0, y + 4.0, told, size=12.0)
    sketch.words(width - 104.0, y + 4.0, _verdict(found, group), size=11.0, ink="soft")


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Return round numbers from at most `low` to at least `high`."""
    reach = (high - low) or max(abs(high), 1.0) * 0.1
    rough = reach / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= rough * (1.0 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [number * step for number in range(first, max(last, first + 1) + 1)]
