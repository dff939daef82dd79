"""One phase of a synchronous buck: duty, inductor ripple, effective and peak currents, current sensing."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number, require_below
from phasewright.physics.validity import FRACTION, NOT_NEGATIVE, POSITIVE, formula

__all__ = [
    "dcr_sense_capacitance",
    "dcr_sense_resistance",
    "duty_ideal",
    "duty_with_drops",
    "high_side_rms",
    "inductance_for_ripple",
    "inductor_peak",
    "inductor_rms",
    "inductor_valley",
    "low_side_rms",
    "phase_ripple",
    "ripple_rms",
]

BALANCE = "volt-second balance of the inductor"


@formula(possible={"input_voltage": POSITIVE, "rail_voltage": POSITIVE}, source=BALANCE)
def duty_ideal(input_voltage: Number, rail_voltage: Number) -> Number:
    """Return the share of the period in which the high side conducts, without losses.

    D = V_o / V_in

    Parameters:
        input_voltage [V]: voltage at the high-side switch.
        rail_voltage [V]: output voltage.

    Returns:
        duty [1], arguments broadcast.

    Range:
        0 < rail_voltage < input_voltage (volt-second balance).

    Assumptions:
        continuous conduction, no drops.

    Example:
        >>> round(duty_ideal(12.0, 1.2), 9)
        0.1

    Source:
        volt-second balance of the inductor.
    """
    require_below("duty_ideal", "rail_voltage", rail_voltage, "input_voltage", input_voltage)
    return rail_voltage / input_voltage


@formula(
    possible={
        "input_voltage": POSITIVE,
        "rail_voltage": POSITIVE,
        "phase_current": NOT_NEGATIVE,
        "high_side_resistance": NOT_NEGATIVE,
        "low_side_resistance": NOT_NEGATIVE,
        "inductor_resistance": NOT_NEGATIVE,
    },
    source=BALANCE,
)
def duty_with_drops(
    input_voltage: Number,
    rail_voltage: Number,
    phase_current: Number,
    high_side_resistance: Number,
    low_side_resistance: Number,
    inductor_resistance: Number,
) -> Number:
    """Return the duty with the resistive drops of switches and inductor.

    D = (V_o + I (R_LS + R_L)) / (V_in - I (R_HS - R_LS))

    Parameters:
        input_voltage [V]: voltage at the high-side switch.
        rail_voltage [V]: output voltage.
        phase_current [A]: mean current of one phase.
        high_side_resistance [Ohm]: on-resistance of the high side.
        low_side_resistance [Ohm]: on-resistance of the low side.
        inductor_resistance [Ohm]: winding resistance of the inductor (DCR).

    Returns:
        duty [1], arguments broadcast.

    Range:
        arguments for which the duty comes out below 1 (volt-second balance); phase_current and resistances at least 0.

    Assumptions:
        continuous conduction; dead time and ripple change the drops little.

    Example:
        >>> round(duty_with_drops(12.0, 1.2, 20.0, 3e-3, 1e-3, 0.5e-3), 6)
        0.102843

    Source:
        volt-second balance of the inductor, own derivation.
    """
    wanted = rail_voltage + phase_current * (low_side_resistance + inductor_resistance)
    available = input_voltage - phase_current * (high_side_resistance - low_side_resistance)
    require_below("duty_with_drops", "voltage needed", wanted, "voltage available", available)
    return wanted / available


@formula(
    possible={
        "input_voltage": POSITIVE,
        "rail_voltage": POSITIVE,
        "inductance": POSITIVE,
        "switching_frequency": POSITIVE,
    },
    source="data sheet SLUS660H, design example 1, step 1, p. 43",
)
def phase_ripple(
    input_voltage: Number, rail_voltage: Number, inductance: Number, switching_frequency: Number
) -> Number:
    """Return the peak-to-peak ripple current of one phase's inductor.

    dI = V_o (1 - V_o / V_in) / (L f)

    Parameters:
        input_voltage [V]: voltage at the high-side switch.
        rail_voltage [V]: output voltage.
        inductance [H]: inductance of one phase, at the current it carries.
        switching_frequency [Hz]: frequency of one phase.

    Returns:
        ripple current, peak to peak [A], arguments broadcast.

    Range:
        0 < rail_voltage < input_voltage (volt-second balance).

    Assumptions:
        continuous conduction, no drops, inductance constant over the period.

    Example:
        >>> round(phase_ripple(13.2, 1.5, 1e-6, 500e3), 4)
        2.6591

    Source:
        data sheet SLUS660H, design example 1, step 1, p. 43.
    """
    require_below("phase_ripple", "rail_voltage", rail_voltage, "input_voltage", input_voltage)
    return rail_voltage * (1.0 - rail_voltage / input_voltage) / (inductance * switching_frequency)


@formula(
    possible={
        "input_voltage": POSITIVE,
        "rail_voltage": POSITIVE,
        "ripple_current": POSITIVE,
        "switching_frequency": POSITIVE,
    },
    source="data sheet SLUS660H, design example 1, p. 43",
)
def inductance_for_ripple(
    input_voltage: Number, rail_voltage: Number, ripple_current: Number, switching_frequency: Number
) -> Number:
    """Return the inductance of one phase that gives a wanted ripple.

    L = (V_in - V_o) / dI * V_o / V_in / f

    Parameters:
        input_voltage [V]: voltage at the high-side switch; the highest gives the largest inductance.
        rail_voltage [V]: output voltage.
        ripple_current [A]: wanted ripple of one phase, peak to peak.
        switching_frequency [Hz]: frequency of one phase.

    Returns:
        inductance [H], arguments broadcast.

    Range:
        0 < rail_voltage < input_voltage (volt-second balance).

    Assumptions:
        as for phase_ripple, whose inverse this is.

    Example:
        >>> round(inductance_for_ripple(13.2, 1.5, 3.0, 500e3) * 1e6, 5)
        0.88636

    Source:
        data sheet SLUS660H, design example 1, p. 43.
    """
    require_below("inductance_for_ripple", "rail_voltage", rail_voltage, "input_voltage", input_voltage)
    return (input_voltage - rail_voltage) / ripple_current * rail_voltage / input_voltage / switching_frequency


@formula(possible={"ripple_current": NOT_NEGATIVE}, source="integral of a triangle")
def ripple_rms(ripple_current: Number) -> Number:
    """Return the effective value of a triangular ripple without its mean.

    I_rms = dI / sqrt(12)

    Parameters:
        ripple_current [A]: ripple, peak to peak.

    Returns:
        effective value [A], shape of the argument.

    Range:
        ripple_current at least 0 (physics).

    Assumptions:
        straight slopes.

    Example:
        >>> round(ripple_rms(12.0), 4)
        3.4641

    Source:
        integral of a triangle; data sheet ADP2102 Rev. B, p. 21.
    """
    return ripple_current / np.sqrt(12.0)


@formula(
    possible={"phase_current": NOT_NEGATIVE, "ripple_current": NOT_NEGATIVE},
    source="data sheet SLUS930B, p. 52, Eq. 38",
)
def inductor_rms(phase_current: Number, ripple_current: Number) -> Number:
    """Return the effective current of an inductor.

    I_rms = sqrt(I^2 + dI^2 / 12)

    Parameters:
        phase_current [A]: mean current of one phase.
        ripple_current [A]: ripple of one phase, peak to peak.

    Returns:
        effective current [A], arguments broadcast.

    Range:
        both at least 0 (physics).

    Assumptions:
        triangular ripple.

    Example:
        >>> round(inductor_rms(20.0, 4.88), 2)
        20.05

    Source:
        data sheet SLUS930B, p. 52, Eq. 38.
    """
    return np.hypot(phase_current, ripple_rms(ripple_current))


@formula(
    possible={"phase_current": NOT_NEGATIVE, "ripple_current": NOT_NEGATIVE},
    source="data sheet SLUS930B, p. 52, Eq. 39",
)
def inductor_peak(phase_current: Number, ripple_current: Number) -> Number:
    """Return the peak current of an inductor.

    I_peak = I + dI / 2

    Parameters:
        phase_current [A]: mean current of one phase.
        ripple_current [A]: ripple of one phase, peak to peak.

    Returns:
        peak current [A], arguments broadcast.

    Range:
        both at least 0 (physics).

    Assumptions:
        triangular ripple.

    Example:
        >>> inductor_peak(20.0, 4.88)
        22.44

    Source:
        data sheet SLUS930B, p. 52, Eq. 39.
    """
    return phase_current + ripple_current / 2.0


@formula(possible={"phase_current": NOT_NEGATIVE, "ripple_current": NOT_NEGATIVE}, source="symmetry of a triangle")
def inductor_valley(phase_current: Number, ripple_current: Number) -> Number:
    """Return the valley current of an inductor; below 0 the phase feeds back, or stops where the low side blocks.

    I_valley = I - dI / 2

    Parameters:
        phase_current [A]: mean current of one phase.
        ripple_current [A]: ripple of one phase, peak to peak.

    Returns:
        valley current [A], arguments broadcast.

    Range:
        both at least 0 (physics).

    Assumptions:
        triangular ripple, low side conducting both ways.

    Example:
        >>> inductor_valley(20.0, 5.0)
        17.5

    Source:
        symmetry of a triangle.
    """
    return phase_current - ripple_current / 2.0


@formula(
    possible={"duty": FRACTION, "phase_current": NOT_NEGATIVE, "ripple_current": NOT_NEGATIVE},
    source="data sheet ADP3162 Rev. A, p. 10, Eq. 18",
)
def high_side_rms(duty: Number, phase_current: Number, ripple_current: Number) -> Number:
    """Return the effective current of the high-side switch.

    I_HS = sqrt(D (I^2 + dI^2 / 12))

    Parameters:
        duty [1]: share of the period in which the high side conducts.
        phase_current [A]: mean current of one phase.
        ripple_current [A]: ripple of one phase, peak to peak.

    Returns:
        effective current [A], arguments broadcast.

    Range:
        duty 0 to 1, currents at least 0 (physics).

    Assumptions:
        triangular ripple; dead time is short.

    Example:
        >>> round(high_side_rms(0.36, 14.0, 5.8), 2)
        8.46

    Source:
        data sheet ADP3162 Rev. A, p. 10, Eq. 18.
    """
    return np.sqrt(duty) * inductor_rms(phase_current, ripple_current)


@formula(
    possible={"duty": FRACTION, "phase_current": NOT_NEGATIVE, "ripple_current": NOT_NEGATIVE},
    source="data sheet ADP3162 Rev. A, p. 10, Eq. 19",
)
def low_side_rms(duty: Number, phase_current: Number, ripple_current: Number) -> Number:
    """Return the effective current of the low-side switch.

    I_LS = sqrt((1 - D) (I^2 + dI^2 / 12))

    Parameters:
        duty [1]: share of the period in which the high side conducts.
        phase_current [A]: mean current of one phase.
        ripple_current [A]: ripple of one phase, peak to peak.

    Returns:
        effective current [A], arguments broadcast.

    Range:
        duty 0 to 1, currents at least 0 (physics).

    Assumptions:
        triangular ripple; dead time is short.

    Example:
        >>> round(low_side_rms(0.36, 14.0, 5.8), 2)
        11.28

    Source:
        data sheet ADP3162 Rev. A, p. 10, Eq. 19.
    """
    return np.sqrt(1.0 - duty) * inductor_rms(phase_current, ripple_current)


@formula(
    possible={"inductance": POSITIVE, "inductor_resistance": POSITIVE, "sense_resistance": POSITIVE},
    source="data sheet ADP3180, p. 13",
)
def dcr_sense_capacitance(inductance: Number, inductor_resistance: Number, sense_resistance: Number) -> Number:
    """Return the capacitance that makes an RC network across an inductor follow its current.

    C = L / (R_L R_cs)

    Parameters:
        inductance [H]: inductance of one phase.
        inductor_resistance [Ohm]: winding resistance (DCR) at the temperature of use.
        sense_resistance [Ohm]: resistance of the sensing network.

    Returns:
        capacitance [F], arguments broadcast.

    Range:
        all above 0 (physics).

    Assumptions:
        both time constants alike; the winding warms, so they match at one temperature only.

    Example:
        >>> round(dcr_sense_capacitance(600e-9, 1.6e-3, 100e3) * 1e9, 6)
        3.75

    Source:
        data sheet ADP3180, p. 13.
    """
    return inductance / (inductor_resistance * sense_resistance)


@formula(
    possible={"inductor_resistance": POSITIVE, "load_line": POSITIVE, "sense_resistance": POSITIVE},
    source="data sheet ADP3180, p. 13",
)
def dcr_sense_resistance(inductor_resistance: Number, load_line: Number, sense_resistance: Number) -> Number:
    """Return the resistor from each phase that gives a wanted load line with DCR sensing.

    R_ph = R_L / R_o * R_cs

    Parameters:
        inductor_resistance [Ohm]: winding resistance (DCR) at the temperature of use.
        load_line [Ohm]: wanted load line.
        sense_resistance [Ohm]: resistance of the summing network.

    Returns:
        resistance from each phase [Ohm], arguments broadcast.

    Range:
        all above 0 (physics).

    Assumptions:
        phases alike.

    Example:
        >>> round(dcr_sense_resistance(1.6e-3, 1.3e-3, 100e3) / 1e3, 2)
        123.08

    Source:
        data sheet ADP3180, p. 13.
    """
    return inductor_resistance / load_line * sense_resistance
