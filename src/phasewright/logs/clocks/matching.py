"""One stretch of one log against the reference: candidates, refusal when they are too alike, fine fit, clock steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from phasewright.logs.clocks.coarse import Correlation, correlate_edges
from phasewright.logs.clocks.fit import ClockFit, Readings
from phasewright.logs.clocks.integral import Integral, integrate
from phasewright.logs.clocks.response import Response, fit_response
from phasewright.logs.clocks.splits import (
    LEAST_STEP,
    ClockStep,
    gain_between,
    looks_set,
    matching_places,
    mismatch,
    propose_small_steps,
    propose_steps,
    stamp_cost,
    typical_change,
)
from phasewright.logs.clocks.stretch import (
    FEWEST,
    LEAST_EXPLAINED,
    Match,
    Pair,
    cost_of,
    explained_share,
    length_of,
    own_length,
    part_of,
    set_by,
    supported,
    told_steps,
    trimmed,
)
from phasewright.logs.clocks.vouching import find_dissent
from phasewright.logs.condense import Intervals, stamp_shift

REFUSE_RATIO = 0.9
"""Second to first peak above this: refused."""
LEAST_SIGNAL = 4.0
"""First peak over the spread of the correlation below this: no common cause is visible."""
CLEAR_SIGNAL = 8.0
"""Below this the fit must explain a good part of the changes too."""
QUARTZ_U = 100.0
"""Standard uncertainty of an instrument clock's rate when the record is too short to show it [ppm]; common practice, no
source."""
LEAST_U = 1e-3 / 12**0.5
"""Standard uncertainty of an offset at its best [s]: stamps are written to a millisecond."""
_EVIDENCE = 35.0
"""A clock step must make the record likelier by this many powers of e."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """Offsets that are possible [s]; `wish` is a person's choice, or what the same clock showed elsewhere."""

    low: float = -np.inf
    high: float = np.inf
    wish: float | None = None
    wish_reach: float = 5.0
    """How far from the wish is looked [s]."""


def match_clocks(
    reference: Sequence[tuple[Intervals, Integral]],
    other: Sequence[tuple[Intervals, int, int]],
    *,
    span: tuple[float, float],
    bounds: Bounds,
) -> list[Match]:
    """Return the matches of one stretch (`span` [s] on its own clock), in order: more than one where its clock was set.

    `reference` and `other` are the channels that may be compared, best first; each of `other` with its index range.
    """
    if not reference or not other:
        missing = "the reference" if not reference else "this"
        return [Match("none", *span, pivot=0.5 * sum(span), note=f"{missing} log has no channel that follows the load")]
    best: list[Match] | None = None
    for ours, a, b in other[:3]:
        for theirs, yours in reference[:2]:
            found = _match_pair(Pair(theirs, ours, yours, a, b, gain_between(yours, ours.value)), bounds)
            found[0] = replace(found[0], first=span[0])
            found[-1] = replace(found[-1], last=span[1])
            if all(match.status == "aligned" for match in found):
                return found
            if best is None or (best[0].status == "none" and any(match.status != "none" for match in found)):
                best = found
    return best


