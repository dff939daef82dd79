"""Load steps: where the voltage goes when the current changes, and what inductance and capacitance it takes."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number, require_below
from phasewright.physics.validity import COUNT, NOT_NEGATIVE, POSITIVE, formula

__all__ = [
    "capacitance_for_overshoot",
    "charge_capacitance",
    "critical_inductance",
    "esl_kick",
    "greatest_inductance",
    "inductor_slew_time",
    "overshoot_of",
    "sizing_inductance",
    "step_excursion",
    "step_excursion_time",
    "total_slew",
]

DERIVED = "own derivation, checked by simulation"


@formula(
    possible={"inductor_voltage": POSITIVE, "inductance": POSITIVE, "phase_count": COUNT},
    source="law of induction",
)
def total_slew(inductor_voltage: Number, inductance: Number, phase_count: Number) -> Number:
    """Return how fast all phases together can change their current.

    m = N V_L / L

    Parameters:
        inductor_voltage [V]: voltage across each inductor: input less rail voltage going up, rail voltage going down.
        inductance [H]: inductance of one phase.
        phase_count [1]: phases that act at once.

    Returns:
        slope of the summed current [A/s], arguments broadcast.

    Range:
        all above 0, phase_count a whole number of at least 1 (physics).

    Assumptions:
        all phases switched the same way, no delay.

    Example:
        >>> round(total_slew(10.8, 0.22e-6, 6) / 1e6, 2)
        294.55

    Source:
        law of induction.
    """
    return phase_count * inductor_voltage / inductance


@formula(
    possible={
        "current_step": NOT_NEGATIVE,
        "slew": POSITIVE,
        "capacitance": POSITIVE,
        "capacitor_resistance": NOT_NEGATIVE,
    },
    source=DERIVED,
)
def step_excursion(current_step: Number, slew: Number, capacitance: Number, capacitor_resistance: Number) -> Number:
    """Return the greatest voltage excursion after a sudden load step with slew-limited inductors.

    dV = r dI if dI/m <= r C, else dI^2 / (2 m C) + m C r^2 / 2

    Parameters:
        current_step [A]: size of the step, without sign.
        slew [A/s]: slope of the summed inductor current, from total_slew.
        capacitance [F]: output capacitance at the rail voltage.
        capacitor_resistance [Ohm]: its series resistance (ESR of the bank).

    Returns:
        excursion without sign [V], arguments broadcast; the kick of the series inductance is esl_kick.

    Range:
        slew and capacitance above 0, the rest at least 0 (physics).

    Assumptions:
        instant step; the inductors answer at once and at full slope; one capacitor bank; voltage across the inductors
        constant during the excursion.

    Example:
        >>> round(step_excursion(100.0, 294.5454545e6, 4e-3, 0.5e-3) * 1e3, 6)
        50.0

    Source:
        own derivation, checked by simulation.
    """
    ramp = current_step / slew
    delay = capacitor_resistance * capacitance
    bowed = current_step**2 / (2.0 * slew * capacitance) + slew * capacitance * capacitor_resistance**2 / 2.0
    return np.where(ramp <= delay, capacitor_resistance * current_step, bowed)


@formula(
    possible={
        "current_step": NOT_NEGATIVE,
        "slew": POSITIVE,
        "capacitance": POSITIVE,
        "capacitor_resistance": NOT_NEGATIVE,
    },
    source=DERIVED,
)
def step_excursion_time(
    current_step: Number, slew: Number, capacitance: Number, capacitor_resistance: Number
) -> Number:
    """Return the time from a load step to the greatest voltage excursion.

    t = max(dI / m - r C, 0)

    Parameters:
        current_step [A]: size of the step, without sign.
        slew [A/s]: slope of the summed inductor current, from total_slew.
        capacitance [F]: output capacitance at the rail voltage.
        capacitor_resistance [Ohm]: its series resistance (ESR of the bank).

    Returns:
        time [s], arguments broadcast.

    Range:
        slew and capacitance above 0, the rest at least 0 (physics).

    Assumptions:
        as for step_excursion.

    Example:
        >>> step_excursion_time(100.0, 50e6, 4e-3, 0.25e-3)
        1e-06

    Source:
        own derivation, checked by simulation.
    """
    return np.maximum(current_step / slew - capacitor_resistance * capacitance, 0.0)


@formula(
    possible={
        "inductor_voltage": POSITIVE,
        "phase_count": COUNT,
        "capacitance": POSITIVE,
        "capacitor_resistance": NOT_NEGATIVE,
        "current_step": POSITIVE,
    },
    source=DERIVED,
)
def critical_inductance(
    inductor_voltage: Number,
    phase_count: Number,
    capacitance: Number,
    capacitor_resistance: Number,
    current_step: Number,
) -> Number:
    """Return the inductance of one phase above which a load step moves the voltage by more than r dI.

    L_c = N V_L r C / dI

    Parameters:
        inductor_voltage [V]: voltage across each inductor: input less rail voltage going up, rail voltage going down.
        phase_count [1]: phases that act at once.
        capacitance [F]: output capacitance at the rail voltage.
        capacitor_resistance [Ohm]: its series resistance (ESR of the bank).
        current_step [A]: size of the step, without sign.

    Returns:
        critical inductance [H], arguments broadcast.

    Range:
        phase_count a whole number of at least 1, capacitor_resistance at least 0, the rest above 0 (physics).

    Assumptions:
        as for step_excursion.

    Example:
        >>> round(critical_inductance(1.2, 6, 4e-3, 0.5e-3, 100.0) * 1e9, 6)
        144.0

    Source:
        own derivation, checked by simulation; the concept is the critical inductance of regulator literature.
    """
    return phase_count * inductor_voltage * capacitor_resistance * capacitance / current_step


def _require_above_esr(
    function: str, excursion_limit: Number, capacitor_resistance: Number, current_step: Number
) -> None:
    require_below(
        function, "capacitor_resistance * current_step", capacitor_resistance * current_step,
        "excursion_limit", excursion_limit,
    )  # fmt: skip


@formula(
    possible={
        "excursion_limit": POSITIVE,
        "inductor_voltage": POSITIVE,
        "phase_count": COUNT,
        "capacitance": POSITIVE,
        "capacitor_resistance": NOT_NEGATIVE,
        "current_step": POSITIVE,
    },
    source=DERIVED,
)
def greatest_inductance(
    excursion_limit: Number,
    inductor_voltage: Number,
    phase_count: Number,
    capacitance: Number,
    capacitor_resistance: Number,
    current_step: Number,
) -> Number:
    """Return the greatest inductance of one phase for which a load step stays within a limit; exact.

    L = N V_L C (dV + sqrt(dV^2 - (r dI)^2)) / dI^2

    Parameters:
        excursion_limit [V]: greatest excursion allowed; above r dI, which no inductance undercuts.
        inductor_voltage [V]: voltage across each inductor: input less rail voltage going up, rail voltage going down.
        phase_count [1]: phases that act at once.
        capacitance [F]: output capacitance at the rail voltage.
        capacitor_resistance [Ohm]: its series resistance (ESR of the bank).
        current_step [A]: size of the step, without sign.

    Returns:
        greatest inductance [H], arguments broadcast.

    Range:
        excursion_limit above capacitor_resistance times current_step (physics); phase_count a whole number.

    Assumptions:
        as for step_excursion, whose inverse this is.

    Example:
        >>> round(greatest_inductance(54.5455e-3, 1.2, 6, 4e-3, 0.5e-3, 100.0) * 1e6, 3)
        0.22

    Source:
        own derivation, checked by simulation.
    """
    _require_above_esr("greatest_inductance", excursion_limit, capacitor_resistance, current_step)
    root = np.sqrt(excursion_limit**2 - (capacitor_resistance * current_step) ** 2)
    return phase_count * inductor_voltage * capacitance * (excursion_limit + root) / current_step**2


@formula(
    possible={
        "excursion_limit": POSITIVE,
        "inductor_voltage": POSITIVE,
        "phase_count": COUNT,
        "capacitance": POSITIVE,
        "capacitor_resistance": NOT_NEGATIVE,
        "current_step": POSITIVE,
        "sizing_factor": POSITIVE,
    },
    source="data sheet ISL6326, p. 28, Eq. 39-40",
)
def sizing_inductance(
    excursion_limit: Number,
    inductor_voltage: Number,
    phase_count: Number,
    capacitance: Number,
    capacitor_resistance: Number,
    current_step: Number,
    sizing_factor: Number = 2.0,
) -> Number:
    """Return the data-sheet bound for the inductance of one phase, on the safe side of greatest_inductance.

    L = s N C V_L (dV - r dI) / dI^2

    Parameters:
        excursion_limit [V]: greatest excursion allowed; above r dI.
        inductor_voltage [V]: rail voltage for a release, input less rail voltage for a step up.
        phase_count [1]: phases that act at once.
        capacitance [F]: output capacitance at the rail voltage.
        capacitor_resistance [Ohm]: its series resistance (ESR of the bank).
        current_step [A]: size of the step, without sign.
        sizing_factor [1]: 2 for a release, 1.25 for a step up (data sheet).

    Returns:
        bound for the inductance [H], arguments broadcast.

    Range:
        excursion_limit above capacitor_resistance times current_step (physics); phase_count a whole number.

    Assumptions:
        as for step_excursion; the r dI part is taken as if it came on top at the peak.

    Example:
        >>> round(sizing_inductance(54.5455e-3, 1.2, 6, 4e-3, 0.5e-3, 100.0) * 1e9, 2)
        26.18

    Source:
        data sheet ISL6326, p. 28, Eq. 39-40.
    """
    _require_above_esr("sizing_inductance", excursion_limit, capacitor_resistance, current_step)
    left = excursion_limit - capacitor_resistance * current_step
    return sizing_factor * phase_count * capacitance * inductor_voltage * left / current_step**2


@formula(
    possible={
        "inductance": POSITIVE,
        "current_step": NOT_NEGATIVE,
        "capacitance": POSITIVE,
        "rail_voltage": POSITIVE,
        "phase_count": COUNT,
    },
    source="conservation of energy; data sheet ADP2102 Rev. B, p. 21",
)
def overshoot_of(
    inductance: Number, current_step: Number, capacitance: Number, rail_voltage: Number, phase_count: Number = 1.0
) -> Number:
    """Return the overshoot when the load lets go and the inductors' energy goes into the capacitors.

    dV = sqrt(V_o^2 + (L/N) I^2 / C) - V_o

    Parameters:
        inductance [H]: inductance of one phase.
        current_step [A]: current released, all phases together.
        capacitance [F]: output capacitance at the rail voltage.
        rail_voltage [V]: output voltage before.
        phase_count [1]: phases that share the current.

    Returns:
        overshoot [V], arguments broadcast.

    Range:
        current_step at least 0, the rest above 0 (physics).

    Assumptions:
        no resistance, no load left, low sides conducting; with resistance see step_excursion.

    Example:
        >>> round(overshoot_of(2.2e-6, 0.6, 4.340e-6, 1.8) * 1e3, 1)
        50.0

    Source:
        conservation of energy; data sheet ADP2102 Rev. B, p. 21.
    """
    energy = inductance / phase_count * current_step**2 / capacitance
    # The difference of the two roots, written so that small overshoots keep their digits.
    return energy / (np.sqrt(rail_voltage**2 + energy) + rail_voltage)


@formula(
    possible={
        "inductance": POSITIVE,
        "current_step": POSITIVE,
        "rail_voltage": POSITIVE,
        "overshoot": POSITIVE,
        "phase_count": COUNT,
    },
    source="data sheet ADP2102 Rev. B, p. 21",
)
def capacitance_for_overshoot(
    inductance: Number, current_step: Number, rail_voltage: Number, overshoot: Number, phase_count: Number = 1.0
) -> Number:
    """Return the output capacitance that takes up the inductors' energy within an overshoot.

    C = (L/N) I^2 / ((V_o + dV)^2 - V_o^2)

    Parameters:
        inductance [H]: inductance of one phase.
        current_step [A]: current released, all phases together.
        rail_voltage [V]: output voltage before.
        overshoot [V]: overshoot allowed.
        phase_count [1]: phases that share the current.

    Returns:
        capacitance [F], arguments broadcast.

    Range:
        all above 0, phase_count a whole number of at least 1 (physics).

    Assumptions:
        as for overshoot_of, whose inverse this is.

    Example:
        >>> round(capacitance_for_overshoot(2.2e-6, 0.6, 1.8, 50e-3) * 1e6, 3)
        4.34

    Source:
        data sheet ADP2102 Rev. B, p. 21.
    """
    return inductance / phase_count * current_step**2 / (overshoot * (2.0 * rail_voltage + overshoot))


@formula(
    possible={
        "inductance": POSITIVE,
        "current_step": POSITIVE,
        "rail_voltage": POSITIVE,
        "overshoot": POSITIVE,
        "phase_count": COUNT,
    },
    source="data sheet SLUS930B, p. 52",
)
def charge_capacitance(
    inductance: Number, current_step: Number, rail_voltage: Number, overshoot: Number, phase_count: Number = 1.0
) -> Number:
    """Return the data-sheet output capacitance for an overshoot, about twice what energy asks for.

    C = (L/N) I^2 / (V_o dV)

    Convention: the source leaves out the factor 2 of the falling ramp's charge, which makes it safe;
    capacitance_for_overshoot has it.

    Parameters:
        inductance [H]: inductance of one phase.
        current_step [A]: current released, all phases together.
        rail_voltage [V]: output voltage before.
        overshoot [V]: overshoot allowed.
        phase_count [1]: phases that share the current.

    Returns:
        capacitance [F], arguments broadcast.

    Range:
        all above 0, phase_count a whole number of at least 1 (physics).

    Assumptions:
        as for overshoot_of, with a factor 2 in hand.

    Example:
        >>> round(charge_capacitance(750e-9, 10.0, 1.2, 120e-3) * 1e6, 1)
        520.8

    Source:
        data sheet SLUS930B, p. 52; data sheet SLUS660H, p. 43-44.
    """
    return inductance / phase_count * current_step**2 / (rail_voltage * overshoot)


@formula(
    possible={"inductance": POSITIVE, "current_change": NOT_NEGATIVE, "inductor_voltage": POSITIVE},
    source="data sheet NCP5316, p. 21, Eq. 3.1-3.2",
)
def inductor_slew_time(inductance: Number, current_change: Number, inductor_voltage: Number) -> Number:
    """Return the time in which one inductor's current changes by a given amount.

    t = L dI / V_L

    Parameters:
        inductance [H]: inductance of one phase.
        current_change [A]: change of one phase's current, without sign.
        inductor_voltage [V]: voltage across the inductor: input less rail voltage going up, rail voltage going down.

    Returns:
        time [s], arguments broadcast.

    Range:
        inductance and inductor_voltage above 0, current_change at least 0 (physics).

    Assumptions:
        switch held on, or off, for the whole time.

    Example:
        >>> round(inductor_slew_time(0.22e-6, 100.0 / 6, 10.8) * 1e6, 4)
        0.3395

    Source:
        data sheet NCP5316, p. 21, Eq. 3.1-3.2.
    """
    return inductance * current_change / inductor_voltage


@formula(
    possible={"parasitic_inductance": NOT_NEGATIVE, "load_slew": NOT_NEGATIVE},
    source="law of induction",
)
def esl_kick(parasitic_inductance: Number, load_slew: Number) -> Number:
    """Return the voltage kick of a series inductance while the load current ramps.

    dV = L_s dI/dt

    Parameters:
        parasitic_inductance [H]: inductance between the voltage and the load.
        load_slew [A/s]: slope of the load current, without sign.

    Returns:
        kick [V], arguments broadcast.

    Range:
        both at least 0 (physics).

    Assumptions:
        straight ramp, all of the current through this inductance.

    Example:
        >>> round(esl_kick(10e-12, 1200e6) * 1e3, 6)
        12.0

    Source:
        law of induction; load slope of VRM/EVRD 10.2 design guidelines, p. 9.
    """
    return parasitic_inductance * load_slew
