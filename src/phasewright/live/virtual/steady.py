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
STRIDE = 5
"""Seconds at a time in which a calm run goes on; no node that matters at a step's end is as quick."""
STILL = 2e-3
"""A bench that moves by less in `20 * STRIDE` seconds has settled [K]."""
STILL_BY = 6000
"""[s]"""


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

    Both come from a second run of the step, from where it really began, under a load that does not fluctuate: what
    remains is free of noise, and loss, leakage and fan follow the temperature all the way. A step that was held back
    keeps the heat that it had, because what held it back would go on doing so.
    """
    first, last = int(np.floor(start)), max(int(np.floor(end)), int(np.floor(start)) + 1)
    network, nodes = run.network, run.network.nodes
    room = float(np.mean(run.surroundings.room_at(np.arange(first, last) + 0.5)))
    before = run.temperatures[piece.start]
    if run.protected[first:last].mean() > 0.02:
        duty = float(run.fan[last - 1])
        at = network.steady(run.heat[first:last].mean(axis=0), duty, room)
        kept, _, _ = network.step(duty, 1.0)
        then = at + np.linalg.matrix_power(kept, last - piece.start) @ (before - at)
    else:
        load = piece.stretch.activity[(first - piece.start) * workload.BLOCK : (last - piece.start) * workload.BLOCK]
        then, at = _calm_run(run, piece, representative(load), room, last - piece.start)
    hottest = nodes.stage.start + int(np.argmax(at[nodes.stage]))

    def by_name(t: np.ndarray) -> dict[str, float]:
        return {"regulator_temperature": float(t[hottest]), "coolant_temperature": float(t[nodes.coolant]),
                "board_temperature": float(t[nodes.copper].mean()), "processor_temperature": float(t[nodes.die])}

    names = by_name(at)
    if not np.isfinite(at).all():
        return names, {name: np.inf for name in names}
    return names, by_name(at - then)


def _calm_run(run: Run, piece: Piece, second: np.ndarray, room: float, seconds: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the temperatures [degC] after `seconds` of a step whose every second is `second`, and when all is still.

    Nothing holds the load back. The settled temperatures are inf where they run away.
    """
    parts, network, nodes = run.parts, run.network, run.network.nodes
    stretch = Stretch("", "step", piece.stretch.phase_count, second, Guards(), piece.stretch.fan_duty,
                      piece.stretch.set_voltage)
    mask = electrical.active_mask(parts, stretch.phase_count)
    set_voltage = stretch.set_voltage or parts.set_voltage
    keeper = Keeper(float(run.fan[piece.start]))
    t = run.temperatures[piece.start].copy()
    state = State(temperature=t, before=t, voltage=set_voltage, supply=parts.supply_voltage)
    then, checked, clock = t, t, 0
    while clock < seconds + STILL_BY:
        # Whole strides, but the step's own last seconds one by one.
        stride = STRIDE if clock + STRIDE <= seconds or clock >= seconds else 1
        wanted = stretch.fan_duty
        if wanted is None:
            wanted = run.surroundings.duty_at(float(state.temperature[nodes.coolant]))
        simulation.turn_fan(keeper, wanted, stride)
        with np.errstate(invalid="ignore", over="ignore"):
            heat = simulation.one_second(parts, network, mask, stretch, second, set_voltage, keeper, state).heat
        kept, into, outside = network.step(keeper.duty, float(stride))
        after = kept @ state.temperature + into @ heat + outside * room
        if not np.isfinite(after).all() or after[nodes.stage].max() > RUNAWAY:
            return then, np.full(len(t), np.inf)
        state.before, state.temperature = state.temperature, after
        clock += stride
        if clock == seconds:
            then = checked = after
        elif clock > seconds and (clock - seconds) % (20 * STRIDE) == 0:
            if float(np.abs(after - checked).max()) < STILL:
                break
            checked = after
    return then, state.temperature
