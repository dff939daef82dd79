"""Which channels of two logs see the same cause, and which log is the reference."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from phasewright.logs.condense import Intervals
from phasewright.logs.records import Trace

POWER_ORDER = (
    "input_power", "package_power", "rail_power", "package_energy", "input_energy", "input_current", "rail_current",
)
"""Channels that follow the load at once, best first."""
THERMAL_ORDER = (
    "processor_temperature", "regulator_temperature", "inductor_temperature", "board_temperature",
    "connector_temperature", "coolant_temperature",
)
"""Channels that follow the load slowly, quickest first."""


def base(channel: str) -> str:
    """Return the channel's name without its label."""
    return channel.partition(".")[0]


def rank(channel: str, order: tuple[str, ...] = POWER_ORDER) -> int:
    """Return the place of `channel` in `order`; channels with a label come after those without; 99 = not in it."""
    name = base(channel)
    if name not in order:
        return 99
    return 2 * order.index(name) + ("." in channel)


def choose_reference(traces: Mapping[str, Iterable[Trace]], wished: str = "") -> str:
    """Return the name of the reference log: `wished` if given, else the fastest log that has a power channel.

    A log whose clock started anew stands back behind one that ran through. Energy counters and currents stand in where
    no log has a power channel; then the fastest log of all.
    """
    if wished:
        return wished

    def worth(name: str) -> tuple[int, bool, float]:
        best = (2, True, float("inf"))
        for trace in traces[name]:
            place = rank(trace.channel)
            group = 0 if place < 6 else 1 if place < 99 else 2
            period = trace.period
            best = min(best, (group, _restarts(trace), period if np.isfinite(period) else 1e9))
        return best

    return min(traces, key=worth)


def _restarts(trace: Trace) -> bool:
    """Whether the clock goes back between two segments."""
    ends = [int(trace.time_ns[b - 1]) for a, b in trace.segments if b > a]
    starts = [int(trace.time_ns[a]) for a, b in trace.segments if b > a]
    return any(after < before for before, after in zip(ends[:-1], starts[1:], strict=True))


def power_like(intervals: Intervals) -> Intervals:
    """Return `intervals` as something that follows the load: energy counters become mean power between two readings."""
    if base(intervals.channel) not in ("package_energy", "input_energy"):
        return intervals
    value, end = intervals.value, intervals.end
    power = np.full(len(value), np.nan)
    start = end.copy()
    for a, b in intervals.segments:
        step = np.diff(end[a:b])
        rise = np.diff(value[a:b])
        good = (step > 0) & (step < 2.5 * intervals.period) & (rise >= 0)
        power[a + 1 : b] = np.where(good, rise / np.where(step > 0, step, 1.0), np.nan)
        start[a + 1 : b] = np.where(good, end[a : b - 1], end[a + 1 : b])
    return replace(intervals, value=power, start=start, averaging=None, unit="W")


def candidates(intervals: Iterable[Intervals], order: tuple[str, ...] = POWER_ORDER) -> list[Intervals]:
    """Return the channels of one log that may be compared, best first; those that never change are left out."""
    chosen = [x for x in intervals if rank(x.channel, order) < 99 and _moves(x.value)]
    return sorted(chosen, key=lambda x: (rank(x.channel, order), x.channel))


def _moves(value: np.ndarray) -> bool:
    good = value[np.isfinite(value)]
    return len(good) > 8 and float(np.ptp(good)) > 0