def _match_pair(pair: Pair, bounds: Bounds) -> list[Match]:
    span = pair.span()
    blank = Match("none", *span, pivot=0.5 * sum(span), pair=(pair.theirs.channel, pair.ours.channel))
    count = int(np.isfinite(pair.ours.value[pair.first : pair.last]).sum())
    if count < FEWEST:
        return [replace(blank, note=f"only {count} readings of {pair.ours.channel}")]
    mine = integrate(pair.ours, pair.first, pair.last)
    if len(mine.knot) < 3 or len(pair.yours.knot) < 3:
        return [replace(blank, note="too few readings")]
    low, high = bounds.low, bounds.high
    if bounds.wish is not None:
        low, high = bounds.wish - bounds.wish_reach, bounds.wish + bounds.wish_reach
    found = correlate_edges(
        pair.yours, mine, window=pair.window, low=low, high=high, drifts=_drifts(span, pair.window), pivot=blank.pivot
    )
    if not found.peaks:
        return [replace(blank, note=f"no edge of {pair.ours.channel} is seen in {pair.theirs.channel}")]
    blank = replace(blank, peak_ratio=found.ratio)
    signal = found.peaks[0].score / found.noise if found.noise > 0 else 0.0
    peak = found.peaks[0]
    if bounds.wish is None and signal < LEAST_SIGNAL:
        return [replace(blank, candidates=_listed(found), note=f"no edge of {pair.ours.channel} stands out in "
                        f"{pair.theirs.channel} (best match {signal:.1f} times its noise)")]
    offsets = [p.offset for p in found.peaks[:3] if p.score > 0.4 * peak.score]
    placed = _joined(_place(pair, offsets, peak.drift, found.lag_width, blank), pair, found.lag_width, blank)
    if bounds.wish is None and found.ratio > REFUSE_RATIO and not _any_clear(pair, placed):
        return [replace(
            blank, status="ambiguous", offset=peak.offset, candidates=_listed(found), overlap=peak.overlap,
            note=f"{len(found.peaks)} offsets fit nearly alike (second peak {found.ratio:.2f} of the first); choose "
            "one of them, or give the load an uneven marker")]
    if len(placed) == 1 and placed[0].status == "aligned" and signal < CLEAR_SIGNAL:
        explained = explained_share(pair, placed[0])
        if explained < LEAST_EXPLAINED:
            return [replace(blank, candidates=_listed(found), note=f"{pair.theirs.channel} explains only "
                            f"{100 * max(explained, 0.0):.0f} % of the changes of {pair.ours.channel} at the best "
                            "offset")]
    if bounds.wish is not None:
        return placed
    vouched = [part for match in placed for part in _vouched(pair, match, found.lag_width)]
    return trimmed(pair, [supported(pair, match) for match in vouched]) if len(vouched) > 1 else vouched


def _vouched(pair: Pair, match: Match, lag_width: float, depth: int = 0) -> list[Match]:
    """Return a match; split once more, else refused, when a part of its stretch clearly belongs elsewhere."""
    if match.status != "aligned":
        return [match]
    part, x = part_of(pair, match), pair.ours
    found = find_dissent(
        pair.yours, x, part.first, part.last, offset=match.offset, drift=match.drift,
        pivot=match.pivot, window=pair.window, averaging=own_length(x), gain=pair.gain,
    )  # fmt: skip
    if found is None:
        return [match]
    if depth < 3:
        end, value = x.end[part.first : part.last], x.value[part.first : part.last]
        offsets, blank = [match.offset, found.offset], replace(match, status="none", note="")
        proposals = propose_steps(pair.yours, end, value, own_length(x), offsets, match.pivot, pair.gain)
        halves, _ = _best_halves(part, proposals, cost_of(part, [match], [0, len(end)]), lag_width, blank)
        if halves is not None:
            halves = [replace(half, note=told_steps(halves, k) + half.note) for k, half in enumerate(halves)]
            return [item for half in halves for item in _vouched(pair, half, lag_width, depth + 1)]
    note = (
        f"the readings from {found.first:.0f} s to {found.last:.0f} s belong at {found.offset:+.2f} s, the rest at "
        f"{match.offset:+.2f} s: the clock was set inside this stretch, and where is not found; split the log there"
    )
    return [replace(
        match, status="ambiguous", offset_u=None, drift_u=None, parted=True, note=note,
        candidates=((match.offset, 1.0), (found.offset, 1.0)),
    )]  # fmt: skip


