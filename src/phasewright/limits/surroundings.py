"""Heat and current around the regulator: coolant and radiator, connector, cable, board copper, drivers, runaway."""

from __future__ import annotations

import numpy as np

from phasewright import physics
from phasewright.limits.case import Case
from phasewright.limits.rule import Rule
from phasewright.quantity import Part, Value, value_from_parts

__all__ = ["RULES", "drive_power"]

FILM, FILM_BOUND = 10.0, 0.5
"""[W/(m2 K)] and its relative bound: heat that a wire in a loose bundle gives off; common practice, no source."""

TRACE_BOUND = 0.25
"""[1] Relative bound of the curve fit of IPC-2221, more outside its charts; common practice, no source."""


def _given(case: Case, name: str) -> Value:
    value = case.quantity(name)
    if value is None:
        raise KeyError(name)
    return value


# ---- coolant --------------------------------------------------------------------------------------------------------


def _fan_map(case: Case) -> str:
    return "the step sets the fan, so its map does not act" if "fan_duty" in case.state.settings else ""


# ---- connector and cable --------------------------------------------------------------------------------------------


def _wire_temperature(case: Case) -> Value:
    contacts = sum(item.contact_count for item in case.bench.board.connectors)
    carried = case.item.contact_count / contacts
    wires = float(case.item.wire_count or case.item.contact_count)
    gauge = float(case.item.wire_gauge)
    film = value_from_parts(FILM, "W/(m2.K)", [Part("physics/wire film", FILM * FILM_BOUND / 3**0.5, "rectangular")])
    inputs = {"current": _given(case, "input_current"), "air": _given(case, "ambient_temperature"), "film": film}

    def temperature(current, air, film):
        return air + physics.wire_rise(np.maximum(current, 0.0) * carried / wires, gauge, 0.5e-3, film, air)

    return case.derive(temperature, "degC", inputs)


def _wire_note(case: Case) -> str:
    if case.item.wire_length is None:
        return "loose bundle in still air assumed"
    wires = float(case.item.wire_count or case.item.contact_count)
    contacts = sum(item.contact_count for item in case.bench.board.connectors)
    current = max(_given(case, "input_current").value, 0.0) * case.item.contact_count / contacts
    resistance = physics.harness_resistance(float(case.item.wire_gauge), case.item.wire_length, wires, wires, 40.0)
    drop = physics.harness_drop(current, resistance, 2.0 * (case.item.contact_resistance or 0.0) / wires)
    return f"loose bundle in still air assumed; cable and contacts take {1e3 * drop:.0f} mV and {current * drop:.1f} W"


# ---- board copper ---------------------------------------------------------------------------------------------------


def _copper_current(case: Case) -> Value:
    return _given(case, case.item.carries)


def _copper_bound(case: Case) -> Value:
    run = case.item
    bound = run.layer_count * float(physics.trace_current(run.width, run.thickness, run.rise_limit, run.layer))
    return value_from_parts(bound, "A", [Part("physics/IPC-2221", bound * TRACE_BOUND / 3**0.5, "rectangular")])


def _copper_note(case: Case) -> str:
    outside = physics.out_of_range(
        physics.trace_current, width=case.item.width, thickness=case.item.thickness, rise=case.item.rise_limit
    )
    return "; ".join(("rise of a lone trace: planes beside it cool it", *outside))


# ---- drivers and controller -----------------------------------------------------------------------------------------


def drive_power(case: Case) -> Value:
    """Return what gate drivers and controller draw [W]."""
    count = case.phases * case.stages
    controller = case.bench.regulator.controller_power or 0.0
    at_rest = case.bench.regulator.stage.quiescent_power or 0.0
    inputs = {
        "charge": case.part("regulator.stage.gate_charge", "C"),
        "voltage": case.part("regulator.stage.gate_voltage", "V"),
        "frequency": _given(case, "switching_frequency"),
    }

    def power(charge, voltage, frequency):
        return count * (physics.gate_loss(charge, voltage, frequency) + at_rest) + controller

    return case.derive(power, "W", inputs)


def _drive_note(case: Case) -> str:
    regulator = case.bench.regulator
    unstated = [name for name, value in (("controller power", regulator.controller_power),
                                         ("quiescent power of the stages", regulator.stage.quiescent_power))
                if value is None]  # fmt: skip
    return f"{' and '.join(unstated)} not stated, taken as 0 W" if unstated else ""


