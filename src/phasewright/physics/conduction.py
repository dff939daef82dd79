"""Conduction losses: switches, windings, paths, and what temperature does to their resistance."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number, refuse
from phasewright.physics.buck import inductor_rms
from phasewright.physics.validity import ANY, FRACTION, NOT_NEGATIVE, POSITIVE, TEMPERATURE, Bound, formula

__all__ = ["conduction_efficiency", "high_side_loss", "hot_resistance", "low_side_loss", "ohmic_loss"]


@formula(
    possible={
        "resistance": NOT_NEGATIVE,
        "temperature": TEMPERATURE,
        "temperature_coefficient": ANY,
        "reference_temperature": TEMPERATURE,
    },
    range={
        "temperature_coefficient": Bound(
            low=0.0, high=0.01, said_by="data sheet MIC2164, p. 16, and copper: +25 % to +75 % from 25 to 100 degC"
        ),
        "temperature": Bound(low=-40.0, high=175.0, said_by="common ratings of power stages, no source"),
    },
    source="data sheet MIC2164, p. 16 (size); linear law",
)
def hot_resistance(
    resistance: Number,
    temperature: Number,
    temperature_coefficient: Number,
    reference_temperature: Number = 25.0,
) -> Number:
    """Return a resistance at another temperature, by a linear law.

    R(T) = R_0 (1 + alpha (T - T_0))

    Parameters:
        resistance [Ohm]: resistance at reference_temperature.
        temperature [degC]: temperature of the part.
        temperature_coefficient [1/K]: relative change per kelvin at reference_temperature.
        reference_temperature [degC]: temperature for which the resistance is stated.

    Returns:
        resistance at temperature [Ohm], arguments broadcast.

    Range:
        temperature_coefficient 0 to 0.01 1/K (switches rise by 50 % to 75 % from 25 to 100 degC: data sheet MIC2164,
        p. 16; copper by 29 %); temperature -40 to 175 degC (common ratings, no source).

    Assumptions:
        linear; the resistance of a switch curves upwards, so take the coefficient between the temperatures of use.

    Example:
        >>> round(hot_resistance(1e-3, 100.0, 0.5 / 75.0) * 1e3, 6)
        1.5

    Source:
        linear law; data sheet MIC2164, p. 16, for the size.
    """
    factor = 1.0 + temperature_coefficient * (temperature - reference_temperature)
    if np.any(factor < 0.0):
        raise refuse(
            "1 + alpha dT",
            float(np.min(factor)),
            "a resistance is never negative",
            "check temperature_coefficient [1/K] and the temperatures [degC]",
            "hot_resistance: impossible arguments",
        )
    return resistance * factor


@formula(possible={"rms_current": NOT_NEGATIVE, "resistance": NOT_NEGATIVE}, source="Joule's law")
def ohmic_loss(rms_current: Number, resistance: Number) -> Number:
    """Return the heat that an effective current makes in a resistance: winding, path, cable.

    P = I^2 R

    Parameters:
        rms_current [A]: effective current.
        resistance [Ohm]: resistance at the temperature of use.

    Returns:
        heat [W], arguments broadcast.

    Range:
        both at least 0 (physics).

    Assumptions:
        the resistance is that at the frequency of the current; skin and proximity effect come on top.

    Example:
        >>> round(ohmic_loss(20.05, 1.2e-3), 3)
        0.482

    Source:
        Joule's law; data sheet SLUS930B, p. 52, Eq. 40.
    """
    return rms_current**2 * resistance


@formula(
    possible={
        "duty": FRACTION,
        "phase_current": NOT_NEGATIVE,
        "high_side_resistance": NOT_NEGATIVE,
        "ripple_current": NOT_NEGATIVE,
    },
    source="data sheet LM2743, efficiency section",
)
def high_side_loss(
    duty: Number, phase_current: Number, high_side_resistance: Number, ripple_current: Number = 0.0
) -> Number:
    """Return the conduction loss of the high-side switch of one phase.

    P = D (I^2 + dI^2 / 12) R_HS

    Parameters:
        duty [1]: share of the period in which the high side conducts.
        phase_current [A]: mean current of one phase.
        high_side_resistance [Ohm]: on-resistance at the temperature of use.
        ripple_current [A]: ripple of one phase, peak to peak; 0 leaves it out.

    Returns:
        heat in one phase [W], arguments broadcast.

    Range:
        duty 0 to 1, the rest at least 0 (physics).

    Assumptions:
        triangular ripple; dead time is short.

    Example:
        >>> round(high_side_loss(0.364, 4.0, 13e-3 * 1.3) * 1e3, 2)
        98.43

    Source:
        data sheet LM2743, efficiency section.
    """
    return duty * inductor_rms(phase_current, ripple_current) ** 2 * high_side_resistance


@formula(
    possible={
        "duty": FRACTION,
        "phase_current": NOT_NEGATIVE,
        "low_side_resistance": NOT_NEGATIVE,
        "ripple_current": NOT_NEGATIVE,
    },
    source="data sheet LM2743, efficiency section",
)
def low_side_loss(
    duty: Number, phase_current: Number, low_side_resistance: Number, ripple_current: Number = 0.0
) -> Number:
    """Return the conduction loss of the low-side switch of one phase.

    P = (1 - D) (I^2 + dI^2 / 12) R_LS

    Parameters:
        duty [1]: share of the period in which the high side conducts.
        phase_current [A]: mean current of one phase.
        low_side_resistance [Ohm]: on-resistance at the temperature of use.
        ripple_current [A]: ripple of one phase, peak to peak; 0 leaves it out.

    Returns:
        heat in one phase [W], arguments broadcast.

    Range:
        duty 0 to 1, the rest at least 0 (physics).

    Assumptions:
        triangular ripple; dead time is short.

    Example:
        >>> round(low_side_loss(0.364, 4.0, 13e-3 * 1.3) * 1e3, 2)
        171.97

    Source:
        data sheet LM2743, efficiency section.
    """
    return (1.0 - duty) * inductor_rms(phase_current, ripple_current) ** 2 * low_side_resistance


@formula(
    possible={
        "rail_voltage": POSITIVE,
        "phase_current": POSITIVE,
        "duty": FRACTION,
        "inductor_resistance": NOT_NEGATIVE,
        "high_side_resistance": NOT_NEGATIVE,
        "low_side_resistance": NOT_NEGATIVE,
        "diode_voltage": NOT_NEGATIVE,
    },
    source="Erickson and Maksimovic, Fundamentals of Power Electronics, ch. 3",
)
def conduction_efficiency(
    rail_voltage: Number,
    phase_current: Number,
    duty: Number,
    inductor_resistance: Number,
    high_side_resistance: Number,
    low_side_resistance: Number,
    diode_voltage: Number = 0.0,
) -> Number:
    """Return the efficiency of one phase with conduction losses only.

    eta = 1 / (1 + (R_L + D R_HS + (1 - D) R_LS) / R + (1 - D) V_D / V),  R = V / I

    Parameters:
        rail_voltage [V]: output voltage.
        phase_current [A]: mean current of one phase.
        duty [1]: share of the period in which the high side conducts.
        inductor_resistance [Ohm]: winding resistance of the inductor (DCR).
        high_side_resistance [Ohm]: on-resistance of the high side.
        low_side_resistance [Ohm]: on-resistance of the low side.
        diode_voltage [V]: voltage in series with the low side that does not depend on current.

    Returns:
        efficiency [1], arguments broadcast.

    Range:
        rail_voltage and phase_current above 0, duty 0 to 1, the rest at least 0 (physics).

    Assumptions:
        steady state, small ripple, no switching loss.

    Example:
        >>> round(conduction_efficiency(1.2, 20.0, 0.1, 0.5e-3, 3e-3, 1e-3), 6)
        0.972447

    Source:
        Erickson and Maksimovic, Fundamentals of Power Electronics, ch. 3 (form, from memory).
    """
    switches = duty * high_side_resistance + (1.0 - duty) * low_side_resistance
    relative = (inductor_resistance + switches) * phase_current / rail_voltage
    return 1.0 / (1.0 + relative + (1.0 - duty) * diode_voltage / rail_voltage)
