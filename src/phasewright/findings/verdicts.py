"""The verdict of one step, with its reasons in numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from phasewright.bench import Bench, Step
from phasewright.findings.figures import Source
from phasewright.findings.incidents import Incident
from phasewright.findings.margins import above_limit, includes_zero, settling_of
from phasewright.findings.readings import Readings, take_readings
from phasewright.findings.records import Margin
from phasewright.findings.sheet import Sheet
from phasewright.logs import StepSpan, Window
from phasewright.quantity import to_text

__all__ = ["Verdict", "judge_step", "margin_text"]

AT_LIMIT = 0.99
"""Share of a power limit above which the processor counts as held at it: limiters work in steps of a watt or so."""
SHORT_OF_LOAD = 0.95
"""Share of the set load below which it counts as not reached."""
FLAT = 0.015
"""Relative scatter of power below which it counts as held flat."""
CLOCK_DROP = 0.03
"""Relative drop of the processor's clock within a step that counts as held back."""
POWER = ("input_power", "package_power", "rail_power")


@dataclass(frozen=True, slots=True)
class Verdict:
    """One word of `VERDICTS` and why."""

    word: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Case:
    """All that the verdict of one step is drawn from."""

    bench: Bench
    step: Step
    span: StepSpan
    window: Window
    sheet: Sheet
    margins: tuple[Margin, ...]
    sources: Mapping[str, Source]
    incident: Incident | None


def judge_step(
    bench: Bench, step: Step, span: StepSpan, window: Window, sheet: Sheet, margins: tuple[Margin, ...],
    sources: Mapping[str, Source], incident: Incident | None,
) -> Verdict:
    """Return the verdict of one step: the first that its evidence bears, the gravest first."""
    case = _Case(bench, step, span, window, sheet, margins, sources, incident)
    for judge in (_tripped, _no_record, _clamped, _beyond, _no_window, _lacking, _unsettled, _marginal):
        verdict = judge(case)
        if verdict is not None:
            return verdict
    return _sustained(case)


def margin_text(margin: Margin) -> str:
    """Return e.g. ``stage current 41.2 ± 0.8 A, 8.8 ± 0.8 A below the power stage rating (22 standard uncertainties)``."""
    figure = margin.limit.applies_to.replace("_", " ")
    if margin.note.startswith("peak"):
        figure += f" ({margin.note})"
    elif margin.note == "extrapolated":
        figure = f"settled {figure} (extrapolated)"
    text = f"{figure} {to_text(margin.figure)}"
    distance = to_text(margin.margin).removeprefix("-")
    side = "below" if margin.margin.value >= 0.0 else "above"
    if includes_zero(margin):
        return f"{text} against {margin.limit.name} at {margin.limit.value:g} {_unit(margin.limit.unit)}: margin {to_text(margin.margin)}"
    text += f", {distance} {side} {margin.limit.name}"
    if margin.in_u is not None and abs(margin.in_u) < 1e4:
        text += f" ({abs(margin.in_u):.2g} standard uncertainties)" if abs(margin.in_u) < 100 else " (over 100 standard uncertainties)"
    return text


def _unit(symbol: str) -> str:
    return {"degC": "°C", "1": ""}.get(symbol, symbol)


def _tripped(case: _Case) -> Verdict | None:
    stated = case.step.outcome in ("tripped", "crashed")
    seen = case.incident is not None and case.incident.tripped
    if stated:
        reasons = [f"seen at the bench: {case.step.outcome}"]
        if case.incident is not None:
            reasons.append(case.incident.sentence)
        return Verdict("tripped", tuple(reasons))
    if seen and case.step.outcome == "ran":
        return Verdict("unknown", (f"the step is stated to have run, but the record says: {case.incident.sentence}",))
    return Verdict("tripped", (case.incident.sentence,)) if seen else None


