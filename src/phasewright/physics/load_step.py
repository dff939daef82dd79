"""Load steps of finite speed: charge lent by the capacitors, voltage in time, recovery, and what the phases then carry.

The load rises straight over its own time, the phases start after a delay and rise straight; all of it is piecewise
linear in current and so piecewise quadratic in charge, exact between its corners. transient.py has the special case
of a sudden load and phases that answer at once.
"""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number
from phasewright.physics.validity import NOT_NEGATIVE, POSITIVE, Bound, formula

__all__ = [
    "load_step_charge",
    "load_step_deviation",
    "load_step_excursion",
    "load_step_settling",
    "recovery_current",
    "recovery_duration",
]

DERIVED = "own derivation, checked by an ODE solver"
SLEW = Bound(low=0.0, open_low=True, infinite=True)
"""Infinite: the load changes at once."""
_COMMON = {
    "current_step": NOT_NEGATIVE,
    "load_slew": SLEW,
    "slew": POSITIVE,
    "capacitance": POSITIVE,
    "capacitor_resistance": NOT_NEGATIVE,
    "delay": NOT_NEGATIVE,
}


def _known(answer: Number, *asked: Number) -> Number:
    """Return the answer, NaN where anything asked is NaN: a comparison with what is unknown must not decide it."""
    return np.where(np.isnan(sum(asked)), np.nan, answer)


def _free(time: Number, step: Number, load_slew: Number, slew: Number, delay: Number) -> tuple[Number, Number]:
    """Return (current, charge) taken from the capacitors while the phases rise without end, at times of at least 0."""
    ramp = step / load_slew
    share = np.where(time < ramp, time / np.where(ramp > 0.0, ramp, 1.0), 1.0)
    drawn = step * np.where(time < ramp, 0.5 * share * time, time - 0.5 * ramp)
    late = np.maximum(time - delay, 0.0)
    return step * share - slew * late, drawn - 0.5 * slew * late**2


def _catch_up(step: Number, load_slew: Number, slew: Number, delay: Number) -> Number:
    """Return the time [s] at which the phases first carry the whole load."""
    ramp = step / load_slew
    faster = slew > load_slew
    gap = np.where(faster & np.isfinite(load_slew), slew - load_slew, 1.0)
    on_the_way = np.where(faster, slew * delay / gap, np.inf)
    return np.where(on_the_way < ramp, on_the_way, delay + step / slew)


def _peak(step: Number, load_slew: Number, slew: Number, capacitance: Number, resistance: Number,
          delay: Number) -> tuple[Number, Number]:  # fmt: skip
    """Return (greatest excursion [V], when [s])."""
    ramp = step / load_slew
    corner = np.maximum(delay, ramp)
    faster = slew > load_slew
    gap = np.where(faster & np.isfinite(load_slew), slew - load_slew, 1.0)
    rising = np.where(faster, (slew * delay) / gap - capacitance * resistance, delay)
    low = np.minimum(delay, ramp)
    best, when = np.zeros(()), np.zeros(())
    for moment in (
        delay,
        ramp,
        np.clip(rising, low, ramp),
        np.maximum(delay + step / slew - capacitance * resistance, corner),
    ):
        current, charge = _free(moment, step, load_slew, slew, delay)
        there = resistance * current + charge / capacitance
        when = np.where(there > best, moment, when)
        best = np.maximum(best, there)
    return best, when


@formula(
    possible={name: _COMMON[name] for name in ("current_step", "load_slew", "slew", "delay")}, source=DERIVED
)
def load_step_charge(current_step: Number, load_slew: Number, slew: Number, delay: Number = 0.0) -> Number:
    """Return the charge that the output capacitors lend until the phases carry a load step.

    Q = dI^2 / (2 m) + dI t_d - dI^2 / (2 s); where the phases catch up on the way, s t_d t* / 2 with t* = m t_d / (m - s)

    Parameters:
        current_step [A]: size of the step, without sign.
        load_slew [A/s]: s, how fast the load changes; infinite for a sudden step.
        slew [A/s]: m, slope of the summed inductor current, from total_slew.
        delay [s]: t_d, from the begin of the step until the phases act.

    Returns:
        charge without sign [C], arguments broadcast; 0 where the phases are as fast as the load and act at once.

    Range:
        both slopes above 0, the rest at least 0 (physics).

    Assumptions:
        straight ramps; all phases switched the same way once they act.

    Example:
        >>> round(load_step_charge(100.0, 1e12, 50e6) * 1e6, 3)
        99.995

    Source:
        own derivation, checked by an ODE solver.
    """
    until = _catch_up(current_step, load_slew, slew, delay)
    lent = np.maximum(_free(until, current_step, load_slew, slew, delay)[1], 0.0)
    return _known(lent, current_step, load_slew, slew, delay)


