"""All channels on one clock, questioned together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from phasewright.bench import Bench, Campaign, LogFault
from phasewright.logs.records import Recording, Trace
from phasewright.logs.sanity.balance import question_balance
from phasewright.logs.sanity.case import Case, bounds_on_clock
from phasewright.logs.sanity.counts import question_counts
from phasewright.logs.sanity.heat import question_heat
from phasewright.logs.sanity.still import question_stillness
from phasewright.logs.sanity.twice import question_twice


def question(
    recording: Recording, traces: Mapping[str, Sequence[Trace]], bench: Bench, campaign: Campaign
) -> Recording:
    """Return the recording with every channel that contradicts another, or physics, remarked on.

    `traces` are the channels of each log that the recording was made from. Readings that are none are missing
    afterwards; nothing is corrected. Raises LogFault for units and swapped columns that leave no other reading.
    """
    recording = _with_bounds(recording, traces)
    if bench is None or campaign is None:
        return recording
    case = Case(recording, bench, campaign)
    question_stillness(case)
    case = _again(case)
    question_balance(case)
    question_heat(case)
    question_counts(case)
    question_twice(case)
    if case.faults:
        raise LogFault(case.faults)
    return case.answered()


def _again(case: Case) -> Case:
    """Return a case on what is left: a sensor that stands still contradicts everything, and is known by then."""
    return Case(case.answered(), case.bench, case.campaign) if case.touched else case


def _with_bounds(recording: Recording, traces: Mapping[str, Sequence[Trace]]) -> Recording:
    rows, stamps = {}, {}
    for key, aligned in recording.traces.items():
        for trace in traces.get(aligned.log, ()):
            if trace.at_least and trace.channel in (key, key.removesuffix(f".{aligned.log}")):
                rows[key], stamps[key] = trace.at_least, trace.time_ns
    return bounds_on_clock(recording, rows, stamps) if rows else recording
