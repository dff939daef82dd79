"""How few phases are enough over all limits, and which change would buy most margin where one gives first."""

from __future__ import annotations

from collections.abc import Sequence

from phasewright.bench import Bench
from phasewright.findings.margins import state_of
from phasewright.findings.records import StepFinding
from phasewright.findings.wording import Numbers
from phasewright.limits import Fewest, Margin, fewest_phases, margin_text, mends_of, shown_unit
from phasewright.quantity import Value, to_text

__all__ = ["fewest_over_all", "fewest_tried", "mend_words"]

HELD = ("sustained", "marginal")
"""Verdicts of steps whose limits are counted; what tripped or was held back did not hold, whatever its margins say."""


def fewest_tried(group: Sequence[StepFinding]) -> Fewest:
    """Return the fewest phases of the steps of one load for which every limit holds, and what gives way with fewer."""
    margins: dict[int, tuple[Margin, ...]] = {}
    for item in group:
        count = item.quantities.get("phase_count")
        if count is None or item.verdict not in HELD or not item.margins:
            continue
        at = round(count.value)
        if at not in margins or item.margins[0].margin.value < margins[at][0].margin.value:
            margins[at] = item.margins  # of steps with one phase count the one nearer to a limit speaks
    return fewest_phases(margins)


def fewest_over_all(group: Sequence[StepFinding], held: object) -> tuple[str, Numbers]:
    """Return what is added to the sentence about one load: the fewest phases over all limits; `held` is by verdicts."""
    found = fewest_tried(group)
    if not found.holding:
        return "", {}
    numbers: Numbers = {}
    if found.phase_count is not None:
        numbers["fewest phases over all limits"] = float(found.phase_count)
    if found.decides is not None:
        numbers["limit that decides over all"] = found.decides.limit.name
        numbers["its margin"] = found.decides.margin
    if found.phase_count is None:
        said = f" (with {found.decides_at}, {margin_text(found.decides)})" if found.decides is not None else ""
        return f"; over all limits, those that only advise included, none of the counts tried is enough{said}", numbers
    if held is not None and found.phase_count == round(float(held)):  # type: ignore[arg-type]
        return "; over all limits it is the same count", numbers
    said = f": with {found.decides_at}, {margin_text(found.decides)}" if found.decides is not None else ""
    return f"; over all limits, those that only advise included, {found.phase_count} are the fewest{said}", numbers


def mend_words(bench: Bench, finding: StepFinding, margin: Margin) -> tuple[str, Numbers]:
    """Return which change would buy most margin at the limit that gives first in a step; ('', {}) where none would."""
    mends = mends_of(bench, state_of(finding), target=margin, most=1)
    if not mends:
        return "", {}
    best = mends[0]
    unit = shown_unit(best.bought.unit, best.bought.value)
    text = (
        f"of the changes that part data can judge, {best.name} would buy most margin there: "
        f"{_said(best.bought, unit)} more"
    )
    if best.note:
        text += f" ({best.note})"
    return text, {"mend that buys most": best.name, "margin bought": best.bought}


def _said(value: Value, unit: str) -> str:
    return to_text(value, None if value.unit in ("K", "degC") else unit)
