"""How findings are put into sentences."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from phasewright.findings.comparisons import same_load
from phasewright.findings.records import StepFinding
from phasewright.limits import above_limit
from phasewright.quantity import Value, to_text

Numbers = dict[str, Value | float | str]
"""The numbers behind an answer, by a name in words."""

FATES = {
    "sustained": "held",
    "marginal": "ran too close to a limit to be sure",
    "beyond": "ran beyond a limit",
    "errors": "ran with errors",
    "clamped": "{was} held back",
    "tripped": "tripped",
    "unsettled": "had not settled",
    "unknown": "cannot be judged",
}
"""Each verdict as it is said in a sentence."""

__all__ = [
    "FATES",
    "Numbers",
    "fate_of",
    "fate_text",
    "group_by_load",
    "joined_counts",
    "load_text",
    "money_text",
    "named",
    "phases_text",
    "said",
    "series_text",
]


def said(value: Value, unit: str | None = None) -> str:
    """Return the value with its interval; an interval that is not known is a question mark."""
    return to_text(value, unit)


def money_text(value: Value) -> str:
    """Return an amount of money with its interval; the unit is the currency."""
    number = said(replace(value, unit="1"))
    return number if value.unit == "1" else f"{number} {value.unit}"


def series_text(words: Iterable[str]) -> str:
    """Return ``a``, ``a and b`` or ``a, b and c``."""
    words = list(words)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def phases_text(finding: StepFinding) -> str:
    """Return e.g. ``8 phases``; the step's name when the count is not known."""
    count = finding.quantities.get("phase_count")
    if count is None:
        return finding.step.name
    return f"{count.value:.0f} phase{'' if round(count.value) == 1 else 's'}"


def _beyond(finding: StepFinding) -> bool:
    """Return True when a limit from which verdicts follow was exceeded."""
    return any(above_limit(margin) for margin in finding.margins if margin.role == "decides")


def fate_of(finding: StepFinding) -> str:
    """Return the key of `FATES` for what became of one step."""
    if finding.verdict == "marginal" and _beyond(finding):
        return "beyond"
    if (
        finding.verdict == "marginal"
        and "error_count" in finding.quantities
        and finding.quantities["error_count"].value
    ):
        return "errors"
    return finding.verdict


def fate_text(fate: str, subject: str) -> str:
    """Return e.g. ``6 phases were held back``."""
    was = "were" if subject.endswith("phases") or " and " in subject else "was"
    return f"{subject} {FATES[fate].format(was=was)}"


def joined_counts(names: list[str]) -> str:
    """Return ``10, 8 and 6 phases`` for ``10 phases``, ``8 phases``, ``6 phases``; other names follow as they are."""
    counts = [name.removesuffix(" phases") for name in names if name.removesuffix(" phases").isdigit()]
    others = [name for name in names if not name.removesuffix(" phases").isdigit()]
    if len(counts) < 2:
        return series_text(names)
    return series_text([f"{series_text(counts)} phases", *others])


def named(name: str) -> str:
    """Return a step's name as it stands in a sentence: in quotes when it has a comma of its own."""
    return f"\u201c{name}\u201d" if "," in name else name


def group_by_load(findings: Iterable[StepFinding]) -> list[list[StepFinding]]:
    """Return the steps in groups of one load each, in the order in which the loads first come."""
    groups: list[list[StepFinding]] = []
    for finding in findings:
        home = next((group for group in groups if same_load(group[0], finding)), None)
        if home is None:
            groups.append([finding])
        else:
            home.append(finding)
    return groups


def load_text(group: list[StepFinding]) -> str:
    """Return the load of a group in words: as stated, else as measured."""
    settings = group[0].step.settings
    name = str(settings.get("load") or "")
    watts = []
    for key, text in (("package_power", "{:.0f} W at the package"), ("rail_current", "{:.0f} A on the rail")):
        stated = settings.get(key)
        if stated is not None:
            watts.append(text.format(float(stated)))
    if name or watts:
        numbers = ", ".join(watts)
        return f"{name} ({numbers})" if name and numbers else name or numbers
    for name, where in (
        ("package_power", "at the package"),
        ("rail_current", "on the rail"),
        ("input_power", "at the input"),
    ):
        found = [item.quantities[name] for item in group if name in item.quantities]
        if found:
            return f"about {found[0].value:.0f} {found[0].unit} {where}"
    return "the load tried"
