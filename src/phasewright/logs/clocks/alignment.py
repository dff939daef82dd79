"""All logs of a campaign on one clock."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from phasewright.bench import Bench, Campaign, Fault, LogFault
from phasewright.logs.clocks.integral import integrate
from phasewright.logs.clocks.matching import Bounds, Match, match_clocks
from phasewright.logs.clocks.pairs import candidates, choose_reference, power_like
from phasewright.logs.condense import Intervals, condense
from phasewright.logs.records import AlignedTrace, ClockMap, Recording, Remark, Trace

CLOCK_BOUND = 15 * 3600.0
"""Two calendar clocks are taken to differ by no more than this [s]: any time zone slip and an hour."""
ASSUMED_U = 30.0
"""Standard uncertainty of an offset that only the calendar clocks vouch for [s]."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of one log over which its clock ran evenly."""

    segment: int
    """Index of the trace segment."""
    first_ns: int
    last_ns: int


def align(
    opened: Mapping[str, Any],
    bench: Bench,
    campaign: Campaign,
    *,
    chosen: Mapping[str, float] | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> Recording:
    """Return the logs of `opened` (name -> log with `.traces` and `.reports`) on the clock of the reference log.

    `chosen` (log name -> offset [s]) settles an ambiguous log by a person's choice among the candidates. Ambiguous logs
    have their candidates in their clock map and no traces in the recording. Raises LogFault, naming every log at fault,
    when there is nothing to read or when two logs do not overlap.
    """
    tell = progress or (lambda fraction, text: None)
    traces = {name: tuple(log.traces) for name, log in opened.items()}
    traces = {name: tuple(t for t in group if len(t.time_ns)) for name, group in traces.items()}
    _refuse_empty(traces, campaign)
    reference = choose_reference(traces, campaign.reference_log)
    absolute = all(t.absolute for group in traces.values() for t in group)
    first = {name: min(int(t.time_ns[0]) for t in group) for name, group in traces.items()}
    zero = {name: first[reference] if absolute else first[name] for name in traces}
    tell(0.0, "condensing")
    intervals = {name: tuple(condense(t, zero[name]) for t in group) for name, group in traces.items()}
    maps: list[ClockMap] = [_reference_map(reference, zero[reference])]
    remarks: list[Remark] = []
    faults: list[Fault] = []
    placed: dict[str, list[tuple[Piece, ClockMap]]] = {reference: [(_whole(intervals[reference], traces[reference]), maps[0])]}
    for number, name in enumerate(n for n in traces if n != reference):
        tell((number + 1) / (len(traces) + 1), f"aligning {name} with {reference}")
        wish = None if chosen is None else chosen.get(name)
        found, said, wrong = _align_log(name, reference, intervals, traces, zero, absolute, campaign, wish)
        maps += [clock for _, clock in found]
        placed[name] = found
        remarks += said
        faults += wrong
    if faults:
        raise LogFault(faults)
    aligned = _place_all(traces, intervals, placed, campaign, reference, remarks)
    reports = tuple(report for log in opened.values() for report in log.reports)
    tell(1.0, "aligned")
    return Recording(
        reference, _iso(zero[reference]) if traces[reference][0].absolute else "", aligned, tuple(maps), reports,
        tuple(remarks),
    )


def _refuse_empty(traces: Mapping[str, tuple[Trace, ...]], campaign: Campaign) -> None:
    faults = [
        Fault(_file_of(campaign, name), f"log {name!r} has no readings for any mapped channel",
              "check the file and the channel map of this log, or take the log out of campaign.toml")
        for name, group in traces.items() if not group
    ]
    if not traces:
        faults.append(Fault(campaign.file or "campaign.toml", "no log was opened (0 logs)", "add at least one log"))
    if campaign.reference_log and campaign.reference_log not in traces:
        faults.append(Fault(
            campaign.file or "campaign.toml", f"reference_log = {campaign.reference_log!r} is none of the logs "
            f"({', '.join(sorted(traces)) or 'none'})", "name one of them, or leave reference_log out",
            path="reference_log"))
    if faults:
        raise LogFault(faults)


def _file_of(campaign: Campaign, name: str) -> str:
    for entry in campaign.logs:
        if entry.name == name and entry.files:
            return entry.files[0]
    return name


def _instrument_of(campaign: Campaign, name: str) -> str:
    for entry in campaign.logs:
        if entry.name == name:
            return entry.instrument
    return ""


def _reference_map(reference: str, zero_ns: int) -> ClockMap:
    return ClockMap(reference, 0, reference, "reference", zero_ns, 0.0, 0.0, 0.0, 0.0, note="the clock that all times are on")


def _whole(intervals: tuple[Intervals, ...], traces: tuple[Trace, ...]) -> Piece:
    del intervals
    return Piece(-1, min(int(t.time_ns[0]) for t in traces), max(int(t.time_ns[-1]) for t in traces))


def _align_log(
    name: str,
    reference: str,
    intervals: Mapping[str, tuple[Intervals, ...]],
    traces: Mapping[str, tuple[Trace, ...]],
    zero: Mapping[str, int],
    absolute: bool,
    campaign: Campaign,
    wish: float | None,
) -> tuple[list[tuple[Piece, ClockMap]], list[Remark], list[Fault]]:
    """Clock maps of every piece of one log."""
    theirs = [(x, integrate(x)) for x in map(power_like, candidates(intervals[reference]))]
    ours = [power_like(x) for x in candidates(intervals[name])]
    longest = max(traces[name], key=lambda t: len(t.segments))
    found: list[tuple[Piece, ClockMap]] = []
    remarks: list[Remark] = []
    faults: list[Fault] = []
    running = 0
    for segment, (a, b) in enumerate(longest.segments):
        if b <= a:
            continue
        span = (float((longest.time_ns[a] - zero[name]) * 1e-9), float((longest.time_ns[b - 1] - zero[name]) * 1e-9))
        matches = match_clocks(
            theirs, [_cut(x, segment) for x in ours], span=span,
            bounds=Bounds(-CLOCK_BOUND, CLOCK_BOUND, wish) if absolute else Bounds(wish=wish),
        )
        for match in matches:
            piece = Piece(segment, int(round(match.first * 1e9)) + zero[name], int(round(match.last * 1e9)) + zero[name])
            clock = _clock_map(name, running, reference, zero[name], match)
            if match.status == "none":
                clock, fault = _assume(clock, match, absolute, intervals[reference], campaign)
                faults += [fault] if fault else []
            found.append((piece, clock))
            running += 1
            if clock.status in ("ambiguous", "assumed"):
                remarks.append(Remark("note", f"log {name!r}, stretch {clock.segment + 1}: clock {clock.status}: {clock.note}"))
    return found, remarks, faults


def _cut(intervals: Intervals, segment: int) -> tuple[Intervals, int, int]:
    a, b = intervals.segments[min(segment, len(intervals.segments) - 1)]
    return intervals, a, b


def _clock_map(name: str, segment: int, reference: str, zero_ns: int, match: Match) -> ClockMap:
    return ClockMap(
        name, segment, reference, match.status, zero_ns, match.offset, match.offset_u, match.drift, match.drift_u,
        match.pivot, match.averaging, match.averaging_u, match.peak_ratio, match.candidates, match.pair, match.overlap,
        match.note, match.first, match.last,
    )


def _assume(
    clock: ClockMap, match: Match, absolute: bool, reference: tuple[Intervals, ...], campaign: Campaign
) -> tuple[ClockMap, Fault | None]:
    """Without evidence: the calendar clocks, or the first stamps taken together."""
    del campaign
    low = min(float(x.start[0]) for x in reference)
    high = max(float(x.end[-1]) for x in reference)
    if absolute:
        note = f"{match.note}; both calendar clocks are taken to be right within {ASSUMED_U:g} s (1 u)"
        u: float | None = ASSUMED_U
        fault = None
        if match.last < low or match.first > high:
            fault = Fault(
                clock.log, f"log {clock.log!r} ({_span(clock.zero_ns, match.first, match.last)}) and reference log "
                f"{clock.reference!r} ({_span(clock.zero_ns, low, high)}) do not overlap",
                "bring in logs of the same run, or state the zone of the log whose clock is off",
            )
    else:
        note = f"{match.note}; the first stamps of both logs are taken to be the same moment, which nothing supports"
        u, fault = None, None
    return replace(
        clock, status="assumed", offset=0.0, offset_u=u, drift=0.0, drift_u=None, averaging=None, averaging_u=None,
        note=note,
    ), fault


def _span(zero_ns: int, first: float, last: float) -> str:
    return f"{_iso(zero_ns + int(first * 1e9))} to {_iso(zero_ns + int(last * 1e9))}"


def _iso(time_ns: int) -> str:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(time_ns) // 1000)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _place_all(
    traces: Mapping[str, tuple[Trace, ...]],
    intervals: Mapping[str, tuple[Intervals, ...]],
    placed: Mapping[str, list[tuple[Piece, ClockMap]]],
    campaign: Campaign,
    reference: str,
    remarks: list[Remark],
) -> dict[str, AlignedTrace]:
    """Every channel whose log has a place on the reference clock; a second one of the same name gets its log's name."""
    aligned: dict[str, AlignedTrace] = {}
    for name in [reference] + [n for n in traces if n != reference]:
        for trace, x in zip(traces[name], intervals[name], strict=True):
            item = _place(trace, x, placed[name], _instrument_of(campaign, name))
            if item is None:
                continue
            key = trace.channel
            if key in aligned:
                key = f"{trace.channel}.{name}"
                remarks.append(Remark("note", f"channel {trace.channel!r} is in two logs; that of {name!r} is called {key!r}"))
            aligned[key] = item
    return aligned


