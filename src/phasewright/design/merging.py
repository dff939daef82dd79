"""Pairs of core and cooler completed with banks and connectors, front by front, without losing a design that counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from phasewright.design.candidates import Space
from phasewright.design.dominance import NEVER, best_options
from phasewright.design.figures import Cores, Figures, Settled, take_settled
from phasewright.design.records import CHANCE, Requirement

__all__ = ["COLUMNS", "Pairs", "Rows", "complete", "levels_of", "most_failing"]

COLUMNS = ("core", "cooler", "output", "input", "connector", "price", "temperature", "loss", "failing")
"""Of `Rows`: indices of what is chosen, price in whole steps, levels of temperature and loss, failing in steps."""
MOST_SUMS = 2_000_000
"""Sums of options that are held at once."""


@dataclass(frozen=True, eq=False)
class Pairs:
    """Core with cooler, and what the core alone already says."""

    index: np.ndarray
    """Of the core among all cores."""
    cores: Cores
    cooler: np.ndarray
    failing: np.ndarray
    """Of the core alone, in steps of 1 / CHANCE."""

    def __len__(self) -> int:
        return len(self.index)

    def take(self, chosen: np.ndarray) -> Pairs:
        """Return those at `chosen`."""
        return Pairs(self.index[chosen], self.cores.take(chosen), self.cooler[chosen], self.failing[chosen])


@dataclass(frozen=True, eq=False)
class Rows:
    """Complete designs, (rows, len(COLUMNS)) whole numbers, and how many were looked at to find them."""

    table: np.ndarray
    evaluated: int = 0
    merged: int = 0


def most_failing(need: Requirement) -> int:
    """Return the greatest sum of chances of failing that is looked at, in steps."""
    return int(round((1.0 - need.least_chance) * CHANCE))


def levels_of(figures: Figures, settled: Settled) -> tuple[np.ndarray, np.ndarray]:
    """Return the levels of temperature and loss, whole numbers; designs of the same level count as alike."""
    need = figures.need
    if figures.life:
        none = np.zeros(settled.loss.value.shape, dtype=np.int64)
        return none, none
    with np.errstate(invalid="ignore"):
        warm = np.where(np.isfinite(settled.temperature.value), settled.temperature.value, 1e6)
        lost = np.where(np.isfinite(settled.loss.value), settled.loss.value, 1e6)
    return (np.floor(warm / need.temperature_step).astype(np.int64), np.floor(lost / need.loss_step).astype(np.int64))


def chance_unit(need: Requirement) -> int:
    """Return how many steps a level of chance holds."""
    return max(1, int(round(need.chance_step * CHANCE)))


def chance_level(need: Requirement, failing: Any) -> np.ndarray:
    """Return the level of a sum of chances of failing."""
    return -(-np.asarray(failing) // chance_unit(need))


def complete(figures: Figures, pairs: Pairs, *, merge: bool = True) -> Rows:
    """Return every complete design of the pairs that may be on the front; with `merge` false, every one there is.

    Within a pair temperature and loss are settled, so what is left are sums: prices, areas and chances of failing of
    banks and connectors. An option that another one betters in all three cannot be part of a design on the front.
    """
    need, most = figures.need, most_failing(figures.need)
    settled = figures.settle(pairs.cores, pairs.cooler)
    failing = pairs.failing + figures.warm_failing(pairs.cores, settled)
    alive = np.flatnonzero(failing <= most)
    if not len(alive):
        return Rows(np.empty((0, len(COLUMNS)), dtype=np.int64))
    pairs, settled, failing = pairs.take(alive), take_settled(settled, alive), failing[alive]
    tiers = _tiers(figures, pairs, settled)
    price = figures.core_money(pairs.cores) + figures.cooler_money()[pairs.cooler]
    if figures.life:
        price = price + figures.energy_money(settled.loss.value)
    area = figures.core_area(pairs.cores)
    warm, lost = levels_of(figures, settled)
    options = {use: figures.options(use) for use in tiers}
    limited = need.board_area is not None
    picked = {}
    for use, table in tiers.items():
        money, room = options[use]
        if merge:
            picked[use] = best_options(money, room if limited else np.zeros_like(room), table, most)
        else:
            shape = table.shape
            picked[use] = (np.broadcast_to(np.arange(shape[1]), shape), table <= most)
    width = int(np.prod([picked[use][0].shape[1] for use in tiers]))
    found, looked = [], 0
    for first in range(0, len(pairs), max(1, MOST_SUMS // width)):
        part = slice(first, first + max(1, MOST_SUMS // width))
        rows, count = _sums(figures, tiers, options, picked, part, (price, area, failing), merge)
        looked += count
        at = rows[:, 0] + first
        found.append(np.column_stack([pairs.index[at], pairs.cooler[at], rows[:, 1:5], warm[at], lost[at], rows[:, 5]]))
    return Rows(np.concatenate(found), looked, len(alive))


def _tiers(figures: Figures, pairs: Pairs, settled: Settled) -> dict[str, np.ndarray]:
    """Return what each option adds to the chance of failing, (pairs, options), by use."""
    _, first, back = np.unique(pairs.index, return_index=True, return_inverse=True)
    cores = pairs.cores.take(first)
    found = {}
    for use in ("output", "input"):
        plain = figures.bank_failing(use, cores)[back]
        found[use] = plain + figures.bank_failing(use, pairs.cores, settled)
    found["connector"] = figures.contact_failing(settled)
    return found


def _sums(figures: Figures, tiers, options, picked, part: slice, own, merge: bool) -> tuple[np.ndarray, int]:
    """Return rows (pair, output, input, connector, price, failing) of some pairs, and how many sums were looked at."""
    need, most = figures.need, most_failing(figures.need)
    price, area, failing = (item[part] for item in own)
    shape: list[int] = [len(price)]
    total, room, bad = price.reshape(-1, 1), area.reshape(-1, 1), failing.reshape(-1, 1)
    good = np.ones((len(price), 1), dtype=bool)
    for use, table in tiers.items():
        index, known = picked[use][0][part], picked[use][1][part]
        money, place = options[use]
        each = np.take_along_axis(table[part], index, axis=1)
        total = (total[:, :, None] + money[index][:, None, :]).reshape(len(price), -1)
        room = (room[:, :, None] + place[index][:, None, :]).reshape(len(price), -1)
        bad = (bad[:, :, None] + each[:, None, :]).reshape(len(price), -1)
        good = (good[:, :, None] & known[:, None, :]).reshape(len(price), -1)
        shape.append(index.shape[1])
    good &= bad <= most
    if need.board_area is not None:
        good &= room <= need.board_area * (1.0 + 1e-12)
    looked = int(good.sum())
    if merge:
        good &= _steps(np.where(good, total, NEVER), chance_level(need, bad))
    row, at = np.nonzero(good)
    places = np.unravel_index(at, shape[1:])
    chosen = [picked[use][0][part][row, place] for use, place in zip(tiers, places, strict=True)]
    return np.column_stack([row, *chosen, total[row, at], bad[row, at]]), looked


def _steps(price: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Return which sums of each row no other one of the row equals or betters in price and level of chance."""
    # By price, of one price by level: two stable sorts, the lesser key first.
    by_level = np.argsort(level, axis=1, kind="stable")
    order = np.take_along_axis(by_level, np.argsort(np.take_along_axis(price, by_level, 1), axis=1, kind="stable"), 1)
    ranked = np.take_along_axis(level, order, axis=1)
    keep = np.ones_like(ranked, dtype=bool)
    keep[:, 1:] = ranked[:, 1:] < np.minimum.accumulate(ranked, axis=1)[:, :-1]
    found = np.zeros_like(keep)
    np.put_along_axis(found, order, keep, axis=1)
    return found & (price < NEVER)


_FIGURES: dict[str, Figures] = {}


def figures_of(key: str, space: Space) -> Figures:
    """Return the figures of a space, built once in each process."""
    if key not in _FIGURES:
        _FIGURES.clear()
        _FIGURES[key] = Figures(space)
    return _FIGURES[key]


def complete_share(key: str, space: Space, pairs: Pairs) -> Rows:
    """Return `complete` of some pairs: what one worker does, here or elsewhere."""
    return complete(figures_of(key, space), pairs)
