"""The nine cautions, and which of them this campaign calls for.

They inform; they protect nobody. Each stands in the guide only where the bench, the records or the verdicts give cause,
and says what gave it. Where the cause cannot be judged because nothing was recorded, the caution stands and says so.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np

from phasewright.findings import Analysis, Margin
from phasewright.report.document import Caution
from phasewright.report.escaping import clean
from phasewright.report.wording import THIN, display_unit, number_text, plain, quantity_title

AMBER, RED = 48.0, 60.0
"""Surface temperatures [degC] from which a touch can burn: our own bands, below the burn thresholds of bare metal
for 1 s (68 degC) and about 5 s (60 degC)."""
HEAVY_CURRENT = 20.0
"""Rail current [A] from which a ring or a tool across the rail is a hazard; common practice, no source."""
ROOM = 24.0
"""Room temperature [degC] assumed where none was recorded; common practice, no source."""

_SURFACES = (
    "regulator_temperature",
    "inductor_temperature",
    "board_temperature",
    "connector_temperature",
    "coolant_temperature",
)
_PROBE = re.compile(r"(?i)\b(oscilloscope|scope|ground clip|(voltage|passive|active|differential|10:1|x10) probe)")
"""Words that tell of a probe with a ground clip; a thermometer's probe is none."""

NEAR = 2.0 / 3.0
"""[1] Share of a rated current from which a connector or a copper run is near it: four fifths is the usual bound of
continuous loads (NEC 210.20(A), from memory), and one contact carries up to a fifth more than the mean of all (common
practice, no source)."""
NEAR_TEMPERATURE = 15.0
"""[K] Distance of a connector or a wire from what it bears, from which it is near it; common practice, no source."""
_AT_CONNECTORS = {
    "contact_current": "a contact",
    "connector_temperature": "the hottest connector",
    "wire_temperature": "the supply wires",
    "copper_current": "a copper run of the board",
}
"""Figures whose limits are those of connectors, cables and board copper, and whose they are."""

NO_SAFETY_FUNCTION = (
    "Phasewright is no safety function. It measures and reports after the fact; it protects nobody and nothing. Data "
    "sheets, the makers' instructions, local rules and qualified people come first, and an independent cut-off belongs "
    "on every bench."
)


def extremes(analysis: Analysis, channel: str) -> tuple[float, float] | None:
    """Return the lowest and highest reading of a channel and its labelled sensors over the whole record, None if none.

    Upper and lower ends of the 95 % intervals of the steps' figures count too, where they reach further.
    """
    found: list[float] = []
    for name, trace in analysis.recording.traces.items():
        if name.partition(".")[0] == channel:
            for part in (trace.value, trace.low, trace.high):
                if part is not None and np.isfinite(part).any():
                    found += [float(np.nanmin(part)), float(np.nanmax(part))]
    for finding in analysis.steps:
        for name, value in finding.quantities.items():
            if name.removesuffix("_peak").partition(".")[0] == channel and value.kind != "assumed":
                found += [x for x in (value.value, value.low95, value.high95) if x is not None and math.isfinite(x)]
    return (min(found), max(found)) if found else None


def _degrees(value: float) -> str:
    return f"{plain(value, 0)}{THIN}°C"


def _hot(analysis: Analysis) -> Caution | None:
    seen = {name: pair[1] for name in _SURFACES if (pair := extremes(analysis, name)) is not None}
    act = (
        "Do not touch the regulator, its heatsink or plate, the inductors or the board near them until they have "
        "cooled; metal burns within seconds from 60 °C."
    )
    if not seen:
        return Caution(
            "hot",
            "Hot parts and heatsinks",
            "No surface temperature was recorded, so none can be called cool.",
            act,
            "amber",
        )
    name = max(seen, key=seen.__getitem__)
    if seen[name] < AMBER:
        return None
    return Caution(
        "hot",
        "Hot parts and heatsinks",
        f"{quantity_title(name)} reached {_degrees(seen[name])} (amber from 48 °C, red from 60 °C).",
        act,
        "red" if seen[name] >= RED else "amber",
    )


