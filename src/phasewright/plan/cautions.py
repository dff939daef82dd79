"""Which of the nine dangers the planned steps bring, each with the numbers that give cause.

They inform; they protect nobody. Where the cause cannot be foreseen, the caution stands and says so.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence

from phasewright.bench import Bench, escape
from phasewright.limits import margins_at
from phasewright.model import state_of_prediction
from phasewright.plan.forecast import CARE_CHANCE, chance_text, raised_protections
from phasewright.plan.records import Forecast, PlanCaution

__all__ = ["cautions_before"]

AMBER, RED = 48.0, 60.0
"""Surface temperatures [degC] from which a touch can burn: our own bands, below the burn thresholds of bare metal."""
HEAVY_CURRENT = 20.0
"""Rail current [A] from which a ring or a tool across the rail is a hazard; common practice, no source."""
NEAR = 2.0 / 3.0
"""[1] Share of a rated current from which a connector or a copper run is near it: four fifths is the usual bound of
continuous loads (NEC 210.20(A), from memory), and one contact carries up to a fifth more than the mean of all (common
practice, no source)."""
ROOM = 24.0
"""Room temperature [degC] taken where none is stated; common practice, no source."""
PROBE = re.compile(r"(?i)\b(oscilloscope|scope|ground clip|(voltage|passive|active|differential|10:1|x10) probe)")
"""Words that tell of a probe with a ground clip; a thermometer's probe is none."""


def highest(forecasts: Sequence[Forecast], name: str) -> tuple[float, str] | None:
    """Return the highest upper end of a quantity over the steps and the step's name, None when no step knows it."""
    found = []
    for item in forecasts:
        value = item.quantities.get(name)
        if value is not None:
            top = (
                value.high95
                if value.high95 is not None
                else value.value
                if name != "regulator_temperature"
                else math.inf
            )
            found.append((top, item.step.name))
        elif name == "regulator_temperature":
            found.append((math.inf, item.step.name))
    return max(found, default=None)


def _hot(bench: Bench, forecasts: Sequence[Forecast]) -> PlanCaution | None:
    found = highest(forecasts, "regulator_temperature")
    if found is None or found[0] < AMBER:
        return None
    top, step = found
    why = (
        f"The regulator may reach {top:.0f} °C in {step} (amber from 48 °C, red from 60 °C)."
        if math.isfinite(top)
        else f"How hot the regulator gets in {step} cannot be foreseen."
    )
    return PlanCaution(
        "hot",
        "Hot parts and heatsinks",
        why,
        "Do not touch the regulator, its heatsink or plate, the inductors or the board near them until "
        "they have cooled; metal burns within seconds from 60 °C.",
        "red" if top >= RED else "amber",
    )


def _current(bench: Bench, forecasts: Sequence[Forecast]) -> PlanCaution | None:
    found = highest(forecasts, "rail_current_peak")
    if found is not None and found[0] < HEAVY_CURRENT:
        return None
    why = (
        f"The rail may carry up to {found[0]:.0f} A at about one volt, in {found[1]}."
        if found
        else "The rail current cannot be foreseen; such rails carry tens to hundreds of amperes."
    )
    return PlanCaution(
        "current",
        "High current at low voltage",
        why,
        "Take off rings, watches and bracelets. Keep tools and loose screws away from rail and capacitors: "
        "what shorts them welds and glows. Capacitors keep their charge after power is off.",
    )


def _connectors(bench: Bench, forecasts: Sequence[Forecast]) -> PlanCaution | None:
    ratings = [item.contact_rating for item in bench.board.connectors if item.contact_rating is not None]
    unrated = not ratings or len(ratings) < len(bench.board.connectors)
    found = highest(forecasts, "contact_current")
    act = "Never feel a connector for warmth: measure it. Stop above its rating, at once when it smells or discolours."
    if unrated or found is None:
        what = "the rating of the input contacts is not stated" if unrated else "their current cannot be foreseen"
        return PlanCaution("connectors", "Connectors and cables", f"All input power passes through them; {what}.", act)
    rating = min(ratings)
    said = [(found[0] / rating, f"Up to {found[0]:.1f} A pass through each contact in {found[1]}; it is rated {rating:g} A.")]
    said += _copper(bench, forecasts)
    share, why = max(said)
    if share < NEAR:
        return None
    title = "Connectors, cables and board copper" if len(said) > 1 else "Connectors and cables"
    return PlanCaution("connectors", title, why, act, "red" if share >= 1.0 else "amber")


