"""What is believed of a bench before anything is measured: every parameter with its spread, from part data."""

from __future__ import annotations

import math
from collections.abc import Iterator
from types import MappingProxyType

from phasewright import physics
from phasewright.bench import Accuracy, Bench
from phasewright.model.causes import (
    COPPER_COEFFICIENT,
    WINDING_WARMTH,
    Cause,
    causes_of,
    coefficient_of,
    nominal_rail_voltage,
)
from phasewright.model.records import Belief, Prior

__all__ = ["prior_of"]

SYMBOLS = {
    "board_loss": ("c0", "W"),
    "phase_loss": ("a", "W"),
    "proportional_loss": ("b", "V"),
    "phase_resistance": ("r", "Ohm"),
    "path_resistance": ("r_path", "Ohm"),
}

# Thermal stand-ins: (value, standard deviation of the logarithm). Common practice, no source.
JUNCTION = (1.2, 0.35)
"""[K/W] Junction to case top of one stage."""
PAD = (2.5, 0.5)
"""[K/W] Pad or paste of one stage."""
BOARD_PATH = (7.0, 0.45)
"""[K/W] From one stage through copper, board and inductor to the plate: in parallel with the pad."""
PLATE = {"liquid": (0.08, 0.6), "air": (0.35, 0.5)}
"""[K/W] Whole plate or heatsink to coolant or air."""
THROUGH_PLATE, PLATE_SPREAD = 0.6, 0.45
"""[1] What of the heat goes through the plate, the rest leaving by board, screws and air; and the standard deviation of
the logarithm."""
CROWDING = (0.35, 0.35)
"""[1] How much more a stage warms in the midst of others that are on than alone."""
STATED_SPREAD = 0.12
"""[1] Of a stated thermal resistance."""
COUPLING = {"liquid": (0.011, 0.7), "air": (0.035, 0.6)}
"""[K/W] Rise of the regulator by one watt of the package: a processor's own cooler lets it get warmer in air."""
INDUCTOR_SHARE = (-0.4, 0.8)
"""[1] (centre and spread of the logit) How much of an inductor's heat warms the stage beside it like its own."""
SHARES = {
    "quick_share": ("f_quick", 0.5, 0.7),
    "late_share": ("f_late", 0.3, 0.9),
    "plate_share": ("f_plate", -1.0, 1.0),
    "package_share": ("f_package", -1.8, 1.0),
}
"""[1] (symbol, centre and spread of the logit) Of R_stage: what warms at once, with silicon and sensor; of the rest of
it: what warms with the plate. Of plate and package: what warms as soon as the copper of the stage does."""
FAN = {"plate_fan": ("m_plate", -0.8, 1.0), "package_fan": ("m_couple", -0.4, 1.0)}
"""(symbol, centre and spread of the logit of its share of `TURBULENT`) Powers by which the way from plate and from package
to the coolant shortens with the duty of fan or pump; common practice, no source."""
TURBULENT = 0.8
"""[1] Power of the speed of a turbulent flow in its heat transfer; the whole resistance cannot follow it more closely."""
TIMES = {
    "quick_time": (3.5, 0.5), "stage_time": (25.0, 0.5), "plate_time": (95.0, 0.45), "package_time": (130.0, 0.5)
}
"""[s]"""

OTHER_POWER = (12.0, 0.6)
"""[W] What else hangs on the processor's inputs of a board."""
SUPPLY_RESISTANCE = (2.0e-3, 0.5)
"""[Ohm]"""
LOAD_LINE = (0.2e-3, 0.8)
"""[Ohm]"""
PEAK_EXCESS = (0.12, 0.45)
"""[1] Greatest over mean current of a held load, less one."""

DIVISOR = {"limit": math.sqrt(3.0), "standard": 1.0, "expanded": 2.0}
UNSTATED = {
    "input_power": (0.01, 0.5),
    "package_power": (0.03, 1.0),
    "rail_current": (0.04, 1.0),
    "rail_voltage": (0.005, 0.0),
    "regulator_temperature": (0.0, 2.0),
    "coolant_temperature": (0.0, 0.5),
}
"""Standard uncertainty of gain [1] and offset [unit of the channel] where no instrument states one; package power as
in the design (section 5), the rest common practice, no source."""


def prior_of(bench: Bench) -> Prior:
    """Return what part data say of every parameter of the model, with honest spreads.

    Where the bench is silent a wide default stands in, and `notes` says which line of bench.toml would narrow it.
    """
    causes, silences = causes_of(bench)
    notes = [f"{item.what} is not stated: {item.stand_in} taken, with a wide spread - {item.mend}" for item in silences]
    beliefs = (
        *_losses(bench, causes, {item.what for item in silences}),
        *_heat(bench, notes),
        *_surroundings(bench, notes),
        *_telemetry(bench, notes),
    )
    return Prior(bench, tuple(beliefs), tuple(notes), _stage_shares(causes))