def _no_record(case: _Case) -> Verdict | None:
    for source in case.sources.values():
        if not source.refused and take_readings(source.trace, case.span.start_s, case.span.end_s).count:
            return None
    why = "; ".join(dict.fromkeys(source.refused for source in case.sources.values() if source.refused))
    return Verdict("unknown", (f"no log has a reading in the step{': ' + why if why else ''}",))


def _clamped(case: _Case) -> Verdict | None:
    reasons = []
    if case.step.outcome == "clamped":
        reasons.append("seen at the bench: clamped")
    active = _protection_share(case)
    if active:
        reasons.append(f"a protection was active in {active:.0%} of the readings")
    elif active is None:
        # With the flag logged and at zero, a load below plan was the load's own doing.
        reasons += [text for text in (_at_power_limit(case), _short_of_load(case), _clock_drop(case)) if text]
    return Verdict("clamped", tuple(reasons)) if reasons else None


def _protection_share(case: _Case) -> float | None:
    """Return the share of readings with a protection active, None when that is not logged."""
    shares = []
    for name, source in case.sources.items():
        if name.partition(".")[0] != "protection_active" or source.refused:
            continue
        readings = _settled_in(case, source)
        if readings.count:
            shares.append(float(np.mean(readings.value > 0.0)))
    return max(shares) if shares else None


def _settled_in(case: _Case, source: Source) -> Readings:
    """Return the readings inside the window; without one, those of the step less a tenth at either end."""
    if case.window.found:
        return take_readings(source.trace, case.window.start_s, case.window.end_s)
    edge = 0.1 * (case.span.end_s - case.span.start_s)
    return take_readings(source.trace, case.span.start_s + edge, case.span.end_s - edge)


def _flatness(case: _Case, name: str) -> float | None:
    """Return scatter / mean of a channel in the window [1], None when it is not logged."""
    source = case.sources.get(name)
    if source is None or source.refused:
        return None
    readings = _settled_in(case, source)
    mean = float(readings.value.mean()) if readings.count > 4 else 0.0
    return float(np.std(readings.value)) / mean if mean > 0.0 else None


def _at_power_limit(case: _Case) -> str:
    limit = case.step.settings.get("power_limit", case.bench.processor.power_limit)
    power = case.sheet.quantities.get("package_power")
    if limit is None or power is None:
        return ""
    limit = float(limit)
    flat = _flatness(case, "package_power")
    if power.value < AT_LIMIT * limit or (flat is not None and flat > FLAT):
        return ""
    return f"package power reads {power.value:.1f} W, at its limit of {limit:.0f} W"


def _short_of_load(case: _Case) -> str:
    for name, unit in (("package_power", "W"), ("rail_current", "A")):
        planned, found = case.step.settings.get(name), case.sheet.quantities.get(name)
        if planned is None or found is None or found.u is None:
            continue
        planned = float(planned)
        flat = _flatness(case, name)
        if found.value < SHORT_OF_LOAD * planned and found.value + 2.0 * found.u < planned and flat is not None and flat < FLAT:
            return (
                f"{name.replace('_', ' ')} was held flat at {to_text(found)} ({flat:.1%} scatter), "
                f"short of the {planned:.0f} {unit} that were set"
            )
    return ""


def _clock_drop(case: _Case) -> str:
    source = case.sources.get("processor_clock")
    if source is None or source.refused or not case.window.found:
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


def _beyond(case: _Case) -> Verdict | None:
    """A state above a limit ran, yet is not sustained; see decision on margins below zero."""
    above = [margin for margin in case.margins if above_limit(margin)]
    if not above:
        return None
    return Verdict("marginal", (*(f"it ran beyond a limit: {margin_text(margin)}" for margin in above), *_heat_notes(case)))


def _no_window(case: _Case) -> Verdict | None:
    if case.window.found:
        return None
    reasons = case.window.reasons or (f"the step lasts {case.span.end_s - case.span.start_s:.0f} s, too short for a steady window",)
    return Verdict("unsettled", tuple(reasons))


