"""The limits ladder: how far one step is from every limit, on one common scale, what gives first on top."""

from __future__ import annotations

import math
from collections.abc import Sequence

from matplotlib.ticker import FixedLocator, FuncFormatter

from phasewright.findings import Analysis, Margin, StepFinding
from phasewright.limits import figure_title, relative
from phasewright.report.canvas import LABEL, SMALL, place, sheet
from phasewright.report.document import Column, Layout, Table
from phasewright.report.escaping import clean
from phasewright.report.palette import light
from phasewright.report.sketch import fit, text_width
from phasewright.report.tables import limit_value
from phasewright.report.wording import THIN, display_unit, number_text, pair_text, plain, quantity_title

FARTHEST = 1.0
"""Share of a limit beyond which a rung ends in an arrow."""
MOST_RUNGS = 28
ROLES = {"decides": "Decides a verdict", "advises": "Advises"}


def chosen_step(analysis: Analysis) -> StepFinding | None:
    """Return the step whose ladder is drawn: of those that ran, the one that is nearest to a limit."""
    ran = [f for f in analysis.steps if f.margins and f.verdict != "tripped"]
    if not ran:
        return None

    def nearness(finding: StepFinding) -> tuple[float, float]:
        # Where no accuracy is stated the share of the limit that is left still tells which step is nearest.
        first = finding.margins[0]
        return (first.in_u if first.in_u is not None else math.inf), relative(first)

    return min(ran, key=nearness)


def rungs(finding: StepFinding) -> tuple[Margin, ...]:
    """Return each limit once (mean or peak, whichever is nearer), in the order in which they give."""
    seen: dict[tuple[str, str], Margin] = {}
    for margin in finding.margins:
        key = (margin.limit.name, margin.limit.applies_to)
        if key not in seen or relative(margin) < relative(seen[key]):
            seen[key] = margin
    return tuple(item for item in seen.values() if math.isfinite(item.margin.value))


def _share(margin: Margin) -> tuple[float, float]:
    """Return (margin, half its 95 % interval) as shares of the limit [1]."""
    size = abs(margin.limit.value) or 1.0
    low, high = margin.margin.low95, margin.margin.high95
    half = 0.5 * (high - low) / size if low is not None and high is not None else 0.0
    return margin.margin.value / size, half


def _title(margin: Margin) -> str:
    name = clean(margin.limit.name)
    return f"{name[:1].upper()}{name[1:]}"


def _left(margin: Margin, room: float) -> str:
    """Return the margin in its unit, without its interval where both do not fit."""
    name = margin.limit.applies_to
    text = number_text(margin.margin, name)
    if text_width(text, LABEL) <= room:
        return text
    unit = display_unit(margin.margin.unit, name)[0]
    return fit(f"{pair_text(margin.margin, name)[0]}{THIN}{unit}", LABEL, room)


def _rung(axes, y: float, margin: Margin, end: float) -> None:
    at, half = _share(margin)
    decides = margin.role == "decides"
    ink = light("blue" if decides else "ochre")
    beyond = at > end
    shown = min(at, end)
    axes.plot([0.0, shown], [y, y], color=light("hair"), linewidth=6.0, zorder=1, solid_capstyle="butt")
    if not beyond:
        axes.plot([max(at - half, axes.get_xlim()[0]), min(at + half, end)], [y, y], color=ink, linewidth=2.0, zorder=3)
    style = {"marker": ">" if beyond else "o" if decides else "D", "markersize": 6.5, "linestyle": "none",
             "markeredgewidth": 1.5, "markeredgecolor": ink, "zorder": 4,
             "markerfacecolor": ink if decides else light("paper")}  # fmt: skip
    axes.plot([shown], [y], **style)


def _start(found: Sequence[Margin]) -> float:
    """Return where the scale begins: left of zero where a limit may be exceeded."""
    least = min((at - half for at, half in map(_share, found)), default=0.0)
    return max(-1.0, 1.08 * least) - 0.02 if least < 0.0 else -0.02


