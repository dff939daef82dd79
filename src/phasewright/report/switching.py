"""What the switching period and a load step do at other phase counts: ripple, capacitor current, droop in time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from matplotlib.ticker import MaxNLocator

from phasewright.bench import Bench
from phasewright.findings import Analysis, StepFinding, state_of
from phasewright.limits import State, droop_course, figures_at
from phasewright.quantity import Value
from phasewright.report.canvas import LABEL, SMALL, place, sheet
from phasewright.report.curves import Curve, Panel, Ruler, draw_panels, label_ends
from phasewright.report.document import Column, Layout, Table
from phasewright.report.palette import DASHES, light
from phasewright.report.series import Series, group, phase_count
from phasewright.report.wording import plain, quantity_title

CURVES = ("output_ripple", "input_capacitor_current")
TABLED = ("output_ripple", "input_capacitor_current", "output_capacitor_current", "droop", "overshoot", "settling_time")
MOST_LOADS = 3
POINTS = 400
INKS = ("blue", "ochre", "green")


@dataclass(frozen=True, slots=True)
class Swept:
    """One load at every phase count."""

    label: str
    ink: str
    dash: tuple[float, tuple[float, ...]]
    finding: StepFinding
    """Step whose currents and voltages are used."""
    figures: Mapping[int, Mapping[str, Value]]


def at_count(finding: StepFinding, count: int) -> State:
    """Return the state of a step with another phase count, rail current and voltages as they were."""
    state = state_of(finding)
    kept = {name: value for name, value in state.quantities.items()
            if name in ("rail_current", "rail_voltage", "input_voltage", "rail_current_peak")}  # fmt: skip
    settings = {**state.settings, "phase_count": count}
    return State(MappingProxyType(kept), MappingProxyType(settings), state.name)


def sweep(analysis: Analysis) -> tuple[Swept, ...]:
    """Return the heaviest loads at every phase count that is fitted; () where no rail current is known."""
    found = []
    heaviest = sorted(group(analysis), key=lambda one: (-_current(one), -len(one.findings)))
    for one in heaviest:
        known = [f for f in one.findings if "rail_current" in f.quantities and f.verdict != "tripped"]
        if not known or len(found) == MOST_LOADS:
            continue
        finding = max(known, key=lambda f: phase_count(f) or 0.0)
        if any(_alike(finding, other.finding) for other in found):
            continue
        counts = range(1, analysis.bench.regulator.phase_count + 1)
        figures = {count: figures_at(analysis.bench, at_count(finding, count)) for count in counts}
        if any(figures.values()):
            found.append(Swept(one.label, one.ink, one.dash, finding, figures))
    return tuple(found)


def _current(one: Series) -> float:
    """Return the rail current of a load, in steps of a twentieth so that the same load cooled otherwise ties [A]."""
    known = [f.quantities["rail_current"].value for f in one.findings if "rail_current" in f.quantities]
    most = max(known, default=0.0)
    return float(round(20.0 * math.log(most))) if most > 1.0 else 0.0


def _alike(one: StepFinding, other: StepFinding) -> bool:
    a, b = (f.quantities["rail_current"].value for f in (one, other))
    return abs(a - b) < 0.05 * abs(b)


def swept_names(swept: Sequence[Swept]) -> tuple[str, ...]:
    """Return the figures that can be drawn."""
    return tuple(name for name in CURVES if any(name in f for one in swept for f in one.figures.values()))


def _ceilings(bench: Bench) -> dict[str, tuple[float, str]]:
    regulator = bench.regulator
    found = {"output_ripple": (regulator.ripple_limit, "ripple limit"),
             "input_capacitor_current": (regulator.input_capacitors.current_rating, "ripple rating")}  # fmt: skip
    return {name: (value, words) for name, (value, words) in found.items() if value is not None}


def draw_sweep(analysis: Analysis, swept: Sequence[Swept], layout: Layout):
    """Return a matplotlib Figure: ripple and input-capacitor current against phase count, a line a load."""
    ceilings = _ceilings(analysis.bench)
    panels = []
    for name in swept_names(swept):
        factor, unit = (1e3, "mV") if name == "output_ripple" else (1.0, "A")
        curves = []
        for one in swept:
            known = [(count, figures[name]) for count, figures in one.figures.items() if name in figures]
            low, high = zip(*(_ends(value) for _, value in known), strict=True)
            curves.append(
                Curve(one.label, one.ink, one.dash, tuple(float(c) for c, _ in known),
                      tuple(v.value * factor for _, v in known), tuple(max(x, 0.0) * factor for x in low),
                      tuple(x * factor for x in high))
            )  # fmt: skip
        rulers = ()
        if name in ceilings:
            value, words = ceilings[name]
            rulers = (Ruler(value * factor, f"{value * factor:.4g} {unit} {words}"),)
        title = {"output_ripple": "Output ripple", "input_capacitor_current": "Input capacitor current, effective"}[name]
        panels.append(Panel(f"{title} / {unit}", tuple(curves), rulers=rulers, from_zero=True))
    return draw_panels(panels, layout, 2)


def _ends(value: Value) -> tuple[float, float]:
    if value.low95 is None or value.high95 is None:
        return value.value, value.value
    return value.low95, value.high95


def sweep_table(swept: Sequence[Swept]) -> Table:
    """Return the numbers of the drawing, and what load steps do, a row a load and phase count."""
    names = [name for name in TABLED if any(name in f for one in swept for f in one.figures.values())]
    units = {name: next(f[name].unit for one in swept for f in one.figures.values() if name in f) for name in names}
    columns = (Column("load", "Load"), Column("phase_count", "Phases", "1", "number"),
               *(Column(name, quantity_title(name), units[name], "value") for name in names))  # fmt: skip
    rows = tuple(
        (one.label, float(count), *(figures.get(name) for name in names))
        for one in swept
        for count, figures in one.figures.items()
    )
    return Table("switching", "Switching period and load step at every phase count", columns, rows,
                 "Worked out from part data at the rail current of each load; droop and overshoot are beyond the load "
                 "line.")  # fmt: skip


# ---- droop in time --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Course:
    """The rail's deviation after a load step at one phase count."""

    label: str
    ink: str
    dash: tuple[float, tuple[float, ...]]
    step: np.ndarray
    """Fall when the load comes, positive down [V], (times,)."""
    release: np.ndarray
    """Rise when the load lets go [V], (times,)."""


