"""Input capacitors: the effective current they carry, the heat it makes, the ripple it leaves."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number
from phasewright.physics.validity import COUNT, NOT_NEGATIVE, OPEN_FRACTION, POSITIVE, formula

__all__ = [
    "bank_loss",
    "input_capacitor_rms",
    "input_capacitor_rms_worst",
    "input_ripple",
    "part_loss",
]


@formula(
    possible={
        "rail_current": NOT_NEGATIVE,
        "duty": OPEN_FRACTION,
        "phase_count": COUNT,
        "ripple_current": NOT_NEGATIVE,
    },
    source="data sheet ISL6366, p. 38, Eq. 49-51; data sheet SLUS660H, Eq. 59",
)
def input_capacitor_rms(
    rail_current: Number, duty: Number, phase_count: Number, ripple_current: Number = 0.0
) -> Number:
    """Return the effective current in the input capacitors, with or without inductor ripple.

    I_rms = sqrt(K1 I_o^2 + K2 dI^2),  m = floor(N D),
    K1 = (N D - m) (m + 1 - N D) / N^2,
    K2 = ((m+1)^2 (N D - m)^3 + m^2 (m + 1 - N D)^3) / (12 N^2 D^2)

    Convention: rail_current is the total load current, never the current of one phase.

    Parameters:
        rail_current [A]: total output current of all phases.
        duty [1]: share of the period in which the high side conducts.
        phase_count [1]: phases at work, evenly spread over the period.
        ripple_current [A]: ripple of one phase, peak to peak; 0 leaves it out.

    Returns:
        effective current of the whole input bank [A], arguments broadcast.

    Range:
        0 < duty < 1, phase_count a whole number of at least 1, currents at least 0 (physics).

    Assumptions:
        the supply delivers the mean only and the bank all of the rest; phases alike; continuous conduction.

    Example:
        >>> round(input_capacitor_rms(65.0, 0.125, 3), 4)
        10.4893
        >>> round(input_capacitor_rms(36.0, 0.125, 3, 7.0), 2)
        5.94

    Source:
        data sheet ISL6366, p. 38, Eq. 49-51; algebraically the same as data sheet SLUS660H, Eq. 59. Without ripple
        data sheet ADP3180, p. 17, Eq. 34.
    """
    product = phase_count * duty
    m = np.floor(product)
    above, below = product - m, m + 1.0 - product
    k1 = above * below / phase_count**2
    k2 = ((m + 1.0) ** 2 * above**3 + m**2 * below**3) / (12.0 * product**2)
    return np.sqrt(k1 * rail_current**2 + k2 * ripple_current**2)


@formula(
    possible={"rail_current": NOT_NEGATIVE, "phase_count": COUNT},
    source="data sheet NCP5314, p. 20",
)
def input_capacitor_rms_worst(rail_current: Number, phase_count: Number) -> Number:
    """Return the greatest effective input-capacitor current over all duties, without inductor ripple.

    I_rms = I_o / (2 N), at D = (2 k + 1) / (2 N)

    Parameters:
        rail_current [A]: total output current of all phases.
        phase_count [1]: phases at work, evenly spread over the period.

    Returns:
        effective current of the whole input bank [A], arguments broadcast.

    Range:
        rail_current at least 0, phase_count a whole number of at least 1 (physics).

    Assumptions:
        as for input_capacitor_rms without ripple.

    Example:
        >>> input_capacitor_rms_worst(100.0, 4)
        12.5

    Source:
        data sheet NCP5314, p. 20.
    """
    return rail_current / (2.0 * phase_count)


@formula(
    possible={
        "rail_current": NOT_NEGATIVE,
        "duty": OPEN_FRACTION,
        "phase_count": COUNT,
        "switching_frequency": POSITIVE,
        "capacitance": POSITIVE,
    },
    source="own derivation, checked against a sum of shifted waveforms",
)
def input_ripple(
    rail_current: Number, duty: Number, phase_count: Number, switching_frequency: Number, capacitance: Number
) -> Number:
    """Return the voltage ripple on an input capacitance without resistance.

    dV = I_o x (1 - x) / (N^2 f C),  x = N D - floor(N D)

    Parameters:
        rail_current [A]: total output current of all phases.
        duty [1]: share of the period in which the high side conducts.
        phase_count [1]: phases at work, evenly spread over the period.
        switching_frequency [Hz]: frequency of one phase.
        capacitance [F]: input capacitance at the input voltage.

    Returns:
        ripple voltage, peak to peak [V], arguments broadcast.

    Range:
        0 < duty < 1, phase_count a whole number of at least 1, the rest above 0 (physics).

    Assumptions:
        the supply delivers the mean only; inductor ripple left out.

    Example:
        >>> round(input_ripple(100.0, 0.1, 1, 400e3, 100e-6), 6)
        0.225

    Source:
        own derivation, checked against a sum of shifted waveforms.
    """
    product = phase_count * duty
    beat = product - np.floor(product)
    return rail_current * beat * (1.0 - beat) / (phase_count**2 * switching_frequency * capacitance)


@formula(
    possible={"rms_current": NOT_NEGATIVE, "part_resistance": NOT_NEGATIVE, "part_count": COUNT},
    source="Joule's law",
)
def bank_loss(rms_current: Number, part_resistance: Number, part_count: Number = 1.0) -> Number:
    """Return the heat in a bank of equal capacitors, all parts together.

    P = I^2 r / n

    Parameters:
        rms_current [A]: effective current of the whole bank.
        part_resistance [Ohm]: resistance of one part (ESR).
        part_count [1]: equal parts in parallel.

    Returns:
        heat in the whole bank [W], arguments broadcast; for one part see part_loss.

    Range:
        rms_current and part_resistance at least 0, part_count a whole number of at least 1 (physics).

    Assumptions:
        parts share alike.

    Example:
        >>> round(bank_loss(4.28, 0.018, 2), 3)
        0.165

    Source:
        Joule's law; data sheet SNVS205D, p. 15, prints 0.084 W, which is the loss of one of its two parts.
    """
    return rms_current**2 * part_resistance / part_count


@formula(
    possible={"rms_current": NOT_NEGATIVE, "part_resistance": NOT_NEGATIVE, "part_count": COUNT},
    source="Joule's law",
)
def part_loss(rms_current: Number, part_resistance: Number, part_count: Number = 1.0) -> Number:
    """Return the heat in one capacitor of a bank of equal ones.

    P = (I / n)^2 r

    Parameters:
        rms_current [A]: effective current of the whole bank.
        part_resistance [Ohm]: resistance of one part (ESR).
        part_count [1]: equal parts in parallel.

    Returns:
        heat in one part [W], arguments broadcast; for the whole bank see bank_loss.

    Range:
        rms_current and part_resistance at least 0, part_count a whole number of at least 1 (physics).

    Assumptions:
        parts share alike.

    Example:
        >>> round(part_loss(4.28, 0.018, 2), 3)
        0.082

    Source:
        Joule's law.
    """
    return (rms_current / part_count) ** 2 * part_resistance
