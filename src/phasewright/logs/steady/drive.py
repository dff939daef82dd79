"""What drives the temperatures: the measured load of the record, behind every lag that the bench may have."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.lagging import lagged
from phasewright.logs.records import AlignedTrace
from phasewright.logs.steady.load import Load, seconds

QUICK = np.array([3.0, 9.0])
"""Time constants of dies, sensors and small parts [s]; every model has them."""
SLOW = np.geomspace(18.0, 1400.0, 24)
"""Time constants from which a model takes two [s]: plate and board, coolant and radiator."""
CONSTANTS = np.concatenate([QUICK, SLOW])
KINDS = 3
"""Inputs: power, its square, loss."""
_WARM_UP = 3600.0
_MOST = 40_000
_SLOW_DRIFT = 0.15
"""What room and coolant may drift by for reasons of their own [K], for each of three slow cosines over the record."""
_ROOM = 0.5
"""How far a channel's share in the room's moves may be from 1."""
_DARK = 0.1
_BLOCKS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """The inputs of one chapter of the record, behind lags. `n` slots, `k` time constants."""

    begin: float
    """Start of the first slot [s]."""
    time: np.ndarray
    """(n,) ends of the slots [s]."""
    inputs: np.ndarray
    """(3, n): power, power squared and loss, each scaled to about the power's size."""
    behind: np.ndarray
    """(3, k, n): the inputs behind each lag, at the slots' ends."""
    room: np.ndarray
    """(n,): how far the room is from its mean [K]; all temperatures move with it. Zeros where it was not logged."""
    drift: np.ndarray
    """(d, n): what else may move temperatures slowly without the load: slow cosines, more or less of the room."""
    drift_u: np.ndarray
    """(d,): standard deviation of the factor on each."""
    stretches: tuple[tuple[float, float], ...]
    """Where the load was held [s]; each has gains of its own beside the common ones."""
    spread: float
    """Range of the power over the record."""

    def slot(self, moment: float) -> int:
        """Return the last slot that ends at or before `moment` [s], the first at least."""
        return max(int(np.searchsorted(self.time, moment + 1e-6)) - 1, 0)

    def levels(self, start: float, end: float) -> np.ndarray:
        """Return the mean inputs from `start` to `end` [s], (3,)."""
        first = self.slot(start) + 1
        return self.inputs[:, first : max(self.slot(end) + 1, first + 1)].mean(axis=1)

    def wander(self, start: float, end: float) -> float:
        """Return by how much the mean power from `start` to `end` [s] may miss the load's own level: its blocks' scatter."""
        first, last = self.slot(start) + 1, self.slot(end) + 1
        if last - first < 2 * _BLOCKS:
            return 0.0
        blocks = [part.mean() for part in np.array_split(self.inputs[0][first:last], _BLOCKS)]
        return float(np.std(blocks, ddof=1)) / _BLOCKS**0.5

    def own_state(self, number: int, moment: float) -> np.ndarray:
        """Return what the power of stretch `number` alone has left behind each lag at `moment` [s], (k,)."""
        start, end = self.stretches[number]
        if moment <= start:
            return np.zeros(len(CONSTANTS))
        until = min(moment, end)
        before, at = self.behind[0][:, self.slot(start)], self.behind[0][:, self.slot(until)]
        inside = at - before * np.exp(-(until - start) / CONSTANTS)
        return inside * np.exp(-(moment - until) / CONSTANTS)

    def columns(self, t: np.ndarray, begin: float) -> np.ndarray:
        """Return what temperatures at `t` (m,) [s] may be made of, (m, 1 + k*(4 + stretches) + d + 1).

        A level; each input behind each lag; the state at `begin` [s] dying away; each stretch's own power behind each
        lag; the drifts; and a last column of zeros for the clock's error.
        """
        at = np.clip(np.searchsorted(self.time, t), 1, len(self.time) - 1)
        share = np.clip((t - self.time[at - 1]) / (self.time[at] - self.time[at - 1]), 0.0, 1.0)

        def between(rows: np.ndarray) -> np.ndarray:
            low = rows[:, at - 1]
            return (low + share * (rows[:, at] - low)).T

        power = between(self.behind[0])
        blocks = [np.ones((len(t), 1)), power, *(between(rows) for rows in self.behind[1:]),
                  np.exp(-np.maximum(t - begin, 0.0)[:, None] / CONSTANTS)]
        for number, (start, end) in enumerate(self.stretches):
            own = np.zeros_like(power)
            inside, after = (t > start) & (t <= end), t > end
            before = self.behind[0][:, self.slot(start)]
            own[inside] = power[inside] - before * np.exp(-(t[inside] - start)[:, None] / CONSTANTS)
            own[after] = self.own_state(number, end) * np.exp(-(t[after] - end)[:, None] / CONSTANTS)
            blocks.append(own)
        return np.concatenate([*blocks, between(self.drift), np.zeros((len(t), 1))], axis=1)


