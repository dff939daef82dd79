"""Load steps at a fixed duty: whole periods by doubling, periods with a corner of the load cut at the corner."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from phasewright.physics._arguments import Array, refuse
from phasewright.physics.waveform.clock import Schedule, fixed_duty_schedule
from phasewright.physics.waveform.exponential import growth
from phasewright.physics.waveform.network import Network
from phasewright.physics.waveform.parts import Circuit, LoadProfile
from phasewright.physics.waveform.record import Waveform
from phasewright.physics.waveform.steady import numbered, period_growth

__all__ = ["corners_of", "fixed_duty_waveform", "period_count", "repeat"]

MOST_EVENTS = 5_000_000


def period_count(circuit: Circuit, duration: float, events: int) -> int:
    """Return the whole periods that cover a duration [s]; ValueError when that makes too many events to keep."""
    count = max(1, math.ceil(duration * circuit.switching_frequency * (1.0 - 1e-12)))
    if count * events > MOST_EVENTS:
        rule = f"at {events} events a period at most {MOST_EVENTS // events} periods fit into memory"
        raise refuse("duration", duration, rule, "shorten duration", "too long")
    return count


def corners_of(network: Network, load: LoadProfile) -> list[tuple[float, float, float]]:
    """Return (time, current, slope after it) of each corner; ValueError for a jump that an inductance forbids."""
    corners = []
    for k, (time, current) in enumerate(zip(load.time, load.current, strict=True)):
        last = k + 1 == len(load.time)
        if not last and load.time[k + 1] == time:
            if load.current[k + 1] != current and not network.jumps_allowed:
                rule = "behind an inductance the load current cannot jump"
                mend = "spread the step over a time, or add a load bank without inductance"
                raise refuse(f"time[{k + 1}]", time, rule, mend, "impossible load profile")
            continue
        slope = 0.0 if last else (load.current[k + 1] - current) / (load.time[k + 1] - time)
        corners.append((time, current, slope))
    return corners


def repeat(passage: Array, start: Array, count: int) -> Array:
    """Return start, P start, P^2 start, ... by doubling; passage (d, d), start (d,), result (count, d)."""
    states = np.empty((count, len(start)))
    states[0] = start
    filled, power = 1, passage
    while filled < count:
        more = min(filled, count - filled)
        states[filled : filled + more] = states[:more] @ power.T
        filled += more
        if filled < count:
            power = power @ power
    return states


def _cut_period(
    network: Network, schedule: Schedule, start: Array, cuts: Sequence[tuple[float, float, float]]
) -> tuple[Array, list[bytes], Array]:
    """Return times, patterns and states of one period with corners (times after the clock) in it, and its end state."""
    period = network.circuit.period
    edges = np.append(schedule.time, period)
    time = np.unique(np.concatenate([edges, [cut[0] for cut in cuts]]))
    place = np.clip(np.searchsorted(schedule.time, 0.5 * (time[:-1] + time[1:]), side="right") - 1, 0, None)
    patterns = [schedule.patterns[k] for k in place]
    each = growth(np.array([network.at(pattern).matrix for pattern in patterns]), np.diff(time))
    states = np.empty((len(patterns) + 1, len(start)))
    states[0] = start
    turning = {cut[0]: cut for cut in cuts}
    for k, moment in enumerate(time[:-1]):
        if moment in turning:
            _, current, slope = turning[moment]
            states[k, -3:] = current, slope * period, 1.0
        states[k + 1] = states[k] + each[k] @ states[k]
    return time, patterns, states


def fixed_duty_waveform(
    network: Network, start: Array, load: LoadProfile, duration: float, duty: Sequence[float],
    backward: Sequence[tuple[bool, bool]] = (),
) -> Waveform:  # fmt: skip
    """Return the waveform from a starting state (n + 3,) at the clock, whole periods long."""
    circuit = network.circuit
    period = circuit.period
    schedule = fixed_duty_schedule(circuit, duty, backward)
    events = len(schedule.time)
    periods = period_count(circuit, duration, events)
    corners = [corner for corner in corners_of(network, load) if corner[0] < periods * period]
    total = period_growth(network, schedule)
    passage = np.eye(len(start)) + total
    spread = np.ascontiguousarray(passage[:-1].transpose(2, 0, 1).reshape(len(start), -1))  # (d, J d)
    cut: dict[int, list[tuple[float, float, float]]] = {}
    for time, current, slope in corners:
        number = min(int(time * circuit.switching_frequency), periods - 1)
        cut.setdefault(number, []).append((min(max(time - number * period, 0.0), period), current, slope))

    distinct, base = numbered(schedule.patterns)
    names = {pattern: k for k, pattern in enumerate(distinct)}
    # A corner adds at most one event.
    time = np.empty(periods * events + len(corners) + 1)
    number = np.empty(len(time) - 1, dtype=np.intp)
    states = np.empty((len(time), len(start)))
    state, done, filled = start, 0, 0
    for which in [*sorted(cut), periods]:
        if which > done:
            begin = repeat(passage[-1], state, which - done)
            part = slice(filled, filled + events * (which - done))
            np.matmul(begin, spread, out=states[part].reshape(which - done, -1))
            np.add.outer(np.arange(done, which) * period, schedule.time, out=time[part].reshape(which - done, -1))
            number[part].reshape(which - done, -1)[:] = base
            state, filled = passage[-1] @ begin[-1], part.stop
        if which < periods:
            moments, found, values = _cut_period(network, schedule, state, cut[which])
            part = slice(filled, filled + len(found))
            time[part] = which * period + moments[:-1]
            states[part] = values[:-1]
            number[part] = [names[pattern] for pattern in found]
            state, filled = values[-1], part.stop
        done = which + 1
    time[filled], states[filled] = periods * period, state
    return Waveform(
        network, time[: filled + 1], distinct, number[:filled], states[: filled + 1], periodic=False, duty=tuple(duty)
    )
