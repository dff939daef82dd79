"""One log against the reference: every stretch by its own evidence, then by its neighbours, then by the calendar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from phasewright.bench import Fault
from phasewright.logs.clocks.integral import Integral, integrate
from phasewright.logs.clocks.matching import Bounds, Match, match_clocks
from phasewright.logs.clocks.pairs import THERMAL_ORDER, candidates, power_like
from phasewright.logs.clocks.placing import RATE_U, Piece
from phasewright.logs.clocks.thermal import match_thermal
from phasewright.logs.condense import Intervals
from phasewright.logs.records import ClockMap, Remark

CLOCK_BOUND = 15 * 3600.0
"""Two calendar clocks are taken to differ by no more than this [s]: any time zone slip and an hour."""
CALENDAR_U = 30.0
SHARED_U = 0.01
"""[s] Standard uncertainty of a reading's place among logs that one clock stamped: what a look takes; common practice, no
source."""
"""Standard uncertainty of an offset that only calendar clocks vouch for [s]; common practice, no source."""
_BETWEEN = 10.0
BY_WARMTH = "power behind lags"
"""What a log without a power channel is compared with."""


@dataclass(frozen=True, slots=True, eq=False)
class Logs:
    """What is known of all logs before they are placed."""

    reference: str
    intervals: Mapping[str, Sequence[Intervals]]
    zero: Mapping[str, int]
    absolute: Mapping[str, bool]
    files: Mapping[str, str]
    shared: frozenset[str] = frozenset()
    """Logs that the reference's own clock stamped."""

    def record(self) -> tuple[float, float]:
        """Return first and last moment of the reference log [s]."""
        own = [x for x in self.intervals[self.reference] if len(x.end)]
        return min(float(x.start[0]) for x in own), max(float(x.end[-1]) for x in own)


def lay_out_reference(name: str, group: Sequence[Intervals]) -> tuple[tuple[Intervals, ...], list[Piece], list[Remark]]:
    """Return the reference log's channels with its stretches one after the other, their places, and remarks.

    A reference whose clock started anew has no known time between its stretches: each is put shortly after the one
    before.
    """
    longest = max(group, key=lambda x: len(x.segments))
    shifts, pieces, after = [], [], -np.inf
    for k, (a, b) in enumerate(longest.segments):
        first, last = (float(longest.start[a]), float(longest.end[b - 1])) if b > a else (0.0, 0.0)
        shift = 0.0 if first >= after - 1.0 else after + _BETWEEN - first
        shifts.append(shift)
        after = last + shift
        note = "the clock that all times are on" if not shift else \
            f"its clock started anew: put {_BETWEEN:g} s after the stretch before, as the time between is not known"
        pieces.append(Piece(k, ClockMap(
            name, k, name, "reference", longest.zero_ns, shift, 0.0 if not shift else None, 0.0, 0.0, note=note,
            first=first - longest.stamp_lag, last=last - longest.stamp_lag)))
    if not any(shifts):
        whole = ClockMap(name, 0, name, "reference", longest.zero_ns, 0.0, 0.0, 0.0, 0.0,
                         note="the clock that all times are on")
        return tuple(group), [Piece(k, replace(whole, segment=k)) for k in range(len(longest.segments))], []
    laid = []
    for x in group:
        start, end = x.start.copy(), x.end.copy()
        for (a, b), shift in zip(x.segments, shifts, strict=False):
            start[a:b] += shift
            end[a:b] += shift
        laid.append(replace(x, start=start, end=end))
    return tuple(laid), pieces, [Remark(
        "note", f"the clock of reference log {name!r} started anew {sum(map(bool, shifts))} times; "
        "its stretches are put one after the other")]


def place_log(
    logs: Logs, name: str, pieces: Mapping[str, Sequence[Piece]], wish: float | None
) -> tuple[list[Piece], list[Remark], list[Fault]]:
    """Return the pieces of one log with their clock maps, remarks, and faults when it cannot overlap the reference."""
    if name in logs.shared and logs.absolute[name] and logs.absolute[logs.reference]:
        return _of_one_clock(logs, name), [], []
    theirs = [(x, integrate(x)) for x in map(power_like, candidates(logs.intervals[logs.reference]))]
    ours = [power_like(x) for x in candidates(logs.intervals[name])]
    warm = candidates(logs.intervals[name], THERMAL_ORDER)
    longest = max(logs.intervals[name], key=lambda x: len(x.segments))
    calendar = _calendar(logs, name, pieces)
    bounds = Bounds(wish=wish) if calendar is None else Bounds(calendar - CLOCK_BOUND, calendar + CLOCK_BOUND, wish)
    found: list[tuple[int, Match]] = []
    for segment, (a, b) in enumerate(longest.segments):
        if b > a:
            span = float(longest.end[a] - longest.stamp_lag), float(longest.end[b - 1] - longest.stamp_lag)
            matches = match_clocks(theirs, [_cut(x, segment) for x in ours], span=span, bounds=bounds)
            found += [(segment, match) for match in matches]
    found = [(s, _again(logs, name, theirs, ours, found, k)) for k, (s, _) in enumerate(found)]
    done: list[Piece] = []
    remarks: list[Remark] = []
    faults: list[Fault] = []
    for number, (segment, match) in enumerate(found):
        if match.status == "none" and not ours and theirs and wish is None:
            match = _by_warmth(theirs[0][1], warm, segment, match, bounds, calendar)
        clock = _clock_map(logs, name, number, match)
        if match.status == "none":
            clock, fault = _assume(logs, clock, match, calendar, bool(ours), wish)
            faults += [fault] if fault else []
        clock = _told(clock, calendar)
        done.append(Piece(segment, clock))
        if clock.status in ("ambiguous", "assumed"):
            remarks.append(Remark("note", f"log {name!r}, stretch {number + 1}: clock {clock.status}: {clock.note}"))
    return done, [*remarks, *_placed_by_heat(logs, name, [piece.clock for piece in done])], faults


