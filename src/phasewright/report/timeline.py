"""The timeline of the page: raw traces on one clock with steps and windows, drawn from extremes, quickly."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape as escape_xml

import numpy as np

from phasewright.findings import StepFinding
from phasewright.logs import TraceView
from phasewright.report.document import Layout
from phasewright.report.escaping import clean
from phasewright.report.sketch import Sketch, fit, svg_items, text_width
from phasewright.report.wording import axis_title, display_unit, plain

TALL, TOP, STRIP, FOOT = 96.0, 30.0, 40.0, 40.0


@dataclass(frozen=True, slots=True)
class TracePanel:
    """One trace of the timeline."""

    channel: str
    unit: str
    log: str
    view: TraceView


def timeline_svg(
    panels: Sequence[TracePanel], steps: Sequence[StepFinding], *, first_s: float, last_s: float, layout: Layout, title: str
) -> str:
    """Return the timeline as one SVG element for a page that brings `style_sheet`.

    One panel a trace, one axis a panel, all on the reference clock from `first_s` to `last_s` [s].
    """
    width, left = layout.width, 58.0
    room = width - left - 6.0
    sketch = Sketch(width, STRIP + len(panels) * (TALL + TOP) + FOOT)

    def at(time: float) -> float:
        return left + room * (min(max(time, first_s), last_s) - first_s) / (last_s - first_s)

    shown = [(n, s) for n, s in enumerate(steps, 1) if s.span.end_s > first_s and s.span.start_s < last_s]
    for index in range(len(panels)):
        _ground(sketch, shown, at, STRIP + index * (TALL + TOP) + TOP)
    _steps(sketch, shown, at, left)
    paths = []
    for index, panel in enumerate(panels):
        paths.append(_panel(sketch, panel, first_s, last_s, left, room, STRIP + index * (TALL + TOP) + TOP))
    _axis(sketch, first_s, last_s, at, STRIP + len(panels) * (TALL + TOP))
    named = escape_xml(clean(title))
    return (
        f'<svg viewBox="0 0 {sketch.width:g} {sketch.height:g}" width="{sketch.width:g}" height="{sketch.height:g}" '
        f'role="img" aria-label="{named}"><g>{svg_items(sketch.items)}</g>{"".join(paths)}</svg>'
    )


def _ground(sketch: Sketch, shown, at, top: float) -> None:
    for _, finding in shown:
        if finding.window.found:
            x = at(finding.window.start_s)
            sketch.box(x, top, max(at(finding.window.end_s) - x, 0.8), TALL, fill="window")
        for edge in (finding.span.start_s, finding.span.end_s):
            sketch.line((at(edge), top), (at(edge), top + TALL), stroke="hair", width=1.0)


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
    sketch.words(left, top - 8.0, fit(f"{axis_title(panel.channel, panel.unit)}  ({clean(panel.log, 60)})", 12.0, room),
                 size=12.0, bold=True)  # fmt: skip
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
