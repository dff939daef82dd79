"""The steady window of one step."""

from __future__ import annotations

import numpy as np

from phasewright.bench import Bench, Campaign, Step
from phasewright.logs.records import AlignedTrace, Recording, Settling, StepSpan, Window
from phasewright.logs.steady.slope import fit_slope, resolution_of

THERMAL = (
    "regulator_temperature", "inductor_temperature", "board_temperature", "connector_temperature",
    "coolant_temperature", "processor_temperature",
)
DEFAULT_TIME_CONSTANT = {"liquid": 300.0, "air": 300.0}
SHORTEST = 20.0
"""A window shorter than this is none [s]."""


def find_window(recording: Recording, span: StepSpan, step: Step, bench: Bench, campaign: Campaign) -> Window:
    """Return the window of `span` from which figures are taken, and whether every thermal channel has settled in it."""
    traces = {k: t for k, t in recording.traces.items() if len(t.end_s)}
    guard = _guard(traces)
    start, end = span.start_s + guard, span.end_s - guard
    discarded = [(span.start_s, start, "edge of the step: clock uncertainty and averaging times"),
                 (end, span.end_s, "edge of the step: clock uncertainty and averaging times")]
    if end - start < SHORTEST:
        return Window(step.name, span.start_s, span.start_s, False, (),
                      (f"step of {span.end_s - span.start_s:.0f} s leaves no {SHORTEST:.0f} s window",), False,
                      ((span.start_s, span.end_s, "too short"),))
    lead = campaign.window_lead if campaign.window_lead is not None else 0.0
    length = campaign.window_length or max(0.3 * (end - start), 60.0)
    first = max(start + lead, end - length)
    discarded.append((start, first, "settling"))
    settling = []
    liquid = bench.cooling.coolant if bench is not None else "air"
    constant = DEFAULT_TIME_CONSTANT.get(liquid, 300.0)
    for key in sorted(traces):
        if key.partition(".")[0] in THERMAL:
            found = _settling(key, traces[key], first, end, constant, campaign.settle_bound)
            if found:
                settling.append(found)
    settled = bool(settling) and all(s.settled for s in settling)
    reasons = tuple(s.reason for s in settling) or ("no temperature channel: settling cannot be shown",)
    return Window(step.name, first, end, settled, tuple(settling), reasons, True,
                  tuple(d for d in discarded if d[1] > d[0]))


def _guard(traces: dict[str, AlignedTrace]) -> float:
    known = [2 * t.time_u for t in traces.values() if np.isfinite(t.time_u) and t.time_u < 5]
    return max(known, default=0.0) + max((t.averaging for t in traces.values()), default=0.0)


def _settling(key: str, trace: AlignedTrace, start: float, end: float, constant: float, bound: float) -> Settling | None:
    inside = (trace.start_s >= start) & (trace.end_s <= end)
    line = fit_slope(trace.middle_s[inside], trace.value[inside], resolution=resolution_of(trace.value))
    if line is None:
        return Settling(key, 0.0, float("inf"), constant, float("inf"), bound, False, f"{key}: fewer than 4 readings")
    remaining = constant * line.bound()
    settled = remaining <= bound
    said = "settled" if settled else "not settled"
    return Settling(
        key, line.slope, line.u, constant, remaining, bound, settled,
        f"{key}: {said}: slope {line.slope * 3600:+.2f} K/h, at most {remaining:.2f} K remain "
        f"(bound {bound:g} K, time constant {constant:.0f} s)")
