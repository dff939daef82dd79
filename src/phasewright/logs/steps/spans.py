"""Where the planned steps lie on the reference clock: from stated times, from one file per step, or from load edges."""

from __future__ import annotations

from phasewright.bench import Campaign, Fault, LogFault
from phasewright.logs.records import Recording, StepSpan
from phasewright.logs.steps.edges import spans_from_edges
from phasewright.logs.steps.times import spans_from_files, spans_from_times

SLACK = 2.0
"""A step may stand out of the record by this much before it is refused [s]; the span is then cut to the record."""


def find_steps(recording: Recording, campaign: Campaign) -> tuple[StepSpan, ...]:
    """Return the span of every step of `campaign`, in the order of the plan, on the reference clock.

    Raises LogFault with every fault at once: no steps, a time that cannot be read, a step outside the record, steps
    that overlap or are out of order, found load edges that do not match the plan (both are then listed).
    """
    if not campaign.steps:
        raise LogFault(Fault(
            campaign.file or "campaign.toml", "no step is planned (0 steps)", "add at least one [[step]]", path="step"))
    if campaign.step_source == "edges":
        spans = spans_from_edges(recording, campaign)
    elif campaign.step_source == "files":
        spans = spans_from_files(recording, campaign)
    else:
        spans = spans_from_times(recording, campaign)
    return _checked(spans, recording, campaign)


def record_span(recording: Recording) -> tuple[float, float]:
    """Return first and last moment of the reference log [s]; of all logs when the reference has no channel."""
    own = [t for t in recording.traces.values() if t.log == recording.reference and len(t.end_s)]
    own = own or [t for t in recording.traces.values() if len(t.end_s)]
    if not own:
        return 0.0, 0.0
    return min(float(t.start_s[0]) for t in own), max(float(t.end_s[-1]) for t in own)


def _checked(spans: list[StepSpan], recording: Recording, campaign: Campaign) -> tuple[StepSpan, ...]:
    low, high = record_span(recording)
    file = campaign.file or "campaign.toml"
    faults: list[Fault] = []
    kept: list[StepSpan] = []
    for number, span in enumerate(spans):
        place = f"step[{number + 1}] {span.name!r}"
        if span.end_s <= span.start_s:
            faults.append(Fault(
                file, f"step ends at {span.end_s:.1f} s, not after its start at {span.start_s:.1f} s",
                "a step must end after it starts; mend start or end", path=place))
            continue
        if span.start_s < low - SLACK or span.end_s > high + SLACK:
            faults.append(Fault(
                file, f"step from {span.start_s:.1f} s to {span.end_s:.1f} s lies outside the record of the reference "
                f"log {recording.reference!r} ({low:.1f} s to {high:.1f} s)",
                "a step must lie inside the record; mend its times, or bring in the missing log", path=place))
            continue
        if kept and span.start_s < kept[-1].end_s - SLACK:
            faults.append(Fault(
                file, f"step starts at {span.start_s:.1f} s, before {kept[-1].name!r} ends at {kept[-1].end_s:.1f} s",
                "steps must follow each other in the order of the plan; mend the times or the order", path=place))
            continue
        start, end = max(span.start_s, low), min(span.end_s, high)
        kept.append(StepSpan(span.name, start, end, span.found_from, span.note))
    if faults:
        raise LogFault(faults)
    return tuple(kept)
