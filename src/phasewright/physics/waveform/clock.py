"""When which switch conducts: the modulator's clock for a fixed duty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.physics._arguments import Array, refuse
from phasewright.physics.waveform.network import BACKWARD, FORWARD, HIGH, LOW, Pattern
from phasewright.physics.waveform.parts import Circuit, each_phase

__all__ = ["Schedule", "duties_of", "fixed_duty_schedule"]

SAME = 1e-12
"""Share of a period within which two edges are one."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """One period of the clock as intervals without a switching event."""

    time: Array
    """[s] of each interval's start after the clock, (J,)"""
    length: Array
    """[s] (J,)"""
    patterns: tuple[Pattern, ...]
    """(J,)"""


def duties_of(circuit: Circuit, duty: float | Sequence[float]) -> tuple[float, ...]:
    """Return what each phase makes of the duty that it is told; ValueError where on-time and dead times do not fit."""
    phases = circuit.phases
    told = each_phase("impossible duty", "duty", duty, phases.phase_count)
    made = tuple(value + error for value, error in zip(told, phases.duty_error, strict=True))
    for k, value in enumerate(made):
        dead = (phases.rising_dead_time[k] + phases.falling_dead_time[k]) / circuit.period
        if not 0.0 < value <= 1.0 - dead or (value == 1.0):
            rule = f"on-time and dead times fill less than the period: above 0, at most {1.0 - dead:g}, below 1"
            raise refuse(f"duty of phase {k}", value, rule, "mend duty, duty_error or the dead times", "impossible duty")
    return made


def fixed_duty_schedule(
    circuit: Circuit, duty: float | Sequence[float], backward: Sequence[tuple[bool, bool]] = ()
) -> Schedule:
    """Return the intervals of one period; `backward` tells, a phase, whether its current flows back in the dead time
    before and after the high side conducts."""
    phases, count = circuit.phases, circuit.phases.phase_count
    made = np.array(duties_of(circuit, duty))
    start = np.array(phases.phase_shift)
    rising = np.array(phases.rising_dead_time) / circuit.period
    falling = np.array(phases.falling_dead_time) / circuit.period
    edges = np.concatenate([[0.0], start, start + made, start - rising, start + made + falling]) % 1.0
    edges = np.unique(edges)
    edges = edges[np.concatenate([[True], np.diff(edges) > SAME])]
    edges = edges[edges < 1.0 - SAME]
    length = np.diff(np.append(edges, 1.0))
    middle = (edges + 0.5 * length)[:, None]
    after = (middle - start) % 1.0  # (J, N) time since the high side turned on
    modes = np.full((len(edges), count), LOW, dtype=np.uint8)
    signs = np.array(backward, dtype=bool) if len(backward) else np.zeros((count, 2), dtype=bool)
    modes = np.where(after >= 1.0 - rising, np.where(signs[:, 0], BACKWARD, FORWARD), modes)
    modes = np.where((after >= made) & (after < made + falling), np.where(signs[:, 1], BACKWARD, FORWARD), modes)
    modes = np.where(after < made, HIGH, modes).astype(np.uint8)
    return Schedule(edges * circuit.period, length * circuit.period, tuple(row.tobytes() for row in modes))