def _place(trace: Trace, x: Intervals, pieces: list[tuple[Piece, ClockMap]], instrument: str) -> AlignedTrace | None:
    starts, ends, takes, lengths = [], [], [], []
    doubt = 0.0
    fitted = None
    for piece, clock in pieces:
        if clock.status == "ambiguous":
            continue
        if piece.segment < 0:
            a, b = 0, len(x.value)
        else:
            a, b = x.segments[min(piece.segment, len(x.segments) - 1)]
            stamp = x.end[a:b] - x.stamp_lag
            low, high = (piece.first_ns - x.zero_ns) * 1e-9, (piece.last_ns - x.zero_ns) * 1e-9
            a, b = a + int(np.searchsorted(stamp, low - 1e-6)), a + int(np.searchsorted(stamp, high + 1e-6))
        if b <= a:
            continue
        start, end = x.start[a:b], x.end[a:b]
        if clock.averaging is not None and x.averaging is None and x.unit in ("W", "A", "V"):
            fitted = clock.averaging
            start = end - clock.averaging
        rate = clock.drift * 1e-6
        starts.append(start + clock.offset + rate * (start - clock.pivot))
        ends.append(end + clock.offset + rate * (end - clock.pivot))
        takes.append(np.arange(a, b))
        lengths.append(b - a)
        doubt = max(doubt, _placement_u(clock, float(start[0]), float(end[-1])))
    if not takes:
        return None
    take = np.concatenate(takes)
    edge = np.cumsum([0] + lengths)
    start, end = np.concatenate(starts), np.concatenate(ends)
    averaging = x.averaging if x.averaging is not None else fitted
    if averaging is None:
        averaging = float(np.nanmedian(end - start)) if len(end) else 0.0
    return AlignedTrace(
        trace.channel, trace.unit, trace.log, instrument, start, end, x.value[take], float(averaging),
        (doubt**2 + x.stamp_u**2) ** 0.5, None if x.low is None else x.low[take],
        None if x.high is None else x.high[take], x.raw_averaging,
        tuple((int(a), int(b)) for a, b in zip(edge[:-1], edge[1:], strict=True)), trace.remarks,
    )


def _placement_u(clock: ClockMap, first: float, last: float) -> float:
    reach = max(abs(first - clock.pivot), abs(last - clock.pivot))
    drift_u = clock.drift_u if clock.drift_u is not None else 50.0
    offset_u = clock.offset_u if clock.offset_u is not None else float("inf")
    return (offset_u**2 + (drift_u * 1e-6 * reach) ** 2) ** 0.5
