"""What the simulated parts really are: the data-sheet figures of the bench, moved by spread, and what no sheet says."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from phasewright.bench import Bench


@dataclass(frozen=True, slots=True)
class Hidden:
    """Properties of the simulated parts that the bench file does not tell."""

    resistance_curvature: float = 9e-6
    """Second-order temperature term of the switch resistance [1/K2]."""
    overlap_per_current: float = 0.10e-9
    """Growth of the overlap time of one stage with its current [s/A]."""
    gate_supply_resistance: float = 0.4
    """Output resistance of the gate supply [Ohm]; many phases pull the gate voltage down a little."""
    recovery_per_current: float = 0.25e-9
    """Growth of the recovery charge with current [C/A]."""
    saturation_softness: float = 3e-5
    """Relative growth of ripple squared with phase current squared [1/A2]."""
    core_temperature: float = 90.0
    """Temperature of least core loss [degC]."""
    core_bend: float = 4e-5
    """Relative growth of core loss with the squared distance from that temperature [1/K2]."""
    ripple_resistance_ratio: float = 6.0
    """Inductor resistance at the switching frequency over its direct-current resistance."""
    plane_resistance: float = 45e-6
    """Output copper common to all phases at 25 degC [Ohm]."""
    branch_resistance: float = 60e-6
    """Output copper of one phase at 25 degC [Ohm]."""
    sharing_temperature: float = 0.0008
    """Relative current that a phase gives away per kelvin above the mean [1/K]."""
    source_resistance: float = 2.5e-3
    """Supply and cable before the meter [Ohm]."""
    connector_mismatch: float = 0.08
    """Relative difference of the two connectors' resistances."""
    auxiliary_efficiency: float = 0.84
    """Of the small regulators that feed the other rails."""
    auxiliary_power: float = 14.0
    """Power of the package's other rails [W]; it is part of the package power."""
    leakage: float = 22.0
    """Processor leakage at 60 degC and the set voltage [W]."""
    leakage_temperature: float = 32.0
    """Temperature rise that multiplies leakage by e [K]."""
    leakage_voltage: float = 3.0
    """Power of the voltage in leakage."""
    idle_power: float = 22.0
    """Dynamic power at idle [W]."""
    resistance_spread: float = 0.05
    """Standard deviation, phase to phase, of switch and inductor resistance."""
    sharing_spread: float = 0.02
    """Standard deviation, phase to phase, of the share of current."""
    sharing_offset: float = 0.25
    """Standard deviation, phase to phase, of the current offset [A]."""
    part_spread: float = 0.05
    """Standard deviation of a whole lot from its data sheet."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Thermal build of the bench: capacities [J/K], resistances [K/W], conductances [W/K]."""

    stage_capacity: float = 0.45
    inductor_capacity: float = 6.0
    copper_capacity: float = 9.0
    plate_capacity: float = 55.0
    """Of one segment of the plate."""
    plate_segments: int = 4
    pad_resistance: float = 0.7
    """Stage case to plate, one stage."""
    stage_to_copper: float = 4.5
    """One stage to the copper under it."""
    inductor_to_copper: float = 3.0
    inductor_to_plate: float = 7.0
    copper_lateral: float = 1.6
    """Between neighbouring copper segments."""
    copper_to_air: float = 90.0
    """One copper segment to the room."""
    plate_lateral: float = 0.12
    """Between neighbouring plate segments."""
    plate_to_coolant: float = 0.045
    """Whole plate to the coolant."""
    path_capacity: float = 8.0
    path_to_air: float = 7.0
    die_capacity: float = 14.0
    die_to_block: float = 0.085
    block_capacity: float = 110.0
    block_to_coolant: float = 0.022
    die_to_copper: float = 3.0
    """Processor substrate to the output copper."""
    block_to_plate: float = 0.0
    """Conductance between processor block and regulator plate when they are one body [W/K]."""
    flow: float = 75.0
    """Heat-capacity rate of the coolant [W/K]."""
    coolant_capacity: float = 900.0
    radiator_capacity: float = 550.0
    coolant_to_radiator: float = 95.0
    """Conductance [W/K]."""
    air_still: float = 3.0
    """Radiator or heatsink to air with the fan standing [W/K]."""
    air_full: float = 42.0
    """More of it with the fan at full duty [W/K]."""
    air_power: float = 0.75
    """Power of the duty in that conductance."""
    plate_fan: float = 0.0
    """Share of that air conductance that the regulator's own heatsink gains (air cooling)."""
    recirculation: float = 0.0
    """Share of the processor's exhaust that warms the air at the regulator (air cooling)."""