@formula(possible=_COMMON, source=DERIVED)
def load_step_excursion(
    current_step: Number,
    load_slew: Number,
    slew: Number,
    capacitance: Number,
    capacitor_resistance: Number,
    delay: Number = 0.0,
) -> Number:
    """Return the greatest voltage excursion after a load step of finite speed that the phases answer late.

    dV = max of r i(t) + q(t) / C; for a slow enough catching up dI^2 / (2 m C) + m C r^2 / 2 + dI (t_d - dI / (2 s)) / C

    Parameters:
        current_step [A]: size of the step, without sign.
        load_slew [A/s]: s, how fast the load changes; infinite for a sudden step.
        slew [A/s]: m, slope of the summed inductor current, from total_slew.
        capacitance [F]: output capacitance at the rail voltage.
        capacitor_resistance [Ohm]: its series resistance (ESR of the bank).
        delay [s]: t_d, from the begin of the step until the phases act.

    Returns:
        excursion without sign [V], arguments broadcast; step_excursion is the case of a sudden step without delay.

    Range:
        slopes and capacitance above 0, the rest at least 0 (physics).

    Assumptions:
        straight ramps; one capacitor bank; voltage across the inductors constant during the excursion.

    Example:
        >>> round(load_step_excursion(100.0, 1e15, 294.5454545e6, 4e-3, 0.5e-3) * 1e3, 4)
        50.0

    Source:
        own derivation, checked by an ODE solver.
    """
    asked = (current_step, load_slew, slew, capacitance, capacitor_resistance, delay)
    return _known(_peak(*asked)[0], *asked)


@formula(
    possible={"charge": NOT_NEGATIVE, "slew": POSITIVE, "return_slew": POSITIVE}, source=DERIVED
)
def recovery_current(charge: Number, slew: Number, return_slew: Number) -> Number:
    """Return the current beyond the load that gives a charge back to the capacitors in the least time.

    x = sqrt(2 Q m1 m2 / (m1 + m2))

    Parameters:
        charge [C]: charge to be given back.
        slew [A/s]: m1, slope away from the load current.
        return_slew [A/s]: m2, slope back to it, without sign.

    Returns:
        greatest excess of the summed inductor current over the load [A], arguments broadcast.

    Range:
        both slopes above 0, charge at least 0 (physics).

    Assumptions:
        full slope away, then full slope back; slower control needs less current and more time, poor control more of
        both.

    Example:
        >>> round(recovery_current(100e-6, 300e6, 50e6), 2)
        92.58

    Source:
        own derivation, checked by an ODE solver.
    """
    return np.sqrt(2.0 * charge * slew * return_slew / (slew + return_slew))


@formula(
    possible={"charge": NOT_NEGATIVE, "slew": POSITIVE, "return_slew": POSITIVE}, source=DERIVED
)
def recovery_duration(charge: Number, slew: Number, return_slew: Number) -> Number:
    """Return the least time in which the phases give a charge back to the capacitors.

    t = x (1 / m1 + 1 / m2), x = sqrt(2 Q m1 m2 / (m1 + m2))

    Parameters:
        charge [C]: charge to be given back.
        slew [A/s]: m1, slope away from the load current.
        return_slew [A/s]: m2, slope back to it, without sign.

    Returns:
        time [s], arguments broadcast.

    Range:
        both slopes above 0, charge at least 0 (physics).

    Assumptions:
        as for recovery_current.

    Example:
        >>> round(recovery_duration(100e-6, 300e6, 50e6) * 1e6, 3)
        2.16

    Source:
        own derivation, checked by an ODE solver.
    """
    return np.sqrt(2.0 * charge * slew * return_slew / (slew + return_slew)) * (1.0 / slew + 1.0 / return_slew)