def _copper(bench: Bench, forecasts: Sequence[Forecast]) -> list[tuple[float, str]]:
    """Return the greatest share [1] of what each copper run bears, and a sentence, over all steps."""
    if not bench.board.copper:
        return []
    found = []
    for item in forecasts:
        if item.prediction is None:
            continue
        for margin in margins_at(bench, state_of_prediction(item.prediction)).margins:
            if margin.limit.applies_to.partition(".")[0] == "copper_current" and margin.figure.high95 is not None:
                top, bound = margin.figure.high95, margin.limit.value
                found.append((top / bound, f"Up to {top:.0f} A pass through the {margin.limit.name} in {item.step.name}; "
                              f"{bound:.0f} A heat it by the rise allowed."))  # fmt: skip
    return found


def _liquid(bench: Bench, forecasts: Sequence[Forecast]) -> PlanCaution | None:
    if bench.cooling.coolant != "liquid":
        return None
    return PlanCaution(
        "liquid",
        "Liquid near live electronics",
        "The bench is cooled by liquid.",
        "Check for leaks with the power off, put absorbent under every joint, give every hose a drip loop, "
        "and cut the power before touching a leak.",
    )


def _condensation(bench: Bench, forecasts: Sequence[Forecast]) -> PlanCaution | None:
    if bench.cooling.coolant != "liquid":
        return None
    cold = []
    for item in forecasts:
        coolant, room = item.step.settings.get("coolant_temperature"), item.step.settings.get("ambient_temperature")
        if coolant is not None:
            air = ROOM if room is None else float(room)
            if float(coolant) < air:
                cold.append((float(coolant), air, room is None, item.step.name))
    if not cold:
        return None
    coolant, room, assumed, step = min(cold)
    said = f"a room of {room:g} °C is assumed" if assumed else f"the room is at {room:g} °C"
    return PlanCaution(
        "condensation",
        "Condensation",
        f"The coolant is set to {coolant:g} °C in {step} and {said}; the dew point is not stated.",
        "Keep the coolant above the dew point, or insulate and seal everything colder; water on a live "
        "board is a short circuit.",
    )


def _protection(bench: Bench, forecasts: Sequence[Forecast]) -> PlanCaution | None:
    usual = bench.regulator.protection
    said = [
        f"{text} ({item.step.name})"
        for item in forecasts
        if item.prediction is not None
        for text in raised_protections(usual, item.step.settings)
    ]
    if not said:
        return None
    shown = "; ".join(said[:4]) + (f"; and {len(said) - 4} more" if len(said) > 4 else "")
    return PlanCaution(
        "protection",
        "Protections raised or switched off",
        shown[:1].upper() + shown[1:] + ".",
        "Below the new threshold nothing acts any more. Name an independent protection before the run, and "
        "put the threshold back afterwards.",
        "red",
    )


def _probe(bench: Bench, forecasts: Sequence[Forecast]) -> PlanCaution | None:
    named = [item.name for item in bench.instruments if PROBE.search(f"{item.name} {item.description}")]
    if not named and not PROBE.search(bench.notes):
        return None
    shown = ", ".join(escape(name) for name in named) or "in its notes"
    return PlanCaution(
        "probe",
        "Probe ground clips",
        f"A probe is on the bench ({shown}).",
        "The ground clip is earth: on 12 V it is a dead short. Clip to ground first, use a spring tip or a "
        "differential probe, and never hook or unhook under power.",
    )


def _unattended(bench: Bench, forecasts: Sequence[Forecast]) -> PlanCaution | None:
    asked = any(name in item.step.settings for item in forecasts for name in ("fan_duty", "pump_duty"))
    if not (bench.cooling.coolant == "liquid" or bench.cooling.fan_map or asked):
        return None
    moving = "a pump and fans" if bench.cooling.coolant == "liquid" else "fans"
    return PlanCaution(
        "unattended",
        "Fan or pump failure, unattended running",
        f"The cooling depends on {moving}.",
        "Fit a cut-off that acts without the machine under test, stay with the bench, and know how to cut the power.",
    )


def _unstable(bench: Bench, forecasts: Sequence[Forecast]) -> PlanCaution | None:
    likely = [(item.chance_to_trip or 0.0, item.step.name) for item in forecasts]
    chance, step = max(likely, default=(0.0, ""))
    if chance < CARE_CHANCE:
        return None
    return PlanCaution(
        "unstable",
        "Unstable machine",
        f"{step} may trip (chance {chance_text(chance)}).",
        "Save all work and unmount what matters before the run; expect the power to go without notice.",
    )


RULES: tuple[Callable[[Bench, Sequence[Forecast]], PlanCaution | None], ...] = (
    _hot,
    _current,
    _connectors,
    _liquid,
    _condensation,
    _protection,
    _probe,
    _unattended,
    _unstable,
)


def cautions_before(bench: Bench, forecasts: Sequence[Forecast]) -> tuple[PlanCaution, ...]:
    """Return the cautions that these steps on this bench call for, in a fixed order."""
    return tuple(found for rule in RULES if (found := rule(bench, forecasts)) is not None)
