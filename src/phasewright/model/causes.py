"""What the part data say about every cause of loss: how large, how sure, and with which term of the formula it goes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from phasewright import physics
from phasewright.bench import Bench

__all__ = ["Cause", "Silence", "causes_of", "nominal_frequency", "nominal_rail_voltage", "ripple_of"]

COPPER_COEFFICIENT = 0.00385
"""[1/K] at 25 degC: 1 / (234.5 + 25), copper."""
WINDING_WARMTH = 0.75
"""[1] Rise of winding and board copper over that of the stage; common practice, no source."""

# Stand-ins for data that the bench does not state: (value, spread as the standard deviation of the logarithm).
# Typical of 12 V stages of 50-90 A; common practice, no source. A lone spread stands beside stated data: part lots
# differ from their data sheet's typical figures, and edges are the least certain of them.
RESISTANCE_SPREAD, HIGH_SIDE, LOW_SIDE = 0.10, (4.0e-3, 0.35), (1.1e-3, 0.35)
WINDING_SPREAD, WINDING = 0.08, (0.25e-3, 0.40)
EDGE_SPREAD, EDGES = 0.25, (12e-9, 0.45)
DEAD_SPREAD, DEAD_TIME, DIODE_VOLTAGE = 0.25, (16e-9, 0.5), 0.75
CHARGE_SPREAD, GATE_CHARGE, GATE_VOLTAGE = 0.20, (40e-9, 0.4), 5.0
OUTPUT_CHARGE, RECOVERY_CHARGE = (28e-9, 0.5), (15e-9, 0.6)
QUIESCENT_SPREAD, QUIESCENT = 0.3, (0.035, 0.5)
CORE_SPREAD, CORE = 0.25, (0.45, 0.5)
CONTROLLER_SPREAD, CONTROLLER = 0.4, (0.5, 0.6)
COEFFICIENT_SPREAD, COEFFICIENT = 0.10, (0.0045, 0.18)
INDUCTANCE, FREQUENCY, RAIL_VOLTAGE = 150e-9, 500e3, 1.2

# What no data sheet of a stage says; common practice, no source.
GATE_SAG = 1.06
"""[1] Under load the drivers' supply sags, and heat raises resistance faster than in proportion: switches conduct worse
and turn slower than their data sheet says by so much."""
RECOVERY_GROWTH = (0.25e-9, 0.5)
"""[C/A] The charge that a diode gives back grows with the current that it carried."""
INPUT_BANK = (0.5e-3, 0.6)
"""[Ohm] Input capacitors, whole bank."""
EDGE_GROWTH = (0.09e-9, 0.6)
"""[s/A] Edges lengthen with the current that they turn."""
BRANCH = (0.07e-3, 0.6)
"""[Ohm] Copper of one phase between inductor and output plane."""
PLANE = (50e-6, 0.5)
"""[Ohm] Output copper that all phases share."""
RIPPLE_RESISTANCE = (4.0, 0.5)
"""[1] Resistance of a winding at the switching frequency over that at direct current."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of loss, as a share of one term of the formula."""

    name: str
    term: str
    """Parameter of the formula that it is part of: board_loss, phase_loss, ..."""
    value: float
    """Its part of that parameter, in the parameter's unit."""
    spread: float
    """Standard deviation of its logarithm [1]."""
    group: str
    """conduction | switching | fixed | path"""
    growth: float = 0.0
    """Relative growth per kelvin of the stage, at 25 degC [1/K]."""
    follows_frequency: bool = False
    in_stage: bool = True
    """False: it warms inductor or copper."""
    basis: str = ""


@dataclass(frozen=True, slots=True)
class Silence:
    """What the bench does not state."""

    what: str
    stand_in: str
    mend: str


class _Reader:
    """Takes stated data, or a wide stand-in that is noted."""

    def __init__(self) -> None:
        self.silences: list[Silence] = []

    def take(self, stated: float | None, spread: float, stand_in: tuple[float, float], what: str, key: str, unit: str):
        if stated is not None:
            return stated, spread
        value, wide = stand_in
        self.silences.append(
            Silence(what, f"{_shown(value, unit)} {unit}", f'state {key} = "... {unit}" in bench.toml')
        )
        return value, wide


_PREFIX = {"ns": 1e9, "nC": 1e9, "mOhm": 1e3, "nH": 1e9, "kHz": 1e-3}


def _shown(value: float, unit: str) -> str:
    return f"{value * _PREFIX.get(unit, 1.0):.3g}"


