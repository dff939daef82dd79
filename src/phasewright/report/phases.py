"""Small multiples against phase count: dots with 95 % intervals, limits drawn and named."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.ticker import FixedLocator, MaxNLocator

from phasewright.findings import Analysis, StepFinding
from phasewright.quantity import Value
from phasewright.report.canvas import LABEL, SMALL, place, sheet
from phasewright.report.document import Layout
from phasewright.report.palette import light
from phasewright.report.series import Series, group, phase_count
from phasewright.report.sketch import fit, text_width
from phasewright.report.wording import THIN, axis_title, display_unit, number_text, plain

HOLDS = ("sustained", "marginal")


def limits_on(analysis: Analysis, name: str) -> dict[tuple[str, float], list]:
    """Return the margins of every step whose limit bounds quantity `name`, by limit name and value."""
    found: dict[tuple[str, float], list] = {}
    for finding in analysis.steps:
        for margin in finding.margins:
            if margin.limit.applies_to == name:
                found.setdefault((margin.limit.name, margin.limit.value), []).append((finding, margin))
    return found


def state_of(finding: StepFinding, value: Value) -> str:
    """Return how a dot is drawn: measured | extrapolated | the verdict where the step did not simply hold."""
    if value.kind == "extrapolated":
        return "extrapolated"
    return "measured" if finding.verdict in HOLDS else finding.verdict


def mark_style(series: Series, state: str) -> dict:
    """Return matplotlib's marker settings for a state; every state differs in shape or filling, not in colour alone."""
    ink = light(series.ink)
    style = {"marker": series.mark, "markersize": 7.5, "color": ink, "markeredgecolor": ink, "markeredgewidth": 1.6,
             "markerfacecolor": ink, "linestyle": "none", "zorder": 5}
    if state == "extrapolated":
        style |= {"marker": "d", "markersize": 8.5, "markerfacecolor": light("paper")}
    elif state in ("unsettled", "unknown"):
        style |= {"markerfacecolor": light("paper")}
    elif state == "clamped":
        style |= {"fillstyle": "left", "markerfacecoloralt": light("paper")}
    elif state == "tripped":
        style |= {"marker": "x", "markersize": 8.0, "markeredgewidth": 2.2}
    return style


def _places(groups: Sequence[Series]) -> tuple[dict[str, float], list[float]]:
    """Return each step's place on the axis, side by side where phase counts meet, and the phase counts."""
    counts = sorted({phase_count(f) for s in groups for f in s.findings if phase_count(f) is not None})
    nearest = min((b - a for a, b in zip(counts, counts[1:], strict=False)), default=1.0)
    gap = min(0.16 * nearest, 0.5 * nearest / max(1, len(groups)))
    where = {}
    for index, one in enumerate(groups):
        seen: dict[float, int] = {}
        for finding in one.findings:
            count = phase_count(finding)
            if count is not None:
                again = seen.get(count, 0)
                seen[count] = again + 1
                where[finding.step.name] = count + gap * (index - 0.5 * (len(groups) - 1)) + 0.35 * gap * again
    return where, counts


def _dots(axes, name: str, groups: Sequence[Series], where: dict[str, float]) -> list[tuple[float, float, Series]]:
    """Draw every series; return the right end of each for its label."""
    ends = []
    for one in groups:
        known = [(where[f.step.name], f.quantities[name], f) for f in one.findings
                 if name in f.quantities and f.step.name in where and np.isfinite(f.quantities[name].value)]
        if not known:
            continue
        factor = display_unit(known[0][1].unit, name)[1]
        x = np.array([k[0] for k in known])
        y = np.array([k[1].value for k in known]) * factor
        if len(known) > 1:
            axes.plot(x, y, color=light(one.ink), linewidth=1.1, linestyle=one.dash, zorder=3, alpha=0.75)
        for (px, value, finding), py in zip(known, y, strict=True):
            state = state_of(finding, value)
            if value.low95 is not None and value.high95 is not None:
                axes.plot([px, px], [value.low95 * factor, value.high95 * factor], color=light(one.ink), linewidth=2.0,
                          linestyle=(0, (2.0, 1.4)) if state == "extrapolated" else "solid", zorder=4)
            axes.plot([px], [py], **mark_style(one, state))
        ends.append((float(x[-1]), float(y[-1]), one))
    return ends


def _limits(axes, analysis: Analysis, name: str, where: dict[str, float], factor: float, width: float) -> list[str]:
    """Draw and name the limits near the data; return words for those that lie too far off to be drawn."""
    low, high = axes.get_ylim()
    span = high - low
    found = sorted(limits_on(analysis, name).items(), key=lambda item: item[0][1])
    several = {key[0] for key, _ in found if sum(1 for other, _ in found if other[0] == key[0]) > 1}
    near, far = [], []
    for (limit, at), margins in found:
        first = min(margins, key=lambda pair: pair[1].margin.value)[1]
        left = number_text(first.margin)
        unit = display_unit(first.limit.unit, name)[0]
        words = f"{limit} {at * factor:.4g}{THIN}{unit}, {left} away"
        if first.margin.value < 0.0:
            words = f"{limit} {at * factor:.4g}{THIN}{unit}, exceeded by {number_text(first.margin).lstrip('−')}"
        (near if at * factor <= high + 0.9 * span else far).append((at * factor, words, margins, limit in several))
    if near:
        high = max(high, max(item[0] for item in near) + 0.10 * span)
        axes.set_ylim(low, high)
    step = 15.0 / axes.get_window_extent().height * (high - low) if near else 0.0
    previous = -np.inf
    for at, words, margins, part in near:
        x = [where[f.step.name] for f, _ in margins if f.step.name in where]
        left, right = (min(x) - 0.35, max(x) + 0.35) if part and x else axes.get_xlim()
        axes.plot([left, right], [at, at], color=light("limit"), linewidth=1.5, linestyle=(0, (8.0, 2.4)), zorder=2)
        y = max(at + 0.22 * step, previous + step)
        previous = y
        axes.annotate(fit(words, SMALL, width), (0.0, y), xycoords=("axes fraction", "data"), fontsize=SMALL,
                      color=light("limit"), va="bottom", xytext=(2, 0), textcoords="offset points", zorder=6)
    return [words for _, words, _, _ in far]


