"""Thermal resistances in series and parallel, networks in time, and how an exponential approach ends."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Array, Number, plain, refuse
from phasewright.physics.records import FinalValue, FosterNetwork
from phasewright.physics.validity import ANY, NOT_NEGATIVE, POSITIVE, TEMPERATURE, Bound, formula

__all__ = [
    "approach_fraction",
    "cauer_to_foster",
    "chain_temperatures",
    "final_value",
    "foster_history",
    "foster_rise",
    "heat_split",
    "parallel_thermal",
    "series_thermal",
    "settling_time",
    "thermal_resistance",
]


PATH = Bound(low=0.0, open_low=True, infinite=True)
"""A path may be cut."""


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


@formula(possible={"thermal_resistances": NOT_NEGATIVE}, source="heat conduction in series")
def series_thermal(thermal_resistances: Number) -> Number:
    """Return the resistance of a chain through which the same heat flows.

    R = sum R_i

    Parameters:
        thermal_resistances [K/W]: resistances along the chain, last axis.

    Returns:
        resistance of the chain [K/W], shape of the argument without its last axis.

    Range:
        all at least 0 (physics).

    Assumptions:
        no heat leaves on the way.

    Example:
        >>> series_thermal([3.0, 1.0, 8.0])
        12.0

    Source:
        heat conduction in series.
    """
    return np.sum(np.atleast_1d(thermal_resistances), axis=-1)


@formula(possible={"thermal_resistances": PATH}, source="heat conduction in parallel")
def parallel_thermal(thermal_resistances: Number) -> Number:
    """Return the resistance of paths side by side between the same two temperatures.

    R = 1 / sum (1 / R_i)

    Parameters:
        thermal_resistances [K/W]: resistances of the paths, last axis; infinite for a path that is cut.

    Returns:
        resistance of all paths together [K/W], shape of the argument without its last axis.

    Range:
        all above 0 (physics).

    Assumptions:
        both ends of all paths are at one temperature each.

    Example:
        >>> parallel_thermal([10.0, 40.0])
        8.0

    Source:
        heat conduction in parallel.
    """
    conductance = np.sum(1.0 / np.atleast_1d(thermal_resistances), axis=-1)
    with np.errstate(divide="ignore"):
        return np.divide(1.0, conductance)


@formula(possible={"power": NOT_NEGATIVE, "thermal_resistances": PATH}, source="heat conduction in parallel")
def heat_split(power: Number, thermal_resistances: Number) -> Number:
    """Return how a heat divides over paths side by side.

    P_i = P R / R_i,  R of all together

    Parameters:
        power [W]: heat into all paths together, one number or one a row of resistances.
        thermal_resistances [K/W]: resistances of the paths, last axis.

    Returns:
        heat along each path [W], shape of thermal_resistances.

    Range:
        power at least 0, resistances above 0 and not all infinite (physics).

    Assumptions:
        both ends of all paths are at one temperature each.

    Example:
        >>> heat_split(20.0, [10.0, 40.0])
        array([16.,  4.])

    Source:
        heat conduction in parallel.
    """
    conductance = 1.0 / np.atleast_1d(thermal_resistances)
    return np.asarray(power)[..., None] * conductance / np.sum(conductance, axis=-1, keepdims=True)


@formula(
    possible={"reference_temperature": TEMPERATURE, "power": NOT_NEGATIVE, "thermal_resistances": NOT_NEGATIVE},
    source="heat conduction in series",
)
def chain_temperatures(reference_temperature: Number, power: Number, thermal_resistances: Number) -> Number:
    """Return the temperatures along a chain, from the node next to the reference up to the source.

    T_k = T_ref + P sum of the first k resistances

    Parameters:
        reference_temperature [degC]: temperature of the coolant or air at the chain's end.
        power [W]: heat along the chain.
        thermal_resistances [K/W]: resistances from the reference towards the source, last axis.

    Returns:
        temperature at the hot side of each resistance [degC], shape of thermal_resistances.

    Range:
        power and resistances at least 0 (physics).

    Assumptions:
        settled; no heat leaves on the way.

    Example:
        >>> chain_temperatures(25.0, 5.0, [8.0, 1.0, 3.0])
        array([65., 70., 85.])

    Source:
        heat conduction in series.
    """
    rises = np.asarray(power)[..., None] * np.cumsum(np.atleast_1d(thermal_resistances), axis=-1)
    return np.asarray(reference_temperature)[..., None] + rises


@formula(
    possible={
        "time": Bound(low=0.0, said_by="the step is at time 0"),
        "power": ANY,
        "thermal_resistances": NOT_NEGATIVE,
        "time_constants": POSITIVE,
    },
    source="step response of parallel RC pairs in series",
)
def foster_rise(time: Number, power: Number, thermal_resistances: Number, time_constants: Number) -> Number:
    """Return the temperature rise of a Foster network after a step of power.

    dT(t) = P sum R_i (1 - exp(-t / tau_i))

    Parameters:
        time [s]: time since the step.
        power [W]: size of the step; broadcasts with time.
        thermal_resistances [K/W]: one a term, last axis.
        time_constants [s]: one a term, last axis.

    Returns:
        rise [K], shape of time and power broadcast.

    Range:
        time at least 0 (the step is at time 0), resistances at least 0, time constants above 0 (physics).

    Assumptions:
        linear, starting settled; a Foster network's inner nodes mean nothing.

    Example:
        >>> round(foster_rise(1.0, 1.0, [0.5, 2.0], [0.01, 20.0]), 6)
        0.597541

    Source:
        step response of parallel RC pairs in series.
    """
    terms = -np.expm1(-np.asarray(time)[..., None] / np.atleast_1d(time_constants))
    return np.asarray(power) * np.sum(np.atleast_1d(thermal_resistances) * terms, axis=-1)


def _recur(decay: Array, drive: Array, start: Array) -> Array:
    """Return x_1 ... x_n of x_k+1 = decay_k x_k + drive_k, all of shape (n, terms), at linear cost.

    Blocks of sqrt(n) run side by side from zero, then the true value at each block's start is carried in.
    """
    count, terms = decay.shape
    block = max(1, int(np.sqrt(count)))
    blocks = -(-count // block)
    spare = blocks * block - count
    a = np.concatenate([decay, np.ones((spare, terms))]).reshape(blocks, block, terms)
    b = np.concatenate([drive, np.zeros((spare, terms))]).reshape(blocks, block, terms)
    gain, local = np.empty_like(a), np.empty_like(b)
    product, value = np.ones((blocks, terms)), np.zeros((blocks, terms))
    for column in range(block):
        value = a[:, column] * value + b[:, column]
        product = product * a[:, column]
        local[:, column], gain[:, column] = value, product
    carried = start
    for row in range(blocks):
        local[row] += gain[row] * carried
        carried = local[row, -1]
    return local.reshape(-1, terms)[:count]


@formula(
    possible={
        "time": ANY,
        "power": ANY,
        "thermal_resistances": NOT_NEGATIVE,
        "time_constants": POSITIVE,
        "start_power": ANY,
    },
    source="step response of parallel RC pairs in series, superposed",
)
def foster_history(
    time: Number, power: Number, thermal_resistances: Number, time_constants: Number, start_power: Number = 0.0
) -> Number:
    """Return the temperature rise of a Foster network under a power that changes in steps; exact between them.

    x_i(t_k+1) = exp(-h_k / tau_i) x_i(t_k) + (1 - exp(-h_k / tau_i)) R_i P_k,  dT = sum x_i

    Parameters:
        time [s]: moments, rising, shape (n,); any spacing.
        power [W]: power held from each moment to the next, shape (n,); the last one is not used.
        thermal_resistances [K/W]: one a term, shape (terms,).
        time_constants [s]: one a term, shape (terms,).
        start_power [W]: power at which the network had settled before the first moment.

    Returns:
        rise at each moment [K], shape (n,).

    Range:
        time rising; resistances at least 0, time constants above 0 (physics).

    Assumptions:
        linear; power constant between moments.

    Example:
        >>> foster_history([0.0, 20.0, 40.0], [1.0, 0.0, 0.0], [2.0], [20.0]).round(6)
        array([0.      , 1.264241, 0.465088])

    Source:
        step response of parallel RC pairs in series, superposed.
    """
    moments, powers = np.atleast_1d(time), np.atleast_1d(power)
    resistances, constants = np.atleast_1d(thermal_resistances), np.atleast_1d(time_constants)
    steps = np.diff(moments)
    if np.any(steps <= 0.0):
        raise refuse(
            "spacing of moments",
            float(np.min(steps)),
            "moments must rise",
            "sort the samples by time [s] and drop repeated moments",
            "foster_history: impossible argument",
        )
    start = resistances * start_power
    if moments.size < 2:
        return np.full(moments.shape, np.sum(start))
    exponent = -steps[:, None] / constants
    settled = resistances * np.broadcast_to(powers, moments.shape)[:-1, None]
    states = _recur(np.exp(exponent), -np.expm1(exponent) * settled, start)
    return np.concatenate([[np.sum(start)], np.sum(states, axis=-1)])


@formula(
    possible={"thermal_resistances": POSITIVE, "heat_capacities": POSITIVE},
    source="modes of a linear network",
)
def cauer_to_foster(thermal_resistances: Number, heat_capacities: Number) -> FosterNetwork:
    """Return the Foster network with the same temperature at the heated end as a ladder of layers (Cauer).

    R_i = v_1i^2 / (C_1 lambda_i), tau_i = 1 / lambda_i of C^(-1/2) G C^(-1/2)

    Parameters:
        thermal_resistances [K/W]: from each layer to the next, the last one to the reference, shape (layers,).
        heat_capacities [J/K]: heat capacity of each layer, the heated one first, shape (layers,).

    Returns:
        FosterNetwork of thermal resistances [K/W] and time constants [s], shape (layers,), shortest first.

    Range:
        all above 0 (physics); as many capacities as resistances.

    Assumptions:
        heat enters at the first layer; the reference holds its temperature.

    Example:
        >>> network = cauer_to_foster([0.5, 2.0], [0.02, 10.0])
        >>> network.thermal_resistances.round(7)
        array([0.4980045, 2.0019955])

    Source:
        modes of a linear network (eigenvalues of a symmetric matrix).
    """
    resistances, capacities = np.atleast_1d(thermal_resistances), np.atleast_1d(heat_capacities)
    if resistances.shape != capacities.shape or resistances.ndim != 1:
        raise refuse(
            "thermal_resistances, heat_capacities",
            f"shapes {resistances.shape}, {capacities.shape}",
            "a ladder has one of each for every layer",
            "give two lists of the same length",
            "cauer_to_foster: impossible arguments",
        )
    conductance = 1.0 / resistances
    network = np.diag(conductance + np.concatenate([[0.0], conductance[:-1]]))
    for layer in range(conductance.size - 1):
        network[layer, layer + 1] = network[layer + 1, layer] = -conductance[layer]
    root = np.sqrt(capacities)
    rates, modes = np.linalg.eigh(network / np.outer(root, root))
    order = np.argsort(-rates)
    rates, first = rates[order], modes[0, order]
    return FosterNetwork(thermal_resistances=first**2 / (capacities[0] * rates), time_constants=1.0 / rates)


@formula(possible={"time": NOT_NEGATIVE, "time_constant": POSITIVE}, source="Newton's law of cooling")
def approach_fraction(time: Number, time_constant: Number) -> Number:
    """Return how much of an exponential change has happened.

    x = 1 - exp(-t / tau)

    Parameters:
        time [s]: time since the change.
        time_constant [s]: time constant of the approach.

    Returns:
        fraction of the change [1], arguments broadcast.

    Range:
        time at least 0, time_constant above 0 (physics).

    Assumptions:
        one time constant.

    Example:
        >>> round(approach_fraction(3.0, 1.0), 6)
        0.950213

    Source:
        Newton's law of cooling.
    """
    return -np.expm1(-time / time_constant)


@formula(
    possible={"time_constant": POSITIVE, "remaining": Bound(low=0.0, high=1.0, open_low=True)},
    source="Newton's law of cooling",
)
def settling_time(time_constant: Number, remaining: Number) -> Number:
    """Return the time until a given fraction of an exponential change remains.

    t = -tau ln(remaining)

    Parameters:
        time_constant [s]: time constant of the approach.
        remaining [1]: fraction of the change still to come, 0.05 for 5 %.

    Returns:
        time [s], arguments broadcast.

    Range:
        time_constant above 0, remaining above 0 and at most 1 (physics).

    Assumptions:
        one time constant.

    Example:
        >>> round(settling_time(1.0, 0.05), 5)
        2.99573

    Source:
        Newton's law of cooling.
    """
    return -time_constant * np.log(remaining)


@formula(
    possible={
        "first_temperature": TEMPERATURE,
        "second_temperature": TEMPERATURE,
        "third_temperature": TEMPERATURE,
        "spacing": POSITIVE,
    },
    source="closed form of one exponential",
)
def final_value(
    first_temperature: Number, second_temperature: Number, third_temperature: Number, spacing: Number
) -> FinalValue:
    """Return where an exponential approach ends, from three equally spaced temperatures.

    T_end = (T1 T3 - T2^2) / (T1 + T3 - 2 T2),  tau = dt / ln((T2 - T1) / (T3 - T2))

    Parameters:
        first_temperature [degC]: earliest temperature.
        second_temperature [degC]: temperature one spacing later.
        third_temperature [degC]: temperature two spacings later.
        spacing [s]: time between them.

    Returns:
        FinalValue of end temperature [degC] and time constant [s], arguments broadcast.

    Range:
        an approach: the second change has the sign of the first and is smaller (closed form).

    Assumptions:
        one time constant, no noise: noise of the three points is magnified when the approach is far from its end.

    Example:
        >>> end = final_value(40.0, 61.89623, 73.13813, 200.0)
        >>> round(end.temperature, 3), round(end.time_constant, 1)
        (85.0, 300.0)

    Source:
        closed form of one exponential (Aitken's formula).
    """
    change, later = second_temperature - first_temperature, third_temperature - second_temperature
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.divide(later, change)
    if np.any(~((ratio > 0.0) & (ratio < 1.0)) & ~np.isnan(ratio)) or np.any((change == 0.0) & (later == 0.0)):
        raise refuse(
            "later over earlier change",
            str(ratio),
            "an approach slows down: the ratio must lie between 0 and 1",
            "take points [degC] further apart in time, or fit the whole record",
            "final_value: no exponential approach",
        )
    # Written from the first point, so that a large common temperature costs no digits.
    temperature = first_temperature + change**2 / (change - later)
    return FinalValue(temperature=plain(temperature), time_constant=plain(-spacing / np.log(ratio)))
