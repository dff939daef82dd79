"""Lines with bands against phase count: what the model says; dots with bars beside them are what was measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, MaxNLocator, NullLocator

from phasewright.report.canvas import LABEL, SMALL, place, sheet
from phasewright.report.document import Layout
from phasewright.report.palette import light
from phasewright.report.sketch import fit, text_width, wrap
from phasewright.report.wording import plain

BOLD = 1.12 * LABEL
"""Size at which bold words of `LABEL` size are measured: they are wider."""
BAND = 0.17
"""Opacity of a band; its line carries the reading."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One line with its band, in display units; NaN breaks it."""

    label: str
    ink: str
    dash: tuple[float, tuple[float, ...]]
    x: tuple[float, ...]
    y: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Dot:
    """One measured value with its bar, in display units."""

    x: float
    y: float
    low: float | None
    high: float | None
    ink: str
    style: dict
    """Matplotlib's settings of the mark."""


@dataclass(frozen=True, slots=True)
class Ruler:
    """A limit, drawn and named."""

    at: float
    words: str
    ink: str = "limit"


@dataclass(frozen=True, slots=True)
class Panel:
    """One quantity against phase count."""

    title: str
    curves: tuple[Curve, ...] = ()
    dots: tuple[Dot, ...] = ()
    rulers: tuple[Ruler, ...] = ()
    from_zero: bool = False
    log: bool = False
    tall: float = 220.0
    span: tuple[float, float] | None = None
    """Vertical range that several panels share; None = its own."""
    labels: bool = True
    """Name the lines at their right ends."""
    columns: tuple[float, ...] = field(default=())
    """Phase counts on the axis."""


def _ends(panel: Panel) -> list[tuple[float, Curve]]:
    """Return where each line ends on the right."""
    found = []
    for curve in panel.curves:
        known = [y for y in curve.y if math.isfinite(y)]
        if known:
            found.append((known[-1], curve))
    return found


def label_ends(axes, ends: Sequence[tuple[float, object]], room: float, log: bool = False) -> None:
    """Write each line's name (of anything with label and ink) at its right end, moved apart where they would touch."""
    low, high = axes.get_ylim()
    to, back = (math.log10, lambda v: 10.0**v) if log else (float, float)
    per_pixel = (to(high) - to(low)) / axes.get_window_extent().height
    placed = -math.inf
    for y, one in sorted(ends, key=lambda item: item[0]):
        lines = [fit(line, BOLD, room) for line in wrap(one.label, BOLD, room)[:3]]
        half = 7.5 * len(lines) * per_pixel
        at = max(to(y), placed + half)
        placed = at + half
        axes.annotate(
            "\n".join(lines),
            (1.0, back(at)),
            xycoords=("axes fraction", "data"),
            xytext=(8, 0),
            linespacing=1.15,
            textcoords="offset points",
            fontsize=LABEL,
            color=light(one.ink),
            va="center",
            fontweight="bold",
        )


def _draw(axes, panel: Panel, room: float) -> None:
    for curve in panel.curves:
        ink = light(curve.ink)
        x, y = np.array(curve.x), np.array(curve.y)
        axes.fill_between(x, curve.low, curve.high, facecolor=ink, alpha=BAND, linewidth=0.0, zorder=2)
        axes.plot(x, y, color=ink, linewidth=1.7, linestyle=curve.dash, zorder=3)
    for dot in panel.dots:
        if dot.low is not None and dot.high is not None:
            axes.plot([dot.x, dot.x], [dot.low, dot.high], color=light(dot.ink), linewidth=2.0, zorder=4)
        axes.plot([dot.x], [dot.y], **dot.style)
    columns = panel.columns or tuple(sorted({x for c in panel.curves for x in c.x} | {d.x for d in panel.dots}))
    axes.set_xlim(min(columns) - 0.5, max(columns) + 0.5)
    if panel.log:
        axes.set_yscale("log")
    elif panel.from_zero:
        axes.set_ylim(bottom=0.0)
    if panel.span is not None:
        axes.set_ylim(*panel.span)
    _rulers(axes, panel)
    _axis(axes, panel, columns, room)
    if panel.labels:
        label_ends(axes, _ends(panel), room, panel.log)


def _rulers(axes, panel: Panel) -> None:
    low, high = axes.get_ylim()
    for ruler in panel.rulers:
        if not low <= ruler.at <= high:
            if panel.span is not None:
                continue
            reach = 2.5 * ruler.at if panel.log else ruler.at + 0.08 * (ruler.at - low)
            axes.set_ylim(low, max(high, reach))
        zero = ruler.ink != "limit"
        dash = "solid" if zero else (0, (8.0, 2.4))
        axes.axhline(ruler.at, color=light(ruler.ink), linewidth=1.0 if zero else 1.5, linestyle=dash, zorder=1.5)
        if ruler.words:
            axes.annotate(
                ruler.words,
                (1.0, ruler.at),
                xycoords=("axes fraction", "data"),
                xytext=(-2, 2),
                textcoords="offset points",
                fontsize=SMALL,
                color=light(ruler.ink),
                va="bottom",
                ha="right",
                zorder=6,
            )


def _axis(axes, panel: Panel, columns: Sequence[float], room: float) -> None:
    if panel.log:
        axes.yaxis.set_major_locator(LogLocator(10.0))
        axes.yaxis.set_minor_locator(NullLocator())
        axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{y:g}"))
    else:
        axes.yaxis.set_major_locator(MaxNLocator(6 if panel.tall > 150 else 4, steps=[1, 2, 2.5, 5, 10]))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: plain(y, 0 if abs(y - round(y)) < 1e-6 else 1)))
    shown = columns if len(columns) <= 12 else columns[:: -(-len(columns) // 12)]
    axes.xaxis.set_major_locator(FixedLocator(list(shown)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: plain(x, 0)))
    axes.grid(axis="y")
    axes.spines["left"].set_visible(False)
    axes.set_title(fit(panel.title, BOLD + 1.0, axes.get_window_extent().width + room), pad=8.0)


def draw_panels(panels: Sequence[Panel], layout: Layout, columns: int):
    """Return a matplotlib Figure of the panels, row by row in `columns`; one below the other on a narrow sheet.

    On a wide sheet panel k stands in column k % columns; on a narrow one the panels of a column follow each other.
    """
    count = 1 if layout.narrow else columns
    order = list(panels)
    if layout.narrow and columns > 1:
        order = [panels[i] for c in range(columns) for i in range(c, len(panels), columns)]
    rows = [order[i : i + count] for i in range(0, len(order), count)]
    labelled = [curve.label for panel in panels if panel.labels for curve in panel.curves]
    room = min(max((text_width(label, BOLD) for label in labelled), default=0.0) + 14.0, 100.0) if labelled else 10.0
    left, top, bottom, gap = 40.0, 32.0, 42.0, 30.0
    cell = (layout.width - gap * (count - 1)) / count
    heights = [max(panel.tall for panel in row) for row in rows]
    page = sheet(layout.width, sum(heights) + len(rows) * (top + bottom))
    y = 0.0
    for row, tall in zip(rows, heights, strict=True):
        for column, panel in enumerate(row):
            axes = place(page, column * (cell + gap) + left, y + top, cell - left - room, tall)
            _draw(axes, panel, room - 10.0)
            axes.set_xlabel("Phase count", loc="left", fontsize=LABEL)
        y += tall + top + bottom
    return page
