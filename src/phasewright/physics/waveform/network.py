"""From a circuit to its equations of state: one matrix for each pattern of conducting switches.

States are root energies: with these the square of the state is the stored energy (times two), a network without
sources can only shrink, and matrices of parts many decades apart are well scaled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from phasewright.physics._arguments import Array, refuse
from phasewright.physics.waveform.exponential import Modes, modes_of
from phasewright.physics.waveform.parts import CapacitorBank, Circuit

__all__ = ["BACKWARD", "FORWARD", "HIGH", "LOW", "OFF", "Network", "Pattern", "PatternMatrices"]

LOW, HIGH, FORWARD, BACKWARD, OFF = 0, 1, 2, 3, 4
"""What a phase's switch node hangs on: low side, high side; with both off the low side's diode (current flows towards
the load), the high side's (current flows back), or nothing (no current flows)."""
Pattern: TypeAlias = bytes
"""One of the five a phase."""

CURRENT, SLOPE, ONE = 0, 1, 2
"""Inputs of the network: load current [A], its slope [A a period], and 1 for everything that stands still."""
INPUTS = 3


@dataclass(frozen=True, slots=True)
class PatternMatrices:
    """The network while one pattern lasts; a row takes the state to one signal."""

    matrix: Array
    """Augmented, (n + 3, n + 3): state, load current, slope, 1."""
    rows: dict[str, Array]
    """Signal -> (count, n + 3)."""
    modes: Modes | None
    half: Modes | None
    """One of each conjugate pair of modes."""


@dataclass(frozen=True, slots=True)
class _Branch:
    """An inductance in series with a resistance, and perhaps a capacitor, from node to node."""

    inductance: float
    resistance: float
    origin: int
    end: int
    capacitor: int = -1


GROUND, INPUT, RAIL, LOAD, SUPPLY = -1, 0, 1, 2, -2


