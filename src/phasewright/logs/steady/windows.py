"""The steady window of one step."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np

from phasewright.bench import Bench, Campaign, Step
from phasewright.logs.records import AlignedTrace, Recording, StepSpan, Window
from phasewright.logs.steady.constants import TimeConstants, learn_constants
from phasewright.logs.steady.extrapolation import settled_values
from phasewright.logs.steady.judgement import Judged, judge
from phasewright.logs.steady.load import Held, Load, held_load, load_of

THERMAL = (
    "regulator_temperature", "inductor_temperature", "board_temperature", "connector_temperature",
    "coolant_temperature", "processor_temperature",
)
SHORTEST = 20.0
"""A window shorter than this is none [s]."""


def find_window(recording: Recording, span: StepSpan, step: Step, bench: Bench, campaign: Campaign) -> Window:
    """Return the window of `span` from which figures are taken, and whether every thermal channel has settled in it.

    The window lies in the stretch of the step over which the load was held, clear of its edges by clock uncertainty
    and averaging times. It starts when what remains of the transients is a small part of ``campaign.settle_bound`` [K];
    when that never happens it is the last part of the step, not settled, with the reasons in numbers. ``window_lead``
    and ``window_length`` of the campaign bind where they are stated, ``window_start`` and ``window_end`` of the step
    before them: these may reach out of the held stretch, which is then remarked on, but not out of the step.
    """
    traces = {key: trace for key, trace in recording.traces.items() if len(trace.end_s)}
    held = held_load(traces, span, _guard(traces))
    if held.end - held.start < SHORTEST:
        return Window(
            step.name, span.start_s, span.start_s, False, (),
            (f"of {span.end_s - span.start_s:.1f} s only {max(held.end - held.start, 0.0):.1f} s have a held load; a "
             f"window needs {SHORTEST:.0f} s",), False, ((span.start_s, span.end_s, "too short"),))
    load, constants = _learnt(recording, bench.cooling.coolant if bench is not None else "air")
    judged = [
        judge(key, traces[key], load, held.start, held.end, constants, campaign.settle_bound)
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
    values = settled_values([item.series if item.tails else None for item in judged])
    settling = tuple(item.settling(start, end, value) for item, value in zip(judged, values, strict=True))
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


_LEARNT: WeakKeyDictionary[Recording, tuple[Load | None, TimeConstants]] = WeakKeyDictionary()


def _learnt(recording: Recording, coolant: str) -> tuple[Load | None, TimeConstants]:
    """Load and time constants of a recording, worked out once: the recording is frozen, so they cannot grow old."""
    found = _LEARNT.get(recording)
    if found is None:
        traces = {key: trace for key, trace in recording.traces.items() if len(trace.end_s)}
        load = load_of(traces)
        thermal = {k: t for k, t in traces.items() if k.partition(".")[0] in THERMAL and t.time_u < 40.0}
        found = _LEARNT[recording] = (load, learn_constants(thermal, load, coolant))
    return found


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
