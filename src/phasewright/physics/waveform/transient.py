"""Load steps and releases from a steady state on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phasewright.physics._arguments import refuse
from phasewright.physics.waveform.load_steps import fixed_duty_waveform
from phasewright.physics.waveform.loop import VoltageLoop, march_waveform
from phasewright.physics.waveform.network import BACKWARD, FORWARD, Network
from phasewright.physics.waveform.parts import Circuit, LoadProfile, each_phase, require
from phasewright.physics.waveform.record import Waveform
from phasewright.physics.waveform.steady import duty_for_load_voltage, steady_network

__all__ = ["follow", "load_step_waveform"]


def load_step_waveform(
    circuit: Circuit,
    load: LoadProfile,
    duration: float,
    *,
    duty: float | Sequence[float] | None = None,
    load_voltage: float | None = None,
    loop: VoltageLoop | None = None,
    diode_emulation: bool = False,
) -> Waveform:
    """Return what follows when the load of a settled regulator steps, ramps or is released.

    x(t + h) = exp(A h) x(t) + what a load in straight lines adds

    With a fixed duty whole periods are passed by doubling; with a voltage loop the simulation goes from event to
    event. Both are exact.

    Parameters:
        circuit [-]: regulator, supply and board.
        load [-]: load current as straight lines; its first current has been on for ever.
        duration [s]: length to compute, rounded up to whole periods of the clock.
        duty [1]: share of the period in which each high side conducts at the start, one number or one a phase.
        load_voltage [V]: mean voltage wanted at the load at the start, when the duty is to follow from it.
        loop [-]: controller that changes the duty from there on; None keeps it.
        diode_emulation [-]: True when low sides turn off once their current has come down to zero.

    Returns:
        waveform from the clock on; signals [V], [A] at any times, of the shape asked for.

    Range:
        at most five million events; the load jumps only where no inductance forbids it (else ValueError); with
        diode_emulation the start is continuous conduction with currents above zero.

    Assumptions:
        as for steady_waveform; the controller answers once in a turn, so what a faster comparator would add is not
        in it.

    Example:
        >>> from phasewright.physics.waveform.parts import CapacitorBank, Phases
        >>> six = Circuit(Phases(6, 0.22e-6), 12.0, 400e3, (CapacitorBank(4e-3, 0.5e-3),))
        >>> step = LoadProfile((1e-6, 1.1e-6), (50.0, 150.0))
        >>> wave = load_step_waveform(six, step, 20e-6, duty=0.1)
        >>> round(wave.sample("load_current", 1.05e-6), 6)
        100.0

    Source:
        Kirchhoff's laws; matrix exponential between events; checked beside scipy's ODE solver.
    """
    what = "impossible load step"
    length = require(what, "duration", duration, 0.0, above=True)
    if (duty is None) == (load_voltage is None):
        rule = "the duty at the start is either told or follows from the voltage wanted at the load"
        raise refuse("duty", "None" if duty is None else duty, rule, "give duty or load_voltage", "not one of two")
    if loop is not None and loop.load_line > 0.0 and circuit.load_line > 0.0:
        rule = "the load line is either the loop's or the circuit's"
        raise refuse("load_line", circuit.load_line, rule, "set that of the circuit to 0", what)
    network = Network(circuit)
    if load_voltage is not None:
        wanted = require(what, "load_voltage", load_voltage, 0.0, above=True)
        duty = duty_for_load_voltage(network, load.current[0], wanted)
    told = each_phase("impossible duty", "duty", duty, circuit.phases.phase_count)
    steady = steady_network(network, load.current[0], told)
    return follow(steady, load, length, loop, diode_emulation)


def follow(
    steady: Waveform, load: LoadProfile, length: float, loop: VoltageLoop | None, diode_emulation: bool = False
) -> Waveform:
    """Return what follows a steady state when its load changes."""
    network = steady._network
    told = [value - error for value, error in zip(steady.duty, network.circuit.phases.duty_error, strict=True)]
    if loop is None and not diode_emulation:
        backward = _directions(steady)
        result = fixed_duty_waveform(network, steady._state[0], load, length, told, backward)
        if _diodes_agree(result):
            return result
    return march_waveform(network, steady, load, length, loop, diode_emulation)


def _modes(waveform: Waveform) -> np.ndarray:
    patterns = np.frombuffer(b"".join(waveform._patterns), dtype=np.uint8).reshape(len(waveform._patterns), -1)
    return patterns[waveform._number]


def _directions(steady: Waveform) -> list[tuple[bool, bool]]:
    """Return, a phase, whether its current flows back in the dead time before and after its high side conducts."""
    circuit, modes = steady.circuit, _modes(steady)
    middle = 0.5 * (steady.time[:-1] + steady.time[1:])
    found = []
    for k, shift in enumerate(circuit.phases.phase_shift):
        before = (middle - shift * circuit.period) % circuit.period >= circuit.period - (
            circuit.phases.rising_dead_time[k]
        )
        back = modes[:, k] == BACKWARD
        found.append((bool((back & before).any()), bool((back & ~before).any())))
    return found


def _diodes_agree(waveform: Waveform) -> bool:
    """Return True when every diode's current flows the way that was taken for granted."""
    modes = _modes(waveform)
    if not (modes >= FORWARD).any():
        return True
    for k in range(modes.shape[1]):
        places = np.flatnonzero(modes[:, k] >= FORWARD)
        row = waveform._network.row(waveform._patterns[0], "phase_current", k)
        sign = np.where(modes[places, k] == BACKWARD, -1.0, 1.0)
        if (sign * (waveform._state[places] @ row) < 0.0).any():
            return False
        if (sign * (waveform._state[places + 1] @ row) < 0.0).any():
            return False
    return True