def courses(analysis: Analysis, swept: Sequence[Swept]) -> tuple[np.ndarray, tuple[Course, ...]]:
    """Return (times [s], courses) for most, middle and fewest phases tried at the heaviest load; () where unknown."""
    if not swept:
        return np.zeros(0), ()
    tried = {int(n) for f in analysis.steps if (n := phase_count(f)) is not None}
    fitted = analysis.bench.regulator.phase_count
    fewest = max(min(tried, default=1), 1)
    counts = sorted({fitted, fewest, round(math.sqrt(fitted * fewest))}, reverse=True)
    finding = swept[0].finding
    probe = np.linspace(0.0, 200e-6, 4001)
    ends = [5e-6]
    for count in counts:
        for release in (False, True):
            found = droop_course(analysis.bench, at_count(finding, count), probe, release=release)
            if found is None:
                return np.zeros(0), ()
            moving = np.flatnonzero(np.abs(found - found[-1]) > 2e-4)
            ends.append(float(probe[moving[-1]]) if moving.size else 0.0)
    times = np.linspace(-0.08 * max(ends), 1.25 * max(ends), POINTS)
    made = []
    for index, count in enumerate(counts):
        state = at_count(finding, count)
        both = [droop_course(analysis.bench, state, times, release=release) for release in (False, True)]
        words = f"{count} phase{'s' if count > 1 else ''}"
        made.append(Course(words, INKS[index], DASHES[index], *(c for c in both if c is not None)))
    return times, tuple(made)


