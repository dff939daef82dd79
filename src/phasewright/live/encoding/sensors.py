"""Temperature from what a sensor gives: thermistor, platinum resistor, thermocouples of types K and T."""

from __future__ import annotations

import math

KELVIN = 273.15
A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12
"""Callendar-Van Dusen coefficients of industrial platinum. Source: IEC 60751."""
TYPE_K = (
    -1.7600413686e-2, 3.8921204975e-2, 1.8558770032e-5, -9.9457592874e-8, 3.1840945719e-10, -5.6072844889e-13,
    5.6075059059e-16, -3.2020720003e-19, 9.7151147152e-23, -1.2104721275e-26,
)  # fmt: skip
TYPE_K_HUMP = (0.1185976, -1.183432e-4, 126.9686)
TYPE_T = (
    0.0, 3.8748106364e-2, 3.3292227880e-5, 2.0618243404e-7, -2.1882256846e-9, 1.0996880928e-11, -3.0815758772e-14,
    4.5479135290e-17, -2.7512901673e-20,
)  # fmt: skip
"""Reference functions in mV from 0 degC up. Source: ITS-90 as in NIST Monograph 175 (coefficients from memory; tests assert
table values)."""
HIGHEST = {"K": 1372.0, "T": 400.0}


def thermistor_temperature(resistance: float, nominal: float, beta: float) -> float:
    """Return the temperature [degC] of a thermistor of `nominal` [Ohm] at 25 degC and `beta` [K]; ValueError below 0 Ohm."""
    if resistance <= 0.0:
        raise ValueError(f"resistance (resistance = {resistance}) - must be above 0 Ohm - the sensor is shorted")
    return 1.0 / (math.log(resistance / nominal) / beta + 1.0 / 298.15) - KELVIN


def thermistor_resistance(temperature: float, nominal: float, beta: float) -> float:
    """Return nominal * exp(beta * (1/T - 1/298.15)) [Ohm] at `temperature` [degC]."""
    return nominal * math.exp(beta * (1.0 / (temperature + KELVIN) - 1.0 / 298.15))


def beta_from(nominal: float, resistance: float, temperature: float) -> float:
    """Return beta [K] of a thermistor from its resistances [Ohm] at 25 degC and at `temperature` [degC]."""
    return math.log(nominal / resistance) / (1.0 / 298.15 - 1.0 / (temperature + KELVIN))


def steinhart_hart(points: tuple[tuple[float, float], ...]) -> tuple[float, float, float]:
    """Return A, B, C of 1/T = A + B ln R + C (ln R)^3 through three (resistance [Ohm], temperature [degC])."""
    (l1, y1), (l2, y2), (l3, y3) = ((math.log(r), 1.0 / (t + KELVIN)) for r, t in points)
    g2, g3 = (y2 - y1) / (l2 - l1), (y3 - y1) / (l3 - l1)
    c = (g3 - g2) / (l3 - l2) / (l1 + l2 + l3)
    b = g2 - c * (l1 * l1 + l1 * l2 + l2 * l2)
    return y1 - (b + l1 * l1 * c) * l1, b, c


def platinum_resistance(temperature: float, nominal: float = 100.0) -> float:
    """Return the resistance [Ohm] of a platinum sensor of `nominal` [Ohm] at 0 degC, -200 to 850 degC (IEC 60751)."""
    t = temperature
    low = C * (t - 100.0) * t**3 if t < 0.0 else 0.0
    return nominal * (1.0 + A * t + B * t * t + low)


def platinum_temperature(resistance: float, nominal: float = 100.0) -> float:
    """Return the temperature [degC] of a platinum sensor; ValueError outside -200 to 850 degC."""
    if not platinum_resistance(-200.5, nominal) <= resistance <= platinum_resistance(850.5, nominal):
        raise ValueError(f"resistance (resistance = {resistance}) - platinum gives {0.1852 * nominal:.4g} to "
                         f"{3.9048 * nominal:.5g} Ohm - the sensor is open, shorted or another")
    ratio = resistance / nominal
    t = (-A + math.sqrt(A * A - 4.0 * B * (1.0 - ratio))) / (2.0 * B)
    for _ in range(30 if ratio < 1.0 else 0):
        slope = A + 2.0 * B * t + C * (4.0 * t**3 - 300.0 * t * t)
        t -= (platinum_resistance(t) / 100.0 - ratio) / slope
    return t


def thermocouple_voltage(temperature: float, kind: str) -> float:
    """Return the emf [mV] of a thermocouple of type K or T, reference junction at 0 degC; ValueError out of range."""
    if kind not in HIGHEST or not 0.0 <= temperature <= HIGHEST[kind]:
        raise ValueError(f"thermocouple {kind} at {temperature} degC - types K (to 1372) and T (to 400) from 0 degC - "
                         "let the instrument convert")
    terms = TYPE_K if kind == "K" else TYPE_T
    total = 0.0
    for term in reversed(terms):
        total = total * temperature + term
    if kind == "K":
        a0, a1, a2 = TYPE_K_HUMP
        total += a0 * math.exp(a1 * (temperature - a2) ** 2)
    return total


def thermocouple_temperature(voltage: float, kind: str, cold_junction: float = 0.0) -> float:
    """Return the temperature [degC] of a junction from `voltage` [mV], the terminals at `cold_junction` [degC].

    The terminals' emf is added before the curve is inverted; to add temperatures would be wrong. ValueError out of range.
    """
    wanted = voltage + thermocouple_voltage(cold_junction, kind)
    low, high = 0.0, HIGHEST.get(kind, 0.0)
    if not thermocouple_voltage(low, kind) - 1e-9 <= wanted <= thermocouple_voltage(high, kind):
        raise ValueError(f"emf of {wanted:.3f} mV is outside the curve of type {kind} - 0 to {high:g} degC - the "
                         "junction is open or reversed")
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if thermocouple_voltage(middle, kind) < wanted else (low, middle)
    return 0.5 * (low + high)