def _lacking(case: _Case) -> Verdict | None:
    """Unknown when something is missing without which `sustained` cannot be said."""
    reasons, quantities = [], case.sheet.quantities
    if not any(name in quantities for name in POWER):
        reasons.append(_missing(case.sheet, "input_power"))
    if "regulator_temperature" not in quantities:
        reasons.append(_missing(case.sheet, "regulator_temperature"))
    if not case.margins:
        reasons.append("no limit is stated that a logged channel could be held against: add ratings or protection thresholds to bench.toml")
    blind = dict.fromkeys(
        f"margin to {margin.limit.name} cannot be judged: {margin.margin.reason}" for margin in case.margins if margin.margin.u is None
    )
    reasons += blind
    if not reasons and not _protection_known(case):
        reasons.append(
            "nothing says whether a protection acted: log protection_active, state outcome = \"ran\" for the step, "
            "or state protection.phase_current or processor.power_limit in bench.toml"
        )
    return Verdict("unknown", tuple(reasons)) if reasons else None


def _missing(sheet: Sheet, name: str) -> str:
    known = sheet.missing.get(name)
    return f"{known.why}: {known.mend}" if known else f"{name.replace('_', ' ')} is not known"


def _protection_known(case: _Case) -> bool:
    """Return True when something shows that no protection held the step back."""
    if case.step.outcome == "ran" or _protection_share(case) is not None:
        return True
    for name in ("package_power", "rail_current"):
        planned, found = case.step.settings.get(name), case.sheet.quantities.get(name)
        if planned is not None and found is not None and found.value >= SHORT_OF_LOAD * float(planned):
            return True
    return any(
        margin.limit.kind == "protection" and margin.limit.unit in ("A", "W")
        and margin.margin.low95 is not None and margin.margin.low95 > 0.0
        for margin in case.margins
    )


def _unsettled(case: _Case) -> Verdict | None:
    if case.window.settled:
        return None
    moving = [item for item in case.window.settling if not item.settled]
    open_ones = [item for item in moving if item.extrapolated is None]
    if open_ones or not moving:
        reasons = [
            f"{item.channel.replace('_', ' ')} still moves by {item.slope * 3600.0:.1f} K/h, up to {item.remaining:.1f} K to come: {item.reason}"
            for item in open_ones
        ]
        return Verdict("unsettled", tuple(reasons or case.window.reasons or ("the window is not settled",)))
    undecided = [margin for margin in case.margins if includes_zero(margin)]
    if undecided:
        return Verdict("unsettled", tuple(f"the extrapolation does not decide it: {margin_text(margin)}" for margin in undecided))
    return None


def _marginal(case: _Case) -> Verdict | None:
    close = [margin for margin in case.margins if includes_zero(margin)]
    if not close:
        return None
    return Verdict("marginal", tuple(margin_text(margin) for margin in close))


def _sustained(case: _Case) -> Verdict:
    nearest = case.margins[0]
    reasons = [*_heat_notes(case), f"nearest limit: {margin_text(nearest)}"]
    active = _protection_share(case)
    if active is not None:
        reasons.append("no protection was active")
    elif case.step.outcome == "ran":
        reasons.append("seen at the bench: ran")
    else:
        reasons.append("no sign of a protection: load reached or thresholds not reached")
    return Verdict("sustained", tuple(reasons))


def _heat_notes(case: _Case) -> Iterable[str]:
    """Return what is said about settling of the regulator's temperature."""
    found = settling_of("regulator_temperature", case.window)
    if not found:
        return ()
    worst = max(found, key=lambda item: item.remaining)
    settled = case.sheet.quantities.get("regulator_temperature_settled")
    if all(item.settled for item in found):
        return (f"settled: at most {worst.remaining:.1f} K of regulator temperature remains",)
    if settled is not None:
        return (f"not settled, extrapolated to a regulator temperature of {to_text(settled)}",)
    return (f"not settled: up to {worst.remaining:.1f} K of regulator temperature to come",)
