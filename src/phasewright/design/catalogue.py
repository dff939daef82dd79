"""Reads the catalogue of parts: one TOML file, or a folder with one CSV table for each kind, or both."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from phasewright.bench import BenchFault, CapacitorBank, Connector, Fault, Inductor, Stage
from phasewright.design.records import Catalogue, Controller, Cooler, Part
from phasewright.design.tables import Key, Reading, parse_csv, parse_toml, read_text, take_table

__all__ = ["CATALOGUE_FILE", "CATALOGUE_FOLDER", "KEYS", "read_catalogue"]

CATALOGUE_FILE, CATALOGUE_FOLDER = "catalogue.toml", "catalogue"
FORMAT = "phasewright-catalogue-1"

_COMMON = {
    "name": Key("text", required=True, example='"60 A stage"'),
    "price": Key("price", required=True, example='"1.20 EUR"'),
    "area": Key("m2", 0.0, 1.0, example='"30 mm2"'),
    "source": Key("text"),
}
TOLERANCE = 0.20
"""[1] Of inductance and capacitance where the catalogue states none; common practice, no source."""


def _q(unit: str, low: float, high: float, required: bool = False, example: str = "") -> Key:
    return Key(unit, low, high, required, example)


KEYS: dict[str, dict[str, Key]] = {
    "stage": _COMMON | {
        "current_rating": _q("A", 0.1, 1000, True, '"60 A"'),
        "peak_current_rating": _q("A", 0.1, 2000, True, '"90 A"'),
        "temperature_limit": _q("degC", 20, 300, True, '"150 degC"'),
        "high_side_resistance": _q("Ohm", 1e-5, 1, True, '"4.2 mOhm"'),
        "low_side_resistance": _q("Ohm", 1e-5, 1, True, '"1.1 mOhm"'),
        "resistance_temperature_coefficient": _q("1/K", 0, 0.05, False, '"0.4 %/K"'),
        "rise_time": _q("s", 0, 1e-6), "fall_time": _q("s", 0, 1e-6), "dead_time": _q("s", 0, 1e-6),
        "diode_voltage": _q("V", 0, 5), "gate_charge": _q("C", 0, 1e-6), "gate_voltage": _q("V", 1, 20),
        "output_charge": _q("C", 0, 1e-6), "recovery_charge": _q("C", 0, 1e-6), "quiescent_power": _q("W", 0, 10),
        "thermal_resistance": _q("K/W", 0, 100), "derating": Key("curve"),
        "rated_life": _q("s", 3600, 1e10), "rated_life_temperature": _q("degC", 20, 300),
        "activation_energy_ev": Key("1", 0.1, 3.0), "rated_cycles": Key("count", 1, 10**9),
        "rated_swing": _q("K", 1, 300), "cycle_exponent": Key("1", 0.5, 10),
    },
    "inductor": _COMMON | {
        "inductance": _q("H", 1e-9, 1e-4, True, '"150 nH"'), "resistance": _q("Ohm", 1e-6, 1, True, '"0.29 mOhm"'),
        "saturation_current": _q("A", 0.1, 2000, True, '"80 A"'),
        "current_rating": _q("A", 0.1, 1000, True, '"55 A"'), "temperature_limit": _q("degC", 20, 300),
        "core_loss": _q("W", 0, 50), "tolerance": Key("1", 0, 0.9),
    },
    "capacitor": _COMMON | {
        "use": Key("one of:both,input,output"), "most": Key("count", 1, 200, example="12"),
        "kind": Key("one of:polymer,electrolytic,ceramic"),
        "capacitance": _q("F", 1e-9, 1, True, '"560 uF"'), "resistance": _q("Ohm", 1e-6, 10, True, '"5 mOhm"'),
        "current_rating": _q("A", 0.01, 1000, True, '"5 A"'), "temperature_limit": _q("degC", 20, 300),
        "life": _q("s", 3600, 1e10), "tolerance": Key("1", 0, 0.9), "thermal_resistance": _q("K/W", 0, 1000),
    },
    "controller": _COMMON | {
        "phase_limit": Key("count", 1, 64, True, "12"), "controller_power": _q("W", 0, 50, True, '"0.5 W"'),
        "sharing_error": Key("1", 0, 1, True, '"8 %"'), "response_delay": _q("s", 0, 1e-3, True, '"0.3 us"'),
        "drive_power_limit": _q("W", 0.01, 1000),
    },
    "cooler": _COMMON | {
        "plate_resistance": _q("K/W", 1e-4, 100, True, '"0.06 K/W"'),
        "pad_resistance": _q("K/W", 1e-3, 100, True, '"2.5 K/W"'),
        "coolant": Key("one of:air,liquid"), "fan_power": _q("W", 0, 500),
    },
    "connector": _COMMON | {
        "most": Key("count", 1, 16), "contact_count": Key("count", 1, 64, True, "4"),
        "contact_rating": _q("A", 0.1, 200, True, '"8 A"'), "contact_resistance": _q("Ohm", 0, 1),
        "temperature_limit": _q("degC", 20, 300), "wire_gauge": Key("count", 4, 30), "wire_count": Key("count", 1, 64),
        "wire_length": _q("m", 1e-3, 10), "wire_temperature_limit": _q("degC", 20, 300),
    },
}  # fmt: skip
"""What each table of a catalogue takes."""
_HEAD = {
    "format": Key(f"one of:{FORMAT}", required=True, example=f'"{FORMAT}"'),
    "currency": Key("text", required=True, example='"EUR"'),
    "simulated": Key("flag"),
    "notes": Key("text"),
}
_FIGURES: dict[str, Any] = {"stage": Stage, "inductor": Inductor, "capacitor": CapacitorBank, "controller": Controller,
                            "cooler": Cooler, "connector": Connector}  # fmt: skip


def read_catalogue(folder: str | Path) -> Catalogue:
    """Return the catalogue of a folder: its catalogue.toml, and the tables catalogue/KIND.csv beside it.

    Raises
    ------
    BenchFault
        With every fault of all its files.
    """
    base = Path(folder)
    file = base if base.suffix == ".toml" else base / CATALOGUE_FILE
    reading = Reading(file.name)
    text = read_text(file, reading)
    raw = parse_toml(text, reading) if text is not None else None
    faults = reading.faults
    head: dict[str, Any] = {}
    found: dict[str, list[Part]] = {kind: [] for kind in KEYS}
    rates: dict[str, float] = {}
    files = {file.name: reading.fingerprint}
    if raw is not None:
        top = {key: value for key, value in raw.items() if key not in KEYS and key != "exchange"}
        head = take_table(top, _HEAD, ("", -1), reading, "", {})
        rates = _rates(raw.get("exchange", {}), reading)
        for kind in KEYS:
            rows = raw.get(kind, [])
            if not isinstance(rows, list):
                reading.add((kind, -1, ""), f"{kind} stands in single brackets", f"write [[{kind}]]")
                continue
            found[kind] += _parts(kind, rows, reading, str(head.get("currency", "")), rates)
    for kind in KEYS:
        table = file.parent / CATALOGUE_FOLDER / f"{kind}.csv"
        if not table.is_file():
            continue
        own = Reading(f"{CATALOGUE_FOLDER}/{kind}.csv")
        said = read_text(table, own)
        rows = parse_csv(said, kind, own) if said is not None else []
        found[kind] += _parts(kind, rows, own, str(head.get("currency", "")), rates)
        files[own.file] = own.fingerprint
        faults = [*faults, *own.faults]
    if raw is not None:
        faults = [*faults, *_whole(found, file.name)]
    if faults:
        raise BenchFault(sorted(faults, key=lambda fault: (fault.file, fault.line or 0)))
    parts = {kind: tuple(found[kind]) for kind in KEYS}
    return Catalogue(head["currency"], simulated=head.get("simulated", False), notes=head.get("notes", ""),
                     files=MappingProxyType(files), **parts)  # fmt: skip


def _rates(raw: Any, reading: Reading) -> dict[str, float]:
    rates = {}
    if not isinstance(raw, Mapping):
        reading.add(("exchange", -1, ""), "exchange is no table", "write [exchange] and USD = 0.92 below it")
        return {}
    for name, value in raw.items():
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e6:
            reading.add(("exchange", -1, name), f"{value} is no rate", "write what one of it costs, e.g. USD = 0.92")
        else:
            rates[name] = float(value)
    return rates


def _parts(kind: str, rows: list, reading: Reading, currency: str, rates: Mapping[str, float]) -> list[Part]:
    found: list[Part] = []
    for index, row in enumerate(rows):
        before = len(reading.faults)
        given = take_table(row, KEYS[kind], (kind, index), reading, currency, rates)
        if len(reading.faults) > before:
            continue
        _together(kind, given, (kind, index), reading)
        own = {item.name for item in dataclasses.fields(_FIGURES[kind])}
        if kind == "connector":
            given.setdefault("most", 4)
        if kind in ("inductor", "capacitor"):
            given.setdefault("tolerance", TOLERANCE)
        figures = _FIGURES[kind](**{key: value for key, value in given.items() if key in own})
        more = {key: given[key] for key in ("area", "use", "most") if key in given}
        found.append(Part(kind, given["name"], given["price"], figures, **more))
    return found


def _together(kind: str, given: Mapping[str, Any], place: tuple[str, int], reading: Reading) -> None:
    """Note what does not go together within one part."""
    rating, peak = given.get("current_rating", 0.0), given.get("peak_current_rating", math.inf)
    if kind == "stage" and peak < rating:
        reading.add((*place, "peak_current_rating"), f"peak_current_rating {peak:g} A is below current_rating "
                    f"{rating:g} A", "exchange or mend them")  # fmt: skip
    if kind == "capacitor" and given.get("life") is not None and given.get("temperature_limit") is None:
        reading.add((*place, "life"), "a life is stated without its temperature", "add temperature_limit")
    if kind == "capacitor" and given.get("life") is not None and not given.get("kind"):
        reading.add((*place, "kind"), "a life is stated, but not the kind, whose law of wear it takes", 'add kind = "polymer"')


def _whole(found: Mapping[str, list[Part]], file: str) -> list[Fault]:
    """Return what is wrong with the catalogue as a whole."""
    faults = []
    for kind, parts in found.items():
        if not parts:
            faults.append(Fault(file, f"no {kind} in the catalogue", f"add [[{kind}]] or catalogue/{kind}.csv", path=kind))
        names = [item.name for item in parts]
        for name in sorted({name for name in names if names.count(name) > 1}):
            faults.append(Fault(file, f"two parts are called {name}", "give each its own name", path=kind))
    for use in ("input", "output"):
        if found["capacitor"] and not any(item.use in (use, "both") for item in found["capacitor"]):
            faults.append(Fault(file, f"no capacitor for the {use}", f'add one with use = "{use}"', path="capacitor"))
    return faults