def _stage_shares(causes: tuple[Cause, ...]) -> MappingProxyType:
    def share(term: str) -> float:
        own = [item for item in causes if item.term == term]
        return math.fsum(item.value for item in own if item.in_stage) / math.fsum(item.value for item in own)

    return MappingProxyType(
        {"stage_fixed_share": share("phase_loss"), "stage_resistance_share": share("phase_resistance")}
    )


def _losses(bench: Bench, causes: tuple[Cause, ...], silent: set[str]) -> Iterator[Belief]:
    for term, (symbol, unit) in SYMBOLS.items():
        own = [item for item in causes if item.term == term]
        total = math.fsum(item.value for item in own)
        # Log-normal parts, taken as independent: the relative spread of their sum.
        spread = math.sqrt(math.fsum((item.value * item.spread) ** 2 for item in own)) / total
        basis = ", ".join(dict.fromkeys(item.name for item in own))
        yield Belief(term, symbol, unit, total, max(spread, 0.06), basis=f"sum of {basis}", stated=not silent)
    shared = [item for item in causes if item.term == "phase_resistance"]
    growth = math.fsum(item.value * item.growth for item in shared) / math.fsum(item.value for item in shared)
    _, spread = coefficient_of(bench)
    stated = bench.regulator.stage.resistance_temperature_coefficient is not None
    copper = f"copper at {COPPER_COEFFICIENT} 1/K x {WINDING_WARMTH}"
    basis = f"stage, {copper}, edges that do not grow with temperature, each by its share of the resistance"
    yield Belief("resistance_coefficient", "alpha", "1/K", growth, max(spread, 0.12), basis=basis, stated=stated)


def _heat(bench: Bench, notes: list[str]) -> Iterator[Belief]:
    stage, chain = bench.regulator.stage, bench.cooling.chain
    junction = (stage.thermal_resistance, STATED_SPREAD) if stage.thermal_resistance is not None else JUNCTION
    if stage.thermal_resistance is None:
        _silent(notes, "thermal resistance of a stage", f"{JUNCTION[0]} K/W", 'state thermal_resistance = "... K/W"')
    own = [item.resistance for item in chain if not item.shared and item.resistance is not None]
    pad = (math.fsum(own), STATED_SPREAD) if own else PAD
    if not own:
        _silent(
            notes, "pad between stage and plate", f"{PAD[0]} K/W", "add it to [[cooling.chain]] with shared = false"
        )
    series = float(physics.series_thermal([junction[0], pad[0]]))
    series_u = math.hypot(junction[0] * junction[1], pad[0] * pad[1]) / series
    through = float(physics.parallel_thermal([series, BOARD_PATH[0]]))
    # Each path's share of the heat is the sensitivity of the parallel resistance to it.
    spread = math.hypot(through / series * series_u, through / BOARD_PATH[0] * BOARD_PATH[1])
    basis = "junction to case and pad, in parallel with the way through the board (common practice, no source)"
    yield Belief("stage_rise", "R_stage", "K/W", through / bench.regulator.stages_per_phase, spread, basis=basis,
                 stated=bool(own) and stage.thermal_resistance is not None)  # fmt: skip
    shared = [item.resistance for item in chain if item.shared and item.resistance is not None]
    plate = (math.fsum(shared), STATED_SPREAD) if shared else PLATE.get(bench.cooling.coolant, PLATE["air"])
    if not shared:
        _silent(notes, "way from plate to coolant", f"{plate[0]} K/W", "add it to [[cooling.chain]] with shared = true")
    spread = PLATE_SPREAD if shared else math.hypot(plate[1], PLATE_SPREAD)
    yield Belief("plate_rise", "R_plate", "K/W", plate[0] * THROUGH_PLATE, spread,
                 basis="stated chain times the share of heat in it (no source)", stated=bool(shared))  # fmt: skip
    yield Belief("crowding", "k", "1", *CROWDING, basis="common practice, no source", stated=False)
    yield Belief("inductor_share", "f_L", "1", *INDUCTOR_SHARE, "share",
                 basis="common practice, no source", stated=False)  # fmt: skip
    coupling = COUPLING.get(bench.cooling.coolant, COUPLING["air"])
    yield Belief("package_rise", "R_couple", "K/W", *coupling, basis="common practice, no source", stated=False)
    for name, (symbol, middle, wide) in FAN.items():
        yield Belief(name, symbol, "1", middle, wide, "share", TURBULENT,
                     basis="up to what a turbulent flow does; share of the resistance: common practice, no source",
                     stated=False)  # fmt: skip
    for name, (symbol, middle, wide) in SHARES.items():
        yield Belief(name, symbol, "1", middle, wide, "share", basis="common practice, no source", stated=False)
    for name, (time, wide) in TIMES.items():
        symbol = f"tau_{name.partition('_')[0]}"
        yield Belief(name, symbol, "s", time, wide, basis="common practice, no source", stated=False)


