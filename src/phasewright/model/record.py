"""The whole aligned record on one even grid: what drives the heat, and how hot it got."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from phasewright.findings import Analysis
from phasewright.logs import AlignedTrace, Recording
from phasewright.model.duty import duty_name

__all__ = ["Grid", "lay_grid"]

CELL = 2.0
"""[s] Shortest cell."""
MOST_CELLS = 4000
EDGE = 0.12
"""[1] Relative change of the load that counts as an edge."""
COARSER = ((6, 3), (30, 6))
"""(age, size): shortest cells since the last edge from which on that many make one cell. Heat that has a way to go is
smooth."""
GAP = 12.0
"""[s] Readings that are missing for longer cut the record in two."""
LEAST_STRETCH = 20
"""Shortest cells that the shortest stretch between gaps has to hold to be worth a fit of its own."""


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Cell means, arrays (cells,); NaN = missing. Cells of one stretch follow each other without a gap; they are short
    after an edge of the load and longer where heat has settled down."""

    time: np.ndarray
    """End of each cell [s], reference clock."""
    width: np.ndarray
    """Length of each cell [s]."""
    phases: np.ndarray
    current: np.ndarray
    """Rail current as read [A]; NaN throughout where it is not logged."""
    voltage: np.ndarray
    """Rail voltage as read [V]; NaN throughout where it is not logged."""
    package: np.ndarray
    """Package power as read [W]; NaN throughout where it is not logged."""
    drawn: np.ndarray
    """Input power as read [W]."""
    hot: np.ndarray
    """Hottest regulator sensor [degC]."""
    coolant: np.ndarray
    """[degC]"""
    processor: np.ndarray
    """Hottest processor sensor [degC]; NaN throughout where it is not logged."""
    ambient: np.ndarray
    """Air of the room [degC]; NaN throughout where it is not logged."""
    held: np.ndarray
    """Share of the cell in which a protection or a power limit held the load [1]; 0 where it is not logged."""
    fan: np.ndarray
    """Duty of the fan [1]: as logged, else as the step sets it, else as the bench's map gives it; NaN = not known."""
    duty: np.ndarray
    """Duty of what moves the coolant over the plate [1]: the fan in air, the pump in liquid; NaN = not known."""
    stretches: tuple[tuple[int, int], ...]
    """(first, past-the-last) cell."""
    planned: np.ndarray
    """Index of the step (in the analysis) that the whole cell belongs to, int (cells,), -1 = none."""


def lay_grid(analysis: Analysis) -> Grid | None:
    """Return the record of `analysis` on a grid; None when temperatures or the load are not logged."""
    recording = analysis.recording
    hot = _sensors(recording, "regulator_temperature")
    cold = _sensors(recording, "coolant_temperature") or _sensors(recording, "ambient_temperature")
    load = [recording.traces[name] for name in ("rail_current", "package_power") if name in recording.traces]
    if not hot or not cold or not load:
        return None
    needed = [*hot, *cold[:1], *load]
    start = max(float(trace.start_s[0]) for trace in needed if len(trace.value))
    end = min(float(trace.end_s[-1]) for trace in needed if len(trace.value))
    step = max(CELL, (end - start) / MOST_CELLS)
    count = int((end - start) / step)
    if count < LEAST_STRETCH:
        return None
    edges = start + step * np.arange(count + 1)
    single = {name: _means(recording.traces.get(name), edges)
              for name in ("rail_current", "rail_voltage", "package_power", "input_power")}  # fmt: skip
    warm = np.fmax.reduce([_means(trace, edges) for trace in hot])
    planned = _planned(analysis, edges)
    phases = _phases(analysis, edges, planned)
    coolant = _means(cold[0], edges)
    drive = single["rail_current"] if "rail_current" in recording.traces else single["package_power"]
    fan = _duties(analysis, "fan_duty", edges, planned)
    if analysis.bench.cooling.fan_map:
        fan = np.where(np.isfinite(fan), fan, np.interp(coolant, *zip(*analysis.bench.cooling.fan_map, strict=True)))
    moved = fan if duty_name(analysis.bench) == "fan_duty" else _duties(analysis, "pump_duty", edges, planned)
    die = _sensors(recording, "processor_temperature")
    processor = np.fmax.reduce([_means(trace, edges) for trace in die]) if die else np.full(count, math.nan)
    ambient = _means(recording.traces.get("ambient_temperature"), edges)
    held = np.nan_to_num(_means(recording.traces.get("protection_active"), edges))
    there = np.isfinite(drive) & np.isfinite(warm) & np.isfinite(coolant) & (phases >= 1.0)
    if "rail_current" in recording.traces and "package_power" in recording.traces:
        there &= np.isfinite(single["package_power"])
    stretches = _stretches(there)
    first = _first_cells(drive, phases, planned, stretches)
    size = np.diff(np.append(first, count))

    def coarse(values: np.ndarray) -> np.ndarray:
        return np.add.reduceat(values, first) / size

    single = {name: coarse(values) for name, values in single.items()}
    at = {int(cell): k for k, cell in enumerate(first)} | {count: len(first)}
    return Grid(edges[first + size], size * step, phases[first], single["rail_current"], single["rail_voltage"],
                single["package_power"], single["input_power"], coarse(warm), coarse(coolant), coarse(processor),
                coarse(ambient), coarse(held), coarse(fan), coarse(moved),
                tuple((at[a], at[b]) for a, b in stretches), planned[first])  # fmt: skip


