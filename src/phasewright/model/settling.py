"""Where a step would settle, from a dwell that is too short to see it: the whole record decides, not one exponential."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from phasewright.bench import Fault, NotReady
from phasewright.findings import Analysis
from phasewright.model.coolant import settled_coolant
from phasewright.model.duty import duty_name
from phasewright.model.leaking import Growth, settled_growth
from phasewright.model.prediction import predict
from phasewright.model.record import Grid, lay_grid
from phasewright.model.records import Fitted, Setting
from phasewright.quantity import Value

__all__ = ["SettledTemperature", "settled_temperature"]

FIRST = 4.0
"""[s] Of a step that its load is not taken from: clocks are off by parts of a second, loads rise."""
AT_LIMIT = 0.97
"""[1] Of a power limit: it holds the load from there on."""
NOT_FELT = 0.12
"""[1] Standard uncertainty as a share of the way that the rise has still to go: boards have more time constants than the
formula."""


@dataclass(frozen=True, slots=True)
class SettledTemperature:
    """Where the hottest stage would settle if a step's load were held."""

    step: str
    temperature: Value
    """Hottest stage [degC], with the coolant where it would settle."""
    rise: Value
    """Over the coolant [K]."""
    coolant: Value
    """Where it would settle [degC]."""
    reading: Value
    """What this bench's regulator sensor would show then [degC]; its own error is in it."""
    reached: float
    """Hottest reading in the last seconds of the step [degC]."""
    dwell: float
    """How long the step was seen [s]."""


def settled_temperature(fitted: Fitted, analysis: Analysis, step: str) -> SettledTemperature:
    """Return where `step` of `analysis` would settle; `fitted` is the model of the same record.

    Raises
    ------
    KeyError
        When there is no step of that name.
    NotReady
        When its record holds no load or no temperatures, or what is known does not decide.
    """
    names = [item.step.name for item in analysis.steps]
    if step not in names:
        raise KeyError(step)
    grid = lay_grid(analysis)
    cells = np.zeros(0, dtype=int) if grid is None else _cells(grid, names.index(step))
    if grid is None or not cells.size:
        raise NotReady(
            Fault(analysis.campaign.file or "campaign.toml", f"step {step!r} shows no load with temperatures",
                  "log rail_current or package_power, regulator and coolant temperature")  # fmt: skip
        )
    width = grid.width[cells]
    mean = {name: float(np.average(values[cells], weights=width))
            for name, values in (("rail_current", grid.current), ("package_power", grid.package),
                                 ("rail_voltage", grid.voltage))}  # fmt: skip
    load = "rail_current" if math.isfinite(mean["rail_current"]) else "package_power"
    planned = analysis.steps[names.index(step)].step.settings
    cooling, fan = fitted.bench.cooling, planned.get("fan_duty")
    fan = None if fan is None else float(fan)
    there = settled_coolant(grid, cells, cooling, fan)
    growth = Growth(1.0, 0.0)
    if not _held(grid, cells, planned, mean["package_power"]):
        growth = settled_growth(grid, cells, there.temperature.value, cooling.coolant, there.duty)
        there = settled_coolant(grid, cells, cooling, fan, growth=growth.factor)
    coolant = there.temperature
    duty = float(grid.duty[cells[-1]])
    settings = {load: mean[load] * growth.factor, "coolant_temperature": coolant.value}
    if math.isfinite(duty):
        settings[duty_name(fitted.bench)] = duty
    setting = Setting(int(grid.phases[cells[0]]), **settings)
    if math.isfinite(mean["rail_voltage"]) and load == "rail_current":
        setting = replace(setting, rail_voltage=mean["rail_voltage"])
    found = predict(fitted, setting)
    way = found.quantities["regulator_reading"].value - float(grid.hot[cells[-1]])
    # The rise follows the load at least in proportion.
    grown = 1.5 * growth.u * found.quantities["regulator_rise"].value
    more = math.hypot(coolant.u or 0.0, NOT_FELT * way, grown) if math.isfinite(way) else 0.0
    hot, reading = (_widened(found.quantities[name], more) for name in
                    ("regulator_temperature", "regulator_reading"))  # fmt: skip
    span = analysis.steps[names.index(step)].span
    return SettledTemperature(step, hot, found.quantities["regulator_rise"], coolant, reading,
                              float(grid.hot[cells[-1]]), span.end_s - span.start_s)  # fmt: skip


def _held(grid: Grid, cells: np.ndarray, settings: Mapping[str, float | str], power: float) -> bool:
    """Tell whether something held the load back: what does so goes on doing so."""
    limit = settings.get("power_limit")
    return float(np.mean(grid.held[cells])) > 0.02 or (limit is not None and power > AT_LIMIT * float(limit))


def _widened(hot: Value, more: float) -> Value:
    """Return a temperature with a further standard uncertainty `more` [K]."""
    if hot.u is None or hot.low95 is None or hot.high95 is None:
        return hot
    return replace(hot, u=math.hypot(hot.u, more), low95=hot.value - math.hypot(hot.value - hot.low95, 1.96 * more),
                   high95=hot.value + math.hypot(hot.high95 - hot.value, 1.96 * more))  # fmt: skip


def _cells(grid: Grid, index: int) -> np.ndarray:
    """Return the cells of a step that its load is taken from."""
    own = np.flatnonzero(grid.planned == index)
    whole = np.zeros(len(grid.time), dtype=bool)
    for first, past in grid.stretches:
        whole[first:past] = True
    own = own[whole[own]]
    late = own[grid.time[own] - grid.width[own] >= grid.time[own[0]] - grid.width[own[0]] + FIRST] if own.size else own
    return late if late.size else own
