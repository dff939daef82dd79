"""Steady windows against the formula, in standard deviations."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from phasewright.model.formula import Load, cooled, input_of, load_from_current, load_from_package, loss_at, settle
from phasewright.model.observations import Steady
from phasewright.model.records import Residual

__all__ = ["SteadyRows", "true_load"]

FORM_LOSS, FORM_POWER = 0.005, 0.1
"""[1] of the loss and [W]: what the formula itself cannot know of a power."""
FORM_RISE, FORM_TEMPERATURE = 0.01, 0.15
"""[1] of the rise and [K]: the same of a temperature, step by step."""
SMALL = {"package_power": 0.1, "rail_current": 0.05, "rail_voltage": 5e-4, "input_power": 0.05}
"""Least standard uncertainty of a mean [unit of the channel]."""
PEAK_SCATTER = 0.3
"""[1] Peaks of steps scatter by a third or so; all steps of a campaign had the same kind of load."""


def true_load(p: Mapping[str, np.ndarray], current, voltage, package) -> Load:
    """Return the load behind readings of current [A], voltage [V] and package power [W], NaN = not logged.

    The current leads where it is logged; else package power less the other rails does.
    """
    volts = voltage / (1.0 + p["rail_voltage_gain"])
    true = (current - p["rail_current_offset"]) / (1.0 + p["rail_current_gain"])
    by_line = p["rail_setpoint"] - p["load_line"] * true
    by_current = load_from_current(p, true, np.where(np.isfinite(volts), volts, by_line))
    whole = (package - p["package_power_offset"]) / (1.0 + p["package_power_gain"])
    by_package = load_from_package(p, whole)
    known = np.isfinite(true)
    return Load(
        np.where(known, by_current.current, by_package.current),
        np.where(known, by_current.voltage, by_package.voltage),
        np.where(known, by_current.package, by_package.package),
    )


class SteadyRows:
    """Observations of steady windows, and of stretches whose power balance counts, against the formula."""

    def __init__(self, steady: Steady, input_voltage: float, usual_duty: float | None):
        self.steady = steady
        duty = steady.mean["duty"]
        self.duty = duty / usual_duty if usual_duty else np.full(len(duty), math.nan)
        measured = steady.mean["input_voltage"]
        self.voltage = np.where(np.isfinite(measured), measured, input_voltage)
        self.known = np.zeros((0, steady.count), dtype=bool)
        """(channels, steps): observations that exist."""

    def residuals(self, p: Mapping[str, np.ndarray], excess: np.ndarray) -> np.ndarray:
        """Return the residuals (..., m); parameters (..., 1), excess of the hottest stage (..., steps)."""
        rows = np.stack([item[3] for item in self.compare(p, excess)], axis=-2)
        if not len(self.known):
            self.known = np.isfinite(rows.reshape(-1, *rows.shape[-2:])[0])
        return rows[..., self.known]

    def compare(self, p: Mapping[str, np.ndarray], excess: np.ndarray):
        """Return (channel, observed, fitted, residual in standard deviations) of every channel, (..., steps)."""
        steady, mean, u = self.steady, self.steady.mean, self.steady.u
        load = true_load(p, mean["rail_current"], mean["rail_voltage"], mean["package_power"])
        hot = mean["hot"] - p["temperature_offset"]
        state = settle(cooled(p, self.duty), steady.phases, load, mean["coolant"], excess)
        loss = loss_at(p, steady.phases, load.current, np.where(np.isfinite(hot), hot, state.temperature))
        drawn, _ = input_of(p, load, loss, self.voltage)
        shape = np.broadcast_shapes(drawn.shape, (steady.count,))
        own = {name: np.hypot(np.nan_to_num(u[name]), least) for name, least in SMALL.items()}
        by_current = np.isfinite(mean["rail_current"])
        wobble = np.where(by_current, own["rail_current"] * load.voltage, own["package_power"])
        read = load.package * (1.0 + p["package_power_gain"]) + p["package_power_offset"]
        volts = (p["rail_setpoint"] - p["load_line"] * load.current) * (1.0 + p["rail_voltage_gain"])
        rise = np.maximum(state.temperature - mean["coolant"], 1.0)
        ratio = np.log(np.maximum(steady.peak_ratio - 1.0, 1e-3))
        rows = (
            (
                "input_power", mean["input_power"],
                drawn * (1.0 + p["input_power_gain"]) + p["input_power_offset"],
                np.sqrt(own["input_power"] ** 2 + wobble**2 + (FORM_LOSS * loss) ** 2 + FORM_POWER**2),
            ),
            (
                "package_power", np.where(by_current, mean["package_power"], np.nan), read,
                np.hypot(own["package_power"], wobble),
            ),
            ("rail_voltage", mean["rail_voltage"], volts, np.hypot(own["rail_voltage"], 1e-3)),
            (
                "regulator_temperature", np.where(steady.settled, mean["hot"], np.nan),
                state.temperature + p["temperature_offset"],
                np.sqrt(np.nan_to_num(u["hot"]) ** 2 + np.nan_to_num(u["coolant"]) ** 2 + (FORM_RISE * rise) ** 2
                        + FORM_TEMPERATURE**2),
            ),
            ("peak", ratio, np.log(p["peak_excess"]), PEAK_SCATTER),
        )  # fmt: skip
        return [(name, observed, fitted, np.broadcast_to((observed - fitted) / scatter, shape))
                for name, observed, fitted, scatter in rows]  # fmt: skip

    def table(self, p: Mapping[str, np.ndarray], excess: np.ndarray) -> tuple[Residual, ...]:
        """Return every observation of a step against the fit (parameters of one set of scores)."""
        return tuple(
            Residual(name, channel, float(o), float(f), float(abs((o - f) / r)) if r else math.nan)
            for channel, observed, fitted, row in self.compare(p, excess)
            for name, o, f, r in zip(self.steady.steps, *np.broadcast_arrays(observed, fitted, row), strict=True)
            if math.isfinite(r) and channel != "peak" and name
        )
