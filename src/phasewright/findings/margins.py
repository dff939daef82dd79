"""How far one step is from every limit: what was found of it, handed to the limits room."""

from __future__ import annotations

import math

from phasewright.bench import Bench, Step, base_channel
from phasewright.findings.records import StepFinding
from phasewright.findings.sheet import Sheet
from phasewright.limits import Judged, State, margins_at
from phasewright.logs import Settling, StepSpan, Window

__all__ = ["judge_limits", "settling_of", "state_of"]


def judge_limits(
    bench: Bench, step: Step, span: StepSpan, window: Window, sheet: Sheet, *, ran: bool = True
) -> Judged:
    """Return the step held against every limit; `ran` false = it ended before its time, so it proves nothing."""
    state = State(
        sheet.quantities,
        step.settings,
        step.name,
        sheet.peak_averaging,
        remaining_of(window),
        sheet.missing,
        span.end_s - span.start_s if ran else None,
    )
    return margins_at(bench, state)


def state_of(finding: StepFinding) -> State:
    """Return what was found of a step as the limits room takes it, to hold it against another bench or other limits."""
    missing = {item.name: item for item in finding.missing}
    span = finding.span
    duration = span.end_s - span.start_s if finding.verdict != "tripped" else None
    return State(
        finding.quantities,
        finding.step.settings,
        finding.step.name,
        finding.peak_averaging,
        remaining_of(finding.window),
        missing,
        duration,
    )


def remaining_of(window: Window) -> dict[str, float]:
    """Return by channel, and by what several sensors speak for, how much is still to come [K]; inf = not settled."""
    found: dict[str, float] = {}
    for item in window.settling:
        remaining = item.remaining if item.settled else math.inf
        for name in {item.channel, base_channel(item.channel).name}:
            found[name] = max(found.get(name, 0.0), remaining)
    return found


def settling_of(name: str, window: Window) -> list[Settling]:
    """Return the slope tests of the channel `name` and of its labelled sensors."""
    return [item for item in window.settling if item.channel == name or base_channel(item.channel).name == name]
