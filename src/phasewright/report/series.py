"""Which steps belong together in a chart, and the ink, mark and dash of each group."""

from __future__ import annotations

from dataclasses import dataclass

from phasewright.findings import Analysis, StepFinding
from phasewright.report.palette import DASHES, MARKS, SERIES
from phasewright.report.wording import setting_text

_NOT_A_LOAD = ("phase_count", "protection_", "duration", "dwell")


@dataclass(frozen=True, slots=True)
class Series:
    """Steps that differ in phase count (and protection) only."""

    label: str
    ink: str
    mark: str
    dash: tuple[float, tuple[float, ...]]
    findings: tuple[StepFinding, ...]


def phase_count(finding: StepFinding) -> float | None:
    """Return the phase count of a step as set, else as logged; None where neither is known."""
    chosen = finding.step.settings.get("phase_count")
    if isinstance(chosen, (int, float)):
        return float(chosen)
    logged = finding.quantities.get("phase_count")
    return float(round(logged.value)) if logged is not None else None


def load_label(finding: StepFinding, varied: frozenset[str] = frozenset()) -> str:
    """Return the load of a step in words, with every other setting that the campaign varied."""
    settings = finding.step.settings
    main = next((name for name in ("load", "package_power", "rail_current") if name in settings), None)
    words = [setting_text(main, settings[main])] if main else []
    shorter = {"package_power": "package power ", "rail_current": "rail current ", "load": "load "}
    if main and isinstance(settings[main], (int, float)):
        words = [words[0].removeprefix(shorter[main])]
    words += [setting_text(name, settings[name]) for name in sorted(varied) if name in settings and name != main]
    return ", ".join(words) or "no load stated"


def _varied(analysis: Analysis) -> frozenset[str]:
    """Return the settings, loads and phase counts apart, that take more than one value in the campaign."""
    values: dict[str, set] = {}
    for finding in analysis.steps:
        for name, value in finding.step.settings.items():
            values.setdefault(name, set()).add(value)
    loads = ("load", "package_power", "rail_current")
    return frozenset(name for name, seen in values.items()
                     if len(seen) > 1 and name not in loads and not name.startswith(_NOT_A_LOAD))


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
    varied = _varied(analysis)
    groups: dict[str, list[StepFinding]] = {}
    for finding in analysis.steps:
        groups.setdefault(load_label(finding, varied), []).append(finding)
    ordered = sorted(groups.items(), key=lambda item: max(_weight(f) for f in item[1]))
    return tuple(
        Series(label, SERIES[i % len(SERIES)], MARKS[i % len(MARKS)], DASHES[i % len(DASHES)],
               tuple(sorted(found, key=lambda f: (phase_count(f) or 0.0))))
        for i, (label, found) in enumerate(ordered)
    )