# ---- runaway --------------------------------------------------------------------------------------------------------


def _loop_gain(case: Case) -> Value:
    """Return how many kelvin one kelvin more brings: as predicted, else from the part data and the rise measured."""
    known = case.state.quantities.get("loop_gain")
    if known is not None:
        return known
    names = ("rail_current", "thermal_resistance", "settled_regulator_temperature", "rail_voltage", "input_voltage")
    inputs = {name: _given(case, name) for name in names}
    for name, path, unit in (("high", "high_side_resistance", "Ohm"), ("low", "low_side_resistance", "Ohm"),
                             ("growth", "resistance_temperature_coefficient", "1/K")):  # fmt: skip
        inputs[name] = case.part(f"regulator.stage.{path}", unit)
    inputs["winding"] = case.part_or("regulator.inductor.resistance", "Ohm", 0.0)

    def gain(rail_current, thermal_resistance, settled_regulator_temperature, rail_voltage, input_voltage, high, low,
             growth, winding):  # fmt: skip
        duty = physics.duty_ideal(input_voltage, rail_voltage)
        switches = (duty * high + (1.0 - duty) * low) / case.stages
        copper = physics.copper_coefficient()
        more = growth * switches + copper * winding  # [Ohm/K] of one phase
        return np.maximum(thermal_resistance, 0.0) * rail_current**2 / case.phases * more

    del inputs["settled_regulator_temperature"]
    return case.derive(lambda **given: gain(settled_regulator_temperature=None, **given), "1", inputs)


RULES = (
    Rule("end of the fan's map", "coolant_temperature", "degC", "physics",
         "coolant temperature at which the fan turns as fast as it can: above it the radiator is saturated",
         (), ("coolant_temperature",), ("cooling.fan_map",), "T_coolant <= last point of the map", "the fan's map",
         lambda case: _given(case, "coolant_temperature"), lambda case: float(case.stated("cooling.fan_map")[-1][0]),
         applies=_fan_map),
    Rule("connector temperature limit", "connector_temperature", "degC", "rating",
         "temperature of the hottest connector sensor against what housing and contacts bear",
         (), ("connector_temperature",), ("board.connector.temperature_limit",), "T <= T_limit",
         "connector data sheet", lambda case: _given(case, "connector_temperature"),
         lambda case: float(case.item.temperature_limit), table="board.connector"),
    Rule("cable insulation", "wire_temperature", "degC", "rating",
         "temperature of the supply wires in the air around them against what their insulation bears",
         ("board.connector.wire_gauge",), ("input_current", "ambient_temperature"),
         ("board.connector.wire_temperature_limit",), "T_air + I^2 R' / (h pi d), R' at the wire's temperature",
         "heat balance of a round wire; ASTM B258, IEC 60028; h common practice, no source",
         _wire_temperature, lambda case: float(case.item.wire_temperature_limit), table="board.connector",
         note=_wire_note),
    Rule("board copper", "copper_current", "A", "standard",
         "current through a copper run against what heats it by the rise allowed",
         ("board.copper.width", "board.copper.thickness"), (), ("board.copper.rise_limit",),
         "I <= layers k dT^0.44 A^0.725, A in mil^2, k 0.048 outer, 0.024 inner", "curve fit of IPC-2221",
         _copper_current, _copper_bound, table="board.copper", note=_copper_note),
    Rule("supply of drivers and controller", "drive_power", "W", "rating",
         "what gate drivers and controller draw against what their supply bears",
         ("regulator.stage.gate_charge", "regulator.stage.gate_voltage"), ("switching_frequency",),
         ("regulator.drive_power_limit",), "N k (Q_g V_g f + P_rest) + P_controller",
         "data sheet LM2743, efficiency section", drive_power,
         lambda case: float(case.stated("regulator.drive_power_limit")), note=_drive_note),
    Rule("thermal runaway", "loop_gain", "1", "physics",
         "kelvin that one kelvin more brings: from 1 on, loss and temperature run away from each other",
         ("regulator.stage.high_side_resistance", "regulator.stage.low_side_resistance",
          "regulator.stage.resistance_temperature_coefficient"),
         ("rail_current", "thermal_resistance", "rail_voltage"), (), "R_th dP/dT < 1, dP/dT = I^2 / N dr/dT",
         "closed form of the linear loop of loss and temperature", _loop_gain, lambda case: 1.0),
)  # fmt: skip
