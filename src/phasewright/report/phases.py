"""Small multiples against phase count: dots with 95 % intervals, limits drawn and named."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.ticker import FixedLocator, MaxNLocator

from phasewright.findings import Analysis, Margin, StepFinding
from phasewright.quantity import Value
from phasewright.report.canvas import LABEL, SMALL, place, sheet
from phasewright.report.curves import label_ends
from phasewright.report.document import Layout
from phasewright.report.palette import light
from phasewright.report.series import Series, group, phase_count
from phasewright.report.sketch import fit, text_width
from phasewright.report.wording import MINUS, THIN, axis_title, display_unit, pair_text, plain

HOLDS = ("sustained", "marginal")


def limits_on(analysis: Analysis, name: str) -> dict[tuple[str, float], list[tuple[StepFinding, Margin]]]:
    """Return the margins of every step whose limit bounds quantity `name`, by limit name and value.

    Of several margins to one limit (mean and peak) the smallest stands. A limit on one stage is shown as what it means
    for a phase.
    """
    stages = float(analysis.bench.regulator.stages_per_phase)
    found: dict[tuple[str, float], dict[str, tuple[StepFinding, Margin]]] = {}
    for finding in analysis.steps:
        for margin in finding.margins:
            scale = stages if name == "phase_current" and margin.limit.applies_to == "stage_current" else 1.0
            if margin.limit.applies_to != name and not (
                name == "phase_current" and margin.limit.applies_to == "stage_current"
            ):
                continue
            steps = found.setdefault((margin.limit.name, margin.limit.value * scale), {})
            before = steps.get(finding.step.name)
            if before is None or margin.margin.value < before[1].margin.value:
                steps[finding.step.name] = (finding, margin)
    return {key: list(steps.values()) for key, steps in found.items()}


def state_of(finding: StepFinding, value: Value) -> str:
    """Return how a dot is drawn: measured | extrapolated | the verdict where the step did not simply hold."""
    if value.kind == "extrapolated":
        return "extrapolated"
    return "measured" if finding.verdict in HOLDS else finding.verdict


def mark_style(series: Series, state: str) -> dict:
    """Return matplotlib's marker settings for a state; every state differs in shape or filling, not in colour alone."""
    ink = light(series.ink)
    style = {
        "marker": series.mark,
        "markersize": 7.5,
        "color": ink,
        "markeredgecolor": ink,
        "markeredgewidth": 1.6,
        "markerfacecolor": ink,
        "linestyle": "none",
        "zorder": 5,
    }
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


def _interval(axes, x: float, value: Value, factor: float, ink: str, dashed: bool) -> None:
    """Draw the 95 % interval of a dot; nothing where the uncertainty is not known."""
    if value.low95 is not None and value.high95 is not None:
        axes.plot(
            [x, x],
            [value.low95 * factor, value.high95 * factor],
            color=light(ink),
            linewidth=2.0,
            linestyle=(0, (1.6, 1.4)) if dashed else "solid",
            zorder=4,
        )


def _dots(axes, name: str, groups: Sequence[Series], where: dict[str, float]) -> list[tuple[float, float, Series]]:
    """Draw every series; return the right end of each for its label."""
    ends = []
    for one in groups:
        known = [
            (where[f.step.name], f.quantities[name], f)
            for f in one.findings
            if name in f.quantities and f.step.name in where and np.isfinite(f.quantities[name].value)
        ]
        if not known:
            continue
        factor = display_unit(known[0][1].unit, name)[1]
        x = np.array([k[0] for k in known])
        y = np.array([k[1].value for k in known]) * factor
        if len(known) > 1:
            axes.plot(x, y, color=light(one.ink), linewidth=1.1, linestyle=one.dash, zorder=3)
        for (px, value, finding), py in zip(known, y, strict=True):
            state = state_of(finding, value)
            _interval(axes, px, value, factor, one.ink, state == "extrapolated")
            axes.plot([px], [py], **mark_style(one, state))
            settled = finding.quantities.get(f"{name}_settled")
            if settled is not None:
                _interval(axes, px, settled, factor, one.ink, True)
                axes.plot([px], [settled.value * factor], **mark_style(one, "extrapolated"))
        ends.append((float(x[-1]), float(y[-1]), one))
    return ends


def plain_limit(number: float) -> str:
    """Return a limit as people write it: 52, 0.85, 416."""
    return plain(number, 0) if abs(number - round(number)) < 1e-9 else f"{number:.4g}"


def _limit_words(name: str, limit: str, at: float, margins: Sequence[tuple[StepFinding, Margin]]) -> str:
    """Return "52 A over-current protection, 4.2 A left": the smallest margin over all steps."""
    first = min((margin for _, margin in margins), key=lambda m: m.margin.value)
    number, _ = pair_text(first.margin)
    unit, margin_unit = display_unit(first.limit.unit, name)[0], display_unit(first.margin.unit, name)[0]
    left = f"exceeded by {number.lstrip(MINUS)}" if first.margin.value < 0.0 else number
    return f"{plain_limit(at)}{THIN}{unit} {limit}, {left}{THIN}{margin_unit}" + (
        "" if first.margin.value < 0.0 else " left"
    )


def _sort_limits(axes, analysis: Analysis, name: str, factor: float) -> tuple[list, list[str]]:
    """Return the limits to draw as (value, words, margins), lowest first, and words for those above the panel.

    Drawn are at most two, and only while the data keep more than a third of the height.
    """
    low, high = axes.get_ylim()
    near, far = [], []
    for (limit, at), margins in sorted(limits_on(analysis, name).items(), key=lambda item: (item[0][1], item[0][0])):
        words = _limit_words(name, limit, at * factor, margins)
        if len(near) < 2 and at * factor <= high + 1.5 * (high - low):
            near.append((at * factor, words, margins))
        else:
            far.append(words)
    return near, far


