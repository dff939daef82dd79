"""Which time constants the bench has: learnt from every stretch of held load in the whole record.

One step rarely shows how slow its slowest part is. The bench is the same in all of them, so each stretch votes, weighed
by how much it could tell; what no stretch shows stays as likely as common practice has it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.records import AlignedTrace
from phasewright.logs.steady.load import Load
from phasewright.logs.steady.series import prepare
from phasewright.logs.steady.tail import fit_tail

LONGEST = {"liquid": 600.0, "air": 600.0}
"""Time constants taken as possible [s] when the record does not show them; common practice, no source."""
_GRID = np.geomspace(8.0, 1800.0, 13)
_STRETCH = 60.0
_MOST = 12
_LEAST_VOTES = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class TimeConstants:
    """Time constants [s] and the chance that the slowest part of the bench is at least that slow."""

    constant: np.ndarray
    weight: np.ndarray
    shown: bool
    """Whether the record shows them; else they are the stated default."""

    def up_to(self, longest: float) -> tuple[np.ndarray, np.ndarray]:
        """Return the constants up to `longest` [s] and their weights."""
        keep = self.constant <= max(longest, self.constant[1])
        return self.constant[keep], self.weight[keep] / self.weight[keep].sum()

    def slowest(self, share: float = 0.05) -> float:
        """Return the constant that the bench's slowest part exceeds with less than `share` chance [s]."""
        return float(self.constant[np.flatnonzero(self.weight >= share * self.weight[0])[-1]])


def learn_constants(traces: dict[str, AlignedTrace], load: Load | None, coolant: str) -> TimeConstants:
    """Return the time constants that the thermal channels of the whole record show."""
    votes = np.zeros(len(_GRID))
    told = 0.0
    flat = np.full(len(_GRID), 1.0 / len(_GRID))
    for start, end in held_stretches(load)[-_MOST:] if load is not None else ():
        for key, trace in traces.items():
            series = prepare(key, trace, load, start, end, points=120)
            if series is None:
                continue
            tail = fit_tail(series, 0.2 * (end - start), _GRID, flat)
            if tail is None:
                continue
            clear = float(np.sum(tail.weight * np.log(np.maximum(tail.weight, 1e-12) * len(_GRID))))
            # A stretch cannot vouch for constants much longer than itself, whatever its weights say.
            votes += clear**2 * tail.weight
            told += clear
    default = LONGEST.get(coolant, 600.0)
    if told < _LEAST_VOTES:
        weight = np.where(_GRID <= default, 1.0, 0.02)
        return TimeConstants(_GRID, weight, False)
    votes /= votes.sum()
    at_least = 1.0 - np.concatenate([[0.0], np.cumsum(votes)[:-1]])
    return TimeConstants(_GRID, np.maximum(at_least, 0.02 * (_GRID <= default)), True)


def held_stretches(load: Load) -> list[tuple[float, float]]:
    """Return the stretches of a minute or more over which the load stays near a level [s]."""
    power, time = load.power, load.time
    width = 5
    if len(power) < 4 * width:
        return []
    smooth = np.convolve(power, np.ones(width) / width, mode="valid")
    jump = np.abs(smooth[width:] - smooth[:-width]) > 0.15 * load.spread
    at = np.flatnonzero(jump) + width
    edges = [time[0], *time[at], time[-1]]
    found = [(float(a) + 3.0, float(b) - 6.0) for a, b in zip(edges[:-1], edges[1:], strict=True)]
    return [(a, b) for a, b in found if b - a >= _STRETCH]
