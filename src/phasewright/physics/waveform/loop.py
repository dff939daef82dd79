"""A sampled voltage loop, and the modulator that turns its duties into switching events."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from phasewright.physics._arguments import refuse
from phasewright.physics.waveform.load_steps import corners_of, period_count
from phasewright.physics.waveform.marching import March
from phasewright.physics.waveform.network import BACKWARD, FORWARD, HIGH, LOW, OFF, Network
from phasewright.physics.waveform.parts import LoadProfile, require
from phasewright.physics.waveform.record import Waveform
from phasewright.physics.waveform.steady import numbered

__all__ = ["VoltageLoop", "march_waveform"]

TICK, TURN_OFF, AFTER_TURN_OFF, BEFORE_TURN_ON, CORNER = range(5)


@dataclass(frozen=True, slots=True)
class VoltageLoop:
    """A sampled controller: proportional, integral and filtered derivative action on the load's voltage.

    Every phase, when its turn comes, is told a duty from the samples taken `delay_turns` turns before (a turn is a period
    over the phase count): duty = duty at the start + proportional e + integral + derivative, held between duty_low and
    duty_high, with e = set voltage - load_line x total current - load voltage. The set voltage is the one at which the
    waveform starts. Where the duty is held, the integral waits.

    Raises ValueError when a value is impossible.
    """

    proportional_gain: float
    """[1/V]"""
    integral_gain: float = 0.0
    """[1/(V s)]"""
    derivative_gain: float = 0.0
    """[s/V]"""
    filter_time: float = 0.0
    """[s] time constant of the derivative's filter"""
    load_line: float = 0.0
    """[Ohm]"""
    duty_low: float = 0.0
    """[1]"""
    duty_high: float = 0.95
    """[1]"""
    delay_turns: int = 1
    """[1] turns from a sample to the duty that comes of it"""

    def __post_init__(self) -> None:
        what = "impossible voltage loop"
        names = ("proportional_gain", "integral_gain", "derivative_gain", "filter_time", "load_line", "duty_low")
        for name in names:
            object.__setattr__(self, name, require(what, name, getattr(self, name), 0.0))
        require(what, "duty_high", self.duty_high, self.duty_low, above=True)
        if self.duty_high > 1.0:
            raise refuse("duty_high", self.duty_high, "a duty is at most 1", "mend duty_high", what)
        if self.delay_turns != int(self.delay_turns) or self.delay_turns < 0:
            rule = "a delay is a whole number of turns, at least 0"
            raise refuse("delay_turns", self.delay_turns, rule, "mend delay_turns", what)


class _Controller:
    """What a voltage loop remembers from turn to turn."""

    def __init__(self, loop: VoltageLoop | None, march: March, duty: Sequence[float], load_current: float) -> None:
        self.loop, self.march, self.duty = loop, march, list(duty)
        phases = march.network.circuit.phases
        self.turn = march.network.circuit.period / phases.phase_count
        self.load_current = load_current
        self.errors = [0.0] * phases.phase_count
        self.integral = self.last = self.slope = 0.0
        self.waiting: list[float] = []
        self.offset: list[float] = []

    def measure(self) -> float:
        """Return load voltage plus what the load line takes of it [V], just before the present moment."""
        load_line = self.loop.load_line if self.loop else 0.0
        return self.march.signal("load_voltage") + load_line * self.march.signal("total_current")

    def told(self, phase: int) -> float:
        """Take a sample in a phase's turn; return the duty for its pulse."""
        if self.loop is None:
            return self.duty[phase]
        loop = self.loop
        error = self.offset[phase] - self.measure()
        self.waiting.append(error)
        error = self.waiting.pop(0) if len(self.waiting) > loop.delay_turns else 0.0
        self.slope += self.turn / (loop.filter_time + self.turn) * ((error - self.last) / self.turn - self.slope)
        self.last = error
        more = loop.integral_gain * error * self.turn
        change = loop.proportional_gain * error + loop.derivative_gain * self.slope + self.integral + more
        wanted = self.duty[phase] + change
        held = min(max(wanted, loop.duty_low), loop.duty_high)
        if held == wanted or (wanted > held) == (more < 0.0):
            self.integral += more
        return held


