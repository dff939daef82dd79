"""Loss that grows with temperature: where loss and temperature settle together, and where they run away."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from phasewright.physics._arguments import Number, plain
from phasewright.physics.records import Settled
from phasewright.physics.validity import ANY, NOT_NEGATIVE, TEMPERATURE, formula

__all__ = ["loop_gain", "runaway_resistance", "settle_linear", "settle_together"]

CLOSED = "closed form of the linear loop"
CEILING = 1000.0
"""[degC] Nothing on a board survives this; what settles above it counts as running away."""
PROBE = 0.01
"""[K] Half the width over which the slope of a loss is taken."""


@formula(
    possible={"loss": NOT_NEGATIVE, "loss_coefficient": ANY, "thermal_resistance": NOT_NEGATIVE},
    source=CLOSED,
)
def loop_gain(loss: Number, loss_coefficient: Number, thermal_resistance: Number) -> Number:
    """Return the kelvin that one kelvin more brings: the gain of the loss-temperature loop.

    g = alpha R P_0

    Parameters:
        loss [W]: loss at the temperature for which loss_coefficient is stated.
        loss_coefficient [1/K]: relative growth of the loss per kelvin.
        thermal_resistance [K/W]: from the lossy part to the reference.

    Returns:
        loop gain [1], arguments broadcast; runaway at 1 and above.

    Range:
        loss and thermal_resistance at least 0 (physics).

    Assumptions:
        loss linear in temperature.

    Example:
        >>> round(loop_gain(20.0, 0.004, 2.0), 6)
        0.16

    Source:
        closed form of the linear loop.
    """
    return loss_coefficient * thermal_resistance * loss


@formula(possible={"loss": NOT_NEGATIVE, "loss_coefficient": NOT_NEGATIVE}, source=CLOSED)
def runaway_resistance(loss: Number, loss_coefficient: Number) -> Number:
    """Return the thermal resistance from which loss and temperature run away.

    R = 1 / (alpha P_0)

    Parameters:
        loss [W]: loss at the temperature for which loss_coefficient is stated.
        loss_coefficient [1/K]: relative growth of the loss per kelvin.

    Returns:
        thermal resistance [K/W], arguments broadcast; infinite when the loss does not grow.

    Range:
        both at least 0 (physics).

    Assumptions:
        loss linear in temperature.

    Example:
        >>> runaway_resistance(20.0, 0.004)
        12.5

    Source:
        closed form of the linear loop.
    """
    with np.errstate(divide="ignore"):
        return np.divide(1.0, np.asarray(loss_coefficient * loss))


@formula(
    possible={
        "loss": NOT_NEGATIVE,
        "loss_temperature": TEMPERATURE,
        "loss_coefficient": ANY,
        "thermal_resistance": NOT_NEGATIVE,
        "reference_temperature": TEMPERATURE,
    },
    source=CLOSED,
)
def settle_linear(
    loss: Number,
    loss_temperature: Number,
    loss_coefficient: Number,
    thermal_resistance: Number,
    reference_temperature: Number,
) -> Settled:
    """Return where loss and temperature settle when the loss is linear in temperature.

    T = (T_ref + R P_0 (1 - alpha T_0)) / (1 - alpha R P_0)

    Parameters:
        loss [W]: loss at loss_temperature.
        loss_temperature [degC]: temperature for which the loss is stated.
        loss_coefficient [1/K]: relative growth of the loss per kelvin.
        thermal_resistance [K/W]: from the lossy part to the reference.
        reference_temperature [degC]: temperature of the coolant or air.

    Returns:
        Settled temperature [degC], loss [W] and gain [1], arguments broadcast; temperature and loss are infinite
        where they run away.

    Range:
        gain below 1 for a finite answer (closed form).

    Assumptions:
        loss linear in temperature, one path.

    Example:
        >>> settled = settle_linear(20.0, 25.0, 0.004, 2.0, 40.0)
        >>> round(settled.temperature, 4), round(settled.loss, 4), round(settled.gain, 2)
        (90.4762, 25.2381, 0.16)

    Source:
        closed form of the linear loop.
    """
    gain = loss_coefficient * thermal_resistance * loss
    stable = ~np.asarray(gain >= 1.0)  # so that an unknown gain gives an unknown answer, not a runaway
    left = np.where(stable, 1.0 - gain, 1.0)
    at_reference = loss * (1.0 + loss_coefficient * (reference_temperature - loss_temperature))
    settled_loss = np.where(stable, at_reference / left, np.inf)
    temperature = np.where(
        stable, reference_temperature + thermal_resistance * np.where(stable, settled_loss, 0.0), np.inf
    )
    return Settled(temperature=plain(temperature), loss=plain(settled_loss), gain=plain(gain))


@formula(
    possible={"thermal_resistance": NOT_NEGATIVE, "reference_temperature": TEMPERATURE},
    source="fixed point of T = T_ref + R P(T), Newton's method from below",
)
def settle_together(
    loss_at: Callable[[Number], Number], thermal_resistance: Number, reference_temperature: Number
) -> Settled:
    """Return where loss and temperature settle for any loss that grows with temperature.

    T = T_ref + R P(T), the lowest such T

    Parameters:
        loss_at [W]: function of temperature [degC], for arrays of the shape of the answer.
        thermal_resistance [K/W]: from the lossy part to the reference.
        reference_temperature [degC]: temperature of the coolant or air.

    Returns:
        Settled temperature [degC], loss [W] and gain [1], arguments broadcast; where they run away temperature and
        loss are infinite and the gain is the last one seen, at least 1.

    Range:
        settled temperatures up to 1000 degC (nothing on a board survives more; beyond counts as running away).

    Assumptions:
        the loss is smooth and never grows more slowly at a higher temperature (straight or curved upwards).

    Example:
        >>> settled = settle_together(lambda t: 20.0 * (1.0 + 0.004 * (t - 25.0)), 2.0, 40.0)
        >>> round(settled.temperature, 4)
        90.4762

    Source:
        fixed point by Newton's method from below, which for such a loss never passes the lowest answer.
    """
    shape = np.broadcast_shapes(np.shape(thermal_resistance), np.shape(reference_temperature))
    resistance = np.broadcast_to(np.asarray(thermal_resistance), shape)
    start = np.broadcast_to(np.asarray(reference_temperature), shape)
    temperature = start.astype(np.float64)
    lost = np.zeros(shape, dtype=bool)
    gain = np.zeros(shape)
    for _ in range(100):
        rising = np.asarray(loss_at(temperature + PROBE)) - np.asarray(loss_at(temperature - PROBE))
        gain = resistance * rising / (2.0 * PROBE)
        excess = start + resistance * np.asarray(loss_at(temperature)) - temperature
        lost = lost | ((gain >= 1.0) & (excess > 0.0))
        change = np.where(lost, 0.0, excess / np.where(gain < 1.0, 1.0 - gain, 1.0))
        beyond = temperature + change > CEILING
        lost = lost | beyond
        temperature = np.where(lost, temperature, temperature + change)
        if np.all(lost | (np.abs(change) <= 1e-10 * (np.abs(temperature) + 1.0)) | np.isnan(change)):
            break
    loss = np.where(lost, np.inf, loss_at(temperature))
    return Settled(
        temperature=plain(np.where(lost, np.inf, temperature)),
        loss=plain(loss),
        gain=plain(np.where(lost, np.maximum(gain, 1.0), gain)),
    )