def _current(analysis: Analysis) -> Caution | None:
    rail = extremes(analysis, "rail_current")
    reached = rail[1] if rail else None
    if reached is None:
        package = extremes(analysis, "package_power")
        volts = analysis.bench.regulator.rail_voltage
        reached = package[1] / volts if package and volts else None
    if reached is not None and reached < HEAVY_CURRENT:
        return None
    why = (
        f"The rail carried up to {plain(reached, 0)}{THIN}A at about one volt."
        if reached is not None
        else "The rail current was not recorded; such rails carry tens to hundreds of amperes."
    )
    return Caution(
        "current",
        "High current at low voltage",
        why,
        "Take off rings, watches and bracelets. Keep tools and loose screws away from rail and capacitors: "
        "what shorts them welds and glows. Capacitors keep their charge after power is off.",
    )


def _connectors(analysis: Analysis) -> Caution | None:
    bench = analysis.bench
    powered = extremes(analysis, "input_power") or extremes(analysis, "input_current")
    if not bench.board.connectors and powered is None:
        return None
    act = "Never feel a connector for warmth: measure it. Stop above its rating, at once when it smells or discolours."
    held = [m for f in analysis.steps for m in f.margins if m.limit.applies_to.partition(".")[0] in _AT_CONNECTORS]
    near = sorted((m for m in held if _nearness(m) >= 1.0), key=_nearness, reverse=True)
    if near:
        worst = near[0]
        whose = _AT_CONNECTORS[worst.limit.applies_to.partition(".")[0]]
        why = (
            f"{whose[:1].upper()}{whose[1:]} came to {number_text(worst.figure, worst.limit.applies_to)}; "
            f"{clean(worst.limit.name)}: {worst.limit.value:.4g}{THIN}{display_unit(worst.limit.unit)[0]}."
        )
        over = any((m.margin.low95 if m.margin.low95 is not None else m.margin.value) <= 0.0 for m in near)
        return Caution("connectors", "Connectors, cables and board copper", why, act, "red" if over else "amber")
    if any(m.limit.applies_to.partition(".")[0] == "contact_current" for m in held) and all(
        item.contact_rating is not None for item in bench.board.connectors
    ):
        return None
    rated = bool(bench.board.connectors) and all(item.contact_rating is not None for item in bench.board.connectors)
    what = "the current of their contacts was not recorded" if rated else "the rating of their contacts is not stated"
    why = f"The input power passes through connectors and cables; {what}."
    return Caution("connectors", "Connectors, cables and board copper", why, act, "amber")


def _nearness(margin: Margin) -> float:
    """Return how near a limit of connectors or copper is [1]: from 1 on it is near; the upper end of the figure counts."""
    figure, bound = margin.figure, margin.limit.value
    low = margin.margin.low95 if margin.margin.low95 is not None else margin.margin.value
    if margin.limit.unit == "degC":
        return NEAR_TEMPERATURE / max(low, 1e-6) if low > 0.0 else math.inf
    top = figure.high95 if figure.high95 is not None else figure.value
    return top / (NEAR * bound) if bound > 0.0 else math.inf


def _liquid(analysis: Analysis) -> Caution | None:
    if analysis.bench.cooling.coolant != "liquid":
        return None
    return Caution(
        "liquid",
        "Liquid near live electronics",
        "The bench is cooled by liquid.",
        "Check for leaks with the power off, put absorbent under every joint, give every hose a drip loop, "
        "and cut the power before touching a leak.",
    )


def _condensation(analysis: Analysis) -> Caution | None:
    coolant, ambient = extremes(analysis, "coolant_temperature"), extremes(analysis, "ambient_temperature")
    wished = [
        float(f.step.settings["coolant_temperature"])
        for f in analysis.steps
        if isinstance(f.step.settings.get("coolant_temperature"), (int, float))
    ]
    lowest = min([*([coolant[0]] if coolant else []), *wished], default=None)
    if lowest is None or analysis.bench.cooling.coolant != "liquid":
        return None
    room = ambient[1] if ambient else ROOM
    if lowest >= room:
        return None
    said = (
        f"the room was up to {_degrees(room)}"
        if ambient
        else f"the room's temperature was not recorded ({_degrees(ROOM)} assumed)"
    )
    return Caution(
        "condensation",
        "Condensation",
        f"Coolant went down to {_degrees(lowest)} while {said}; the dew point was not recorded.",
        "Keep the coolant above the dew point, or insulate and seal everything colder; water on a live board "
        "is a short circuit.",
    )


