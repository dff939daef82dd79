"""Has a channel settled? What remains of its transient at the end of the step, as the bench answers its load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.records import AlignedTrace, Settling
from phasewright.logs.steady.response import LATELY, Remaining, Response
from phasewright.logs.steady.slope import fit_slope, resolution_of

CERTAIN = 0.99
"""One-sided probability at which a step is called settled."""
_LENGTHS = 2.0
"""Longest time constants that a stretch must last before it is said where it settles."""
_VAGUE = 0.1
"""Share of what the whole step moved by, and of a kelvin beside it, that a settled value may be uncertain by."""
_CLASH = 3.0
"""Standard errors by which what the model left over may climb in the later half of a stretch."""


def readings_between(trace: AlignedTrace, start: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    """Return middles [s] and values of the readings whose interval lies from `start` to `end` [s]."""
    first, last = np.searchsorted(trace.end_s, [start, np.nextafter(end, np.inf)])
    inside = trace.start_s[first:last] >= start
    middle = 0.5 * (trace.start_s[first:last] + trace.end_s[first:last])
    return middle[inside], trace.value[first:last][inside]


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One channel of one step. `number` is the step's stretch in the chapter that `response` was learnt from."""

    channel: str
    trace: AlignedTrace
    response: Response | None
    number: int
    bound: float
    why_not: str = ""

    def certain(self, start: float, end: float, share: float) -> bool:
        """Whether surely (99 %) less than `share` of the bound remains on average from `start` to `end` [s]."""
        if self.response is None:
            return False
        return self._remaining(self.response, start, end).chance(share * self.bound) <= 1.0 - CERTAIN

    def settling(self, start: float, end: float) -> Settling:
        """Return the judgement over the window from `start` to `end` [s]."""
        middle, value = readings_between(self.trace, start, end)
        line = fit_slope(middle, value, resolution=self.response.resolution if self.response else resolution_of(value))
        slope, slope_u = (line.slope, line.u) if line else (0.0, float("inf"))
        if self.response is None:
            return Settling(self.channel, slope, slope_u, float("inf"), float("inf"), self.bound, False,
                            f"{self.channel}: not settled: {self.why_not}")
        response = self.response
        slowest = response.slowest()
        over, left = self._remaining(response, start, end), self._remaining(response, end, end)
        sure = left.bound(CERTAIN)
        climb = self._clash(response, end)
        settled = sure <= self.bound and not climb
        mean, u = left.estimate()
        ends_at = None if climb or settled else self._settles_at(response, left, start, end)
        return Settling(
            self.channel, slope, slope_u, slowest, over.bound(0.95), self.bound, settled,
            f"{self.channel}: {'settled' if settled else 'not settled'}: {mean:+.2f} K of the transient remain at the "
            f"end, at most {sure:.2f} K with {100 * CERTAIN:.0f} % (bound {self.bound:g} K, time constants up to "
            f"{slowest:.0f} s{'' if response.shown else ', which the record does not show well'})"
            + (f"; but it moves by {3600 * climb:+.0f} K/h more than its load explains" if climb else "")
            + (f"; settles at {ends_at[0]:.1f} ± {1.96 * ends_at[1]:.1f} degC" if ends_at else ""),
            *(ends_at or (None, None)),
        )

    def _remaining(self, response: Response, start: float, end: float) -> Remaining:
        began = response.drive.stretches[self.number][0]
        later = max(began, end - max(LATELY * (end - began), 30.0))
        return response.remaining(self.number, start, end, response.drive.levels(later, end))

    def _clash(self, response: Response, end: float) -> float:
        """Return the slope [K/s] of what the model leaves over late in the stretch, 0.0 where it is none to speak of.

        A model can miss a slow part that has only begun to show; a slope that is there cannot.
        """
        began = response.drive.stretches[self.number][0]
        late = (response.time > 0.5 * (began + end)) & (response.time <= end)
        line = fit_slope(response.time[late], response.residual[late], resolution=response.resolution)
        if line is None or abs(line.slope) < _CLASH * line.u:
            return 0.0
        return line.slope if abs(line.slope) * response.slowest(0.5) > 0.5 * self.bound else 0.0

    def _settles_at(
        self, response: Response, left: Remaining, start: float, end: float
    ) -> tuple[float, float] | None:
        """Return where the channel settles and the standard uncertainty [degC], None where the record is too vague."""
        began = response.drive.stretches[self.number][0]
        if end - began < _LENGTHS * response.slowest():
            return None
        load = response.drive.levels(start, end)
        level, level_u = response.settled_level(self.number, load, start, end)
        wander = response.gain(self.number, load) * response.drive.wander(start, end)
        # What the model may be wrong by stands in the uncertainty of what remains. What the record leaves open of it is
        # in the level as well; without this second count one step alone, with three constants and two of the longest
        # seen, holds the truth in 81 % instead of 95 % (benchmarks/trials_steady.py).
        u = float(np.sqrt(level_u**2 + left.estimate()[1] ** 2 + wander**2))
        moved = abs(response.remaining(self.number, began, began, load).estimate()[0])
        return (level, u) if u <= _VAGUE * (moved + 1.0) else None
