"""The moment at which a meter beside the machine saw its power go away."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from phasewright.findings.figures import Source
from phasewright.findings.readings import take_readings
from phasewright.logs import AlignedTrace, StepSpan

__all__ = ["SHORTEST", "PowerOff", "find_power_off"]

SHORTEST = 10.0
"""[s] A gap or collapse shorter than this may be a pause of the logger or of the load."""
OFF = 0.05
"""Share of the campaign's load below which the machine is off: idle takes more on benches of 100-600 W."""
LOADED = 0.6
"""Share of the step's load above which it still runs."""
AT_ONCE = 3.0
"""[s] Somebody who ends a load and then switches the machine off leaves it idle for longer than this."""


@dataclass(frozen=True, slots=True)
class PowerOff:
    """Where power went away, and from how much."""

    at_s: float
    channel: str
    level: float
    """Power or current before it went."""
    unit: str


def find_power_off(
    sources: Mapping[str, Source], stamps: np.ndarray | None, span: StepSpan, until: float
) -> PowerOff | None:
    """Return where the machine lost its power in or right after the step, None when it did not or nobody could tell.

    Out of load, or as the step began, and with the machine's log (`stamps`, sorted times at which it wrote [s]) falling
    silent at that moment. Idle at the 12 V inputs can be next to nothing, so power alone does not tell a trip from the
    end of a load; the silence does. A person writes down the end of a step that tripped a little after the trip, or a
    little before; so the step is looked at from `AT_ONCE` before its start to `SHORTEST` after its end. What happens
    less than `AT_ONCE` before the next step, which begins at `until` [s], is that step's: its load trips at once.
    """
    if stamps is None or stamps.size < 3:
        return None
    for name in ("input_power", "input_current"):
        if name in sources:
            found = _went_off(name, sources[name].trace, span, until)
            return found if found is not None and _fell_silent(stamps, span, found.at_s) else None
    return None


def _went_off(name: str, trace: AlignedTrace, span: StepSpan, until: float) -> PowerOff | None:
    """Return where the readings go to nothing and stay there, out of load or as the step begins."""
    latest = min(span.end_s + SHORTEST, max(until - AT_ONCE, span.end_s))
    around = take_readings(trace, span.start_s - AT_ONCE, latest + SHORTEST)
    usual = _usual(trace.value)
    off = around.value < OFF * usual
    if around.count < 5 or not off.any() or off.all():
        return None
    on = np.flatnonzero(~off)
    lasts = np.diff(around.end_s[on], append=around.end_s[-1])
    stays = on[lasts >= 0.8 * SHORTEST]
    if not stays.size or around.end_s[stays[0]] > latest:
        return None
    index = int(stays[0])
    at = float(around.end_s[index])
    step = around.value[(around.end_s <= at) & (around.end_s > span.start_s)]
    level = float(np.percentile(step, 75.0)) if step.size > 2 else usual
    loaded = np.flatnonzero(around.value[: index + 1] >= LOADED * level)
    at_once = loaded.size > 0 and at - float(around.end_s[loaded[-1]]) < AT_ONCE + 2.0 * trace.averaging
    if not at_once and at > span.start_s + AT_ONCE:
        return None
    return PowerOff(at, name, float(around.value[max(index - 1, 0)]), trace.unit)


def _fell_silent(stamps: np.ndarray, span: StepSpan, at: float) -> bool:
    """Return True when the machine stopped writing at that moment; a file that ends with its step does not count."""
    if span.found_from == "files" and at > span.end_s - AT_ONCE:
        return False
    period = float(np.median(np.diff(stamps)))
    after = int(np.searchsorted(stamps, at + AT_ONCE))
    last = float(stamps[after - 1]) if after else -np.inf
    following = float(stamps[after]) if after < stamps.size else np.inf
    return at - last < AT_ONCE + 2.0 * period and following - last >= max(SHORTEST, 8.0 * period)


def _usual(value: np.ndarray) -> float:
    """Return the level that most of the campaign's load reaches."""
    sample = value[:: max(1, len(value) // 4096)]
    sample = sample[np.isfinite(sample)]
    return float(np.percentile(sample, 75.0)) if sample.size else 0.0