def _any_clear(pair: Pair, placed: list[Match]) -> bool:
    """Whether the clock was set and one of the stretches is where it is without a rival: the others hang on it."""
    if len(placed) < 2:
        return False
    x = pair.ours
    stamp = x.end[pair.first : pair.last] - x.stamp_lag
    for match in placed:
        a, b = np.searchsorted(stamp, [match.first - 1e-6, match.last + 1e-6])
        if match.overlap < 60.0 or b - a < 2 * FEWEST:
            continue
        part = integrate(x, pair.first + int(a), pair.first + int(b))
        alone = correlate_edges(pair.yours, part, window=pair.window, pivot=match.pivot)
        if alone.peaks and alone.ratio < 0.8 and abs(alone.peaks[0].offset - match.offset) < alone.lag_width:
            return True
    return False


def _listed(found: Correlation) -> tuple[tuple[float, float], ...]:
    return tuple((peak.offset, peak.score) for peak in found.peaks)


def _place(
    pair: Pair, offsets: list[float], drift: float, lag_width: float, blank: Match, depth: int = 0
) -> list[Match]:
    """Fit one part; where its clock was set, place the parts before and after by themselves."""
    match, fit = _refine(pair, offsets[0], drift, lag_width, blank)
    x = pair.ours
    if fit is None or depth > 5 or pair.last - pair.first < 4 * FEWEST or _swapped(pair):
        return [match]
    end, value = x.end[pair.first : pair.last], x.value[pair.first : pair.last]
    if not looks_set(fit, int(np.isfinite(value).sum()), np.diff(end)):
        return [match]
    whole = cost_of(pair, [match], [0, len(end)])
    proposals = [replace(step, offset=step.offset + (blank.pivot - match.pivot) * step.drift * 1e-6)
                 for step in propose_small_steps(fit, end)]
    halves, cut = _best_halves(pair, proposals, whole, lag_width, blank)
    if halves is None or len(offsets) > 1:
        # Where several offsets fit, each may hold for a part: a small step that explains a little must not hide that.
        proposals = propose_steps(pair.yours, end, value, own_length(x), [match.offset, *offsets], blank.pivot, pair.gain)
        least = whole if halves is None else cost_of(pair, halves, [0, cut, len(end)]) + _EVIDENCE
        other, place = _best_halves(pair, proposals, least, lag_width, blank)
        halves, cut = (other, place) if other is not None else (halves, cut)
    if halves is None:
        return [match]
    out: list[Match] = []
    for half, a, b in ((halves[0], pair.first, pair.first + cut), (halves[1], pair.first + cut, pair.last)):
        own = replace(blank, first=half.first, last=half.last, pivot=half.pivot)
        out += _place(pair.part(a, b), [half.offset], half.drift, lag_width, own, depth + 1) if half.overlap else [half]
    return out


def _joined(matches: list[Match], pair: Pair, lag_width: float, blank: Match) -> list[Match]:
    """Put stretches together again that a wrong first cut had parted: nothing was set between them."""
    k = 0
    while k + 1 < len(matches):
        one, two = matches[k], matches[k + 1]
        if one.status != "aligned" or two.status != "aligned" or abs(set_by([one, two])) >= 0.7 * LEAST_STEP:
            k += 1
            continue
        x = pair.ours
        stamp = x.end[pair.first : pair.last] - x.stamp_lag
        a, b = np.searchsorted(stamp, [one.first - 1e-6, two.last + 1e-6])
        own = replace(blank, first=one.first, last=two.last, pivot=0.5 * (one.first + two.last))
        base = one if one.overlap > two.overlap else two
        start = base.offset + base.drift * 1e-6 * (own.pivot - base.pivot)
        both = _refine(pair.part(pair.first + int(a), pair.first + int(b)), start, base.drift, lag_width, own)[0]
        if both.status == "aligned":
            matches = [*matches[:k], both, *matches[k + 2 :]]
        else:
            k += 1
    return [replace(m, note=told_steps(matches, k) + m.note) for k, m in enumerate(matches)]


