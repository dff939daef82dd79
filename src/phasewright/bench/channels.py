"""Channels: the named physical quantities that logs are mapped to, with their unit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Channel:
    """A named physical quantity. `unit` is SI (degC for temperatures, 1 for ratios and counts)."""

    name: str
    unit: str
    title: str
    meaning: str


_TABLE = (
    ("input_power", "W", "Input power", "electrical power at the board's 12 V processor inputs, where the meter sits"),
    ("input_voltage", "V", "Input voltage", "voltage at the board's 12 V processor inputs"),
    ("input_current", "A", "Input current", "current into the board's 12 V processor inputs"),
    ("input_energy", "J", "Input energy", "running energy counter at the 12 V processor inputs"),
    ("package_power", "W", "Package power", "power that the processor reports for the whole package, all rails"),
    ("package_energy", "J", "Package energy", "running energy counter that the processor reports"),
    ("rail_current", "A", "Rail current", "output current of the regulator under test"),
    ("rail_voltage", "V", "Rail voltage", "output voltage of the regulator under test"),
    ("rail_power", "W", "Rail power", "output voltage x output current of the regulator under test"),
    ("regulator_temperature", "degC", "Regulator temperature", "temperature at or next to the power stages"),
    ("inductor_temperature", "degC", "Inductor temperature", "temperature of the output inductors"),
    ("board_temperature", "degC", "Board temperature", "temperature of the circuit board near the regulator"),
    ("connector_temperature", "degC", "Connector temperature", "temperature of the input connector"),
    ("coolant_temperature", "degC", "Coolant temperature", "temperature of the liquid or air that takes the heat"),
    ("processor_temperature", "degC", "Processor temperature", "temperature that the processor reports"),
    ("ambient_temperature", "degC", "Ambient temperature", "temperature of the room air"),
    ("phase_count", "1", "Phase count", "number of phases that carry current"),
    ("fan_duty", "1", "Fan duty", "commanded fan duty, 0 to 1"),
    ("fan_speed", "Hz", "Fan speed", "fan revolutions per second"),
    ("pump_duty", "1", "Pump duty", "commanded pump duty, 0 to 1"),
    ("coolant_flow", "m3/s", "Coolant flow", "volume flow of the coolant"),
    ("processor_clock", "Hz", "Processor clock", "clock that the processor reports"),
    ("switching_frequency", "Hz", "Switching frequency", "switching frequency per phase"),
    ("protection_active", "1", "Protection active", "1 while any protection or power limit holds the setting back"),
    ("error_count", "1", "Error count", "errors that the load has reported so far"),
)

CHANNELS: dict[str, Channel] = {row[0]: Channel(*row) for row in _TABLE}
"""Every base channel by name. A second sensor of the same kind is `name.label` (`rail_current.phase_1`)."""


def base_channel(name: str) -> Channel:
    """Return the base channel of `name` (``rail_current.phase_1`` -> rail_current); KeyError if unknown."""
    return CHANNELS[name.partition(".")[0]]
