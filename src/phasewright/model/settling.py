"""Where a step would settle, from a dwell that is too short to see it: the whole record decides, not one exponential."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from phasewright.bench import Fault, NotReady
from phasewright.findings import Analysis
from phasewright.model.prediction import predict
from phasewright.model.record import Grid, lay_grid
from phasewright.model.records import Fitted, Setting
from phasewright.model.transient import lag
from phasewright.quantity import Part, Value, value_from_parts

__all__ = ["SettledTemperature", "settled_temperature"]

FIRST = 4.0
"""[s] Of a step that its load is not taken from: clocks are off by parts of a second, loads rise."""
TIMES = {"liquid": (20.0, 900.0, 240.0, 0.7), "air": (5.0, 300.0, 40.0, 0.8)}
"""Time constant of the coolant [s]: least, greatest, common, and the spread of its logarithm; common practice, no
source."""
SLOPE = {"liquid": (0.022, 0.012), "air": (0.006, 0.010)}
"""[K/W] Rise of the coolant where the regulator meets it by the package's power, and how sure; common practice, no
source."""
NOISE, FLOOR = 0.15, 0.25
"""[K] What the coolant does besides: fans, room, sensor; and the least uncertainty of where it settles."""
NOT_SEEN, NOT_FELT = 0.25, 0.12
"""[1] Standard uncertainty as a share of the way that coolant and rise have still to go: fans turn faster as the coolant
warms, loops and boards have more time constants than the formula."""


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
    coolant = _coolant(grid, cells, fitted.bench.cooling.coolant)
    setting = Setting(int(grid.phases[cells[0]]), coolant_temperature=coolant.value, **{load: mean[load]})
    if math.isfinite(mean["rail_voltage"]) and load == "rail_current":
        setting = replace(setting, rail_voltage=mean["rail_voltage"])
    found = predict(fitted, setting)
    way = found.quantities["regulator_reading"].value - float(grid.hot[cells[-1]])
    more = math.hypot(coolant.u or 0.0, NOT_FELT * way) if math.isfinite(way) else 0.0
    hot, reading = (_widened(found.quantities[name], more) for name in
                    ("regulator_temperature", "regulator_reading"))  # fmt: skip
    span = analysis.steps[names.index(step)].span
    return SettledTemperature(step, hot, found.quantities["regulator_rise"], coolant, reading,
                              float(grid.hot[cells[-1]]), span.end_s - span.start_s)  # fmt: skip


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


def _coolant(grid: Grid, cells: np.ndarray, kind: str) -> Value:
    """Return where the coolant would settle under the load of `cells` [degC].

    Coolant = base + slope x lagged power, over the stretch that holds the step; for each time constant a regression
    with what is commonly known of the slope, weighed by how well it fits.
    """
    first, past = next((a, b) for a, b in grid.stretches if a <= cells[0] < b)
    part = slice(first, past)
    power = np.where(np.isfinite(grid.package[part]), grid.package[part], 1.2 * grid.current[part])
    here = float(np.average(power[cells - first], weights=grid.width[cells]))
    read, width = grid.coolant[part], grid.width[part]
    low, high, common, spread = TIMES.get(kind, TIMES["air"])
    slope, sure = SLOPE.get(kind, SLOPE["air"])
    times = np.geomspace(low, high, 24)
    age = np.cumsum(width) - 0.5 * width
    weigh = np.sqrt(width / NOISE**2 / 12.0)
    ends, widths, fits = [], [], []
    for time in times:
        lagged = lag(power[None, :], np.array([time]), width, power[:1])[0]
        table = np.stack([np.ones_like(power), lagged, np.exp(-age / time)], axis=1)
        # Beliefs as three more rows: base is open, slope and start are not.
        rows = np.concatenate([table * weigh[:, None], np.diag([1e-3, 1.0 / sure, 1.0 / 4.0])])
        wanted = np.concatenate([read * weigh, [0.0, slope / sure, 0.0]])
        solved, *_ = np.linalg.lstsq(rows, wanted, rcond=None)
        left = rows @ solved - wanted
        at = np.array([1.0, here, 0.0])
        inverse = np.linalg.inv(rows.T @ rows)
        ends.append(float(at @ solved))
        widths.append(float(at @ inverse @ at))
        fits.append(float(left @ left) + (math.log(time / common) / spread) ** 2 - float(np.linalg.slogdet(inverse)[1]))
    share = np.exp(-0.5 * (np.array(fits) - min(fits)))
    share /= share.sum()
    end = float(share @ ends)
    to_go = NOT_SEEN * (end - float(read[cells[-1] - first]))
    u = math.sqrt(float(share @ (np.array(widths) + (np.array(ends) - end) ** 2)) + FLOOR**2 + to_go**2)
    return value_from_parts(end, "degC", [Part("coolant", u)], kind="extrapolated")
