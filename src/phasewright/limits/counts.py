"""How few phases are enough when every limit has its say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from phasewright.limits.distance import gives_first
from phasewright.limits.records import Margin

__all__ = ["Fewest", "fewest_phases", "gives_way", "holds"]


@dataclass(frozen=True, slots=True)
class Fewest:
    """The fewest phases for which every limit holds, and what stands in the way of fewer."""

    phase_count: int | None
    """None: no phase count that was asked for holds."""
    decides: Margin | None
    """What gives way with fewer (of none holds: with the most); None where fewer were not asked for."""
    decides_at: int | None
    """Phase count at which it gives way."""
    holding: Mapping[int, bool]
    """By phase count: whether every limit holds at 95 %."""


def gives_way(margins: Iterable[Margin]) -> Margin | None:
    """Return the first margin that is not surely positive at 95 %; None where all are."""
    weak = [item for item in margins if not _sure(item)]
    return min(weak, key=gives_first, default=None)


def _sure(margin: Margin) -> bool:
    low = margin.margin.low95
    # Without an uncertainty the sign is all there is; a verdict says so, a count of phases need not fail by it.
    return margin.margin.value > 0.0 if low is None else low > 0.0


def holds(margins: Iterable[Margin]) -> bool:
    """Return True when every margin is surely positive at 95 %."""
    return gives_way(margins) is None


def fewest_phases(margins: Mapping[int, Sequence[Margin]]) -> Fewest:
    """Return the fewest phases of those in `margins` (phase count -> all margins there) for which every limit holds."""
    holding = {count: holds(margins[count]) for count in sorted(margins)}
    enough = min((count for count, good in holding.items() if good), default=None)
    if enough is None:
        at = max(holding, default=None)
        return Fewest(None, gives_way(margins[at]) if at is not None else None, at, holding)
    at = max((count for count in holding if count < enough), default=None)
    return Fewest(enough, gives_way(margins[at]) if at is not None else None, at, holding)
