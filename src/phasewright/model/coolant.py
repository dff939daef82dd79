"""Where the coolant would settle: from a record too short to see it, with the fan at the duty that it had then and has."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from phasewright.bench import Cooling
from phasewright.model.record import Grid
from phasewright.quantity import Part, Value, value_from_parts

__all__ = ["AIR_SIDE", "SettledCoolant", "given_off", "responses", "settled_coolant"]

TIMES = {"liquid": (15.0, 900.0, 100.0, 0.8), "air": (5.0, 300.0, 40.0, 0.8)}
"""Time constant of the coolant at full fan [s]: least, greatest, common, and the spread of its logarithm. Liquid: half a
litre to one and a half of water, 2 to 6 kJ/K, over 20 to 50 W/K of a radiator; air: common practice, no source."""
SLOPE = {"liquid": (0.022, 0.012), "air": (0.006, 0.010)}
"""[K/W] Rise of the coolant where the regulator meets it by the package's power at full fan, and how sure; common practice,
no source."""
AIR_SIDE = {
    "liquid": tuple((power, share) for power in (0.5, 0.65, 0.8) for share in (0.5, 0.7, 0.9)),
    "air": ((0.0, 1.0),),
}
"""Alike probable (power of the fan's duty in how well the radiator meets the air, share of the radiator's resistance that is
there at full fan): 0.5 for a laminar flow, 0.8 for a turbulent one (Incropera, flat plate: from memory); the rest is the
liquid's side. Air that cools the regulator itself is as warm as it comes."""
STILL = 0.08
"""[1] Share of what the radiator gives off at full fan that it gives off without; common practice, no source."""
ROOM, NEAR_ROOM = (23.0, 4.0), 1.5
"""[degC, K] Where the coolant goes without heat: a room that is not logged, common practice, no source; and how close [K] to
one that is."""
NOISE, FLOOR = 0.15, 0.25
"""[K] What the coolant does besides: fans, room, sensor; and the least uncertainty of where it settles."""
NOT_SEEN = 0.25
"""[1] Standard uncertainty as a share of the way that the coolant has still to go: loops have more time constants than
one."""
ROUNDS = 60
"""Halvings that find where a coolant settles whose fan follows it."""


@dataclass(frozen=True, slots=True)
class SettledCoolant:
    """Where the coolant would settle."""

    temperature: Value
    """[degC]"""
    duty: float
    """Of the fan then [1]."""


def settled_coolant(
    grid: Grid, cells: np.ndarray, cooling: Cooling, fan_duty: float | None, *, growth: float = 1.0
) -> SettledCoolant:
    """Return where the coolant would settle under the load of `cells`, times `growth` [1], the fan at `fan_duty` [1].

    None: the fan follows the map of `cooling`; without a map it stays as in the last of `cells`.

    tau dT/dt = slope x power - g(duty) (T - base): over the stretch that holds the step, for each time constant and each g
    a regression with what is commonly known of the slope, weighed by how well it fits.
    """
    first, past = next((a, b) for a, b in grid.stretches if a <= cells[0] < b)
    part = slice(first, past)
    power = np.where(np.isfinite(grid.package[part]), grid.package[part], 1.2 * grid.current[part])
    here = float(np.average(power[cells - first], weights=grid.width[cells])) * growth
    read, width = grid.coolant[part], grid.width[part]
    duty = np.where(np.isfinite(grid.fan[part]), grid.fan[part], 1.0)
    held = float(duty[cells[-1] - first]) if fan_duty is None else float(fan_duty)
    follows = fan_duty is None and bool(cooling.fan_map)
    low, high, common, spread = TIMES.get(cooling.coolant, TIMES["air"])
    known = grid.ambient[part][np.isfinite(grid.ambient[part])]
    room, room_u = (float(known.mean()), NEAR_ROOM) if known.size else ROOM
    slope, sure = SLOPE.get(cooling.coolant, SLOPE["air"])
    times = np.geomspace(low, high, 16)
    weigh = np.sqrt(width / NOISE**2 / 12.0)
    ends, widths, fits, duties = [], [], [], []
    for side in AIR_SIDE.get(cooling.coolant, AIR_SIDE["air"]):
        g = given_off(duty, *side)
        warmed, begun = responses(power, g, width, times)
        for k, time in enumerate(times):
            table = np.stack([np.ones_like(power), warmed[k], begun[k]], axis=1)
            # Beliefs as three more rows: base, slope and start.
            rows = np.concatenate([table * weigh[:, None], np.diag([1.0 / room_u, 1.0 / sure, 1.0 / 4.0])])
            wanted = np.concatenate([read * weigh, [room / room_u, slope / sure, 0.0]])
            solved, *_ = np.linalg.lstsq(rows, wanted, rcond=None)
            left = rows @ solved - wanted
            there = _settled_duty(solved, here, side, cooling) if follows else held
            at = np.array([1.0, here / float(given_off(there, *side)), 0.0])
            inverse = np.linalg.inv(rows.T @ rows)
            ends.append(float(at @ solved))
            duties.append(there)
            widths.append(float(at @ inverse @ at))
            fits.append(float(left @ left) + (math.log(time / common) / spread) ** 2
                        - float(np.linalg.slogdet(inverse)[1]))  # fmt: skip
    share = np.exp(-0.5 * (np.array(fits) - min(fits)))
    share /= share.sum()
    end = float(share @ ends)
    to_go = NOT_SEEN * (end - float(read[cells[-1] - first]))
    u = math.sqrt(float(share @ (np.array(widths) + (np.array(ends) - end) ** 2)) + FLOOR**2 + to_go**2)
    settled = value_from_parts(end, "degC", [Part("coolant", u)], kind="extrapolated")
    return SettledCoolant(settled, float(share @ duties))


def given_off(duty, power: float, share: float):
    """Return what a radiator gives off at a `duty` [1], as a share of that at full fan [1]; see `AIR_SIDE`."""
    return 1.0 / (1.0 - share + share / (STILL + (1.0 - STILL) * np.maximum(duty, 0.0) ** power))


def responses(power: np.ndarray, g: np.ndarray, width: np.ndarray, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the cell means of what `power` [W] warms, by 1 K/W, and of what is left of 1 K at first, (times, n).

    `g` (n,) [1] is constant within each cell of `width` (n,) [s]; settled to the first power at first.
    """
    ratio = g * width / times[:, None]
    moved = -np.expm1(-ratio)
    end = power / g
    warm = np.full(len(times), end[0])
    before = np.empty((len(times), len(g)))
    for k in range(len(g)):
        before[:, k] = warm
        warm = warm + moved[:, k] * (end[k] - warm)
    share = moved / ratio
    age = np.cumsum(ratio, axis=1) - ratio
    return end + (before - end) * share, np.exp(-age) * share


def _settled_duty(solved: np.ndarray, power: float, side: tuple[float, float], cooling: Cooling) -> float:
    """Return the duty at which the coolant and the fan that follows it settle [1]."""
    warm, duties = zip(*cooling.fan_map, strict=True)
    low, high = 0.0, 1.0
    for _ in range(ROUNDS):
        middle = 0.5 * (low + high)
        settled = solved[0] + solved[1] * power / float(given_off(middle, *side))
        # Warmer coolant asks for more fan, more fan makes for cooler coolant: they meet once.
        if float(np.interp(settled, warm, duties)) > middle:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
