"""Absolute maximum ratings bound every setting; no option, file or call widens them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from phasewright.bench.faults import escape
from phasewright.bench.records import Bench

TEXT_SETTINGS = ("load", "cooling")
Finding = tuple[str, str, str]


def setting_faults(bench: Bench, settings: Mapping[str, float | str]) -> Iterator[Finding]:
    """Yield (setting, what is wrong, mend) for every setting that the parts on the bench cannot bear or do not have.

    `settings` is as `Step.settings`, SI; the bench's own figures are checked under the same names.
    """
    numbers: dict[str, float] = {}
    for name, value in settings.items():
        if name in TEXT_SETTINGS:
            continue
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            yield name, f"{name} = {escape(str(value), 40)} is not a number", "write a finite number"
        else:
            numbers[name] = value
    yield from _plain_faults(bench, numbers)
    yield from _current_faults(bench, numbers)
    yield from _temperature_faults(bench, numbers)


def _plain_faults(bench: Bench, numbers: Mapping[str, float]) -> Iterator[Finding]:
    fitted = bench.regulator.phase_count
    phases = numbers.get("phase_count", fitted)
    if not 1 <= phases <= fitted or phases != int(phases):
        yield (
            "phase_count",
            f"phase_count = {phases:g} is not possible",
            f"{fitted} phases are fitted; write 1 to {fitted}",
        )
    voltage, supply = numbers.get("rail_voltage"), bench.board.input_voltage
    if voltage is not None and not 0 < voltage < supply:
        what = f"rail_voltage = {voltage:g} V is not below input_voltage = {supply:g} V"
        yield "rail_voltage", what, 'a buck regulator steps down; write the output voltage, e.g. "1.1 V"'
    for name in ("fan_duty", "pump_duty"):
        if not 0 <= numbers.get(name, 0.0) <= 1:
            yield name, f"{name} = {numbers[name]:g} is out of range", "allowed is 0 to 1 (0 % to 100 %)"


def _current_faults(bench: Bench, numbers: Mapping[str, float]) -> Iterator[Finding]:
    regulator, stage = bench.regulator, bench.regulator.stage
    per_phase = math.inf
    if stage.peak_current_rating is not None:
        per_phase = stage.peak_current_rating * regulator.stages_per_phase
    for name, bound, count in (
        ("protection_phase_current", per_phase, f"{regulator.stages_per_phase} a phase"),
        (
            "protection_total_current",
            per_phase * regulator.phase_count,
            f"{regulator.stages_per_phase} in each of {regulator.phase_count} phases",
        ),
    ):
        value = numbers.get(name)
        if value is None:
            continue
        if value <= 0:
            yield name, f"{name} = {value:g} A is not above zero", "write the threshold as set"
        elif value > bound:
            figure = f"peak_current_rating = {stage.peak_current_rating:g} A{_source(stage.source)}, {count}"
            what = f"{name} = {value:g} A is above the power stages' absolute maximum"
            yield name, what, f"regulator.stage.{figure}: write {bound:g} A or less"


def _temperature_faults(bench: Bench, numbers: Mapping[str, float]) -> Iterator[Finding]:
    stage, protection = bench.regulator.stage, bench.regulator.protection
    warning, trip = "protection_temperature_warning", "protection_temperature_trip"
    bound = stage.temperature_limit
    for name in (warning, trip):
        if bound is not None and numbers.get(name, -math.inf) > bound:
            what = f"{name} = {numbers[name]:g} degC is above the power stage's absolute maximum"
            figure = f"temperature_limit = {bound:g} degC{_source(stage.source)}"
            yield name, what, f"regulator.stage.{figure}: write {bound:g} degC or less"
    low = numbers.get(warning, protection.temperature_warning)
    high = numbers.get(trip, protection.temperature_trip)
    if (warning in numbers or trip in numbers) and low is not None and high is not None and low > high:
        name = warning if warning in numbers else trip
        what = f"the warning at {low:g} degC is above the trip at {high:g} degC"
        yield name, what, "the warning comes first; exchange or mend them"


def _source(text: str) -> str:
    return f" ({escape(text)})" if text else " (source not stated)"
