"""One quantity read by two instruments: do they agree within what both state?"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from phasewright.bench import base_channel
from phasewright.logs.records import Remark
from phasewright.logs.sanity.balance import inner
from phasewright.logs.sanity.case import Case
from phasewright.quantity import number_text


def question_twice(case: Case) -> None:
    """Remark on two readings of one quantity that differ by more than their stated accuracies allow."""
    levels, traces = case.levels, case.recording.traces
    bases: dict[str, list[str]] = {}
    for key in levels.channels:
        trace = traces[key]
        # The second log's channel of the same name is called <channel>.<log>.
        bases.setdefault(key.removesuffix(f".{trace.log}"), []).append(key)
    for name, keys in bases.items():
        for one, other in combinations(keys, 2):
            _compare(case, name, one, other)


def _compare(case: Case, name: str, one: str, other: str) -> None:
    levels, unit = case.levels, base_channel(one).unit
    a, b = levels.channels[one], levels.channels[other]
    good = np.isfinite(a) & np.isfinite(b)
    if unit not in ("W", "V", "A", "degC") or np.count_nonzero(good) < 60:
        return
    with np.errstate(invalid="ignore"):
        top = np.nanquantile(a, 0.9)
        high = good if unit == "degC" else inner(good & (a > 0.5 * top), 3)
    if np.count_nonzero(high) < 30:
        return
    gap, level = float(np.median((b - a)[high])), float(np.median(a[high]))
    if np.array_equal(a[good], b[good]) and np.ptp(a[good]) > 0.0:
        words = f"{one} and {other} are identical to the last digit: the same log twice, no independent evidence"
    else:
        # Limits of a uniform error are reached at sqrt 3 standard uncertainties; both may err at once.
        u = sum((gain * level) ** 2 + offset**2 for gain, offset in map(case.accuracy_u, (one, other))) ** 0.5
        if abs(gap) <= 2.5 * u or (name.startswith("package") and abs(gap) < 0.02 * level):
            return
        symbol = "K" if unit == "degC" else unit
        words = (
            f"{one} and {other} differ by {number_text(gap, u)} {symbol} at {level:.4g} {unit.replace('degC', '°C')}, "
            f"more than the stated accuracy of both ({2 * u:.2g} {symbol} at 95 %) allows"
        )
    for key in (one, other):
        case.say(key, Remark("note", words, None, case.column(key), mend="compare both with a third"))
