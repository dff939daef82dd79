"""The stretch of a step over which its load was really held."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.records import AlignedTrace, StepSpan

POWER = ("input_power", "package_power", "rail_power", "input_current", "rail_current")
_NEAR = 12.0
_CHANGE = 0.25


@dataclass(frozen=True, slots=True)
class Held:
    """The held stretch [s] and what was left out of the span, with reasons."""

    start: float
    end: float
    discarded: tuple[tuple[float, float, str], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Load:
    """The load over the whole record in slots of 1 s: `time` (n,) [s], `power` (n,), and its range."""

    time: np.ndarray
    power: np.ndarray
    spread: float


def load_of(traces: dict[str, AlignedTrace]) -> Load | None:
    """Return the load of the whole record; None without a power channel."""
    power = best_power(traces)
    if power is None or float(power.end_s[-1] - power.start_s[0]) < 10.0:
        return None
    time, value = seconds(power, float(power.start_s[0]), float(power.end_s[-1]))
    good = np.isfinite(value)
    if not good.any():
        return None
    value = np.interp(time, time[good], value[good])
    low, high = np.quantile(value, [0.02, 0.98])
    return Load(time, value, float(high - low))


def best_power(traces: dict[str, AlignedTrace]) -> AlignedTrace | None:
    """Return the power (or current) channel that tells best of the load."""
    for name in POWER:
        for key in sorted(traces):
            if key.partition(".")[0] == name and np.isfinite(traces[key].time_u) and traces[key].time_u < 5.0:
                return traces[key]
    return None


def seconds(trace: AlignedTrace, start: float, end: float, step: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Return the middles of slots of `step` [s] from `start` to `end` and the mean of `trace` in each (NaN: none)."""
    count = max(1, int((end - start) / step))
    low, high = np.searchsorted(trace.end_s, [start, end + 10 * step])
    middle = 0.5 * (trace.start_s[low:high] + trace.end_s[low:high])
    value = trace.value[low:high]
    good = np.isfinite(value) & (middle >= start) & (middle < start + count * step)
    # Readings often lie on the edge between two slots to the digit; rounding must not decide for some of them.
    slot = np.minimum(((middle[good] - start) / step + 1e-6).astype(int), count - 1)
    number = np.bincount(slot, minlength=count)
    total = np.bincount(slot, value[good], minlength=count)
    mean = np.full(count, np.nan)
    np.divide(total, number, out=mean, where=number > 0)
    return start + (np.arange(count) + 0.5) * step, mean


def held_load(traces: dict[str, AlignedTrace], span: StepSpan, guard: float) -> Held:
    """Return where in `span` the load was held: from its last edge near the start to the first near the end.

    An edge is a change by more than a quarter of the load's usual level; `guard` [s] is kept clear at both ends.
    """
    start, end = span.start_s, span.end_s
    said = []
    power = best_power(traces)
    if power is not None and end - start > 4.0:
        time, value = seconds(power, start, end)
        inner = value[len(value) // 4 : max(len(value) - len(value) // 4, 1)]
        if np.isfinite(inner).any():
            level = float(np.nanmedian(inner))
            off = np.abs(value - level) > _CHANGE * abs(level)
            early = np.flatnonzero(off & (time < start + min(_NEAR, 0.3 * (end - start))))
            if len(early):
                moved = float(time[early[-1]]) + 0.5
                said.append((start, moved, "load not yet at its level"))
                start = moved
            run = _last_run(off, 5)
            late = np.flatnonzero(off & (time > end - min(_NEAR, 0.3 * (end - span.start_s))))
            stop = min([float(time[late[0]]) - 0.5] if len(late) else [end])
            if run is not None and time[run] - 0.5 > start:
                stop = min(stop, float(time[run]) - 0.5)
            if stop < end:
                said.append((stop, end, "load left its level"))
                end = stop
    first, last = start + guard, end - guard
    said.append((start, min(first, end), "edge of the step: clock uncertainty and averaging times"))
    said.append((max(last, start), end, "edge of the step: clock uncertainty and averaging times"))
    return Held(first, last, tuple(item for item in said if item[1] > item[0]))


def _last_run(off: np.ndarray, least: int) -> int | None:
    """Index where the load leaves its level for `least` slots or more and for good; None when it does not."""
    if not off[-1]:
        return None
    k = len(off) - 1
    while k > 0 and off[k - 1]:
        k -= 1
    return k if len(off) - k >= least else None
