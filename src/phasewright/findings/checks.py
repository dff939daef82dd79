"""What the readings say about each other: checks of the telemetry from the data alone."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations

import numpy as np

from phasewright.bench import Bench
from phasewright.findings.figures import Source
from phasewright.findings.records import Check, StepFinding
from phasewright.findings.thermal_check import check_thermal
from phasewright.limits import holds_zero
from phasewright.quantity import Value, convert, coverage_factor, propagate, to_text, value_from_parts

__all__ = ["check_readings"]

SCALES = (2.0, 4.0, 8.0, 10.0)
"""Ratios that a wrong scale register makes (binary and decimal exponents)."""
RATIO_DRIFT = 0.001
"""[1/K] Drift of a ratio with temperature that is worth a doubt; copper sense without correction makes 0.0039."""


def check_readings(bench: Bench, sources: Mapping[str, Source], findings: Sequence[StepFinding]) -> tuple[Check, ...]:
    """Return every check that the logged channels allow, and for the others what they would need."""
    steady = [item for item in findings if item.window.found and item.verdict != "tripped"]
    return (
        _check_efficiency(steady),
        _check_slope(steady),
        _check_ratio(steady),
        check_thermal(steady),
        _check_phases(steady),
        _check_product(steady),
        _check_moving(sources, steady),
    )


def _check_efficiency(findings: Sequence[StepFinding]) -> Check:
    """More power out than in is impossible: then a gain is wrong."""
    seen, above = 0, []
    for finding in findings:
        for name in ("delivery_efficiency", "conversion_efficiency"):
            value = finding.quantities.get(name)
            if value is None:
                continue
            seen += 1
            if value.value > 1.0:
                above.append((finding.step.name, name, value))
    if not seen:
        return Check("efficiency", "not checked", "efficiency could not be worked out in any step")
    if not above:
        return Check(
            "efficiency", "passed", f"no efficiency is above 100 % ({seen} looked at); this catches gross faults only"
        )
    step, name, worst = max(above, key=lambda item: item[2].value)
    sure = worst.low95 is not None and worst.low95 > 1.0
    sentence = (
        f"{name.replace('_', ' ')} of {step} is {to_text(worst, '%')}: more power out than in is impossible, so "
        + (
            "a power reading is wrong beyond its stated accuracy"
            if sure
            else "a power reading is wrong, though within its stated accuracy"
        )
    )
    return Check("efficiency", "doubt", sentence, {"efficiency": worst, "steps": float(len(above))})


def _without_shared(value: Value, endings: tuple[str, ...] = ("/gain", "/offset", "/power offset")) -> Value:
    """Return the value with the parts that all steps share left out: they are what the check is after."""
    if value.u is None and not value.parts:
        return value
    own = tuple(part for part in value.parts if not part.source.endswith(endings))
    return value_from_parts(value.value, value.unit, own, kind=value.kind)


def _check_slope(findings: Sequence[StepFinding]) -> Check:
    """Input power must rise by at least as much as the power delivered; if it rises by less, the latter reads high."""
    lowest: tuple[Value, str, str, str] | None = None
    for one, other in combinations(findings, 2):
        if not _same_setting(one, other):
            continue
        for name in ("package_power", "rail_power"):
            found = _slope(one, other, name)
            if found is not None and (lowest is None or found.value < lowest[0].value):
                lowest = (found, name, one.step.name, other.step.name)
    if lowest is None:
        return Check(
            "slope",
            "not checked",
            "the slope of input against delivered power needs two loads at the same phase count: "
            "add a step at another load",
        )
    slope, name, first, second = lowest
    numbers: dict[str, Value | float | str] = {"slope": slope, "between": f"{first} and {second}"}
    delivered = name.replace("_", " ")
    words = f"between {first} and {second} input power rises by {to_text(slope)} W for each watt of {delivered}"
    if slope.high95 is not None and slope.high95 < 1.0:
        return Check("slope", "doubt", f"{words}: less than one, so {delivered} reads too high", numbers)
    if slope.value < 1.0:
        return Check(
            "slope",
            "doubt",
            f"{words}: less than one, which no regulator can do, though scatter may explain it",
            numbers,
        )
    return Check("slope", "passed", f"{words}; a slope above one proves nothing about the gain", numbers)


def _same_setting(one: StepFinding, other: StepFinding) -> bool:
    """Return True when two steps differ in their load only."""
    loads = {"load", "package_power", "rail_current"}
    a = {key: item for key, item in one.step.settings.items() if key not in loads}
    b = {key: item for key, item in other.step.settings.items() if key not in loads}
    first, second = (item.quantities.get("phase_count") for item in (one, other))
    return a == b and first is not None and second is not None and first.value == second.value


def _slope(one: StepFinding, other: StepFinding, name: str) -> Value | None:
    needed = [item.quantities.get(key) for item in (one, other) for key in ("input_power", name)]
    if any(value is None for value in needed):
        return None
    known = [value for value in needed if value is not None]
    # The delivered power's gain is what the check is after; the input meter's own error still counts.
    given = [known[0], _without_shared(known[1]), known[2], _without_shared(known[3])]
    if abs(given[1].value - given[3].value) < 0.1 * max(abs(given[1].value), abs(given[3].value)):
        return None
    return propagate(
        lambda in_a, out_a, in_b, out_b: (in_a - in_b) / (out_a - out_b),
        dict(zip(("in_a", "out_a", "in_b", "out_b"), given, strict=True)),
        "1",
    )


def _check_ratio(findings: Sequence[StepFinding]) -> Check:
    """Rail power against package power: a constant ratio off one is gain, one that follows temperature the sensor."""
    pairs = [
        (item, item.quantities["rail_power"], item.quantities["package_power"])
        for item in findings
        if {"rail_power", "package_power"} <= set(item.quantities)
    ]
    if not pairs:
        return Check(
            "ratio",
            "not checked",
            "rail power and package power are not both known: log rail_current and rail_voltage beside package_power",
        )
    ratios = [
        propagate(lambda rail, package: rail / package, {"rail": rail, "package": package}, "1")
        for _, rail, package in pairs
    ]
    middle = float(np.median([item.value for item in ratios]))
    typical = min(ratios, key=lambda item: abs(item.value - middle))
    numbers: dict[str, Value | float | str] = {"ratio": typical, "steps": float(len(ratios))}
    words = f"rail power is {to_text(typical, '%')} of package power (median of {len(ratios)} steps)"
    for scale in SCALES:
        for factor in (scale, 1.0 / scale):
            if abs(middle / factor - 1.0) < 0.06 and abs(middle - 1.0) > 0.3:
                return Check("ratio", "doubt", f"{words}: close to {factor:g}, as a wrong scale setting makes", numbers)
    drift = _drift_with_temperature(pairs, ratios)
    if drift is not None and drift[0] > 0.0 and drift[2]:
        numbers["drift"] = drift[0]
        return Check(
            "ratio",
            "doubt",
            f"{words}, and it changes by {100.0 * drift[0]:.2f} % a kelvin of regulator temperature: a current sense "
            "without temperature correction does that",
            numbers,
        )
    if typical.low95 is not None and typical.low95 > 1.0:
        return Check(
            "ratio",
            "doubt",
            f"{words}: one rail cannot carry more than the whole package, so one of the two reads wrong",
            numbers,
        )
    if middle > 1.0:
        return Check(
            "ratio",
            "doubt",
            f"{words}: one rail cannot carry more than the whole package, though stated accuracy may explain it",
            numbers,
        )
    spread = max(item.value for item in ratios) - min(item.value for item in ratios)
    return Check(
        "ratio",
        "passed",
        f"{words}, the same within {100.0 * spread:.1f} points; a common gain error would not show here",
        numbers,
    )


def _drift_with_temperature(pairs: Sequence, ratios: Sequence[Value]) -> tuple[float, float, bool] | None:
    """Return (|relative drift| per kelvin, its standard error, worth a doubt) of a ratio over regulator temperature."""
    points = [
        (item.quantities["regulator_temperature"].value, value.value)
        for (item, _, _), value in zip(pairs, ratios, strict=True)
        if "regulator_temperature" in item.quantities
    ]
    if len(points) < 4:
        return None
    t, y = np.array(points).T
    if np.ptp(t) < 10.0:
        return None
    centred = t - t.mean()
    slope = float(centred @ y / (centred @ centred))
    rest = y - y.mean() - slope * centred
    error = math.sqrt(float(rest @ rest) / (len(points) - 2) / float(centred @ centred))
    drift, drift_u = abs(slope) / float(y.mean()), error / float(y.mean())
    return drift, drift_u, drift - coverage_factor(len(points) - 2) * drift_u > RATIO_DRIFT


def _check_phases(findings: Sequence[StepFinding]) -> Check:
    """Per-phase currents must add up to the rail current, and phases that are off must read nothing."""
    compared = []
    doubts = []
    for finding in findings:
        phases = {
            name: value
            for name, value in finding.quantities.items()
            if name.startswith("rail_current.phase") and not name.endswith("_peak")
        }
        count = finding.quantities.get("phase_count")
        if not phases:
            continue
        total = finding.quantities.get("rail_current")
        if total is not None and not finding.basis.get("rail_current", "").startswith("sum of"):
            terms = {f"term_{index}": value for index, value in enumerate(phases.values())}
            gap = propagate(lambda total, **given: sum(given.values()) - total, {"total": total, **terms}, "A")
            compared.append(gap)
            if (gap.u is not None and not holds_zero(gap)) or (
                gap.u is None and abs(gap.value) > 0.05 * abs(total.value)
            ):
                doubts.append(f"in {finding.step.name} the phases add up to {to_text(gap)} more than the rail current")
        if count is not None:
            level = max(value.value for value in phases.values())
            carrying = sum(value.value > 0.1 * level for value in phases.values())
            if carrying != round(count.value):
                doubts.append(f"in {finding.step.name} {carrying} phases carry current, {count.value:.0f} should")
            compared.append(Value(float(carrying), "1"))
    if not compared:
        return Check("phases", "not checked", "currents of single phases are not logged")
    if doubts:
        return Check("phases", "doubt", "; ".join(doubts), {"steps": float(len(doubts))})
    return Check("phases", "passed", "phase currents add up to the rail current, and phases that are off read nothing")


def _check_product(findings: Sequence[StepFinding]) -> Check:
    """Energy balance: power from voltage x current must be the power logged; what leaves must have come in."""
    doubts, looked = [], 0
    for finding in findings:
        quantities = finding.quantities
        for side in ("input", "rail"):
            names = [f"{side}_voltage", f"{side}_current", f"{side}_power"]
            if not set(names) <= set(quantities) or "voltage" in finding.basis[names[2]]:
                continue
            looked += 1
            gap = propagate(
                lambda voltage, current, power: voltage * current / power - 1.0,
                dict(zip(("voltage", "current", "power"), (quantities[name] for name in names), strict=True)),
                "1",
            )
            apart = abs(gap.value) > (0.05 if gap.u is None else 0.005)
            if apart and not holds_zero(gap):
                doubts.append(
                    f"in {finding.step.name} {side} voltage x current is {100.0 * gap.value:+.1f} % off {side} power"
                )
        loss = quantities.get("conversion_loss")
        if loss is not None:
            looked += 1
            if loss.value < 0.0:
                doubts.append(f"in {finding.step.name} the rail carries {to_text(_turned(loss))} more than goes in")
    if doubts:
        return Check("balance", "doubt", "; ".join(doubts), {"steps": float(len(doubts))})
    if not looked:
        return Check("balance", "not checked", "no second reading of the same power, so no energy balance to draw up")
    return Check("balance", "passed", f"the energy balance closes within stated accuracy ({looked} looked at)")


def _turned(value: Value) -> Value:
    return propagate(lambda x: -x, {"x": value}, value.unit)


def _check_moving(sources: Mapping[str, Source], findings: Sequence[StepFinding]) -> Check:
    """A sensor that never moves while the loss changes a lot is stuck, or is not where it is said to be."""
    losses = [item.quantities["loss"].value for item in findings if "loss" in item.quantities]
    if len(losses) < 2 or max(losses) < 1.2 * max(min(losses), 1e-9):
        return Check(
            "readings", "not checked", "the loss hardly changes between steps, so a stuck sensor would not show"
        )
    stuck = []
    for name in ("regulator_temperature", "rail_current", "input_current", "package_power"):
        values = [item.quantities[name].value for item in findings if name in item.quantities]
        if len(values) > 1 and max(values) == min(values):
            stuck.append(name.replace("_", " "))
    if stuck:
        return Check(
            "readings",
            "doubt",
            f"{' and '.join(stuck)} reads the same in every step although the loss changes by {_share(losses)}",
        )
    return Check("readings", "passed", f"every sensor moves with the load (the loss changes by {_share(losses)})")


def _share(values: Iterable[float]) -> str:
    values = list(values)
    return f"{convert(max(values) / max(min(values), 1e-9) - 1.0, '1', '%'):.0f} %"