def draw_ladder(finding: StepFinding, layout: Layout):
    """Return a matplotlib Figure: a rung a limit, margin as a share of the limit, zero is the limit."""
    found = rungs(finding)[:MOST_RUNGS]
    step = 36.0 if layout.narrow else 23.0
    tall = step * max(2, len(found))
    words = 0.0 if layout.narrow else min(max((text_width(_title(m), LABEL) for m in found), default=0.0) + 6.0, 340.0)
    room = 96.0 if layout.narrow else 150.0
    top, bottom = 22.0, 44.0
    page = sheet(layout.width, top + tall + bottom)
    axes = place(page, words + 8.0, top, layout.width - words - room - 12.0, tall)
    axes.set_xlim(_start(found), 1.03 * FARTHEST)
    axes.set_ylim(-0.7, len(found) - 0.3)
    low = axes.get_xlim()[0]
    if low < -0.03:
        axes.axvspan(low, 0.0, facecolor=light("heat"), edgecolor="none", linewidth=0.0, zorder=0)
    axes.axvline(0.0, color=light("limit"), linewidth=2.2, zorder=2)
    for index, margin in enumerate(found):
        y = len(found) - 1 - index
        _rung(axes, y, margin, FARTHEST)
        axes.annotate(_left(margin, room - 10.0), (1.0, y), xycoords=("axes fraction", "data"), xytext=(8, 0),
                      textcoords="offset points", fontsize=LABEL, color=light("ink"), va="center")  # fmt: skip
        if layout.narrow:
            axes.annotate(fit(_title(margin), SMALL, layout.width - 70.0), (0.0, y), xycoords="data",
                          xytext=(5, 8), textcoords="offset points", fontsize=SMALL, color=light("soft"),
                          va="bottom")  # fmt: skip
    axes.set_yticks(range(len(found)))
    axes.set_yticklabels(["" if layout.narrow else fit(_title(m), LABEL, words) for m in reversed(found)])
    axes.xaxis.set_major_locator(FixedLocator([x / 4.0 for x in range(-4, 5) if x / 4.0 >= low]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: plain(100.0 * x, 0)))
    axes.grid(axis="x")
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("Margin / % of the limit", loc="left", fontsize=LABEL)
    axes.annotate("Margin left", (1.0, 1.0), xycoords="axes fraction", xytext=(8, 6), textcoords="offset points",
                  fontsize=LABEL, color=light("soft"))  # fmt: skip
    return page


def ladder_table(finding: StepFinding) -> Table:
    """Return the numbers of the ladder: every limit of the step, in the order in which they give."""
    rows = tuple(
        (
            _title(m),
            quantity_title(m.limit.applies_to),
            m.figure,
            limit_value(m.limit),
            m.margin,
            100.0 * relative(m) if math.isfinite(relative(m)) else None,
            m.in_u if m.in_u is not None and math.isfinite(m.in_u) else None,
            ROLES[m.role],
            m.note.removeprefix("mean").strip() or None,
        )
        for m in rungs(finding)
    )
    return Table(
        "ladder",
        "Distance to every limit",
        (
            Column("limit", "Limit"),
            Column("figure_name", "Figure"),
            Column("figure", "Is", "", "value"),
            Column("limit_value", "Limit at", "", "value"),
            Column("margin", "Margin", "", "value"),
            Column("margin_percent", "Margin / %", "", "number"),
            Column("in_u", "In u", "", "number"),
            Column("role", "Role"),
            Column("note", "Mind"),
        ),
        rows,
        "In the order in which they give: least margin in standard uncertainties u. From those that advise no verdict "
        "follows.",
    )


def ladder_description(finding: StepFinding) -> str:
    """Return the nearest rungs in words."""
    said = "; ".join(
        f"{clean(m.limit.name)}: {figure_title(m.limit.applies_to)}, {number_text(m.margin, m.limit.applies_to)} left"
        for m in rungs(finding)[:6]
    )
    return f"Nearest limits of step {clean(finding.step.name)}: {said}. Every number stands in the table."