@formula(
    possible={"time": Bound(), **_COMMON, "return_slew": POSITIVE, "target_change": NOT_NEGATIVE}, source=DERIVED
)
def load_step_deviation(
    time: Number,
    current_step: Number,
    load_slew: Number,
    slew: Number,
    return_slew: Number,
    capacitance: Number,
    capacitor_resistance: Number,
    delay: Number = 0.0,
    target_change: Number = 0.0,
) -> Number:
    """Return how far the voltage is from where it was before a load step, phases giving the charge back at full slope.

    v(t) = r i(t) + q(t) / C, up to the catching up, then recovery_current away and back until v = target

    Parameters:
        time [s]: since the step began; before it the deviation is 0.
        current_step [A]: size of the step, without sign.
        load_slew [A/s]: how fast the load changes; infinite for a sudden step.
        slew [A/s]: slope of the summed inductor current towards the new load, from total_slew.
        return_slew [A/s]: slope back, without sign.
        capacitance [F]: output capacitance at the rail voltage.
        capacitor_resistance [Ohm]: its series resistance (ESR of the bank).
        delay [s]: from the begin of the step until the phases act.
        target_change [V]: how far the target moves with the load: load line times step, without sign.

    Returns:
        deviation without sign [V], arguments broadcast. Where the capacitors have lent less than the load line takes,
        it stays there: slow control does the rest.

    Range:
        slopes and capacitance above 0, delay and target_change at least 0 (physics).

    Assumptions:
        straight ramps; control in the least time; slopes constant.

    Example:
        >>> v = load_step_deviation([0.0, 2e-6, 1e-3], 100.0, 1e9, 50e6, 50e6, 4e-3, 0.25e-3, 0.0, 20e-3)
        >>> [round(1e3 * float(x), 3) for x in v]
        [0.0, 23.75, 20.0]

    Source:
        own derivation, checked by an ODE solver.
    """
    until = _catch_up(current_step, load_slew, slew, delay)
    lent = np.maximum(_free(until, current_step, load_slew, slew, delay)[1], 0.0)
    owed = np.maximum(lent - capacitance * target_change, 0.0)
    excess = np.sqrt(2.0 * owed * slew * return_slew / (slew + return_slew))
    away, back = excess / slew, excess / return_slew
    at = np.clip(time, 0.0, until)
    current, charge = _free(at, current_step, load_slew, slew, delay)
    first = np.clip(time - until, 0.0, away)
    second = np.clip(time - until - away, 0.0, back)
    after = np.where(time > until, -slew * first + return_slew * second, current)
    given = 0.5 * slew * first**2 + excess * second - 0.5 * return_slew * second**2
    there = capacitor_resistance * after + (np.where(time > until, lent, charge) - given) / capacitance
    answer = np.where(time <= 0.0, 0.0, there)
    asked = (current_step, load_slew, slew, return_slew, capacitance, capacitor_resistance, delay, target_change)
    return _known(answer, time, *asked)


@formula(
    possible={**_COMMON, "return_slew": POSITIVE, "target_change": NOT_NEGATIVE, "band_width": POSITIVE},
    source=DERIVED,
)
def load_step_settling(
    current_step: Number,
    load_slew: Number,
    slew: Number,
    return_slew: Number,
    capacitance: Number,
    capacitor_resistance: Number,
    delay: Number,
    target_change: Number,
    band_width: Number,
) -> Number:
    """Return the time from a load step until the voltage is back within a band around its new target.

    the last t with v(t) = target + band on the way back, v(t) from load_step_deviation

    Parameters:
        current_step [A]: size of the step, without sign.
        load_slew [A/s]: how fast the load changes; infinite for a sudden step.
        slew [A/s]: slope of the summed inductor current towards the new load, from total_slew.
        return_slew [A/s]: slope back, without sign.
        capacitance [F]: output capacitance at the rail voltage.
        capacitor_resistance [Ohm]: its series resistance (ESR of the bank).
        delay [s]: from the begin of the step until the phases act.
        target_change [V]: how far the target moves with the load: load line times step, without sign.
        band_width [V]: from the target to the edge of the band.

    Returns:
        time [s], arguments broadcast; 0 where the band is never left.

    Range:
        slopes, capacitance and band_width above 0, the rest at least 0 (physics).

    Assumptions:
        as for load_step_deviation.

    Example:
        >>> t = load_step_settling(100.0, 1e9, 50e6, 50e6, 4e-3, 0.25e-3, 0.0, 0.0, 10e-3)
        >>> round(t * 1e6, 3)
        2.789

    Source:
        own derivation, checked by an ODE solver.
    """
    asked = (current_step, load_slew, slew, return_slew, capacitance, capacitor_resistance, delay, target_change)
    peak, when = _peak(current_step, load_slew, slew, capacitance, capacitor_resistance, delay)
    until = _catch_up(current_step, load_slew, slew, delay)
    lent = np.maximum(_free(until, current_step, load_slew, slew, delay)[1], 0.0)
    owed = np.maximum(lent - capacitance * target_change, 0.0)
    end = until + np.sqrt(2.0 * owed * (1.0 / slew + 1.0 / return_slew))
    edge = target_change + band_width
    leaves = peak > edge
    if not np.any(leaves):
        return _known(np.zeros(()), *asked, band_width)
    # Most of many cases never leave the band: only those that do are searched.
    early, late, edge, leaves, *given = np.broadcast_arrays(when, end, edge, leaves, *asked)
    early, late, edge, given = early[leaves], late[leaves], edge[leaves], [item[leaves] for item in given]
    deviation = load_step_deviation.__wrapped__  # type: ignore[attr-defined]
    for _ in range(45):  # halves to a part in 1e13
        middle = 0.5 * (early + late)
        outside = deviation(middle, *given) > edge
        early, late = np.where(outside, middle, early), np.where(outside, late, middle)
    back = np.zeros(leaves.shape)
    back[leaves] = late
    return _known(back, *asked, band_width)