def _end_labels(axes, ends: list[tuple[float, float, Series]], room: float) -> None:
    """Write each series' name at its right end, moved apart where they would touch."""
    low, high = axes.get_ylim()
    per_pixel = (high - low) / axes.get_window_extent().height
    ends = sorted(ends, key=lambda item: item[1])
    at = [y for _, y, _ in ends]
    for i in range(1, len(at)):
        at[i] = max(at[i], at[i - 1] + 14.0 * per_pixel)
    for (_, _, one), y in zip(ends, at, strict=True):
        axes.annotate(fit(one.label, LABEL, room), (1.0, y), xycoords=("axes fraction", "data"), xytext=(6, 0),
                      textcoords="offset points", fontsize=LABEL, color=light(one.ink), va="center", fontweight="bold")


def panel(axes, analysis: Analysis, name: str, room: float, width: float) -> list[str]:
    """Draw one quantity against phase count on `axes`; return the limits that lie beyond it, in words."""
    groups = group(analysis)
    where, counts = _places(groups)
    unit = next((f.quantities[name].unit for f in analysis.steps if name in f.quantities), "1")
    factor = display_unit(unit, name)[1]
    axes.set_xlim((min(counts) - 0.6, max(counts) + 0.6) if counts else (0.0, 1.0))
    ends = _dots(axes, name, groups, where)
    axes.margins(y=0.12)
    axes.autoscale_view(scalex=False)
    beyond = _limits(axes, analysis, name, where, factor, width)
    _end_labels(axes, ends, room)
    low, high = axes.get_ylim()
    for one in groups:
        for finding in one.findings:
            if finding.verdict == "tripped" and name not in finding.quantities and finding.step.name in where:
                axes.plot([where[finding.step.name]], [low + 0.05 * (high - low)], **mark_style(one, "tripped"))
    axes.set_ylim(low, high)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
    axes.yaxis.set_major_formatter(lambda y, _: plain(y, 0 if abs(y - round(y)) < 1e-6 else 1))
    axes.xaxis.set_major_locator(FixedLocator(counts))
    axes.xaxis.set_major_formatter(lambda x, _: plain(x, 0))
    axes.grid(axis="y")
    axes.spines["left"].set_visible(False)
    axes.set_title(axis_title(name, unit), pad=10.0)
    return beyond


def draw_phases(analysis: Analysis, names: Sequence[str], layout: Layout):
    """Return a matplotlib Figure with one panel for each quantity in `names`, all on the same phase counts."""
    columns = 1 if layout.narrow else 2
    rows = -(-len(names) // columns)
    longest = max((text_width(s.label, LABEL) for s in group(analysis)), default=0.0)
    left, room = 40.0, min(longest + 12.0, 130.0 if not layout.narrow else 92.0)
    tall, top, bottom, gap = 250.0, 34.0, 44.0, 30.0
    cell = (layout.width - gap * (columns - 1)) / columns
    page = sheet(layout.width, rows * (top + tall + bottom))
    for index, name in enumerate(names):
        column, row = index % columns, index // columns
        axes = place(page, column * (cell + gap) + left, row * (top + tall + bottom) + top, cell - left - room, tall)
        beyond = panel(axes, analysis, name, room - 8.0, cell - left - 6.0)
        axes.set_xlabel("Phase count / 1" if not beyond else f"Phase count / 1\nnot drawn: {fit('; '.join(beyond), SMALL, cell - 100.0)}",
                        loc="left", fontsize=LABEL)
    return page


def reading_note(analysis: Analysis, names: Sequence[str]) -> str:
    """Return how to read the marks: only those that occur."""
    states = {state_of(f, f.quantities[n]) for f in analysis.steps for n in names if n in f.quantities}
    lost = any(f.verdict == "tripped" for f in analysis.steps)
    words = ["Filled mark: measured, the setting held."] if "measured" in states else []
    words += ["Hollow mark: measured, not settled."] if "unsettled" in states else []
    words += ["Hollow mark: measured, verdict unknown."] if "unknown" in states else []
    words += ["Half-filled mark: measured while a protection held it back."] if "clamped" in states else []
    words += ["Hollow thin diamond with a dotted bar: extrapolated, not measured."] if "extrapolated" in states else []
    words += ["Cross: tripped."] if lost else []
    words.append("Bars are 95 % intervals. The vertical axes do not start at zero.")
    return " ".join(words)