def _best_halves(
    pair: Pair, proposals: list[ClockStep], whole: float, lag_width: float, blank: Match
) -> tuple[list[Match] | None, int]:
    """The two halves that explain the part markedly better than one offset does, and where they meet."""
    best: tuple[float, list[Match], int] | None = None
    tried: set[int] = set()
    queue = list(proposals)
    while queue:
        step = queue.pop(0)
        if step.index in tried:
            continue
        tried.add(step.index)
        halves = _halves(pair, step, lag_width, blank)
        if halves is None:
            continue
        cost = cost_of(pair, halves, [0, step.index, pair.last - pair.first])
        if cost > whole - _EVIDENCE:
            continue
        # Where the load is flat only the stamps tell one place from another.
        cost += stamp_cost(pair.ours.end[pair.first : pair.last], step.index, set_by(halves))
        if best is None or cost < best[0]:
            best = (cost, halves, step.index)
            better = _better_place(pair, halves, step)
            if better is not None and better.index not in tried:
                queue.insert(0, better)
    return (None, 0) if best is None else (best[1], best[2])


def _better_place(pair: Pair, halves: list[Match], step: ClockStep) -> ClockStep | None:
    """Where the stamps show a step of the size that the halves ask for, if that is elsewhere."""
    x = pair.ours
    end, value = x.end[pair.first : pair.last], x.value[pair.first : pair.last]
    rows = np.arange(len(end))
    costs = []
    for match in halves:
        own = end + match.drift * 1e-6 * (end - match.pivot)
        costs.append(mismatch(pair.yours, own, value, own_length(x), match.offset, rows, typical_change(value), pair.gain))
    size = set_by(halves)
    places = matching_places(end, size, *costs)
    if not places or places[0] == step.index:
        return None
    return replace(step, index=places[0], size=size)


def _halves(pair: Pair, step: ClockStep, lag_width: float, blank: Match) -> list[Match] | None:
    halves = []
    for a, b, offset in (
        (pair.first, pair.first + step.index, step.offset),
        (pair.first + step.index, pair.last, step.offset - step.size),
    ):
        part = pair.part(a, b)
        span = part.span()
        own = replace(blank, first=span[0], last=span[1], pivot=0.5 * sum(span))
        base = offset + step.drift * 1e-6 * (own.pivot - blank.pivot)
        halves.append(_refine(part, base, step.drift, lag_width, own)[0])
    return _lend(pair, halves, step)


def _lend(pair: Pair, halves: list[Match], step: ClockStep) -> list[Match] | None:
    """A half too short to be placed by itself keeps the other's offset, moved by the clock step.

    None when neither can be placed, or when the one left over would lie off the record, where nothing speaks for it.
    """
    placed = [match for match in halves if match.status == "aligned"]
    if not placed:
        return None
    base = placed[0]
    out = []
    for match, move in zip(halves, (step.size, -step.size), strict=True):
        if match.status == "aligned":
            out.append(match)
            continue
        offset = base.offset + base.drift * 1e-6 * (match.pivot - base.pivot) + move
        low, high = pair.yours.span
        if match.first + offset < low - 1.0 or match.last + offset > high + 1.0:
            return None
        out.append(replace(
            match, status="aligned", offset=offset, offset_u=((base.offset_u or 0.0) ** 2 + LEAST_STEP**2) ** 0.5,
            drift=base.drift, drift_u=base.drift_u, averaging=base.averaging,
            note=f"{match.note}; offset lent by the neighbouring stretch and the size of the clock step"))
    return out


def _swapped(pair: Pair) -> bool:
    return length_of(pair.theirs) > 1.5 * length_of(pair.ours)


def _drifts(span: tuple[float, float], window: float) -> tuple[float, ...]:
    """Drift hypotheses close enough that no edge of the stretch leaves its window."""
    length = max(span[1] - span[0], 1.0)
    step = 2e6 * window / length
    if step >= 400.0:
        return (0.0,)
    count = int(np.ceil(200.0 / step))
    return tuple(float(k * 200.0 / count) for k in range(-count, count + 1))


def _readings(x: Intervals, first: int, last: int) -> Readings:
    shift = stamp_shift(x.stamp_at)
    return Readings(x.end[first:last] - shift * own_length(x), x.value[first:last], shift, x.period)


