"""Extremes of long traces over blocks of blocks, so that any stretch of any length is seen at once and no peak is lost."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from .records import ClockMap, Trace

BLOCK = 64
"""Samples in a block of the lowest level."""
FACTOR = 8
"""Blocks in a block of the next level."""
_PIECE = BLOCK << 14
GAP_PERIODS = 3.5
"""A line is broken where readings are farther apart than this many of the median distance."""


@dataclass(frozen=True, slots=True, eq=False)
class Pyramid:
    """The values of a trace with the extremes of their blocks.

    `value` float64 (n,), NaN = missing, may be mapped from a file. `lows[k]`, `highs[k]` are the extremes of blocks of
    BLOCK * FACTOR**k samples, NaN where a block holds nothing; the last block may be shorter.
    """

    value: np.ndarray
    lows: tuple[np.ndarray, ...]
    highs: tuple[np.ndarray, ...]

    def extremes(self, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return (low, high), each (n,), over the samples edges[i] to edges[i+1] - 1; NaN where there is nothing.

        `edges` int (n + 1,), never falling. Exact: what lies at the ends of a stretch is read sample by sample.
        """
        edges = np.clip(np.asarray(edges, dtype=np.int64), 0, len(self.value))
        low = np.full(len(edges) - 1, np.nan)
        high = low.copy()
        self._gather(edges[:-1], edges[1:], np.arange(len(low)), len(self.lows) - 1, low, high)
        return low, high

    def _gather(self, start, stop, place, level, low, high) -> None:
        """Fold the extremes of [start, stop) into low[place], high[place], whole blocks of `level` first."""
        wanted = stop > start
        start, stop, place = start[wanted], stop[wanted], place[wanted]
        if not len(start):
            return
        if level < 0:
            _fold(self.value, self.value, start, stop, place, low, high)
            return
        size = BLOCK * FACTOR**level
        first, last = -(-start // size), stop // size
        whole = last > first
        _fold(self.lows[level], self.highs[level], first[whole], last[whole], place[whole], low, high)
        self._gather(start, np.where(whole, first * size, stop), place, level - 1, low, high)
        self._gather(last[whole] * size, stop[whole], place[whole], level - 1, low, high)


def _fold(lows, highs, start, stop, place, low, high) -> None:
    length = stop - start
    keep = length > 0
    start, length, place = start[keep], length[keep], place[keep]
    if not len(start):
        return
    at = np.concatenate(([0], np.cumsum(length)[:-1]))
    index = np.arange(int(length.sum())) + np.repeat(start - at, length)
    low[place] = np.fmin(low[place], np.fmin.reduceat(lows[index], at))
    high[place] = np.fmax(high[place], np.fmax.reduceat(highs[index], at))


def build_pyramid(value: np.ndarray, *, progress: Callable[[float, str], None] | None = None) -> Pyramid:
    """Return the pyramid of `value` float64 (n,), NaN = missing; a few percent of its size, cost linear in samples."""
    tell = progress or (lambda fraction, text: None)
    lows, highs = [], []
    for start in range(0, len(value), _PIECE):
        tell(start / len(value), "taking the extremes of the traces")
        piece = np.asarray(value[start : start + _PIECE])
        marks = np.arange(0, len(piece), BLOCK)
        lows.append(np.fmin.reduceat(piece, marks))
        highs.append(np.fmax.reduceat(piece, marks))
    low = np.concatenate(lows) if lows else np.empty(0)
    high = np.concatenate(highs) if highs else np.empty(0)
    levels_low, levels_high = [low], [high]
    while len(low) > FACTOR:
        marks = np.arange(0, len(low), FACTOR)
        low, high = np.fmin.reduceat(low, marks), np.fmax.reduceat(high, marks)
        levels_low.append(low)
        levels_high.append(high)
    return Pyramid(value, tuple(levels_low), tuple(levels_high))


@dataclass(frozen=True, slots=True, eq=False)
class TraceView:
    """A stretch of a trace, ready to be drawn from left to right.

    `time_s` float64 (n,) on the reference clock, `low` and `high` (n,) the extremes there, equal for single readings;
    NaN in both = the line is broken.
    """

    time_s: np.ndarray
    low: np.ndarray
    high: np.ndarray


def view_trace(
    trace: Trace, clocks: Sequence[ClockMap], pyramid: Pyramid, *, first_s: float, last_s: float, buckets: int
) -> TraceView:
    """Return what a drawing `buckets` wide shows of a trace between two moments of the reference clock [s].

    Every extreme is kept, no gap is bridged, and readings stand where the clock maps of their log put them.

    Raises
    ------
    ValueError
        When the stretch is empty or `buckets` is below 1.
    """
    if not last_s > first_s or buckets < 1:
        raise ValueError(f"empty stretch ({first_s=}, {last_s=}, {buckets=}) - it has a length - check both ends")
    parts = [
        _segment(trace, clock, pyramid, begin, end, first_s, last_s, buckets)
        for clock, begin, end in _stretches(trace, clocks)
    ]
    parts = [part for part in parts if len(part.time_s)]
    if not parts:
        return TraceView(np.empty(0), np.empty(0), np.empty(0))
    broken = np.array([np.nan])
    pieces = [[], [], []]
    for part in parts:
        for piece, new in zip(pieces, (part.time_s, part.low, part.high), strict=True):
            piece += [new, new[-1:] if piece is pieces[0] else broken]
    return TraceView(*(np.concatenate(piece[:-1]) for piece in pieces))


def _stretches(trace: Trace, clocks: Sequence[ClockMap]) -> Iterator[tuple[ClockMap, int, int]]:
    """Give (clock map, first index, past-the-last index) of every stretch of the trace that has a place in time."""
    for clock in clocks:
        if clock.log != trace.log or clock.segment >= len(trace.segments):
            continue
        begin, end = trace.segments[clock.segment]
        own = trace.time_ns[begin:end]
        if np.isfinite(clock.first):
            begin += int(np.searchsorted(own, clock.zero_ns + int(clock.first * 1e9), side="left"))
        if np.isfinite(clock.last):
            end = trace.segments[clock.segment][0] + int(
                np.searchsorted(own, clock.zero_ns + int(clock.last * 1e9), side="right")
            )
        if end > begin:
            yield clock, begin, end


def _segment(trace, clock, pyramid, begin, end, first_s, last_s, buckets) -> TraceView:
    """Return the view of one stretch of samples that share a clock map."""
    edges_s = np.linspace(first_s, last_s, buckets + 1)
    rate = 1.0 + clock.drift * 1e-6
    own_s = (edges_s - clock.offset + clock.drift * 1e-6 * clock.pivot) / rate
    # Whole nanoseconds: for a float numpy would turn the whole trace into floats first.
    edges = begin + np.searchsorted(trace.time_ns[begin:end], clock.zero_ns + np.ceil(own_s * 1e9).astype(np.int64))
    count = int(edges[-1] - edges[0])
    longest = _longest(trace.time_ns[begin:end])
    if count <= 4 * buckets:
        # One reading more on both sides, so that the line goes on to the edge.
        at = np.arange(max(begin, int(edges[0]) - 1), min(end, int(edges[-1]) + 1))
        value = np.asarray(pyramid.value[at], dtype=float)
        stamps = trace.time_ns[at]
        return _broken(clock.to_reference(stamps), value, value, np.diff(stamps) > longest)
    low, high = pyramid.extremes(edges)
    full = (edges[1:] > edges[:-1]) & np.isfinite(low)
    middle = 0.5 * (edges_s[1:] + edges_s[:-1])[full]
    starts, stops = edges[:-1][full], edges[1:][full] - 1
    gaps = trace.time_ns[starts[1:]] - trace.time_ns[stops[:-1]] > longest if len(starts) > 1 else np.empty(0, bool)
    return _broken(middle, low[full], high[full], gaps)


def _longest(time_ns: np.ndarray) -> float:
    """Return the distance [ns] beyond which two readings are not joined."""
    if len(time_ns) < 2:
        return np.inf
    return GAP_PERIODS * max(float(np.median(np.diff(time_ns[:10_000]))), 1.0)


def _broken(time, low, high, gaps) -> TraceView:
    """Return a view with an empty place after each reading that is followed by a gap."""
    at = np.flatnonzero(gaps) + 1
    return TraceView(np.insert(time, at, time[at - 1]), np.insert(low, at, np.nan), np.insert(high, at, np.nan))