def _limits(
    axes, analysis: Analysis, name: str, where: dict[str, float], factor: float, width: float, spill: float
) -> None:
    """Draw and name the limits near the data; name those that lie above the panel at its top."""
    near, far = _sort_limits(axes, analysis, name, factor)
    lines = [f"↑ {words}" for words in far[:3]] + ([f"↑ {len(far) - 3} more in the table"] if len(far) > 3 else [])
    low, high = axes.get_ylim()
    if near or lines:
        top = max(high, near[-1][0] if near else high)
        share = (17.0 + 14.0 * len(lines)) / axes.get_window_extent().height
        high = low + (top - low) / (1.0 - share)
        axes.set_ylim(low, high)
    step = 14.0 / axes.get_window_extent().height * (high - low)
    for index, words in enumerate(lines):
        _limit_label(axes, fit(words, SMALL, width + spill), *_side(spill), high - step * (index + 0.95))
    begin, end = axes.get_xlim()
    names = [words.partition(f"{THIN}")[2].partition(",")[0] for _, words, _ in near]
    for index, ((at, words, margins), stem) in enumerate(zip(near, names, strict=True)):
        x = [where[f.step.name] for f, _ in margins if f.step.name in where]
        part = (
            names.count(stem) > 1
            and len(margins) < len(analysis.steps)
            and bool(x)
            and max(x) < end - 0.3 * (end - begin)
        )
        left, right = (max(begin, min(x) - 0.3), max(x) + 0.3) if part else (begin, end)
        axes.plot([left, right], [at, at], color=light("limit"), linewidth=1.5, linestyle=(0, (8.0, 2.4)), zorder=2)
        if part:
            room = width * (end - right) / (end - begin) + spill
            _limit_label(axes, fit(words, SMALL, room), (right - begin) / (end - begin), "left", at - 0.35 * step)
        else:
            crowded = index + 1 < len(near) and near[index + 1][0] - at < 1.1 * step
            y = at - 1.0 * step if crowded else at + 0.12 * step
            _limit_label(axes, fit(words, SMALL, width + spill), *_side(spill), y)


def _side(spill: float) -> tuple[float, str]:
    """Return where a limit's name is set: flush right, or from the left where it may run on beside the panel."""
    return (0.0, "left") if spill else (1.0, "right")


def _limit_label(axes, words: str, x: float, side: str, y: float) -> None:
    axes.annotate(
        words,
        (x, y),
        xycoords=("axes fraction", "data"),
        fontsize=SMALL,
        color=light("limit"),
        va="bottom",
        ha=side,
        xytext=(4 if side == "left" else 0, 0),
        textcoords="offset points",
        zorder=6,
        bbox={"facecolor": light("paper"), "edgecolor": "none", "pad": 0.8},
    )


def panel(axes, analysis: Analysis, name: str, room: float, width: float, spill: float) -> None:
    """Draw one quantity against phase count on `axes`."""
    groups = group(analysis)
    where, counts = _places(groups)
    unit = next((f.quantities[name].unit for f in analysis.steps if name in f.quantities), "1")
    factor = display_unit(unit, name)[1]
    axes.set_xlim((min(counts) - 0.6, max(counts) + 0.6) if counts else (0.0, 1.0))
    ends = _dots(axes, name, groups, where)
    axes.margins(y=0.12)
    axes.autoscale_view(scalex=False)
    _limits(axes, analysis, name, where, factor, width, spill)
    label_ends(axes, [(y, one) for _, y, one in ends], room)
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


def draw_phases(analysis: Analysis, names: Sequence[str], layout: Layout):
    """Return a matplotlib Figure with one panel for each quantity in `names`, all on the same phase counts."""
    columns = 1 if layout.narrow else 2
    rows = -(-len(names) // columns)
    longest = max((text_width(s.label, LABEL) for s in group(analysis)), default=0.0)
    left, room = 40.0, min(longest + 14.0, 92.0)
    tall, top, bottom, gap = 270.0, 34.0, 46.0, 34.0
    cell = (layout.width - gap * (columns - 1)) / columns
    width = cell - left - room
    page = sheet(layout.width, rows * (top + tall + bottom))
    for index, name in enumerate(names):
        column, row = index % columns, index // columns
        axes = place(page, column * (cell + gap) + left, row * (top + tall + bottom) + top, width, tall)
        panel(axes, analysis, name, room - 10.0, width, room - 6.0 if layout.narrow else 0.0)
        axes.set_xlabel("Phase count", loc="left", fontsize=LABEL)
    return page


def reading_note(analysis: Analysis, names: Sequence[str]) -> str:
    """Return how to read the marks: only those that occur."""
    states = {state_of(f, f.quantities[n]) for f in analysis.steps for n in names if n in f.quantities}
    states |= {"extrapolated" for f in analysis.steps for n in names if f"{n}_settled" in f.quantities}
    lost = any(f.verdict == "tripped" for f in analysis.steps)
    words = ["Filled mark: measured, the setting held."] if "measured" in states else []
    words += ["Hollow mark: measured, not settled."] if "unsettled" in states else []
    words += ["Hollow mark: measured, verdict unknown."] if "unknown" in states else []
    words += ["Half-filled mark: measured while a protection held it back."] if "clamped" in states else []
    words += ["Hollow thin diamond with a dotted bar: extrapolated, not measured."] if "extrapolated" in states else []
    words += ["Cross: tripped."] if lost else []
    words.append("Bars are 95 % intervals. The vertical axes do not start at zero.")
    return " ".join(words)
