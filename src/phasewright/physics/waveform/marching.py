"""From event to event, where the next event is only known once the last has passed."""

from __future__ import annotations

from typing import Any

import numpy as np

from phasewright.physics._arguments import Array
from phasewright.physics.waveform.exponential import growth
from phasewright.physics.waveform.network import INPUTS, Network, Pattern

__all__ = ["March"]

SLOWEST = 1e-7
"""Change of a mode in a period below which the standing part of the answer is not worth its digits."""


class _Basis:
    """Modes of a pattern with the standing answer to each input taken out: state = shapes @ amplitudes."""

    __slots__ = ("back", "rates", "row_cache", "shapes")

    def __init__(self, network: Network, pattern: Pattern) -> None:
        n = network.order
        modes = network.at(pattern).modes
        self.rates: Any = None
        self.row_cache: dict[Any, Any] = {}
        if modes is None or np.abs(modes.rates).min() < SLOWEST * network.circuit.switching_frequency:
            return
        ramp = network.ramp
        # Standing answer s: s J = r s + drive, one column of the inputs after the other (J only moves slope to load).
        standing = np.empty((n, INPUTS), dtype=complex)
        standing[:, 0] = -modes.drive[:, 0] / modes.rates
        standing[:, 1] = (standing[:, 0] * ramp[0, 1] - modes.drive[:, 1]) / modes.rates
        standing[:, 2] = -modes.drive[:, 2] / modes.rates
        self.rates = modes.rates
        self.shapes = np.zeros((n + INPUTS, n + INPUTS), dtype=complex)
        self.shapes[:n, :n] = modes.shapes
        self.shapes[:n, n:] = modes.shapes @ standing
        self.shapes[n:, n:] = np.eye(INPUTS)
        self.back = np.zeros_like(self.shapes)
        self.back[:n, :n] = modes.weights
        self.back[:n, n:] = -standing
        self.back[n:, n:] = np.eye(INPUTS)


class March:
    """A state on its way through time; it keeps every event it passes."""

    def __init__(self, network: Network, pattern: Pattern, state: Array) -> None:
        self.network = network
        self.time = 0.0
        self.n = network.order
        self.per_second = network.circuit.switching_frequency
        self.bases: dict[Pattern, _Basis] = {}
        self.turns: dict[tuple[Pattern, Pattern], Any] = {}
        self.times: list[float] = []
        self.patterns: list[Pattern] = []
        self.amplitudes: list[Any] = []
        self.pattern = pattern
        self.basis = self._basis(pattern)
        self.value: Any = state if self.basis.rates is None else self.basis.back @ state

    def _basis(self, pattern: Pattern) -> _Basis:
        found = self.bases.get(pattern)
        if found is None:
            found = self.bases[pattern] = _Basis(self.network, pattern)
        return found

    def state(self) -> Array:
        """Return the augmented state (n + 3,)."""
        return self.value if self.basis.rates is None else (self.basis.shapes @ self.value).real

    def switch(self, pattern: Pattern) -> None:
        """Go on with another pattern."""
        if pattern == self.pattern:
            return
        key = (self.pattern, pattern)
        turn = self.turns.get(key)
        if turn is None:
            after = self._basis(pattern)
            wide = self.n + INPUTS
            leave = np.eye(wide) if self.basis.rates is None else self.basis.shapes
            enter = np.eye(wide) if after.rates is None else after.back
            turn = enter @ leave
            if after.rates is None:
                turn = (turn, True)
            self.turns[key] = turn
        if isinstance(turn, tuple):
            self.value = (turn[0] @ self.value).real
        else:
            self.value = turn @ self.value
        self.pattern, self.basis = pattern, self.bases[pattern]

    def load(self, current: float, slope: float) -> None:
        """Set load current [A] and its slope [A/s] from here on."""
        state = self.state().copy()
        state[self.n :] = current, slope / self.per_second, 1.0
        self.value = state if self.basis.rates is None else self.basis.back @ state

    def signal(self, signal: str, index: int | None = None) -> float:
        """Return a signal just before the present moment (in the present pattern)."""
        key = (signal, index)
        row = self.basis.row_cache.get(key)
        if row is None:
            row = self.network.row(self.pattern, signal, index)
            if self.basis.rates is not None:
                row = row @ self.basis.shapes
            self.basis.row_cache[key] = row
        return float((row @ self.value).real)

    def _after(self, length: float) -> Any:
        if self.basis.rates is None:
            matrix = self.network.at(self.pattern).matrix
            return self.value + growth(matrix[None], np.array([length]))[0] @ self.value
        value = self.value.copy()
        value[: self.n] *= np.exp(self.basis.rates * length)
        value[self.n] += value[self.n + 1] * (length * self.per_second)
        return value

    def go(self, time: float) -> None:
        """Go on to a later time [s] in the present pattern."""
        length = time - self.time
        if length <= 0.0:
            return
        self.times.append(self.time)
        self.patterns.append(self.pattern)
        self.amplitudes.append(self.value)
        self.value = self._after(length)
        self.time = time

    def current_after(self, phase: int, length: float) -> float:
        """Return what a phase's current [A] will be after a time [s], in the present pattern."""
        here = self.value
        self.value = self._after(length)
        current = self.signal("phase_current", phase)
        self.value = here
        return current

    def crossing(self, phase: int, length: float) -> float:
        """Return when, at most `length` [s] from now, a phase's current passes zero; its sign differs at that end."""
        low, high = 0.0, length
        at_low, at_high = self.signal("phase_current", phase), self.current_after(phase, length)
        last = 0
        for _ in range(100):
            middle = high - at_high * (high - low) / (at_high - at_low)
            if not low < middle < high:
                break
            value = self.current_after(phase, middle)
            if value == 0.0 or high - low < 1e-15 * length:
                return middle
            if (value > 0.0) == (at_high > 0.0):
                high, at_high = middle, value
                at_low, last = (0.5 * at_low if last == 1 else at_low), 1  # the Illinois rule
            else:
                low, at_low = middle, value
                at_high, last = (0.5 * at_high if last == -1 else at_high), -1
        return 0.5 * (low + high)

    def rest(self, phase: int) -> None:
        """Set a phase's current, which is zero but for rounding, to zero."""
        state = self.state().copy()
        currents = self.network.full[:, : self.n] @ state[: self.n]
        others = np.array([c for c in range(self.network.width) if c not in self.network.pivots])
        values = currents[others]
        values[phase] = 0.0  # phases come first
        state[: self.n] = self.network.root.T @ values
        self.value = state if self.basis.rates is None else self.basis.back @ state

    def record(self) -> tuple[Array, list[Pattern], Array]:
        """Return times (K + 1,), patterns and states (K + 1, n + 3) of all events so far."""
        states = np.empty((len(self.times) + 1, self.n + INPUTS))
        places: dict[Pattern, list[int]] = {}
        for k, pattern in enumerate(self.patterns):
            places.setdefault(pattern, []).append(k)
        for pattern, where in places.items():
            basis = self.bases[pattern]
            values = np.array([self.amplitudes[k] for k in where])
            states[where] = values if basis.rates is None else (values @ basis.shapes.T).real
        states[-1] = self.state()
        return np.append(self.times, self.time), self.patterns, states


