"""A plan as rows for a table, as steps of a campaign, and as the text of campaign.toml."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from phasewright.bench import Step
from phasewright.plan.forecast import beyond_all_parts, chance_text
from phasewright.plan.records import Plan, PlannedStep, Stop
from phasewright.quantity import Value

__all__ = ["ROW_HEADS", "PlanRow", "plan_rows", "plan_steps", "plan_text"]

ROW_HEADS = (
    "Step",
    "Phases",
    "Load",
    "Current per phase / A",
    "Hottest stage / °C",
    "Chance to trip",
    "Hold for",
    "Stop at",
    "Go?",
)
"""Heads of the columns of a plan."""
UNITS = {
    "package_power": "W",
    "power_limit": "W",
    "rail_current": "A",
    "protection_phase_current": "A",
    "protection_total_current": "A",
    "rail_voltage": "V",
    "switching_frequency": "Hz",
    "load_line": "Ohm",
    "protection_temperature_warning": "degC",
    "protection_temperature_trip": "degC",
    "coolant_temperature": "degC",
    "ambient_temperature": "degC",
    "fan_duty": "%",
    "pump_duty": "%",
}
"""Unit in which each setting is written; the others are plain counts and words."""
SHORT = {
    "regulator_temperature": "regulator",
    "rail_current": "rail",
    "input_power": "input",
    "coolant_temperature": "coolant",
}


@dataclass(frozen=True, slots=True)
class PlanRow:
    """One step of a plan as a table shows it; None = not known."""

    step: str
    phase_count: int
    load: str
    phase_current: Value | None
    regulator_temperature: Value | None
    chance_to_trip: float | None
    dwell: float
    """[s]"""
    cool_down: float
    """[s]"""
    stops: tuple[Stop, ...]
    verdict: str

    def cells(self) -> tuple[str, ...]:
        """Return the row as texts under `ROW_HEADS`; intervals are of 95 %."""
        wait = f" after {time_text(self.cool_down)} at idle" if self.cool_down else ""
        chance = "not known" if self.chance_to_trip is None else chance_text(self.chance_to_trip)
        shown = ", ".join(
            f"{SHORT[item.channel]} {item.threshold:.0f} {_unit(item.unit)}" for item in _ends(self.stops)
        )
        return (
            self.step,
            str(self.phase_count),
            self.load,
            _range(self.phase_current),
            _range(self.regulator_temperature),
            chance,
            time_text(self.dwell) + wait,
            shown,
            self.verdict,
        )


def _ends(stops: Iterable[Stop]) -> list[Stop]:
    """Return what ends a step by a reading that a table has room for."""
    return [stop for stop in stops if stop.action == "stop" and stop.unit != "s" and stop.channel in SHORT]


def _unit(unit: str) -> str:
    return "°C" if unit == "degC" else unit


def _range(value: Value | None) -> str:
    if value is None or not math.isfinite(value.value):
        return "not known"
    if value.low95 is None or value.high95 is None:
        return f"about {value.value:.0f}"
    if beyond_all_parts(value):
        return beyond_all_parts(value).removesuffix(" °C")
    return f"{value.value:.0f} ({value.low95:.0f} to {value.high95:.0f})"


def time_text(seconds: float) -> str:
    """Return a time as people read it: `50 s`, `7 min`, `6 min 40 s`."""
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{rest} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def plan_rows(steps: Iterable[PlannedStep]) -> tuple[PlanRow, ...]:
    """Return one row for each step of a plan or a readiness."""
    return tuple(_row(item) for item in steps)


def _row(item: PlannedStep) -> PlanRow:
    forecast, settings = item.forecast, item.forecast.step.settings
    said = [str(settings["load"])] if settings.get("load") else []
    said += [
        f"{float(settings[key]):g} {unit}"
        for key, unit in (("package_power", "W"), ("rail_current", "A"))
        if settings.get(key) is not None
    ]
    if settings.get("coolant_temperature") is not None:
        said.append(f"coolant {float(settings['coolant_temperature']):g} °C")
    return PlanRow(
        item.name,
        forecast.phase_count,
        ", ".join(said),
        forecast.quantities.get("phase_current"),
        forecast.quantities.get("regulator_temperature"),
        forecast.chance_to_trip,
        item.dwell,
        item.cool_down,
        forecast.stops,
        forecast.verdict,
    )


def plan_steps(plan: Plan, *, times: bool = True) -> tuple[Step, ...]:
    """Return the steps of a plan that are to be run, as a campaign holds them.

    With `times` each has its planned start and end, counted from the first stamp of the logs, the marker included; put
    the true ones in afterwards when the run went otherwise.
    """
    clock, found = plan.marker.duration, []
    for item in plan.steps:
        if not item.runnable:
            continue
        start = clock + item.cool_down
        clock = start + item.dwell
        step = item.forecast.step
        if not item.measured:
            step = replace(step, start=f"{start:.0f} s" if times else "", end=f"{clock:.0f} s" if times else "")
        found.append(replace(step, note=step.note or _note(item)))
    return tuple(found)


def _note(item: PlannedStep) -> str:
    stops = _ends(item.forecast.stops)
    shown = ", ".join(f"{SHORT[stop.channel]} at {stop.threshold:.0f} {_unit(stop.unit)}" for stop in stops)
    wait = f"first {time_text(item.cool_down)} at idle {item.cool_down_reason}; " if item.cool_down else ""
    return f"{wait}stop with {shown}" if shown else wait.rstrip("; ")


def plan_text(plan: Plan, *, times: bool = True) -> str:
    """Return the plan as text for campaign.toml: comments, and a [[step]] block for each step to be run.

    Steps that are a no-go stand as comments with their reason. Measured steps are left out: the file has
    them already.
    """
    import tomlkit

    lines = ["# Start marker:", *(f"# - {text}" for text in plan.marker.instructions), ""]
    measured = {item.name for item in plan.steps if item.measured}
    by_name = {item.name: item for item in plan.steps}
    for step in plan_steps(plan, times=times):
        if step.name in measured:
            continue
        item = by_name[step.name]
        table = tomlkit.table()
        table.add("name", step.name)
        for key, value in step.settings.items():
            table.add(key, _written(key, value))
        for key in ("start", "end", "note"):
            if getattr(step, key):
                table.add(key, getattr(step, key))
        if step.baseline:
            table.add("baseline", True)
        lines += [f"# {text}" for text in _comments(item)]
        lines += ["[[step]]", tomlkit.dumps(table).rstrip("\n"), ""]
    for item in plan.steps:
        if not item.runnable:
            lines += [_comment(f"not to be run: {item.name} - {reason}") for reason in item.forecast.reasons[:1]]
    return "\n".join(lines).rstrip("\n") + "\n"


def _comments(item: PlannedStep) -> list[str]:
    forecast = item.forecast
    chance = "not known" if forecast.chance_to_trip is None else chance_text(forecast.chance_to_trip)
    found = [
        f"{forecast.verdict}: current per phase {_range(forecast.quantities.get('phase_current'))} A, hottest stage "
        f"{_range(forecast.quantities.get('regulator_temperature'))} °C, chance to trip {chance}"
    ]
    found += [f"{forecast.verdict}: {reason}" for reason in forecast.reasons if forecast.verdict != "go"]
    found.append(f"hold for {time_text(item.dwell)}, {item.dwell_reason}")
    if item.repeats:
        found.append(f"repeats {item.repeats}, to show drift")
    return [_plain(text) for text in found]


def _comment(text: str) -> str:
    return f"# {_plain(text)}"


def _plain(text: str) -> str:
    """Return text without what a comment of the file may not hold."""
    return "".join(ch if ch.isprintable() else " " for ch in text)


def _written(key: str, value: float | str) -> int | str:
    if isinstance(value, str):
        return value
    unit = UNITS.get(key)
    if unit is None:
        return int(value)
    return f"{float(100.0 * value if unit == '%' else value):.12g} {unit}"
