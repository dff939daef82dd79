"""The steady window of one step."""

from __future__ import annotations

from collections.abc import Sequence
from weakref import WeakKeyDictionary

import numpy as np

from phasewright.bench import Bench, Campaign, Step
from phasewright.logs.records import AlignedTrace, Recording, StepSpan, Window
from phasewright.logs.steady.chapters import Learnt, learn_record
from phasewright.logs.steady.judgement import Judged, readings_between
from phasewright.logs.steady.load import Held, held_load

THERMAL = (
    "regulator_temperature", "inductor_temperature", "board_temperature", "connector_temperature",
    "coolant_temperature", "processor_temperature",
)
SHORTEST = 20.0
"""A window shorter than this is none [s]."""
_CLEAR = 40.0
"""Least length of a step that is clear of its neighbours in a log whose clock is doubtful [s]."""


def find_window(
    recording: Recording, span: StepSpan, step: Step, bench: Bench, campaign: Campaign, *, spans: Sequence[StepSpan] = ()
) -> Window:
    """Return the window of `span` from which figures are taken, and whether every thermal channel has settled in it.

    The window lies in the stretch of the step over which the load was held, clear of its edges by clock uncertainty
    and averaging times. It starts when what remains of the transients is a small part of ``campaign.settle_bound`` [K];
    when that never happens it is the last part of the step, not settled, with the reasons in numbers. ``window_lead``
    and ``window_length`` of the campaign bind where they are stated, ``window_start`` and ``window_end`` of the step
    before them: these may reach out of the held stretch, which is then remarked on, but not out of the step. With the
    `spans` of all steps it is known better how the bench answers its load.
    """
    del bench
    traces = {key: trace for key, trace in recording.traces.items() if len(trace.end_s)}
    held = held_load(traces, span, _guard(traces))
    if held.end - held.start < SHORTEST:
        return Window(
            step.name, span.start_s, span.start_s, False, (),
            (f"of {span.end_s - span.start_s:.1f} s only {max(held.end - held.start, 0.0):.1f} s have a held load; a "
             f"window needs {SHORTEST:.0f} s",), False, ((span.start_s, span.end_s, "too short"),))
    learnt = _learnt(recording, (*spans, span) if span not in spans else tuple(spans), campaign, _guard(traces))
    judged = [
        _judged(key, traces[key], learnt, span, held, campaign.settle_bound)
        for key in sorted(traces) if key.partition(".")[0] in THERMAL
    ]
    start, lead_said = _start(held, judged, campaign)
    end = held.end
    if step.window_start is not None or step.window_end is not None:
        start, end = _stated(span, step, start, end, _guard(traces))
        lead_said = "left out as stated for the step"
        if end - start < SHORTEST:
            return Window(
                step.name, span.start_s, span.start_s, False, (),
                (f"the window that is stated is {max(end - start, 0.0):.1f} s long; a window needs {SHORTEST:.0f} s",),
                False, ((span.start_s, span.end_s, "too short"),))
    settling = tuple(item.settling(start, end) for item in judged)
    settled = bool(settling) and all(item.settled for item in settling)
    reasons = tuple(item.reason for item in settling) or ("no temperature channel: settling cannot be shown",)
    discarded = [(max(a, end) if b > end else a, min(b, start) if a < start else b, why) for a, b, why in held.discarded]
    discarded = [item for item in discarded if item[1] > item[0] and not (item[0] >= start and item[1] <= end)]
    if start > held.start:
        discarded.append((held.start, start, lead_said))
    if end < held.end:
        discarded.append((end, held.end, lead_said))
    loose = max(held.start - start, 0.0) + max(end - held.end, 0.0)
    remarks = (f"as stated, the window takes in {loose:.1f} s in which the load was not held",) if loose > 0.5 else ()
    return Window(step.name, start, end, settled, settling, reasons, True, tuple(sorted(discarded)), remarks)


def _stated(span: StepSpan, step: Step, start: float, end: float, guard: float) -> tuple[float, float]:
    """Return where a person says that the window lies, clear of the step's own edges."""
    if step.window_start is not None:
        start = max(span.start_s + step.window_start, span.start_s + guard)
    if step.window_end is not None:
        end = min(span.start_s + step.window_end, span.end_s - guard)
    return start, end


_LEARNT: WeakKeyDictionary[Recording, dict[tuple[StepSpan, ...], Learnt]] = WeakKeyDictionary()


def _learnt(recording: Recording, spans: tuple[StepSpan, ...], campaign: Campaign, guard: float) -> Learnt:
    """What a recording tells of its bench, worked out once: the recording is frozen, so it cannot grow old."""
    known = _LEARNT.setdefault(recording, {})
    if spans not in known:
        traces = {key: trace for key, trace in recording.traces.items() if len(trace.end_s)}
        thermal = {k: t for k, t in traces.items() if k.partition(".")[0] in THERMAL and t.time_u < 40.0}
        settings = {step.name: step.settings for step in campaign.steps}
        known[spans] = learn_record(traces, thermal, spans, settings, guard)
    return known[spans]


def _judged(key: str, trace: AlignedTrace, learnt: Learnt, span: StepSpan, held: Held, bound: float) -> Judged:
    """Return what is known of one channel in one step, or why nothing is."""
    length = held.end - held.start
    # Readings that may belong to the neighbouring step tell nothing of this one.
    margin = 2.0 * trace.time_u if trace.time_u > 1.0 else 0.0
    if not np.isfinite(margin) or length - 2.0 * margin < max(_CLEAR, 0.4 * length):
        return Judged(key, trace, None, 0, bound, f"its clock (standard uncertainty {trace.time_u:.1f} s) is too "
                      f"uncertain for a step of {length:.0f} s")
    _, value = readings_between(trace, held.start + margin, held.end - margin)
    response, number = learnt.of(key, span.name)
    if response is None or np.count_nonzero(np.isfinite(value)) < 12:
        return Judged(key, trace, None, 0, bound, "fewer than 12 readings in the step")
    return Judged(key, trace, response, number, bound)


def _guard(traces: dict[str, AlignedTrace]) -> float:
    """Twice the worst placement of the quick channels and the longest averaging [s]."""
    known = [2 * t.time_u for t in traces.values() if np.isfinite(t.time_u) and t.time_u < 5]
    lengths = [t.averaging for t in traces.values() if np.isfinite(t.time_u) and t.time_u < 5]
    return max(known, default=0.0) + max(lengths, default=0.0)


def _start(held: Held, judged: list[Judged], campaign: Campaign) -> tuple[float, str]:
    """Where the window starts: as stated, else where the transients have died away, else the last part."""
    length = held.end - held.start
    if campaign.window_lead is not None or campaign.window_length is not None:
        first = held.start + (campaign.window_lead or 0.0)
        if campaign.window_length is not None:
            first = max(first, held.end - campaign.window_length)
        if held.end - first >= SHORTEST:
            return first, "left out as stated in the campaign"
    least = min(max(60.0, 0.2 * length), 0.6 * length)
    starts = np.linspace(held.start, held.end - least, 12)
    for share in (0.5, 1.0):
        for first in starts:
            if judged and all(item.certain(float(first), held.end, share) for item in judged):
                return float(first), "temperatures still moving"
    return held.end - max(least, 0.3 * length), "temperatures still moving"
