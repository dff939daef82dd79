"""What the simulated processor computes: relative activity on a fine grid, with drift, bursts and code phases."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

GRID = 0.02
"""Step of the electrical grid [s]."""
BLOCK = 50
"""Electrical samples in one thermal step of 1 s."""


@dataclass(frozen=True, slots=True)
class Fluctuation:
    """How a held load moves; standard deviations relative to the load."""

    drift: float = 0.006
    """Slow drift."""
    drift_time: float = 150.0
    """[s]"""
    code: float = 0.025
    """Between code phases of 0.1-30 s."""
    burst: float = 0.12
    """Depth of short bursts and dips."""
    burst_rate: float = 0.15
    """[1/s]"""
    flutter: float = 0.01
    """From sample to sample."""


STEADY = Fluctuation(0.0, 150.0, 0.0, 0.0, 0.0, 0.0)
"""A load that does not move."""


def _first_order(noise: np.ndarray, keep: float) -> np.ndarray:
    """Return y[k] = keep*y[k-1] + sqrt(1-keep^2)*noise[k] in blocks, without a loop over samples."""
    gain = np.sqrt(1.0 - keep * keep)
    out = np.empty_like(noise)
    size = max(1, min(len(noise), int(-30.0 / np.log(keep))))
    powers = keep ** np.arange(1, size + 1)
    last = noise[0]
    for first in range(0, len(noise), size):
        part = noise[first : first + size]
        p = powers[: len(part)]
        out[first : first + size] = p * (last + gain * np.cumsum(part / p))
        last = out[first + len(part) - 1]
    return out


def activity(seconds: int, fluctuation: Fluctuation, generator: np.random.Generator) -> np.ndarray:
    """Return relative activity around 1, float64 (seconds*BLOCK,)."""
    n = seconds * BLOCK
    f = fluctuation
    out = np.ones(n)
    if n == 0:
        return out
    if f.drift:
        coarse = _first_order(generator.standard_normal(seconds + 2), float(np.exp(-1.0 / f.drift_time)))
        out += f.drift * np.interp(np.arange(n) * GRID, np.arange(seconds + 2.0), coarse)
    if f.code:
        # Durations are log-uniform between 0.1 and 30 s: mean 5.24 s.
        count = int(seconds / 5.0) + 20
        lengths = 0.1 * 300.0 ** generator.random(count)
        while lengths.sum() < seconds:
            lengths = np.concatenate([lengths, 0.1 * 300.0 ** generator.random(count)])
        edges = np.minimum((np.cumsum(lengths) / GRID).astype(int), n)
        marks = np.zeros(n + 1, dtype=np.int64)
        np.add.at(marks, edges, 1)
        out += f.code * generator.standard_normal(len(lengths) + 1)[np.cumsum(marks[:n])]
    if f.burst_rate:
        count = generator.poisson(f.burst_rate * seconds)
        starts = generator.integers(0, n, count)
        ends = np.minimum(starts + generator.integers(2, 30, count), n)
        height = f.burst * generator.uniform(-1.0, 1.0, count)
        change = np.zeros(n + 1)
        np.add.at(change, starts, height)
        np.add.at(change, ends, -height)
        out += np.cumsum(change[:n])
    if f.flutter:
        out += f.flutter * generator.standard_normal(n)
    return np.maximum(out, 0.02)


MARKER_PULSES = ((4, 3), (2, 7), (9, 5))
"""Three unequal pulses: (on, off) [s]. No shift of the pattern onto itself matches more than one pulse."""


def marker() -> np.ndarray:
    """Return the marker as 0/1 activity on the grid."""
    return np.concatenate([np.repeat([1.0, 0.0], [on * BLOCK, off * BLOCK]) for on, off in MARKER_PULSES])


def square(seconds: int, period: float) -> np.ndarray:
    """Return a periodic 0/1 activity with equal halves of `period` [s] on the grid."""
    t = np.arange(seconds * BLOCK) * GRID
    return ((t % period) < 0.5 * period).astype(float)
