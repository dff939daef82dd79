"""Coolants: properties of water and of glycol mixtures, and how much a heat warms their flow."""

from __future__ import annotations

from dataclasses import dataclass

from phasewright.physics._arguments import Number, refuse
from phasewright.physics.validity import ANY, NOT_NEGATIVE, POSITIVE, TEMPERATURE, Bound, formula

__all__ = [
    "coolant_heat",
    "coolant_rise",
    "glycol_density",
    "glycol_heat_capacity",
    "heat_capacity_rate",
    "water_conductivity",
    "water_density",
    "water_heat_capacity",
    "water_viscosity",
]

KELVIN = 273.15
_LIQUID = Bound(low=0.0, high=100.0, said_by="liquid water at 101.325 kPa")

# Kell, J. Chem. Eng. Data 20 (1975) 97, Eq. 16 (from memory; within 2e-5 of IAPWS-95 from 0 to 100 degC, tested).
_KELL = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
_KELL_BELOW = 16.879850e-3
# Own fit to IAPWS-95 at 101.325 kPa in x = T / 50 degC - 1 (within 4e-5 from 0 to 100 degC, tested).
_HEAT = (4181.33168, 13.91811, 20.92876, -5.36086, 9.84650, -10.33882, 5.41774)
# IAPWS SR6-08(2011), Eq. 7 and 8: properties of liquid water at 0.1 MPa (from memory; checked against its table).
_VISCOSITY = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))
_CONDUCTIVITY = ((1.6630, -1.15), (-1.7781, -3.4), (1.1567, -6.0), (-0.432115, -7.6))


@dataclass(frozen=True, slots=True)
class _Glycol:
    """Rows are powers of T - warm, columns powers of x - middle; x is the mass fraction of glycol."""

    middle: float
    warm: float
    density: tuple[tuple[float, ...], ...]
    heat_capacity: tuple[tuple[float, ...], ...]


# Melinder, Properties of Secondary Working Fluids for Indirect Systems, IIR 2010 (coefficients read in a public
# listing).
_GLYCOLS = {
    "ethylene": _Glycol(
        middle=0.308462,
        warm=31.728,
        density=(
            (1034.0, 131.1, 0.749, -106.2, -96.23, 489.1),
            (-0.4781, -0.6876, 0.7855, 1.229, -7.211),
            (-2.692e-3, 4.805e-3, -3.995e-3, -1.153e-2),
            (4.725e-6, 1.690e-6, 4.982e-5),
        ),
        heat_capacity=(
            (3737.0, -1799.0, -993.3, 2610.0, 1537.0, -16180.0),
            (2.930, 10.46, 3.516, -1.189, -42.72),
            (-4.675e-3, -4.147e-2, 5.109e-2, -0.1643),
            (-1.389e-5, 1.847e-5, -7.138e-4),
        ),
    ),
    "propylene": _Glycol(
        middle=0.307031,
        warm=32.7083,
        density=(
            (1018.0, 76.04, -24.98, -155.0, -113.1, 234.2),
            (-0.5406, -0.9450, 0.2700, 2.829, -2.221),
            (-2.666e-3, 5.541e-3, -4.018e-3, -7.175e-3),
            (1.347e-5, -1.343e-5, 3.376e-5),
        ),
        heat_capacity=(
            (3882.0, -1304.0, -1598.0, 353.9, 5000.0, -4959.0),
            (2.699, 5.070, 0.9534, 31.02, -71.35),
            (-1.659e-3, -4.752e-3, 0.1167, -0.2950),
            (-1.032e-5, 1.522e-4, -4.870e-4),
        ),
    ),
}
_MIXTURE = Bound(low=0.0, high=0.6, said_by="Melinder 2010, mixtures up to 60 % by mass")
_MIXTURE_RANGE = {
    "temperature": Bound(low=0.0, high=80.0, said_by="this project: within 2 % of the ASHRAE handbook of 2001")
}


@formula(possible={"temperature": _LIQUID}, source="Kell, J. Chem. Eng. Data 20 (1975) 97, Eq. 16")
def water_density(temperature: Number) -> Number:
    """Return the density of liquid water at atmospheric pressure.

    rho = (a_0 + a_1 T + ... + a_5 T^5) / (1 + b T)

    Parameters:
        temperature [degC]: temperature of the water.

    Returns:
        density [kg/m^3], shape of the argument.

    Range:
        temperature 0 to 100 degC (liquid water at 101.325 kPa); within 0.002 % of IAPWS-95 there.

    Assumptions:
        pure, air-free; another bar of pressure adds 0.005 %.

    Example:
        >>> round(water_density(25.0), 2)
        997.04

    Source:
        Kell, J. Chem. Eng. Data 20 (1975) 97, Eq. 16 (from memory).
    """
    t = temperature
    a = _KELL
    above = a[0] + t * (a[1] + t * (a[2] + t * (a[3] + t * (a[4] + t * a[5]))))
    return above / (1.0 + _KELL_BELOW * t)


