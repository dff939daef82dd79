"""How the load of each step wanders, learnt from all steps with the same load."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.bench import Campaign, Step
from phasewright.findings.comparisons import SAME_LOAD, load_of
from phasewright.findings.readings import Readings, means_over, take_readings
from phasewright.logs import AlignedTrace, Window
from phasewright.quantity import Wander, learn_wander

__all__ = ["covered_time", "wanders_of"]

APART = 4.0
"""Ratio of a step's wander (squared) to the usual one of its load from which it stands for itself."""
SLOTS = 1024
"""Readings that the longest record is averaged into: what is faster does not matter for a mean."""
EDGE = 5.0
"""Left out after the load came to its level [s]: processor and supply answer it at once, not over minutes."""


@dataclass(frozen=True, slots=True)
class _Stretch:
    index: int
    load: tuple[object, ...]
    level: float
    readings: Readings
    start: float
    end: float


def wanders_of(
    campaign: Campaign, trace: AlignedTrace, steps: Sequence[Step], windows: Sequence[Window]
) -> tuple[Wander | None, ...]:
    """Return for each step how its load wanders relative to its level, as `trace` saw it; None where it cannot be said.

    A window of a minute or two cannot show a wander slower than itself, and a handful of slow movements tell little
    about their size. So the wander is learnt from the whole held stretch of each step (the creep of warming up taken
    out), and together for all steps with the same load: as stated, else by level within 5 %. A step that wanders much
    more or less than the others of its load (four times in variance: held back by a limit, say) stands for itself.
    """
    found: list[Wander | None] = [None] * len(steps)
    for group in _groups(campaign, trace, steps, windows):
        whole = _learn(group)
        if whole is None:
            continue
        usual = float(np.median(whole.levels))
        alike = [item for item, own in zip(group, whole.levels, strict=True) if usual / APART <= own <= usual * APART]
        if len(alike) < len(group):
            whole = _learn(alike) or whole
        for item in group:
            found[item.index] = whole if item in alike else _learn([item])
    return tuple(found)


def _groups(
    campaign: Campaign, trace: AlignedTrace, steps: Sequence[Step], windows: Sequence[Window]
) -> list[list[_Stretch]]:
    """Return the held stretches, those with one load together."""
    groups: list[list[_Stretch]] = []
    for index, (step, window) in enumerate(zip(steps, windows, strict=True)):
        item = _stretch(campaign, trace, index, step, window)
        if item is None:
            continue
        for group in groups:
            near = abs(item.level - group[0].level) <= SAME_LOAD * group[0].level
            if item.load == group[0].load and (item.load or near):
                group.append(item)
                break
        else:
            groups.append([item])
    return groups


def _stretch(campaign: Campaign, trace: AlignedTrace, index: int, step: Step, window: Window) -> _Stretch | None:
    """Return the held stretch that ends with the window of a step; None when it has none to learn from."""
    if not window.found:
        return None
    start = window.start_s
    stated = (campaign.window_lead, campaign.window_length, step.window_start, step.window_end)
    if all(item is None for item in stated):
        # Left out because temperatures still moved: the load was held there as well. What a person left out stays out.
        start = min([first for first, last, _ in window.discarded if last == window.start_s], default=start)
        start = min(start + EDGE, window.start_s)
    readings = take_readings(trace, start, window.end_s)
    if readings.count < 32 or np.any(np.diff(readings.end_s) < 0.0):
        return None
    level = float(np.mean(readings.value))
    length = float(readings.end_s[-1] - readings.start_s[0])
    # Half a record of gaps filled in would show a wander that never was.
    if level <= 0.0 or length <= 0.0 or covered_time(readings) < 0.8 * length:
        return None
    return _Stretch(index, load_of(step), level, readings, float(readings.start_s[0]), float(readings.end_s[-1]))


def _learn(group: Sequence[_Stretch]) -> Wander | None:
    """Return the relative wander of stretches, averaged into slots of one length."""
    spacing = max(max(item.end - item.start for item in group) / SLOTS, max(_period(item.readings) for item in group))
    records = []
    for item in group:
        edges = item.start + spacing * np.arange(int((item.end - item.start) / spacing + 1e-6) + 1)
        records.append(means_over(item.readings, edges[:-1], edges[1:]) / item.level)
    if any(len(record) < 16 for record in records):
        return None
    return learn_wander(records, spacing, settling=True)


def _period(readings: Readings) -> float:
    return float(np.median(np.diff(readings.end_s)))


def covered_time(readings: Readings) -> float:
    """Return how long readings (two or more) speak for [s]: a gap counts as two periods at most."""
    spacing = np.diff(readings.end_s)
    typical = float(np.median(spacing))
    first = max(float(readings.end_s[0] - readings.start_s[0]), typical)
    return math.fsum((float(np.minimum(spacing, 2.0 * typical).sum()), first))