def nominal_frequency(bench: Bench) -> float:
    """Return the switching frequency per phase [Hz]; a common one where the bench is silent."""
    return bench.regulator.switching_frequency or FREQUENCY


def nominal_rail_voltage(bench: Bench) -> float:
    """Return the set rail voltage [V]; a common one where the bench is silent."""
    return bench.regulator.rail_voltage or RAIL_VOLTAGE


def ripple_of(bench: Bench, frequency: float | None = None) -> float:
    """Return the ripple of one phase, peak to peak [A]."""
    return float(
        physics.phase_ripple(
            bench.board.input_voltage,
            nominal_rail_voltage(bench),
            bench.regulator.inductor.inductance or INDUCTANCE,
            frequency or nominal_frequency(bench),
        )
    )


def causes_of(bench: Bench) -> tuple[tuple[Cause, ...], tuple[Silence, ...]]:
    """Return every cause of loss that the part data of `bench` let one expect, and what the bench is silent about."""
    reader = _Reader()
    regulator = bench.regulator
    if regulator.switching_frequency is None:
        reader.silences.append(
            Silence("switching frequency", f"{FREQUENCY / 1e3:.0f} kHz", 'state switching_frequency = "... kHz"')
        )
    if regulator.rail_voltage is None:
        reader.silences.append(Silence("rail voltage", f"{RAIL_VOLTAGE} V", 'state rail_voltage = "... V"'))
    if regulator.inductor.inductance is None:
        reader.silences.append(Silence("inductance", f"{INDUCTANCE * 1e9:.0f} nH", 'state inductance = "... nH"'))
    found = (*_conduction(bench, reader), *_switching(bench, reader), *_fixed(bench, reader))
    return found, tuple(reader.silences)


def _conduction(bench: Bench, reader: _Reader) -> Iterator[Cause]:
    stage, inductor, stages = bench.regulator.stage, bench.regulator.inductor, bench.regulator.stages_per_phase
    duty = physics.duty_ideal(bench.board.input_voltage, nominal_rail_voltage(bench))
    ripple = ripple_of(bench)
    growth, _ = coefficient_of(bench)
    copper = COPPER_COEFFICIENT * WINDING_WARMTH
    high, high_spread = reader.take(
        stage.high_side_resistance, RESISTANCE_SPREAD, HIGH_SIDE, "resistance of the high side",
        "high_side_resistance", "mOhm")  # fmt: skip
    low, low_spread = reader.take(
        stage.low_side_resistance, RESISTANCE_SPREAD, LOW_SIDE, "resistance of the low side",
        "low_side_resistance", "mOhm")  # fmt: skip
    # Loss of 1 A through a resistance is its share of the phase's resistance.
    yield Cause("high side", "phase_resistance",
                GATE_SAG * float(physics.high_side_loss(duty, 1.0, high)) / stages, high_spread,
                "conduction", growth, basis="data sheet of the stage")  # fmt: skip
    yield Cause("low side", "phase_resistance",
                GATE_SAG * float(physics.low_side_loss(duty, 1.0, low)) / stages, low_spread,
                "conduction", growth, basis="data sheet of the stage")  # fmt: skip
    winding, spread = reader.take(
        inductor.resistance, WINDING_SPREAD, WINDING, "resistance of the inductor", "resistance", "mOhm"
    )
    yield Cause("inductor winding", "phase_resistance", float(physics.ohmic_loss(1.0, winding)), spread, "conduction",
                copper, in_stage=False, basis="data sheet of the inductor")  # fmt: skip
    yield Cause(
        "branch copper",
        "phase_resistance",
        *BRANCH,
        "conduction",
        copper,
        in_stage=False,
        basis="common practice, no source",
    )
    bank = bench.regulator.input_capacitors.resistance
    esr, spread = (bank, 0.3) if bank is not None else INPUT_BANK
    # Below the first cancellation point: I^2 D / n through the bank, MB-17 with n D small.
    yield Cause("input capacitors", "phase_resistance", duty * esr, spread, "conduction", in_stage=False,
                basis="input capacitors of the bench" if bank is not None else "common practice, no source")  # fmt: skip
    through = (duty * high + (1.0 - duty) * low) / stages + RIPPLE_RESISTANCE[0] * winding
    yield Cause("ripple", "phase_loss", float(physics.ripple_rms(ripple)) ** 2 * through, 0.4, "conduction",
                in_stage=False, basis="ripple through switches and winding")  # fmt: skip
    yield Cause("output plane", "path_resistance", *PLANE, "path", in_stage=False, basis="common practice, no source")


