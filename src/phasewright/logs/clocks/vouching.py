"""Whether the parts of a stretch agree on its place: a clock that was set inside it must not pass for one that ran on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.clocks.coarse import correlate_edges
from phasewright.logs.clocks.integral import Integral, integrate
from phasewright.logs.clocks.splits import mismatch, typical_change
from phasewright.logs.condense import Intervals

_PARTS = 8
_LEAST_READINGS = 60
"""A part of fewer readings says little about where it belongs."""
_CLEAR_RATIO, _CLEAR_SIGNAL = 0.8, 6.0
"""Second to first peak, and first peak over the spread, of a part whose place by itself is beyond doubt."""
_EVIDENCE = 35.0
"""Powers of e by which another place must make a part likelier."""


@dataclass(frozen=True, slots=True)
class Dissent:
    """A part of a stretch, first and last stamp [s] of its own clock, that belongs at another offset [s]."""

    first: float
    last: float
    offset: float


def find_dissent(
    reference: Integral, ours: Intervals, first: int, last: int, *, offset: float, drift: float, pivot: float,
    window: float, averaging: float, gain: float,
) -> Dissent | None:
    """Return the part of readings `first` to `last` that contradicts the stretch's clock the most; None = all agree.

    The stretch is placed by reference seconds = t + offset + drift*1e-6*(t - pivot). Each of at most eight parts is
    placed by its own edges; where that is clear, elsewhere, and explains the part far better, it dissents.
    `gain` is that from the reference's scaled values to ours.
    """
    count = last - first
    parts = min(_PARTS, count // _LEAST_READINGS)
    if parts < 2:
        return None
    scale = typical_change(ours.value[first:last])
    found: list[tuple[float, Dissent]] = []
    for a, b in _parts(first, last, parts):
        end, value = ours.end[a:b], ours.value[a:b]
        rows = np.arange(len(end))
        own = end + drift * 1e-6 * (end - pivot)
        cost = float(mismatch(reference, own, value, averaging, offset, rows, scale, gain).sum())
        if cost < _EVIDENCE:
            continue
        mine = integrate(ours, a, b)
        if len(mine.knot) < 3:
            continue
        alone = correlate_edges(reference, mine, window=window, drifts=(drift,), pivot=pivot, peak_count=2)
        if not alone.peaks or alone.ratio > _CLEAR_RATIO or alone.peaks[0].score < _CLEAR_SIGNAL * alone.noise:
            continue
        place = alone.peaks[0].offset
        better = cost - float(mismatch(reference, own, value, averaging, place, rows, scale, gain).sum())
        if abs(place - offset) > 0.5 * window and better > _EVIDENCE:
            stamps = float(end[0] - ours.stamp_lag), float(end[-1] - ours.stamp_lag)
            found.append((better, Dissent(*stamps, place)))
    return max(found, key=lambda item: item[0])[1] if found else None


def _parts(first: int, last: int, parts: int) -> list[tuple[int, int]]:
    """Return overlapping parts: halves of neighbours make one more each, so that a step at an edge hides in none."""
    edge = np.linspace(first, last, 2 * parts + 1).astype(int)
    return [(int(edge[k]), int(edge[k + 2])) for k in range(2 * parts - 1)]