def draw_droop(analysis: Analysis, times: np.ndarray, found: Sequence[Course], layout: Layout):
    """Return a matplotlib Figure: the rail in time when the greatest load comes and when it lets go."""
    band = analysis.bench.regulator.tolerance_band
    moved = (analysis.bench.regulator.load_line or 0.0) * (analysis.bench.processor.load_step or 0.0)
    tall, top, bottom, left, room = 220.0, 34.0, 44.0, 44.0, 84.0
    rows = 2 if layout.narrow else 1
    page = sheet(layout.width, rows * (top + tall + bottom))
    cell = layout.width if layout.narrow else 0.5 * (layout.width - 24.0)
    for index, (title, sign) in enumerate((("The load comes", -1.0), ("The load lets go", 1.0))):
        x = 0.0 if layout.narrow else index * (cell + 24.0)
        y = index * (top + tall + bottom) if layout.narrow else 0.0
        axes = place(page, x + left, y + top, cell - left - room, tall)
        ends = []
        for one in found:
            shown = 1e3 * sign * (one.step if sign < 0.0 else one.release)
            axes.plot(1e6 * times, shown, color=light(one.ink), linewidth=1.7, linestyle=one.dash, zorder=3)
            ends.append((float(shown[-1]), one))
        axes.set_xlim(1e6 * times[0], 1e6 * times[-1])
        _band(axes, 1e3 * sign * moved, None if band is None else 1e3 * band)
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
        axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]))
        axes.yaxis.set_major_formatter(lambda v, _: plain(v, 0 if abs(v - round(v)) < 1e-6 else 1))
        axes.grid(axis="y")
        axes.spines["left"].set_visible(False)
        axes.set_title(f"{title}: rail, change / mV", pad=8.0)
        axes.set_xlabel("Time since the step began / µs", loc="left", fontsize=LABEL)
        label_ends(axes, ends, room - 10.0)
    return page


def _band(axes, target: float, band: float | None) -> None:
    """Draw the new load line and the tolerance band around it."""
    low, high = axes.get_ylim()
    axes.axhline(target, color=light("line"), linewidth=1.0, linestyle="solid", zorder=1.5)
    marks = [(target, "load line", "soft")]
    if band is not None:
        low, high = min(low, target - 1.12 * band), max(high, target + 1.12 * band)
        for edge in (target - band, target + band):
            axes.axhline(edge, color=light("limit"), linewidth=1.5, linestyle=(0, (8.0, 2.4)), zorder=1.5)
        marks.append((target + band, "tolerance band", "limit"))
    axes.set_ylim(low, high)
    for at, words, ink in marks:
        axes.annotate(words, (1.0, at), xycoords=("axes fraction", "data"), xytext=(-2, 2),
                      textcoords="offset points", fontsize=SMALL, color=light(ink), va="bottom", ha="right",
                      zorder=6)  # fmt: skip


def droop_table(times: np.ndarray, found: Sequence[Course]) -> Table:
    """Return the courses as numbers, a row a time, in SI."""
    columns = [Column("time", "Time", "s", "number")]
    for one in found:
        stem = one.label.replace(" ", "_")
        columns += [Column(f"fall_{stem}", f"Fall, {one.label}", "V", "number"),
                    Column(f"rise_{stem}", f"Rise, {one.label}", "V", "number")]  # fmt: skip
    every = max(1, len(times) // 100)
    rows = tuple(
        (float(times[k]), *(float(course[k]) for one in found for course in (one.step, one.release)))
        for k in range(0, len(times), every)
    )
    return Table("droop", "The rail after the greatest load step", tuple(columns), rows, listed=False)


__all__ = [
    "Course",
    "Swept",
    "at_count",
    "courses",
    "draw_droop",
    "draw_sweep",
    "droop_table",
    "sweep",
    "sweep_table",
    "swept_names",
]
