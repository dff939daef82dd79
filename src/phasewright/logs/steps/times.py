"""Steps from stated times, and from one file per step."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo

import numpy as np

from phasewright.bench import Campaign, Fault, LogFault, Step
from phasewright.logs.records import ClockMap, Recording, StepSpan
from phasewright.logs.steps.places import places_text, stamp_zone
from phasewright.quantity import parse_quantity

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAY_NS = 86_400_000_000_000


def spans_from_times(recording: Recording, campaign: Campaign) -> list[StepSpan]:
    """Return the spans from the start and end of each step; an end left out is the next step's start.

    Raises LogFault with every time that cannot be read.
    """
    file = campaign.file or "campaign.toml"
    faults: list[Fault] = _unplaced(recording, campaign, file)
    if faults:
        raise LogFault(faults)
    edges: list[list[float | None]] = []
    for number, step in enumerate(campaign.steps):
        pair: list[float | None] = []
        for key, text in (("start", step.start), ("end", step.end)):
            try:
                pair.append(_moment(text, step, recording, campaign) if text else None)
            except (ValueError, KeyError) as error:
                faults.append(Fault(
                    file, str(error.args[0]), 'write a time like "120 s" or "2025-01-31 14:05:00"',
                    path=f"step[{number + 1}] {step.name!r}.{key}"))
                pair.append(None)
        if not step.start:
            faults.append(Fault(
                file, "step has no start", 'state start (and end), or set step_source = "edges"',
                path=f"step[{number + 1}] {step.name!r}.start"))
        edges.append(pair)
    if faults:
        raise LogFault(faults)
    last = max((float(t.end_s[-1]) for t in recording.traces.values() if len(t.end_s)), default=0.0)
    spans = []
    for number, (step, (start, end)) in enumerate(zip(campaign.steps, edges, strict=True)):
        note = ""
        if end is None:
            end = edges[number + 1][0] if number + 1 < len(edges) else last
            note = "end left out: taken from the next step's start" if number + 1 < len(edges) else \
                "end left out: taken from the end of the record"
        spans.append(StepSpan(step.name, float(start), float(end), "times", note))
    return spans


def _unplaced(recording: Recording, campaign: Campaign, file: str) -> list[Fault]:
    """Return a fault for every log on whose clock steps are timed although its clock has no certain place."""
    faults = []
    timed = dict.fromkeys(step.clock or recording.reference for step in campaign.steps if step.start or step.end)
    for log in timed:
        lost = [clock for clock in recording.clocks if clock.log == log and clock.status == "ambiguous"]
        if not lost:
            continue
        places = places_text(recording, campaign, log)
        what = f"the steps are timed on log {log!r}, whose clock fits in several places" + (f": {places}" if places else "")
        mend = (
            f'write the right one under [log.time] of log {log!r}, such as offset = "{_first_place(lost)} s", or give '
            f"start and end on log {recording.reference!r}"
        )
        faults.append(Fault(file, what, mend, path="step.clock"))
    return faults


def _first_place(clocks: list[ClockMap]) -> str:
    return next((f"{clock.candidates[0][0]:.1f}" for clock in clocks if clock.candidates), "-15")


def _moment(text: str, step: Step, recording: Recording, campaign: Campaign) -> float:
    """Reference-clock seconds of `text`; ValueError or KeyError says what is wrong."""
    log = step.clock or recording.reference
    maps = [c for c in recording.clocks if c.log == log]
    if not maps:
        raise KeyError(f"clock = {log!r} is none of the logs ({', '.join(sorted({c.log for c in recording.clocks}))})")
    elapsed = _elapsed(text)
    if elapsed is not None:
        if log == recording.reference:
            return elapsed
        first = min((c.first for c in maps if np.isfinite(c.first)), default=maps[0].pivot)
        return _to_reference(maps, int(round((first + elapsed) * 1e9)) + maps[0].zero_ns)
    if not recording.origin and log == recording.reference:
        raise ValueError(f"{text!r} is a clock time, but log {log!r} has no calendar clock")
    return _to_reference(maps, clock_time_ns(text, stamp_zone(recording, campaign, log), _first_ns(maps)))


def _first_ns(maps: list[ClockMap]) -> int:
    first = [c.zero_ns + int(c.first * 1e9) for c in maps if np.isfinite(c.first)]
    return min(first) if first else maps[0].zero_ns


def _elapsed(text: str) -> float | None:
    try:
        return parse_quantity(text, "s")
    except ValueError:
        return None


def clock_time_ns(text: str, place: tzinfo, near_ns: int) -> int:
    """Return nanoseconds since the Unix epoch of a clock time; a time of day alone is the first such after `near_ns`.

    Text without a zone is in `place`. A minute is allowed before `near_ns`. ValueError when it
    is no ISO 8601 date and time or time of day.
    """
    plain = text.strip()
    try:
        moment = datetime.fromisoformat(plain)
        if len(plain) <= 10:
            raise ValueError
    except ValueError:
        try:
            clock = time.fromisoformat(plain)
        except ValueError:
            raise ValueError(f"{text!r} is neither a duration nor a date and time") from None
        day: date = (_EPOCH + timedelta(microseconds=near_ns // 1000)).astimezone(place).date()
        moment = datetime.combine(day, clock)
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=place)
        nanoseconds = _since_epoch(moment)
        return nanoseconds if nanoseconds >= near_ns - 60_000_000_000 else nanoseconds + _DAY_NS
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=place)
    return _since_epoch(moment)


def _since_epoch(moment: datetime) -> int:
    gone = moment.astimezone(UTC) - _EPOCH
    return (gone.days * 86_400 + gone.seconds) * 1_000_000_000 + gone.microseconds * 1000


def _to_reference(maps: list[ClockMap], time_ns: int) -> float:
    """Convert by the map whose stretch holds the moment, else by the nearest one."""

    def outside(clock: ClockMap) -> float:
        own = (time_ns - clock.zero_ns) * 1e-9
        if not np.isfinite(clock.first):
            return 0.0
        return max(clock.first - own, own - clock.last, 0.0)

    best = min(maps, key=outside)
    return float(best.to_reference(np.array([time_ns]))[0])


def spans_from_files(recording: Recording, campaign: Campaign) -> list[StepSpan]:
    """Return the spans that the steps' own files cover: what is common to all files of the step.

    Raises LogFault when a step names no file, or a file that was not read.
    """
    campaign_file = campaign.file or "campaign.toml"
    faults: list[Fault] = []
    spans: list[StepSpan] = []
    for number, step in enumerate(campaign.steps):
        place = f"step[{number + 1}] {step.name!r}.files"
        if not step.files:
            mend = 'name one file a log, or set step_source = "times"'
            faults.append(Fault(campaign_file, "step names no file", mend, path=place))
            continue
        bounds = []
        for log, name in step.files.items():
            span = recording.file_spans.get(name)
            if span is None:
                faults.append(Fault(
                    campaign_file, f"file {name!r} of log {log!r} was not read or has no place on the reference clock",
                    "list it among the files of that log, and see the log's clock", path=place))
                continue
            bounds.append(span)
        if bounds:
            spans.append(StepSpan(step.name, max(first for first, _ in bounds), min(last for _, last in bounds), "files"))
    if faults:
        raise LogFault(faults)
    return spans
