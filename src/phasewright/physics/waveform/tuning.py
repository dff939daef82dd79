"""A voltage loop for a circuit: crossover and phase margin from the averaged network's exact frequency response."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from phasewright.physics._arguments import refuse
from phasewright.physics.waveform.loop import VoltageLoop
from phasewright.physics.waveform.network import HIGH, LOW
from phasewright.physics.waveform.parts import Circuit, require
from phasewright.physics.waveform.record import Waveform
from phasewright.physics.waveform.steady import steady_waveform

__all__ = ["bandwidth_of", "duty_response", "loop_gain_of", "tune", "tuned_loop"]

MOST_LEAD = math.radians(65.0)
INTEGRAL_SHARE = 1.0 / 8.0
"""Where the integral hands over to the proportional part, as a share of the crossover."""


def duty_response(steady: Waveform, load_line: float, frequency: Any) -> Any:
    """Return what one unit of duty does to load voltage plus load line x current [V], averaged over a period."""
    network = steady._network
    circuit, n = network.circuit, network.order
    share = np.bincount(steady._number, np.diff(steady.time)) / circuit.period
    moments, _ = steady._moments(None, None)
    mean = moments[:, :, -1].sum(axis=0) / circuit.period
    matrix = sum(
        part * network.at(pattern).matrix for part, pattern in zip(share, steady._patterns, strict=True)
    )

    def sensed(pattern: bytes) -> Any:
        return network.row(pattern, "load_voltage", None) + load_line * network.row(pattern, "total_current", None)

    row = sum(part * sensed(pattern) for part, pattern in zip(share, steady._patterns, strict=True))
    on, off = (bytes([mode]) * circuit.phases.phase_count for mode in (HIGH, LOW))
    push = (network.at(on).matrix - network.at(off).matrix)[:n] @ mean
    through = (sensed(on) - sensed(off)) @ mean
    s = 2j * np.pi * np.asarray(frequency, dtype=np.float64).reshape(-1)
    answer = np.linalg.solve(s[:, None, None] * np.eye(n) - matrix[:n, :n], push[:, None].astype(complex))
    return (answer[..., 0] @ row[:n] + through).reshape(np.shape(frequency))


def _controller(loop: VoltageLoop, frequency: Any) -> Any:
    s = 2j * np.pi * np.asarray(frequency, dtype=np.float64)
    return loop.proportional_gain + loop.integral_gain / s + loop.derivative_gain * s / (1.0 + loop.filter_time * s)


def loop_gain_of(steady: Waveform, loop: VoltageLoop, frequency: Any) -> Any:
    """Return the loop gain at frequencies [Hz], delay of samples and turn-off edges counted; its shape, complex."""
    circuit = steady.circuit
    late = loop.delay_turns * circuit.period / circuit.phases.phase_count + float(np.mean(steady.duty)) * circuit.period
    delay = np.exp(-2j * np.pi * np.asarray(frequency) * late)
    return _controller(loop, frequency) * duty_response(steady, loop.load_line, frequency) * delay


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

    The lead is as great as the margin asks for, up to 65 degrees; where that is not enough the crossover moves down.

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
        small changes, averaged over a period; a sample takes effect at the turn-off edge it decides.

    Example:
        >>> from phasewright.physics.waveform.parts import CapacitorBank, Phases
        >>> six = Circuit(Phases(6, 0.22e-6, 0.3e-3, 3e-3, 1e-3), 12.0, 400e3, (CapacitorBank(4e-3, 0.5e-3),))
        >>> tuned_loop(six, 100.0, 1.2, load_line=0.5e-3).derivative_gain < 1e-6
        True

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
    for _ in range(60):
        loop, reached = _attempt(steady, crossover, math.radians(phase_margin), load_line, delay_turns)
        if reached:
            return loop, crossover
        crossover *= 0.85
    rule = "one lead and an integral must reach the margin at some crossover"
    mend = "lower phase_margin, or state the gains of a VoltageLoop"
    raise refuse("phase_margin", phase_margin, rule, mend, "no voltage loop found")


def _attempt(
    steady: Waveform, crossover: float, margin: float, load_line: float, delay_turns: int
) -> tuple[VoltageLoop, bool]:
    """Return a loop that crosses over at a frequency [Hz], and whether its margin [rad] is there and stays below."""
    rate = 2.0 * math.pi * crossover
    plain = VoltageLoop(1.0, INTEGRAL_SHARE * rate, load_line=load_line, delay_turns=delay_turns)
    lead = margin - float(np.angle(-loop_gain_of(steady, plain, crossover)))
    sine = math.sin(min(max(lead, 0.0), MOST_LEAD))
    ratio = (1.0 + sine) / (1.0 - sine)
    zero, pole = rate / math.sqrt(ratio), rate * math.sqrt(ratio)
    shaped = VoltageLoop(1.0, INTEGRAL_SHARE * rate, 1.0 / zero - 1.0 / pole, 1.0 / pole, load_line,
                         delay_turns=delay_turns)  # fmt: skip
    gain = 1.0 / abs(complex(loop_gain_of(steady, shaped, crossover)))
    loop = VoltageLoop(gain, gain * shaped.integral_gain, gain * shaped.derivative_gain, shaped.filter_time, load_line,
                       delay_turns=delay_turns)  # fmt: skip
    # Every crossing of unity up to half the rate of turns needs the margin, less what one lead cannot hit exactly.
    highest = 0.5 * steady.circuit.switching_frequency * steady.circuit.phases.phase_count
    frequency = np.geomspace(crossover / 30.0, max(highest, 2.0 * crossover), 400)
    response = loop_gain_of(steady, loop, frequency)
    size = np.abs(response)
    crossings = np.flatnonzero((size[:-1] - 1.0) * (size[1:] - 1.0) <= 0.0)
    worst = min((abs(float(np.angle(-response[k]))) for k in crossings), default=math.pi)
    return loop, lead <= MOST_LEAD and worst >= 0.8 * margin