class _Modulator:
    """The queue of events, and what each phase does at each."""

    def __init__(self, march: March, control: _Controller, load: LoadProfile, end: float, emulation: bool) -> None:
        self.march, self.control, self.end, self.emulation = march, control, end, emulation
        self.circuit = march.network.circuit
        self.phases = self.circuit.phases
        self.modes = bytearray(march.pattern)
        self.order = itertools.count()
        self.queue: list[Any] = []
        self.generation = [0] * self.phases.phase_count
        self.corners = corners_of(march.network, load)
        for time, current, slope in self.corners:
            self.put(time, CORNER, -1, (current, slope))

    def put(self, time: float, kind: int, phase: int, what: Any = 0) -> None:
        """Have an event at a time [s]; of two at one time the kind with the greater number comes first."""
        heapq.heappush(self.queue, (time, -kind, next(self.order), phase, what))

    def start(self) -> None:
        """Take up a steady waveform at the clock: what each phase will do next."""
        period = self.circuit.period
        for k in range(self.phases.phase_count):
            shift = self.phases.phase_shift[k] % 1.0 * period
            since = -shift % period  # since the phase last turned on
            made = (self.control.duty[k] + self.phases.duty_error[k]) * period
            if shift > 0.0:
                after = made + self.phases.falling_dead_time[k]
                slack = 1e-9 * period
                if since <= made + slack:
                    self.put(max(made - since, 0.0), TURN_OFF, k, self.generation[k])
                elif since <= after + slack:
                    self.put(max(after - since, 0.0), AFTER_TURN_OFF, k, self.generation[k])
            self.announce(k, 0)

    def announce(self, phase: int, number: int) -> None:
        """Have a phase's turn in a period of the clock, and its dead time before."""
        time = (number + self.phases.phase_shift[phase] % 1.0) * self.circuit.period
        dead = self.phases.rising_dead_time[phase]
        if dead > 0.0 and time - dead >= self.march.time:
            self.put(time - dead, BEFORE_TURN_ON, phase)
        self.put(time, TICK, phase, number)

    def run(self) -> None:
        """March through all events up to the end."""
        march = self.march
        watched = self.emulation or any(self.phases.rising_dead_time) or any(self.phases.falling_dead_time)
        while True:
            time = min(self.queue[0][0], self.end)
            if watched:
                self.pass_zeros(time)
            march.go(time)
            if time >= self.end:
                return
            while self.queue and self.queue[0][0] <= time:
                _, kind, _, phase, what = heapq.heappop(self.queue)
                self.happen(-kind, phase, what)
            march.switch(bytes(self.modes))

    def pass_zeros(self, time: float) -> None:
        """Go up to the last zero of a current that a diode, or a low side that emulates one, stops before `time`."""
        march = self.march
        while time > march.time:
            first, stopped = time, -1
            for k, mode in enumerate(self.modes):
                if mode in (HIGH, OFF) or (mode == LOW and not self.emulation):
                    continue
                length = time - march.time
                after = march.current_after(k, length)
                if (after > 0.0) if mode == BACKWARD else (after < 0.0):
                    now = march.signal("phase_current", k)
                    inside = now < 0.0 if mode == BACKWARD else now > 0.0
                    moment = march.time + (march.crossing(k, length) if inside else 0.0)
                    if moment < first or stopped < 0:
                        first, stopped = moment, k
            if stopped < 0:
                return
            march.go(first)
            march.rest(stopped)
            self.modes[stopped] = OFF
            march.switch(bytes(self.modes))

    def diode(self, phase: int) -> int:
        """Return what a phase's switch node hangs on when both its switches turn off."""
        if self.modes[phase] == OFF:
            return OFF
        return BACKWARD if self.march.signal("phase_current", phase) < 0.0 else FORWARD

    def happen(self, kind: int, phase: int, what: Any) -> None:
        """Let an event happen; the pattern is changed afterwards, once for all events of a moment."""
        time = self.march.time
        if kind == CORNER:
            self.march.load(*what)
        elif kind == BEFORE_TURN_ON:
            if self.modes[phase] == LOW:
                self.modes[phase] = self.diode(phase)
        elif kind == TICK:
            self.turn(phase, time, what)
        elif what == self.generation[phase]:
            dead = self.phases.falling_dead_time[phase] if kind == TURN_OFF else 0.0
            if dead > 0.0:
                self.modes[phase] = self.diode(phase)
                self.put(time + dead, AFTER_TURN_OFF, phase, what)
            elif self.modes[phase] != OFF or not self.emulation:
                self.modes[phase] = LOW

    def turn(self, phase: int, time: float, number: int) -> None:
        """Give a phase its duty; a pulse of no length leaves it on its low side."""
        period = self.circuit.period
        duty = self.control.told(phase) + self.phases.duty_error[phase]
        self.generation[phase] += 1
        if duty > 0.0:
            self.modes[phase] = HIGH
            if duty < 1.0:
                self.put(time + duty * period, TURN_OFF, phase, self.generation[phase])
        elif not (self.modes[phase] == OFF and self.emulation):
            self.modes[phase] = LOW
        self.announce(phase, number + 1)


def march_waveform(
    network: Network, steady: Waveform, load: LoadProfile, duration: float, loop: VoltageLoop | None, emulation: bool
) -> Waveform:
    """Return the waveform from a steady state on, event by event, whole periods long."""
    circuit = network.circuit
    periods = period_count(circuit, duration, 6 * circuit.phases.phase_count)
    patterns, number, states = steady._patterns, steady._number, steady._state
    # What was on just before the clock, so that a turn at the clock samples as any other does.
    march = March(network, patterns[number[-1]], states[0])
    told = [value - error for value, error in zip(steady.duty, circuit.phases.duty_error, strict=True)]
    control = _Controller(loop, march, told, float(states[0][-3]))
    control.offset = [_sample_before(network, steady, shift, loop) for shift in circuit.phases.phase_shift]
    modulator = _Modulator(march, control, load, periods * circuit.period, emulation)
    modulator.start()
    modulator.run()
    time, passed, states = march.record()
    distinct, number = numbered(passed)
    return Waveform(network, time, distinct, number, states, periodic=False, duty=tuple(control.duty))


def _sample_before(network: Network, steady: Waveform, shift: float, loop: VoltageLoop | None) -> float:
    """Return what the loop measures in the steady state just before a phase turns on, so that ripple is no error."""
    period = network.circuit.period
    moment = shift % 1.0 * period
    place = int(np.searchsorted(steady.time, moment * (1.0 - 1e-12), side="left")) % steady.event_count
    # State at the event that ends the interval before; at the clock that is the end of the period.
    end = place if place > 0 else steady.event_count
    pattern = steady._patterns[steady._number[end - 1]]
    load_line = loop.load_line if loop else 0.0
    rows = network.row(pattern, "load_voltage", None) + load_line * network.row(pattern, "total_current", None)
    return float(rows @ steady._state[end])
