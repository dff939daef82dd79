"""How margins are put into words."""

from __future__ import annotations

from phasewright.limits.case import words
from phasewright.limits.distance import includes_zero
from phasewright.limits.records import Margin
from phasewright.quantity import Value, convert, to_text

__all__ = ["figure_title", "margin_text", "shown_unit"]

TITLES = {
    "fullest_stage_current": "current of the fullest power stage",
    "stage_current_crest": "crest current of the fullest power stage",
    "phase_current_crest": "crest current of the fullest phase",
    "phase_current_rms": "effective current of the fullest phase",
    "load_step_phase_current": "current of the fullest phase at a load step",
    "load_step_current": "current of all phases at a load step",
    "output_ripple": "output ripple",
    "input_capacitor_current": "effective current of the input capacitors",
    "output_capacitor_current": "effective current of the output capacitors",
    "droop": "droop beyond the load line",
    "overshoot": "overshoot beyond the load line",
    "settling_time": "time to settle after a load step",
    "wire_temperature": "temperature of the supply wires",
    "copper_current": "current through board copper",
    "drive_power": "power of drivers and controller",
    "loop_gain": "gain of the loop of loss and temperature",
    "output_capacitor_life": "life of the output capacitors",
    "input_capacitor_life": "life of the input capacitors",
    "stage_life": "life of the power stages",
    "stage_cycle_life": "life of the power stages under load cycles",
}


def figure_title(name: str) -> str:
    """Return what a figure that a limit bounds is called in a sentence."""
    return TITLES.get(name, words(name))


def shown_unit(unit: str, size: float) -> str:
    """Return the unit in which people read a number of that `size` [unit]: mV, us and h where SI units do not fit."""
    if unit == "V" and abs(size) < 0.5:
        return "mV"
    if unit == "s":
        return "us" if abs(size) < 1e-3 else "s" if abs(size) < 7200.0 else "h"
    return unit


def margin_text(margin: Margin) -> str:
    """Return e.g. ``stage current of 41.2 ± 0.8 A is 18.8 ± 0.8 A below the power stage rating``."""
    limit = margin.limit
    unit = shown_unit(limit.unit, limit.value)
    figure = figure_title(limit.applies_to)
    if margin.note.startswith("peak"):
        figure = f"peak {figure}{margin.note.removeprefix('peak')}"
    elif margin.note == "extrapolated":
        figure = f"settled {figure} (extrapolated)"
    text = f"{figure} of {_said(margin.figure, unit)}"
    if includes_zero(margin):
        ceiling = f"{float(convert(limit.value, limit.unit, unit)):.4g} {_sign(unit)}".strip()
        return f"{text} against the {limit.name} at {ceiling} leaves a margin of {_said(margin.margin, unit)}"
    side = "above" if (margin.margin.value >= 0.0) == limit.floor else "below"
    return f"{text} is {_said(margin.margin, unit).removeprefix('-')} {side} the {limit.name}"


def _said(value: Value, unit: str) -> str:
    return to_text(value, None if value.unit in ("K", "degC") else unit)


def _sign(unit: str) -> str:
    return {"degC": "°C", "1": "", "us": "µs"}.get(unit, unit)
