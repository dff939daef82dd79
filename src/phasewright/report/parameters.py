"""The model's parameters in words: what each one is, what was believed of it, what decided it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from phasewright.model import Fitted, Parameter
from phasewright.quantity import Value
from phasewright.report.document import Column, Table
from phasewright.report.escaping import clean
from phasewright.report.wording import quantity_title

WORDS: Mapping[str, str] = {
    "board_loss": "Controller",
    "phase_loss": "Fixed loss, each phase",
    "proportional_loss": "Switching, by current",
    "phase_resistance": "Resistance, each phase",
    "path_resistance": "Output copper, shared",
    "resistance_coefficient": "Growth of resistance",
    "stage_rise": "Stage to plate, a phase",
    "plate_rise": "Plate to coolant",
    "package_rise": "Heat from the package",
    "crowding": "Warmed by neighbours",
    "inductor_share": "Inductor heat in stage",
    "quick_share": "Share that warms at once",
    "late_share": "Of the rest, with plate",
    "plate_share": "Plate, with the stage",
    "package_share": "Package, with the stage",
    "quick_time": "Time, silicon and sensor",
    "stage_time": "Time constant, stage",
    "plate_time": "Time constant, plate",
    "package_time": "Time constant, package",
    "other_power": "Other loads on the input",
    "other_rails": "Other rails of package",
    "supply_resistance": "Meter to regulator",
    "rail_setpoint": "Rail voltage, no load",
    "load_line": "Load line",
    "peak_excess": "Peak over mean, less one",
    "temperature_offset": "Thermometers, offset",
}
"""What each parameter is, short enough for a terminal."""
DECIDED = {"data": "data", "both": "data and prior", "prior": "prior"}
_TELEMETRY = ("_gain", "_offset")


def parameter_title(name: str) -> str:
    """Return what people read: ``rail_current_gain`` -> Gain of rail current."""
    if name in WORDS:
        return WORDS[name]
    for ending in _TELEMETRY:
        if name.endswith(ending):
            return f"{ending[1:].capitalize()} of {clean(name.removesuffix(ending).replace('_', ' '))}"
    return clean(name.replace("_", " ")).capitalize()


def is_telemetry(parameter: Parameter) -> bool:
    """Tell whether a parameter is an error of an instrument, not a property of the board."""
    return parameter.name.endswith(_TELEMETRY)


def before(fitted: Fitted, parameter: Parameter) -> Value:
    """Return what was believed of a parameter before anything was measured, with its 95 % interval."""
    return _at(fitted, parameter, 0.0, 1.0, parameter.prior_value, parameter.prior_u, "set")


def now(fitted: Fitted, parameter: Parameter) -> Value:
    """Return what is believed of a parameter now, with its 95 % interval."""
    index = fitted.prior.names.index(parameter.name)
    spread = math.sqrt(max(float(fitted.covariance[index, index]), 0.0))
    return _at(fitted, parameter, float(fitted.score[index]), spread, parameter.value, parameter.u, "derived")


def _at(fitted: Fitted, parameter: Parameter, score: float, spread: float, number: float, u: float, kind: str) -> Value:
    """Return a parameter as a value; its interval has the skew of its belief, so that none reaches below zero."""
    belief = fitted.prior.belief(parameter.name)
    low, high = sorted(float(belief.at(score + side * 1.96 * spread)) for side in (-1.0, 1.0))
    return Value(number, parameter.unit, u, low, high, kind)


def decided_text(parameter: Parameter) -> str:
    """Return data | data and prior | prior, and that it is held at its bound where it is."""
    return DECIDED.get(parameter.decided_by, parameter.decided_by) + (", at its bound" if parameter.at_bound else "")


def board_parameters(fitted: Fitted) -> tuple[Parameter, ...]:
    """Return the parameters that say how the board loses power and gets warm."""
    return tuple(item for item in fitted.parameters if not is_telemetry(item))


def telemetry_parameters(fitted: Fitted) -> tuple[Parameter, ...]:
    """Return the parameters that say how far instruments are off."""
    return tuple(item for item in fitted.parameters if is_telemetry(item))


def parameter_table(fitted: Fitted, name: str, title: str, parameters: Sequence[Parameter], note: str) -> Table:
    """Return each parameter before and after the data, and what decided it."""
    return Table(
        name,
        title,
        (
            Column("parameter", "Parameter"),
            Column("symbol", "Symbol"),
            Column("prior", "Before the data", "", "value"),
            Column("posterior", "Now", "", "value"),
            Column("decided_by", "Decided by"),
        ),
        tuple(
            (
                parameter_title(item.name),
                item.symbol,
                before(fitted, item),
                now(fitted, item),
                decided_text(item),
            )
            for item in parameters
        ),
        note,
    )


def basis_table(fitted: Fitted) -> Table:
    """Return where the first belief of every parameter comes from."""
    return Table(
        "parameter-sources",
        "Where the first beliefs come from",
        (Column("parameter", "Parameter"), Column("symbol", "Symbol"), Column("basis", "From")),
        tuple((parameter_title(item.name), item.symbol, item.basis) for item in fitted.parameters),
    )


def instrument_table(fitted: Fitted) -> Table:
    """Return what the data say of the gain and the offset of each channel, beside what its maker states."""
    known = {item.name: item for item in fitted.parameters}
    channels = dict.fromkeys(item.name.rpartition("_")[0] for item in telemetry_parameters(fitted))
    rows = []
    for channel in channels:
        gain, offset = known.get(f"{channel}_gain"), known.get(f"{channel}_offset")
        rows.append(
            (
                "Thermometers" if channel == "temperature" else quantity_title(channel),
                before(fitted, gain) if gain else None,
                now(fitted, gain) if gain else None,
                decided_text(gain) if gain else None,
                before(fitted, offset) if offset else None,
                now(fitted, offset) if offset else None,
                decided_text(offset) if offset else None,
            )
        )
    return Table(
        "instruments-found",
        "What the data say of the instruments",
        (
            Column("channel", "Reading"),
            Column("gain_share_before", "Gain error as stated", "1", "value"),
            Column("gain_share_now", "Found", "1", "value"),
            Column("gain_decided_by", "Decided by"),
            Column("offset_before", "Offset as stated", "", "value"),
            Column("offset_now", "Found", "", "value"),
            Column("offset_decided_by", "Decided by"),
        ),
        tuple(rows),
        "A gain error of 4 % reads 104 for 100. ± is the half-width of the 95 % interval. Of the thermometers only the "
        "difference between regulator and coolant shows.",
    )