def _surroundings(bench: Bench, notes: list[str]) -> Iterator[Belief]:
    board, regulator = bench.board, bench.regulator
    if board.other_loads is None:
        _silent(
            notes, "what else the input feeds", f"{OTHER_POWER[0]:.0f} W", 'state other_loads = "... W" (0 W if none)'
        )
        other = Belief("other_power", "P_other", "W", *OTHER_POWER, basis="common practice, no source", stated=False)
        ceiling = 2.0 * OTHER_POWER[0]
    else:
        u = board.other_loads_u if board.other_loads_u is not None else 0.2 * board.other_loads + 1.0
        other = Belief("other_power", "P_other", "W", board.other_loads, u, "normal", basis="stated on the bench")
        ceiling = max(0.95 * board.other_loads, 0.5)
    yield other
    # The package's other rails hang on the same input, so they draw no more than the other loads do.
    yield Belief("other_rails", "P_rails", "W", -0.3, 1.2, "share", ceiling,
                 basis="a share of the other loads on the input", stated=False)  # fmt: skip
    if board.input_resistance is None:
        _silent(notes, "resistance from meter to regulator", "2 mOhm", 'state input_resistance = "... mOhm"')
        yield Belief("supply_resistance", "R_in", "Ohm", *SUPPLY_RESISTANCE, basis="common practice", stated=False)
    else:
        u = board.input_resistance_u if board.input_resistance_u is not None else 0.3 * board.input_resistance
        # Log-normal with the stated mean and deviation, so that it never becomes negative.
        wide = math.sqrt(math.log1p((u / max(board.input_resistance, 1e-6)) ** 2))
        yield Belief("supply_resistance", "R_in", "Ohm", max(board.input_resistance, 1e-6), max(wide, 0.01),
                     basis="stated on the bench")  # fmt: skip
    voltage = nominal_rail_voltage(bench)
    yield Belief("rail_setpoint", "V_set", "V", voltage, (0.005 if regulator.rail_voltage else 0.1) * voltage, "normal",
                 basis="rail voltage of the bench", stated=regulator.rail_voltage is not None)  # fmt: skip
    line = (max(regulator.load_line, 1e-6), 0.1) if regulator.load_line is not None else LOAD_LINE
    yield Belief("load_line", "R_LL", "Ohm", *line, basis="load line", stated=regulator.load_line is not None)
    yield Belief("peak_excess", "k_peak", "1", *PEAK_EXCESS, basis="common practice, no source", stated=False)


def _telemetry(bench: Bench, notes: list[str]) -> Iterator[Belief]:
    for channel in ("input_power", "package_power", "rail_current", "rail_voltage"):
        gain, offset, basis = _accuracy(bench, channel, notes)
        yield Belief(f"{channel}_gain", f"g_{channel}", "1", 0.0, max(gain, 1e-6), "normal", basis=basis)
        if channel != "rail_voltage":
            unit = "A" if channel == "rail_current" else "W"
            yield Belief(f"{channel}_offset", f"o_{channel}", unit, 0.0, max(offset, 1e-6), "normal", basis=basis)
    hot = _accuracy(bench, "regulator_temperature", notes)
    cold = _accuracy(bench, "coolant_temperature", notes)
    # Only the difference of the two thermometers shows in a rise.
    yield Belief("temperature_offset", "o_T", "K", 0.0, max(math.hypot(hot[1], cold[1]), 1e-3), "normal",
                 basis=f"{hot[2]}; {cold[2]}")  # fmt: skip


def _accuracy(bench: Bench, channel: str, notes: list[str]) -> tuple[float, float, str]:
    """Return the standard uncertainties of gain [1] and offset [unit of the channel], and whose word it is."""
    for instrument in bench.instruments:
        stated = instrument.accuracy.get(channel)
        if isinstance(stated, Accuracy) and (stated.gain or stated.offset):
            divisor = DIVISOR[stated.stated_as]
            return stated.gain / divisor, stated.offset / divisor, f"accuracy of {instrument.name} as stated"
    gain, offset = UNSTATED[channel]
    if bench.instruments and channel not in ("rail_voltage", "package_power"):
        _silent(notes, f"accuracy of {channel.replace('_', ' ')}", f"{100 * gain:g} % and {offset:g}",
                f"add [instrument.accuracy.{channel}]")  # fmt: skip
    return gain, offset, "no instrument states it: common practice, no source"


def _silent(notes: list[str], what: str, stand_in: str, mend: str) -> None:
    notes.append(f"{what} is not stated: {stand_in} taken, with a wide spread - {mend}")
