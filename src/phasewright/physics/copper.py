"""Copper: resistivity over temperature, wires, sheets and traces, harnesses."""

from __future__ import annotations

import math

import numpy as np

from phasewright.physics._arguments import Number, refuse
from phasewright.physics.validity import COUNT, NOT_NEGATIVE, POSITIVE, TEMPERATURE, Bound, formula

__all__ = [
    "copper_coefficient",
    "copper_resistance",
    "copper_resistivity",
    "harness_drop",
    "harness_resistance",
    "sheet_resistance",
    "trace_current",
    "trace_resistance",
    "trace_width",
    "wire_area",
    "wire_diameter",
    "wire_resistance",
]

RESISTIVITY_20 = 1.0 / 58.0e6
"""Annealed copper at 20 degC [Ohm m], IEC 60028."""
COEFFICIENT_20 = 0.00393
"""[1/K] at 20 degC, IEC 60028."""
INFERRED_ZERO = 234.5
"""Copper's resistance extrapolates to zero at minus this [degC]; IEC 60034-1 takes 235."""
METRES_PER_MIL = 25.4e-6
LINEAR = Bound(low=-100.0, high=200.0, said_by="linear law of copper near room temperature, common practice, no source")
GAUGES = Bound(low=-3.0, high=40.0, whole=True, said_by="ASTM B258, from memory; 0000 is -3")
_TRACE_FACTORS = {"outer": 0.048, "inner": 0.024}
_TRACE_RISE = Bound(low=10.0, high=100.0, said_by="charts of IPC-2221, from memory")


@formula(possible={"temperature": TEMPERATURE}, range={"temperature": LINEAR}, source="IEC 60028")
def copper_resistivity(temperature: Number = 20.0) -> Number:
    """Return the resistivity of annealed copper.

    rho = rho_20 (1 + alpha_20 (T - 20)),  rho_20 = 1/58 Ohm mm^2/m, alpha_20 = 0.00393 1/K

    Parameters:
        temperature [degC]: temperature of the copper.

    Returns:
        resistivity [Ohm m], shape of the argument.

    Range:
        temperature -100 to 200 degC (linear law near room temperature, common practice, no source).

    Assumptions:
        annealed copper of full conductivity; plated and hard-drawn copper resist more.

    Example:
        >>> round(copper_resistivity() * 1e8, 6)
        1.724138

    Source:
        IEC 60028 (from memory).
    """
    factor = 1.0 + COEFFICIENT_20 * (temperature - 20.0)
    if np.any(factor <= 0.0):
        raise refuse(
            "temperature",
            float(np.min(temperature)),
            "the linear law makes copper's resistivity vanish below -234 degC",
            "give a temperature [degC] near room temperature",
            "copper_resistivity: impossible argument",
        )
    return RESISTIVITY_20 * factor


_ABOVE_ZERO = Bound(low=-INFERRED_ZERO, open_low=True, said_by="copper's inferred zero")


@formula(
    possible={"reference_temperature": _ABOVE_ZERO},
    range={"reference_temperature": LINEAR},
    source="IEEE winding-resistance practice (234.5)",
)
def copper_coefficient(reference_temperature: Number = 25.0) -> Number:
    """Return copper's relative change of resistance per kelvin.

    alpha = 1 / (234.5 + T_0)

    Parameters:
        reference_temperature [degC]: temperature at which the resistance is stated.

    Returns:
        temperature coefficient [1/K], shape of the argument.

    Range:
        reference_temperature -100 to 200 degC (linear law near room temperature, common practice, no source).

    Assumptions:
        as for copper_resistance.

    Example:
        >>> round(copper_coefficient(25.0), 6)
        0.003854

    Source:
        IEEE winding-resistance practice (234.5; IEC 60034-1 uses 235).
    """
    return 1.0 / (INFERRED_ZERO + reference_temperature)


