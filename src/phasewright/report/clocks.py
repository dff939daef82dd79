"""How well the clocks agree: both records around the sharpest edge, on the shared clock."""

from __future__ import annotations

import numpy as np
from matplotlib.ticker import FuncFormatter, MaxNLocator

from phasewright.findings import Analysis
from phasewright.logs import AlignedTrace, ClockMap
from phasewright.report.canvas import LABEL, SMALL, place, sheet
from phasewright.report.document import Layout
from phasewright.report.palette import light
from phasewright.report.sketch import fit
from phasewright.report.wording import axis_title, display_unit, plain, quantity_title

TALL = 150.0


def pairs_drawn(analysis: Analysis) -> tuple[tuple[ClockMap, AlignedTrace, AlignedTrace], ...]:
    """Return each aligned clock with the two traces that were compared: the reference's and its own."""
    traces = analysis.recording.traces
    return tuple((clock, traces[clock.pair[0]], traces[clock.pair[1]]) for clock in analysis.recording.clocks
                 if clock.status != "reference" and clock.pair[0] in traces and clock.pair[1] in traces)


def sharpest_edge(trace: AlignedTrace) -> float:
    """Return the time of the greatest change within one second [s]; the record's middle where nothing changes."""
    good = np.isfinite(trace.value)
    time, value = trace.middle_s[good], trace.value[good]
    if len(time) < 3:
        return float(time.mean()) if len(time) else 0.0
    step = max(1, int(round(1.0 / max(float(np.median(np.diff(time))), 1e-9))))
    step = min(step, len(time) - 1)
    change = np.abs(value[step:] - value[:-step])
    change[time[step:] - time[:-step] > 3.0 * step * float(np.median(np.diff(time))) + 1e-9] = 0.0
    at = int(np.argmax(change))
    return float(0.5 * (time[at] + time[at + step]))


def _bars(axes, trace: AlignedTrace, begin: float, end: float, factor: float, **look) -> None:
    """Draw a record as what it is: one level over each averaging interval."""
    inside = np.flatnonzero((trace.end_s >= begin) & (trace.start_s <= end))
    x = np.stack([trace.start_s[inside], trace.end_s[inside]], axis=1).ravel()
    y = np.repeat(trace.value[inside] * factor, 2)
    axes.plot(x, y, **look)


def draw_clocks(analysis: Analysis, layout: Layout):
    """Return a matplotlib Figure: for each log one panel (two where the units differ) around the sharpest edge."""
    jobs = []
    for clock, first, second in pairs_drawn(analysis)[:6]:
        jobs.append((clock, [(first, "blue", (0, ())), (second, "limit", (0, (5.0, 2.0)))]))
    columns = 1 if layout.narrow or len(jobs) < 2 else 2
    rows = max(1, -(-len(jobs) // columns))
    top, bottom, gap, left = 30.0, 44.0, 36.0, 44.0
    page = sheet(layout.width, rows * (top + TALL + bottom))
    cell = (layout.width - gap * (columns - 1)) / columns
    for index, (clock, lines) in enumerate(jobs):
        x, y = index % columns * (cell + gap) + left, index // columns * (top + TALL + bottom) + top
        same = lines[0][0].unit == lines[1][0].unit
        tall = TALL if same else 0.5 * (TALL - 30.0)
        centre = sharpest_edge(lines[0][0])
        reach = max(6.0, 5.0 * max(lines[0][0].averaging, lines[1][0].averaging))
        axes = None
        for order, (trace, ink, dash) in enumerate(lines):
            if axes is None or not same:
                axes = place(page, x, y + order * (tall + 30.0), cell - left - 4.0, tall)
                _dress(axes, trace, clock, centre, reach, same, last=same or order == 1)
            factor = display_unit(trace.unit, trace.channel)[1]
            _bars(axes, trace, centre - reach, centre + reach, factor, color=light(ink), linewidth=2.0, linestyle=dash,
                  zorder=3 + order)
            _label(axes, trace, order, ink, cell - left - 20.0)
        axes.set_xlim(-reach + centre, reach + centre)
    return page


def _label(axes, trace: AlignedTrace, order: int, ink: str, room: float) -> None:
    words = f"{'— ' if order == 0 else '- - '}{quantity_title(trace.channel)} ({trace.log})"
    axes.annotate(fit(words, SMALL, room), (0.02, 0.96), xycoords="axes fraction", xytext=(0, -13.0 * order),
                  textcoords="offset points", fontsize=SMALL, color=light(ink), va="top", fontweight="bold")


def _dress(axes, trace: AlignedTrace, clock: ClockMap, centre: float, reach: float, same: bool, last: bool) -> None:
    axes.axvline(centre, color=light("hair"), linewidth=1.0)
    axes.set_xlim(centre - reach, centre + reach)
    title = f"Power / {display_unit(trace.unit)[0]}" if same and trace.unit == "W" else axis_title(trace.channel, trace.unit)
    axes.set_title(f"{title}   ({clock.log} against {clock.reference})" if same else title, pad=8.0)
    axes.margins(y=0.25)
    axes.yaxis.set_major_locator(MaxNLocator(4))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: plain(y, 0 if abs(y - round(y)) < 1e-6 else 2)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: plain(x - centre, 0 if reach >= 4 else 1)))
    axes.xaxis.set_major_locator(_Around(centre))
    axes.grid(axis="y")
    axes.spines["left"].set_visible(False)
    if last:
        axes.set_xlabel("Time from the edge / s", loc="left", fontsize=LABEL)
    else:
        axes.tick_params(labelbottom=False)


class _Around(MaxNLocator):
    """Ticks at round distances from a moment."""

    def __init__(self, centre: float):
        super().__init__(nbins=7, steps=[1, 2, 5, 10])
        self.centre = centre

    def tick_values(self, vmin: float, vmax: float) -> np.ndarray:
        """Return tick places [s] between `vmin` and `vmax`."""
        return super().tick_values(vmin - self.centre, vmax - self.centre) + self.centre
