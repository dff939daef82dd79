"""A voltage loop for a circuit: crossover and phase margin of the averaged network as its samples see it."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from phasewright.physics._arguments import refuse
from phasewright.physics.waveform.exponential import growth
from phasewright.physics.waveform.loop import VoltageLoop
from phasewright.physics.waveform.network import HIGH, LOW
from phasewright.physics.waveform.parts import Circuit, require
from phasewright.physics.waveform.record import Waveform
from phasewright.physics.waveform.steady import steady_waveform

__all__ = ["bandwidth_of", "duty_response", "loop_gain_of", "tune", "tuned_loop"]

LEADS = tuple(math.radians(lead) for lead in range(0, 76, 3))
SHARES = (1.0 / 8.0, 1.0, 8.0, 80.0)
"""Where the integral hands over to the proportional part, as a share of the crossover; the last is nearly an integral
alone, for a crossover below a resonance."""


@dataclass(frozen=True, slots=True)
class _Average:
    """A steady network averaged over a period: x' = A x + b d, seen through a row."""

    matrix: Any
    push: Any
    row: Any
    through: float
    """What a change of the duty moves at once, where only inductances meet at the output."""


def _average(steady: Waveform, load_line: float) -> _Average:
    network = steady._network
    circuit, n = network.circuit, network.order
    share = np.bincount(steady._number, np.diff(steady.time)) / circuit.period
    mean = steady._moments(None, None)[0][:, :, -1].sum(axis=0) / circuit.period
    matrix = sum(part * network.at(pattern).matrix for part, pattern in zip(share, steady._patterns, strict=True))

    def sensed(pattern: bytes) -> Any:
        return network.row(pattern, "load_voltage", None) + load_line * network.row(pattern, "total_current", None)

    row = sum(part * sensed(pattern) for part, pattern in zip(share, steady._patterns, strict=True))
    on, off = (bytes([mode]) * circuit.phases.phase_count for mode in (HIGH, LOW))
    push = (network.at(on).matrix - network.at(off).matrix)[:n] @ mean
    return _Average(matrix[:n, :n], push, row[:n], float((sensed(on) - sensed(off)) @ mean))


def duty_response(steady: Waveform, load_line: float, frequency: Any) -> Any:
    """Return what one unit of duty does to load voltage plus load line x current [V], averaged over a period."""
    average = _average(steady, load_line)
    s = 2j * np.pi * np.asarray(frequency, dtype=np.float64).reshape(-1)
    unit = np.eye(len(average.row))
    answer = np.linalg.solve(s[:, None, None] * unit - average.matrix, average.push[:, None].astype(complex))
    return (answer[..., 0] @ average.row + average.through).reshape(np.shape(frequency))


def _plant(steady: Waveform, load_line: float, delay_turns: int, frequency: Any) -> Any:
    """Return the duty's effect on the samples at frequencies [Hz], delay and sampling counted, (F,) complex.

    A duty moves one turn-off edge: an impulse at that edge, seen by the samples from then on.
    """
    circuit = steady.circuit
    average = _average(steady, load_line)
    turn = circuit.period / circuit.phases.phase_count
    late = delay_turns * turn + float(np.mean(steady.duty)) * circuit.period
    first = math.floor(late / turn * (1.0 + 1e-12)) + 1
    grown = growth(np.array([average.matrix] * 2), np.array([turn, first * turn - late]))
    unit = np.eye(len(average.row))
    z = np.exp(2j * np.pi * frequency * turn)
    begin = (unit + grown[1]) @ average.push
    summed = np.linalg.solve(unit - (unit + grown[0]) / z[:, None, None], begin[:, None].astype(complex))
    return turn * z**-first * (summed[..., 0] @ average.row)


def _controller(loop: VoltageLoop, turn: float, frequency: Any) -> Any:
    """Return what the controller makes of its samples at frequencies [Hz], its delay apart, (F,) complex."""
    back = np.exp(-2j * np.pi * frequency * turn)
    share = turn / (loop.filter_time + turn)
    slope = share * (1.0 - back) / turn / (1.0 - (1.0 - share) * back)
    return loop.proportional_gain + loop.integral_gain * turn / (1.0 - back) + loop.derivative_gain * slope


def loop_gain_of(steady: Waveform, loop: VoltageLoop, frequency: Any) -> Any:
    """Return the loop gain at frequencies [Hz] up to half the rate of turns, as the samples see it; (F,) complex."""
    frequency = np.asarray(frequency, dtype=np.float64)
    turn = steady.circuit.period / steady.circuit.phases.phase_count
    return _controller(loop, turn, frequency) * _plant(steady, loop.load_line, loop.delay_turns, frequency)


