"""The model's formula: loss of a multiphase regulator, and where loss and temperature settle together.

loss = c0 + r_path I^2 + phases;  phases = a n + b I + r I^2/n (1 + alpha (T - 25))
T - T_coolant = R_stage hottest + R_plate loss + R_couple P
hottest = (s_a a + b I/n + s_r r (I/n)^2 (1 + alpha (T - 25))) (1 + x)
x = x_1 + k S(n)
R_plate, R_couple = those at the usual duty times (duty / usual duty)^-m

Of one phase's loss, s_a and s_r are what warms the stage: its own, and the part of the inductor's that reaches it.
x is how much more the hottest stage warms than one that stands alone: parts differ a little (x_1), and heat of the
neighbours reaches it along board and plate, less by the same factor with every place in between: S is the greatest sum
of these over the phases that are on, 1 in the midst of an endless row. Phases that are on are taken as spread over the
row as far as can be. The duty is that of what moves the coolant over the plate: fan in air, pump in liquid.

The loss is linear in T, so both together have a closed form. Numbers or arrays alike; a mapping gives the parameters.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

__all__ = [
    "Load",
    "State",
    "cooled",
    "excess_of",
    "hottest_phase",
    "input_of",
    "load_from_current",
    "load_from_package",
    "loss_at",
    "neighbours",
    "settle",
]

REFERENCE = 25.0
"""[degC] for which resistances are stated."""
HOTTEST, PHASE_SCATTER = 0.05, 0.025
"""[1] x_1, and its standard deviation from phase count to phase count beyond what neighbours tell; common practice, no
source."""
NEIGHBOUR = 0.3
"""[1] What of a stage's heat by spreading reaches the next place, and of that the next but one; common practice, no
source."""

LEAST_DUTY = 0.1
"""[1] Share of the usual duty below which air or liquid moves by itself: what the plate gives off falls no further; common
practice, no source."""

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


def cooled(p: Parameters, duty) -> dict[str, float | np.ndarray]:
    """Return the parameters with fan or pump at `duty` [1], as a share of the usual one; NaN = the usual one.

    What a moving coolant takes off a wall grows with a power of its speed: 0.5 where the flow is laminar, 0.8 where it
    is turbulent (Incropera, Fundamentals of Heat and Mass Transfer, flat plate and Dittus-Boelter: from memory), and
    only a share of the resistance is at that wall, so m lies between 0 and 0.8.
    """
    slow = -np.log(np.maximum(np.where(np.isfinite(duty), duty, 1.0), LEAST_DUTY))
    return {**p, "plate_rise": p["plate_rise"] * np.exp(p["plate_fan"] * slow),
            "package_rise": p["package_rise"] * np.exp(p["package_fan"] * slow)}  # fmt: skip


def common_loss(p: Parameters, current):
    """Return the loss that no phase has for itself [W]: controller and output copper."""
    return p["board_loss"] + p["path_resistance"] * current * current


def phase_losses(p: Parameters, phases, current):
    """Return the loss of all phases at 25 degC [W] and its growth per kelvin [W/K]."""
    shared = p["phase_resistance"] * current * current / phases
    cold = p["phase_loss"] * phases + p["proportional_loss"] * current + shared
    return cold, shared * p["resistance_coefficient"]


def loss_at(p: Parameters, phases, current, temperature):
    """Return the loss [W] with the stages at `temperature` [degC]."""
    cold, growth = phase_losses(p, phases, current)
    return common_loss(p, current) + cold + growth * (temperature - REFERENCE)


def excess_of(p: Parameters, phases, fitted_phases: float, scatter):
    """Return x: how much more the hottest stage warms than one that stands alone [1].

    `phases` of `fitted_phases` are on; `scatter` is the standard score of what the formula does not know of that count.
    """
    near = neighbours(int(fitted_phases))[np.clip(np.asarray(phases, dtype=int), 0, int(fitted_phases))]
    return HOTTEST + p["crowding"] * near + PHASE_SCATTER * scatter


@lru_cache(maxsize=64)
def neighbours(fitted_phases: int) -> np.ndarray:
    """Return S for 0, 1, ... all phases on [1], (fitted_phases + 1,)."""
    on: list[int] = []
    near = np.zeros(fitted_phases + 1)
    for count in range(1, fitted_phases + 1):
        free = [place for place in range(fitted_phases) if place not in on]
        on.append(max(free, key=lambda place: (min((abs(place - other) for other in on), default=0), -place)))
        places = np.array(on)
        reach = NEIGHBOUR ** np.abs(places[:, None] - places)
        near[count] = (reach.sum(axis=1) - 1.0).max()
    return near * (1.0 - NEIGHBOUR) / (2.0 * NEIGHBOUR)


def hottest_phase(p: Parameters, phases, current, excess):
    """Return what warms the hottest stage at 25 degC [W], and its growth per kelvin [W/K]; `excess` [1] is x."""
    each = current / phases
    conducted = p["stage_resistance_share"] * p["phase_resistance"] * each * each
    cold = p["stage_fixed_share"] * p["phase_loss"] + p["proportional_loss"] * each + conducted
    return cold * (1.0 + excess), conducted * p["resistance_coefficient"] * (1.0 + excess)


def settle(p: Parameters, phases, load: Load, coolant, excess=0.0) -> State:
    """Return the settled state; `excess` [1] is x."""
    cold, growth = phase_losses(p, phases, load.current)
    own, own_growth = hottest_phase(p, phases, load.current, excess)
    common = common_loss(p, load.current)
    stage, plate = p["stage_rise"], p["plate_rise"]
    # Kelvin per kelvin, and where it would settle if the loss stayed as at the reference temperature.
    gain = stage * own_growth + plate * growth
    fixed = coolant + p["package_rise"] * load.package + plate * (common + cold) + stage * own
    with np.errstate(divide="ignore", invalid="ignore"):
        temperature = np.where(gain < 1.0, (fixed - gain * REFERENCE) / (1.0 - gain), np.inf)
        loss = np.where(gain < 1.0, common + cold + growth * (temperature - REFERENCE), np.inf)
    return State(temperature, loss, gain)


def load_from_current(p: Parameters, current, voltage=None) -> Load:
    """Return the load of a true rail current [A]; the voltage follows from set voltage and load line unless given."""
    if voltage is None:
        voltage = p["rail_setpoint"] - p["load_line"] * current
    return Load(current, voltage, voltage * current + p["other_rails"])


def load_from_package(p: Parameters, package, voltage=None) -> Load:
    """Return the load of a true package power [W]: V I = package - other rails with V = V0 - R I, unless V is given.

    Beyond what the load line can carry (half the set voltage is left there) the voltage stays at that half.
    """
    rail = np.maximum(package - p["other_rails"], 0.0)
    if voltage is None:
        # NaN is a reading that is not there.
        with np.errstate(invalid="ignore"):
            left = np.maximum(p["rail_setpoint"] ** 2 - 4.0 * p["load_line"] * rail, 0.0)
            voltage = 0.5 * (p["rail_setpoint"] + np.sqrt(left))
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
