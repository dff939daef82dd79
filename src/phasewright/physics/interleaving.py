"""What is left of the ripple when the phases are interleaved: output current and output voltage."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number, refuse
from phasewright.physics.buck import phase_ripple
from phasewright.physics.validity import COUNT, NOT_NEGATIVE, OPEN_FRACTION, POSITIVE, formula

__all__ = [
    "capacitive_ripple",
    "esl_ripple",
    "esr_limit",
    "inductance_for_output_ripple",
    "output_ripple",
    "ripple_factor",
    "total_ripple",
    "total_ripple_ratio",
]

DERIVED = "own derivation, checked against a sum of shifted waveforms"


def _beat(duty: Number, phase_count: Number) -> Number:
    """Return N D - floor(N D): the duty of the waveform that N interleaved phases make together."""
    product = phase_count * duty
    return product - np.floor(product)


@formula(possible={"duty": OPEN_FRACTION, "phase_count": COUNT}, source=DERIVED)
def total_ripple_ratio(duty: Number, phase_count: Number) -> Number:
    """Return the ripple of the summed inductor currents over the ripple of one phase.

    K = N (D - m/N) ((m+1)/N - D) / (D (1 - D)),  m = floor(N D)

    Parameters:
        duty [1]: share of the period in which the high side conducts.
        phase_count [1]: phases at work, evenly spread over the period.

    Returns:
        ratio of peak-to-peak values [1], arguments broadcast; 0 at duty k/N.

    Range:
        0 < duty < 1, phase_count a whole number of at least 1 (physics).

    Assumptions:
        phases alike in inductance, duty and spacing; what a mismatch leaves at duty k/N is not in it.

    Example:
        >>> round(total_ripple_ratio(0.1, 4), 6)
        0.666667

    Source:
        own derivation, checked against a sum of shifted waveforms; the product form of data sheet SLUS660H, Eq. 57, is
        the same times 1 / (1 - D).
    """
    beat = _beat(duty, phase_count)
    return beat * (1.0 - beat) / (phase_count * duty * (1.0 - duty))


@formula(possible={"duty": OPEN_FRACTION, "phase_count": COUNT}, source="data sheet SLUS660H, Eq. 57, p. 50")
def ripple_factor(duty: Number, phase_count: Number) -> Number:
    """Return the ripple of the summed inductor currents in units of V_o / (L f).

    k = K (1 - D), the product form prod |i - N D| / prod (|i - N D| + 1) of data sheets

    Parameters:
        duty [1]: share of the period in which the high side conducts.
        phase_count [1]: phases at work, evenly spread over the period.

    Returns:
        total ripple over V_o / (L f) [1], arguments broadcast.

    Range:
        0 < duty < 1, phase_count a whole number of at least 1 (physics).

    Assumptions:
        as for total_ripple_ratio.

    Example:
        >>> round(ripple_factor(0.3, 4), 6)
        0.133333

    Source:
        data sheet SLUS660H, Eq. 57, p. 50; SLUU195, Eq. 6, p. 9.
    """
    return total_ripple_ratio(duty, phase_count) * (1.0 - duty)


@formula(
    possible={
        "input_voltage": POSITIVE,
        "rail_voltage": POSITIVE,
        "inductance": POSITIVE,
        "switching_frequency": POSITIVE,
        "phase_count": COUNT,
    },
    source=DERIVED,
)
def total_ripple(
    input_voltage: Number,
    rail_voltage: Number,
    inductance: Number,
    switching_frequency: Number,
    phase_count: Number,
) -> Number:
    """Return the peak-to-peak ripple of the summed inductor currents.

    I_pp = K dI; for D < 1/N this is V_o (V_in - N V_o) / (L f V_in)

    Parameters:
        input_voltage [V]: voltage at the high-side switches.
        rail_voltage [V]: output voltage.
        inductance [H]: inductance of one phase.
        switching_frequency [Hz]: frequency of one phase.
        phase_count [1]: phases at work, evenly spread over the period.

    Returns:
        total ripple, peak to peak [A], arguments broadcast; it repeats at phase_count times switching_frequency.

    Range:
        0 < rail_voltage < input_voltage (volt-second balance), phase_count a whole number of at least 1.

    Assumptions:
        as for phase_ripple and total_ripple_ratio.

    Example:
        >>> round(total_ripple(12.0, 1.2, 0.22e-6, 400e3, 4), 4)
        8.1818

    Source:
        own derivation; for D < 1/N data sheet ISL6316, p. 12, Eq. 2.
    """
    ripple = phase_ripple(input_voltage, rail_voltage, inductance, switching_frequency)
    return total_ripple_ratio(rail_voltage / input_voltage, phase_count) * ripple


@formula(
    possible={
        "ripple_current": NOT_NEGATIVE,
        "capacitance": POSITIVE,
        "switching_frequency": POSITIVE,
        "phase_count": COUNT,
    },
    source="integral of a triangle",
)
def capacitive_ripple(
    ripple_current: Number, capacitance: Number, switching_frequency: Number, phase_count: Number
) -> Number:
    """Return the voltage ripple that a ripple current makes on a capacitance without resistance.

    dV = I_pp / (8 N f C)

    Convention: the summed ripple repeats at N f. Some data sheets put f of one phase here, which gives N times as
    much; with their convention pass phase_count = 1.

    Parameters:
        ripple_current [A]: total ripple of all phases, peak to peak.
        capacitance [F]: output capacitance at the rail voltage.
        switching_frequency [Hz]: frequency of one phase.
        phase_count [1]: phases at work, evenly spread over the period.

    Returns:
        ripple voltage, peak to peak [V], arguments broadcast.

    Range:
        ripple_current at least 0, capacitance and switching_frequency above 0, phase_count at least 1 (physics).

    Assumptions:
        triangular ripple, all of it in the capacitance.

    Example:
        >>> round(capacitive_ripple(1.573, 356e-6, 650e3, 4) * 1e6, 1)
        212.4

    Source:
        integral of a triangle; data sheet SLUS660H, p. 54, prints it without N (849.7 uV for the same case).
    """
    return ripple_current / (8.0 * phase_count * switching_frequency * capacitance)


@formula(
    possible={
        "ripple_current": NOT_NEGATIVE,
        "duty": OPEN_FRACTION,
        "switching_frequency": POSITIVE,
        "phase_count": COUNT,
        "capacitance": POSITIVE,
        "capacitor_resistance": NOT_NEGATIVE,
    },
    source=DERIVED,
)
def output_ripple(
    ripple_current: Number,
    duty: Number,
    switching_frequency: Number,
    phase_count: Number,
    capacitance: Number,
    capacitor_resistance: Number,
) -> Number:
    """Return the exact voltage ripple that a triangular ripple current makes on a capacitance with resistance.

    dV = I_pp sum over both slopes t_k of (t_k / (8 C) + r^2 C / (2 t_k) if r C < t_k / 2, else r / 2),
    t_1 = x / (N f), t_2 = (1 - x) / (N f), x = N D - floor(N D)

    Parameters:
        ripple_current [A]: total ripple of all phases, peak to peak.
        duty [1]: share of the period in which the high side of one phase conducts.
        switching_frequency [Hz]: frequency of one phase.
        phase_count [1]: phases at work, evenly spread over the period.
        capacitance [F]: output capacitance at the rail voltage.
        capacitor_resistance [Ohm]: resistance in series with it (ESR of the bank).

    Returns:
        ripple voltage, peak to peak [V], arguments broadcast; for the step of the series inductance see esl_ripple.

    Range:
        0 < duty < 1, phase_count a whole number of at least 1, capacitance above 0, the rest at least 0 (physics).

    Assumptions:
        all of the ripple current flows in one capacitor bank of one time constant.

    Example:
        >>> round(output_ripple(8.0, 0.1, 400e3, 4, 2e-3, 0.0) * 1e6, 1)
        312.5

    Source:
        own derivation, checked against a sum of shifted waveforms; without resistance it is capacitive_ripple, with a
        large one I_pp r.
    """
    beat = _beat(duty, phase_count)
    period = 1.0 / (phase_count * switching_frequency)
    total: Number = 0.0
    for slope in (beat * period, (1.0 - beat) * period):
        # A slope of no length carries no ripple current; the tiny floor only keeps the unused branch finite.
        length = np.maximum(slope, 1e-30)
        bent = length / (8.0 * capacitance) + capacitor_resistance**2 * capacitance / (2.0 * length)
        straight = capacitor_resistance / 2.0
        total = total + np.where(capacitor_resistance * capacitance >= length / 2.0, straight, bent)
    return ripple_current * total


@formula(
    possible={"input_voltage": POSITIVE, "inductance": POSITIVE, "parasitic_inductance": NOT_NEGATIVE},
    source=DERIVED,
)
def esl_ripple(input_voltage: Number, inductance: Number, parasitic_inductance: Number) -> Number:
    """Return the voltage step that each switching edge makes on the series inductance of the output capacitors.

    dV = V_in L_s / L

    Parameters:
        input_voltage [V]: voltage at the high-side switches.
        inductance [H]: inductance of one phase.
        parasitic_inductance [H]: series inductance of the output capacitor bank (ESL).

    Returns:
        step [V], arguments broadcast; the same for every phase count and duty.

    Range:
        parasitic_inductance at least 0 and far below inductance (each edge then changes the total slope by V_in / L).

    Assumptions:
        one phase switches at a time; edges are short.

    Example:
        >>> round(esl_ripple(12.0, 0.22e-6, 20e-12) * 1e3, 3)
        1.091

    Source:
        own derivation: one edge changes one inductor's voltage by V_in.
    """
    return input_voltage * parasitic_inductance / inductance


@formula(
    possible={
        "ripple_voltage": POSITIVE,
        "ripple_current": POSITIVE,
        "capacitance": POSITIVE,
        "switching_frequency": POSITIVE,
        "phase_count": COUNT,
    },
    source="data sheet SLUS930B, p. 52",
)
def esr_limit(
    ripple_voltage: Number,
    ripple_current: Number,
    capacitance: Number,
    switching_frequency: Number,
    phase_count: Number,
) -> Number:
    """Return the resistance that output capacitors may have for a wanted voltage ripple, on the safe side.

    r = (V_pp - I_pp / (8 N f C)) / I_pp

    Parameters:
        ripple_voltage [V]: wanted voltage ripple, peak to peak.
        ripple_current [A]: total ripple of all phases, peak to peak.
        capacitance [F]: output capacitance at the rail voltage.
        switching_frequency [Hz]: frequency of one phase.
        phase_count [1]: phases at work, evenly spread over the period.

    Returns:
        greatest resistance of the bank [Ohm], arguments broadcast.

    Range:
        ripple_voltage above the capacitive part alone (otherwise no resistance is small enough); all above 0.

    Assumptions:
        the peaks of both parts add, which they never fully do: the exact ripple of output_ripple is smaller.

    Example:
        >>> round(esr_limit(0.050, 4.88, 521e-6, 300e3, 1) * 1e3, 2)
        9.45

    Source:
        data sheet SLUS930B, p. 52.
    """
    capacitive = capacitive_ripple(ripple_current, capacitance, switching_frequency, phase_count)
    left = ripple_voltage - capacitive
    if np.any(left <= 0.0):
        raise refuse(
            "ripple_voltage",
            float(np.min(ripple_voltage)),
            "the capacitance alone must make less ripple than wanted",
            "take more capacitance [F] or allow more ripple [V]",
            "esr_limit: impossible arguments",
        )
    return left / ripple_current


@formula(
    possible={
        "rail_voltage": POSITIVE,
        "duty": OPEN_FRACTION,
        "phase_count": COUNT,
        "switching_frequency": POSITIVE,
        "output_resistance": POSITIVE,
        "ripple_voltage": POSITIVE,
    },
    source="data sheet ADP3180, design example",
)
def inductance_for_output_ripple(
    rail_voltage: Number,
    duty: Number,
    phase_count: Number,
    switching_frequency: Number,
    output_resistance: Number,
    ripple_voltage: Number,
) -> Number:
    """Return the least inductance of one phase for a wanted voltage ripple across a resistance-like output.

    L = V_o R_o (1 - N D) / (f V_pp)

    Parameters:
        rail_voltage [V]: output voltage.
        duty [1]: share of the period in which the high side conducts.
        phase_count [1]: phases at work, evenly spread over the period.
        switching_frequency [Hz]: frequency of one phase.
        output_resistance [Ohm]: resistance that the ripple current sees at the output.
        ripple_voltage [V]: wanted voltage ripple, peak to peak.

    Returns:
        least inductance [H], arguments broadcast.

    Range:
        phase_count times duty below 1 (data sheet; beyond it the ripple follows total_ripple_ratio).

    Assumptions:
        the output looks like a resistance at the ripple frequency.

    Example:
        >>> round(inductance_for_output_ripple(1.5, 0.125, 3, 228e3, 1.3e-3, 10e-3) * 1e9, 1)
        534.5

    Source:
        data sheet ADP3180, design example (from memory).
    """
    product = phase_count * duty
    if np.any(product >= 1.0):
        raise refuse(
            "phase_count * duty",
            float(np.max(product)),
            "this form holds only below 1",
            "use total_ripple for any phase count and duty",
            "inductance_for_output_ripple: impossible arguments",
        )
    return rail_voltage * output_resistance * (1.0 - product) / (switching_frequency * ripple_voltage)
