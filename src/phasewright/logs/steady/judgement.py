"""Has a channel settled? What remains of its transient at the end of the step, bounded from its tail."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.records import AlignedTrace, Settling
from phasewright.logs.steady.constants import TimeConstants
from phasewright.logs.steady.load import Load
from phasewright.logs.steady.series import Series, prepare
from phasewright.logs.steady.slope import fit_slope
from phasewright.logs.steady.tail import Tail, fit_tail

CERTAIN = 0.99
"""One-sided probability at which a step is called settled."""
_STARTS = (0.15, 0.3, 0.45, 0.6, 0.75)
_SHORTEST = 40.0


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One channel of one step, with every tail that was tried, longest first."""

    channel: str
    trace: AlignedTrace
    zero: float
    series: Series | None
    tails: tuple[Tail, ...]
    constants: TimeConstants
    bound: float
    why_not: str = ""

    def certain(self, start: float, end: float, share: float) -> bool:
        """Whether surely (99 %) less than `share` of the bound remains on average from `start` to `end` [s]."""
        first, last = start - self.zero, end - self.zero
        return any(
            tail.shifted(first, last).chance(share * self.bound) <= 1.0 - CERTAIN
            for tail in self.tails if tail.start <= first + 1e-6
        )

    def settling(self, start: float, end: float, extrapolated: tuple[float, float] | None) -> Settling:
        """Return the judgement over the window from `start` to `end` [s]; `extrapolated` as from `settled_values`."""
        slowest = self.constants.slowest()
        if not self.tails or self.series is None:
            return Settling(self.channel, 0.0, float("inf"), slowest, float("inf"), self.bound, False,
                            f"{self.channel}: not settled: {self.why_not}")
        first, last = start - self.zero, end - self.zero
        shifted = [tail.shifted(first, last) for tail in self.tails if tail.start <= first + 1e-6]
        best = min(shifted or [self.tails[0].shifted(first, last)], key=lambda tail: tail.bound(CERTAIN))
        sure, remaining = best.bound(CERTAIN), best.bound()
        inside = (self.trace.start_s >= start) & (self.trace.end_s <= end)
        line = fit_slope(self.trace.middle_s[inside], self.trace.value[inside], resolution=self.series.resolution)
        slope, slope_u = (line.slope, line.u) if line else (0.0, float("inf"))
        # A fitted transient can miss a slower one that has only begun to show; a slope that is there cannot. The
        # processor follows its load within seconds, so that its slope says how the load wandered, not what remains.
        by_slope = slowest * abs(slope)
        drifts = by_slope > self.bound and abs(slope) > 2.0 * slope_u and _slow(self.channel)
        settled = sure <= self.bound and not drifts
        mean, u = best.estimate()
        return Settling(
            self.channel, slope, slope_u, slowest, remaining, self.bound, settled,
            f"{self.channel}: {'settled' if settled else 'not settled'}: {mean:+.2f} K of the transient remain, at "
            f"most {sure:.2f} K with {100 * CERTAIN:.0f} % (bound {self.bound:g} K, time constants up to "
            f"{slowest:.0f} s{'' if self.constants.shown else ' assumed'})"
            + (f"; but it moves by {3600 * slope:+.0f} K/h, {by_slope:.1f} K in one time constant" if drifts else "")
            + (f"; settles at {extrapolated[0]:.1f} ± {1.96 * extrapolated[1]:.1f} degC" if extrapolated else ""),
            *(extrapolated or (None, None)),
        )


def _slow(channel: str) -> bool:
    """Whether the slope of a channel's temperature tells of heat that is still on its way."""
    return channel.partition(".")[0] != "processor_temperature"


def judge(
    key: str, trace: AlignedTrace, load: Load | None, start: float, end: float, constants: TimeConstants, bound: float
) -> Judged:
    """Return what the readings of one channel from `start` to `end` [s] say about its transient."""
    why = ""
    series = None
    tails: list[Tail] = []
    # Readings that may belong to the neighbouring step stay out.
    margin = 2.0 * trace.time_u if trace.time_u > 1.0 else 0.0
    if not np.isfinite(margin) or end - start - 2 * margin < max(_SHORTEST, 0.4 * (end - start)):
        why = (f"its clock (standard uncertainty {trace.time_u:.1f} s) is too uncertain for a step of "
               f"{end - start:.0f} s")
    else:
        start, end = start + margin, end - margin
        series = prepare(key, trace, load, start, end)
        if series is None:
            why = "fewer than 12 readings in the step"
    if series is not None:
        constant, weight = constants.constant, constants.weight / constants.weight.sum()
        for share in _STARTS:
            if (1.0 - share) * (end - start) >= min(_SHORTEST, 0.5 * (end - start)):
                tail = fit_tail(series, share * (end - start), constant, weight)
                if tail is not None:
                    tails.append(tail)
        if not tails:
            why = "fewer than 12 readings in the last part of the step"
    return Judged(key, trace, start, series, tuple(tails), constants, bound, why)