def tuned_loop(
    circuit: Circuit,
    load_current: float,
    load_voltage: float,
    *,
    load_line: float = 0.0,
    bandwidth: float | None = None,
    phase_margin: float = 60.0,
    delay_turns: int = 1,
) -> VoltageLoop:
    """Return a voltage loop that crosses over at a frequency with a phase margin, or as near to it as one lead comes.

    C(s) = K (1 + s / w_z) / (1 + s / w_p) + K w_i / s,  |C G| = 1 at the crossover

    The lead is as great as the margin asks for, up to 75 degrees; where that is not enough, or the gain comes too near
    to -1 elsewhere, the crossover moves down. Samples count: what they fold back from beyond half their rate is in it.

    Parameters:
        circuit [-]: regulator, supply and board.
        load_current [A]: load at which the loop is tuned.
        load_voltage [V]: mean voltage at the load there.
        load_line [Ohm]: load line that the loop is to keep.
        bandwidth [Hz]: crossover wanted; None takes a fifth of the switching frequency.
        phase_margin [deg]: phase margin wanted at the crossover.
        delay_turns [1]: turns from a sample to the duty that comes of it.

    Returns:
        loop, for load_step_waveform; no numbers [-] of any shape.

    Range:
        bandwidth above 0 and below half the switching frequency; phase_margin 10 to 85 degrees (else ValueError).

    Assumptions:
        small changes of a network averaged over a period; a sample takes effect at the turn-off edge it decides.

    Example:
        >>> from phasewright.physics.waveform.parts import CapacitorBank, Phases
        >>> six = Circuit(Phases(6, 0.22e-6, 0.3e-3, 3e-3, 1e-3), 12.0, 400e3, (CapacitorBank(4e-3, 0.5e-3),))
        >>> round(tuned_loop(six, 100.0, 1.2, load_line=0.5e-3).proportional_gain, 3)
        0.945

    Source:
        Bode's margins with lead and integral; Erickson & Maksimovic, Fundamentals of Power Electronics, ch. 9 (from
        memory).
    """
    what = "impossible voltage loop"
    wanted = bandwidth_of(circuit, bandwidth)
    margin = require(what, "phase_margin", phase_margin, 10.0)
    if margin > 85.0:
        raise refuse("phase_margin", margin, "a phase margin is at most 85 degrees here", "lower phase_margin", what)
    steady = steady_waveform(circuit, load_current, load_voltage=load_voltage)
    return tune(steady, load_line, wanted, margin, delay_turns)[0]


def bandwidth_of(circuit: Circuit, bandwidth: float | None) -> float:
    """Return the crossover wanted [Hz]: a fifth of the switching frequency when none is told; ValueError if too high."""
    if bandwidth is None:
        return circuit.switching_frequency / 5.0
    wanted = require("impossible voltage loop", "bandwidth", bandwidth, 0.0, above=True)
    if wanted >= 0.5 * circuit.switching_frequency:
        rule = f"a crossover lies below half the switching frequency ({circuit.switching_frequency:g} Hz)"
        raise refuse("bandwidth", wanted, rule, "lower bandwidth", "impossible voltage loop")
    return wanted


def tune(
    steady: Waveform, load_line: float, crossover: float, phase_margin: float = 60.0, delay_turns: int = 1
) -> tuple[VoltageLoop, float]:
    """Return the loop for a steady state, and the crossover [Hz] that it got."""
    circuit = steady.circuit
    turn = circuit.period / circuit.phases.phase_count
    grid = np.geomspace(crossover / 1e4, 0.5 / turn, 900)
    seen = _plant(steady, load_line, delay_turns, grid)
    for _ in range(40):
        here = _plant(steady, load_line, delay_turns, np.array([crossover]))
        for share in SHARES:
            for lead in LEADS:
                loop = _shaped(crossover, share, lead, load_line, delay_turns)
                there = complex((_controller(loop, turn, np.array([crossover])) * here)[0])
                if cmath.phase(-there) < math.radians(phase_margin):
                    continue
                loop = _scaled(loop, 1.0 / abs(there))
                response = _controller(loop, turn, grid) * seen
                if _robust(response, math.radians(phase_margin), grid / crossover):
                    return loop, crossover
                break
        crossover *= 0.85
    rule = "one lead and an integral must reach the margin at some crossover"
    mend = "lower phase_margin, or state the gains of a VoltageLoop"
    raise refuse("phase_margin", phase_margin, rule, mend, "no voltage loop found")


def _shaped(crossover: float, share: float, lead: float, load_line: float, delay_turns: int) -> VoltageLoop:
    """Return a loop of unit gain with a lead [rad] around a frequency [Hz]."""
    rate = 2.0 * math.pi * crossover
    ratio = (1.0 + math.sin(lead)) / (1.0 - math.sin(lead))
    zero, pole = rate / math.sqrt(ratio), rate * math.sqrt(ratio)
    return VoltageLoop(1.0, share * rate, 1.0 / zero - 1.0 / pole, 1.0 / pole, load_line,
                       delay_turns=delay_turns)  # fmt: skip


def _scaled(loop: VoltageLoop, gain: float) -> VoltageLoop:
    return replace(
        loop,
        proportional_gain=gain * loop.proportional_gain,
        integral_gain=gain * loop.integral_gain,
        derivative_gain=gain * loop.derivative_gain,
    )


def _robust(response: Any, margin: float, ratio: Any) -> bool:
    """Return True when it is stable, has gain up to the crossover and none far above it (ratio 1 is the crossover), and
    no crossing lacks its margin nor -1 its room."""
    size = np.abs(response)
    turned = np.unwrap(np.angle(1.0 + response))
    # From the integral's quarter turn below zero to zero, without going round: Nyquist's criterion on half the circle.
    if size[ratio < 0.7].min() < 1.0 or size[ratio > 1.3].max(initial=0.0) > 1.0:
        return False
    if not -math.pi < turned[0] < 0.0 or abs(turned[-1]) > 0.5 * math.pi:
        return False
    crossings = np.flatnonzero((size[:-1] - 1.0) * (size[1:] - 1.0) <= 0.0)
    phases = np.angle(-response[crossings])
    return bool((np.abs(phases) >= 0.9 * margin).all()) and bool(
        np.abs(1.0 + response).min() >= min(0.6, 1.6 * math.sin(0.5 * margin))
    )