def _thresholds(analysis: Analysis) -> list[str]:
    """Return each protection that a step raised or switched off, in words."""
    usual = analysis.bench.regulator.protection
    base = {
        "protection_phase_current": (usual.phase_current, "A"),
        "protection_total_current": (usual.total_current, "A"),
        "protection_temperature_warning": (usual.temperature_warning, "°C"),
        "protection_temperature_trip": (usual.temperature_trip, "°C"),
    }
    said = []
    for finding in analysis.steps:
        for name, value in finding.step.settings.items():
            if not name.startswith("protection_"):
                continue
            title = clean(name.removeprefix("protection_").replace("_", " "))
            before, unit = base.get(name, (None, ""))
            if isinstance(value, str):
                if value.strip().lower() in ("off", "disabled", "none", "no"):
                    said.append(f"{title} protection off in {clean(finding.step.name)}")
            elif not math.isfinite(value) or value <= 0.0:
                said.append(f"{title} protection off in {clean(finding.step.name)}")
            elif before is not None and value > before:
                said.append(
                    f"{title} threshold raised from {before:.4g} to {value:.4g}{THIN}{unit} "
                    f"in {clean(finding.step.name)}"
                )
    return said


def _protection(analysis: Analysis) -> Caution | None:
    said = _thresholds(analysis)
    if not said:
        return None
    shown = "; ".join(said[:4]) + (f"; and {len(said) - 4} more" if len(said) > 4 else "")
    return Caution(
        "protection",
        "Protections raised or switched off",
        shown[:1].upper() + shown[1:] + ".",
        "Below the new threshold nothing acts any more. Name an independent protection before a run, and put "
        "the threshold back afterwards.",
        "red",
    )


def _probe(analysis: Analysis) -> Caution | None:
    named = [clean(i.name) for i in analysis.bench.instruments if _PROBE.search(f"{i.name} {i.description}")]
    if not named and not _PROBE.search(analysis.bench.notes):
        return None
    return Caution(
        "probe",
        "Probe ground clips",
        f"A probe is on the bench ({', '.join(named) or 'in its notes'}).",
        "The ground clip is earth: on 12 V it is a dead short. Clip to ground first, use a spring tip or a "
        "differential probe, and never hook or unhook under power.",
    )


def _unattended(analysis: Analysis) -> Caution | None:
    bench = analysis.bench
    moved = any(
        name.partition(".")[0] in ("fan_duty", "fan_speed", "pump_duty", "coolant_flow")
        for name in analysis.recording.traces
    )
    asked = any(name in ("fan_duty", "pump_duty") for f in analysis.steps for name in f.step.settings)
    if not (bench.cooling.coolant == "liquid" or bench.cooling.fan_map or moved or asked):
        return None
    moving = "a pump and fans" if bench.cooling.coolant == "liquid" else "fans"
    return Caution(
        "unattended",
        "Fan or pump failure, unattended running",
        f"The cooling depends on {moving}.",
        "Fit a cut-off that acts without the machine under test, stay with the bench, and know how to cut the power.",
    )


def _unstable(analysis: Analysis) -> Caution | None:
    lost = [f.step.name for f in analysis.steps if f.verdict == "tripped" or f.step.outcome in ("tripped", "crashed")]
    errors = extremes(analysis, "error_count")
    if not lost and not (errors and errors[1] > 0.0):
        return None
    why = (
        f"The machine was lost in {', '.join(clean(n, 60) for n in lost[:3])}." if lost else "The load reported errors."
    )
    return Caution(
        "unstable",
        "Unstable machine",
        why,
        "Save all work and unmount what matters before repeating this; expect the power to go without notice.",
    )


RULES: dict[str, Callable[[Analysis], Caution | None]] = {
    "hot": _hot,
    "current": _current,
    "connectors": _connectors,
    "liquid": _liquid,
    "condensation": _condensation,
    "protection": _protection,
    "probe": _probe,
    "unattended": _unattended,
    "unstable": _unstable,
}
"""Every caution with the rule that says whether it applies."""


def cautions_of(analysis: Analysis) -> tuple[Caution, ...]:
    """Return the cautions that this campaign calls for, in a fixed order."""
    return tuple(found for rule in RULES.values() if (found := rule(analysis)) is not None)
