"""One state on one bench: where a limit finds its figures, with their uncertainty, and what to add where it does not."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from phasewright.bench import Bench, example_line
from phasewright.limits.records import NotComputable, State
from phasewright.quantity import Part, Value, value_from_parts

BOUNDS = {
    "regulator.inductor.inductance": 0.20,
    "regulator.inductor.resistance": 0.10,
    "regulator.output_capacitors.capacitance": 0.20,
    "regulator.output_capacitors.resistance": 0.30,
    "regulator.input_capacitors.capacitance": 0.20,
    "regulator.input_capacitors.resistance": 0.30,
    "regulator.stage.high_side_resistance": 0.20,
    "regulator.stage.low_side_resistance": 0.20,
    "regulator.stage.resistance_temperature_coefficient": 0.20,
    "regulator.stage.gate_charge": 0.20,
    "regulator.switching_frequency": 0.05,
    "regulator.load_line": 0.05,
    "regulator.response_delay": 0.50,
}
"""Relative bound of a part's figure where the bench states no tolerance; common practice, no source."""
TOLERANCES = {
    "regulator.inductor.inductance": "regulator.inductor.tolerance",
    "regulator.output_capacitors.capacitance": "regulator.output_capacitors.tolerance",
    "regulator.input_capacitors.capacitance": "regulator.input_capacitors.tolerance",
}
"""Where the bench states the tolerance of a figure."""
SHARING = 0.20
"""Bound of the sharing error where the bench states none: it lies anywhere between 0 and this; common practice."""
INPUT_BOUND = 0.05
"""Relative bound of the nominal 12 V where the input voltage is not measured (ATX supplies, from memory)."""
CHANNEL_LINE = 'map a column to it in campaign.toml: [log.channels] {0} = "COLUMN"'


def exact(value: float, unit: str) -> Value:
    """Return a number that counts as exact."""
    return value_from_parts(value, unit, (), kind="set")


