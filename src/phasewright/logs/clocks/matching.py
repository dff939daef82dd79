"""One stretch of one log against the reference: candidates, refusal when they are too alike, fine fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from phasewright.logs.clocks.coarse import Correlation, Peak, correlate_edges
from phasewright.logs.clocks.fit import ClockFit, Readings, fit_clock
from phasewright.logs.clocks.integral import Integral, integrate
from phasewright.logs.condense import Intervals, stamp_shift

REFUSE_RATIO = 0.9
"""Second to first peak above this: refused."""
LEAST_SIGNAL = 6.0
"""First peak over the spread of the correlation below this: no common cause is visible."""
QUARTZ_U = 50.0
"""Standard uncertainty of an instrument clock's rate when the record is too short to show it [ppm]; common practice, no
source."""


@dataclass(frozen=True, slots=True)
class Match:
    """What was found for one stretch. Reference seconds = t + offset + drift*1e-6*(t - pivot)."""

    status: str
    """aligned | ambiguous | none"""
    first: float
    last: float
    offset: float = 0.0
    offset_u: float | None = None
    drift: float = 0.0
    drift_u: float | None = None
    pivot: float = 0.0
    averaging: float | None = None
    averaging_u: float | None = None
    peak_ratio: float | None = None
    candidates: tuple[tuple[float, float], ...] = ()
    pair: tuple[str, str] = ("", "")
    overlap: float = 0.0
    note: str = ""


def match_clocks(
    reference: Sequence[Intervals],
    other: Sequence[tuple[Intervals, int, int]],
    *,
    span: tuple[float, float],
    low: float,
    high: float,
    wish: float | None = None,
) -> list[Match]:
    """Return the matches of one stretch (`span` [s] on its own clock), in order.

    `reference` and `other` are the channels that may be compared, best first; each of `other` with its index range.
    """
    if not reference or not other:
        missing = "the reference" if not reference else "this"
        return [Match("none", *span, pivot=0.5 * sum(span), note=f"{missing} log has no channel that follows the load")]
    best: Match | None = None
    for ours, a, b in other[:3]:
        for theirs in reference[:2]:
            match = _match_pair(theirs, ours, a, b, span, low, high, wish)
            if match.status == "aligned":
                return [match]
            if best is None or (best.status == "none" and match.status == "ambiguous"):
                best = match
    return [best]


def _match_pair(
    theirs: Intervals, ours: Intervals, a: int, b: int, span: tuple[float, float], low: float, high: float,
    wish: float | None,
) -> Match:
    pair = (theirs.channel, ours.channel)
    middle = 0.5 * (span[0] + span[1])
    blank = Match("none", *span, pivot=middle, pair=pair)
    if np.isfinite(ours.value[a:b]).sum() < 12:
        return replace(blank, note=f"only {int(np.isfinite(ours.value[a:b]).sum())} readings of {ours.channel}")
    mine, yours = integrate(ours, a, b), integrate(theirs)
    if len(mine.knot) < 3 or len(yours.knot) < 3:
        return replace(blank, note="too few readings")
    window = max(1.0, _length(ours), _length(theirs))
    if wish is not None:
        low, high = wish - 5 * window, wish + 5 * window
    found = correlate_edges(
        yours, mine, window=window, low=low, high=high, drifts=_drifts(span, window), pivot=middle
    )
    signal = found.peaks[0].score / found.noise if found.peaks and found.noise > 0 else 0.0
    listed = tuple((peak.offset, peak.score) for peak in found.peaks)
    blank = replace(blank, peak_ratio=found.ratio if found.peaks else None)
    if not found.peaks or (signal < LEAST_SIGNAL and wish is None):
        return replace(blank, note=f"no edge of {ours.channel} stands out in {theirs.channel} (signal {signal:.1f} of noise)")
    if found.ratio > REFUSE_RATIO and wish is None:
        return replace(
            blank, status="ambiguous", offset=found.peaks[0].offset, candidates=listed, overlap=found.peaks[0].overlap,
            note=f"{len(listed)} offsets fit nearly alike (second peak {found.ratio:.2f} of the first); "
            f"choose one of them or give the load an uneven marker",
        )
    return _refine(yours, mine, theirs, ours, a, b, found, found.peaks[0], blank)


def _length(x: Intervals) -> float:
    period = x.period if np.isfinite(x.period) else 1.0
    return max(period, x.averaging or 0.0)


def _drifts(span: tuple[float, float], window: float) -> tuple[float, ...]:
    """Drift hypotheses close enough that no edge of the stretch leaves its window."""
    length = max(span[1] - span[0], 1.0)
    step = 2e6 * window / length
    if step >= 400.0:
        return (0.0,)
    count = int(np.ceil(200.0 / step))
    return tuple(float(k * 200.0 / count) for k in range(-count, count + 1))


def _refine(
    yours: Integral, mine: Integral, theirs: Intervals, ours: Intervals, a: int, b: int, found: Correlation, peak: Peak,
    blank: Match,
) -> Match:
    swapped = _length(theirs) > 1.5 * _length(ours)
    slow, fast = (theirs, mine) if swapped else (ours, yours)
    first, last = (0, len(theirs.value)) if swapped else (a, b)
    length = slow.averaging if slow.averaging is not None else slow.period
    shift = stamp_shift(slow.stamp_at)
    stamp = slow.end[first:last] - shift * length
    readings = Readings(stamp, slow.value[first:last], shift, slow.period)
    offset, drift, pivot = peak.offset, peak.drift, blank.pivot
    if swapped:
        offset, drift, pivot = _invert(offset, drift, pivot)
    fit = fit_clock(
        fast, readings, offset=offset, drift=drift, averaging=length, pivot=pivot, scan=1.5 * found.lag_width / 3,
        fit_averaging=slow.averaging is None,
    )
    if fit is None:
        return replace(blank, status="none", note="fewer than 15 readings overlap")
    used = readings.stamp[fit.used]
    span = float(used[-1] - used[0])
    drift_u = fit.drift_u
    if not np.isfinite(drift_u) or drift_u > QUARTZ_U or abs(fit.drift) > 1000:
        fit = fit_clock(
            fast, readings, offset=offset, drift=0.0, averaging=length, pivot=pivot, scan=1.5 * found.lag_width / 3,
            fit_averaging=slow.averaging is None, fit_drift=False,
        )
        drift_u = QUARTZ_U
    middle = float(np.mean(used))
    offset, drift = fit.offset + fit.drift * 1e-6 * (middle - fit.pivot), fit.drift
    pivot = middle
    if swapped:
        offset, drift, pivot = _invert(offset, drift, pivot)
    stamp_u = (ours.stamp_u**2 + theirs.stamp_u**2) ** 0.5
    return replace(
        blank, status="aligned", offset=offset, offset_u=(fit.offset_u**2 + stamp_u**2) ** 0.5, drift=drift,
        drift_u=drift_u, pivot=pivot, averaging=None if swapped else fit.averaging, averaging_u=fit.averaging_u,
        overlap=span, note=_note(fit),
    )


def _invert(offset: float, drift: float, pivot: float) -> tuple[float, float, float]:
    """Turn a map from one clock to another round: the same moments, the other way."""
    return -offset, (1.0 / (1.0 + drift * 1e-6) - 1.0) * 1e6, pivot + offset


def _note(fit: ClockFit) -> str:
    return f"{fit.count} readings compared, {fit.informative:.0f} carry the offset"
