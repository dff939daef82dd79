"""Signs that a protection or a power limit held a step back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from phasewright.bench import Bench, Step
from phasewright.findings.figures import Source, readings_of_step
from phasewright.findings.incidents import Incident
from phasewright.findings.readings import Readings, take_readings
from phasewright.findings.sheet import Sheet
from phasewright.limits import Margin, relative
from phasewright.logs import StepSpan, Window
from phasewright.quantity import to_text

__all__ = ["Case", "load_reached", "protection_share", "signs_of_holding", "unexplained_shortfall"]

BRIEFLY = 0.01
"""Share of a step for which a protection may act outside the window without the step counting as held back."""
AT_LIMIT = 0.99
"""Share of a power limit above which the processor counts as held at it: limiters work in steps of a watt or so."""
AT_TEMPERATURE = 1.0
"""[K] Distance from the processor's temperature limit within which it counts as held at it."""
SHORT_OF_LOAD = 0.95
"""Share of the set load below which it counts as not reached."""
NEAR = 0.05
"""Relative distance from a protection threshold within which it may have held the load back."""
FLAT = 0.015
"""Relative scatter of power below which it counts as held flat."""
CLOCK_DROP = 0.03
"""Relative drop of the processor's clock within a step that counts as held back."""


@dataclass(frozen=True, slots=True)
class Case:
    """All that the verdict of one step is drawn from."""

    bench: Bench
    step: Step
    span: StepSpan
    window: Window
    sheet: Sheet
    margins: tuple[Margin, ...]
    sources: Mapping[str, Source]
    incident: Incident | None

    def readings(self, source: Source) -> Readings:
        """Return the readings inside the window; without a window, those of the step less a tenth at either end."""
        if self.window.found:
            return take_readings(source.trace, self.window.start_s, self.window.end_s)
        edge = 0.1 * (self.span.end_s - self.span.start_s)
        return take_readings(source.trace, self.span.start_s + edge, self.span.end_s - edge)


def signs_of_holding(case: Case) -> list[str]:
    """Return every sign that something held the step back, in words; [] when there is none."""
    signs = ["seen at the bench: clamped"] if case.step.outcome == "clamped" else []
    active, in_step = protection_share(case), protection_share(case, whole=True)
    if active:
        signs.append(f"a protection was active in {_percent(active)} of the window's readings")
    elif in_step is not None and in_step > BRIEFLY:
        signs.append(f"a protection was active in {_percent(in_step)} of the step's readings, though not in the window")
    elif active is None and in_step is None:
        # With the flag logged and at zero, a load below plan was the load's own doing.
        found = (_at_power_limit(case), _at_temperature_limit(case), _short_of_load(case), _clock_drop(case))
        signs += [text for text in found if text]
    return signs


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %" if share >= 0.01 else "under 1 %"


def protection_share(case: Case, *, whole: bool = False) -> float | None:
    """Return the share of readings [1] with a protection active, None when that is not logged.

    In the window, or in the `whole` step as far as the clock is sure of it.
    """
    shares = []
    for name, source in case.sources.items():
        if name.partition(".")[0] == "protection_active":
            readings = readings_of_step(source.trace, case.span) if whole else case.readings(source)
            if readings.count:
                shares.append(float(np.mean(readings.value > 0.0)))
    return max(shares) if shares else None


def load_reached(case: Case) -> bool:
    """Return True when a load was set and the readings show it."""
    for name in ("package_power", "rail_current"):
        planned, found = case.step.settings.get(name), case.sheet.quantities.get(name)
        if planned is not None and found is not None and found.value >= SHORT_OF_LOAD * float(planned):
            return True
    return False


def _at_power_limit(case: Case) -> str:
    limit = case.step.settings.get("power_limit", case.bench.processor.power_limit)
    power = case.sheet.quantities.get("package_power")
    if limit is None or power is None or power.value < AT_LIMIT * float(limit):
        return ""
    return f"package power reads {power.value:.1f} W, at its limit of {float(limit):.0f} W"


def _at_temperature_limit(case: Case) -> str:
    limit = case.bench.processor.temperature_limit
    found = case.sheet.quantities.get("processor_temperature")
    if limit is None or found is None or found.value < limit - AT_TEMPERATURE:
        return ""
    return f"the {case.bench.processor.kind} reads {found.value:.1f} °C, at its limit of {limit:.0f} °C"


def _shortfall(case: Case) -> tuple[str, str] | None:
    """Return (channel, words) when the set load was clearly not reached."""
    for name, unit in (("package_power", "W"), ("rail_current", "A")):
        planned, found = case.step.settings.get(name), case.sheet.quantities.get(name)
        if planned is None or found is None or found.u is None:
            continue
        planned = float(planned)
        if found.value < SHORT_OF_LOAD * planned and found.value + 2.0 * found.u < planned:
            return (
                name,
                f"{name.replace('_', ' ')} was {to_text(found)}, short of the {planned:.0f} {unit} that were set",
            )
    return None


def _protections(case: Case) -> list[Margin]:
    return [item for item in case.margins if item.limit.kind == "protection"]


def _short_of_load(case: Case) -> str:
    """A load not reached is a sign of holding beside a protection, or held flat where no protection is stated."""
    short = _shortfall(case)
    if short is None:
        return ""
    near = [item for item in _protections(case) if relative(item) < NEAR]
    if near:
        first = min(near, key=relative)
        return f"{short[1]}, with {first.limit.name} {to_text(first.margin)} away"
    if not _protections(case):
        flat = _flatness(case, short[0])
        if flat is not None and flat < FLAT:
            return f"{short[1]}, and held flat ({100.0 * flat:.1f} % scatter)"
    return ""


def unexplained_shortfall(case: Case) -> str:
    """Return what to doubt when the set load was not reached and no sign says why; '' otherwise."""
    short = _shortfall(case)
    return f"{short[1]}, and nothing logged says why" if short is not None else ""


def _flatness(case: Case, name: str) -> float | None:
    """Return scatter / mean of a channel [1], None when it is not logged."""
    source = case.sources.get(name)
    if source is None:
        return None
    readings = case.readings(source)
    mean = float(readings.value.mean()) if readings.count > 4 else 0.0
    return float(np.std(readings.value)) / mean if mean > 0.0 else None


def _clock_drop(case: Case) -> str:
    source = case.sources.get("processor_clock")
    if source is None or not case.window.found:
        return ""
    length = case.span.end_s - case.span.start_s
    early_end = min(case.span.start_s + 0.2 * length, case.window.start_s)
    early = take_readings(source.trace, case.span.start_s + 0.05 * length, early_end)
    late = take_readings(source.trace, case.window.start_s, case.window.end_s)
    if early.count < 5 or late.count < 5:
        return ""
    before, after = float(np.median(early.value)), float(np.median(late.value))
    if after >= (1.0 - CLOCK_DROP) * before:
        return ""
    return f"the processor's clock fell from {before / 1e9:.2f} to {after / 1e9:.2f} GHz within the step"