def _first_cells(
    drive: np.ndarray, phases: np.ndarray, planned: np.ndarray, stretches: tuple[tuple[int, int], ...]
) -> np.ndarray:
    """Return the first of the shortest cells that make each cell, int (cells,)."""
    count = len(drive)
    edge = np.zeros(count, dtype=bool)
    with np.errstate(invalid="ignore"):
        before, after = drive[:-1], drive[1:]
        edge[1:] = np.abs(after - before) > EDGE * np.fmax(np.abs(before), np.abs(after))
    edge[1:] |= (np.diff(phases) != 0.0) | (np.diff(planned) != 0)
    for a, b in stretches:
        edge[a] = True
        edge[b : b + 1] = True
    edge[0] = True
    marks = np.append(np.flatnonzero(edge), count)
    found = []
    for start, past in zip(marks[:-1].tolist(), marks[1:].tolist(), strict=True):
        size, age = 1, 0
        for later, larger in COARSER:
            end = min(later, past - start)
            found.append(np.arange(start + age, start + end, size))
            age, size = end, larger
        found.append(np.arange(start + age, past, size))
    return np.unique(np.concatenate(found))


def _sensors(recording: Recording, name: str) -> list[AlignedTrace]:
    return [trace for key, trace in recording.traces.items()
            if (key == name or key.startswith(f"{name}.")) and np.isfinite(trace.value).any()]  # fmt: skip


def _means(trace: AlignedTrace | None, edges: np.ndarray) -> np.ndarray:
    """Return the mean of `trace` in every cell between `edges`, NaN where its readings are too far apart."""
    if trace is None:
        return np.full(len(edges) - 1, math.nan)
    kept = np.isfinite(trace.value)
    value, end = trace.value[kept], trace.end_s[kept]
    start = trace.start_s[kept]
    if value.size < 2:
        return np.full(len(edges) - 1, math.nan)
    middle = 0.5 * (start + end)
    if np.any(np.diff(middle) <= 0.0):
        middle, order = np.unique(middle, return_index=True)
        value = value[order]
    # Between the middles of two readings the channel goes straight; the mean of a cell is the integral of that.
    area = np.concatenate([[0.0], np.cumsum(0.5 * (value[1:] + value[:-1]) * np.diff(middle))])
    inner = np.clip(edges, middle[0], middle[-1])
    at = np.searchsorted(middle, inner, side="right").clip(1, len(middle) - 1)
    left = middle[at - 1]
    there = value[at - 1] + (value[at] - value[at - 1]) * (inner - left) / (middle[at] - left)
    total = area[at - 1] + 0.5 * (value[at - 1] + there) * (inner - left)
    width = np.diff(inner)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(width > 0.0, np.diff(total) / width, 0.5 * (there[1:] + there[:-1]))
    hole = middle[at] - left > GAP
    outside = (edges < middle[0] - GAP) | (edges > middle[-1] + GAP)
    bad = hole | outside
    return np.where(bad[1:] | bad[:-1], math.nan, mean)


def _planned(analysis: Analysis, edges: np.ndarray) -> np.ndarray:
    planned = np.full(len(edges) - 1, -1)
    for k, finding in enumerate(analysis.steps):
        planned[(edges[:-1] >= finding.span.start_s) & (edges[1:] <= finding.span.end_s)] = k
    return planned


def _duties(analysis: Analysis, name: str, edges: np.ndarray, planned: np.ndarray) -> np.ndarray:
    """Return the duty called `name` in each cell [1]: as logged, else as the step sets it, else NaN."""
    found = np.clip(_means(analysis.recording.traces.get(name), edges), 0.0, 1.0)
    own = [float(item.step.settings.get(name, math.nan)) for item in analysis.steps]
    return np.where(np.isfinite(found), found, np.array([*own, math.nan])[planned])


def _phases(analysis: Analysis, edges: np.ndarray, planned: np.ndarray) -> np.ndarray:
    """Return the phases that are on: as logged, else as planned (between steps: as in the step that follows)."""
    trace = analysis.recording.traces.get("phase_count")
    if trace is not None and np.isfinite(trace.value).any():
        kept = np.isfinite(trace.value)
        middle = 0.5 * (edges[1:] + edges[:-1])
        at = np.searchsorted(trace.end_s[kept], middle).clip(0, int(kept.sum()) - 1)
        return np.round(trace.value[kept][at])
    own = [float(item.step.settings.get("phase_count", math.nan)) for item in analysis.steps]
    found = np.where(planned >= 0, np.array([*own, math.nan])[planned], math.nan)
    known = np.flatnonzero(np.isfinite(found))
    if not known.size:
        return np.full(len(planned), float(analysis.bench.regulator.phase_count))
    following = np.searchsorted(known, np.arange(len(found))).clip(0, known.size - 1)
    return found[known[following]]


def _stretches(there: np.ndarray) -> tuple[tuple[int, int], ...]:
    change = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]]).astype(int)))
    pairs = zip(change[::2].tolist(), change[1::2].tolist(), strict=True)
    return tuple((first, past) for first, past in pairs if past - first >= LEAST_STRETCH)
