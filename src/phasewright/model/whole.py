"""The whole record against the formula: temperatures with their history, in whitened standard deviations."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from phasewright.model.formula import REFERENCE, cooled, hottest_phase, loss_at
from phasewright.model.record import Grid
from phasewright.model.steady import true_load
from phasewright.model.transient import temperature_history

__all__ = ["Noise", "START_SPREAD", "WholeRecord"]

START_SPREAD = (4.0, 6.0)
"""[K] Standard deviations of how far stage and plate are from settled where a stretch of the record begins."""
LEAST_NOISE = 0.25
"""[K] The formula is not believed to follow a record more closely than that, ..."""
ON_THE_WAY = 0.08
"""[1] ... nor more closely than this share of what is still to come: a board has more time constants than the formula."""
MEMORY_TIME, MEMORY_SPAN = 60.0, (8.0, 200.0)
"""[s] Time over which residuals stay alike: at first, least and greatest."""


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """What is left of a record after the fit: first-order correlated, larger on the way than settled."""

    deviation: tuple[np.ndarray, ...]
    """[K] of each residual, by stretch."""
    time: float = MEMORY_TIME
    """[s] Over which neighbouring residuals lose all but 1/e of their likeness."""

    def memory(self, distance: np.ndarray) -> np.ndarray:
        """Return the correlation of residuals that are `distance` [s] apart [1]."""
        return np.exp(-distance / self.time)


class WholeRecord:
    """The temperatures of one record; batches of parameters at once."""

    def __init__(self, grid: Grid, counts: tuple[int, ...], usual_duty: float | None):
        self.grid = grid
        self.duty = grid.duty / usual_duty if usual_duty else np.full(len(grid.duty), math.nan)
        self.index = np.searchsorted(np.array(counts, dtype=float), grid.phases).clip(0, len(counts) - 1)
        self.noise = Noise(tuple(np.full(b - a, 1.0) for a, b in grid.stretches))

    @property
    def start_count(self) -> int:
        """How many scores the unknown starts of the stretches take."""
        return 2 * len(self.grid.stretches)

    def differences(
        self, p: Mapping[str, np.ndarray], excess: np.ndarray, starts: np.ndarray
    ) -> list[tuple[np.ndarray, np.ndarray]]:
        """Return observed less computed temperature, and what is still to come [K], of each stretch, (..., cells).

        Parameters `p` (...), excess (..., counts), starts (..., 2 x stretches) in standard scores.
        """
        grid, found = self.grid, []
        wide = {name: np.asarray(value)[..., None] for name, value in p.items()}
        for number, (first, past) in enumerate(grid.stretches):
            part = slice(first, past)
            load = true_load(wide, grid.current[part], grid.voltage[part], grid.package[part])
            hot = grid.hot[part] - wide["temperature_offset"]
            loss = loss_at(wide, grid.phases[part], load.current, hot)
            own, growth = hottest_phase(wide, grid.phases[part], load.current, excess[..., self.index[part]])
            own = own + growth * (hot - REFERENCE)
            there = cooled(wide, self.duty[part])
            start = starts[..., 2 * number : 2 * number + 2] * np.array(START_SPREAD)
            plate, behind = there["plate_rise"] * loss, there["package_rise"] * load.package
            computed, settled = temperature_history(p, own, grid.coolant[part] + plate, behind, grid.width[part], start)
            found.append((hot - computed, settled - computed))
        return found

    def distances(self) -> list[np.ndarray]:
        """Return how far the middles of neighbouring cells are apart [s], (cells - 1,) of each stretch."""
        width = self.grid.width
        return [0.5 * (width[a : b - 1] + width[a + 1 : b]) for a, b in self.grid.stretches]

    def residuals(self, p: Mapping[str, np.ndarray], excess: np.ndarray, starts: np.ndarray) -> np.ndarray:
        """Return the whitened residuals (..., m)."""
        rows = []
        pairs = zip(self.differences(p, excess, starts), self.noise.deviation, self.distances(), strict=True)
        for (left, _), deviation, distance in pairs:
            memory = self.noise.memory(distance)
            scaled = left / deviation
            fresh = (scaled[..., 1:] - memory * scaled[..., :-1]) / np.sqrt(1.0 - memory * memory)
            rows += [scaled[..., :1], fresh]
        return np.concatenate(rows, axis=-1)

    def learn_noise(self, p: Mapping[str, np.ndarray], excess: np.ndarray, starts: np.ndarray) -> None:
        """Take size and memory of the noise from what is left at one set of parameters."""
        pairs = self.differences(p, excess, starts)
        least = [np.hypot(LEAST_NOISE, ON_THE_WAY * to_come) for _, to_come in pairs]
        left = [item / own for (item, _), own in zip(pairs, least, strict=True)]
        weights = [self.grid.width[a:b] for a, b in self.grid.stretches]
        power = sum(float(w @ item**2) for item, w in zip(left, weights, strict=True)) / sum(map(np.sum, weights))
        size = max(math.sqrt(power), 1.0)
        self.noise = Noise(tuple(size * item for item in least), self._memory_time(left))

    def _memory_time(self, left: list[np.ndarray]) -> float:
        """Return the time [s] that makes the scaled residuals `left` most likely, first-order correlated."""
        times = np.geomspace(*MEMORY_SPAN, 25)
        unlikely = np.zeros(len(times))
        for item, distance in zip(left, self.distances(), strict=True):
            memory = np.exp(-distance / times[:, None])
            own = 1.0 - memory * memory
            size = float(item @ item) / item.size
            fresh = (item[1:] - memory * item[:-1]) ** 2 / (own * size)
            unlikely += np.sum(fresh + np.log(own), axis=1)
        return float(times[np.argmin(unlikely)])
