"""Load step and release under a tuned voltage loop: droop, overshoot, settling, and the waveform."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from phasewright.physics._arguments import Array, refuse
from phasewright.physics.waveform.parts import Circuit, LoadProfile, require
from phasewright.physics.waveform.record import Waveform
from phasewright.physics.waveform.steady import steady_waveform
from phasewright.physics.waveform.transient import follow
from phasewright.physics.waveform.tuning import bandwidth_of, tune

__all__ = ["StepResponse", "load_step_response", "settling_after"]

OFFSETS = 4
"""Moments of a turn at which the step is tried: what comes right after a sample waits longest."""


@dataclass(frozen=True, slots=True)
class StepResponse:
    """What a load step and its release do to the voltage at the load."""

    time: Array
    """[s] from the start of the step, shape (S,); the release starts at `release_time`"""
    load_current: Array
    """[A] (S,)"""
    load_voltage: Array
    """[V] (S,)"""
    release_time: float
    """[s]"""
    droop: float
    """[V] from the mean before the step down to the least voltage after it"""
    droop_beyond: float
    """[V] from the level where the load line is to end down to the least voltage; below 0 when it never gets there"""
    overshoot: float
    """[V] from the mean before the release up to the greatest voltage after it"""
    overshoot_beyond: float
    """[V] from the set voltage at the low current up to the greatest voltage; below 0 when it never gets there"""
    droop_settling: float
    """[s] until the voltage stays in the band after the step; infinite when it does not before the release, NaN when
    no band is given"""
    overshoot_settling: float
    """[s] until the voltage stays in the band after the release; infinite when it does not, NaN without a band"""
    bandwidth: float
    """[Hz] crossover of the voltage loop"""


def settling_after(wave: Waveform, signal: str, start: float, end: float, low: float, high: float) -> float:
    """Return how long after `start` [s] a signal last lies outside low to high; infinite when it does so at the end."""
    edges = wave.time[(wave.time > start) & (wave.time < end)]
    edges = np.concatenate([[start], edges, [end]])
    time = (edges[:-1, None] + np.diff(edges)[:, None] * np.linspace(0.0, 1.0, 9)[None, :-1]).reshape(-1)
    time = np.append(time, end)
    values = wave.sample(signal, time)
    outside = np.flatnonzero((values < low) | (values > high))
    if not outside.size:
        return 0.0
    last = int(outside[-1])
    if last == len(time) - 1:
        return math.inf
    for _ in range(4):
        time = np.linspace(time[last], time[last + 1], 33)
        values = wave.sample(signal, time)
        last = int(np.flatnonzero((values[:-1] < low) | (values[:-1] > high))[-1])
    return float(time[last + 1]) - start


def load_step_response(
    circuit: Circuit,
    *,
    set_voltage: float,
    low_current: float,
    high_current: float,
    load_slew: float,
    load_line: float = 0.0,
    band_width: float | None = None,
    bandwidth: float | None = None,
    duration: float = 100e-6,
    sample_count: int = 2000,
) -> StepResponse:
    """Return what a load step and, `duration` later, its release do to a regulator with a tuned voltage loop.

    e = V_set - R_LL I - v, sampled once a turn;  v from the switching simulation

    The step is tried at four moments of a turn; droop and overshoot are the greatest of them, settling the longest,
    and the waveform is the one with the greatest droop.

    Parameters:
        circuit [-]: regulator, supply and board, without load line of its own.
        set_voltage [V]: output voltage at no load.
        low_current [A]: load before the step and after the release.
        high_current [A]: load after the step.
        load_slew [A/s]: how fast the load changes, without sign.
        load_line [Ohm]: slope of the load's voltage over its current.
        band_width [V]: whole width of the band around the load line in which the voltage counts as settled.
        bandwidth [Hz]: crossover of the voltage loop; None takes a fifth of the switching frequency; lower where the
            phase margin of 60 degrees asks for it.
        duration [s]: time from step to release, and again after it.
        sample_count [1]: samples of the waveform returned.

    Returns:
        response; its samples [s], [A], [V] have the shape (sample_count,).

    Range:
        high_current above low_current, the step shorter than duration, load_slew above 0 (else ValueError).

    Assumptions:
        a controller that samples each phase in its turn and has one lead and an integral; regulators with a
        comparator that answers at once droop less, slower ones more.

    Example:
        >>> from phasewright.physics.waveform.parts import CapacitorBank, Phases
        >>> six = Circuit(Phases(6, 0.22e-6, 0.3e-3, 3e-3, 1e-3), 12.0, 400e3, (CapacitorBank(4e-3, 0.5e-3),))
        >>> answer = load_step_response(six, set_voltage=1.2, low_current=50.0, high_current=150.0, load_slew=1e9,
        ...     load_line=0.5e-3)
        >>> 0.05 < answer.droop < 0.09
        True

    Source:
        switching simulation, checked beside scipy's ODE solver.
    """
    what = "impossible load step"
    low = require(what, "low_current", low_current)
    high = require(what, "high_current", high_current)
    if high <= low:
        raise refuse("high_current", high, f"high_current is above low_current ({low:g} A)", "swap them", what)
    ramp = (high - low) / require(what, "load_slew", load_slew, 0.0, above=True)
    apart = require(what, "duration", duration, 0.0, above=True)
    if ramp >= apart - circuit.period:
        rule = f"the step itself takes {ramp:g} s, and a period must be left"
        raise refuse("duration", apart, rule, "lengthen duration", what)
    if band_width is not None:
        require(what, "band_width", band_width, 0.0, above=True)
    if sample_count != int(sample_count) or sample_count < 2:
        raise refuse("sample_count", sample_count, "a whole number of at least 2", "mend sample_count", what)
    if circuit.load_line > 0.0:
        rule = "the load line is the loop's here"
        raise refuse("circuit.load_line", circuit.load_line, rule, "set that of the circuit to 0", what)
    levels = (set_voltage - load_line * low, set_voltage - load_line * high)
    steady = steady_waveform(circuit, low, load_voltage=levels[0])
    loop, crossover = tune(steady, load_line, bandwidth_of(circuit, bandwidth))
    turn = circuit.period / circuit.phases.phase_count
    tries = []
    for k in range(OFFSETS):
        start = 2.0 * circuit.period + (k + 0.01) / OFFSETS * turn
        release, end = start + apart, start + 2.0 * apart
        load = LoadProfile((start, start + ramp, release, release + ramp), (low, high, high, low))
        wave = follow(steady, load, end, loop)
        tries.append((_figures(wave, (start, release, end), levels, band_width), start, wave))
    figures = np.array([item[0] for item in tries])
    _, start, wave = tries[int(np.argmax(figures[:, 0]))]
    time = np.linspace(-circuit.period, 2.0 * apart, int(sample_count))
    seen = [np.asarray(wave.sample(name, time + start)) for name in ("load_current", "load_voltage")]
    return StepResponse(time, seen[0], seen[1], apart, *map(float, figures.max(axis=0)), crossover)


def _figures(
    wave: Waveform, moments: tuple[float, float, float], levels: tuple[float, float], band: float | None
) -> tuple[float, ...]:
    """Return droop, droop beyond, overshoot, overshoot beyond, and both settling times, as StepResponse has them."""
    start, release, end = moments
    period = wave.circuit.period
    least = wave.extremes("load_voltage", start=start, end=release).low
    most = wave.extremes("load_voltage", start=release, end=end).high
    before = wave.mean("load_voltage", end=period)
    held = wave.mean("load_voltage", start=release - period, end=release)
    settled = [math.nan, math.nan]
    if band is not None:
        for k, (begin, stop, level) in enumerate(((start, release, levels[1]), (release, end, levels[0]))):
            settled[k] = settling_after(wave, "load_voltage", begin, stop, level - 0.5 * band, level + 0.5 * band)
    return before - least, levels[1] - least, most - held, most - levels[0], *settled