def _placed_by_heat(logs: Logs, name: str, clocks: Sequence[ClockMap]) -> list[Remark]:
    """Say in plain words how loosely a log sits that has nothing but heat in common with the reference."""
    warm = [c.offset_u for c in clocks if c.status == "aligned" and c.pair[0] == BY_WARMTH and c.offset_u is not None]
    if not warm:
        return []
    period = max(min((x.period for x in logs.intervals[log] if x.period > 0.0), default=0.0)
                 for log in (name, logs.reference))  # fmt: skip
    half, wanted = 1.96 * max(warm), 0.25 * period
    if half <= wanted:
        return []
    return [Remark(
        "note", f"log {name!r} has nothing but heat in common with {logs.reference!r}, and heat comes late: its clock is "
        f"placed only to within {half:.0f} s (95 %), where {wanted:.2g} s, a quarter of the slower log's period, would be "
        "wanted. Means over a settled window hardly feel it, readings beside an edge of the load do. Log a power or a "
        "current in the same file, or let one clock stamp both logs")]  # fmt: skip


def _of_one_clock(logs: Logs, name: str) -> list[Piece]:
    """Return the pieces of a log that the reference's own clock stamped: nothing is shifted."""
    longest = max(logs.intervals[name], key=lambda x: len(x.segments))
    offset = (logs.zero[name] - logs.zero[logs.reference]) * 1e-9
    made = []
    for segment, (a, b) in enumerate(longest.segments):
        if b > a:
            clock = ClockMap(
                name, segment, logs.reference, "aligned", logs.zero[name], offset, SHARED_U, 0.0, 0.0,
                note="stamped by the same clock as the reference log", first=float(longest.end[a]),
                last=float(longest.end[b - 1]),
            )
            made.append(Piece(segment, clock))
    return made


def _calendar(logs: Logs, name: str, pieces: Mapping[str, Sequence[Piece]]) -> float | None:
    """Offset that makes the log's calendar clock agree with one already placed [s]; None without calendars."""
    if not logs.absolute[name]:
        return None
    if logs.absolute[logs.reference]:
        return (logs.zero[name] - logs.zero[logs.reference]) * 1e-9
    for other, group in pieces.items():
        if logs.absolute[other]:
            for piece in group:
                if piece.clock.status == "aligned":
                    return piece.clock.offset + (logs.zero[name] - logs.zero[other]) * 1e-9
    return None


def _cut(x: Intervals, segment: int) -> tuple[Intervals, int, int]:
    a, b = x.segments[min(segment, len(x.segments) - 1)]
    return x, a, b


def _again(
    logs: Logs, name: str, theirs: Sequence[tuple[Intervals, Integral]], ours: Sequence[Intervals],
    found: Sequence[tuple[int, Match]], k: int,
) -> Match:
    """Place a stretch that its own edges do not place with what its neighbours on the same clock tell."""
    segment, match = found[k]
    placed = [j for j, (_, other) in enumerate(found) if other.status == "aligned"]
    if match.status == "aligned" or match.parted or not placed or not ours:
        return match
    parts = [_cut(x, segment) for x in ours]
    span = match.first, match.last
    if logs.absolute[name]:
        placed = [j for j in placed if _ran_on(found, j, k)]
        if not placed:
            return match
        base = found[min(placed, key=lambda j: abs(j - k))][1]
        offset = base.offset + base.drift * 1e-6 * (match.pivot - base.pivot)
        tried = match_clocks(theirs, parts, span=span, bounds=Bounds(wish=offset))
        if len(tried) == 1 and tried[0].status == "aligned" and (tried[0].offset_u or 1.0) < 1.0:
            return replace(tried[0], note=f"looked for near the neighbouring stretch's offset; {tried[0].note}")
        return replace(
            match, status="aligned", offset=offset, offset_u=((base.offset_u or 0.0) ** 2 + 0.5**2) ** 0.5,
            drift=base.drift, drift_u=base.drift_u, candidates=(), note="offset of the neighbouring stretch, as the "
            f"calendar clock ran on; {match.note}")
    before = [m for j, (_, m) in enumerate(found) if j in placed and j < k]
    after = [m for j, (_, m) in enumerate(found) if j in placed and j > k]
    low = before[-1].last + before[-1].offset - match.first if before else -np.inf
    high = after[0].first + after[0].offset - match.last if after else np.inf
    if high <= low:
        return match
    tried = match_clocks(theirs, parts, span=span, bounds=Bounds(low, high))
    return tried[0] if len(tried) == 1 and tried[0].status == "aligned" else match