@dataclass(frozen=True, slots=True)
class Parts:
    """True parts of one simulated bench. Arrays are (phases fitted,)."""

    phase_count: int
    stages: int
    frequency: float
    set_voltage: float
    load_line: float
    high_side: np.ndarray
    low_side: np.ndarray
    inductor_resistance: np.ndarray
    share: np.ndarray
    share_offset: np.ndarray
    order: np.ndarray
    """Phases in the order in which they are switched on."""
    temperature_coefficient: float
    edge_time: float
    dead_time: float
    diode_voltage: float
    gate_charge: float
    gate_voltage: float
    output_charge: float
    recovery_charge: float
    quiescent_power: float
    inductance: float
    core_loss: float
    input_capacitor_resistance: float
    controller_power: float
    stage_thermal_resistance: float
    supply_voltage: float
    path_resistance: float
    other_loads: float
    hidden: Hidden = field(default_factory=Hidden)
    layout: Layout = field(default_factory=Layout)


def fitted_order(phase_count: int) -> np.ndarray:
    """Return the phases in switch-on order, spread over the row so that the heat spreads, int (phase_count,)."""
    # Each further phase is the one farthest from those that are on already.
    order = [0]
    while len(order) < phase_count:
        free = [place for place in range(phase_count) if place not in order]
        order.append(max(free, key=lambda place: (min(abs(place - on) for on in order), -place)))
    return np.array(order)


def true_parts(bench: Bench, hidden: Hidden, layout: Layout, lot: dict[str, float], generator: np.random.Generator,
               *, other_loads: float, path_resistance: float) -> Parts:
    """Draw the true parts of `bench`.

    `lot` holds normal quantiles by name (``stage_resistance``, ``overlap``, ``core``, ``inductor_resistance``,
    ``thermal``) that move the whole lot by ``hidden.part_spread``; the phase-to-phase spread comes from `generator`.
    """
    regulator, stage, inductor = bench.regulator, bench.regulator.stage, bench.regulator.inductor
    n = regulator.phase_count

    def moved(value: float | None, name: str, default: float) -> float:
        return (default if value is None else value) * float(np.exp(hidden.part_spread * lot.get(name, 0.0)))

    spread = hidden.resistance_spread
    phase = np.exp(spread * generator.standard_normal(n))
    return Parts(
        phase_count=n, stages=regulator.stages_per_phase,
        frequency=regulator.switching_frequency or 500e3, set_voltage=regulator.rail_voltage or 1.2,
        load_line=regulator.load_line or 0.0,
        high_side=moved(stage.high_side_resistance, "stage_resistance", 4e-3) * phase,
        low_side=moved(stage.low_side_resistance, "stage_resistance", 1e-3) * phase,
        inductor_resistance=moved(inductor.resistance, "inductor_resistance", 0.25e-3)
        * np.exp(0.5 * spread * generator.standard_normal(n)),
        share=1.0 + hidden.sharing_spread * generator.standard_normal(n),
        share_offset=hidden.sharing_offset * generator.standard_normal(n),
        order=fitted_order(n),
        temperature_coefficient=stage.resistance_temperature_coefficient or 0.004,
        edge_time=moved((stage.rise_time or 6e-9) + (stage.fall_time or 6e-9), "overlap", 12e-9),
        dead_time=stage.dead_time or 8e-9, diode_voltage=stage.diode_voltage or 0.8,
        gate_charge=stage.gate_charge or 40e-9, gate_voltage=stage.gate_voltage or 5.0,
        output_charge=stage.output_charge or 25e-9, recovery_charge=stage.recovery_charge or 15e-9,
        quiescent_power=stage.quiescent_power or 0.03,
        inductance=inductor.inductance or 150e-9, core_loss=moved(inductor.core_loss, "core", 0.4),
        input_capacitor_resistance=bench.regulator.input_capacitors.resistance or 0.8e-3,
        controller_power=regulator.controller_power or 0.4,
        stage_thermal_resistance=moved(stage.thermal_resistance, "thermal", 1.0),
        supply_voltage=bench.board.input_voltage + 0.1, path_resistance=path_resistance, other_loads=other_loads,
        hidden=hidden, layout=layout,
    )