def _refine(
    pair: Pair, offset: float, drift: float, lag_width: float, blank: Match
) -> tuple[Match, ClockFit | None]:
    swapped = _swapped(pair)
    pivot = blank.pivot
    if swapped:
        slow, fast = pair.theirs, integrate(pair.ours, pair.first, pair.last)
        readings = _readings(pair.theirs, 0, len(pair.theirs.value))
        offset, drift, pivot = _invert(offset, drift, pivot)
    else:
        slow, fast, readings = pair.ours, pair.yours, _readings(pair.ours, pair.first, pair.last)
    answer = None
    for fit_drift in (True, False):
        answer = fit_response(
            fast, readings, stated=slow.averaging, offset=offset, drift=drift if fit_drift else 0.0, pivot=pivot,
            scan=0.5 * lag_width, fit_drift=fit_drift)
        if answer is None:
            return replace(blank, note=f"{blank.note}too few readings overlap for a fit"), None
        if answer.fit.drift_u <= QUARTZ_U and abs(answer.fit.drift) < 1000.0:
            break
    drift_u = answer.fit.drift_u if fit_drift else QUARTZ_U
    return _match_of(answer, drift_u, readings, pair, swapped, blank), answer.fit


def _match_of(
    answer: Response, drift_u: float, readings: Readings, pair: Pair, swapped: bool, blank: Match
) -> Match:
    fit = answer.fit
    used = readings.stamp[fit.used]
    middle = float(np.mean(used))
    offset, drift, pivot = fit.offset + fit.drift * 1e-6 * (middle - fit.pivot), fit.drift, middle
    if swapped:
        offset, drift, pivot = _invert(offset, drift, pivot)
    slow, fast = (pair.theirs, pair.ours) if swapped else (pair.ours, pair.theirs)
    # An averaging that is not stated was fitted, so only the stamp's own doubts of the slow channel remain.
    grain_u = _grain(fast, fit)
    # Stamps that were cut slide against the readings by up to a step over the record; the grain does not spread better.
    length = max(float(used[-1] - used[0]), 1.0)
    drift_u = (drift_u**2 + (1e6 * slow.cut_u / length) ** 2 + (1e6 * 12**0.5 * grain_u / length) ** 2) ** 0.5
    doubt = (slow.mark_u**2 + fast.stamp_u**2 + answer.open_u**2 + grain_u**2 + LEAST_U**2) ** 0.5
    return replace(
        blank, status="aligned", offset=offset, offset_u=(fit.offset_u**2 + doubt**2) ** 0.5, drift=drift,
        drift_u=drift_u, pivot=pivot, averaging=None if swapped else fit.averaging,
        averaging_u=None if swapped else fit.averaging_u, overlap=float(used[-1] - used[0]),
        note=f"{blank.note}{answer.note + '; ' if answer.note else ''}{fit.count} readings compared, "
        f"{fit.informative:.0f} carry the offset",
    )


def _grain(fast: Intervals, fit: ClockFit) -> float:
    """Return what the fast channel's period leaves open of an offset [s]: where in a period an edge lies."""
    period, told = fast.period, max(fit.informative, 1.0)
    if fit.averaging < 2.0 * period:
        # No faster than the slow one averages: an edge may lie anywhere between two readings; few of the readings have
        # an edge so near (a fourth root where independent ones would have a square root).
        return period / 12**0.5 / told**0.25
    if own_length(fast) < 0.9 * period:
        return 0.02 * period
    # Means that follow on each other know every sum at their ends; an edge is in doubt only where a slow reading ends in
    # the same period, and what that does stands in the residuals.
    return 0.0


def _invert(offset: float, drift: float, pivot: float) -> tuple[float, float, float]:
    """Turn a map from one clock to another round: the same moments, the other way."""
    return -offset, (1.0 / (1.0 + drift * 1e-6) - 1.0) * 1e6, pivot + offset