@formula(
    possible={"resistance": NOT_NEGATIVE, "temperature": _ABOVE_ZERO, "reference_temperature": _ABOVE_ZERO},
    range={"temperature": LINEAR, "reference_temperature": LINEAR},
    source="IEEE winding-resistance practice (234.5)",
)
def copper_resistance(resistance: Number, temperature: Number, reference_temperature: Number = 25.0) -> Number:
    """Return the resistance of a copper winding or wire (DCR) at another temperature.

    R(T) = R_0 (234.5 + T) / (234.5 + T_0)

    Parameters:
        resistance [Ohm]: resistance at reference_temperature.
        temperature [degC]: temperature of the copper.
        reference_temperature [degC]: temperature at which the resistance is stated.

    Returns:
        resistance at temperature [Ohm], arguments broadcast.

    Range:
        temperature and reference_temperature -100 to 200 degC (linear law near room temperature, common practice, no
        source).

    Assumptions:
        all of the resistance is copper at one temperature.

    Example:
        >>> round(copper_resistance(0.8e-3, 100.0) * 1e3, 4)
        1.0312

    Source:
        IEEE winding-resistance practice (234.5; IEC 60034-1 uses 235).
    """
    return resistance * (INFERRED_ZERO + temperature) / (INFERRED_ZERO + reference_temperature)


@formula(possible={"gauge": GAUGES}, source="ASTM B258")
def wire_diameter(gauge: Number) -> Number:
    """Return the diameter of a solid wire of an American gauge.

    d = 0.127 mm 92^((36 - n) / 39)

    Parameters:
        gauge [1]: American wire gauge; 0 for 1/0, -1 for 2/0 and so on.

    Returns:
        diameter [m], shape of the argument.

    Range:
        gauge a whole number -3 to 40 (ASTM B258, from memory).

    Assumptions:
        a stranded wire of the same gauge has the same copper area, within its maker's tolerance.

    Example:
        >>> round(wire_diameter(18) * 1e3, 4)
        1.0237

    Source:
        ASTM B258 (from memory).
    """
    return 0.127e-3 * 92.0 ** ((36.0 - gauge) / 39.0)


@formula(possible={"gauge": GAUGES}, source="ASTM B258")
def wire_area(gauge: Number) -> Number:
    """Return the copper area of a wire of an American gauge.

    A = pi d^2 / 4

    Parameters:
        gauge [1]: American wire gauge; 0 for 1/0, -1 for 2/0 and so on.

    Returns:
        cross-section [m^2], shape of the argument.

    Range:
        gauge a whole number -3 to 40 (ASTM B258, from memory).

    Assumptions:
        as for wire_diameter.

    Example:
        >>> round(wire_area(18) * 1e6, 4)
        0.823

    Source:
        ASTM B258 (from memory).
    """
    return math.pi / 4.0 * wire_diameter(gauge) ** 2


@formula(
    possible={"gauge": GAUGES, "length": NOT_NEGATIVE, "temperature": TEMPERATURE},
    range={"temperature": LINEAR},
    source="ASTM B258 and IEC 60028",
)
def wire_resistance(gauge: Number, length: Number, temperature: Number = 20.0) -> Number:
    """Return the resistance of a copper wire of an American gauge.

    R = rho(T) l / A

    Parameters:
        gauge [1]: American wire gauge; 0 for 1/0, -1 for 2/0 and so on.
        length [m]: length of the wire, one way.
        temperature [degC]: temperature of the copper.

    Returns:
        resistance [Ohm], arguments broadcast.

    Range:
        gauge a whole number -3 to 40 (ASTM B258, from memory); temperature -100 to 200 degC (linear law near room
        temperature, common practice, no source).

    Assumptions:
        annealed copper, direct current.

    Example:
        >>> round(wire_resistance(18, 1000.0), 3)
        20.948

    Source:
        ASTM B258 and IEC 60028 (from memory).
    """
    return copper_resistivity(temperature) * length / wire_area(gauge)


