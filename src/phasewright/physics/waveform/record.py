"""A computed waveform: exact at any time, with its extremes, means, effective values and energies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from phasewright.physics._arguments import Array, Number, plain, refuse
from phasewright.physics.waveform.exponential import growth, moved, second_moment
from phasewright.physics.waveform.extremes import find_greatest
from phasewright.physics.waveform.network import HIGH, LOW, Network, Pattern
from phasewright.physics.waveform.parts import Circuit

__all__ = ["EnergyBalance", "Extremes", "Waveform"]

CHUNK = 4096
"""Intervals or moments worked on at once, so that memory stays bounded."""

SLACK = 1e-12
"""Share of a waveform's end by which a time may miss it by rounding."""


@dataclass(frozen=True, slots=True)
class Extremes:
    """The least and the greatest value of a signal, and when they are first reached."""

    low: float
    """[unit of the signal]"""
    low_time: float
    """[s]"""
    high: float
    """[unit of the signal]"""
    high_time: float
    """[s]"""

    @property
    def swing(self) -> float:
        """Greatest less least value, peak to peak [unit of the signal]."""
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class EnergyBalance:
    """Where the energy of a stretch of time went [J]; supplied = delivered + all that follows it."""

    supplied: float
    """[J] from the supply"""
    delivered: float
    """[J] into the load"""
    inductors: float
    """[J] heat in the windings (DCR)"""
    high_sides: float
    """[J] heat in the high-side resistances"""
    low_sides: float
    """[J] heat in the low-side resistances"""
    diodes: float
    """[J] heat while both switches are off"""
    capacitors: float
    """[J] heat in all capacitor banks (ESR)"""
    board_path: float
    """[J] heat in the path to the load"""
    supply_path: float
    """[J] heat in the supply's resistance"""
    load_line_energy: float
    """[J] that the load line, which is no part and makes no heat, takes out of the account"""
    stored: float
    """[J] more in inductors and capacitors at the end than at the start"""

    @property
    def residual(self) -> float:
        """Energy that the account does not explain [J]: rounding."""
        gone = self.delivered + self.inductors + self.high_sides + self.low_sides + self.diodes + self.capacitors
        return self.supplied - gone - self.board_path - self.supply_path - self.load_line_energy - self.stored