def _ran_on(found: Sequence[tuple[int, Match]], j: int, k: int) -> bool:
    """Whether a calendar clock may have run on between two stretches: no stamp goes back, and no step was found."""
    low, high = min(j, k), max(j, k)
    return all(
        one[0] != two[0] and two[1].first >= one[1].last
        for one, two in zip(found[low:high], found[low + 1 : high + 1], strict=True)
    )


def _by_warmth(
    power: Integral, warm: Sequence[Intervals], segment: int, match: Match, bounds: Bounds, calendar: float | None
) -> Match:
    """Place a log by its temperatures; the match unchanged when they show nothing."""
    parts = [_cut(x, segment) for x in warm]
    if calendar is None:
        found = match_thermal(power, parts, bounds.low, bounds.high)
    else:
        # Slow channels fit many places passably: near the calendar's word first, whole hours off only when that fails.
        reach = 5 * CALENDAR_U
        found = match_thermal(power, parts, calendar - reach, calendar + reach)
        if found is None:
            slips = [match_thermal(power, parts, calendar + h * 3600.0 - 300.0, calendar + h * 3600.0 + 300.0)
                     for h in (-2, -1, 1, 2)]
            found = min((f for f in slips if f is not None and f.depth < 0.5), key=lambda f: f.depth, default=None)
    if found is None:
        return match
    pair = (BY_WARMTH, found.channel)
    if found.ratio > 0.9:
        said = f"{found.channel} follows the load at several offsets"
        return replace(match, peak_ratio=found.ratio, pair=pair, note=said)
    return replace(
        match, status="aligned", offset=found.offset, offset_u=found.offset_u, drift=0.0, drift_u=RATE_U,
        peak_ratio=found.ratio, pair=pair, overlap=found.overlap,
        note=f"{found.channel} against the load behind first-order lags: {100 * found.depth:.0f} % of its changes stay "
        "unexplained at the best offset; the delay of its probe is taken from practice")


def _clock_map(logs: Logs, name: str, number: int, match: Match) -> ClockMap:
    return ClockMap(
        name, number, logs.reference, match.status, logs.zero[name], match.offset, match.offset_u, match.drift,
        match.drift_u, match.pivot, match.averaging, match.averaging_u, match.peak_ratio, match.candidates, match.pair,
        match.overlap, match.note, match.first, match.last,
    )


def _assume(
    logs: Logs, clock: ClockMap, match: Match, calendar: float | None, evidence: bool, wish: float | None
) -> tuple[ClockMap, Fault | None]:
    """Without a match: a person's choice, the calendar clocks, or nothing."""
    low, high = logs.record()
    fault = None
    if wish is not None:
        return replace(clock, status="assumed", offset=wish, offset_u=CALENDAR_U, drift_u=None,
                       note=f"chosen by hand; {match.note}"), None
    if calendar is not None:
        first, last = match.first + calendar, match.last + calendar
        if last < low or first > high:
            zero = logs.zero[logs.reference] if logs.absolute[logs.reference] else clock.zero_ns - int(calendar * 1e9)
            fault = Fault(
                logs.files.get(clock.log, clock.log),
                f"log {clock.log!r} ({_span(zero, first, last)}) and reference log {logs.reference!r} "
                f"({_span(zero, low, high)}) do not overlap",
                "bring in logs of the same run, or state the zone of the log whose clock is off")
        note = f"{match.note}; its calendar clock is taken to be right within {CALENDAR_U:g} s (standard uncertainty)"
        return replace(clock, status="assumed", offset=calendar, offset_u=CALENDAR_U, drift_u=None, note=note), fault
    if evidence:
        # It could show where it belongs and does not: nothing to lean on.
        return replace(clock, status="ambiguous", note=match.note), None
    note = f"{match.note}; its first reading is put at the first of {logs.reference!r}, which nothing supports"
    return replace(clock, status="assumed", offset=low - match.first, offset_u=None, drift_u=None, note=note), None


def _told(clock: ClockMap, calendar: float | None) -> ClockMap:
    """Say when a calendar clock is far off, and whether it looks like a time zone."""
    if calendar is None or clock.status != "aligned":
        return clock
    off = calendar - clock.offset
    if abs(off) < 60.0:
        return clock
    quarter = round(off / 900.0)
    zone = ", about a time zone" if quarter and abs(off - 900.0 * quarter) < 60.0 and abs(off) > 1700.0 else ""
    return replace(clock, note=f"calendar clock {off:+.0f} s off{zone}; {clock.note}")


def _span(zero_ns: int, first: float, last: float) -> str:
    return f"{iso_time(zero_ns + int(first * 1e9))} to {iso_time(zero_ns + int(last * 1e9))}"


def iso_time(time_ns: int) -> str:
    """Return nanoseconds since the Unix epoch as ISO 8601 text in UTC."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(time_ns) // 1000)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
