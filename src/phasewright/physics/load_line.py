"""Load line, tolerance band and changes of the set voltage."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number, plain
from phasewright.physics.records import Interval
from phasewright.physics.validity import ANY, COUNT, NOT_NEGATIVE, POSITIVE, formula

__all__ = [
    "charge_current",
    "load_line_band",
    "load_line_voltage",
    "tolerance_band",
    "transition_steps",
    "voltage_transition_time",
]


@formula(
    possible={"set_voltage": POSITIVE, "load_line": NOT_NEGATIVE, "rail_current": ANY},
    source="VRM 10.2L design guidelines, p. 14, Fig. 2-6",
)
def load_line_voltage(set_voltage: Number, load_line: Number, rail_current: Number) -> Number:
    """Return the output voltage that a load line asks for.

    V = V_set - R_LL I

    Parameters:
        set_voltage [V]: voltage set at no load.
        load_line [Ohm]: slope of the load line.
        rail_current [A]: output current.

    Returns:
        output voltage [V], arguments broadcast.

    Range:
        set_voltage above 0, load_line at least 0 (physics).

    Assumptions:
        steady state.

    Example:
        >>> round(load_line_voltage(1.35, 1.25e-3, 100.0), 6)
        1.225

    Source:
        VRM 10.2L design guidelines, p. 14, Fig. 2-6.
    """
    return set_voltage - load_line * rail_current


@formula(
    possible={
        "set_voltage": POSITIVE,
        "load_line": NOT_NEGATIVE,
        "rail_current": ANY,
        "band_width": NOT_NEGATIVE,
    },
    source="VRM 10.2L design guidelines, p. 14, Fig. 2-6",
)
def load_line_band(set_voltage: Number, load_line: Number, rail_current: Number, band_width: Number) -> Interval:
    """Return the band in which the output voltage must stay.

    V_max = V_set - R_LL I,  V_min = V_max - V_band

    Parameters:
        set_voltage [V]: voltage set at no load; the top of the band there.
        load_line [Ohm]: slope of the load line.
        rail_current [A]: output current.
        band_width [V]: whole width of the tolerance band.

    Returns:
        Interval of output voltage [V], arguments broadcast.

    Range:
        set_voltage above 0, load_line and band_width at least 0 (physics).

    Assumptions:
        the band hangs below the load line, as in the source; other guides centre it.

    Example:
        >>> band = load_line_band(1.35, 1.25e-3, 100.0, 40e-3)
        >>> round(band.low, 6), round(band.high, 6)
        (1.185, 1.225)

    Source:
        VRM 10.2L design guidelines, p. 14, Fig. 2-6.
    """
    high = load_line_voltage(set_voltage, load_line, rail_current)
    return Interval(low=plain(high - band_width), high=high)


@formula(
    possible={
        "set_voltage": POSITIVE,
        "set_error": NOT_NEGATIVE,
        "droop_voltage": NOT_NEGATIVE,
        "gain_error": NOT_NEGATIVE,
        "sensor_error": NOT_NEGATIVE,
        "sensor_count": COUNT,
        "ripple_voltage": NOT_NEGATIVE,
    },
    source="VRD 10.1 design guide, p. 24",
)
def tolerance_band(
    set_voltage: Number,
    set_error: Number,
    droop_voltage: Number,
    gain_error: Number,
    sensor_error: Number,
    sensor_count: Number,
    ripple_voltage: Number,
) -> Number:
    """Return half the width of the band that set point, droop and ripple errors make together.

    TOB = sqrt((V_set k_set)^2 + V_droop^2 (k_gain^2 + k_sensor^2 / n)) + V_ripple

    Parameters:
        set_voltage [V]: voltage set at no load.
        set_error [1]: relative error of the set voltage.
        droop_voltage [V]: drop of the load line at full load.
        gain_error [1]: relative error of the current-sense gain.
        sensor_error [1]: relative error of one current sensor.
        sensor_count [1]: independent sensors whose errors average.
        ripple_voltage [V]: ripple to add in full.

    Returns:
        tolerance of the output voltage [V], arguments broadcast; at the level of the errors put in (3 sigma there).

    Range:
        set_voltage above 0, sensor_count a whole number of at least 1, the rest at least 0 (physics).

    Assumptions:
        independent errors; all stated at the same level.

    Example:
        >>> round(tolerance_band(1.35, 0.005, 0.1, 0.05, 0.01, 4, 5e-3) * 1e3, 3)
        13.415

    Source:
        VRD 10.1 design guide, p. 24 (structure).
    """
    droop = droop_voltage**2 * (gain_error**2 + sensor_error**2 / sensor_count)
    return np.sqrt((set_voltage * set_error) ** 2 + droop) + ripple_voltage


@formula(
    possible={"voltage_change": NOT_NEGATIVE, "voltage_step": POSITIVE},
    source="VRM 10.2L design guidelines, p. 14",
)
def transition_steps(voltage_change: Number, voltage_step: Number) -> Number:
    """Return the number of steps in which a set voltage is changed.

    n = ceil(dV / V_step)

    Parameters:
        voltage_change [V]: change of the set voltage, without sign.
        voltage_step [V]: size of one step.

    Returns:
        steps [1], arguments broadcast, whole.

    Range:
        voltage_change at least 0, voltage_step above 0 (physics).

    Assumptions:
        a change within a billionth of a whole number of steps counts as that number.

    Example:
        >>> transition_steps(1.6 - 0.8375, 12.5e-3)
        61.0

    Source:
        VRM 10.2L design guidelines, p. 14; VRD 10.0 design guide, p. 27.
    """
    steps = voltage_change / voltage_step
    return np.ceil(steps - 1e-9 * np.maximum(steps, 1.0))


@formula(
    possible={
        "voltage_change": NOT_NEGATIVE,
        "voltage_step": POSITIVE,
        "step_period": POSITIVE,
        "settling_time": NOT_NEGATIVE,
    },
    source="VRM 10.2L design guidelines, p. 14",
)
def voltage_transition_time(
    voltage_change: Number, voltage_step: Number, step_period: Number, settling_time: Number = 0.0
) -> Number:
    """Return the time that a stepped change of the set voltage takes.

    t = n t_step + t_settle

    Parameters:
        voltage_change [V]: change of the set voltage, without sign.
        voltage_step [V]: size of one step.
        step_period [s]: time between steps.
        settling_time [s]: time allowed after the last step.

    Returns:
        time [s], arguments broadcast.

    Range:
        voltage_step and step_period above 0, the rest at least 0 (physics).

    Assumptions:
        the first step counts a whole period.

    Example:
        >>> round(voltage_transition_time(0.450, 12.5e-3, 5e-6) * 1e6, 6)
        180.0

    Source:
        VRM 10.2L design guidelines, p. 14; VRD 10.1 design guide, p. 26.
    """
    return transition_steps(voltage_change, voltage_step) * step_period + settling_time


@formula(
    possible={"capacitance": NOT_NEGATIVE, "voltage_change": NOT_NEGATIVE, "duration": POSITIVE},
    source="data sheet SLUS930B, p. 53, Eq. 45",
)
def charge_current(capacitance: Number, voltage_change: Number, duration: Number) -> Number:
    """Return the current that charges the output bank while the voltage ramps.

    I = C dV / t

    Parameters:
        capacitance [F]: output capacitance.
        voltage_change [V]: change of the output voltage, without sign.
        duration [s]: time of the ramp.

    Returns:
        charging current [A], arguments broadcast; it comes on top of the load.

    Range:
        duration above 0, the rest at least 0 (physics).

    Assumptions:
        straight ramp.

    Example:
        >>> round(charge_current(774e-6, 1.2, 3.1e-3), 4)
        0.2996

    Source:
        data sheet SLUS930B, p. 53, Eq. 45.
    """
    return capacitance * voltage_change / duration
