"""Raw traces on the shared clock, with the steps, the windows taken and the parts left out."""

from __future__ import annotations

import numpy as np
from matplotlib.ticker import FuncFormatter, MaxNLocator

from phasewright.findings import Analysis
from phasewright.logs import AlignedTrace
from phasewright.report.canvas import LABEL, SMALL, place, sheet
from phasewright.report.document import Layout
from phasewright.report.palette import light
from phasewright.report.sketch import text_width
from phasewright.report.thinning import break_gaps, thin
from phasewright.report.wording import axis_title, display_unit, plain

ORDER = (
    "input_power",
    "package_power",
    "regulator_temperature",
    "coolant_temperature",
    "rail_current",
    "rail_power",
    "processor_temperature",
    "rail_voltage",
    "phase_count",
    "protection_active",
)
STRIP = 40.0
TALL = 104.0


def channels_drawn(analysis: Analysis, most: int) -> tuple[str, ...]:
    """Return the channels that get a panel, the most telling first."""
    traces = analysis.recording.traces
    chosen = [name for wanted in ORDER for name in sorted(traces) if name == wanted or name.startswith(wanted + ".")]
    return tuple(chosen[:most])


def line_of(trace: AlignedTrace, buckets: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the points to draw for a trace: thinned, extremes kept, no gap bridged."""
    time, value = trace.middle_s, trace.value
    if len(time) > 1:
        longest = 3.5 * float(np.median(np.diff(time)))
    else:
        longest = np.inf
    if trace.low is None and trace.high is None:
        time, value = break_gaps(time, value, longest)
        return thin(time, value, buckets)
    thinned = thin(time, value, buckets, low=trace.low, high=trace.high)
    return break_gaps(*thinned, max(longest, 3.5 * (time[-1] - time[0]) / buckets if len(time) else longest))


def _strip(axes, analysis: Analysis, width: float, begin: float, end: float) -> None:
    """Draw each step with its number, its window (thick) and its discarded parts (thin)."""
    axes.set_ylim(0.0, 1.0)
    axes.set_axis_off()
    rooms = [(f.span.end_s - f.span.start_s) / max(end - begin, 1e-9) * width - 6.0 for f in analysis.steps]
    named = all(
        text_width(f"{i + 1}  {f.step.name}", SMALL) < room
        for i, (f, room) in enumerate(zip(analysis.steps, rooms, strict=True))
    )
    last = -1e9
    for number, finding in enumerate(analysis.steps, start=1):
        span, window = finding.span, finding.window
        words = f"{number}  {finding.step.name}" if named else str(number)
        at = span.start_s / max(end - begin, 1e-9) * width
        if at < last and not named:
            words = ""
        last = at + text_width(words, SMALL) + 2.0 if words else last
        axes.text(
            span.start_s + 2.0 / width * (end - begin),
            0.62,
            words,
            fontsize=SMALL,
            color=light("soft"),
            va="baseline",
            parse_math=False,
        )
        for start, stop, _ in window.discarded:
            axes.plot([start, stop], [0.28, 0.28], color=light("line"), linewidth=1.2, linestyle=(0, (2.0, 2.0)))
        if window.found:
            axes.plot([window.start_s, window.end_s], [0.28, 0.28], color=light("ink"), linewidth=4.0)


def _panel(axes, analysis: Analysis, name: str, buckets: int) -> None:
    trace = analysis.recording.traces[name]
    unit, factor = display_unit(trace.unit, name)
    time, value = line_of(trace, buckets)
    for finding in analysis.steps:
        window = finding.window
        if window.found:
            axes.axvspan(
                window.start_s, window.end_s, facecolor=light("window"), edgecolor="none", linewidth=0.0, zorder=0
            )
        axes.axvline(finding.span.start_s, color=light("hair"), linewidth=0.9, zorder=1)
    axes.plot(time, value * factor, color=light("trace"), linewidth=0.8, zorder=2)
    for finding in analysis.steps:
        mean = finding.quantities.get(name)
        if finding.window.found and mean is not None and mean.kind != "extrapolated":
            axes.plot(
                [finding.window.start_s, finding.window.end_s],
                [mean.value * factor] * 2,
                color=light("ink"),
                linewidth=2.0,
                zorder=3,
            )
    axes.yaxis.set_major_locator(MaxNLocator(3, steps=[1, 2, 2.5, 5, 10]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: plain(y, 0 if abs(y - round(y)) < 1e-6 else 2)))
    axes.grid(axis="y")
    axes.spines["left"].set_visible(False)
    axes.set_title(axis_title(name, trace.unit) + f"   ({trace.log})", pad=5.0)


def draw_traces(analysis: Analysis, layout: Layout):
    """Return a matplotlib Figure: one panel a channel, all on the reference clock."""
    names = channels_drawn(analysis, 4 if layout.narrow else 6)
    ends = [t.middle_s[[0, -1]] for t in (analysis.recording.traces[n] for n in names) if len(t.value)]
    begin = float(min((e[0] for e in ends), default=0.0))
    end = float(max((e[1] for e in ends), default=1.0))
    long = end - begin > 600.0
    left, right, top, bottom = 44.0, 8.0, 24.0, 42.0
    width = layout.width - left - right
    page = sheet(layout.width, STRIP + len(names) * (TALL + top) + bottom)
    strip = place(page, left, 0.0, width, STRIP)
    strip.set_xlim(begin, end)
    _strip(strip, analysis, width, begin, end)
    for index, name in enumerate(names):
        axes = place(page, left, STRIP + index * (TALL + top) + top, width, TALL)
        axes.set_xlim(begin, end)
        _panel(axes, analysis, name, int(width * (0.6 if layout.narrow else 0.8)))
        minute = 60.0 if long else 1.0
        axes.xaxis.set_major_locator(_Minutes(minute, 5 if layout.narrow else 9))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _, m=minute: plain(x / m, 0 if m > 1 else 1)))
        if index < len(names) - 1:
            axes.tick_params(labelbottom=False)
        else:
            axes.set_xlabel(f"Time on the reference clock / {'min' if long else 's'}", loc="left", fontsize=LABEL)
    return page


class _Minutes(MaxNLocator):
    """Ticks at round numbers of minutes on an axis in seconds."""

    def __init__(self, scale: float, most: int):
        super().__init__(nbins=most, steps=[1, 2, 5, 10])
        self.scale = scale

    def tick_values(self, vmin: float, vmax: float) -> np.ndarray:
        """Return tick places [s] between `vmin` and `vmax`."""
        return super().tick_values(vmin / self.scale, vmax / self.scale) * self.scale
