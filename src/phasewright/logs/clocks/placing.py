"""Channels put on the reference clock with the clock maps that were found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from phasewright.logs.condense import Intervals
from phasewright.logs.records import AlignedTrace, ClockMap, Remark, Trace

RATE_U = 100.0
"""Standard uncertainty of a clock's rate where no fit shows it [ppm]; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of one log over which its clock ran evenly, with its place on the reference clock."""

    segment: int
    """Index of the segment of the log's traces."""
    clock: ClockMap


def place_all(
    traces: Mapping[str, Sequence[Trace]],
    intervals: Mapping[str, Sequence[Intervals]],
    pieces: Mapping[str, Sequence[Piece]],
    instruments: Mapping[str, str],
) -> tuple[dict[str, AlignedTrace], list[Remark]]:
    """Return every channel whose log has a place on the reference clock, the reference log's first, and remarks.

    The second channel of a name is called ``<channel>.<log>``.
    """
    aligned: dict[str, AlignedTrace] = {}
    remarks: list[Remark] = []
    for name, group in traces.items():
        for trace, x in zip(group, intervals[name], strict=True):
            item = _place(trace, x, pieces[name], instruments.get(name, ""))
            if item is None:
                continue
            key = trace.channel
            if key in aligned:
                key = f"{trace.channel}.{name}"
                said = f"channel {trace.channel!r} is in two logs; that of log {name!r} is called {key!r}"
                remarks.append(Remark("note", said))
            aligned[key] = replace(item, channel=key)
    return aligned, remarks


def _end_to_end(parts: list[np.ndarray | None]) -> np.ndarray | None:
    """Join the parts of a column; one alone is taken as it is, as a long record is not worth a copy."""
    return parts[0] if len(parts) == 1 or parts[0] is None else np.concatenate(parts)


def _place(trace: Trace, x: Intervals, pieces: Sequence[Piece], instrument: str) -> AlignedTrace | None:
    found: list[tuple[np.ndarray | None, ...]] = []
    doubt, fitted = 0.0, None
    for piece in pieces:
        clock = piece.clock
        if clock.status == "ambiguous":
            continue
        a, b = piece_range(x, piece)
        if b <= a:
            continue
        start, end = x.start[a:b], x.end[a:b]
        if clock.averaging is not None and x.averaging is None and x.unit in ("W", "A", "V"):
            fitted = clock.averaging
            start = end - clock.averaging
        rate = clock.drift * 1e-6
        doubt = max(doubt, placement_u(clock, float(end[0]), float(end[-1])))
        if clock.offset or rate:
            start = start + clock.offset + rate * (start - clock.pivot)
            end = end + clock.offset + rate * (end - clock.pivot)
        found.append((start, end, *(None if held is None else held[a:b] for held in (x.value, x.low, x.high))))
    if not found:
        return None
    # Stretches in the order of the reference clock: a restarted log may be listed out of order.
    found.sort(key=lambda item: float(item[1][0]))
    start, end, value, low, high = (_end_to_end([item[k] for item in found]) for k in range(5))
    edge = np.cumsum([0] + [len(item[0]) for item in found])
    averaging = x.averaging if x.averaging is not None else fitted
    if averaging is None:
        averaging = float(np.nanmedian(end - start))
    return AlignedTrace(
        trace.channel, trace.unit, trace.log, instrument, start, end, value, float(averaging),
        (doubt**2 + x.stamp_u**2) ** 0.5, low, high, x.raw_averaging,
        tuple((int(a), int(b)) for a, b in zip(edge[:-1], edge[1:], strict=True)), trace.remarks,
    )


def piece_range(x: Intervals, piece: Piece) -> tuple[int, int]:
    """Return the index range of the readings of `x` that lie in `piece`."""
    if not x.segments:
        return 0, 0
    a, b = x.segments[min(piece.segment, len(x.segments) - 1)]
    clock = piece.clock
    if not np.isfinite(clock.first):
        return a, b
    stamp = x.end[a:b] - x.stamp_lag
    half = 0.5 * x.period if x.condensed else 1e-6
    low, high = np.searchsorted(stamp, [clock.first - half, clock.last + half])
    return a + int(low), a + int(high)


def placement_u(clock: ClockMap, first: float, last: float) -> float:
    """Return the standard uncertainty of places from `first` to `last` [s] of the log's own clock; inf = unknown."""
    if clock.status == "reference":
        return clock.offset_u or 0.0
    if clock.offset_u is None:
        return float("inf")
    reach = max(abs(first - clock.pivot), abs(last - clock.pivot))
    rate_u = clock.drift_u if clock.drift_u is not None else RATE_U
    return (clock.offset_u**2 + (rate_u * 1e-6 * reach) ** 2) ** 0.5
