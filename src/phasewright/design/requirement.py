"""Reads what is required: requirement.toml, with what the bench states where it is silent."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from phasewright.bench import Bench, BenchFault
from phasewright.design.records import Requirement
from phasewright.design.tables import Key, Reading, parse_toml, read_text, take_table

__all__ = ["REQUIREMENT_FILE", "REQUIREMENT_KEYS", "read_requirement"]

REQUIREMENT_FILE = "requirement.toml"
FORMAT = "phasewright-requirement-1"

REQUIREMENT_KEYS: dict[str, dict[str, Key]] = {
    "": {
        "format": Key(f"one of:{FORMAT}", required=True, example=f'"{FORMAT}"'),
        "name": Key("text", required=True, example='"what the next board must do"'),
        "simulated": Key("flag"),
    },
    "load": {
        "rail_voltage": Key("V", 0.2, 10.0, True, '"1.15 V"'),
        "rail_current": Key("A", 1.0, 5000.0, True, '"250 A"'),
        "rail_current_peak": Key("A", 1.0, 5000.0, example='"300 A"'),
        "load_step": Key("A", 0.1, 5000.0), "load_slew": Key("A/s", 1.0, 1e12),
        "load_line": Key("Ohm", 0.0, 0.1), "tolerance_band": Key("V", 1e-4, 1.0), "settling_time": Key("s", 1e-8, 1.0),
        "ripple_limit": Key("V", 1e-4, 1.0), "input_voltage": Key("V", 1.0, 100.0),
    },
    "surroundings": {
        "coolant": Key("one of:air,liquid"), "coolant_temperature": Key("degC", -40, 120, True, '"32 degC"'),
        "ambient_temperature": Key("degC", -40, 100), "temperature_limit": Key("degC", 20, 300),
        "service_life": Key("s", 3600, 1e10), "cycles_per_day": Key("1", 0.001, 1e5), "board_area": Key("m2", 1e-6, 10),
    },
    "search": {
        "confidence": Key("1", 0.5, 0.9999), "least_chance": Key("1", 0.5, 0.9999),
        "phase_count": Key("counts", 1, 64, example="[4, 16]"),
        "switching_frequency": Key("list:Hz", 1e4, 1e7, example='["400 kHz", "600 kHz"]'),
        "temperature_step": Key("K", 1e-6, 50.0), "loss_step": Key("W", 1e-6, 100.0), "chance_step": Key("1", 1e-4, 0.5),
    },
    "cost": {
        "hours_per_year": Key("1", 0.0, 8784.0), "years": Key("1", 0.0, 50.0), "price": Key("energy price"),
    },
}  # fmt: skip
"""Tables and keys of requirement.toml."""


def read_requirement(folder: str | Path, bench: Bench | None = None, *, currency: str = "EUR") -> Requirement:
    """Return what the requirement.toml of a folder asks for; load line, band and life are the bench's where it is silent.

    Prices are in `currency`, that of the catalogue.

    Raises
    ------
    BenchFault
        With every fault of the file.
    """
    base = Path(folder)
    file = base if base.suffix == ".toml" else base / REQUIREMENT_FILE
    reading = Reading(file.name)
    text = read_text(file, reading)
    raw = parse_toml(text, reading) if text is not None else None
    given: dict[str, Any] = {}
    if raw is not None:
        top = {key: value for key, value in raw.items() if key not in REQUIREMENT_KEYS or key == ""}
        given |= take_table(top, REQUIREMENT_KEYS[""], ("", -1), reading, currency, {})
        for table, keys in REQUIREMENT_KEYS.items():
            if table:
                given |= take_table(raw.get(table, {}), keys, (table, -1), reading, currency, {})
        _together(given, reading)
    if reading.faults:
        raise BenchFault(sorted(reading.faults, key=lambda fault: fault.line or 0))
    given.pop("format")
    given["phase_count_range"] = given.pop("phase_count", (2, 16))
    if "switching_frequency" in given:
        given["switching_frequency"] = tuple(sorted(set(given["switching_frequency"])))
    for name, value in _of_bench(bench).items():
        if value is not None:
            given.setdefault(name, value)
    given.setdefault("rail_current_peak", given["rail_current"])
    return Requirement(**given, file=file.name, fingerprint=reading.fingerprint)


def _of_bench(bench: Bench | None) -> dict[str, Any]:
    """Return what the bench says where the requirement is silent."""
    if bench is None:
        return {}
    regulator, board, processor = bench.regulator, bench.board, bench.processor
    return {
        "coolant": bench.cooling.coolant, "input_voltage": board.input_voltage, "load_step": processor.load_step,
        "load_slew": processor.load_slew, "load_line": regulator.load_line,
        "tolerance_band": regulator.tolerance_band, "settling_time": regulator.settling_time,
        "ripple_limit": regulator.ripple_limit, "service_life": board.service_life,
        "cycles_per_day": board.cycles_per_day,
        "temperature_limit": regulator.protection.temperature_warning,
    }  # fmt: skip


def _together(given: dict[str, Any], reading: Reading) -> None:
    """Note what does not go together."""
    current, peak = given.get("rail_current"), given.get("rail_current_peak")
    if current is not None and peak is not None and peak < current:
        reading.add(("load", -1, "rail_current_peak"), f"the peak of {peak:g} A is below the continuous {current:g} A",
                    "exchange or mend them")  # fmt: skip
    voltage, supply = given.get("rail_voltage"), given.get("input_voltage", 12.0)
    if voltage is not None and voltage >= supply:
        reading.add(("load", -1, "rail_voltage"), f"{voltage:g} V is not below the input's {supply:g} V",
                    "a buck regulator steps down; write the output voltage")  # fmt: skip
    confidence, least = given.get("confidence", 0.95), given.get("least_chance", 0.5)
    if least > confidence:
        reading.add(("search", -1, "least_chance"), f"least_chance = {least:g} is above confidence = {confidence:g}",
                    "write a lower one")  # fmt: skip
