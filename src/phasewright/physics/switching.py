"""Losses that come with every switching edge, and the fixed supply of driver and controller."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number
from phasewright.physics.validity import COUNT, NOT_NEGATIVE, POSITIVE, Bound, formula

__all__ = [
    "charge_of",
    "dead_time_loss",
    "gate_loss",
    "output_capacitance_loss",
    "output_charge_loss",
    "overlap_loss",
    "recovery_charge_of",
    "recovery_loss",
    "supply_loss",
    "transition_time",
]

NINE_LOSSES = "application note 64AN035E (form read in a public re-implementation)"
DIODE = Bound(low=0.2, high=2.0, said_by="forward voltages of silicon and gallium nitride, common practice, no source")


@formula(
    possible={
        "input_voltage": POSITIVE,
        "phase_current": NOT_NEGATIVE,
        "rise_time": NOT_NEGATIVE,
        "fall_time": NOT_NEGATIVE,
        "switching_frequency": NOT_NEGATIVE,
        "ripple_current": NOT_NEGATIVE,
    },
    source="data sheet LM2743, efficiency section",
)
def overlap_loss(
    input_voltage: Number,
    phase_current: Number,
    rise_time: Number,
    fall_time: Number,
    switching_frequency: Number,
    ripple_current: Number = 0.0,
) -> Number:
    """Return the loss while voltage and current of the high side overlap at its edges.

    P = V_in f (max(I - dI/2, 0) t_r + (I + dI/2) t_f) / 2; without ripple V_in I (t_r + t_f) f / 2

    Parameters:
        input_voltage [V]: voltage at the high-side switch.
        phase_current [A]: mean current of one phase.
        rise_time [s]: duration of the turn-on edge.
        fall_time [s]: duration of the turn-off edge.
        switching_frequency [Hz]: frequency of one phase.
        ripple_current [A]: ripple of one phase, peak to peak; 0 puts the mean current in both edges.

    Returns:
        loss of one phase [W], arguments broadcast.

    Range:
        input_voltage above 0, the rest at least 0 (physics).

    Assumptions:
        straight edges; turn-on at the valley and turn-off at the peak of the ripple; no loss where the valley is
        negative, for then the switch node rises by itself.

    Example:
        >>> round(overlap_loss(3.3, 4.0, 15e-9, 16e-9, 300e3) * 1e3, 2)
        61.38

    Source:
        data sheet LM2743, efficiency section.
    """
    half = ripple_current / 2.0
    charge = np.maximum(phase_current - half, 0.0) * rise_time + (phase_current + half) * fall_time
    return 0.5 * input_voltage * charge * switching_frequency


@formula(
    possible={"gate_resistance": NOT_NEGATIVE, "gate_capacitance": NOT_NEGATIVE},
    source="data sheet ADP1872/ADP1873 Rev. B, p. 29",
)
def transition_time(gate_resistance: Number, gate_capacitance: Number) -> Number:
    """Return the duration of a switching edge from the gate's resistance and capacitance.

    t = 2 R_g C

    Parameters:
        gate_resistance [Ohm]: driver and gate resistance in series.
        gate_capacitance [F]: input capacitance of the switch.

    Returns:
        duration of one edge [s], arguments broadcast.

    Range:
        both at least 0 (physics).

    Assumptions:
        an estimate for data sheets that state no times; the plateau of the gate is not in it.

    Example:
        >>> round(transition_time(1.5, 3.3e-9) * 1e9, 6)
        9.9

    Source:
        data sheet ADP1872/ADP1873 Rev. B, p. 29: with it overlap_loss is f R_g C I V_in 2.
    """
    return 2.0 * gate_resistance * gate_capacitance


@formula(possible={"capacitance": NOT_NEGATIVE, "voltage": NOT_NEGATIVE}, source="definition of capacitance")
def charge_of(capacitance: Number, voltage: Number) -> Number:
    """Return the charge of a constant capacitance, for data sheets that state no charge.

    Q = C V

    Parameters:
        capacitance [F]: capacitance, constant over the swing.
        voltage [V]: voltage swing.

    Returns:
        charge [C], arguments broadcast.

    Range:
        both at least 0 (physics).

    Assumptions:
        constant capacitance; that of a switch is not.

    Example:
        >>> round(charge_of(200e-12, 3.6) * 1e9, 3)
        0.72

    Source:
        definition of capacitance.
    """
    return capacitance * voltage


@formula(
    possible={
        "gate_charge": NOT_NEGATIVE,
        "gate_voltage": NOT_NEGATIVE,
        "switching_frequency": NOT_NEGATIVE,
        "switch_count": COUNT,
    },
    source="data sheet LM2743, efficiency section",
)
def gate_loss(
    gate_charge: Number, gate_voltage: Number, switching_frequency: Number, switch_count: Number = 1.0
) -> Number:
    """Return the power that charging and discharging gates takes from the driver supply.

    P = n Q_g V_g f

    Parameters:
        gate_charge [C]: total gate charge of one switch at gate_voltage.
        gate_voltage [V]: gate drive voltage.
        switching_frequency [Hz]: frequency of one phase.
        switch_count [1]: switches driven alike.

    Returns:
        power from the driver supply [W], arguments broadcast.

    Range:
        switch_count a whole number of at least 1, the rest at least 0 (physics).

    Assumptions:
        nothing is recovered; a linear regulator in front of the driver takes the same current from a higher voltage.

    Example:
        >>> round(gate_loss(3e-9, 3.3, 300e3, 2) * 1e3, 2)
        5.94

    Source:
        data sheet LM2743, efficiency section.
    """
    return switch_count * gate_charge * gate_voltage * switching_frequency


@formula(possible={"supply_current": NOT_NEGATIVE, "supply_voltage": NOT_NEGATIVE}, source="definition of power")
def supply_loss(supply_current: Number, supply_voltage: Number) -> Number:
    """Return the power that a driver or controller draws without switching.

    P = I_q V

    Parameters:
        supply_current [A]: quiescent current.
        supply_voltage [V]: supply voltage.

    Returns:
        power [W], arguments broadcast.

    Range:
        both at least 0 (physics).

    Assumptions:
        steady current.

    Example:
        >>> round(supply_loss(1.7e-3, 3.3) * 1e3, 2)
        5.61

    Source:
        definition of power; data sheet LM2743, efficiency section.
    """
    return supply_current * supply_voltage


@formula(
    possible={
        "high_side_capacitance": NOT_NEGATIVE,
        "low_side_capacitance": NOT_NEGATIVE,
        "input_voltage": POSITIVE,
        "switching_frequency": NOT_NEGATIVE,
    },
    source=NINE_LOSSES,
)
def output_capacitance_loss(
    high_side_capacitance: Number,
    low_side_capacitance: Number,
    input_voltage: Number,
    switching_frequency: Number,
) -> Number:
    """Return the loss of charging the switches' output capacitances at every hard edge.

    P = (C_oss,H + C_oss,L) V_in^2 f / 2

    Parameters:
        high_side_capacitance [F]: energy-related output capacitance of the high side.
        low_side_capacitance [F]: energy-related output capacitance of the low side.
        input_voltage [V]: voltage at the high-side switch.
        switching_frequency [Hz]: frequency of one phase.

    Returns:
        loss of one phase [W], arguments broadcast.

    Range:
        input_voltage above 0, the rest at least 0 (physics).

    Assumptions:
        constant capacitances, hard switching.

    Example:
        >>> round(output_capacitance_loss(1e-9, 2.5e-9, 12.0, 400e3) * 1e3, 6)
        100.8

    Source:
        application note 64AN035E (form read in a public re-implementation).
    """
    return 0.5 * (high_side_capacitance + low_side_capacitance) * input_voltage**2 * switching_frequency


@formula(
    possible={"output_charge": NOT_NEGATIVE, "input_voltage": POSITIVE, "switching_frequency": NOT_NEGATIVE},
    source="energy of a capacitance; own restatement of output_capacitance_loss",
)
def output_charge_loss(output_charge: Number, input_voltage: Number, switching_frequency: Number) -> Number:
    """Return the loss of charging the switch node, from the output charge of both switches together.

    P = Q_oss V_in f / 2

    Parameters:
        output_charge [C]: output charge of high and low side together at input_voltage.
        input_voltage [V]: voltage at the high-side switch.
        switching_frequency [Hz]: frequency of one phase.

    Returns:
        loss of one phase [W], arguments broadcast.

    Range:
        input_voltage above 0, the rest at least 0 (physics).

    Assumptions:
        charge proportional to voltage; real output charge gathers at low voltage, so the truth lies between this and
        twice this.

    Example:
        >>> round(output_charge_loss(42e-9, 12.0, 400e3) * 1e3, 6)
        100.8

    Source:
        energy of a capacitance: with Q = (C_H + C_L) V it is output_capacitance_loss.
    """
    return 0.5 * output_charge * input_voltage * switching_frequency


@formula(
    possible={
        "diode_voltage": NOT_NEGATIVE,
        "phase_current": NOT_NEGATIVE,
        "rising_dead_time": NOT_NEGATIVE,
        "falling_dead_time": NOT_NEGATIVE,
        "switching_frequency": NOT_NEGATIVE,
    },
    range={"diode_voltage": DIODE},
    source=NINE_LOSSES,
)
def dead_time_loss(
    diode_voltage: Number,
    phase_current: Number,
    rising_dead_time: Number,
    falling_dead_time: Number,
    switching_frequency: Number,
) -> Number:
    """Return the loss while neither switch conducts and the current flows through the low side's diode.

    P = V_F I (t_1 + t_2) f

    Parameters:
        diode_voltage [V]: forward voltage of the body diode, or reverse voltage of a switch without one.
        phase_current [A]: mean current of one phase.
        rising_dead_time [s]: dead time before the high side turns on.
        falling_dead_time [s]: dead time after the high side turns off.
        switching_frequency [Hz]: frequency of one phase.

    Returns:
        loss of one phase [W], arguments broadcast.

    Range:
        diode_voltage 0.2 to 2 V (forward voltages of silicon and gallium nitride, common practice, no source); the
        rest at least 0.

    Assumptions:
        the mean current flows in both gaps.

    Example:
        >>> round(dead_time_loss(0.8, 20.0, 15e-9, 15e-9, 400e3) * 1e3, 6)
        192.0

    Source:
        application note 64AN035E (form read in a public re-implementation).
    """
    return diode_voltage * phase_current * (rising_dead_time + falling_dead_time) * switching_frequency


@formula(possible={"recovery_current": NOT_NEGATIVE, "recovery_time": NOT_NEGATIVE}, source=NINE_LOSSES)
def recovery_charge_of(recovery_current: Number, recovery_time: Number) -> Number:
    """Return the recovery charge of a diode from the peak and duration of its reverse current.

    Q_rr = I_rr t_rr / 2

    Parameters:
        recovery_current [A]: peak reverse current.
        recovery_time [s]: duration of the reverse current.

    Returns:
        charge [C], arguments broadcast.

    Range:
        both at least 0 (physics).

    Assumptions:
        triangular reverse current.

    Example:
        >>> round(recovery_charge_of(5.0, 12e-9) * 1e9, 6)
        30.0

    Source:
        application note 64AN035E (form read in a public re-implementation).
    """
    return 0.5 * recovery_current * recovery_time


@formula(
    possible={"recovery_charge": NOT_NEGATIVE, "input_voltage": POSITIVE, "switching_frequency": NOT_NEGATIVE},
    source=NINE_LOSSES,
)
def recovery_loss(recovery_charge: Number, input_voltage: Number, switching_frequency: Number) -> Number:
    """Return the loss of the low side's diode recovery, most of which the high side takes.

    P = Q_rr V_in f

    Parameters:
        recovery_charge [C]: recovery charge at the current and slope of use.
        input_voltage [V]: voltage at the high-side switch.
        switching_frequency [Hz]: frequency of one phase.

    Returns:
        loss of one phase [W], arguments broadcast.

    Range:
        input_voltage above 0, the rest at least 0 (physics).

    Assumptions:
        the whole charge flows from the input.

    Example:
        >>> round(recovery_loss(30e-9, 12.0, 400e3) * 1e3, 6)
        144.0

    Source:
        application note 64AN035E (form read in a public re-implementation).
    """
    return recovery_charge * input_voltage * switching_frequency
