"""What published test methods for power and efficiency ask of the meter and of the reading."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number
from phasewright.physics.validity import NOT_NEGATIVE, formula

__all__ = ["drift_bound", "meter_resolution_asked", "meter_uncertainty_asked", "spread_bound"]

HOUR = 3600.0
"""[s]"""


@formula(possible={"power": NOT_NEGATIVE}, source="IEC 62301, first edition")
def meter_resolution_asked(power: Number) -> Number:
    """Return the resolution that a standby-power standard asks of a power meter.

    0.01 W up to 10 W, 0.1 W up to 100 W, 1 W above

    Parameters:
        power [W]: power to be measured.

    Returns:
        coarsest resolution allowed [W], shape of the argument.

    Range:
        power at least 0 (physics).

    Assumptions:
        none.

    Example:
        >>> meter_resolution_asked([5.0, 50.0, 500.0])
        array([0.01, 0.1 , 1.  ])

    Source:
        IEC 62301, first edition (read in a public slide set).
    """
    asked = np.where(np.asarray(power) <= 10.0, 0.01, np.where(np.asarray(power) <= 100.0, 0.1, 1.0))
    return np.where(np.isnan(power), np.nan, asked)


@formula(possible={"power": NOT_NEGATIVE}, source="IEC 62301")
def meter_uncertainty_asked(power: Number) -> Number:
    """Return the uncertainty at 95 % that a standby-power standard allows a power meter.

    2 % from 0.5 W, 0.01 W below

    Parameters:
        power [W]: power to be measured.

    Returns:
        greatest expanded uncertainty allowed [W], shape of the argument.

    Range:
        power at least 0 (physics).

    Assumptions:
        none.

    Example:
        >>> meter_uncertainty_asked(400.0)
        8.0

    Source:
        IEC 62301 (from memory).
    """
    return np.where(np.asarray(power) < 0.5, 0.01, 0.02 * np.asarray(power))


@formula(possible={"power": NOT_NEGATIVE}, source="IEC 62301:2011, 5.3.2")
def drift_bound(power: Number) -> Number:
    """Return the drift below which a standby-power standard calls a power stable.

    10 mW/h up to 1 W, 1 % of the mean per hour above, of a straight line through the last two thirds of 15 min or more

    Parameters:
        power [W]: mean power of the record.

    Returns:
        greatest drift allowed, without sign [W/s], shape of the argument.

    Range:
        power at least 0 (physics).

    Assumptions:
        a straight line fitted to the power; slow swings hide in it.

    Example:
        >>> round(drift_bound(400.0) * 3600, 9)
        4.0

    Source:
        IEC 62301:2011, 5.3.2 (from memory).
    """
    return np.where(np.asarray(power) <= 1.0, 0.010, 0.01 * np.asarray(power)) / HOUR


@formula(possible={"greatest_power": NOT_NEGATIVE}, source="internal power supply efficiency test protocol")
def spread_bound(greatest_power: Number) -> Number:
    """Return the spread below which a supply-efficiency protocol calls an input power stable.

    5 % of the greatest power, over 5 min after 30 min at full load; otherwise average longer

    Parameters:
        greatest_power [W]: greatest power of the 5 min.

    Returns:
        greatest spread allowed [W], shape of the argument.

    Range:
        greatest_power at least 0 (physics).

    Assumptions:
        none.

    Example:
        >>> spread_bound(400.0)
        20.0

    Source:
        Generalized Internal Power Supply Efficiency Test Protocol (from memory).
    """
    return 0.05 * greatest_power