@formula(
    possible={"thickness": POSITIVE, "temperature": TEMPERATURE},
    range={"temperature": LINEAR},
    source="IEC 60028",
)
def sheet_resistance(thickness: Number, temperature: Number = 20.0) -> Number:
    """Return the resistance of one square of copper foil.

    R = rho(T) / t

    Parameters:
        thickness [m]: thickness of the copper; 1 oz per square foot is 35 um nominal.
        temperature [degC]: temperature of the copper.

    Returns:
        resistance of a square [Ohm], arguments broadcast.

    Range:
        thickness above 0; temperature -100 to 200 degC (linear law near room temperature, common practice, no source).

    Assumptions:
        current spread evenly over the foil.

    Example:
        >>> round(sheet_resistance(35e-6) * 1e3, 4)
        0.4926

    Source:
        IEC 60028 (from memory).
    """
    return copper_resistivity(temperature) / thickness


@formula(
    possible={"length": NOT_NEGATIVE, "width": POSITIVE, "thickness": POSITIVE, "temperature": TEMPERATURE},
    range={"temperature": LINEAR},
    source="IEC 60028",
)
def trace_resistance(length: Number, width: Number, thickness: Number, temperature: Number = 20.0) -> Number:
    """Return the resistance of a copper trace or plane of even width.

    R = rho(T) l / (w t)

    Parameters:
        length [m]: length along the current.
        width [m]: width across the current.
        thickness [m]: thickness of the copper.
        temperature [degC]: temperature of the copper.

    Returns:
        resistance [Ohm], arguments broadcast.

    Range:
        width and thickness above 0; temperature -100 to 200 degC (linear law near room temperature, common practice,
        no source).

    Assumptions:
        current spread evenly over the cross-section.

    Example:
        >>> round(trace_resistance(0.05, 0.02, 70e-6) * 1e6, 2)
        615.76

    Source:
        IEC 60028 (from memory).
    """
    return sheet_resistance(thickness, temperature) * length / width


def _trace_factor(layer: str, function: str) -> float:
    if layer not in _TRACE_FACTORS:
        raise refuse(
            "layer",
            repr(layer),
            "layer must be 'outer' or 'inner'",
            "say which kind of layer the trace lies on",
            f"{function}: unknown layer",
        )
    return _TRACE_FACTORS[layer]


@formula(
    possible={"width": POSITIVE, "thickness": POSITIVE, "rise": POSITIVE},
    range={
        "rise": _TRACE_RISE,
        "width": Bound(low=0.0, high=0.010, open_low=True, said_by="charts of IPC-2221, from memory"),
        "thickness": Bound(low=17.5e-6, high=105e-6, said_by="charts of IPC-2221, from memory"),
    },
    source="IPC-2221 curve fit",
)
def trace_current(width: Number, thickness: Number, rise: Number, layer: str = "outer") -> Number:
    """Return the current that heats a trace by a wanted rise.

    I = k dT^0.44 A^0.725,  A in mil^2, k = 0.048 on outer and 0.024 on inner layers

    Parameters:
        width [m]: width of the trace.
        thickness [m]: thickness of the copper; 1 oz is 1.378 mil or 35 um here.
        rise [K]: allowed rise above the board's temperature.
        layer [-]: 'outer' or 'inner'.

    Returns:
        current [A], arguments broadcast.

    Range:
        rise 10 to 100 K, width up to 10 mm, thickness 17.5 to 105 um (charts of IPC-2221, from memory).

    Assumptions:
        a lone trace in still air; a plane below cools it, a neighbour heats it. Inner layers are charted on the safe
        side.

    Example:
        >>> round(trace_current(100 * 25.4e-6, 1.378 * 25.4e-6, 10.0), 3)
        4.701

    Source:
        IPC-2221 curve fit (constants read on several public pages).
    """
    area = width * thickness / METRES_PER_MIL**2
    return _trace_factor(layer, "trace_current") * rise**0.44 * area**0.725


