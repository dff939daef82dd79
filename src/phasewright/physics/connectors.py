"""Current, power and heat in the contacts and wires of an input connector."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number
from phasewright.physics.copper import wire_diameter, wire_resistance
from phasewright.physics.validity import COUNT, NOT_NEGATIVE, POSITIVE, TEMPERATURE, Bound, formula

__all__ = ["contact_current", "contact_heat", "contact_power", "wire_rise"]


@formula(
    possible={"input_power": NOT_NEGATIVE, "input_voltage": POSITIVE, "contact_count": COUNT},
    source="charge balance",
)
def contact_current(input_power: Number, input_voltage: Number, contact_count: Number) -> Number:
    """Return the mean current of one supply contact.

    I = P / (V n)

    Parameters:
        input_power [W]: power through the connector.
        input_voltage [V]: voltage at the connector.
        contact_count [1]: contacts that carry the supply; returns are not counted.

    Returns:
        mean current of one contact [A], arguments broadcast.

    Range:
        input_power at least 0, input_voltage above 0, contact_count a whole number of at least 1 (physics).

    Assumptions:
        contacts share alike; a worn or bent contact makes its neighbours carry more.

    Example:
        >>> round(contact_current(600.0, 12.0, 6), 3)
        8.333

    Source:
        charge balance; power and contact count: power supply design guide 336521 (ATX 3.0), Table 5-7.
    """
    return input_power / (input_voltage * contact_count)


@formula(
    possible={"contact_rating": POSITIVE, "input_voltage": POSITIVE, "contact_count": COUNT},
    source="S. Mueller, Upgrading and Repairing PCs, Tables 18.14-18.15",
)
def contact_power(contact_rating: Number, input_voltage: Number, contact_count: Number) -> Number:
    """Return the power that a connector's supply contacts carry at their rating.

    P = I_rated V n

    Parameters:
        contact_rating [A]: continuous rating of one contact in this housing, all contacts loaded.
        input_voltage [V]: voltage at the connector.
        contact_count [1]: contacts that carry the supply; returns are not counted.

    Returns:
        power at the rating [W], arguments broadcast.

    Range:
        contact_rating and input_voltage above 0, contact_count a whole number of at least 1 (physics).

    Assumptions:
        contacts share alike, at the ambient temperature and housing size for which the rating holds.

    Example:
        >>> contact_power(8.0, 12.0, 2)
        192.0

    Source:
        S. Mueller, Upgrading and Repairing PCs, Tables 18.14-18.15 (192 W for two contacts at 8 A).
    """
    return contact_rating * input_voltage * contact_count


@formula(
    possible={"current": NOT_NEGATIVE, "contact_resistance": NOT_NEGATIVE, "contact_count": COUNT},
    source="Joule's law",
)
def contact_heat(current: Number, contact_resistance: Number, contact_count: Number) -> Number:
    """Return the heat made in the supply and return contacts of a connector.

    P = 2 I^2 R / n

    Parameters:
        current [A]: current through the connector, all contacts together.
        contact_resistance [Ohm]: resistance of one mated contact.
        contact_count [1]: contacts that carry the supply, with as many returns.

    Returns:
        heat in all contacts [W], arguments broadcast.

    Range:
        current and contact_resistance at least 0, contact_count a whole number of at least 1 (physics).

    Assumptions:
        contacts share alike; as many returns as supplies.

    Example:
        >>> contact_heat(24.0, 0.005, 4)
        1.44

    Source:
        Joule's law.
    """
    return 2.0 * current**2 * contact_resistance / contact_count


@formula(
    possible={
        "current": NOT_NEGATIVE,
        "gauge": Bound(low=-3.0, high=40.0, whole=True, said_by="ASTM B258, from memory; 0000 is -3"),
        "insulation_thickness": NOT_NEGATIVE,
        "film_coefficient": POSITIVE,
        "ambient_temperature": TEMPERATURE,
    },
    range={"film_coefficient": Bound(low=5.0, high=30.0, said_by="wires in still air, common practice, no source")},
    source="heat balance of a round wire",
)
def wire_rise(
    current: Number,
    gauge: Number,
    insulation_thickness: Number = 0.5e-3,
    film_coefficient: Number = 10.0,
    ambient_temperature: Number = 25.0,
) -> Number:
    """Return how much a current warms a copper wire of an American gauge over the air around it.

    dT = I^2 R' / (h pi d),  R' at the temperature of the wire,  d over the insulation

    Parameters:
        current [A]: effective current of one wire.
        gauge [1]: AWG number.
        insulation_thickness [m]: thickness of the insulation.
        film_coefficient [W/(m^2 K)]: heat given off by air and radiation; 10 for a loose bundle in still air.
        ambient_temperature [degC]: temperature of the air around it.

    Returns:
        rise over the air [K], arguments broadcast; infinite where copper gains resistance faster than heat leaves.

    Range:
        film_coefficient 5 to 30 W/(m^2 K) (wires in still air, common practice, no source).

    Assumptions:
        long wire, no heat along it, insulation no barrier; a tight bundle or a hot connector makes it hotter.

    Example:
        >>> round(wire_rise(8.0, 18), 1)
        23.4

    Source:
        heat balance of a round wire; resistance by ASTM B258 and IEC 60028 (from memory).
    """
    around = np.pi * (wire_diameter(gauge) + 2.0 * insulation_thickness) * film_coefficient
    per_metre = wire_resistance(gauge, 1.0, ambient_temperature)
    cold = current**2 * per_metre / around
    growth = wire_resistance(gauge, 1.0, ambient_temperature + 1.0) / per_metre - 1.0
    left = 1.0 - np.asarray(cold * growth)
    return np.where(left <= 0.0, np.inf, cold / np.where(left <= 0.0, 1.0, left))
