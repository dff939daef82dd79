"""How much more a processor draws once it is as warm as it will get: leakage grows with temperature, its work does not."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from phasewright.model.coolant import AIR_SIDE, given_off, responses
from phasewright.model.record import Grid

__all__ = ["Growth", "leakage_of", "settled_growth"]

LEAK_AT, LEAK_DOUBLES = 60.0, 22.0
"""[degC] and [K]: leakage is stated at the one and doubles with the other; common practice, no source."""
LEAK, LEAK_SPREAD = 0.06, 0.6
"""[1] Leakage there as a share of what the work draws, and the spread of its logarithm; common practice, no source."""
WANDER, WANDER_TIME = 0.006, 60.0
"""[1] and [s]: by how much a held load wanders, and how long it stays alike; common practice, no source."""
TIMES = (15.0, 500.0, 80.0, 0.7)
"""Time constant of a processor's cooler over the coolant [s]: least, greatest, common, spread of its logarithm; common
practice, no source."""
QUICK, SLOW = (0.10, 0.06), {"liquid": (0.03, 0.03), "air": (0.08, 0.05)}
"""[K/W] Rise of the processor's sensor over its cooler and of that over the coolant, with standard deviations; common
practice, no source."""
BASE, NOISE = 4.0, 1.0
"""[K] A processor that draws nothing is as warm as the coolant, to this; and what its sensor does besides."""
NOT_SEEN = 0.25
"""[1] Standard uncertainty of the growth, as a share of it, beyond what the record says."""
FIRST = 4.0
"""[s] Of a step that its load is not taken from."""
ROUNDS = 40


@dataclass(frozen=True, slots=True)
class Growth:
    """How the load of a step grows until it is settled."""

    factor: float
    """Settled over present package power [1]."""
    u: float
    """[1]"""


def settled_growth(grid: Grid, cells: np.ndarray, coolant: float, kind: str, duty: float) -> Growth:
    """Return by how much the package draws more once settled than over `cells`, with the `coolant` [degC] then.

    `duty` [1] is that of the fan once settled, `kind` the coolant: liquid or air. Without the processor's temperature in
    the record nothing grows, and the uncertainty says so.
    """
    known = np.isfinite(grid.processor[cells])
    if np.count_nonzero(known) < 3:
        return Growth(1.0, 0.02)
    power = np.where(np.isfinite(grid.package), grid.package, 1.2 * grid.current)
    share, share_u = leakage_of(grid, power)
    here = float(np.average(power[cells], weights=grid.width[cells]))
    now = _drawn(share, grid.processor[cells[known]])
    now = float(np.average(now, weights=grid.width[cells[known]]))
    base, slope = _cooler(grid, cells, power, kind, duty)
    factor = 1.0
    for _ in range(ROUNDS):
        hot = min(coolant + base + slope * here * factor, 110.0)
        factor = min(_drawn(share, hot) / now, 1.5)
    u = math.hypot((factor - 1.0) * share_u / share, NOT_SEEN * (factor - 1.0))
    return Growth(factor, u)


def _drawn(share: float, temperature):
    """Return what is drawn at `temperature` [degC] over what the work alone draws [1]."""
    return 1.0 + share * 2.0 ** ((temperature - LEAK_AT) / LEAK_DOUBLES)


def leakage_of(grid: Grid, power: np.ndarray) -> tuple[float, float]:
    """Return the leakage at 60 degC as a share of the work [1] and its standard uncertainty, from all steps together."""
    shares = LEAK * np.exp(LEAK_SPREAD * np.linspace(-3.0, 3.0, 61))
    unlikely = np.linspace(-3.0, 3.0, 61) ** 2
    for index in range(int(grid.planned.max(initial=-1)) + 1):
        own = np.flatnonzero((grid.planned == index) & np.isfinite(power) & np.isfinite(grid.processor))
        began = grid.time[own] - grid.width[own]
        own = own[began >= began[:1] + FIRST]
        if own.size < 5 or np.nanmean(grid.held[own]) > 0.02:
            continue
        weight = grid.width[own] / WANDER_TIME / WANDER**2
        shape = _drawn(shares[:, None], grid.processor[own])
        mean = (power[own] * shape * weight).sum(axis=1) / (shape**2 * weight).sum(axis=1)
        left = power[own] / mean[:, None] / shape - 1.0
        unlikely += (weight * left**2).sum(axis=1)
    likely = np.exp(-0.5 * (unlikely - unlikely.min()))
    likely /= likely.sum()
    share = float(likely @ shares)
    return share, math.sqrt(float(likely @ (shares - share) ** 2))


def _cooler(grid: Grid, cells: np.ndarray, power: np.ndarray, kind: str, duty: float) -> tuple[float, float]:
    """Return the rise of the processor over the coolant without power [K], and by power once settled [K/W]."""
    first, past = next((a, b) for a, b in grid.stretches if a <= cells[0] < b)
    part = slice(first, past)
    rise, width = grid.processor[part] - grid.coolant[part], grid.width[part]
    fan = np.where(np.isfinite(grid.fan[part]), grid.fan[part], 1.0)
    good = np.isfinite(rise)
    low, high, common, spread = TIMES
    times = np.geomspace(low, high, 16)
    slow, slow_u = SLOW.get(kind, SLOW["air"])
    weigh = np.sqrt(width / NOISE**2 / 12.0)[good]
    # In a loop the radiator's fan acts on the coolant, which is measured; in air it acts on the processor's own cooler.
    sides = AIR_SIDE["air" if kind == "liquid" else "liquid"]
    bases, slopes, fits = [], [], []
    for side in sides:
        warmed, _ = responses(power[part], given_off(fan, *side), width, times)
        for k, time in enumerate(times):
            table = np.stack([np.ones_like(power[part]), power[part], warmed[k]], axis=1)[good]
            beliefs = np.diag([1.0 / BASE, 1.0 / QUICK[1], 1.0 / slow_u])
            rows = np.concatenate([table * weigh[:, None], beliefs])
            wanted = np.concatenate([rise[good] * weigh, [0.0, QUICK[0] / QUICK[1], slow / slow_u]])
            solved, *_ = np.linalg.lstsq(rows, wanted, rcond=None)
            left = rows @ solved - wanted
            bases.append(float(solved[0]))
            slopes.append(float(solved[1] + solved[2] / given_off(duty, *side)))
            fits.append(float(left @ left) + (math.log(time / common) / spread) ** 2
                        + float(np.linalg.slogdet(rows.T @ rows)[1]))  # fmt: skip
    share = np.exp(-0.5 * (np.array(fits) - min(fits)))
    share /= share.sum()
    return float(share @ bases), float(share @ slopes)