@dataclass(slots=True)
class Case:
    """One state on one bench, for one connector or copper run where a limit is about each of them."""

    bench: Bench
    state: State
    table: str = ""
    """Of `item`, e.g. ``board.connector``."""
    item: Any = None
    figures: dict[str, Value] = field(default_factory=dict)
    """What was worked out already, by name."""

    # ---- what the bench states ----------------------------------------------------------------------------------

    def stated(self, path: str) -> Any:
        """Return what the bench states at `path`, None where it is silent."""
        if self.item is not None and path.startswith(f"{self.table}."):
            found = getattr(self.item, path.rpartition(".")[2])
        else:
            found = self.bench
            for name in path.split("."):
                found = getattr(found, name)
        return None if found in ("", ()) else found

    def part(self, path: str, unit: str) -> Value:
        """Return a part's figure [unit] with the spread of its tolerance; KeyError where the bench is silent."""
        number = self.stated(path)
        if number is None:
            raise KeyError(path)
        stated = self.stated(TOLERANCES[path]) if path in TOLERANCES else None
        bound = (BOUNDS.get(path, 0.0) if stated is None else stated) * abs(number)
        parts = [Part(f"bench/{path}", bound / math.sqrt(3.0), "rectangular")] if bound else []
        return value_from_parts(number, unit, parts, kind="set")

    def part_or(self, path: str, unit: str, otherwise: float) -> Value:
        """Return a part's figure, or an exact stand-in where the bench is silent."""
        return exact(otherwise, unit) if self.stated(path) is None else self.part(path, unit)

    # ---- what is known of the state -----------------------------------------------------------------------------

    @property
    def phases(self) -> float:
        """Phases in use, whole."""
        known = self.state.quantities.get("phase_count")
        number = self.state.settings.get("phase_count", self.bench.regulator.phase_count)
        return float(max(1, round(known.value if known is not None else float(number))))

    @property
    def stages(self) -> float:
        """Power stages in each phase."""
        return float(self.bench.regulator.stages_per_phase)

    def quantity(self, name: str) -> Value | None:
        """Return a figure of the state, or what stands in for it; None where nothing does."""
        found = self.state.quantities.get(name)
        if found is not None:
            return found
        stand_in = _STAND_INS.get(name)
        return stand_in(self) if stand_in is not None else None

    def lack(self, name: str) -> NotComputable:
        """Return why a figure of the state is not known, and the line to add."""
        known = self.state.missing.get(name)
        if known is not None:
            return known
        if name in ("rail_voltage", "switching_frequency"):
            return NotComputable(name, f"no {words(name)}", example_line(f"regulator.{name}"))
        return NotComputable(name, f"no {words(name)}", CHANNEL_LINE.format(name))

    def sharing(self) -> Value:
        """Return the relative excess of the fullest phase over the mean: as stated, else anywhere up to a bound."""
        if self.bench.regulator.sharing_error is not None:
            return exact(self.bench.regulator.sharing_error, "1")
        spread = Part("bench/regulator.sharing_error", 0.5 * SHARING / math.sqrt(3.0), "rectangular")
        return value_from_parts(0.5 * SHARING, "1", (spread,), kind="assumed")

    # ---- working out ----------------------------------------------------------------------------------------------

    def derive(self, function: Callable[..., Any], unit: str, inputs: Mapping[str, Value]) -> Value:
        """Return function(**inputs) [unit] with the uncertainty that the inputs give it.

        GUM 5.1.3, note 2: the effect of each input is half the difference of the results one standard uncertainty
        above and below, which also tells of kinks within the uncertainty. All are worked out in one call on arrays,
        the first entry being the values themselves. ValueError where the function is not finite at the values.
        """
        moved = [name for name, item in inputs.items() if item.u]
        columns = {}
        for name, item in inputs.items():
            column = np.full(1 + 2 * len(moved), item.value)
            if item.u:
                at = moved.index(name)
                column[1 + at] += item.u
                column[1 + len(moved) + at] -= item.u
            columns[name] = column
        result = np.broadcast_to(np.asarray(function(**columns), dtype=float), (1 + 2 * len(moved),))
        value = float(result[0])
        if not math.isfinite(value):
            at = ", ".join(f"{name} = {item.value:g}" for name, item in inputs.items())
            raise ValueError(f"no finite result at {at}")
        unknown = [f"{words(name)}: {item.reason or 'no reason given'}" for name, item in inputs.items()
                   if item.u is None]  # fmt: skip
        if unknown:
            return Value(value, unit, kind="derived", reason="uncertainty unknown of " + "; ".join(unknown))
        effect = 0.5 * (result[1 : 1 + len(moved)] - result[1 + len(moved) :])
        if not np.all(np.isfinite(effect)):
            return Value(value, unit, kind="derived", reason="no finite result next to the figures it is made from")
        parts: list[Part] = []
        for at, name in enumerate(moved):
            item = inputs[name]
            slope = float(effect[at]) / item.u
            parts += [Part(part.source, slope * part.contribution, part.shape, part.dof) for part in item.parts]
        return value_from_parts(value, unit, parts)


def words(name: str) -> str:
    """Return a name as words."""
    return name.replace("_", " ")


def _rail_voltage(case: Case) -> Value | None:
    known = case.state.settings.get("rail_voltage", case.bench.regulator.rail_voltage)
    return None if known is None else exact(float(known), "V")


def _input_voltage(case: Case) -> Value:
    nominal = case.bench.board.input_voltage
    part = Part("bench/board.input_voltage", nominal * INPUT_BOUND / math.sqrt(3.0), "rectangular")
    return value_from_parts(nominal, "V", (part,), kind="assumed")


def _frequency(case: Case) -> Value | None:
    if "switching_frequency" in case.state.settings:
        return exact(float(case.state.settings["switching_frequency"]), "Hz")
    if case.bench.regulator.switching_frequency is None:
        return None
    return case.part("regulator.switching_frequency", "Hz")


def _rail_peak(case: Case) -> Value | None:
    return case.state.quantities.get("rail_current")


def _board(case: Case) -> Value | None:
    """Without a sensor on the board, the regulator's own is the hottest thing next to the capacitors."""
    return _settled(case, "board_temperature") or _settled(case, "regulator_temperature")


def _settled(case: Case, name: str) -> Value | None:
    return case.state.quantities.get(f"{name}_settled") or case.state.quantities.get(name)


_STAND_INS: dict[str, Callable[[Case], Value | None]] = {
    "rail_voltage": _rail_voltage,
    "input_voltage": _input_voltage,
    "switching_frequency": _frequency,
    "rail_current_peak": _rail_peak,
    "capacitor_surroundings": _board,
    "settled_regulator_temperature": lambda case: _settled(case, "regulator_temperature"),
}