class Network:
    """A circuit's equations; patterns are worked out when they are first met."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.patterns: dict[Pattern, PatternMatrices] = {}
        phases = circuit.phases
        self.load_node = LOAD if circuit.has_path else RAIL
        self.stiff = not circuit.input_banks and circuit.source_resistance == 0.0
        self.branches = [_Branch(value, 0.0, GROUND, RAIL) for value in phases.inductance]
        self.capacitances: list[float] = []
        self.conductances: list[tuple[float, int, int, int]] = []  # conductance, node, other node, capacitor
        self.ideal: dict[int, int] = {}  # node -> capacitor straight across it
        self.banks: dict[str, list[tuple[str, int, float]]] = {}  # kind of branch, its number, share of it
        hard = all(bank.parasitic_inductance > 0.0 for bank in (*circuit.output_banks, *circuit.load_banks))
        self.path_is_branch = circuit.has_path and (circuit.path_inductance > 0.0 or hard)
        if self.path_is_branch:
            # Between nodes of inductances alone a resistance is a branch too: its current follows from theirs.
            self.branches.append(_Branch(circuit.path_inductance, circuit.path_resistance, RAIL, LOAD))
        elif circuit.has_path:
            self.conductances.append((1.0 / circuit.path_resistance, RAIL, LOAD, -1))
        if circuit.source_inductance > 0.0:
            self.branches.append(_Branch(circuit.source_inductance, circuit.source_resistance, SUPPLY, INPUT))
        elif not self.stiff:
            self.conductances.append((1.0 / circuit.source_resistance, INPUT, SUPPLY, -1))
        for name, banks, node in (
            ("output", circuit.output_banks, RAIL),
            ("load", circuit.load_banks, self.load_node),
            ("input", circuit.input_banks, INPUT),
        ):
            self.banks[name] = [self._place(bank, node) for bank in banks]
        self._lay_out()

    def _place(self, bank: CapacitorBank, node: int) -> tuple[str, int, float]:
        if bank.parasitic_inductance == 0.0 and bank.capacitor_resistance == 0.0:
            if node not in self.ideal:
                self.ideal[node] = len(self.capacitances)
                self.capacitances.append(0.0)
            self.capacitances[self.ideal[node]] += bank.capacitance
            return "ideal", node, bank.capacitance
        self.capacitances.append(bank.capacitance)
        number = len(self.capacitances) - 1
        if bank.parasitic_inductance > 0.0:
            branch = _Branch(bank.parasitic_inductance, bank.capacitor_resistance, node, GROUND, number)
            self.branches.append(branch)
            return "branch", len(self.branches) - 1, 1.0
        self.conductances.append((1.0 / bank.capacitor_resistance, node, GROUND, number))
        return "conductance", len(self.conductances) - 1, 1.0

    def _lay_out(self) -> None:
        """Sort the nodes; where only inductances meet, one of their currents follows from the others."""
        inductors = len(self.branches)
        self.width = inductors + len(self.capacitances)
        self.mass = np.array([branch.inductance for branch in self.branches] + self.capacitances)
        nodes = [LOAD] * self.circuit.has_path + [RAIL] + [INPUT] * (not self.stiff)
        resistive = {node for _, one, other, _ in self.conductances for node in (one, other)}
        self.solved = [node for node in nodes if node in resistive and node not in self.ideal]
        self.bound = [node for node in nodes if node not in resistive and node not in self.ideal]
        self.ramp = np.zeros((INPUTS, INPUTS))
        self.ramp[CURRENT, SLOPE] = self.circuit.switching_frequency
        wide = self.width
        kept = np.eye(wide)
        given = np.zeros((wide, INPUTS))
        self.pivots: list[int] = []
        if self.bound:
            meeting = np.array([[self._into(number, node) for number in range(inductors)] for node in self.bound])
            for row in range(len(self.bound)):
                # Never a phase: their currents change with the pattern.
                free = [c for c in range(self.circuit.phases.phase_count, inductors)
                        if meeting[row, c] != 0.0 and c not in self.pivots]  # fmt: skip
                bare = [c for c in free if self.branches[c].inductance == 0.0]
                self.pivots.append(max(bare or free, key=lambda c: self.branches[c].inductance))
            square = meeting[:, self.pivots]
            others = [c for c in range(wide) if c not in self.pivots]
            full = np.hstack([meeting, np.zeros((len(self.bound), wide - inductors))])
            loads = np.zeros((len(self.bound), INPUTS))
            loads[[node == self.load_node for node in self.bound], CURRENT] = 1.0
            kept = kept[:, others]
            kept[self.pivots] = -np.linalg.solve(square, full[:, others])
            given[self.pivots] = np.linalg.solve(square, loads)
        self.kept, self.given = kept, given
        self.root = np.linalg.cholesky(kept.T @ (self.mass[:, None] * kept))
        self.inverse_root = np.linalg.inv(self.root)
        self.order = kept.shape[1]
        self.jumps_allowed = not given.any()
        self.full = np.hstack([kept @ self.inverse_root.T, given])  # root energies and inputs -> currents, voltages

    def _into(self, number: int, node: int) -> float:
        branch = self.branches[number]
        return float(branch.end == node) - float(branch.origin == node)

    def state_of(self, phase_current: Array, load_current: float) -> Array:
        """Return an augmented state that has these phase currents, every else at rest; shape (n + 3,)."""
        values = np.zeros(self.width)
        values[: len(phase_current)] = phase_current
        others = np.array([c for c in range(self.width) if c not in self.pivots])
        state = self.root.T @ values[others]
        return np.concatenate([state, [load_current, 0.0, 1.0]])

    def at(self, pattern: Pattern) -> PatternMatrices:
        """Return the equations of a pattern."""
        found = self.patterns.get(pattern)
        if found is None:
            found = self.patterns[pattern] = self._work_out(pattern)
        return found

    def row(self, pattern: Pattern, signal: str, index: int | None) -> Array:
        """Return the row of a signal (n + 3,); ValueError when the circuit has no such signal."""
        rows = self.at(pattern).rows
        if signal not in rows:
            mend = "choose one of " + ", ".join(sorted(rows))
            raise refuse("signal", signal, "this circuit has no such signal", mend, "no signal")
        found = rows[signal]
        if index is None and len(found) == 1:
            index = 0
        if index is None or not 0 <= index < len(found):
            rule = f"{signal} has the indices 0 to {len(found) - 1}"
            raise refuse("index", index, rule, "give one of them", "no such index")
        return found[index]

    def _answer_without(self, still: list[int]) -> Array:
        """Return what takes forces to the states' derivatives while the currents of some phases stay as they are."""
        free = np.array([c for c in range(self.order) if c not in still])  # phases come first and are never pivots
        reduced = (self.root @ self.root.T)[np.ix_(free, free)]
        answer = np.zeros((self.order, self.order))
        answer[np.ix_(free, free)] = np.linalg.inv(reduced)
        return self.root.T @ answer

    def _node_voltages(self, flows: Array) -> dict[int, Array]:
        """Return voltage rows over [values, inputs] of every node that is not bound; flows: node -> current in."""
        wide = self.width + INPUTS
        first = len(self.branches)
        rows: dict[int, Array] = {GROUND: np.zeros(wide), SUPPLY: np.zeros(wide)}
        rows[SUPPLY][self.width + ONE] = self.circuit.input_voltage
        if self.stiff:
            rows[INPUT] = rows[SUPPLY]
        for node, number in self.ideal.items():
            rows[node] = np.eye(wide)[first + number]
        if self.solved:
            place = {node: k for k, node in enumerate(self.solved)}
            square = np.zeros((len(place), len(place)))
            right = np.array([flows[node] for node in self.solved])
            for conductance, one, other, number in self.conductances:
                for node, far in ((one, other), (other, one)):
                    if node not in place:
                        continue
                    square[place[node], place[node]] += conductance
                    if far in place:
                        square[place[node], place[far]] -= conductance
                    else:
                        right[place[node]] += conductance * rows[far]
                    if number >= 0:
                        right[place[node], first + number] += conductance
            for node, row in zip(self.solved, np.linalg.solve(square, right), strict=True):
                rows[node] = row
        return rows

    def _work_out(self, pattern: Pattern) -> PatternMatrices:
        circuit, phases = self.circuit, self.circuit.phases
        first, wide, count = len(self.branches), self.width + INPUTS, phases.phase_count
        one = self.width + ONE
        fed = np.array([mode in (HIGH, BACKWARD) for mode in pattern])
        flows = np.zeros((3, wide))  # by node INPUT, RAIL, LOAD
        for number in range(first):
            for node in (INPUT, RAIL, LOAD):
                flows[node, number] += self._into(number, node)
        flows[INPUT, :count] -= fed
        flows[self.load_node, self.width + CURRENT] -= 1.0
        voltage = self._node_voltages(flows)
        zero = np.zeros(wide)

        right = np.zeros((self.width, wide))  # mass times derivative, without the bound nodes' voltages
        held = np.zeros((self.width, len(self.bound)))
        switch_rows = np.zeros((count, wide))
        for number, branch in enumerate(self.branches):
            right[number] += voltage.get(branch.origin, zero) - voltage.get(branch.end, zero)
            right[number, number] -= branch.resistance
            if branch.capacitor >= 0:
                right[number, first + branch.capacitor] -= 1.0
                right[first + branch.capacitor, number] += 1.0
            for k, node in enumerate(self.bound):
                held[number, k] = -self._into(number, node)
        for k, mode in enumerate(pattern):
            if fed[k]:
                switch_rows[k] += voltage[INPUT]
            if mode in (HIGH, LOW):
                side = phases.high_side_resistance if mode == HIGH else phases.low_side_resistance
                switch_rows[k, k] -= side[k]
            elif mode != OFF:
                switch_rows[k, one] += phases.diode_voltage[k] * (1.0 if mode == BACKWARD else -1.0)
            right[k] += switch_rows[k]
            right[k, k] -= phases.inductor_resistance[k]
            right[k, :count] -= circuit.load_line
        through = np.zeros((len(self.conductances), wide))
        for k, (conductance, node, other, number) in enumerate(self.conductances):
            through[k] = conductance * (voltage[node] - voltage[other])
            if number >= 0:
                through[k, first + number] -= conductance
                right[first + number] += through[k]
        straight = {}
        for node, number in self.ideal.items():
            straight[node] = flows[node] - sum(
                (through[k] if at == node else -through[k] if far == node else zero)
                for k, (_, at, far, _) in enumerate(self.conductances)
            )
            right[first + number] += straight[node]

        kept, given, mass = self.kept, self.given, self.mass[:, None]
        force, drive = right[:, : self.width], right[:, self.width :]
        matrix = np.zeros((self.order + INPUTS, self.order + INPUTS))
        still = [k for k, mode in enumerate(pattern) if mode == OFF]
        answer = self.inverse_root if not still else self._answer_without(still)
        matrix[: self.order, : self.order] = answer @ kept.T @ force @ kept @ self.inverse_root.T
        pushed = kept.T @ (force @ given + drive - mass * given @ self.ramp)
        matrix[: self.order, self.order :] = answer @ pushed
        matrix[self.order :, self.order :] = self.ramp

        # [values, inputs] from the augmented state
        lift = np.vstack([self.full, np.eye(INPUTS, self.order + INPUTS, self.order)])
        node_rows = {node: row @ lift for node, row in voltage.items()}
        if self.bound:
            missing = (mass * (self.full @ matrix) - right @ lift)[self.pivots]
            node_rows.update(zip(self.bound, np.linalg.solve(held[self.pivots], missing), strict=True))
        rows = self._signals(lift, node_rows, through @ lift, {n: r @ lift for n, r in straight.items()}, fed)
        rows["switch_voltage"] = switch_rows @ lift
        modes = modes_of(matrix)
        return PatternMatrices(matrix, rows, modes, None if modes is None else modes.halved())

    def _signals(
        self, lift: Array, nodes: dict[int, Array], through: Array, straight: dict[int, Array], fed: Array
    ) -> dict[str, Array]:
        circuit, count = self.circuit, self.circuit.phases.phase_count
        first = len(self.branches)
        phase = lift[:count]
        rows = {
            "phase_current": phase,
            "total_current": phase.sum(axis=0, keepdims=True),
            "load_current": lift[self.width + CURRENT][None],
            "rail_voltage": nodes[RAIL][None],
            "load_voltage": nodes[self.load_node][None],
            "input_voltage": nodes[INPUT][None],
            "input_current": (fed @ phase)[None],
        }
        for name, placed in self.banks.items():
            currents, voltages = [], []
            for kind, number, share in placed:
                if kind == "branch":
                    currents.append(lift[number])
                    voltages.append(lift[first + self.branches[number].capacitor])
                elif kind == "conductance":
                    currents.append(through[number])
                    voltages.append(lift[first + self.conductances[number][3]])
                else:
                    whole = self.capacitances[self.ideal[number]]
                    currents.append(straight[number] * (share / whole))
                    voltages.append(lift[first + self.ideal[number]])
            if placed:
                rows[f"{name}_bank_current"] = np.array(currents)
                rows[f"{name}_bank_voltage"] = np.array(voltages)
        if self.path_is_branch:
            rows["path_current"] = lift[count][None]
        elif circuit.has_path:
            rows["path_current"] = through[0][None]
        if circuit.source_inductance > 0.0:
            number = next(k for k, branch in enumerate(self.branches) if branch.origin == SUPPLY)
            rows["source_current"] = lift[number][None]
        elif not self.stiff:
            number = next(k for k, item in enumerate(self.conductances) if item[2] == SUPPLY)
            rows["source_current"] = -through[number][None]
        else:
            rows["source_current"] = rows["input_current"]
        if circuit.input_banks:
            rows["input_capacitor_current"] = rows["source_current"] - rows["input_current"]
        return rows
