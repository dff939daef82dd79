"""Thermal resistances and networks."""

from __future__ import annotations

from phasewright.physics.validity import ANY, POSITIVE, Number, formula

__all__ = ["thermal_resistance"]


@formula(possible={"rise": ANY, "power": POSITIVE}, source="JESD51 (form of the definition)")
def thermal_resistance(rise: Number, power: Number) -> Number:
    """Return the thermal resistance of a path that a power flows through.

    R = (T_hot - T_reference) / P

    Parameters:
        rise [K]: temperature above the named reference; measured, so noise may take it below zero.
        power [W]: heat that flows along the path.

    Returns:
        thermal resistance [K/W], arguments broadcast.

    Range:
        power above 0; any measured rise.

    Assumptions:
        settled; all of the power flows along the path. With the total power of a part of which only some flows to the
        reference the same quotient is a characterization parameter (Psi), which must not be put in series.

    Example:
        >>> thermal_resistance(60.0, 5.0)
        12.0

    Source:
        JESD51, JESD51-2, JESD51-12 (definitions, from memory).
    """
    return rise / power
