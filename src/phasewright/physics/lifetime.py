"""Life against temperature, voltage and cycling: acceleration factors and the laws of capacitor makers."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number, require_below
from phasewright.physics.validity import NOT_NEGATIVE, POSITIVE, TEMPERATURE, Bound, formula

__all__ = [
    "arrhenius_factor",
    "coffin_manson_factor",
    "derated_life",
    "electrolytic_life",
    "equivalent_activation_energy",
    "failures_in_time",
    "norris_landzberg_factor",
    "polymer_life",
]

BOLTZMANN = 8.617333262e-5
"""[eV/K], exact by the SI of 2019 to the digits shown."""
KELVIN = 273.15
ENERGIES = Bound(
    low=0.0, high=2.0, said_by="JEP122, activation energies of wear-out and defect mechanisms, from memory"
)
RULE = Bound(low=40.0, high=125.0, said_by="capacitor makers' rule, between 40 degC and the rated temperature")
TRADE = Bound(low=-40.0, high=150.0, said_by="temperatures of parts in use and test, common practice, no source")


@formula(
    possible={"activation_energy": NOT_NEGATIVE, "use_temperature": TEMPERATURE, "stress_temperature": TEMPERATURE},
    range={"activation_energy": ENERGIES, "use_temperature": TRADE, "stress_temperature": TRADE},
    source="JEP122 (form)",
)
def arrhenius_factor(activation_energy: Number, use_temperature: Number, stress_temperature: Number) -> Number:
    """Return how much faster a thermally activated mechanism runs at one temperature than at another.

    AF = exp(E_a / k (1 / T_use - 1 / T_stress)),  k = 8.617333262e-5 eV/K, temperatures absolute

    Parameters:
        activation_energy [eV]: activation energy of the mechanism.
        use_temperature [degC]: temperature in use.
        stress_temperature [degC]: temperature in the test, or of the rating.

    Returns:
        acceleration factor [1], arguments broadcast; above 1 when the stress is hotter.

    Range:
        activation_energy 0 to 2 eV (JEP122, from memory); temperatures -40 to 150 degC (parts in use and test, common
        practice, no source).

    Assumptions:
        one mechanism, not changed by the temperature. Rounded constants shift printed values by up to 1.3 %.

    Example:
        >>> round(arrhenius_factor(0.7, 55.0, 125.0), 2)
        77.65

    Source:
        JEP122 (form, from memory).
    """
    inverse = 1.0 / (use_temperature + KELVIN) - 1.0 / (stress_temperature + KELVIN)
    return np.exp(activation_energy / BOLTZMANN * inverse)


@formula(
    possible={"acceleration_factor": POSITIVE, "low_temperature": TEMPERATURE, "high_temperature": TEMPERATURE},
    range={"low_temperature": TRADE, "high_temperature": TRADE},
    source="inverse of the Arrhenius law",
)
def equivalent_activation_energy(
    acceleration_factor: Number, low_temperature: Number, high_temperature: Number
) -> Number:
    """Return the activation energy that gives an acceleration factor between two temperatures.

    E_a = k ln(AF) / (1 / T_low - 1 / T_high)

    Parameters:
        acceleration_factor [1]: acceleration factor between the two temperatures.
        low_temperature [degC]: lower temperature.
        high_temperature [degC]: higher temperature.

    Returns:
        activation energy [eV], arguments broadcast.

    Range:
        low_temperature below high_temperature (physics), both -40 to 150 degC (parts in use and test, common practice,
        no source).

    Assumptions:
        as for arrhenius_factor, whose inverse this is.

    Example:
        >>> round(equivalent_activation_energy(2.0, 95.0, 105.0), 4)
        0.8315

    Source:
        inverse of the Arrhenius law.
    """
    require_below(
        "equivalent_activation_energy", "low_temperature", low_temperature, "high_temperature", high_temperature
    )
    inverse = 1.0 / (low_temperature + KELVIN) - 1.0 / (high_temperature + KELVIN)
    return BOLTZMANN * np.log(acceleration_factor) / inverse


@formula(
    possible={"rated_life": POSITIVE, "rated_temperature": TEMPERATURE, "temperature": TEMPERATURE},
    range={"temperature": RULE},
    source="data sheet NCP5314, p. 20",
)
def electrolytic_life(rated_life: Number, rated_temperature: Number, temperature: Number) -> Number:
    """Return the life of a liquid electrolytic capacitor: half for every 10 K.

    L = L_0 2^((T_0 - T) / 10)

    Parameters:
        rated_life [s]: life at rated_temperature.
        rated_temperature [degC]: temperature for which the life is rated.
        temperature [degC]: temperature of the capacitor's core.

    Returns:
        life [s], arguments broadcast.

    Range:
        temperature 40 to 125 degC (capacitor makers' rule, between 40 degC and the rated temperature).

    Assumptions:
        ripple heating is in the core temperature; makers cap the answer at about 15 years.

    Example:
        >>> electrolytic_life(2000 * 3600.0, 105.0, 85.0) / 3600
        8000.0

    Source:
        data sheet NCP5314, p. 20 (life falls 50 % for every 10 K); notes of several capacitor makers.
    """
    return rated_life * 2.0 ** ((rated_temperature - temperature) / 10.0)


@formula(
    possible={"rated_life": POSITIVE, "rated_temperature": TEMPERATURE, "temperature": TEMPERATURE},
    range={"temperature": RULE},
    source="notes of polymer-capacitor makers",
)
def polymer_life(rated_life: Number, rated_temperature: Number, temperature: Number) -> Number:
    """Return the life of a polymer capacitor: a tenth for every 20 K.

    L = L_0 10^((T_0 - T) / 20)

    Parameters:
        rated_life [s]: life at rated_temperature.
        rated_temperature [degC]: temperature for which the life is rated.
        temperature [degC]: temperature of the capacitor's core.

    Returns:
        life [s], arguments broadcast.

    Range:
        temperature 40 to 125 degC (capacitor makers' rule, between 40 degC and the rated temperature).

    Assumptions:
        ripple heating is in the core temperature; makers cap the answer at about 15 years.

    Example:
        >>> round(polymer_life(2000 * 3600.0, 105.0, 85.0) / 3600)
        20000

    Source:
        notes of polymer-capacitor makers (from memory).
    """
    return rated_life * 10.0 ** ((rated_temperature - temperature) / 20.0)


@formula(
    possible={"life": POSITIVE, "rated_voltage": POSITIVE, "voltage": POSITIVE, "exponent": NOT_NEGATIVE},
    range={"exponent": Bound(low=0.0, high=5.0, said_by="capacitor makers' exponents, common practice, no source")},
    source="a capacitor maker's example, 2020",
)
def derated_life(life: Number, rated_voltage: Number, voltage: Number, exponent: Number = 2.5) -> Number:
    """Return the life of a capacitor below its rated voltage.

    L = L_0 (V_rated / V)^n

    Parameters:
        life [s]: life at the rated voltage and the temperature of use.
        rated_voltage [V]: rated voltage.
        voltage [V]: voltage in use.
        exponent [1]: voltage exponent of the maker.

    Returns:
        life [s], arguments broadcast.

    Range:
        voltage above 0 and at most rated_voltage (rating); exponent 0 to 5 (makers' exponents, common practice, no
        source).

    Assumptions:
        the maker grants the law for this part; many grant none for parts below 100 V.

    Example:
        >>> round(derated_life(electrolytic_life(4000 * 3600.0, 90.0, 70.0), 400.0, 200.0) / 3600, 1)
        90509.7

    Source:
        a capacitor maker's example, 2020; the exponent 2.5 is inferred from its printed result.
    """
    require_below("derated_life", "voltage", voltage, "rated_voltage", np.nextafter(rated_voltage, np.inf))
    return life * (rated_voltage / voltage) ** exponent


@formula(
    possible={"test_swing": POSITIVE, "use_swing": POSITIVE, "exponent": POSITIVE},
    range={"exponent": Bound(low=1.0, high=9.0, said_by="JEP122, from memory: ductile 1-3, hard 3-5, brittle 6-9")},
    source="JEP122 (form and exponents)",
)
def coffin_manson_factor(test_swing: Number, use_swing: Number, exponent: Number) -> Number:
    """Return how many more cycles a joint lasts at a smaller temperature swing.

    N_use / N_test = (dT_test / dT_use)^q

    Parameters:
        test_swing [K]: temperature swing of a cycle in the test.
        use_swing [K]: temperature swing of a cycle in use.
        exponent [1]: q; 1 to 3 for ductile metal, 3 to 5 for hard metal and intermetallics, 6 to 9 for brittle parts.

    Returns:
        ratio of cycles [1], arguments broadcast.

    Range:
        exponent 1 to 9 (JEP122, from memory); swings above 0.

    Assumptions:
        the same mechanism in both; no effect of dwell and peak temperature.

    Example:
        >>> coffin_manson_factor(120.0, 60.0, 2.0)
        4.0

    Source:
        JEP122 (form and exponents, from memory).
    """
    return (test_swing / use_swing) ** exponent


@formula(
    possible={
        "use_swing": POSITIVE,
        "test_swing": POSITIVE,
        "use_frequency": POSITIVE,
        "test_frequency": POSITIVE,
        "use_peak": TEMPERATURE,
        "test_peak": TEMPERATURE,
        "swing_exponent": POSITIVE,
        "frequency_exponent": NOT_NEGATIVE,
        "peak_constant": NOT_NEGATIVE,
    },
    range={"use_peak": TRADE, "test_peak": TRADE},
    source="Norris and Landzberg 1969; Pan et al. 2005 (constants)",
)
def norris_landzberg_factor(
    use_swing: Number,
    test_swing: Number,
    use_frequency: Number,
    test_frequency: Number,
    use_peak: Number,
    test_peak: Number,
    swing_exponent: Number = 2.65,
    frequency_exponent: Number = 0.136,
    peak_constant: Number = 2185.0,
) -> Number:
    """Return how many more thermal cycles a solder joint lasts in use than in a test.

    AF = (dT_test / dT_use)^n (f_use / f_test)^m exp(A (1 / T_use - 1 / T_test)),  peak temperatures absolute

    Parameters:
        use_swing [K]: temperature swing of a cycle in use.
        test_swing [K]: temperature swing of a cycle in the test.
        use_frequency [1/day]: cycles a day in use.
        test_frequency [1/day]: cycles a day in the test.
        use_peak [degC]: greatest temperature of a cycle in use.
        test_peak [degC]: greatest temperature of a cycle in the test.
        swing_exponent [1]: n; 2.65 for tin-silver-copper, 1.9 for tin-lead solder.
        frequency_exponent [1]: m; 0.136 for tin-silver-copper, 1/3 for tin-lead solder.
        peak_constant [K]: A; 2185 for tin-silver-copper, 1414 for tin-lead solder.

    Returns:
        acceleration factor [1], arguments broadcast.

    Range:
        peak temperatures -40 to 150 degC (parts in use and test, common practice, no source); swings and frequencies
        above 0.

    Assumptions:
        solder fatigue only; the constants belong to the alloy and joint for which they were fitted.

    Example:
        >>> round(norris_landzberg_factor(60.0, 100.0, 6.0, 24.0, 60.0, 100.0), 4)
        6.4767

    Source:
        Norris and Landzberg 1969; constants of Pan et al. 2005 (both from memory).
    """
    inverse = 1.0 / (use_peak + KELVIN) - 1.0 / (test_peak + KELVIN)
    swings = (test_swing / use_swing) ** swing_exponent
    return swings * (use_frequency / test_frequency) ** frequency_exponent * np.exp(peak_constant * inverse)


@formula(possible={"failure_rate": NOT_NEGATIVE}, source="definition: one failure in 1e9 device-hours")
def failures_in_time(failure_rate: Number) -> Number:
    """Return a failure rate in the trade's unit: failures in a billion hours (FIT).

    FIT = lambda 3600 s/h 1e9 h

    Parameters:
        failure_rate [1/s]: failures of one device per second of use.

    Returns:
        failure rate [FIT], shape of the argument.

    Range:
        failure_rate at least 0 (physics).

    Assumptions:
        constant failure rate.

    Example:
        >>> failures_in_time(1.0 / 3.6e12)
        1.0

    Source:
        definition: one failure in 1e9 device-hours.
    """
    return failure_rate * 3600.0 * 1e9
