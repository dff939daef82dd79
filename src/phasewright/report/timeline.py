"""The timeline of the page: raw traces on one clock with steps and windows, drawn from extremes, quickly."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape as escape_xml

import numpy as np

from phasewright.findings import StepFinding
from phasewright.logs import TraceView
from phasewright.report.document import Column, Layout, Table
from phasewright.report.escaping import clean
from phasewright.report.palette import light, theme_css
from phasewright.report.sketch import FONT, Sketch, fit, svg_items, text_width
from phasewright.report.wording import axis_title, display_unit, plain, quantity_title, typeset

TALL, TOP, STRIP, FOOT = 96.0, 30.0, 40.0, 40.0
SIGN = "▲"
"""Stands before what is doubtful about a clock."""


@dataclass(frozen=True, slots=True)
class TracePanel:
    """One trace of the timeline."""

    channel: str
    unit: str
    log: str
    view: TraceView
    clock: str = ""
    """What is known of the place of its readings in time: ``clock ± 0.03 s``."""
    doubtful: bool = False
    """Whether its clock is assumed or ambiguous: said with a sign, in another ink."""
    reach_s: float = 0.0
    """95 % half-width of the place of its readings in time [s]; drawn at every edge where it is wide enough to see."""
    breaks: tuple[float, ...] = ()
    """Moments [s] at which its clock started anew."""


@dataclass(frozen=True, slots=True)
class Draft:
    """A step as somebody is typing it: where it would be found, on the reference clock [s]."""

    start_s: float
    end_s: float
    window: tuple[float, float] | None
    """First and last moment of its window; None = it would have none."""
    number: int = 0
    """Number of the step that it stands for, 1 = the first, whose own drawing is left out; 0 = a new one."""


def timeline_svg(
    panels: Sequence[TracePanel], steps: Sequence[StepFinding], *, first_s: float, last_s: float, layout: Layout, title: str,
    draft: Draft | None = None,
) -> str:  # fmt: skip
    """Return the timeline as one SVG element for a page that brings `style_sheet`.

    One panel a trace, one axis a panel, all on the reference clock from `first_s` to `last_s` [s]. `draft` is drawn over
    everything else, with brackets at its ends.
    """
    width, left = layout.width, 58.0
    room = width - left - 6.0
    sketch = Sketch(width, STRIP + len(panels) * (TALL + TOP) + FOOT)

    def at(time: float) -> float:
        return left + room * (min(max(time, first_s), last_s) - first_s) / (last_s - first_s)

    shown = [(n, s) for n, s in enumerate(steps, 1) if s.span.end_s > first_s and s.span.start_s < last_s
             and (draft is None or n != draft.number)]  # fmt: skip
    for index in range(len(panels)):
        _ground(sketch, shown, at, STRIP + index * (TALL + TOP) + TOP, panels[index])
    _steps(sketch, shown, at, left)
    if draft is not None:
        _draft(sketch, draft, at, len(panels))
    paths = []
    for index, panel in enumerate(panels):
        paths.append(_panel(sketch, panel, first_s, last_s, left, room, STRIP + index * (TALL + TOP) + TOP))
    _axis(sketch, first_s, last_s, at, STRIP + len(panels) * (TALL + TOP))
    named = escape_xml(clean(title))
    return (
        f'<svg viewBox="0 0 {sketch.width:g} {sketch.height:g}" width="{sketch.width:g}" height="{sketch.height:g}" '
        f'role="img" aria-label="{named}"><g>{svg_items(sketch.items)}</g>{"".join(paths)}</svg>'
    )


def timeline_file(text: str, *, title: str, subtitle: str, banner: str = "") -> str:
    """Return what `timeline_svg` gave as a whole SVG file, what it shows told above it, legible on light and dark."""
    size = re.match(r'<svg viewBox="0 0 ([\d.]+) ([\d.]+)"', text)
    if size is None:
        raise ValueError("text is none of timeline_svg - its size is not known - hand its text over unchanged")
    width, height = float(size[1]), float(size[2])
    told = ([(banner, 11.0, "red", True)] if banner else []) + [(title, 17.0, "ink", True), (subtitle, 12.0, "soft", False)]
    head = Sketch(width, 26.0 * len(told) + 8.0)
    for index, (line, letters, ink, bold) in enumerate(told):
        head.words(0.0, 22.0 + 26.0 * index, fit(typeset(line), letters, width), size=letters, ink=ink, bold=bold)
    body = text[text.index(">") + 1 :].removesuffix("</svg>")
    body = body.replace('class="s-trace"', f'class="s-trace" stroke="{light("trace")}"')
    wide, tall = width + 36.0, height + head.height + 36.0
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {tall:g}" width="{wide:g}" height="{tall:g}" role="img" '
        f'aria-label="{escape_xml(clean(title))}" font-family="{FONT}">\n<style>{theme_css()}</style>\n'
        f'<path class="f-paper" fill="{light("paper")}" d="M0,0H{wide:g}V{tall:g}H0Z"/>\n'
        f'<g transform="translate(18,18)">{svg_items(head.items)}</g>\n'
        f'<g transform="translate(18,{18.0 + head.height:g})">{body}</g>\n</svg>\n'
    )


def timeline_title(panels: Sequence[TracePanel], first_s: float, last_s: float) -> str:
    """Return what the timeline shows in a few words: the reach of its first trace."""
    stretch = f"from {plain(first_s, 1)} s to {plain(last_s, 1)} s"
    row = next((row for row in timeline_table(panels).rows if row[3] is not None), None)
    if row is None:
        return f"No reading {stretch}"
    return f"{row[0]} lies between {row[3]} and {row[4]} {row[2]} {stretch}".replace("  ", " ")


def timeline_table(panels: Sequence[TracePanel]) -> Table:
    """Return the reach of every trace within the stretch that is shown."""
    rows = []
    for panel in panels:
        unit, factor = display_unit(panel.unit, panel.channel)
        low, high = panel.view.low[np.isfinite(panel.view.low)], panel.view.high[np.isfinite(panel.view.high)]
        ends = (float(low.min()) * factor, float(high.max()) * factor) if len(low) else (None, None)
        places = 0 if ends[0] is None else max(0, 3 - math.floor(math.log10(max(abs(ends[1]), 1e-9))))
        told = [None if end is None else plain(end, min(places, 6)) for end in ends]
        rows.append((quantity_title(panel.channel), clean(panel.log), unit, *told, panel.clock))
    columns = (Column("channel", "Trace"), Column("log", "Log"), Column("unit", "Unit"), Column("least", "Least"),
               Column("greatest", "Greatest"), Column("clock", "Clock"))  # fmt: skip
    return Table("timeline", "Reach of each trace in this stretch", columns, tuple(rows), "Readings as they were logged.")


def timeline_points(panels: Sequence[TracePanel]) -> Table:
    """Return what is drawn: the least and the greatest reading of every stretch of every trace, in SI."""
    rows = [
        (panel.channel, panel.unit, t, low, high)
        for panel in panels
        for t, low, high in zip(panel.view.time_s.tolist(), panel.view.low.tolist(), panel.view.high.tolist(), strict=True)
        if math.isfinite(low)
    ]
    columns = (Column("channel", "Trace"), Column("unit", "Unit"), Column("time", "Time", "s", "number"),
               Column("least", "Least", "", "number"), Column("greatest", "Greatest", "", "number"))  # fmt: skip
    return Table("timeline-points", "What is drawn, from stretch to stretch", columns, tuple(rows), listed=False)


def _ground(sketch: Sketch, shown, at, top: float, panel: TracePanel) -> None:
    for _, finding in shown:
        if finding.window.found:
            x = at(finding.window.start_s)
            sketch.box(x, top, max(at(finding.window.end_s) - x, 0.8), TALL, fill="window")
        for edge in (finding.span.start_s, finding.span.end_s):
            wide = at(edge + panel.reach_s) - at(edge - panel.reach_s)
            if wide > 2.0:  # readings here may belong to either side
                sketch.box(at(edge - panel.reach_s), top, wide, TALL, fill="heat")
            sketch.line((at(edge), top), (at(edge), top + TALL), stroke="hair", width=1.0)
    for moment in panel.breaks:
        x = at(moment)
        sketch.line((x, top), (x, top + TALL), stroke="limit", width=1.2, dash=(1.4, 2.4))


def _draft(sketch: Sketch, draft: Draft, at, count: int) -> None:
    """Draw where a step would be: its ends in every panel, its window as a bar on top and as an outline in each."""
    start, end = at(draft.start_s), at(draft.end_s)
    sketch.line((start, 36.0), (start, 28.0), (end, 28.0), (end, 36.0), stroke="blue", width=1.4)
    if draft.number:
        sketch.words(start + 1.0, 19.0, str(draft.number), size=11.0, ink="blue", bold=True)
    tops = [STRIP + index * (TALL + TOP) + TOP for index in range(count)]
    for x in (start, end):
        for top in tops:
            sketch.line((x, top), (x, top + TALL), stroke="blue", width=1.6)
    if draft.window is not None:
        left, right = (at(edge) for edge in draft.window)
        sketch.line((left, 33.0), (right, 33.0), stroke="blue", width=4.0)
        for top in tops:
            sketch.box(left, top, max(right - left, 0.8), TALL, stroke="blue", width=1.0)


def _steps(sketch: Sketch, shown, at, left: float) -> None:
    last = -1e9
    for number, finding in shown:
        x, end = at(finding.span.start_s), at(finding.span.end_s)
        sketch.line((x + 0.5, 30.0), (end - 0.5, 30.0), stroke="line", width=1.2, dash=(2.4, 2.4))
        if finding.window.found:
            sketch.line((at(finding.window.start_s), 30.0), (at(finding.window.end_s), 30.0), stroke="ink", width=4.0)
        words = fit(f"{number}  {finding.step.name}", 11.0, max(end - x - 4.0, 0.0))
        words = str(number) if words.endswith("…") or not words else words
        if x >= last:
            sketch.words(x + 1.0, 19.0, words, size=11.0, ink="soft")
            last = x + text_width(words, 11.0) + 4.0


def _panel(sketch: Sketch, panel: TracePanel, first_s: float, last_s: float, left: float, room: float, top: float) -> str:
    """Draw the frame of one panel; return the path of its trace."""
    factor = display_unit(panel.unit, panel.channel)[1]
    low, high = panel.view.low * factor, panel.view.high * factor
    name = f"{axis_title(panel.channel, panel.unit)}  ({clean(panel.log, 60)})"
    told = f"{SIGN} {panel.clock}" if panel.doubtful else panel.clock
    aside = 0.0
    if told and text_width(told, 11.0) + text_width(name, 13.5) + 16.0 < room:
        aside = text_width(told, 11.0) + 16.0
        sketch.words(left + room, top - 8.0, told, size=11.0, ink="limit" if panel.doubtful else "soft", anchor="end")
    elif panel.doubtful:  # what is doubtful is said even where there is hardly room for it
        aside = text_width(SIGN, 12.0) + 8.0
        sketch.words(left + room, top - 8.0, SIGN, size=12.0, ink="limit", anchor="end")
    sketch.words(left, top - 8.0, fit(name, 13.5, room - aside), size=12.0, bold=True)
    known = np.isfinite(low)
    if not known.any():
        sketch.words(left, top + 0.5 * TALL, "no reading in this stretch", size=11.5, ink="soft")
        return ""
    least, most = float(low[known].min()), float(high[known].max())
    edge = 0.06 * (most - least) or max(abs(most), 1.0) * 0.05
    least, most = least - edge, most + edge
    marks = ticks(least, most, 3)
    places = _places(marks)
    for tick in marks:
        y = top + TALL * (most - tick) / (most - least)
        sketch.line((left, y), (left + room, y), stroke="hair", width=1.0)
        sketch.words(left - 7.0, y + 4.0, plain(tick, places), size=11.0, ink="soft", anchor="end")
    x = np.clip(left + room * (panel.view.time_s - first_s) / (last_s - first_s), left - 1.0, left + room + 1.0)
    y_high, y_low = (top + TALL * (most - v) / (most - least) for v in (high, low))
    words, pen = [], False
    for px, upper, lower in zip(x.tolist(), y_high.tolist(), y_low.tolist(), strict=True):
        if upper != upper:  # NaN: the line is broken here
            pen = False
            continue
        words.append(f"{'L' if pen else 'M'}{px:.1f},{upper:.1f}" + (f"V{lower:.1f}" if lower - upper > 0.15 else ""))
        pen = True
    return f'<path d="{"".join(words)}" class="s-trace" fill="none" stroke-width="1"/>'


def ticks(low: float, high: float, most: int) -> list[float]:
    """Return at most `most` + 1 round numbers between `low` and `high`, evenly spaced."""
    raw = (high - low) / max(most, 1)
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(size * m for m in (1.0, 2.0, 2.5, 5.0, 10.0) if size * m >= raw)
    first = math.ceil(low / step)
    return [k * step for k in range(first, math.floor(high / step) + 1)]


def _places(marks: Sequence[float]) -> int:
    """Return the decimals that tell the marks exactly."""
    step = marks[1] - marks[0] if len(marks) > 1 else abs(marks[0]) if marks and marks[0] else 1.0
    return next((n for n in range(9) if abs(round(step, n) - step) < 1e-6 * step), 9)


def _axis(sketch: Sketch, first_s: float, last_s: float, at, y: float) -> None:
    long = last_s - first_s > 600.0
    scale = 60.0 if long else 1.0
    marks = ticks(first_s / scale, last_s / scale, 5 if sketch.width < 600 else 9)
    places = _places(marks)
    for mark in marks:
        x = at(mark * scale)
        sketch.line((x, y), (x, y + 5.0), stroke="line", width=1.0)
        sketch.words(x, y + 18.0, plain(mark, places), size=11.0, ink="soft", anchor="middle")
    sketch.words(at(first_s), y + 35.0, f"Time on the reference clock / {'min' if long else 's'}", size=11.0, ink="soft")