def _switching(bench: Bench, reader: _Reader) -> Iterator[Cause]:
    stage, stages = bench.regulator.stage, bench.regulator.stages_per_phase
    voltage, frequency = bench.board.input_voltage, nominal_frequency(bench)
    stated = None if stage.rise_time is None or stage.fall_time is None else stage.rise_time + stage.fall_time
    edges, spread = reader.take(stated, EDGE_SPREAD, EDGES, "edge times of the stage", "rise_time, fall_time", "ns")
    yield Cause("overlap", "proportional_loss",
                GATE_SAG * float(physics.overlap_loss(voltage, 1.0, edges, 0.0, frequency)), spread, "switching",
                follows_frequency=True, basis="edge times of the stage")  # fmt: skip
    dead, spread = reader.take(stage.dead_time, DEAD_SPREAD, DEAD_TIME, "dead time", "dead_time", "ns")
    diode = stage.diode_voltage if stage.diode_voltage is not None else DIODE_VOLTAGE
    yield Cause("dead time", "proportional_loss", float(physics.dead_time_loss(diode, 1.0, dead, 0.0, frequency)),
                spread, "switching", follows_frequency=True, basis="dead time of the stage")  # fmt: skip
    growth, spread = EDGE_GROWTH
    yield Cause("longer edges", "phase_resistance",
                float(physics.overlap_loss(voltage, 1.0, growth, 0.0, frequency)) / stages, spread, "switching",
                follows_frequency=True, basis="edges lengthen with current: common practice, no source")  # fmt: skip
    recovery, spread = reader.take(
        stage.recovery_charge, 0.35, RECOVERY_CHARGE, "recovery charge", "recovery_charge", "nC"
    )
    growth, wide = RECOVERY_GROWTH
    yield Cause("recovery with current", "proportional_loss", float(physics.recovery_loss(growth, voltage, frequency)),
                wide, "switching", follows_frequency=True, basis="common practice, no source")  # fmt: skip
    yield Cause("recovery", "phase_loss", stages * float(physics.recovery_loss(recovery, voltage, frequency)), spread,
                "switching", follows_frequency=True, basis="recovery charge of the stage")  # fmt: skip
    charge, spread = reader.take(
        stage.output_charge, CHARGE_SPREAD, OUTPUT_CHARGE, "output charge", "output_charge", "nC"
    )
    yield Cause("output charge", "phase_loss", stages * float(physics.output_charge_loss(charge, voltage, frequency)),
                spread, "switching", follows_frequency=True, basis="output charge of the stage")  # fmt: skip


def _fixed(bench: Bench, reader: _Reader) -> Iterator[Cause]:
    stage, stages, frequency = bench.regulator.stage, bench.regulator.stages_per_phase, nominal_frequency(bench)
    gate, spread = reader.take(stage.gate_charge, CHARGE_SPREAD, GATE_CHARGE, "gate charge", "gate_charge", "nC")
    level = stage.gate_voltage if stage.gate_voltage is not None else GATE_VOLTAGE
    yield Cause("gate", "phase_loss", stages * float(physics.gate_loss(gate, level, frequency)), spread, "fixed",
                follows_frequency=True, basis="gate charge of the stage")  # fmt: skip
    idle, spread = reader.take(
        stage.quiescent_power, QUIESCENT_SPREAD, QUIESCENT, "quiescent power of a stage", "quiescent_power", "W"
    )
    yield Cause("driver supply", "phase_loss", stages * idle, spread, "fixed", basis="data sheet of the stage")
    core, spread = reader.take(
        bench.regulator.inductor.core_loss, CORE_SPREAD, CORE, "core loss of an inductor", "core_loss", "W"
    )
    yield Cause("core", "phase_loss", core, spread, "fixed", in_stage=False, basis="data sheet of the inductor")
    control, spread = reader.take(
        bench.regulator.controller_power, CONTROLLER_SPREAD, CONTROLLER, "power of the controller",
        "controller_power", "W")  # fmt: skip
    yield Cause("controller", "board_loss", control, spread, "fixed", basis="data sheet of the controller")


def coefficient_of(bench: Bench) -> tuple[float, float]:
    """Return the stage's temperature coefficient of resistance [1/K] and its spread [1]."""
    stated = bench.regulator.stage.resistance_temperature_coefficient
    return (stated, COEFFICIENT_SPREAD) if stated is not None else COEFFICIENT