@formula(
    possible={"current": NOT_NEGATIVE, "thickness": POSITIVE, "rise": POSITIVE},
    range={
        "rise": _TRACE_RISE,
        "current": Bound(low=0.0, high=35.0, said_by="charts of IPC-2221, from memory"),
        "thickness": Bound(low=17.5e-6, high=105e-6, said_by="charts of IPC-2221, from memory"),
    },
    source="IPC-2221 curve fit",
)
def trace_width(current: Number, thickness: Number, rise: Number, layer: str = "outer") -> Number:
    """Return the width of a trace that a current heats by a wanted rise.

    w = (I / (k dT^0.44))^(1/0.725) / t,  in mil, k = 0.048 on outer and 0.024 on inner layers

    Parameters:
        current [A]: current along the trace.
        thickness [m]: thickness of the copper; 1 oz is 1.378 mil or 35 um here.
        rise [K]: allowed rise above the board's temperature.
        layer [-]: 'outer' or 'inner'.

    Returns:
        width [m], arguments broadcast.

    Range:
        rise 10 to 100 K, current up to 35 A (half of it on inner layers), thickness 17.5 to 105 um (charts of
        IPC-2221, from memory).

    Assumptions:
        as for trace_current, whose inverse this is.

    Example:
        >>> round(trace_width(1.0, 1.378 * 25.4e-6, 10.0) * 1e3, 3)
        0.3

    Source:
        IPC-2221 curve fit (constants read on several public pages).
    """
    area = (current / (_trace_factor(layer, "trace_width") * rise**0.44)) ** (1.0 / 0.725)
    return area * METRES_PER_MIL**2 / thickness


@formula(
    possible={
        "gauge": GAUGES,
        "length": NOT_NEGATIVE,
        "supply_wire_count": COUNT,
        "return_wire_count": COUNT,
        "temperature": TEMPERATURE,
    },
    range={"temperature": LINEAR},
    source="ASTM B258 and IEC 60028",
)
def harness_resistance(
    gauge: Number,
    length: Number,
    supply_wire_count: Number,
    return_wire_count: Number,
    temperature: Number = 20.0,
) -> Number:
    """Return the resistance of a harness, out and back.

    R = r l (1/n_supply + 1/n_return)

    Parameters:
        gauge [1]: American wire gauge; 0 for 1/0, -1 for 2/0 and so on.
        length [m]: length of the harness, one way.
        supply_wire_count [1]: parallel wires that carry the supply.
        return_wire_count [1]: parallel wires that carry the return.
        temperature [degC]: temperature of the copper.

    Returns:
        resistance of the loop [Ohm], arguments broadcast; contacts are not in it.

    Range:
        gauge a whole number -3 to 40 (ASTM B258, from memory); temperature -100 to 200 degC (linear law near room
        temperature, common practice, no source).

    Assumptions:
        wires share alike.

    Example:
        >>> round(harness_resistance(18, 0.60, 4, 4) * 1e3, 3)
        6.284

    Source:
        ASTM B258 and IEC 60028 (from memory).
    """
    one_wire = wire_resistance(gauge, length, temperature)
    return one_wire * (1.0 / supply_wire_count + 1.0 / return_wire_count)


@formula(
    possible={"current": NOT_NEGATIVE, "harness_resistance": NOT_NEGATIVE, "contact_resistance": NOT_NEGATIVE},
    source="Ohm's law",
)
def harness_drop(current: Number, harness_resistance: Number, contact_resistance: Number = 0.0) -> Number:
    """Return the voltage that a harness and its contacts take.

    dV = I (R_wires + R_contacts)

    Parameters:
        current [A]: current through the harness.
        harness_resistance [Ohm]: resistance of the wires, out and back.
        contact_resistance [Ohm]: resistance of all contacts of the loop together.

    Returns:
        voltage drop [V], arguments broadcast; times current it is the heat.

    Range:
        all at least 0 (physics).

    Assumptions:
        direct current.

    Example:
        >>> round(harness_drop(25.0, 6.284e-3) * 1e3, 1)
        157.1

    Source:
        Ohm's law.
    """
    return current * (harness_resistance + contact_resistance)