@formula(possible={"temperature": _LIQUID}, source="own fit to IAPWS-95 at 101.325 kPa")
def water_heat_capacity(temperature: Number) -> Number:
    """Return the heat capacity of liquid water at atmospheric pressure.

    c_p = h_0 + h_1 x + ... + h_6 x^6,  x = T / 50 - 1

    Parameters:
        temperature [degC]: temperature of the water.

    Returns:
        heat capacity [J/(kg K)], shape of the argument.

    Range:
        temperature 0 to 100 degC (liquid water at 101.325 kPa); within 0.005 % of IAPWS-95 there.

    Assumptions:
        pure, air-free.

    Example:
        >>> round(water_heat_capacity(25.0), 1)
        4181.3

    Source:
        own fit to IAPWS-95 (IAPWS R6-95), checked against it.
    """
    x = temperature / 50.0 - 1.0
    h = _HEAT
    return h[0] + x * (h[1] + x * (h[2] + x * (h[3] + x * (h[4] + x * (h[5] + x * h[6])))))


@formula(possible={"temperature": _LIQUID}, source="IAPWS SR6-08(2011), Eq. 7")
def water_viscosity(temperature: Number) -> Number:
    """Return the dynamic viscosity of liquid water at atmospheric pressure.

    mu = 1e-6 sum a_i (T_abs / 300 K)^b_i

    Parameters:
        temperature [degC]: temperature of the water.

    Returns:
        dynamic viscosity [Pa s], shape of the argument.

    Range:
        temperature 0 to 100 degC (liquid water; the source goes from -20 to 110 degC).

    Assumptions:
        pure.

    Example:
        >>> round(water_viscosity(25.0) * 1e6, 2)
        890.0

    Source:
        IAPWS SR6-08(2011), Eq. 7 (from memory).
    """
    ratio = (temperature + KELVIN) / 300.0
    return 1e-6 * sum(a * ratio**b for a, b in _VISCOSITY)


@formula(possible={"temperature": _LIQUID}, source="IAPWS SR6-08(2011), Eq. 8")
def water_conductivity(temperature: Number) -> Number:
    """Return the thermal conductivity of liquid water at atmospheric pressure.

    lambda = sum c_i (T_abs / 300 K)^d_i

    Parameters:
        temperature [degC]: temperature of the water.

    Returns:
        thermal conductivity [W/(m K)], shape of the argument.

    Range:
        temperature 0 to 100 degC (liquid water; the source goes from 0 to 110 degC).

    Assumptions:
        pure.

    Example:
        >>> round(water_conductivity(25.0), 4)
        0.6065

    Source:
        IAPWS SR6-08(2011), Eq. 8 (from memory).
    """
    ratio = (temperature + KELVIN) / 300.0
    return sum(c * ratio**d for c, d in _CONDUCTIVITY)


def _glycol(kind: str, function: str) -> _Glycol:
    if kind not in _GLYCOLS:
        raise refuse(
            "kind",
            repr(kind),
            f"kind must be one of {', '.join(map(repr, _GLYCOLS))}",
            "name the glycol in the coolant",
            f"{function}: unknown glycol",
        )
    return _GLYCOLS[kind]


def _polynomial(glycol: _Glycol, rows: tuple[tuple[float, ...], ...], temperature: Number, x: Number) -> Number:
    t, dx = temperature - glycol.warm, x - glycol.middle
    total: Number = 0.0
    for power, row in enumerate(rows):
        total = total + t**power * sum(value * dx**column for column, value in enumerate(row))
    return total


@formula(
    possible={"temperature": TEMPERATURE, "mass_fraction": _MIXTURE},
    range=_MIXTURE_RANGE,
    source="Melinder, IIR 2010",
)
def glycol_density(temperature: Number, mass_fraction: Number, kind: str = "ethylene") -> Number:
    """Return the density of a mixture of glycol and water.

    rho = sum c_ij (x - x_m)^j (T - T_m)^i

    Parameters:
        temperature [degC]: temperature of the coolant.
        mass_fraction [1]: mass of glycol over mass of the mixture; bottles often state volume.
        kind [-]: 'ethylene' or 'propylene'.

    Returns:
        density [kg/m^3], arguments broadcast; within about 1 % from 20 to 40 degC, 2 % elsewhere.

    Range:
        mass_fraction 0 to 0.6 (Melinder 2010); temperature 0 to 80 degC (this project: within 2 % of values of the
        ASHRAE handbook of 2001, 15 to 50 % by mass), above the mixture's freezing point.

    Assumptions:
        no additives; ready-made coolants carry inhibitors and dyes.

    Example:
        >>> round(glycol_density(30.0, 0.3), 1)
        1033.7

    Source:
        Melinder, Properties of Secondary Working Fluids for Indirect Systems, IIR 2010 (coefficients read in a public
        listing).
    """
    glycol = _glycol(kind, "glycol_density")
    return _polynomial(glycol, glycol.density, temperature, mass_fraction)


