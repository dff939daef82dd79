"""The periodic steady state, solved directly: the state that one period of the clock brings back to itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from phasewright.physics._arguments import Array, refuse
from phasewright.physics.waveform.clock import Schedule, duties_of, fixed_duty_schedule
from phasewright.physics.waveform.exponential import growth
from phasewright.physics.waveform.network import FORWARD, Network
from phasewright.physics.waveform.parts import Circuit, each_phase, require
from phasewright.physics.waveform.record import Waveform

__all__ = ["duty_for_load_voltage", "period_growth", "steady_network", "steady_waveform"]

FREE = 1e-13
"""Relative change in a period below which a mode is taken to keep for ever."""


def numbered(patterns: Sequence[bytes]) -> tuple[tuple[bytes, ...], Any]:
    """Return the distinct patterns and the number of each given one, (K,)."""
    distinct = tuple(dict.fromkeys(patterns))
    place = {pattern: k for k, pattern in enumerate(distinct)}
    return distinct, np.array([place[pattern] for pattern in patterns])


def period_growth(network: Network, schedule: Schedule) -> Array:
    """Return passage less 1 from the clock to each event of a period and to its end, (J + 1, n + 3, n + 3)."""
    matrices = np.array([network.at(pattern).matrix for pattern in schedule.patterns])
    each = growth(matrices, schedule.length)
    total = np.zeros((len(each) + 1, *each.shape[1:]))
    for k, one in enumerate(each):
        total[k + 1] = total[k] + one + one @ total[k]
    return total


def _solve(network: Network, schedule: Schedule, load_current: float) -> Array:
    """Return the states at every event of the period, (J + 1, n + 3)."""
    n = network.order
    total = period_growth(network, schedule)
    given = np.array([load_current, 0.0, 1.0])
    whole = total[-1]
    push = whole[:n, n:] @ given
    u, sizes, v = np.linalg.svd(whole[:n, :n])
    free = sizes <= FREE * max(1.0, sizes[0])
    seen = u.T @ push
    if free.any() and np.abs(seen[free]).max() > 1e-9 * (np.abs(push).max() + 1e-300):
        rule = "without resistance, phases whose volt-seconds differ drift apart for ever"
        mend = "state resistances, or give all phases one duty"
        raise refuse("lossless modes", int(free.sum()), rule, mend, "no steady state")
    state = -v[~free].T @ (seen[~free] / sizes[~free])
    if free.any():
        state = _share_alike(network, schedule, total, state, v[free], given)
    start = np.concatenate([state, given])
    states = start + total @ start
    states[-1] = start  # the end is the start, to the last digit
    return states


def _share_alike(
    network: Network, schedule: Schedule, total: Array, state: Array, loose: Array, given: Array
) -> Array:
    """Return the state with circulating currents, on which nothing else decides, set so that phases share alike."""
    start = np.concatenate([state, given])
    begin, stop = start + total[:-1] @ start, start + total[1:] @ start
    rows = network.at(schedule.patterns[0]).rows["phase_current"]
    # Lossless phase currents run in straight lines but for the ripple of the voltages, which is common to all phases.
    mean = ((begin + stop) @ rows.T * schedule.length[:, None]).sum(axis=0) / (2.0 * schedule.length.sum())
    change = rows[:, : network.order] @ loose.T
    return state + loose.T @ np.linalg.lstsq(change, mean.mean() - mean, rcond=None)[0]


def steady_network(network: Network, load_current: float, duty: float | Sequence[float]) -> Waveform:
    """Return the steady waveform of a network whose equations are at hand already."""
    circuit, phases = network.circuit, network.circuit.phases
    dead = any(phases.rising_dead_time) or any(phases.falling_dead_time)
    backward = [(False, False)] * phases.phase_count
    for _ in range(2 * phases.phase_count + 2):
        schedule = fixed_duty_schedule(circuit, duty, backward)
        states = _solve(network, schedule, load_current)
        if not dead:
            break
        signs = _signs(network, schedule, states)
        if signs == backward:
            break
        backward = signs
    else:
        rule = "the direction of a phase's current in its dead time must not depend on itself"
        raise refuse("load_current", load_current, rule, "set the dead times to 0", "no steady state found")
    patterns, number = numbered(schedule.patterns)
    time = np.append(schedule.time, circuit.period)
    return Waveform(network, time, patterns, number, states, periodic=True, duty=duties_of(circuit, duty))


def _signs(network: Network, schedule: Schedule, states: Array) -> list[tuple[bool, bool]]:
    """Return, a phase, whether its current flows back in each dead time; ValueError when it passes zero within."""
    current = states @ network.at(schedule.patterns[0]).rows["phase_current"].T  # (J + 1, N)
    modes = np.frombuffer(b"".join(schedule.patterns), dtype=np.uint8).reshape(len(schedule.patterns), -1)
    phases, period = network.circuit.phases, network.circuit.period
    middle = schedule.time + 0.5 * schedule.length
    found = []
    for k in range(phases.phase_count):
        before_turn_on = (middle - phases.phase_shift[k] * period) % period >= period - phases.rising_dead_time[k]
        signs = []
        for within in (before_turn_on, ~before_turn_on):
            places = np.flatnonzero((modes[:, k] >= FORWARD) & within)
            flows = np.concatenate([current[places, k], current[places + 1, k]])
            if flows.size and flows.min() < 0.0 < flows.max():
                rule = "the current of a phase must not pass zero within a dead time"
                raise refuse("phase", k, rule, "set its dead times to 0, or raise the load", "no steady state found")
            signs.append(bool(flows.size) and bool(flows.min() < 0.0))
        found.append((signs[0], signs[1]))
    return found


def duty_for_load_voltage(network: Network, load_current: float, load_voltage: float) -> float:
    """Return the duty told to all phases with which the mean voltage at the load is as asked for, by secants."""
    circuit, phases = network.circuit, network.circuit.phases
    drop = load_current * (circuit.load_line + circuit.path_resistance)
    drop += load_current * float(np.mean(phases.inductor_resistance) + np.mean(phases.low_side_resistance)) / (
        phases.phase_count
    )
    floor = max(1e-6, 1e-6 - min(phases.duty_error))
    dead = max(a + b for a, b in zip(phases.rising_dead_time, phases.falling_dead_time, strict=True)) / circuit.period
    ceiling = min(1.0 - 1e-9, 1.0 - dead) - max(0.0, *phases.duty_error)
    tried = [float(np.clip((load_voltage + drop) / circuit.input_voltage, floor, ceiling))]
    tried.append(float(np.clip(tried[0] + 1e-3, floor, ceiling)) if tried[0] < ceiling else tried[0] - 1e-3)
    errors = [steady_network(network, load_current, duty).mean("load_voltage") - load_voltage for duty in tried]
    for _ in range(12):
        if abs(errors[-1]) <= 1e-13 * load_voltage or errors[-1] == errors[-2]:
            break
        duty = tried[-1] - errors[-1] * (tried[-1] - tried[-2]) / (errors[-1] - errors[-2])
        duty = float(np.clip(duty, floor, ceiling))
        if duty == tried[-1]:
            break
        tried.append(duty)
        errors.append(steady_network(network, load_current, duty).mean("load_voltage") - load_voltage)
    if abs(errors[-1]) > 1e-9 * abs(load_voltage):
        rule = f"with {circuit.input_voltage:g} V at the input the load gets {errors[-1] + load_voltage:g} V at most"
        raise refuse("load_voltage", load_voltage, rule, "ask for less, or mend the circuit", "voltage out of reach")
    return tried[-1]


def steady_waveform(
    circuit: Circuit,
    load_current: float,
    *,
    duty: float | Sequence[float] | None = None,
    load_voltage: float | None = None,
) -> Waveform:
    """Return one period of the periodic steady state, solved directly and exact at every time.

    (1 - P) x = g

    P takes the state over a period with its switching events, g is what the sources add; P - 1 is carried as such,
    so that currents that circulate between phases of little resistance keep their digits.

    Parameters:
        circuit [-]: regulator, supply and board.
        load_current [A]: constant current of the load; negative when it is fed back.
        duty [1]: share of the period in which each high side conducts, one number or one a phase.
        load_voltage [V]: mean voltage wanted at the load, when the duty is to follow from it (the same for all phases).

    Returns:
        waveform of one period from the clock on, repeating; signals [V], [A] at any times, of the shape asked for.

    Range:
        continuous conduction; on-time and dead times fit into the period; the current of no phase passes zero within
        a dead time (else ValueError). Without any resistance phases share alike, if their volt-seconds allow it.

    Assumptions:
        switches are resistances that change at once, so switching and gate losses are not in it; the diode drop is
        constant; capacitors and inductors keep their values.

    Example:
        >>> from phasewright.physics.waveform.parts import CapacitorBank, Phases
        >>> six = Circuit(Phases(6, 0.22e-6), 12.0, 400e3, (CapacitorBank(1.0),))
        >>> wave = steady_waveform(six, 200.0, duty=0.1)
        >>> round(wave.extremes("phase_current", 0).swing, 4), round(wave.extremes("total_current").swing, 4)
        (12.2727, 5.4545)

    Source:
        Kirchhoff's laws; matrix exponential between events; checked beside scipy's ODE solver.
    """
    current = require("impossible load", "load_current", load_current)
    if (duty is None) == (load_voltage is None):
        rule = "the duty is either told or follows from the voltage wanted at the load"
        raise refuse("duty", "None" if duty is None else duty, rule, "give duty or load_voltage", "not one of two")
    network = Network(circuit)
    if load_voltage is not None:
        wanted = require("impossible voltage", "load_voltage", load_voltage, 0.0, above=True)
        duty = duty_for_load_voltage(network, current, wanted)
    return steady_network(network, current, each_phase("impossible duty", "duty", duty, circuit.phases.phase_count))


