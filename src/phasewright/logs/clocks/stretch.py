"""One stretch of a log: what is compared, where it was placed, and whether its edges bear that out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from phasewright.logs.clocks.integral import Integral
from phasewright.logs.clocks.splits import mismatch, odd_distances, stamp_cost, typical_change
from phasewright.logs.condense import Intervals

FEWEST = 12
"""Fewer readings are not compared."""
LEAST_EXPLAINED = 0.3
"""Share of the changes from reading to reading that a doubtful place must explain."""
_EDGE = 10.0
"""Times the usual change from reading to reading: what is greater is an edge of the load."""
_ALIKE = 6.0
"""Places of a clock step whose likelihoods lie within so many powers of e cannot be told apart."""


@dataclass(frozen=True, slots=True)
class Match:
    """What was found for one stretch. Reference seconds = t + offset + drift*1e-6*(t - pivot)."""

    status: str
    """aligned | ambiguous | none"""
    first: float
    """First and last stamp of the stretch [s] on its own clock."""
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
    parted: bool = False
    """Parts of it belong elsewhere: its clock was set inside, and where is not found."""


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """Two channels and the readings of ours that are being placed."""

    theirs: Intervals
    ours: Intervals
    yours: Integral
    first: int
    last: int
    gain: float
    """From the reference's scaled values to our readings."""

    def part(self, first: int, last: int) -> Pair:
        return replace(self, first=first, last=last)

    @property
    def window(self) -> float:
        return max(1.0, length_of(self.ours), length_of(self.theirs))

    def span(self) -> tuple[float, float]:
        """First and last stamp [s] of the part."""
        x = self.ours
        return float(x.end[self.first] - x.stamp_lag), float(x.end[self.last - 1] - x.stamp_lag)


def part_of(pair: Pair, match: Match) -> Pair:
    """Return the readings of a match."""
    x = pair.ours
    stamp = x.end[pair.first : pair.last] - x.stamp_lag
    a, b = np.searchsorted(stamp, [match.first - 1e-6, match.last + 1e-6])
    return pair.part(pair.first + int(a), pair.first + int(b))


def supported(pair: Pair, match: Match) -> Match:
    """Return one of several stretches, refused when its edges are not those of the reference at its place."""
    if match.status != "aligned":
        return match
    part = part_of(pair, match)
    change = np.abs(np.diff(part.ours.value[part.first : part.last]))
    edge = float(np.nanmax(change, initial=0.0))
    explained = explained_share(part, match)
    if edge < _EDGE * typical_change(part.ours.value[part.first : part.last]) or explained > LEAST_EXPLAINED:
        return match
    note = (
        f"the clock was set before or after this stretch, and {pair.theirs.channel} explains only "
        f"{100 * max(explained, 0.0):.0f} % of its changes at the best offset"
    )
    return replace(match, status="ambiguous", offset_u=None, drift_u=None, parted=True, note=note,
                   candidates=((match.offset, 1.0),))  # fmt: skip


def trimmed(pair: Pair, matches: list[Match]) -> list[Match]:
    """Leave out the readings between two stretches that either of them may hold, where the load is too even to tell."""
    out = list(matches)
    stamp = pair.ours.end[pair.first : pair.last] - pair.ours.stamp_lag
    for k, (one, two) in enumerate(zip(matches, matches[1:], strict=False)):
        if one.status != "aligned" or two.status != "aligned":
            continue
        a, b = np.searchsorted(stamp, [one.first - 1e-6, two.last + 1e-6])
        places = _likely_places(pair.part(pair.first + int(a), pair.first + int(b)), [one, two])
        if len(places) < 2:
            continue
        first, last = a + min(places), a + max(places)
        note = f"{last - first} readings between the two stretches may belong to either and are left out; "
        out[k] = replace(out[k], last=float(stamp[first - 1]), note=note + out[k].note)
        out[k + 1] = replace(out[k + 1], first=float(stamp[last]), note=note + out[k + 1].note)
    return out


def _likely_places(pair: Pair, halves: list[Match]) -> list[int]:
    """Return the places of the step between two stretches that are nearly as likely as the likeliest."""
    x = pair.ours
    end, value = x.end[pair.first : pair.last], x.value[pair.first : pair.last]
    rows, scale = np.arange(len(end)), typical_change(value)
    running = []
    for match in halves:
        own = end + match.drift * 1e-6 * (end - match.pivot)
        cost = mismatch(pair.yours, own, value, own_length(x), match.offset, rows, scale, pair.gain)
        running.append(np.concatenate([[0.0], np.cumsum(cost)]))
    distance, size = np.diff(end), set_by(halves)
    odd = odd_distances(distance, float(np.median(distance))) + 1
    if not len(odd):
        return []
    left, right = running
    total = [float(left[k] + right[-1] - right[k]) + stamp_cost(end, int(k), size) for k in odd]
    return [int(k) for k, cost in zip(odd, total, strict=True) if cost < min(total) + _ALIKE]


def explained_share(pair: Pair, match: Match) -> float:
    """Share of the changes (absolute) from reading to reading that a match explains."""
    x = pair.ours
    end, value = x.end[pair.first : pair.last], x.value[pair.first : pair.last]
    own = end + match.drift * 1e-6 * (end - match.pivot)
    mean, share = pair.yours.means(own + match.offset - max(own_length(x), pair.yours.period), own + match.offset)
    good = (share > 0.9) & np.isfinite(value)
    if good.sum() < FEWEST:
        return 0.0
    a, b = np.diff(mean[good]), np.diff(value[good])
    gain = float(a @ b) / max(float(a @ a), 1e-30)
    return 1.0 - float(np.sum((b - gain * a) ** 2)) / max(float(b @ b), 1e-30)


def told_steps(matches: list[Match], k: int) -> str:
    """Where the clock was set around stretch `k`."""
    said = ""
    if k:
        said += f"clock was set by {set_by(matches[k - 1 : k + 1]):+.2f} s before this stretch; "
    if k + 1 < len(matches):
        said += f"clock was set by {set_by(matches[k : k + 2]):+.2f} s after it; "
    return said


def set_by(halves: list[Match]) -> float:
    """How far the clock was set between two stretches [s]."""
    where = halves[1].first
    before, after = (m.offset + m.drift * 1e-6 * (where - m.pivot) for m in halves)
    return before - after


def cost_of(pair: Pair, matches: list[Match], edges: list[int]) -> float:
    """What the matches leave unexplained in the readings of the part, as negative log likelihood."""
    x = pair.ours
    value = x.value[pair.first : pair.last]
    total, scale = 0.0, typical_change(value)
    for match, a, b in zip(matches, edges[:-1], edges[1:], strict=True):
        end = x.end[pair.first + a : pair.first + b]
        own = end + match.drift * 1e-6 * (end - match.pivot)
        rows = np.arange(len(end))
        total += float(mismatch(pair.yours, own, value[a:b], own_length(x), match.offset, rows, scale, pair.gain).sum())
    return total


def length_of(x: Intervals) -> float:
    period = x.period if np.isfinite(x.period) else 1.0
    return max(period, x.averaging or 0.0)


def own_length(x: Intervals) -> float:
    return x.averaging if x.averaging is not None else x.period
