"""How far each step is from each limit: dots with 95 % intervals beside a line that is the limit."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.ticker import MaxNLocator

from phasewright.findings import Analysis, Margin, StepFinding
from phasewright.report.canvas import LABEL, place, sheet
from phasewright.report.document import Column, Layout, Table
from phasewright.report.escaping import clean, slug
from phasewright.report.palette import light
from phasewright.report.phases import mark_style, plain_limit, state_of
from phasewright.report.series import Series, group, nearest
from phasewright.report.sketch import fit, text_width, wrap
from phasewright.report.tables import STEP
from phasewright.report.wording import THIN, display_unit, half_width, plain

MOST_STEPS = 28
MOST_LIMITS = 6


def _closeness(finding: StepFinding) -> float:
    first = nearest(finding)
    if first is None:
        return float("inf")
    return first.in_u if first.in_u is not None else first.margin.value


def steps_drawn(analysis: Analysis) -> tuple[StepFinding, ...]:
    """Return the steps that get a row: all with a margin, or the closest ones where there are too many."""
    known = [f for f in analysis.steps if f.margins]
    if len(known) <= MOST_STEPS:
        return tuple(known)
    chosen = {f.step.name for f in sorted(known, key=_closeness)[:MOST_STEPS]}
    return tuple(f for f in known if f.step.name in chosen)


def limits_drawn(steps: Sequence[StepFinding]) -> tuple[tuple[str, str], ...]:
    """Return (limit name, quantity) of the panels, the limit that gives first coming first."""
    closest: dict[tuple[str, str], float] = {}
    for finding in steps:
        for margin in finding.margins:
            key = (margin.limit.name, margin.limit.applies_to)
            size = margin.in_u if margin.in_u is not None else float("inf")
            closest[key] = min(closest.get(key, float("inf")), size)
    return tuple(sorted(closest, key=lambda key: (closest[key], key))[:MOST_LIMITS])


def _closest(finding: StepFinding, key: tuple[str, str]) -> list[Margin]:
    """Return the smallest margin of a step to one limit (mean or peak), or nothing."""
    found = [m for m in finding.margins if (m.limit.name, m.limit.applies_to) == key]
    return [min(found, key=lambda m: m.margin.value)] if found else []


def _panel(axes, steps, key, colours: dict[str, Series], labels: float, room: float) -> None:
    """Draw one limit: a row a step, zero is the limit."""
    rows = {f.step.name: len(steps) - 1 - i for i, f in enumerate(steps)}
    low, high, unit, values = 0.0, 0.0, "", set()
    for finding in steps:
        for margin in _closest(finding, key):
            unit, factor = display_unit(margin.margin.unit, key[1])
            values.add(margin.limit.value * display_unit(margin.limit.unit, key[1])[1])
            at, half = margin.margin.value * factor, (half_width(margin.margin) or 0.0) * factor
            y, one = rows[finding.step.name], colours[finding.step.name]
            state = state_of(finding, margin.figure)
            axes.plot(
                [at - half, at + half],
                [y, y],
                color=light(one.ink),
                linewidth=2.0,
                zorder=4,
                linestyle=(0, (2.0, 1.4)) if state == "extrapolated" else "solid",
            )
            axes.plot([at], [y], **(mark_style(one, state) | {"markersize": 6.5}))
            low, high = min(low, at - half), max(high, at + half)
    pad = 0.06 * (high - low or 1.0)
    axes.set_xlim(low - pad, high + pad)
    axes.set_ylim(-0.7, len(steps) - 0.3)
    if low < 0.0:
        axes.axvspan(low - pad, 0.0, facecolor=light("heat"), edgecolor="none", linewidth=0.0, zorder=0)
    axes.axvline(0.0, color=light("limit"), linewidth=2.2, zorder=3)
    axes.set_yticks(list(rows.values()))
    axes.set_yticklabels([fit(name, LABEL, labels) if labels else "" for name in rows])
    ticks = int(room / (text_width(plain(high, 0), LABEL) + 14.0))
    axes.xaxis.set_major_locator(MaxNLocator(min(4, max(1, ticks)), steps=[1, 2, 2.5, 5, 10]))
    axes.xaxis.set_major_formatter(lambda x, _: plain(x, 0 if abs(x - round(x)) < 1e-6 else 1))
    axes.grid(axis="both")
    axes.spines["left"].set_visible(False)
    limit_unit = "°C" if unit == "K" and "temperature" in key[1] else unit
    span = " to ".join(plain_limit(v) for v in sorted({min(values), max(values)}))
    title = wrap(f"{key[0]}, {span}{THIN}{limit_unit}", LABEL + 1.5, room)
    axes.set_title("\n".join(title[:2]), color=light("limit"), pad=6.0)
    axes.set_xlabel(f"Margin / {unit}", loc="left", fontsize=LABEL)


def draw_margins(analysis: Analysis, layout: Layout):
    """Return a matplotlib Figure: one panel a limit, one row a step, zero is the limit."""
    steps = steps_drawn(analysis)
    keys = limits_drawn(steps)
    colours = {f.step.name: one for one in group(analysis) for f in one.findings}
    columns = 1 if layout.narrow else min(3, max(1, len(keys)))
    rows = max(1, -(-len(keys) // columns))
    labels = min(max((text_width(f.step.name, LABEL) for f in steps), default=0.0), 130.0 if layout.narrow else 180.0)
    top, bottom, gap = 42.0, 46.0, 26.0
    tall = 20.0 * max(2, len(steps))
    page = sheet(layout.width, rows * (top + tall + bottom))
    cell = (layout.width - labels - 8.0 - gap * (columns - 1) - 10.0) / columns
    for index, key in enumerate(keys):
        column, row = index % columns, index // columns
        axes = place(page, labels + 8.0 + column * (cell + gap), row * (top + tall + bottom) + top, cell, tall)
        _panel(axes, steps, key, colours, labels if column == 0 else 0.0, cell)
    return page


def drawn_table(analysis: Analysis) -> Table:
    """Return the numbers of the drawing: one row a step, one column a limit."""
    steps = steps_drawn(analysis)
    keys = limits_drawn(steps)
    columns = [STEP]
    cells = []
    for name, quantity in keys:
        found = [_closest(f, (name, quantity)) for f in steps]
        unit = next((m[0].margin.unit for m in found if m), "1")
        columns.append(
            Column(
                f"margin_{slug(f'{name} {quantity}').replace('-', '_')}",
                f"{clean(name)[:1].upper()}{clean(name)[1:]}",
                unit,
                "value",
            )
        )
        cells.append([m[0].margin if m else None for m in found])
    rows = tuple((f.step.name, *(column[i] for column in cells)) for i, f in enumerate(steps))
    left = len(analysis.steps) - len(steps)
    return Table(
        "margins-drawn",
        "Margin to each limit",
        tuple(columns),
        rows,
        f"{left} steps have no margin or lie farther off." if left else "",
    )
