"""Which further step would teach most: how much its readings would narrow what is not known of others.

The reading of a step moves with every score of the model by a share that is known, so one more reading narrows every
other figure by plain regression: var(t | c) = var(t) (1 - r^2), r the correlation of t with the reading of c.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.model.prediction import as_setting
from phasewright.model.records import Fitted, Setting
from phasewright.model.spreading import moved_scores, spread_of

__all__ = ["Lesson", "next_step"]

READING = 0.5
"""[K] Standard uncertainty of a settled temperature, shared errors left out; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """What measuring one setting would do for others."""

    setting: Setting
    narrowed: float
    """Sum over all targets of the drop in the standard uncertainty of the hottest stage [K]."""
    of: int
    """Index of the target that would gain most."""
    before: float
    """Standard uncertainty of its hottest stage now [K]."""
    after: float
    """And then [K]."""


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    """By how much the shared scores move one temperature [K], and what is its phase count's own [K]."""

    shared: np.ndarray
    own: float
    count: int


def next_step(
    fitted: Fitted,
    candidates: Sequence[Mapping[str, float | str] | Setting],
    targets: Sequence[Mapping[str, float | str] | Setting],
) -> tuple[Lesson, ...]:
    """Return what each candidate setting would teach about the targets, the most instructive first.

    Settings whose heat runs away teach nothing and are left out. A target that equals the candidate counts as measured.
    ValueError for an impossible setting.
    """
    rows = [(as_setting(item), _row(fitted, as_setting(item))) for item in targets]
    lessons = []
    for item in candidates:
        setting = as_setting(item)
        own = _row(fitted, setting)
        known = [(k, other, row) for k, (other, row) in enumerate(rows) if row is not None]
        if own is None or not known:
            continue
        drops = [(before - after, k, before, after)
                 for k, other, row in known for before, after in [_narrowed(own, row, other == setting)]]  # fmt: skip
        best = max(drops, key=lambda drop: (drop[0], -drop[1]))
        lessons.append(Lesson(setting, sum(drop[0] for drop in drops), best[1], best[2], best[3]))
    return tuple(sorted(lessons, key=lambda lesson: -lesson.narrowed))


def _row(fitted: Fitted, setting: Setting) -> _Row | None:
    spread = spread_of(fitted, setting)
    at = spread.names.index("regulator_temperature")
    if not math.isfinite(spread.point["regulator_temperature"]) or not np.all(np.isfinite(spread.slopes[at])):
        return None
    kept = len(fitted.score)
    _, _, own = moved_scores(fitted, setting)
    slope = spread.slopes[at].copy()
    alone = 0.0
    if own == kept:
        # A phase count never seen has a scatter of its own.
        alone, slope[kept] = float(slope[kept]), 0.0
    return _Row(slope[:kept] @ spread.root[:kept, :kept], alone, setting.phase_count)


def _narrowed(candidate: _Row, target: _Row, same: bool) -> tuple[float, float]:
    """Return the standard uncertainty of a target before and after the candidate is measured [K]."""
    whole = float(target.shared @ target.shared) + target.own**2
    read = float(candidate.shared @ candidate.shared) + candidate.own**2 + READING**2
    together = float(target.shared @ candidate.shared)
    if candidate.count == target.count:
        together += candidate.own * target.own
    before = math.sqrt(whole)
    after = math.sqrt(max(whole - together**2 / read, 0.0))
    return before, min(after, READING) if same else after
