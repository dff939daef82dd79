"""The front of a design: what each design costs, how hot it settles, what it loses, and how sure it is."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.ticker import MaxNLocator

from phasewright.design import Design, Member, is_enough
from phasewright.report.canvas import LABEL, place, sheet
from phasewright.report.document import Column, Figure, Layout, Table
from phasewright.report.escaping import clean
from phasewright.report.html import figure_file
from phasewright.report.palette import MARKS, SERIES, light
from phasewright.report.sketch import fit
from phasewright.report.wording import plain

__all__ = ["front_figure", "front_svg"]

MOST_COOLERS = len(SERIES)


def front_figure(design: Design) -> Figure:
    """Return the front as a figure: cost against temperature and against loss, a mark for each way of cooling."""
    chosen, front = design.verdict.chosen, design.front
    if chosen is None:
        title = "No design of this catalogue is sure enough"
    else:
        title = f"{chosen.choice.phase_count} phases would be enough, for {chosen.cost:.2f} {clean(front.currency)}"
    sure = sum(is_enough(front.requirement, item) for item in front.members)
    said = f"{len(front.members)} designs on the front, {sure} of them meet every limit with the confidence asked for"
    return Figure(
        "front", title, f"Cost of the parts against settled temperature and loss; {said}",
        f"{title}. {said}. Every number stands in the table.", lambda layout: _draw(design, layout), front_table(design),
        "Filled: sure enough. Hollow: not. A ring marks the design that is cheapest over its life. Every design on the "
        "front is better than each of the others in cost, temperature, loss or chance.",
    )  # fmt: skip


def front_svg(design: Design) -> str:
    """Return the figure of the front as a whole SVG file, legible on light and dark."""
    banner = "Invented parts and prices" if design.catalogue.simulated else ""
    return figure_file(front_figure(design), banner)


def front_table(design: Design) -> Table:
    """Return the designs of the front, cheapest first."""
    currency = clean(design.front.currency)
    columns = (
        Column("phase_count", "Phases", "", "number"), Column("stage", "Power stage"), Column("inductor", "Inductor"),
        Column("frequency", "Frequency / kHz", "", "number"), Column("output", "Output capacitors"),
        Column("input", "Input capacitors"), Column("controller", "Controller"), Column("cooler", "Cooling"),
        Column("connector", "Connectors"), Column("cost", f"Cost / {currency}", "", "number"),
        Column("total_cost", f"Over its life / {currency}", "", "number"),
        Column("temperature", "Settles at / °C", "", "number"), Column("loss", "Loss / W", "", "number"),
        Column("chance", "Meets every limit / %", "", "number"),
    )  # fmt: skip
    rows = tuple(_row(item) for item in design.front.members)
    return Table("front", "Designs on the front", columns, rows, "Cheapest first.", listed=len(rows) <= 60)


def _row(item: Member) -> tuple:
    own = item.choice
    chance = item.chances.chance if item.chances is not None else item.chance
    return (own.phase_count, clean(own.stage), clean(own.inductor), own.switching_frequency / 1e3,
            f"{own.output_count} x {clean(own.output_capacitor)}", f"{own.input_count} x {clean(own.input_capacitor)}",
            clean(own.controller), clean(own.cooler), f"{own.connector_count} x {clean(own.connector)}", item.cost,
            item.total_cost, item.regulator_temperature, item.conversion_loss, 100.0 * chance)  # fmt: skip


def _draw(design: Design, layout: Layout):
    members, need = design.front.members, design.requirement
    coolers = list(dict.fromkeys(item.choice.cooler for item in members))
    legend = 20.0 * len(coolers) if layout.narrow else 24.0
    tall, left = 240.0, 54.0
    panels = (("regulator_temperature", "Settles at / °C"), ("conversion_loss", "Loss / W"))
    each = layout.width - left - 16.0 if layout.narrow else 0.5 * (layout.width - 2.0 * left - 32.0)
    rows = len(panels) if layout.narrow else 1
    page = sheet(layout.width, legend + 20.0 + rows * (tall + 62.0))
    _legend(page, coolers, layout)
    for k, (name, title) in enumerate(panels):
        x = left if layout.narrow else left + k * (each + left + 16.0)
        y = legend + 20.0 + (k * (tall + 62.0) if layout.narrow else 0.0)
        axes = place(page, x, y, each, tall)
        for item in members:
            _mark(axes, item, coolers.index(item.choice.cooler), getattr(item, name), is_enough(need, item))
        chosen = design.verdict.chosen
        if chosen is not None:
            index = coolers.index(chosen.choice.cooler) if chosen.choice.cooler in coolers else 0
            _mark(axes, chosen, index, getattr(chosen, name), True)
            axes.plot([chosen.cost], [getattr(chosen, name)], marker="o", markersize=15.0, markerfacecolor="none",
                      markeredgecolor=light("ink"), markeredgewidth=1.8, linestyle="none", zorder=6)  # fmt: skip
            left = 2.0 * chosen.cost > sum(axes.get_xlim())  # a mark on the right has its words on its left
            axes.annotate(f"{chosen.choice.phase_count} phases", (chosen.cost, getattr(chosen, name)),
                          xytext=(-10 if left else 10, 16), ha="right" if left else "left",
                          textcoords="offset points", fontsize=LABEL, color=light("ink"), zorder=7,
                          bbox={"facecolor": light("paper"), "edgecolor": "none", "pad": 1.5})  # fmt: skip
        axes.grid(axis="y")
        axes.xaxis.set_major_locator(MaxNLocator(5))
        axes.yaxis.set_major_locator(MaxNLocator(6, integer=True))
        axes.yaxis.set_major_formatter(lambda value, _: plain(value, 0))
        axes.set_xlabel(f"Cost of the parts / {clean(design.front.currency)}", loc="left", fontsize=LABEL)
        axes.set_title(title)
    return page


def _style(index: int, sure: bool) -> dict:
    ink = light(SERIES[index % len(SERIES)])
    return {"marker": MARKS[index % len(MARKS)], "markersize": 6.0, "markeredgecolor": ink, "markeredgewidth": 1.3,
            "markerfacecolor": ink if sure else light("paper"), "linestyle": "none", "zorder": 4}  # fmt: skip


def _mark(axes, item: Member, index: int, y: float, sure: bool) -> None:
    axes.plot([item.cost], [y], **_style(index, sure))


def _legend(page, coolers: Sequence[str], layout: Layout) -> None:
    """Name the ways of cooling above the panels."""
    axes = place(page, 0.0, 0.0, layout.width, 20.0 * len(coolers) if layout.narrow else 24.0)
    axes.set_axis_off()
    axes.set_xlim(0.0, layout.width)
    lines = len(coolers) if layout.narrow else 1
    axes.set_ylim(0.0, float(lines))
    room = layout.width if layout.narrow else layout.width / max(1, len(coolers))
    for k, name in enumerate(coolers):
        x, y = (0.0, lines - k - 0.5) if layout.narrow else (k * room, 0.5)
        axes.plot([x + 8.0], [y], **_style(k, True))
        axes.annotate(fit(clean(name), LABEL, room - 26.0), (x + 18.0, y), fontsize=LABEL, color=light("ink"), va="center")
