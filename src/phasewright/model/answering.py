"""Everything that the formula says of a setting, for many sets of parameters at once."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from phasewright.bench import Bench
from phasewright.model.causes import Cause, causes_of, nominal_frequency, ripple_of
from phasewright.model.duty import duty_share
from phasewright.model.formula import Load, cooled, input_of, load_from_current, load_from_package, settle
from phasewright.model.records import Fitted, Setting

__all__ = ["answer", "at_frequency", "coolant_of", "load_of", "scaled"]

COOLANT = {"liquid": (32.0, 4.0), "air": (26.0, 4.0)}
"""[degC, K] Coolant temperature and its standard uncertainty where nothing says; common practice, no source."""
SHARING_ERROR = 0.1
"""[1] Greatest excess of one phase's current where the bench states none; common practice, no source."""


def load_of(p: Mapping[str, np.ndarray], setting: Setting) -> Load:
    """Return the true load of a setting whose numbers are readings of this bench's instruments."""
    voltage = None if setting.rail_voltage is None else setting.rail_voltage / (1.0 + p["rail_voltage_gain"])
    if setting.rail_current is not None:
        true = (setting.rail_current - p["rail_current_offset"]) / (1.0 + p["rail_current_gain"])
        return load_from_current(p, np.maximum(true, 0.0), voltage)
    true = (setting.package_power - p["package_power_offset"]) / (1.0 + p["package_power_gain"])
    return load_from_package(p, np.maximum(true, 0.0), voltage)


def at_frequency(cause: Cause, bench: Bench, frequency: float | None) -> float:
    """Return a cause's part of its parameter, in the parameter's unit, at a switching frequency [Hz]; None = the bench's."""
    if frequency is None:
        return cause.value
    ratio = frequency / nominal_frequency(bench)
    # Ripple, and what it heats, falls with the square of the frequency.
    return cause.value * (ratio if cause.follows_frequency else ratio**-2 if cause.name == "ripple" else 1.0)


def scaled(bench: Bench, p: Mapping[str, np.ndarray], frequency: float | None) -> dict[str, np.ndarray]:
    """Return the parameters at another switching frequency [Hz]: each term by the share that follows it."""
    p = dict(p)
    if frequency is None:
        return p
    causes, _ = causes_of(bench)
    for term in ("phase_loss", "proportional_loss", "phase_resistance"):
        own = [item for item in causes if item.term == term]
        whole = math.fsum(item.value for item in own)
        p[term] = p[term] * (math.fsum(at_frequency(item, bench, frequency) for item in own) / whole)
    return p


def answer(fitted: Fitted, setting: Setting, p: Mapping[str, np.ndarray], excess: np.ndarray, coolant_score: np.ndarray,
           share: np.ndarray) -> dict[str, np.ndarray]:  # fmt: skip
    """Return every figure of `setting`, arrays (sets,).

    `p` holds parameters (sets,); `excess` [1] is that of the hottest stage, `coolant_score` a standard score of the
    coolant's temperature, `share` how much of the stated sharing error the fullest phase has (0 to 1).
    """
    bench, n = fitted.bench, float(setting.phase_count)
    p = cooled(scaled(bench, p, setting.switching_frequency), duty_share(fitted, setting))
    load = load_of(p, setting)
    coolant = coolant_of(fitted, setting, load, coolant_score)
    state = settle(p, n, load, coolant, excess)
    nominal = bench.board.input_voltage
    drawn, path = input_of(p, load, state.loss, nominal)
    rail = load.voltage * load.current
    with np.errstate(divide="ignore", invalid="ignore"):
        found = {
            "regulator_temperature": state.temperature,
            "regulator_rise": state.temperature - coolant,
            "regulator_reading": state.temperature + p["temperature_offset"],
            "coolant_temperature": coolant,
            "conversion_loss": state.loss,
            "path_loss": path,
            "input_power": drawn,
            "package_power": load.package,
            "loss": drawn - load.package,
            "rail_power": rail,
            "rail_current": load.current,
            "rail_voltage": load.voltage,
            "input_current": drawn / nominal,
            "delivery_efficiency": load.package / drawn,
            "conversion_efficiency": rail / (rail + state.loss),
            "loop_gain": state.gain,
            "runaway_current": load.current / np.sqrt(state.gain),
        }
    found |= _currents(bench, setting, p, load, share)
    contacts = sum(item.contact_count for item in bench.board.connectors)
    if contacts:
        found["contact_current"] = drawn / nominal / contacts
    shape = np.shape(excess)
    return {name: np.broadcast_to(value, shape) for name, value in found.items()}


def _currents(bench: Bench, setting: Setting, p, load: Load, share) -> dict[str, np.ndarray]:
    """Return phase and stage currents: means as if phases shared alike, peaks with ripple and sharing error."""
    n, stages = float(setting.phase_count), bench.regulator.stages_per_phase
    mean = load.current / n
    peak = load.current * (1.0 + p["peak_excess"])
    bound = bench.regulator.sharing_error if bench.regulator.sharing_error is not None else SHARING_ERROR
    phase = peak / n * (1.0 + share * bound) + 0.5 * ripple_of(bench, setting.switching_frequency)
    return {"phase_current": mean, "stage_current": mean / stages, "rail_current_peak": peak,
            "phase_current_peak": phase, "stage_current_peak": phase / stages}  # fmt: skip


def coolant_of(fitted: Fitted, setting: Setting, load: Load, score) -> np.ndarray:
    """Return the coolant temperature [degC]: as set, as measured at such a power, or assumed."""
    if setting.coolant_temperature is not None:
        return np.full(np.shape(load.current), float(setting.coolant_temperature))
    law = fitted.coolant
    if law is None:
        middle, u = COOLANT.get(fitted.bench.cooling.coolant, COOLANT["air"])
        return middle + u * score
    # Input power is a tenth or so above package power; the law's own uncertainty covers what is left.
    return law.temperature + law.slope * (1.12 * load.package - law.input_power) + law.u * score
