"""The readings of one channel that lie inside a stretch of time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs import AlignedTrace

__all__ = ["Readings", "means_over", "sum_of_products", "take_readings"]

SAME = 1e-6
"""[s] Clock maps leave rounding in the last digits of a time."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings of one channel, missing ones left out. All arrays (n,); times on the reference clock [s]."""

    start_s: np.ndarray
    end_s: np.ndarray
    value: np.ndarray
    high: np.ndarray
    """Greatest raw sample inside each reading; the reading itself where raw samples were not kept."""
    raw_averaging: float
    """Averaging time that `high` refers to [s]; NaN = unknown."""
    left_out: int
    """Readings inside the stretch that were missing or flagged."""

    @property
    def count(self) -> int:
        return int(self.value.size)

    @property
    def middle_s(self) -> np.ndarray:
        return 0.5 * (self.start_s + self.end_s)

    def weights(self) -> np.ndarray:
        """Return the time that each reading stands for [s], (n,).

        Averaged readings stand for their averaging interval. Momentary readings stand for half the distance to each
        neighbour, at most twice the median, so that the reading beside a gap does not speak for the gap.
        """
        length = self.end_s - self.start_s
        if self.count < 2 or np.any(length > 0.0):
            return np.where(length > 0.0, length, 1.0) if np.all(length > 0.0) else np.ones(self.count)
        spacing = np.diff(self.end_s)
        typical = float(np.median(spacing))
        if typical <= 0.0:
            return np.ones(self.count)
        spacing = np.minimum(spacing, 2.0 * typical)
        weights = np.empty(self.count)
        weights[1:-1] = 0.5 * (spacing[1:] + spacing[:-1])
        weights[0], weights[-1] = spacing[0], spacing[-1]
        return np.where(weights > 0.0, weights, 1e-3 * typical)


def sum_of_products(a: np.ndarray, b: np.ndarray) -> float:
    """Return the sum of a * b, both (n,). Unlike @ it takes no threads, which cost more than they save here."""
    return float(np.einsum("i,i->", a, b))


def take_readings(trace: AlignedTrace, start_s: float, end_s: float) -> Readings:
    """Return the readings of `trace` whose whole interval lies within [start_s, end_s] [s].

    Times that differ by less than a microsecond count as equal. A reading that straddles an end mixes the window with
    what is outside it and is left out; so is every missing one.
    """
    pieces = []
    for first, past in trace.segments or ((0, len(trace.end_s)),):
        # Times never decrease inside a segment, so two bisections replace a pass over every sample.
        low = first + int(np.searchsorted(trace.start_s[first:past], start_s - SAME, side="left"))
        high = first + int(np.searchsorted(trace.end_s[first:past], end_s + SAME, side="right"))
        if high > low:
            pieces.append(slice(low, high))
    value = _joined(trace.value, pieces)
    kept = np.isfinite(value)
    left_out = int(value.size - np.count_nonzero(kept))
    raw = trace.averaging if trace.high is None else trace.raw_averaging
    columns = [trace.start_s, trace.end_s, trace.value if trace.high is None else trace.high]
    start, end, high = (_joined(column, pieces) for column in columns)
    if left_out:
        start, end, value, high = start[kept], end[kept], value[kept], high[kept]
    return Readings(start, end, value, high, float("nan") if raw is None else float(raw), left_out)


def means_over(readings: Readings, start_s: np.ndarray, end_s: np.ndarray) -> np.ndarray:
    """Return the mean of `readings` over each interval from `start_s` to `end_s` [s], (n,), in the readings' unit.

    Readings stand until the next one; an interval of no length gets the value at that moment.
    """
    edges = np.concatenate([readings.start_s[:1], readings.end_s])
    energy = np.concatenate([[0.0], np.cumsum(readings.value * np.diff(edges))])
    length = end_s - start_s
    with np.errstate(invalid="ignore", divide="ignore"):
        means = (np.interp(end_s, edges, energy) - np.interp(start_s, edges, energy)) / length
    return np.where(length > 0.0, means, np.interp(end_s, readings.middle_s, readings.value))


def _joined(array: np.ndarray, pieces: list[slice]) -> np.ndarray:
    if not pieces:
        return np.empty(0)
    if len(pieces) == 1:
        return array[pieces[0]]
    return np.concatenate([array[piece] for piece in pieces])
