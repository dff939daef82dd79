"""Whether a step has shown enough: its window, where it settles, whether the machine went down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from phasewright.bench import Bench, Campaign, Step
from phasewright.live import Bound, SoFar

if TYPE_CHECKING:
    from phasewright.logs import Window

IN_A_ROW, SURELY = 3, 0.7
"""Judged so often in succession as settled, to so much of the bound, before a step ends: who looks again and again until it
says yes is told yes too soon. Common practice, no source."""
DARK = 0.15
"""Share of the input power before below which the machine is taken to be down."""


def judged_window(so_far: SoFar, step: Step, began: float, bench: Bench, campaign: Campaign) -> Window | None:
    """Return the window of a step whose load came on at `began` [s], as far as it has come; None = nothing to judge by."""
    from phasewright.logs import StepSpan, find_window

    recording = so_far.recording(0.0)
    if not recording.reference:
        return None
    end = min(float(trace.end_s[-1]) for trace in recording.traces.values() if len(trace.end_s))
    asked = replace(campaign, settle_bound=SURELY * campaign.settle_bound)
    return find_window(recording, StepSpan(step.name, began, end, "times"), step, bench, asked)


def is_decided(window: Window, bounds: Mapping[str, tuple[Bound, ...]]) -> bool:
    """Return whether every temperature that still moves is known to settle on one side of its bound."""
    moving = [item for item in window.settling if not item.settled]
    for item in moving:
        if item.extrapolated is None or item.extrapolated_u is None:
            return False
        for bound in bounds.get(item.channel.partition(".")[0], ()):
            if abs(bound.threshold - item.extrapolated) < 1.96 * item.extrapolated_u:
                return False
    return bool(moving)


def is_dark(so_far: SoFar, before: float | None) -> bool:
    """Return whether the last input power tells that the machine went down, given the power before [W]."""
    value = so_far.series("input_power")[1] if "input_power" in so_far.channels() else []
    return bool(before and len(value) and float(value[-1]) < DARK * before)