@formula(
    possible={"temperature": TEMPERATURE, "mass_fraction": _MIXTURE},
    range=_MIXTURE_RANGE,
    source="Melinder, IIR 2010",
)
def glycol_heat_capacity(temperature: Number, mass_fraction: Number, kind: str = "ethylene") -> Number:
    """Return the heat capacity of a mixture of glycol and water.

    c_p = sum c_ij (x - x_m)^j (T - T_m)^i

    Parameters:
        temperature [degC]: temperature of the coolant.
        mass_fraction [1]: mass of glycol over mass of the mixture; bottles often state volume.
        kind [-]: 'ethylene' or 'propylene'.

    Returns:
        heat capacity [J/(kg K)], arguments broadcast; within about 1 % from 20 to 40 degC, 2 % elsewhere.

    Range:
        mass_fraction 0 to 0.6 (Melinder 2010); temperature 0 to 80 degC (this project: within 2 % of values of the
        ASHRAE handbook of 2001, 15 to 50 % by mass), above the mixture's freezing point.

    Assumptions:
        no additives; ready-made coolants carry inhibitors and dyes.

    Example:
        >>> round(glycol_heat_capacity(30.0, 0.5))
        3364

    Source:
        Melinder, Properties of Secondary Working Fluids for Indirect Systems, IIR 2010 (coefficients read in a public
        listing).
    """
    glycol = _glycol(kind, "glycol_heat_capacity")
    return _polynomial(glycol, glycol.heat_capacity, temperature, mass_fraction)


@formula(
    possible={"volume_flow": NOT_NEGATIVE, "density": POSITIVE, "heat_capacity": POSITIVE},
    source="conservation of energy",
)
def heat_capacity_rate(volume_flow: Number, density: Number, heat_capacity: Number) -> Number:
    """Return the heat that a flow takes up for each kelvin it warms.

    W = V' rho c_p

    Parameters:
        volume_flow [m^3/s]: volume flow; 1 L/min is 1/60000 m^3/s.
        density [kg/m^3]: density of the coolant.
        heat_capacity [J/(kg K)]: heat capacity of the coolant.

    Returns:
        heat-capacity rate [W/K], arguments broadcast.

    Range:
        volume_flow at least 0, the rest above 0 (physics).

    Assumptions:
        properties at the mean temperature of the flow.

    Example:
        >>> round(heat_capacity_rate(1.0 / 60000.0, water_density(25.0), water_heat_capacity(25.0)), 2)
        69.48

    Source:
        conservation of energy.
    """
    return volume_flow * density * heat_capacity


@formula(
    possible={"power": ANY, "volume_flow": POSITIVE, "density": POSITIVE, "heat_capacity": POSITIVE},
    source="conservation of energy",
)
def coolant_rise(power: Number, volume_flow: Number, density: Number, heat_capacity: Number) -> Number:
    """Return how much a heat warms a flow.

    dT = Q / (V' rho c_p)

    Parameters:
        power [W]: heat into the flow; negative cools it.
        volume_flow [m^3/s]: volume flow; 1 L/min is 1/60000 m^3/s.
        density [kg/m^3]: density of the coolant.
        heat_capacity [J/(kg K)]: heat capacity of the coolant.

    Returns:
        temperature rise from inlet to outlet [K], arguments broadcast.

    Range:
        volume_flow, density and heat_capacity above 0 (physics).

    Assumptions:
        steady; all of the heat goes into the flow.

    Example:
        >>> round(coolant_rise(200.0, 1.0 / 60000.0, water_density(30.0), water_heat_capacity(30.0)), 2)
        2.88

    Source:
        conservation of energy.
    """
    return power / (volume_flow * density * heat_capacity)


@formula(
    possible={"rise": ANY, "volume_flow": NOT_NEGATIVE, "density": POSITIVE, "heat_capacity": POSITIVE},
    source="conservation of energy",
)
def coolant_heat(rise: Number, volume_flow: Number, density: Number, heat_capacity: Number) -> Number:
    """Return the heat that a flow carries away, from its temperature rise.

    Q = V' rho c_p dT

    Parameters:
        rise [K]: outlet less inlet temperature; measured, so noise may take it below zero.
        volume_flow [m^3/s]: volume flow; 1 L/min is 1/60000 m^3/s.
        density [kg/m^3]: density of the coolant.
        heat_capacity [J/(kg K)]: heat capacity of the coolant.

    Returns:
        heat [W], arguments broadcast.

    Range:
        volume_flow at least 0, density and heat_capacity above 0 (physics).

    Assumptions:
        steady; properties at the mean temperature of the flow.

    Example:
        >>> round(coolant_heat(2.0, 1.0 / 60000.0, water_density(30.0), water_heat_capacity(30.0)), 1)
        138.7

    Source:
        conservation of energy.
    """
    return rise * heat_capacity_rate(volume_flow, density, heat_capacity)
