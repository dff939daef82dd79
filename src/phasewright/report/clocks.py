"""How well the clocks agree: both records around the sharpest edge, on the shared clock."""

from __future__ import annotations

import numpy as np
from matplotlib.ticker import FuncFormatter, MaxNLocator

from phasewright.findings import Analysis
from phasewright.logs import AlignedTrace, ClockMap
from phasewright.report.canvas import LABEL, SMALL, place, sheet
from phasewright.report.document import Layout
from phasewright.report.escaping import clean
from phasewright.report.palette import light
from phasewright.report.sketch import fit
from phasewright.report.wording import axis_title, clock_text, display_unit, plain, quantity_title

TALL = 150.0


def pairs_drawn(analysis: Analysis) -> tuple[tuple[ClockMap, AlignedTrace, AlignedTrace], ...]:
    """Return each aligned clock with the two traces that were compared, the reference's and its own, of one unit."""
    traces = analysis.recording.traces
    found = []
    for clock in analysis.recording.clocks:
        first, second = (traces.get(name) for name in clock.pair)
        if clock.status != "reference" and first is not None and second is not None and first.unit == second.unit:
            found.append((clock, first, second))
    return tuple(found)


def _edges(trace: AlignedTrace, begin: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the moments between neighbouring readings and the size of the change there; no change across a hole."""
    inside = np.flatnonzero((trace.middle_s >= begin) & (trace.middle_s <= end) & np.isfinite(trace.value))
    if len(inside) < 3:
        return np.empty(0), np.empty(0)
    time, value = trace.middle_s[inside], trace.value[inside]
    gap = np.diff(time)
    change = np.abs(np.diff(value))
    change[gap > 3.0 * float(np.median(gap)) + 1e-9] = 0.0
    return 0.5 * (time[1:] + time[:-1]), change


def _covered(trace: AlignedTrace, begin: float, end: float) -> bool:
    """Tell whether a record has no hole between two moments."""
    inside = (trace.end_s >= begin) & (trace.start_s <= end)
    time = trace.middle_s[inside & np.isfinite(trace.value)]
    if len(time) < 3 or time[0] > begin + 2.0 or time[-1] < end - 2.0:
        return False
    return bool(np.diff(time).max() < max(3.5 * float(np.median(np.diff(time))), 0.2))


def telling_edges(first: AlignedTrace, second: AlignedTrace, reach: float, most: int = 3) -> list[float]:
    """Return the moments [s] of the sharpest edge that both records hold whole, one in each of `most` stretches."""
    if not len(second.value) or not len(first.value):
        return []
    begin = max(first.middle_s[0], second.middle_s[0])
    end = min(first.middle_s[-1], second.middle_s[-1])
    found = []
    time, change = _edges(second, float(begin), float(end))
    bounds = np.linspace(begin, end, most + 1)
    for low, high in zip(bounds[:-1], bounds[1:], strict=True):
        here = np.flatnonzero((time >= low) & (time < high) & (change > 0.0))
        for index in here[np.argsort(-change[here], kind="stable")[:12]]:
            at = float(time[index])
            if _covered(first, at - reach, at + reach) and _covered(second, at - reach, at + reach):
                fine, jump = _edges(first, at - 2.0 * second.averaging - 0.5, at + 2.0 * second.averaging + 0.5)
                found.append(float(fine[int(np.argmax(jump))]) if len(fine) else at)
                break
    return found


def _bars(axes, trace: AlignedTrace, begin: float, end: float, factor: float, **look) -> None:
    """Draw a record as what it is: one level over each averaging interval."""
    inside = np.flatnonzero((trace.end_s >= begin) & (trace.start_s <= end))
    x = np.stack([trace.start_s[inside], trace.end_s[inside]], axis=1).ravel()
    y = np.repeat(trace.value[inside] * factor, 2)
    axes.plot(x, y, **look)


def draw_clocks(analysis: Analysis, layout: Layout):
    """Return a matplotlib Figure: a row a log, both records around edges early, midway and late."""
    jobs = []
    for clock, first, second in pairs_drawn(analysis)[:6]:
        reach = max(4.0, 3.5 * max(first.averaging, second.averaging))
        edges = telling_edges(first, second, reach, 2 if layout.narrow else 3)
        jobs.append((clock, first, second, reach, edges))
    columns = 1 if layout.narrow else max((len(job[4]) for job in jobs), default=1) or 1
    rows = sum(len(job[4]) if layout.narrow else 1 for job in jobs) or 1
    top, bottom, gap, left = 46.0, 46.0, 18.0, 44.0
    page = sheet(layout.width, rows * (top + TALL + bottom))
    cell = (layout.width - left - 6.0 - gap * (columns - 1)) / columns
    row = 0
    for clock, first, second, reach, edges in jobs:
        low, high = _range((first, second), edges, reach)
        for index, centre in enumerate(edges):
            column = 0 if layout.narrow else index
            axes = place(page, left + column * (cell + gap), row * (top + TALL + bottom) + top, cell, TALL)
            _dress(axes, (first, second), clock, centre, reach, index == 0 or layout.narrow)
            axes.set_ylim(low, high)
            for order, (trace, ink, dash) in enumerate(((first, "blue", (0, ())), (second, "limit", (0, (5.0, 2.0))))):
                factor = display_unit(trace.unit, trace.channel)[1]
                _bars(
                    axes,
                    trace,
                    centre - reach,
                    centre + reach,
                    factor,
                    color=light(ink),
                    linewidth=2.0,
                    linestyle=dash,
                    zorder=3 + order,
                )
                if column == 0:
                    _label(axes, trace, order, ink, cell - 10.0)
            row += 1 if layout.narrow else 0
        row += 0 if layout.narrow else 1
    return page


def _range(traces: tuple[AlignedTrace, AlignedTrace], edges: list[float], reach: float) -> tuple[float, float]:
    """Return the vertical range that all panels of a row share."""
    seen = (
        [np.nanmin(part) for part in _parts(traces, edges, reach)],
        [np.nanmax(part) for part in _parts(traces, edges, reach)],
    )
    low, high = min(seen[0], default=0.0), max(seen[1], default=1.0)
    pad = 0.08 * (high - low or 1.0)
    return float(low - pad), float(high + 3.5 * pad)


def _parts(traces: tuple[AlignedTrace, AlignedTrace], edges: list[float], reach: float) -> list[np.ndarray]:
    found = []
    for trace in traces:
        for at in edges:
            part = trace.value[(trace.end_s >= at - reach) & (trace.start_s <= at + reach)]
            if np.isfinite(part).any():
                found.append(part * display_unit(trace.unit, trace.channel)[1])
    return found


def _label(axes, trace: AlignedTrace, order: int, ink: str, room: float) -> None:
    words = f"{'— ' if order == 0 else '- - '}{quantity_title(trace.channel)} ({trace.log})"
    axes.annotate(
        fit(words, SMALL, room),
        (0.02, 0.96),
        xycoords="axes fraction",
        xytext=(0, -13.0 * order),
        textcoords="offset points",
        fontsize=SMALL,
        color=light(ink),
        va="top",
        fontweight="bold",
    )


def _dress(
    axes, traces: tuple[AlignedTrace, AlignedTrace], clock: ClockMap, centre: float, reach: float, first: bool
) -> None:
    axes.axvline(centre, color=light("hair"), linewidth=1.0)
    axes.set_xlim(centre - reach, centre + reach)
    unit = display_unit(traces[0].unit)[0]
    title = f"Power / {unit}" if traces[0].unit == "W" else axis_title(traces[0].channel, traces[0].unit)
    lines = [
        f"{title}, {clean(clock.log, 30)} against {clean(clock.reference, 30)}" if first else "",
        f"edge at {clock_text(centre)}",
    ]
    axes.set_title("\n".join(lines) if first else lines[1], pad=8.0)
    axes.yaxis.set_major_locator(MaxNLocator(4))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: plain(y, 0 if abs(y - round(y)) < 1e-6 else 2)))
    axes.tick_params(labelleft=first)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: plain(x - centre, 0)))
    axes.xaxis.set_major_locator(_Around(centre))
    axes.grid(axis="y")
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("Time from the edge / s", loc="left", fontsize=LABEL)


class _Around(MaxNLocator):
    """Ticks at round distances from a moment."""

    def __init__(self, centre: float):
        super().__init__(nbins=5, steps=[1, 2, 5, 10])
        self.centre = centre

    def tick_values(self, vmin: float, vmax: float) -> np.ndarray:
        """Return tick places [s] between `vmin` and `vmax`."""
        return super().tick_values(vmin - self.centre, vmax - self.centre) + self.centre
