"""What a power costs over a year."""

from __future__ import annotations

from phasewright.physics._arguments import Number
from phasewright.physics.validity import ANY, NOT_NEGATIVE, Bound, formula

__all__ = ["cost_of", "energy_per_year"]

SECONDS_PER_HOUR = 3600.0
JOULE_PER_KWH = 3.6e6
"""Exact: 1000 W times 3600 s."""


@formula(
    possible={
        "power": ANY,
        "hours_per_day": Bound(low=0.0, high=24.0, said_by="the day"),
        "days_per_year": Bound(low=0.0, high=366.0, said_by="the calendar"),
    },
    source="arithmetic",
)
def energy_per_year(power: Number, hours_per_day: Number, days_per_year: Number) -> Number:
    """Return the energy that a power drawn for some hours of each day takes in a year.

    E = P h d 3600 s/h

    Parameters:
        power [W]: mean power; negative for a power saved.
        hours_per_day [h]: hours of use on each day of use.
        days_per_year [1]: days of use; 365.25 for a mean year.

    Returns:
        energy [J], arguments broadcast; 1 kWh is 3.6e6 J.

    Range:
        hours_per_day 0 to 24 (the day), days_per_year 0 to 366 (the calendar).

    Assumptions:
        the power is the same in every hour of use.

    Example:
        >>> energy_per_year(10.0, 8.0, 365.0) / 3.6e6
        29.2

    Source:
        arithmetic.
    """
    return power * hours_per_day * days_per_year * SECONDS_PER_HOUR


@formula(possible={"energy": ANY, "price": NOT_NEGATIVE}, source="arithmetic")
def cost_of(energy: Number, price: Number) -> Number:
    """Return the money that an energy costs.

    K = E p / 3.6e6

    Parameters:
        energy [J]: energy taken; negative for energy saved.
        price [currency/kWh]: price of energy, as bills state it.

    Returns:
        cost [currency], arguments broadcast.

    Range:
        price at least 0; any energy (arithmetic).

    Assumptions:
        one price for every hour; no standing charge.

    Example:
        >>> round(cost_of(energy_per_year(10.0, 8.0, 365.0), 0.30), 2)
        8.76

    Source:
        arithmetic.
    """
    return energy / JOULE_PER_KWH * price
