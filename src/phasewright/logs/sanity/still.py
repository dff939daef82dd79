"""Sensors that stand still although what they measure moves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from phasewright.bench import base_channel
from phasewright.logs.lagging import lagged
from phasewright.logs.records import AlignedTrace, Remark
from phasewright.logs.sanity.case import Case, spans_text
from phasewright.logs.sanity.heat import filled

_LAG = {
    "regulator": 30.0, "inductor": 60.0, "processor": 15.0, "board": 150.0, "connector": 300.0, "coolant": 300.0,
}  # fmt: skip
"""Lag [s] behind which a temperature surely follows the load; common practice, no source."""
_QUICK = 5.0
"""Lag [s] of the quickest sensor."""
_MOVED = 0.3
"""Change of the load, as a share of its greatest, that no sensor sleeps through."""
_LONG = 20.0
"""Shorter runs of equal readings are not looked at [s]."""
_CHANCE = 1e-7


def question_stillness(case: Case) -> None:
    """Take out runs of equal readings during which the load moved, or which this channel could not show by itself."""
    for key, trace in case.recording.traces.items():
        base = base_channel(key)
        if base.unit not in ("W", "A", "V", "degC") or len(trace.value) < 20:
            continue
        runs, repeats = _runs(trace)
        if not len(runs):
            continue
        spans = _frozen(case, key, trace, runs, repeats) or _asleep(case, key, trace, runs)
        spans = spans or _released(case, trace, runs)
        if not spans:
            continue
        shown = {"degC": "°C"}.get(base.unit, base.unit)
        value = float(trace.value[runs[np.argmax(runs[:, 1] - runs[:, 0]), 0]])
        case.drop(key, spans)
        case.say(key, Remark(
            "note", f"stands still at {value:.4g} {shown} {spans_text(spans)}: stuck, left out there", None,
            case.column(key), len(spans), "check the sensor, or map another one"))  # fmt: skip


def _runs(trace: AlignedTrace) -> tuple[np.ndarray, float]:
    """Return (first, past-the-last) index of runs of equal readings of some length, and how often readings repeat."""
    place = np.flatnonzero(np.isfinite(trace.value))
    value = trace.value[place]
    if len(value) < 20:
        return np.zeros((0, 2), dtype=np.int64), 1.0
    edge = np.flatnonzero(np.concatenate([[True], value[1:] != value[:-1], [True]]))
    first, last = edge[:-1], edge[1:]
    longest = int(np.argmax(last - first))
    rest = max(len(value) - int(last[longest] - first[longest]) - 1, 1)
    repeats = (len(value) - (len(first) - 1) - 1 - int(last[longest] - first[longest] - 1)) / rest
    length = trace.end_s[place[last - 1]] - trace.start_s[place[first]]
    long_ = length >= _LONG
    return np.column_stack([place[first[long_]], place[last[long_] - 1] + 1]), min(max(repeats, 0.0), 1.0)


def _span(trace: AlignedTrace, run: np.ndarray) -> tuple[float, float]:
    return float(trace.start_s[run[0]]), float(trace.end_s[run[1] - 1])


def _frozen(
    case: Case, key: str, trace: AlignedTrace, runs: np.ndarray, repeats: float
) -> list[tuple[float, float]]:
    """Runs far too long for a channel whose readings otherwise change from one to the next."""
    # Noise smaller than the resolution shows only between two codes: such a channel rests by itself.
    if repeats > 0.6 or len(np.unique(trace.value[np.isfinite(trace.value)][:2000])) < 5:
        return []
    n = len(trace.value)
    least = max(10.0, 1.5 * np.log(_CHANCE / n) / np.log(max(repeats, 0.05)))
    top = float(np.nanquantile(np.abs(trace.value), 0.95))
    found = []
    for run in runs:
        value = float(trace.value[run[0]])
        # Nothing flows when the machine is off; a power limit may be held to the digit.
        if run[1] - run[0] < least or abs(value) < 0.02 * top and trace.unit != "degC" or _held(case, key, value):
            continue
        found.append(_span(trace, run))
    return found


def _held(case: Case, key: str, value: float) -> bool:
    limits = [case.bench.processor.power_limit, *(step.settings.get("power_limit") for step in case.campaign.steps)]
    if not key.startswith("package_power"):
        return False
    return any(limit is not None and abs(value / float(limit) - 1.0) < 0.01 for limit in limits if limit)


def _released(case: Case, trace: AlignedTrace, runs: np.ndarray) -> list[tuple[float, float]]:
    """Runs of a temperature that end in a leap: what it missed while it was stuck comes back all at once.

    Heat goes on; no change of the load makes a reading leap that far elsewhere in the log, where the load changes too.
    """
    if trace.unit != "degC":
        return []
    drive = next((p for side in ("input", "package", "rail") if (p := case.levels.power(side, case.bench))), None)
    if drive is None or np.count_nonzero(np.isfinite(drive[1])) < 30:
        return []
    power = filled(drive[1])
    edges = case.levels.time[:-5][np.abs(power[5:] - power[:-5]) > _MOVED * max(float(power.max()), 1e-9)]
    place = np.flatnonzero(np.isfinite(trace.value))
    value, time = trace.value[place], trace.end_s[place]
    step = np.abs(np.diff(value))
    even = np.diff(time) < 2.5 * float(np.median(np.diff(time)))
    resolution = float(step[step > 0].min()) if (step > 0).any() else 0.0
    last = np.searchsorted(place, runs[:, 1] - 1)
    found = []
    for run, at in zip(runs, last.tolist(), strict=True):
        if at >= len(step) or not even[at]:
            continue
        # Only beside edges of the load as well, and more than two of them, is the usual leap known.
        away = np.abs(edges - time[at]) > _LONG
        if np.count_nonzero(np.diff(edges[away], prepend=-np.inf) > _LONG) < 3:
            continue
        others = even & (np.abs(time[:-1] - time[at]) > 2.0)
        others[last[last < len(step)]] = False
        usual = float(step[others].max(initial=0.0))
        if step[at] >= max(2.0 * usual + resolution, 3.0 * resolution, 2.0):
            found.append(_span(trace, run))
    return found


def _asleep(case: Case, key: str, trace: AlignedTrace, runs: np.ndarray) -> list[tuple[float, float]]:
    """Runs of a coarse channel during which the load, behind the channel's lag, moved by more than it could miss."""
    kind = key.partition(".")[0].partition("_")[0]
    if trace.unit == "V" or kind == "ambient" or (kind == "coolant" and case.bench.cooling.coolant == "air"):
        return []
    own = {"input": "input", "package": "package", "rail": "rail"}.get(kind) if trace.unit in ("W", "A") else None
    others = [side for side in ("input", "package", "rail") if side != own]
    drive = next((p for side in others if (p := case.levels.power(side, case.bench)) is not None), None)
    if drive is None or np.count_nonzero(np.isfinite(drive[1])) < 30 or drive[0] == key:
        return []
    levels = case.levels
    power = filled(drive[1])
    # A quick part has settled while a slow one still moves: the load must have moved as either would see it.
    lags = (_QUICK, _LAG[kind]) if trace.unit == "degC" else (_QUICK,)
    views = [lagged(power, levels.step, lag, before=power[0]) for lag in lags]
    value = trace.value[np.isfinite(trace.value)]
    reach = float(np.quantile(value, 0.95) - np.quantile(value, 0.05))
    steps = np.abs(np.diff(value))
    resolution = float(steps[steps > 0].min()) if (steps > 0).any() else 0.0
    found = []
    for run in runs:
        start, end = _span(trace, run)
        inside = (levels.time >= start) & (levels.time <= end)
        if np.count_nonzero(inside) < 5:
            continue
        share = min(float(np.ptp(view[inside])) / max(float(view.max()), 1e-9) for view in views)
        usual = min(float(np.quantile(v, 0.95) - np.quantile(v, 0.05)) / max(float(v.max()), 1e-9) for v in views)
        if share < _MOVED:
            continue
        # What the channel shows for such a change elsewhere; it may be too coarse to show this one.
        whole = run[1] - run[0] >= 0.9 * len(value)
        expected = reach * min(share / max(usual, 1e-9), 1.0)
        if not whole and expected <= 3.0 * resolution + (1.0 if trace.unit == "degC" else 0.0):
            continue
        shown = None if whole else _shown_elsewhere(case, key, views, start, end)
        if shown is None or shown > 2.5 * resolution:
            found.append((start, end))
    return found


def _shown_elsewhere(
    case: Case, key: str, views: Sequence[np.ndarray], start: float, end: float
) -> float | None:
    """Return by how much the channel moves at least, as a rule, in stretches as long in which the load moves as far.

    The reach of a whole log may come from other settings: few phases, another coolant. None where no such stretch is.
    """
    levels = case.levels
    size = int((end - start) / levels.step)
    if key not in levels.channels or size < 2 or 3 * size > len(levels.time):
        return None
    stride = max(size // 4, 1)
    *moved, answer = (
        np.ptp(sliding_window_view(series, size)[::stride], axis=1) for series in (*views, levels.channels[key])
    )
    first = levels.time[: len(levels.time) - size + 1 : stride]
    inside = (levels.time >= start) & (levels.time <= end)
    like = np.isfinite(answer) & ((first > end) | (first + size * levels.step < start))
    for move, view in zip(moved, views, strict=True):
        like &= move >= 0.9 * float(np.ptp(view[inside]))
    # A quarter: a sensor that was stuck twice is not taken for one that hardly answers.
    return float(np.quantile(answer[like], 0.25)) if like.any() else None
