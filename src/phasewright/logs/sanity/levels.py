"""All channels of a recording as means on one even grid of time, to hold them against each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from phasewright.bench import Bench
from phasewright.logs.records import AlignedTrace, Recording

_POINTS = 6000
_BRIDGE = 3.0
"""Readings further apart than this many of their periods have nothing between them."""
_PLACED = 5.0
"""A log whose place is less sure than this [s] cannot be held against another moment by moment."""
_PLACED_WARM = 60.0
"""Temperatures are held against each other and against lagged power: a minute matters little to them [s]."""


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Means of every placed channel on a grid; NaN where it has no reading. Arrays (m,), times [s]."""

    step: float
    time: np.ndarray
    channels: Mapping[str, np.ndarray]

    def first(self, *bases: str) -> tuple[str, np.ndarray] | None:
        """Return (key, means) of the first channel of `bases` that is logged, a plain name before a labelled one."""
        for base in bases:
            keys = [key for key in self.channels if key.partition(".")[0] == base]
            if keys:
                key = min(keys, key=lambda k: ("." in k, k))
                return key, self.channels[key]
        return None

    def power(self, side: str, bench: Bench) -> tuple[str, np.ndarray] | None:
        """Return (what it is made from, means) of the power [W] of `side`: input, package or rail."""
        found = self.first(f"{side}_power")
        if found is not None:
            return found
        counter = self.first(f"{side}_energy")
        if counter is not None:
            rise = np.diff(counter[1], prepend=np.nan) / self.step
            return counter[0], np.where(rise >= 0.0, rise, np.nan)
        amperes = self.first(f"{side}_current")
        if amperes is None:
            return None
        volts = self.first(f"{side}_voltage")
        if volts is not None:
            return f"{volts[0]} x {amperes[0]}", volts[1] * amperes[1]
        nominal = bench.regulator.rail_voltage if side == "rail" else bench.board.input_voltage
        if nominal is None:
            return None
        line = (bench.regulator.load_line or 0.0) if side == "rail" else 0.0
        return amperes[0], np.maximum(nominal - line * amperes[1], 0.0) * amperes[1]


def lay_levels(recording: Recording) -> Levels:
    """Return the channels of `recording` whose place in time is sure enough."""
    usable = {
        key: trace for key, trace in recording.traces.items()
        if len(trace.end_s) > 1 and np.isfinite(trace.value).any()
        and trace.time_u < (_PLACED_WARM if trace.unit == "degC" else _PLACED)
    }  # fmt: skip
    if not usable:
        return Levels(1.0, np.zeros(0), {})
    start = min(float(trace.end_s.min()) for trace in usable.values())
    end = max(float(trace.end_s.max()) for trace in usable.values())
    step = max(1.0, (end - start) / _POINTS)
    count = int((end - start) / step) + 1
    time = start + (np.arange(count) + 0.5) * step
    return Levels(step, time, {key: _means(trace, start, step, count) for key, trace in usable.items()})


def _means(trace: AlignedTrace, start: float, step: float, count: int) -> np.ndarray:
    """Means over the cells; cells between two readings of a slow channel lie on the line between them.

    A counter's cells hold its count at their end, so that differences are what flowed in a cell.
    """
    middle = 0.5 * (trace.start_s + trace.end_s)
    good = np.isfinite(trace.value)
    if trace.unit == "J":
        return _counts(trace.end_s[good], trace.value[good], start, step, count)
    cell = np.floor((middle - start) / step).astype(np.int64)
    good &= (cell >= 0) & (cell < count)
    number = np.bincount(cell[good], minlength=count)
    total = np.bincount(cell[good], trace.value[good], minlength=count)
    mean = np.full(count, np.nan)
    filled = number > 0
    mean[filled] = total[filled] / number[filled]
    at = np.flatnonzero(filled)
    if len(at) < 2:
        return mean
    typical = float(np.median(np.diff(middle[good]))) if good.sum() > 1 else step
    reach = max(_BRIDGE * abs(typical) / step, 2.0)
    holes = np.flatnonzero(~filled)
    after = np.searchsorted(at, holes)
    inside = (after > 0) & (after < len(at))
    holes, after = holes[inside], after[inside]
    near = at[after] - at[after - 1] <= reach
    mean[holes[near]] = np.interp(holes[near], at, mean[at])
    return mean


def _counts(time: np.ndarray, value: np.ndarray, start: float, step: float, count: int) -> np.ndarray:
    """Return a counter at the end of every cell; NaN where no reading is near on both sides."""
    at = start + step * (1.0 + np.arange(count))
    if len(time) < 2:
        return np.full(count, np.nan)
    after = np.searchsorted(time, at)
    inside = (after > 0) & (after < len(time))
    right = np.clip(after, 1, len(time) - 1)
    reach = max(_BRIDGE * float(np.median(np.diff(time))), 2.0 * step)
    return np.where(inside & (time[right] - time[right - 1] <= reach), np.interp(at, time, value), np.nan)


def stretches(time: np.ndarray, marked: np.ndarray, step: float, least: float) -> list[tuple[float, float]]:
    """Return (from, to) [s] of the stretches of `marked` cells that last at least `least` [s]."""
    edge = np.diff(marked.astype(np.int8), prepend=0, append=0)
    first, last = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    return [
        (float(time[a] - 0.5 * step), float(time[b - 1] + 0.5 * step))
        for a, b in zip(first, last, strict=True) if (b - a) * step >= least
    ]  # fmt: skip
