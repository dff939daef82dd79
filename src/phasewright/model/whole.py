"""The whole record against the formula: temperatures with their history, in whitened standard deviations."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from phasewright.model.formula import REFERENCE, hottest_phase, loss_at
from phasewright.model.record import Grid
from phasewright.model.steady import true_load
from phasewright.model.transient import temperature_history

__all__ = ["Noise", "START_SPREAD", "WholeRecord"]

BLOCK = 3
"""Cells that are averaged into one residual."""
START_SPREAD = (4.0, 6.0)
"""[K] Standard deviations of how far stage and plate are from settled where a stretch of the record begins."""
LEAST_NOISE = 0.25
"""[K] The formula is not believed to follow a record more closely than that."""
FIRST_NOISE, FIRST_MEMORY = 0.6, 0.9
MEMORY = (0.6, 0.97)


@dataclass(frozen=True, slots=True)
class Noise:
    """What is left of a record after the fit: first-order correlated noise."""

    deviation: float = FIRST_NOISE
    """[K]"""
    memory: float = FIRST_MEMORY
    """Correlation of neighbouring residuals [1]."""


class WholeRecord:
    """The temperatures of one record; batches of parameters at once."""

    def __init__(self, grid: Grid, counts: tuple[int, ...]):
        self.grid = grid
        self.index = np.searchsorted(np.array(counts, dtype=float), grid.phases).clip(0, len(counts) - 1)
        self.noise = Noise()

    @property
    def start_count(self) -> int:
        """How many scores the unknown starts of the stretches take."""
        return 2 * len(self.grid.stretches)

    def differences(self, p: Mapping[str, np.ndarray], excess: np.ndarray, starts: np.ndarray) -> list[np.ndarray]:
        """Return observed less computed temperature [K] of each stretch, (..., cells).

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
            start = starts[..., 2 * number : 2 * number + 2] * np.array(START_SPREAD)
            computed = temperature_history(p, own, loss, load.package, grid.coolant[part], grid.step, start)
            found.append(hot - computed)
        return found

    def residuals(self, p: Mapping[str, np.ndarray], excess: np.ndarray, starts: np.ndarray) -> np.ndarray:
        """Return the whitened residuals (..., m)."""
        memory, deviation = self.noise.memory, self.noise.deviation
        rows = []
        for left in self.differences(p, excess, starts):
            mean = _blocks(left) / deviation
            fresh = (mean[..., 1:] - memory * mean[..., :-1]) / math.sqrt(1.0 - memory * memory)
            rows += [mean[..., :1], fresh]
        return np.concatenate(rows, axis=-1)

    def learn_noise(self, p: Mapping[str, np.ndarray], excess: np.ndarray, starts: np.ndarray) -> None:
        """Take size and memory of the noise from what is left at one set of parameters."""
        left = [_blocks(item) for item in self.differences(p, excess, starts)]
        power = sum(float(item @ item) for item in left)
        count = sum(item.size for item in left)
        pairs = sum(float(item[1:] @ item[:-1]) for item in left)
        own = sum(float(item[:-1] @ item[:-1]) for item in left)
        memory = float(np.clip(pairs / own if own > 0.0 else FIRST_MEMORY, *MEMORY))
        self.noise = Noise(max(math.sqrt(power / max(count, 1)), LEAST_NOISE), memory)


def _blocks(values: np.ndarray) -> np.ndarray:
    whole = values.shape[-1] // BLOCK * BLOCK
    return values[..., :whole].reshape(*values.shape[:-1], -1, BLOCK).mean(axis=-1)
