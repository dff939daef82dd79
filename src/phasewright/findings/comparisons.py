"""Every step against its baseline, on the same instruments: differences, ratios, energy and money in a year."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from phasewright import physics
from phasewright.bench import Campaign, Cost, Step
from phasewright.findings.records import Comparison, StepFinding
from phasewright.quantity import Value, difference, propagate, ratio

__all__ = ["compare_steps", "load_of", "same_load"]

SAME_LOAD = 0.05
"""Relative difference of measured package power up to which two steps without a stated load count as one load."""
LOAD_KEYS = ("load", "package_power", "rail_current")
"""Settings that say what the load was."""


def load_of(step: Step) -> tuple[object, ...]:
    """Return what the step's settings say about its load, () when they say nothing."""
    stated = tuple(step.settings.get(key) for key in LOAD_KEYS)
    return stated if any(item is not None for item in stated) else ()


def same_load(one: StepFinding, other: StepFinding) -> bool:
    """Return True when two steps had the same load: as stated, else by measured package power within 5 %."""
    first, second = load_of(one.step), load_of(other.step)
    if first or second:
        return first == second
    for name in ("package_power", "rail_power", "rail_current", "input_power"):
        a, b = one.quantities.get(name), other.quantities.get(name)
        if a is not None and b is not None:
            return abs(a.value - b.value) <= SAME_LOAD * max(abs(a.value), abs(b.value))
    return False


def compare_steps(campaign: Campaign, findings: Sequence[StepFinding]) -> tuple[Comparison, ...]:
    """Return one comparison for every step that has a baseline, in the order of the steps."""
    found = []
    for finding in findings:
        chosen = _baseline(finding, findings)
        if chosen is not None:
            found.append(_compare(finding, *chosen, campaign.cost))
    return tuple(found)


def _baseline(finding: StepFinding, findings: Sequence[StepFinding]) -> tuple[StepFinding, str] | None:
    """Return the baseline of one step and why it is that one; None for a baseline itself, or when there is none."""
    if finding.step.baseline:
        return None
    marked = [other for other in findings if other.step.baseline and _usable(other)]
    alike = [other for other in marked if same_load(finding, other)]
    if alike:
        return alike[0], "the campaign's baseline, at the same load"
    peers = [other for other in findings if _usable(other) and same_load(finding, other)]
    if len(peers) > 1 or (peers and peers[0] is not finding):
        first = min(peers, key=lambda other: (-_phases(other), -_alike_settings(other, finding)))
        if first is not finding:
            return first, f"most phases ({_phases(first):.0f}) at the same load"
    if marked:
        return marked[0], "the campaign's baseline, at another load: mind that the loads differ"
    return None


def _usable(finding: StepFinding) -> bool:
    return finding.window.found and finding.verdict != "tripped" and bool(finding.quantities)


def _phases(finding: StepFinding) -> float:
    count = finding.quantities.get("phase_count")
    return count.value if count is not None else 0.0


def _alike_settings(one: StepFinding, other: StepFinding) -> int:
    """Return how many settings two steps share, so that cooling and protection differ as little as can be."""
    a, b = one.step.settings, other.step.settings
    return sum(a.get(key) == b.get(key) for key in {*a, *b})


def _compare(finding: StepFinding, baseline: StepFinding, reason: str, cost: Cost) -> Comparison:
    differences: dict[str, Value] = {}
    ratios: dict[str, Value] = {}
    for name, value in finding.quantities.items():
        other = baseline.quantities.get(name)
        if other is None or other.unit != value.unit or name == "coolant_saturated":
            continue
        differences[name] = _plain(difference(value, other), value, other)
        if value.unit != "degC" and other.value > 0.0 and name != "phase_count":
            ratios[name] = _plain(ratio(value, other), value, other)
    energy = money = None
    extra = differences.get("input_power")
    if extra is not None:
        energy = propagate(
            lambda power: float(physics.energy_per_year(power, cost.hours_per_day, cost.days_per_year)),
            {"power": extra},
            "J",
        )
        energy = _plain(energy, extra)
        if cost.price is not None:
            price = cost.price
            money = propagate(
                lambda energy: float(physics.cost_of(energy, price)), {"energy": energy}, cost.currency or "1"
            )
            money = _plain(money, energy)
    return Comparison(finding.step.name, baseline.step.name, differences, ratios, energy, money, reason)


def _plain(result: Value, *inputs: Value) -> Value:
    """Give an unknown uncertainty the reason of the input that lacks one."""
    if result.u is not None:
        return result
    reasons = dict.fromkeys(item.reason for item in inputs if item.u is None and item.reason)
    return replace(result, reason="; ".join(reasons) or result.reason)