def make_drive(
    load: Load, traces: dict[str, AlignedTrace], stretches: tuple[tuple[float, float], ...], begin: float, end: float
) -> Drive:
    """Return the inputs from well before `begin` to `end` [s]."""
    first, last = np.searchsorted(load.time, [begin - _WARM_UP, end])
    every = max(1, int(np.ceil((last - first) / _MOST)))
    count = (last - first) // every
    time = load.time[first : first + count * every].reshape(count, every).mean(axis=1)
    power = load.power[first : first + count * every].reshape(count, every).mean(axis=1)
    top = max(float(np.quantile(np.abs(load.power), 0.98)), 1e-9)
    inputs = np.stack([power, power * np.abs(power) / top, _loss(traces, time, power, top)])
    step = float(every)
    behind = np.stack([[lagged(row, step, constant) for constant in CONSTANTS] for row in inputs])
    share = (time - time[0]) / max(float(time[-1] - time[0]), 1.0)
    room = _room(traces, time)
    drift = np.stack([np.cos(np.pi * number * share) for number in (1, 2, 3)] + [room])
    return Drive(float(time[0]) - 0.5 * step, time + 0.5 * step, inputs, behind, room, drift,
                 np.array([_SLOW_DRIFT] * 3 + [_ROOM]), stretches, max(load.spread, 1e-9))


def _loss(traces: dict[str, AlignedTrace], time: np.ndarray, power: np.ndarray, top: float) -> np.ndarray:
    """Input less output power at `time` (n,) [s], scaled to `top` [W]; zeros where no two powers tell it.

    It heats the regulator, and other than the input power it changes with the phase count. A gain error of the output
    power is of no consequence: it is a share of the power, which is an input too.
    """
    if not any(key.partition(".")[0] == "input_power" for key in traces):
        return np.zeros(len(time))
    for name in ("package_power", "rail_power"):
        trace = traces.get(name)
        if trace is None or not np.isfinite(trace.time_u) or trace.time_u > 2.0:
            continue
        middle, value = seconds(trace, float(time[0]) - 0.5, float(time[-1]) + 0.5, float(time[1] - time[0]))
        good = np.isfinite(value)
        if good.sum() < 0.5 * len(time):
            continue
        loss = np.maximum(power - np.interp(time, middle[good], value[good]), 0.0)
        # A dark processor reports nothing: then all of it is loss.
        dark = power < _DARK * top
        loss[dark] = np.maximum(power[dark], 0.0)
        size = float(np.quantile(loss, 0.98))
        if size > 0.0:
            return loss * (top / size)
    return np.zeros(len(time))


def _room(traces: dict[str, AlignedTrace], time: np.ndarray) -> np.ndarray:
    """Return how far the room's temperature is from its mean at `time` (n,) [s], in means of half a minute [K]."""
    room = traces.get("ambient_temperature")
    if room is not None and np.isfinite(room.time_u):
        middle, value = seconds(room, float(time[0]), float(time[-1]), 30.0)
        good = np.isfinite(value)
        if good.sum() > 3:
            smooth = np.interp(time, middle[good], value[good])
            return smooth - smooth.mean()
    return np.zeros(len(time))
