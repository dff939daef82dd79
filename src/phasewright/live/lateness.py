"""How late things come: counted in narrow classes, so that a run of any length costs the same."""

from __future__ import annotations

from bisect import bisect_left

BOUNDS_S = tuple(1e-4 * 1.1**step for step in range(120))
"""[s] Upper ends of the classes: a tenth apart, from 0.1 ms to 8 s."""


class Lateness:
    """Counts of delays by size."""

    __slots__ = ("_counts", "count", "worst")

    def __init__(self) -> None:
        self._counts = [0] * (len(BOUNDS_S) + 1)
        self.count = 0
        self.worst = 0.0
        """[s]"""

    def take(self, seconds: float, times: int = 1) -> None:
        """Count a delay."""
        self._counts[bisect_left(BOUNDS_S, seconds)] += times
        self.count += times
        self.worst = max(self.worst, seconds)

    def share(self, part: float) -> float:
        """Return the delay [s] that `part` of all kept to, upper end of its class and no more than the worst; 0 of none."""
        left = part * self.count
        for bound, count in zip(BOUNDS_S, self._counts, strict=False):
            left -= count
            if left <= 0.0:
                return min(bound, self.worst)
        return self.worst
