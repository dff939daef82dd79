"""Watches the readings of a run: nested bounds, and channels that fall silent. It is no safety function.

A reading beyond its bound must come twice in succession, so that one bad reading ends nothing; a channel that stays away
is a fault of its own. Both are found within three periods of the channel, or two seconds, whichever is longer.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from phasewright.bench import Bench, Limit, limits_of

PERIODS, LEAST = 3.0, 2.0
"""A channel is stale after so many periods, or so many seconds, whichever is longer; common practice, no source."""
IN_SUCCESSION = 2
PARTS = ("absolute_maximum", "rating")
"""Kinds of limits that belong to the parts themselves: nothing widens them."""


@dataclass(frozen=True, slots=True)
class Bound:
    """The highest that a channel may read in a run."""

    channel: str
    threshold: float
    unit: str
    action: str
    """stop: take the load off, at once | hold: end the step, and ask before the next"""
    why: str


@dataclass(frozen=True, slots=True)
class Stopped:
    """Why a run was ended before its time."""

    channel: str
    action: str
    """stop | hold"""
    reason: str
    value: float | None = None
    age: float | None = None
    """Time since the last reading of a channel that fell silent [s]."""


def stale_after(period: float | None) -> float:
    """Return the time without a reading after which a channel of `period` [s] is stale [s]."""
    return max(PERIODS * (period or 1.0), LEAST)


def nested_bounds(asked: Iterable[Bound], bench: Bench, settings: Mapping[str, float | str]) -> tuple[Bound, ...]:
    """Return the bounds of a step: what was asked for, cut to the bench's limits and to what the parts bear.

    A request may lower a bound and never raise one. Every channel that a part's limit names is bounded, asked for or not.
    """
    found: dict[tuple[str, str], Bound] = {}
    for item in (*asked, *_of_parts(bench, settings)):
        key = (item.channel, item.action)
        if math.isfinite(item.threshold) and (key not in found or item.threshold < found[key].threshold):
            found[key] = item
    return tuple(found[key] for key in sorted(found))


def _of_parts(bench: Bench, settings: Mapping[str, float | str]) -> Iterable[Bound]:
    """Yield what the parts bear, by channel. What protections do they do by themselves, and a step may be there to show it."""
    phases = int(settings.get("phase_count", bench.regulator.phase_count))
    for item in limits_of(bench, settings):
        if item.kind not in PARTS:
            continue
        yield _of_limit(item, item.applies_to, 1.0)
        # All phases together; a single phase carries more by its share, which the plan's own bounds count in.
        if item.applies_to == "stage_current":
            yield _of_limit(item, "rail_current", phases * bench.regulator.stages_per_phase)
        elif item.applies_to == "phase_current":
            yield _of_limit(item, "rail_current", phases)


def _of_limit(limit: Limit, channel: str, times: float) -> Bound:
    said = f"{limit.name}, {limit.value:g} {limit.unit}" + (f" in each of {times:g}" if times != 1.0 else "")
    return Bound(channel, limit.value * times, limit.unit, "stop", f"{said} ({limit.source})")


class Guard:
    """Sees every reading of a run and says when it has to end. Times are monotonic [ns]."""

    def __init__(self) -> None:
        self._bounds: dict[str, list[Bound]] = {}
        self._stale: dict[str, float] = {}
        self._seen: dict[str, int] = {}
        self._since = 0
        self._beyond: dict[tuple[str, str], tuple[int, float]] = {}
        self.armed = False
        """Whether anything is watched: while a load runs."""

    def arm(self, bounds: Iterable[Bound], must_see: Mapping[str, float | None], now_ns: int) -> None:
        """Watch from now on: `bounds`, and that every channel of `must_see` (with its period [s]) keeps coming."""
        self._bounds = {}
        for item in bounds:
            self._bounds.setdefault(item.channel, []).append(item)
        self._stale = {channel: stale_after(period) for channel, period in must_see.items()}
        self._since, self._beyond, self.armed = now_ns, {}, True

    def disarm(self) -> None:
        """Watch no longer."""
        self.armed = False

    def see(self, channel: str, value: float | None, stamp_ns: int) -> None:
        """Take a reading; a missing one is no sign of life."""
        if value is None or not math.isfinite(value):
            return
        self._seen[channel] = max(stamp_ns, self._seen.get(channel, stamp_ns))
        for bound in self._bounds.get(channel.partition(".")[0], ()):
            key = (channel, bound.action)
            if value > bound.threshold:
                self._beyond[key] = (self._beyond.get(key, (0, 0.0))[0] + 1, value)
            else:
                self._beyond.pop(key, None)

    def check(self, now_ns: int) -> Stopped | None:
        """Return why the run has to end now; None = go on. A stop goes before a hold."""
        if not self.armed:
            return None
        found = [*self._too_high(), *self._silent(now_ns)]
        return min(found, key=lambda item: item.action != "stop") if found else None

    def _too_high(self) -> Iterable[Stopped]:
        for (channel, action), (count, value) in self._beyond.items():
            if count < IN_SUCCESSION:
                continue
            bound = next(item for item in self._bounds[channel.partition(".")[0]] if item.action == action)
            yield Stopped(channel, action, f"{channel} reads {value:.5g} {bound.unit}, beyond {bound.threshold:.5g} "
                                           f"{bound.unit}: {bound.why}", value)

    def _silent(self, now_ns: int) -> Iterable[Stopped]:
        for channel, longest in self._stale.items():
            age = (now_ns - max(self._seen.get(channel, self._since), self._since)) * 1e-9
            if age > longest:
                yield Stopped(channel, "stop", f"no reading of {channel} for {age:.1f} s: nobody sees what happens", None, age)
