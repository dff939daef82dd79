"""Losses of the simulated regulator, phase by phase, as polynomials of the output current at given temperatures.

Within one thermal step the temperatures stand still, and every loss is then a quadratic of the phase current; a phase
carries `u*I + v`. So the loss at any instant, and its exact mean over the step, follow from three numbers each.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.live.virtual.parts import Parts

STAGE_PIECES = ("high_side", "low_side", "overlap", "dead_time", "recovery", "output_charge", "gate", "quiescent")
INDUCTOR_PIECES = ("inductor_copper", "inductor_ripple", "core")
COPPER_PIECES = ("branch", "input_capacitors")
PIECES = STAGE_PIECES + INDUCTOR_PIECES + COPPER_PIECES
_INDUCTOR = slice(len(STAGE_PIECES), len(STAGE_PIECES) + len(INDUCTOR_PIECES))
_COPPER = slice(len(STAGE_PIECES) + len(INDUCTOR_PIECES), len(PIECES))


def copper_factor(temperature):
    """Return the resistance of copper over its value at 25 degC (R proportional to 234.5 + T)."""
    return (234.5 + temperature) / 259.5


@dataclass(frozen=True, slots=True, eq=False)
class Coefficients:
    """Loss as c[0] + c[1]*I + c[2]*I**2 of the total current I [A]."""

    pieces: np.ndarray
    """(pieces, 3): each loss piece of `PIECES`, all phases [W, W/A, W/A2]."""
    stage: np.ndarray
    """(3, phases): heat of each phase's stages."""
    inductor: np.ndarray
    """(3, phases)"""
    copper: np.ndarray
    """(3, phases): heat in the copper segments."""
    share: np.ndarray
    """(phases,): share u of the total current."""
    offset: np.ndarray
    """(phases,): current offset v [A]."""
    ripple: float
    """Peak-to-peak inductor ripple at no current [A]."""

    @property
    def total(self) -> np.ndarray:
        """Sum over all pieces, (3,)."""
        return self.pieces.sum(axis=0)


def active_mask(parts: Parts, count: int) -> np.ndarray:
    """Return float (phases,): 1 where a phase is on when `count` phases are."""
    mask = np.zeros(parts.phase_count)
    mask[parts.order[:count]] = 1.0
    return mask


def sharing(parts: Parts, mask: np.ndarray, stage_temperature: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return share u and offset v of the phases: u sums to 1, v to 0 over the phases that are on."""
    count = mask.sum()
    mean = (stage_temperature * mask).sum() / count
    weight = mask * parts.share * (1.0 - parts.hidden.sharing_temperature * (stage_temperature - mean))
    offset = mask * (parts.share_offset - (parts.share_offset * mask).sum() / count)
    return weight / weight.sum(), offset


def losses(parts: Parts, mask: np.ndarray, stage_temperature: np.ndarray, inductor_temperature: np.ndarray,
           copper_temperature: np.ndarray, input_voltage: float, rail_voltage: float) -> Coefficients:
    """Return the loss polynomials with the phases of `mask` on.

    Temperatures are (phases,) [degC]; `input_voltage` at the regulator and `rail_voltage` [V].
    """
    h = parts.hidden
    s, f, vin = parts.stages, parts.frequency, input_voltage
    count = mask.sum()
    duty = rail_voltage / vin
    u, v = sharing(parts, mask, stage_temperature)
    over = stage_temperature - 25.0
    hot = 1.0 + parts.temperature_coefficient * over + h.resistance_curvature * over * over
    gate_voltage = parts.gate_voltage - h.gate_supply_resistance * count * s * parts.gate_charge * f
    drive = parts.gate_voltage / gate_voltage
    ripple = rail_voltage * (1.0 - duty) / (parts.inductance * f)
    ripple_square = ripple * ripple / 12.0
    on_high = parts.high_side * hot * drive / s * duty
    on_low = parts.low_side * hot * drive / s * (1.0 - duty - parts.dead_time * f)
    winding = parts.inductor_resistance * copper_factor(inductor_temperature)
    core_hot = 1.0 + h.core_bend * (inductor_temperature - h.core_temperature) ** 2

    a = np.zeros((len(PIECES), 3, parts.phase_count))
    stretch = ripple_square * h.saturation_softness
    a[0, 0], a[0, 2] = on_high * ripple_square, on_high * (1.0 + stretch)
    a[1, 0], a[1, 2] = on_low * ripple_square, on_low * (1.0 + stretch)
    a[2, 1] = 0.5 * vin * f * parts.edge_time * drive
    a[2, 2] = 0.5 * vin * f * h.overlap_per_current / s
    a[3, 1] = (parts.diode_voltage - 0.0018 * over) * parts.dead_time * f
    warm = 1.0 + 0.004 * over
    a[4, 0] = vin * f * parts.recovery_charge * s * warm
    a[4, 1] = vin * f * h.recovery_per_current * warm
    a[5, 0] = 0.5 * vin * f * parts.output_charge * s
    a[6, 0] = s * parts.gate_charge * parts.gate_voltage * f
    a[7, 0] = s * parts.quiescent_power
    a[8, 2] = winding
    a[9, 0] = winding * h.ripple_resistance_ratio * ripple_square
    a[9, 2] = winding * h.ripple_resistance_ratio * stretch
    a[10, 0] = parts.core_loss * core_hot
    a[11, 2] = h.branch_resistance * copper_factor(copper_temperature)
    a *= mask
    # A phase that is off still feeds its driver a little.
    a[7, 0] += (1.0 - mask) * 0.2 * s * parts.quiescent_power

    c = np.empty_like(a)
    c[:, 2] = a[:, 2] * (u * u)
    c[:, 1] = a[:, 1] * u + a[:, 2] * (2.0 * u * v)
    c[:, 0] = a[:, 0] + a[:, 1] * v + a[:, 2] * (v * v)
    # Input-capacitor current of interleaved phases below the first cancellation point: I^2 D/n (1 - n D).
    bank = max(duty / count * (1.0 - count * duty), 0.0) + 0.02 * duty
    c[12, 2] = parts.input_capacitor_resistance * bank / parts.phase_count
    return Coefficients(pieces=c.sum(axis=2), stage=c[: len(STAGE_PIECES)].sum(axis=0),
                        inductor=c[_INDUCTOR].sum(axis=0), copper=c[_COPPER].sum(axis=0), share=u, offset=v,
                        ripple=ripple)


def processor_voltage(activity, leakage: float, set_voltage: float, load_line: float):
    """Return the rail voltage [V] at a processor that takes `activity*(V/set)^2 + leakage` [W] over a load line.

    Closed form: (1 + R g) V^2 - set V + R L = 0 with g = activity/set^2; NaN where the load line cannot carry it.
    """
    slope = 1.0 + load_line * activity / (set_voltage * set_voltage)
    inside = set_voltage * set_voltage - 4.0 * slope * load_line * leakage
    return (set_voltage + np.sqrt(inside)) / (2.0 * slope)


def input_current(load_power, supply_voltage: float, resistance: float):
    """Return the current [A] from a supply of `supply_voltage` through `resistance` into a load of `load_power` [W]."""
    inside = supply_voltage * supply_voltage - 4.0 * resistance * load_power
    return 2.0 * load_power / (supply_voltage + np.sqrt(inside))
