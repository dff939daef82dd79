"""Traces as interval means: every reading says over which stretch of its own clock it was averaged."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from phasewright.logs.blockwise import Rows, side_by_side
from phasewright.logs.records import Trace

FAST_RATE = 50.0
"""Traces faster than this [Hz] are condensed."""
BIN_LENGTH = 0.025
"""Wished length of a condensed interval [s]."""
MOST_BINS = 1 << 22
"""Condensed intervals that all channels together may have (a bin takes 40 bytes): 29 hours of one channel in bins of
`BIN_LENGTH`; longer records get longer bins."""
_WIDER, _LONGEST = 1.25, 3600.0
"""Steps in which bins get longer, and where that ends [s]: stamps without any period stay as they are."""
_WIDE_SHARE = 0.02
"""Standard uncertainty that longer bins add to where a log lies, as a share of their length. Common practice, no source:
bins of 0.29 s moved the clocks of three simulated campaigns by at most 0.016 of it."""
_CHUNK = 1 << 16
_GAP_PERIODS = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Intervals:
    """One channel as interval means on the clock of its own log.

    `start` and `end` float64 (n,) are seconds since `zero_ns`, `value` float64 (n,), NaN = missing. `segments` are
    (first, past-the-last) index pairs into these arrays, one for each segment of the trace they come from.
    """

    channel: str
    unit: str
    log: str
    zero_ns: int
    start: np.ndarray
    end: np.ndarray
    value: np.ndarray
    segments: tuple[tuple[int, int], ...]
    period: float
    """Median distance of the raw stamps [s]; NaN when there are fewer than two."""
    averaging: float | None
    """Length over which one value is averaged [s]; None = unknown (the period is then taken)."""
    raw_averaging: float | None
    """Averaging time of one raw sample [s]; None = unknown."""
    stamp_u: float
    """Standard uncertainty of the intervals against the stamps: unknown stamp position, unknown averaging, rounded
    stamps, bins longer than usual [s]."""
    mark_u: float
    """The part of `stamp_u` that knowing the averaging would not take away [s]."""
    cut_u: float
    """The part of `stamp_u` that comes from cut stamps [s]."""
    stamp_at: str
    stamp_lag: float
    """How far the end of a reading lies after its stamp [s]."""
    low: np.ndarray | None = None
    high: np.ndarray | None = None
    condensed: bool = False


def stamp_cut(time_ns: np.ndarray) -> tuple[float, float]:
    """Return how far readings lie after their stamps on average because the stamps were cut, and its doubt [s].

    Stamps that are whole seconds (tenths, ...) although their distances vary have lost what came after: half a step is
    added, with the rectangular doubt of one step (they may have been rounded instead). Whole-second stamps at an even
    distance may be exact or cut, so nothing is added and the doubt reaches one step.
    """
    head = np.asarray(time_ns[:4096])
    if len(head) < 3:
        return 0.0, 0.0
    distance = np.diff(head)
    distance = distance[distance > 0]
    if not len(distance):
        return 0.0, 0.0
    period = float(np.median(distance))
    even = float(np.mean(np.abs(distance - period) < 1000)) > 0.9 and not np.any(np.diff(head) < 0.7 * period)
    for step in (1_000_000_000, 100_000_000, 10_000_000):
        if np.any(head % step):
            continue
        if even:
            return (0.0, 0.5 * step * 1e-9) if step == 1_000_000_000 and period < 5e9 else (0.0, 0.0)
        return (0.5 * step * 1e-9, step * 1e-9 / 12**0.5) if step > 0.02 * period else (0.0, 0.0)
    return 0.0, 0.0


def stamp_shift(stamp_at: str) -> float:
    """Return how many averaging lengths the end of a reading lies after its stamp (0 end, 0.5 middle, 1 start).

    An unknown stamp is taken to mark the end, as a value can only be written once it is there.
    """
    return {"start": 1.0, "middle": 0.5}.get(stamp_at, 0.0)


def stamp_doubt(averaging: float | None, stamp_at: str, period: float) -> float:
    """Return the standard uncertainty of where a reading lies against its stamp, for what is not stated [s].

    Unknown stamp position: half the averaging, so that the 95 % interval reaches a stamp at the start. Unknown
    averaging: the rectangular spread of a mean of up to two periods.
    """
    period = period if np.isfinite(period) else 0.0
    length = period if averaging is None else averaging
    u2 = 0.0
    if stamp_at not in ("start", "middle", "end"):
        u2 += (length / 2) ** 2
    if averaging is None:
        u2 += (period / 12**0.5) ** 2
    return u2**0.5


def wished_length(traces: Iterable[Trace]) -> float:
    """Return the length of condensed intervals [s] with which all `traces` together stay within `MOST_BINS`.

    It is `BIN_LENGTH` but for very long records, whose memory would grow without end.
    """
    traces, length = tuple(traces), BIN_LENGTH
    if sum(len(trace.time_ns) for trace in traces) <= MOST_BINS:
        return length
    counted = [(len(trace.time_ns), _period(trace)) for trace in traces]
    while length < _LONGEST and sum(rows / _samples(period, length, FAST_RATE) for rows, period in counted) > MOST_BINS:
        length *= _WIDER
    return length


def _samples(period: float, length: float, fast_rate: float) -> int:
    """Return how many samples become one interval of about `length` [s]; 1 where a trace passes as it is."""
    if not (np.isfinite(period) and period > 0):
        return 1
    count = max(1, int(round(length / period)))
    return count if 1.0 / period >= fast_rate * 0.999 or length > BIN_LENGTH else 1


def condense(
    trace: Trace, zero_ns: int, *, bin_length: float = BIN_LENGTH, fast_rate: float = FAST_RATE
) -> Intervals:
    """Return `trace` as interval means, in seconds since `zero_ns`; fast traces as means with low and high extremes.

    Traces at `fast_rate` [Hz] or faster become means over about `bin_length` [s]: exact means of the samples inside
    (missing ones left out; missing when more than half are), with the smallest and greatest sample. No interval spans a
    gap (more than 2.5 periods and more than half a bin) or the end of a segment. Slower traces pass through sample by
    sample, but for those of which a `bin_length` beyond the usual one holds several. Works chunk by chunk, so that
    memory-mapped arrays are read once and never copied whole.
    """
    period = _period(trace)
    count = _samples(period, bin_length, fast_rate)
    fast = count > 1 or np.isfinite(period) and period > 0 and 1.0 / period >= fast_rate * 0.999
    cut, cut_u = stamp_cut(trace.time_ns)
    wide_u = _WIDE_SHARE * bin_length if count > 1 and bin_length > BIN_LENGTH else 0.0
    doubt = (stamp_doubt(trace.averaging, trace.stamp_at, period) ** 2 + cut_u**2 + wide_u**2) ** 0.5
    known = trace.averaging if trace.averaging is not None else period
    mark = (stamp_doubt(known, trace.stamp_at, period) ** 2 + cut_u**2 + wide_u**2) ** 0.5
    parts = []
    if fast:
        for first, last in trace.segments:
            parts.append(_condense_segment(trace, first, last, count, period, bin_length))
        shift = stamp_shift(trace.stamp_at) - 0.5
        moved = (trace.averaging if trace.averaging is not None else period) * shift + cut
    else:
        for first, last in trace.segments:
            parts.append(_pass_segment(trace, first, last))
        length = trace.averaging
        if length is None:
            length = period if np.isfinite(period) else 0.0
        moved = length * stamp_shift(trace.stamp_at) + cut
    bounds = np.cumsum([0] + [len(part[0]) for part in parts])
    segments = tuple((int(a), int(b)) for a, b in zip(bounds[:-1], bounds[1:], strict=True))
    column = list(_joined(parts)) if parts else [np.zeros(0)] * 3
    if fast:
        start, end = (_to_seconds(column.pop(0), zero_ns, moved) for _ in range(2))
        _close_seams(start, end, segments, max(_GAP_PERIODS * period, 0.5 * bin_length), period)
        value, low, high, averaging = *column, count * period
    else:
        end = _to_seconds(column[1], zero_ns, moved)
        start = end - length
        value, low, high, averaging = column[2], None, None, trace.averaging
    return Intervals(
        trace.channel, trace.unit, trace.log, zero_ns, start, end, value, segments, period, averaging,
        trace.averaging, doubt, mark, cut_u, trace.stamp_at, float(moved), low, high, bool(fast),
    )


def _period(trace: Trace) -> float:
    """Median sampling period over the longest segment [s]."""
    spans = [s for s in trace.segments if s[1] - s[0] >= 2]
    if not spans:
        return float("nan")
    first, last = max(spans, key=lambda s: s[1] - s[0])
    step = np.diff(trace.time_ns[first : min(last, first + 20_001)])
    step = step[step > 0]
    return float(np.median(step)) * 1e-9 if len(step) else float("nan")


def _to_seconds(time_ns: np.ndarray, zero_ns: int, moved: float) -> np.ndarray:
    seconds = (time_ns - zero_ns) * 1e-9
    seconds += moved
    return seconds


def _joined(pieces: list[tuple[np.ndarray, ...]]) -> tuple[np.ndarray, ...]:
    """Join pieces column by column. Takes them out of `pieces`, so that no column is held twice for long."""
    if len(pieces) == 1:
        return pieces.pop()
    columns = list(zip(*pieces, strict=True))
    pieces.clear()
    joined = []
    while columns:
        joined.append(np.concatenate(columns.pop(0)))
    return tuple(joined)


def _pass_segment(trace: Trace, first: int, last: int) -> tuple[np.ndarray, ...]:
    time = np.asarray(trace.time_ns[first:last], dtype=np.int64)
    return time, time, np.array(trace.value[first:last], dtype=np.float64)


def _condense_segment(
    trace: Trace, first: int, last: int, count: int, period: float, bin_length: float
) -> tuple[np.ndarray, ...]:
    """First stamp, last stamp, mean, low, high of every run of `count` samples of one segment."""
    gap_ns = int(max(_GAP_PERIODS * period, 0.5 * bin_length) * 1e9)
    chunk = max(1, _CHUNK // count) * count
    starts = range(first, last, chunk)

    def some(share: range) -> tuple[np.ndarray, ...]:
        bins = _Bins(len(share) * (chunk // count) + 1)
        with Rows(trace.time_ns, chunk) as times, Rows(trace.value, chunk) as values:
            for a in share:
                b = min(last, a + chunk)
                time, value = times.part(a, b), np.asarray(values.part(a, b), dtype=np.float64)
                piece = None
                if (b - a) % count == 0 and int(time[-1] - time[0]) < (b - a) * period * 1e9 + gap_ns:
                    if not np.any(np.diff(time) > gap_ns):
                        piece = _bin_evenly(time, value, count)
                bins.append(piece if piece is not None else _bin_runs(time, value, count, gap_ns))
        return bins.columns()

    half = -(-len(starts) // 2)
    return _joined(side_by_side(some, [starts[:half], starts[half:]], last - first))


class _Bins:
    """First stamp, last stamp, mean, low, high of bins, in whole columns: thousands of pieces would fragment memory."""

    def __init__(self, expected: int):
        self._held = [np.empty(expected, kind) for kind in (np.int64, np.int64, np.float64, np.float64, np.float64)]
        self._count = 0

    def append(self, piece: tuple[np.ndarray, ...]) -> None:
        stop = self._count + len(piece[0])
        if stop > len(self._held[0]):
            self._held = [np.resize(held, stop + stop // 2) for held in self._held]
        for held, new in zip(self._held, piece, strict=True):
            held[self._count : stop] = new
        self._count = stop

    def columns(self) -> tuple[np.ndarray, ...]:
        return tuple(held[: self._count] for held in self._held)


def _bin_evenly(time: np.ndarray, value: np.ndarray, count: int) -> tuple[np.ndarray, ...] | None:
    """The quick way for chunks without gaps; None when a value is missing."""
    if count > 16:
        table = value.reshape(-1, count)
        mean = table.mean(axis=1)
        if np.isnan(mean).any():
            return None
        first, last = time[::count].copy(), time[count - 1 :: count].copy()
        return first, last, mean, table.min(axis=1), table.max(axis=1)
    total = value[::count].copy()
    low, high = total.copy(), total.copy()
    for k in range(1, count):
        column = value[k::count]
        total += column
        np.minimum(low, column, out=low)
        np.maximum(high, column, out=high)
    if np.isnan(total).any():
        return None
    total /= count
    return time[::count].copy(), time[count - 1 :: count].copy(), total, low, high


def _bin_runs(time: np.ndarray, value: np.ndarray, count: int, gap_ns: int) -> tuple[np.ndarray, ...]:
    """Bins of at most `count` samples that never span a gap; missing values left out."""
    n = len(time)
    new_run = np.ones(n, dtype=bool)
    new_run[1:] = np.diff(time) > gap_ns
    run_start = np.maximum.accumulate(np.where(new_run, np.arange(n), 0))
    starts = np.flatnonzero((np.arange(n) - run_start) % count == 0)
    good = ~np.isnan(value)
    number = np.add.reduceat(good, starts, dtype=np.int64)
    size = np.diff(np.append(starts, n))
    total = np.add.reduceat(np.where(good, value, 0.0), starts)
    mean = np.full(len(starts), np.nan)
    enough = (number * 2 >= size) & (number > 0)
    np.divide(total, number, out=mean, where=enough)
    low = np.fmin.reduceat(value, starts)
    high = np.fmax.reduceat(value, starts)
    ends = np.append(starts[1:], n) - 1
    return time[starts], time[ends], mean, low, high


def _close_seams(
    start: np.ndarray, end: np.ndarray, segments: tuple[tuple[int, int], ...], gap: float, period: float
) -> None:
    """Let neighbouring bins meet halfway between their samples; half a period stands out at gaps and ends (in place)."""
    first, last = start.copy(), end.copy()
    start -= 0.5 * period
    end += 0.5 * period
    for a, b in segments:
        if b - a < 2:
            continue
        close = first[a + 1 : b] - last[a : b - 1] <= gap
        middle = 0.5 * (first[a + 1 : b] + last[a : b - 1])
        start[a + 1 : b] = np.where(close, middle, start[a + 1 : b])
        end[a : b - 1] = np.where(close, middle, end[a : b - 1])
