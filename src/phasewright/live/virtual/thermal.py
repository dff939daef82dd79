"""The simulated heat path: a fixed network of nodes, stepped exactly between two instants with constant heat.

C dT/dt = -G T + b*T_room + q. The fan changes only how well radiator or heatsink meet the air, and its duty moves in
steps, so the few matrix exponentials that occur are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from phasewright.live.virtual.parts import Parts


@dataclass(frozen=True, slots=True)
class Nodes:
    """Where each node stands in the state vector."""

    stage: slice
    inductor: slice
    copper: slice
    plate: slice
    path: int
    die: int
    block: int
    coolant: int
    """Where the coolant (or the air) meets the regulator."""
    sink: int
    """Radiator or heatsink of the processor."""
    names: tuple[str, ...]


@dataclass(slots=True, eq=False)
class Network:
    """Capacities (n,) [J/K], conductances (n, n) and to the room (n,) [W/K]; the same per unit of the fan's air."""

    nodes: Nodes
    capacity: np.ndarray
    conductance: np.ndarray
    room: np.ndarray
    fan_conductance: np.ndarray
    """(n, n): what is multiplied by the air conductance [1]."""
    fan_room: np.ndarray
    """(n,)"""
    air: tuple[float, float, float]
    """Still conductance, extra at full duty, power of the duty."""
    _steps: dict = field(default_factory=dict)

    def air_conductance(self, duty: float) -> float:
        """Return the conductance to the air [W/K] at fan duty 0-1."""
        still, full, power = self.air
        return still + full * max(duty, 0.0) ** power

    def matrices(self, duty: float) -> tuple[np.ndarray, np.ndarray]:
        """Return (G, b) at a fan duty: heat out of the nodes is G T - b*T_room [W]."""
        air = self.air_conductance(duty)
        return self.conductance + air * self.fan_conductance, self.room + air * self.fan_room

    def step(self, duty: float, dt: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return (A, B, c): T(t+dt) = A T + B q + c*T_room, exact for heat q constant over `dt`."""
        key = (round(duty, 4), dt)
        found = self._steps.get(key)
        if found is None:
            from scipy.linalg import expm

            g, b = self.matrices(duty)
            a = expm(-dt * g / self.capacity[:, None])
            into = np.linalg.solve(g, np.eye(len(g)) - self.capacity[:, None] * a / self.capacity[None, :])
            # (I - C A C^-1) is what of a constant heat is felt after dt; G^-1 of it is its temperature.
            found = self._steps[key] = (a, into, into @ b)
        return found

    def steady(self, heat: np.ndarray, duty: float, room: float) -> np.ndarray:
        """Return the temperatures [degC] at which `heat` (n,) [W] flows off to the room at `room` [degC]."""
        g, b = self.matrices(duty)
        return np.linalg.solve(g, heat + b * room)


class _Build:
    def __init__(self, count: int):
        self.g = np.zeros((count, count))
        self.b = np.zeros(count)

    def link(self, one: int, other: int, conductance: float) -> None:
        self.g[one, one] += conductance
        self.g[other, other] += conductance
        self.g[one, other] -= conductance
        self.g[other, one] -= conductance

    def flow(self, source: int, target: int, rate: float) -> None:
        """Coolant that leaves `source` enters `target`: carries rate*(T_source - T_target) into the target."""
        self.g[target, target] += rate
        self.g[target, source] -= rate

    def open(self, node: int, conductance: float) -> None:
        self.g[node, node] += conductance
        self.b[node] += conductance


def build_network(parts: Parts, liquid: bool) -> Network:
    """Build the heat path of `parts`: liquid loop, or air over heatsinks."""
    lay, n = parts.layout, parts.phase_count
    k = min(lay.plate_segments, n)
    first = 3 * n + k
    names = [f"stage {i + 1}" for i in range(n)] + [f"inductor {i + 1}" for i in range(n)]
    names += [f"copper {i + 1}" for i in range(n)] + [f"plate {i + 1}" for i in range(k)]
    names += ["input path", "die", "block", "coolant", "sink"]
    if liquid:
        names += ["block coolant", "radiator coolant"]
    nodes = Nodes(stage=slice(0, n), inductor=slice(n, 2 * n), copper=slice(2 * n, 3 * n), plate=slice(3 * n, first),
                  path=first, die=first + 1, block=first + 2, coolant=first + 3, sink=first + 4, names=tuple(names))
    made = _Build(len(names))
    _link_regulator(made, parts, nodes, k)
    fan = _Build(len(names))
    capacity = np.zeros(len(names))
    capacity[nodes.stage] = lay.stage_capacity * parts.stages
    capacity[nodes.inductor], capacity[nodes.copper] = lay.inductor_capacity, lay.copper_capacity
    capacity[nodes.plate] = lay.plate_capacity
    capacity[nodes.path], capacity[nodes.die] = lay.path_capacity, lay.die_capacity
    capacity[nodes.block], capacity[nodes.sink] = lay.block_capacity, lay.radiator_capacity
    plates = range(nodes.plate.start, nodes.plate.stop)
    if liquid:
        block_coolant, radiator_coolant = first + 5, first + 6
        # The loop: reservoir with the regulator's plate in it, processor block, radiator, and back.
        made.flow(nodes.coolant, block_coolant, lay.flow)
        made.flow(block_coolant, radiator_coolant, lay.flow)
        made.flow(radiator_coolant, nodes.coolant, lay.flow)
        capacity[nodes.coolant] = 0.6 * lay.coolant_capacity
        capacity[block_coolant], capacity[radiator_coolant] = 0.12 * lay.coolant_capacity, 0.28 * lay.coolant_capacity
        made.link(nodes.block, block_coolant, 1.0 / lay.block_to_coolant)
        made.link(radiator_coolant, nodes.sink, lay.coolant_to_radiator)
    else:
        # Air: a small volume at the heatsink, fed from the room; a share of the processor's exhaust passes through it.
        made.open(nodes.coolant, lay.flow)
        capacity[nodes.coolant] = lay.coolant_capacity
        made.link(nodes.block, nodes.sink, 1.0 / lay.block_to_coolant)
        fan.link(nodes.sink, nodes.coolant, lay.recirculation)
    fan.open(nodes.sink, 1.0 if liquid else 1.0 - lay.recirculation)
    for plate in plates:
        made.link(plate, nodes.coolant, 1.0 / (lay.plate_to_coolant * k))
        fan.link(plate, nodes.coolant, lay.plate_fan / k)
        if lay.block_to_plate:
            made.link(plate, nodes.block, lay.block_to_plate / k)
    return Network(nodes=nodes, capacity=capacity, conductance=made.g, room=made.b, fan_conductance=fan.g,
                   fan_room=fan.b, air=(lay.air_still, lay.air_full, lay.air_power))


def _link_regulator(made: _Build, parts: Parts, nodes: Nodes, segments: int) -> None:
    lay, n = parts.layout, parts.phase_count
    for i in range(n):
        stage, inductor, copper = nodes.stage.start + i, nodes.inductor.start + i, nodes.copper.start + i
        plate = nodes.plate.start + i * segments // n
        made.link(stage, plate, parts.stages / (parts.stage_thermal_resistance + lay.pad_resistance))
        made.link(stage, copper, parts.stages / lay.stage_to_copper)
        made.link(inductor, copper, 1.0 / lay.inductor_to_copper)
        made.link(inductor, plate, 1.0 / lay.inductor_to_plate)
        made.open(copper, 1.0 / lay.copper_to_air)
        made.link(copper, nodes.die, 1.0 / (lay.die_to_copper * n))
        if i + 1 < n:
            made.link(copper, copper + 1, 1.0 / lay.copper_lateral)
    for j in range(segments - 1):
        made.link(nodes.plate.start + j, nodes.plate.start + j + 1, 1.0 / lay.plate_lateral)
    made.open(nodes.path, 1.0 / lay.path_to_air)
    made.link(nodes.die, nodes.block, 1.0 / lay.die_to_block)
