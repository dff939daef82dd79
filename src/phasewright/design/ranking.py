"""The cheapest designs of a space, asked for again and again: what was worked out for one question serves the next.

Neither the price of energy nor the chance that is asked for, nor which part is held, moves where a pair of core and
cooler settles or what its banks bear. So every pair has its price of parts from below, its loss, and once completed its
own front of price against chance. A question is a walk through the pairs in order of their price from below, which ends
at the first that is dearer than a complete design.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from phasewright.design.candidates import Space
from phasewright.design.dominance import NEVER
from phasewright.design.exact import Progress, bounded_pairs, check, choice_of
from phasewright.design.figures import Figures
from phasewright.design.merging import COLUMNS, complete
from phasewright.design.records import CHANCE, Choice, Requirement

__all__ = ["Ranking", "failing_allowed"]

FIRST, MOST = 64, 2048
"""Pairs that are completed at once: the first time, and at most."""
FINE = 25
"""Steps of the sum of chances of failing by which the next design on the ladder must be surer: 0.25 %."""
CLASSES = 40
PRICE, FAILING = COLUMNS.index("price"), COLUMNS.index("failing")
ASKED = ("price", "hours_per_year", "years", "confidence", "least_chance")
"""What a question may move while all that was worked out holds."""


def failing_allowed(chance: float) -> int:
    """Return the greatest sum of chances of failing [steps] that goes with a chance of meeting every limit [1]."""
    return int(round((1.0 - chance) * CHANCE))


class Ranking:
    """Designs of one space by what parts and energy cost, worked out as far as was asked."""

    def __init__(self, space: Space, least_chance: float, *, progress: Progress | None = None):
        self.space = space
        need = replace(space.requirement, least_chance=least_chance, chance_step=1.0 / CHANCE, price=None)
        check(space)
        self._figures = Figures(replace(space, life=True, requirement=need))
        self._most = failing_allowed(least_chance)
        ends = np.unique(np.rint(np.linspace(0.0, self._most / FINE, CLASSES + 1)[1:]).astype(np.int64)) * FINE
        ends = np.append(ends[ends < self._most], self._most)
        told = progress or (lambda fraction, text: None)
        _, self._cores, self._pairs, self._bounds = bounded_pairs(self._figures, ends, told)
        settled = self._figures.settle(self._pairs.cores, self._pairs.cooler, spread=False)
        self._loss = settled.loss.value
        # Pairs stand in order of core and cooler.
        self._code = self._pairs.index * len(self._figures.cooler) + self._pairs.cooler
        self._open = np.ones(len(self._pairs), dtype=bool)
        self._rows = np.empty((0, len(COLUMNS)), dtype=np.int64)
        self._of = np.empty(0, dtype=np.int64)

    def answers(self, space: Space, chance: float) -> bool:
        """Return whether `ladder` of `space` and `chance` can be asked here: nothing differs that was worked out."""
        moved = {name: getattr(space.requirement, name) for name in ASKED}
        same = replace(self.space.requirement, **moved) == space.requirement
        own = self.space
        same &= space.catalogue is own.catalogue and space.fitted is own.fitted and space.bench is own.bench
        return same and failing_allowed(chance) <= self._most

    def ladder(
        self, need: Requirement, chance: float, *, cooler: str = "", phase_count: int = 0
    ) -> Iterator[tuple[Choice, int]]:
        """Yield the cheapest design that meets every limit with that assured chance [1], then each the next surer one.

        With each goes the sum of its chances of failing, in steps. `cooler` and `phase_count` hold what is held. Raises
        ValueError when so low a chance was never worked out.
        """
        most = failing_allowed(chance)
        if most > self._most:
            raise ValueError(f"chance = {chance:g} - {1.0 - self._most / CHANCE:g} or more was worked out - ask anew")
        held = np.ones(len(self._pairs), dtype=bool)
        if cooler:
            held &= np.array([item.name == cooler for item in self._figures.cooler])[self._pairs.cooler]
        if phase_count:
            held &= self._figures.count[self._pairs.cores.phase] == phase_count
        energy = self._figures.energy_money(self._loss, need)
        while most >= 0:
            row = self._cheapest(energy, most, held)
            if row is None:
                return
            yield choice_of(self.space, self._cores, row), int(row[FAILING])
            # The next one is a level surer.
            most = (-(-int(row[FAILING]) // FINE) - 1) * FINE

    def _cheapest(self, energy: np.ndarray, most: int, held: np.ndarray) -> np.ndarray | None:
        """Return the row of the design of least price, parts and energy, that fails no more often than `most`."""
        own = self._bounds
        at = int(np.searchsorted(own.ends, most))
        price = own.price + own.banks[own.core, at] + energy
        there = held & (own.failing <= most) & (price < NEVER)
        best, count = self._best(energy, most, held), FIRST
        while True:
            limit = NEVER if best is None else int(best[PRICE])
            left = np.flatnonzero(there & self._open & (price <= limit))
            if not len(left):
                return best
            if len(left) > count:
                left = left[np.argpartition(price[left], count)[:count]]
            self._complete(np.sort(left))
            best, count = self._best(energy, most, held), min(2 * count, MOST)

    def _complete(self, chosen: np.ndarray) -> None:
        rows = complete(self._figures, self._pairs.take(chosen)).table
        self._open[chosen] = False
        self._rows = np.concatenate([self._rows, rows])
        code = rows[:, 0] * len(self._figures.cooler) + rows[:, 1]
        self._of = np.concatenate([self._of, np.searchsorted(self._code, code)])

    def _best(self, energy: np.ndarray, most: int, held: np.ndarray) -> np.ndarray | None:
        """Return the row of the cheapest design known so far; of equal ones the surest, then the first."""
        good = np.flatnonzero((self._rows[:, FAILING] <= most) & held[self._of])
        if not len(good):
            return None
        rows = self._rows[good]
        rows[:, PRICE] += energy[self._of[good]]
        rows = rows[rows[:, PRICE] == rows[:, PRICE].min()]
        return rows[np.lexsort((*rows[:, :5].T[::-1], rows[:, FAILING]))[0]]
