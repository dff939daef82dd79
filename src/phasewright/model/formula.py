"""The model's formula: loss of a multiphase regulator, and where loss and temperature settle together.

loss = c0 + a n + b I + r I^2/n (1 + alpha (T - 25)) + r_path I^2
T - T_coolant = R_stage loss/n + R_plate loss + R_couple P

The loss is linear in T, so both together have a closed form. Numbers or arrays alike; a mapping gives the parameters.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

__all__ = ["Load", "State", "cold_loss", "input_of", "load_from_current", "load_from_package", "loss_at", "settle"]

REFERENCE = 25.0
"""[degC] for which resistances are stated."""

Parameters = Mapping[str, "float | np.ndarray"]


@dataclass(frozen=True, slots=True, eq=False)
class Load:
    """What the rail delivers. Numbers or arrays."""

    current: np.ndarray
    """[A]"""
    voltage: np.ndarray
    """[V]"""
    package: np.ndarray
    """True package power, other rails included [W]."""


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Where loss and temperature settle together; infinite where they run away."""

    temperature: np.ndarray
    """Hottest stage [degC]."""
    loss: np.ndarray
    """[W]"""
    gain: np.ndarray
    """Kelvin that one kelvin more brings [1]; runaway at 1."""


def cold_loss(p: Parameters, phases, current):
    """Return the loss at 25 degC [W] and its growth per kelvin [W/K]."""
    square = current * current
    shared = p["phase_resistance"] * square / phases
    cold = p["board_loss"] + p["phase_loss"] * phases + p["proportional_loss"] * current
    return cold + shared + p["path_resistance"] * square, shared * p["resistance_coefficient"]


def loss_at(p: Parameters, phases, current, temperature):
    """Return the loss [W] with the stages at `temperature` [degC]."""
    cold, growth = cold_loss(p, phases, current)
    return cold + growth * (temperature - REFERENCE)


def settle(p: Parameters, phases, load: Load, coolant, excess=0.0) -> State:
    """Return the settled state; `excess` [1] is how far the hottest stage's own path exceeds the fitted one."""
    cold, growth = cold_loss(p, phases, load.current)
    path = p["stage_rise"] * (1.0 + excess) / phases + p["plate_rise"]
    gain = path * growth
    base = coolant + p["package_rise"] * load.package
    with np.errstate(divide="ignore", invalid="ignore"):
        temperature = np.where(gain < 1.0, (base + path * (cold - REFERENCE * growth)) / (1.0 - gain), np.inf)
        loss = np.where(gain < 1.0, cold + growth * (temperature - REFERENCE), np.inf)
    return State(temperature, loss, gain)


def load_from_current(p: Parameters, current, voltage=None) -> Load:
    """Return the load of a true rail current [A]; the voltage follows from set voltage and load line unless given."""
    if voltage is None:
        voltage = p["rail_setpoint"] - p["load_line"] * current
    return Load(current, voltage, voltage * current + p["other_rails"])


def load_from_package(p: Parameters, package, voltage=None) -> Load:
    """Return the load of a true package power [W]: V I = package - other rails with V = V0 - R I, unless V is given.

    NaN where the load line cannot carry it.
    """
    rail = np.maximum(package - p["other_rails"], 0.0)
    if voltage is None:
        voltage = 0.5 * (p["rail_setpoint"] + np.sqrt(p["rail_setpoint"] ** 2 - 4.0 * p["load_line"] * rail))
    return Load(rail / voltage, voltage, package)


def input_of(p: Parameters, load: Load, loss, input_voltage):
    """Return the input power at the meter [W] and the part of it lost in cables and connectors [W].

    P_in = V I + loss + other loads + R_in (P_in / V_in)^2, solved in closed form.
    """
    beyond = load.voltage * load.current + loss + p["other_power"]
    ratio = p["supply_resistance"] / (input_voltage * input_voltage)
    with np.errstate(invalid="ignore"):
        power = 2.0 * beyond / (1.0 + np.sqrt(1.0 - 4.0 * ratio * beyond))
    return power, power - beyond
