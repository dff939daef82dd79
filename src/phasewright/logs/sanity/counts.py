"""Phases that are said to run against phases that carry current."""

from __future__ import annotations

import numpy as np

from phasewright.logs.records import Remark
from phasewright.logs.sanity.balance import inner
from phasewright.logs.sanity.case import Case, spans_text
from phasewright.logs.sanity.levels import stretches

_CARRIES = 0.15
"""Share of the fullest phase's current from which on a phase counts as carrying."""
_LEAST = 10.0
"""Shorter contradictions are two logs reading a moment apart [s]."""


def question_counts(case: Case) -> None:
    """Refuse the phase count where single phases contradict it: neither is then used for currents of a phase."""
    levels = case.levels
    count = levels.first("phase_count")
    phases = [
        key for key in levels.channels
        if key.startswith("rail_current.phase") and np.isfinite(levels.channels[key]).any()
    ]  # fmt: skip
    if count is None or len(phases) < 2:
        return
    currents = np.vstack([levels.channels[key] for key in phases])
    known = np.isfinite(currents).all(axis=0) & np.isfinite(count[1])
    fullest = np.where(known, np.max(np.where(known, currents, 0.0), axis=0), 0.0)
    loaded = known & (fullest > 0.3 * np.quantile(fullest, 0.95)) & (np.abs(count[1] - np.round(count[1])) < 0.05)
    carrying = np.sum(np.where(known, currents, 0.0) > _CARRIES * fullest, axis=0)
    said = np.round(np.where(known, count[1], 0.0)).astype(int)
    wrong = inner(loaded & (carrying != said), 2)
    spans = stretches(levels.time, wrong, levels.step, _LEAST)
    if not spans:
        return
    at = int(np.searchsorted(levels.time, 0.5 * (spans[0][0] + spans[0][1])))
    at = min(at, len(said) - 1)
    reach = [(a - 3 * levels.step, b + 3 * levels.step) for a, b in spans]
    case.drop(count[0], reach)
    case.say(count[0], Remark(
        "refuse", f"says {said[at]} phases where {carrying[at]} of {len(phases)} phase currents are not zero, "
        f"{spans_text(spans)}: what hangs on the number of phases is not worked out there", None, case.column(count[0]),
        len(spans), "check which phases run, and the map of the phase currents"))  # fmt: skip