class Waveform:
    """States at every switching event, from which any signal follows exactly at any time.

    Signals, with the index they take in brackets: phase_current [phase] [A], switch_voltage [phase] [V],
    total_current [A] (all phases), load_current [A], path_current [A], rail_voltage [V] (the regulator's output),
    load_voltage [V], input_voltage [V] (at the high sides), input_current [A] (drawn by the high sides),
    source_current [A], input_capacitor_current [A] (all input banks), and output_bank_current, load_bank_current,
    input_bank_current [bank] [A], output_bank_voltage, load_bank_voltage, input_bank_voltage [bank] [V].
    """

    def __init__(
        self, network: Network, time: Array, patterns: tuple[Pattern, ...], number: Any, state: Array, *,
        periodic: bool, duty: tuple[float, ...],
    ) -> None:  # fmt: skip
        self._network = network
        self._patterns = patterns  # those that occur
        self._number = number  # of each interval's pattern, (K,)
        self._state = state  # at each event, (K + 1, n + 3)
        self.time: Array = time
        """[s] of every event, the end included, shape (K + 1,)"""
        self.periodic: bool = periodic
        """True when the waveform repeats after its end."""
        self.duty: tuple[float, ...] = duty
        """Duty of each phase at the end [1]."""

    @property
    def circuit(self) -> Circuit:
        """What was simulated."""
        return self._network.circuit

    @property
    def event_count(self) -> int:
        """Intervals between events [1]."""
        return len(self._number)

    @property
    def signals(self) -> dict[str, int]:
        """Signals of this circuit, and how many indices each takes [1]."""
        return {name: len(rows) for name, rows in self._network.at(self._patterns[0]).rows.items()}

    def _rows(self, signal: str, index: int | None) -> Array:
        return np.array([self._network.row(pattern, signal, index) for pattern in self._patterns])

    def _span(self, start: float | None, end: float | None) -> tuple[float, float]:
        first, last = float(self.time[0]), float(self.time[-1])
        begin, stop = (first if start is None else float(start)), (last if end is None else float(end))
        slack = SLACK * last
        if not first - slack <= begin < stop <= last + slack:
            rule = f"start < end, both within {first:g} to {last:g} s"
            raise refuse("start, end", f"{begin:g}, {stop:g} s", rule, "mend start or end", "no such stretch of time")
        return max(begin, first), min(stop, last)

    def _pieces(self, start: float | None, end: float | None) -> tuple[Any, Array, Array]:
        """Return the pattern number, the starting state and the length of every interval between start and end."""
        begin, stop = self._span(start, end)
        if begin == self.time[0] and stop == self.time[-1]:
            return self._number, self._state[:-1], np.diff(self.time)
        low = int(np.searchsorted(self.time, begin, side="right")) - 1
        high = int(np.searchsorted(self.time, stop, side="left"))
        time = self.time[low : high + 1].copy()
        state = self._state[low:high].copy()
        number = self._number[low:high]
        if begin > time[0]:
            state[0] = self._advance(number[:1], state[:1], np.array([begin - time[0]]))[0]
            time[0] = begin
        time[-1] = stop
        keep = np.diff(time) > 0.0
        return number[keep], state[keep], np.diff(time)[keep]

    def _advance(self, number: Any, state: Array, after: Array) -> Array:
        """Return the states a time `after` the given ones; number (S,), state (S, n + 3), after (S,)."""
        result = np.empty_like(state)
        n = self._network.order
        for which in np.unique(number):
            every = np.flatnonzero(number == which)
            matrices = self._network.at(self._patterns[which])
            for first in range(0, len(every), CHUNK):
                chosen = every[first : first + CHUNK]
                begin, length = state[chosen], after[chosen]
                if matrices.half is None:
                    grown = growth(np.broadcast_to(matrices.matrix, (len(chosen), n + 3, n + 3)), length)
                    result[chosen] = begin + (grown @ begin[..., None])[..., 0]
                    continue
                result[chosen] = begin
                result[chosen, :n] += moved(matrices.half, begin, length, self._network.ramp[0, 1])
                result[chosen, n] += begin[:, n + 1] * length * self._network.ramp[0, 1]
        return result

    def sample(self, signal: str, time: Number, index: int | None = None) -> Number:
        """Return the values of a signal [its unit] at any times, shape of `time`; a periodic waveform repeats.

        At an event the value after it is returned, at the very end the value before it. Raises ValueError for an
        unknown signal or index and for times outside a waveform that does not repeat.
        """
        moments = np.asarray(time, dtype=np.float64)
        flat = moments.reshape(-1)
        first, last = float(self.time[0]), float(self.time[-1])
        if self.periodic:
            flat = first + (flat - first) % (last - first)
        elif flat.size and not (flat.min() >= first - SLACK * last and flat.max() <= last + SLACK * last):
            rule = f"this waveform runs from {first:g} to {last:g} s"
            raise refuse("time", f"{flat.min():g} to {flat.max():g} s", rule, "choose times within", "no such time")
        place = np.clip(np.searchsorted(self.time, flat, side="right") - 1, 0, self.event_count - 1)
        number = self._number[place]
        after = np.maximum(flat - self.time[place], 0.0)
        rows = self._rows(signal, index)
        values = np.empty(len(flat))
        for begin in range(0, len(flat), 16 * CHUNK):
            part = slice(begin, begin + 16 * CHUNK)
            state = self._advance(number[part], self._state[place[part]], after[part])
            values[part] = (state * rows[number[part]]).sum(axis=1)
        return plain(values.reshape(moments.shape))

    def extremes(
        self, signal: str, index: int | None = None, *, start: float | None = None, end: float | None = None
    ) -> Extremes:
        """Return the least and the greatest value between two times [s], peaks between events included.

        A stretch between two moments is halved until its curvature, which is bounded, leaves no room for more than
        1e-9 of the swing; so no peak is missed. Raises ValueError for an unknown signal, index or stretch.
        """
        number, state, length = self._pieces(start, end)
        rows = self._rows(signal, index)
        begin = self._span(start, end)[0] + np.concatenate([[0.0], np.cumsum(length)[:-1]])
        matrices = [self._network.at(pattern) for pattern in self._patterns]
        high, high_time = find_greatest(self._advance, matrices, rows, number, state, length, begin)
        low, low_time = find_greatest(self._advance, matrices, -rows, number, state, length, begin)
        return Extremes(-low, low_time, high, high_time)

    def _moments(self, start: float | None, end: float | None) -> tuple[Array, float]:
        """Return the integral of z z^T by pattern (patterns, n + 3, n + 3), and the time that it spans."""
        number, state, length = self._pieces(start, end)
        wide = state.shape[1]
        total = np.zeros((len(self._patterns), wide, wide))
        matrices = np.array([self._network.at(pattern).matrix for pattern in self._patterns])
        for first in range(0, len(number), CHUNK):
            part = slice(first, first + CHUNK)
            np.add.at(total, number[part], second_moment(matrices[number[part]], length[part], state[part]))
        return total, float(length.sum())

    def mean(
        self, signal: str, index: int | None = None, *, start: float | None = None, end: float | None = None
    ) -> float:
        """Return the mean of a signal [its unit] between two times [s], by an exact integral; ValueError as sample."""
        moments, span = self._moments(start, end)
        return float((self._rows(signal, index) * moments[:, :, -1]).sum()) / span

    def rms(
        self, signal: str, index: int | None = None, *, start: float | None = None, end: float | None = None
    ) -> float:
        """Return the effective value of a signal [its unit] between two times [s], by an exact integral."""
        moments, span = self._moments(start, end)
        rows = self._rows(signal, index)
        return float(np.sqrt(np.einsum("pi,pij,pj->", rows, moments, rows) / span))

    def ripple_rms(
        self, signal: str, index: int | None = None, *, start: float | None = None, end: float | None = None
    ) -> float:
        """Return the effective value of a signal [its unit] less its mean between two times [s]."""
        moments, span = self._moments(start, end)
        rows = self._rows(signal, index)
        rows[:, -1] -= float((rows * moments[:, :, -1]).sum()) / span
        return float(np.sqrt(max(0.0, np.einsum("pi,pij,pj->", rows, moments, rows) / span)))

    def energy_balance(self, *, start: float | None = None, end: float | None = None) -> EnergyBalance:
        """Return where the energy between two times [s] went [J]; ValueError for an impossible stretch."""
        moments, _ = self._moments(start, end)
        circuit, phases, network = self.circuit, self.circuit.phases, self._network
        begin, stop = self._span(start, end)

        def both(one: str, other: str, k: int | None = None, only: Any = None) -> float:
            a, b = self._rows(one, k), self._rows(other, k)
            each = np.einsum("pi,pij,pj->p", a, moments, b)
            return float(each.sum() if only is None else each[only].sum())

        sides = {HIGH: 0.0, LOW: 0.0}
        inductors = diodes = 0.0
        for k in range(phases.phase_count):
            modes = np.array([pattern[k] for pattern in self._patterns])
            inductors += phases.inductor_resistance[k] * both("phase_current", "phase_current", k)
            sides[HIGH] += phases.high_side_resistance[k] * both("phase_current", "phase_current", k, modes == HIGH)
            sides[LOW] += phases.low_side_resistance[k] * both("phase_current", "phase_current", k, modes == LOW)
            charge = np.einsum("pi,pi->p", self._rows("phase_current", k), moments[:, :, -1])
            for mode, sign in ((2, 1.0), (3, -1.0)):
                diodes += sign * phases.diode_voltage[k] * float(charge[modes == mode].sum())
        capacitors = 0.0
        for name, banks in (("output", circuit.output_banks), ("load", circuit.load_banks),
                            ("input", circuit.input_banks)):  # fmt: skip
            for k, bank in enumerate(banks):
                signal = f"{name}_bank_current"
                capacitors += bank.capacitor_resistance * both(signal, signal, k)
        supplied = float((self._rows("source_current", None) * moments[:, :, -1]).sum()) * circuit.input_voltage
        path = circuit.path_resistance * both("path_current", "path_current") if circuit.has_path else 0.0
        states = [self._advance_to(moment) for moment in (begin, stop)]
        stored = [0.5 * float((network.mass * (network.full @ state) ** 2).sum()) for state in states]
        return EnergyBalance(
            supplied=supplied,
            delivered=both("load_voltage", "load_current"),
            inductors=inductors,
            high_sides=sides[HIGH],
            low_sides=sides[LOW],
            diodes=diodes,
            capacitors=capacitors,
            board_path=path,
            supply_path=circuit.source_resistance * both("source_current", "source_current"),
            load_line_energy=circuit.load_line * both("total_current", "total_current"),
            stored=stored[1] - stored[0],
        )

    def _advance_to(self, moment: float) -> Array:
        place = int(np.clip(np.searchsorted(self.time, moment, side="right") - 1, 0, self.event_count - 1))
        part = slice(place, place + 1)
        return self._advance(self._number[part], self._state[part], np.array([moment - self.time[place]]))[0]
