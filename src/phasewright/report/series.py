"""Which steps belong together in a chart, and the ink, mark and dash of each group."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from phasewright.findings import Analysis, StepFinding
from phasewright.report.palette import DASHES, MARKS, SERIES
from phasewright.report.wording import setting_text

_LOADS = ("load", "package_power", "rail_current")
_APART = ("phase_count", "protection_", "power_limit")
"""Settings that do not make a load: what is varied along a chart, and what merely guards."""


@dataclass(frozen=True, slots=True)
class Series:
    """Steps that differ in phase count (and protection) only."""

    label: str
    """As short as tells the groups apart."""
    ink: str
    mark: str
    dash: tuple[float, tuple[float, ...]]
    findings: tuple[StepFinding, ...]


def phase_count(finding: StepFinding) -> float | None:
    """Return the phase count of a step as found, else as set; None where neither is known."""
    logged = finding.quantities.get("phase_count")
    if logged is not None:
        return float(round(logged.value))
    chosen = finding.step.settings.get("phase_count")
    return float(chosen) if isinstance(chosen, (int, float)) else None


def _load_words(settings: Mapping[str, float | str], names: tuple[str, ...]) -> list[str]:
    """Return the loads of a step in words, the quantity's name left out where its unit says it."""
    words = []
    for name in names:
        if name in settings:
            text = setting_text(name, settings[name])
            for lead in ("package power ", "load "):
                text = text.removeprefix(lead)
            words.append(text)
    return words


def load_label(finding: StepFinding) -> str:
    """Return the load of a step in full, as stated."""
    return ", ".join(_load_words(finding.step.settings, _LOADS)) or "not stated"


def _key(finding: StepFinding, names: tuple[str, ...]) -> tuple:
    return tuple(finding.step.settings.get(name) for name in names)


def _varied(analysis: Analysis) -> tuple[str, ...]:
    """Return the settings, loads and phase counts apart, that are not the same in every step."""
    names = sorted(
        {name for f in analysis.steps for name in f.step.settings if name not in _LOADS and not name.startswith(_APART)}
    )
    return tuple(name for name in names if len({f.step.settings.get(name) for f in analysis.steps}) > 1)


def _telling(analysis: Analysis) -> tuple[str, ...]:
    """Return the fewest of the load settings that tell every load apart, the shortest to print first."""
    present = tuple(n for n in _LOADS if any(n in f.step.settings for f in analysis.steps))
    whole = len({_key(f, present) for f in analysis.steps})
    for names in (
        ("package_power",),
        ("rail_current",),
        ("load",),
        *((("load", n)) for n in ("package_power", "rail_current")),
    ):
        if set(names) <= set(present) and len({_key(f, names) for f in analysis.steps}) == whole:
            return names
    return present


def _weight(finding: StepFinding) -> float:
    for name in ("package_power", "rail_current"):
        chosen = finding.step.settings.get(name)
        if isinstance(chosen, (int, float)):
            return float(chosen)
    for name in ("package_power", "rail_current", "input_power"):
        if name in finding.quantities:
            return finding.quantities[name].value
    return 0.0


def group(analysis: Analysis) -> tuple[Series, ...]:
    """Return the steps grouped by load and by whatever else was varied, from light load to heavy."""
    varied, telling = _varied(analysis), _telling(analysis)
    groups: dict[str, list[StepFinding]] = {}
    for finding in analysis.steps:
        settings = finding.step.settings
        words = _load_words(settings, telling) + [setting_text(n, settings[n]) for n in varied if n in settings]
        groups.setdefault(", ".join(words) or "load not stated", []).append(finding)
    ordered = sorted(groups.items(), key=lambda item: (max(_weight(f) for f in item[1]), -len(item[1])))
    return tuple(
        Series(
            label,
            SERIES[i % len(SERIES)],
            MARKS[i % len(MARKS)],
            DASHES[i % len(DASHES)],
            tuple(sorted(found, key=lambda f: phase_count(f) or 0.0)),
        )
        for i, (label, found) in enumerate(ordered)
    )


def load_labels(analysis: Analysis) -> dict[str, str]:
    """Return the short name of each step's load by the step's name."""
    return {finding.step.name: one.label for one in group(analysis) for finding in one.findings}


def nearest(finding: StepFinding):
    """Return the margin of a step that gives first, None where it has none."""
    return finding.margins[0] if finding.margins else None
