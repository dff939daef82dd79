"""Where a step of the simulated bench would settle, and how much of the way was left."""

from __future__ import annotations

import numpy as np

from phasewright.live.virtual import electrical, simulation, thermal, workload
from phasewright.live.virtual.parts import Parts
from phasewright.live.virtual.simulation import Guards, Keeper, Piece, Run, State, Stretch, Surroundings

WATCHED = ("regulator_temperature", "coolant_temperature", "board_temperature", "processor_temperature")
"""Temperatures that must all have settled."""
RUNAWAY = 400.0
"""No simulated part exists above this temperature [degC]."""


def find_steady(parts: Parts, network: thermal.Network, surroundings: Surroundings, stretch: Stretch, *, room: float,
                start: np.ndarray | None = None, duty: float | None = None) -> tuple[np.ndarray, float]:
    """Return (temperatures (nodes,), fan duty) at which loss and temperature agree; inf where they run away.

    `stretch` holds one second of activity (BLOCK,) that stands for the load; nothing holds it back. The load is the
    processor's activity, so leakage and rail current follow the temperature as they do in a run.
    """
    nodes = network.nodes
    mask = electrical.active_mask(parts, stretch.phase_count)
    set_voltage = stretch.set_voltage or parts.set_voltage
    t = np.full(len(network.capacity), room + 20.0) if start is None else start.copy()
    state = State(temperature=t, before=t, voltage=set_voltage, supply=parts.supply_voltage)
    keeper = Keeper(1.0)
    duty = surroundings.duty_at(room + 5.0) if duty is None else duty
    for _ in range(400):
        with np.errstate(invalid="ignore", over="ignore"):
            second = simulation.one_second(parts, network, mask, stretch, stretch.activity, set_voltage, keeper, state)
        after = network.steady(second.heat, duty, room)
        if not np.isfinite(after).all() or after[nodes.stage].max() > RUNAWAY:
            return np.full(len(t), np.inf), duty
        moved = float(np.abs(after - state.temperature).max())
        state.temperature = state.before = after
        wanted = stretch.fan_duty
        if wanted is None:
            wanted = surroundings.duty_at(float(after[nodes.coolant]))
        # The map is steep: a full step would swing to and fro.
        duty += 0.3 * (wanted - duty)
        if moved + 10.0 * abs(wanted - duty) < 1e-6:
            break
    return state.temperature, duty


def representative(activity: np.ndarray) -> np.ndarray:
    """Return BLOCK quantiles (mid-rank) that stand for the spread of a load over a window."""
    return np.quantile(activity, (np.arange(workload.BLOCK) + 0.5) / workload.BLOCK)


def settle(run: Run, piece: Piece, start: float, end: float) -> tuple[dict[str, float], dict[str, float]]:
    """Return (settled temperatures [degC], what remained at the step's end [K]) under the load of lab times [s].

    A step that was held back keeps the heat that it had, because what held it back would go on doing so.
    """
    first, last = int(np.floor(start)), max(int(np.floor(end)), int(np.floor(start)) + 1)
    lead = piece.start
    network, nodes, surroundings = run.network, run.network.nodes, run.surroundings
    room = float(np.mean(surroundings.room_at(np.arange(first, last) + 0.5)))
    load = piece.stretch.activity[(first - lead) * workload.BLOCK : (last - lead) * workload.BLOCK]
    free = Stretch(piece.stretch.name, piece.stretch.kind, piece.stretch.phase_count, representative(load), Guards(),
                   piece.stretch.fan_duty, piece.stretch.set_voltage)
    now, duty = run.temperatures[min(last, len(run.temperatures) - 1)], float(run.fan[last - 1])
    if run.protected[first:last].mean() > 0.02:
        at = network.steady(run.heat[first:last].mean(axis=0), duty, room)
    else:
        at, duty = find_steady(run.parts, network, surroundings, free, room=room, start=now, duty=duty)
    hottest = nodes.stage.start + int(np.argmax(at[nodes.stage]))

    def by_name(t: np.ndarray) -> dict[str, float]:
        return {"regulator_temperature": float(t[hottest]), "coolant_temperature": float(t[nodes.coolant]),
                "board_temperature": float(t[nodes.copper].mean()), "processor_temperature": float(t[nodes.die])}

    names = by_name(at)
    if not np.isfinite(at).all():
        return names, {name: np.inf for name in names}
    left = _left_over(run, free, at, run.temperatures[lead] - at, duty, last - lead)
    return names, by_name(-left)


def _left_over(run: Run, stretch: Stretch, at: np.ndarray, away: np.ndarray, duty: float, seconds: int) -> np.ndarray:
    """Return what is left after `seconds` of a distance `away` (nodes,) from the settled state [K].

    Linear about the settled state, with the heat's own growth per kelvin, which slows the way there; within 15 % of a
    longer run for a start 50 K away.
    """
    from scipy.linalg import expm

    parts, network = run.parts, run.network
    mask = electrical.active_mask(parts, stretch.phase_count)
    set_voltage = stretch.set_voltage or parts.set_voltage
    heat = []
    for more in (0.0, 1.0):
        t = at + more
        state = State(temperature=t, before=t, voltage=set_voltage, supply=parts.supply_voltage)
        heat.append(simulation.one_second(parts, network, mask, stretch, stretch.activity, set_voltage, Keeper(1.0),
                                          state).heat)
    g, _ = network.matrices(duty)
    g = g - np.diag(heat[1] - heat[0])
    return expm(-float(seconds) * g / network.capacity[:, None]) @ away
