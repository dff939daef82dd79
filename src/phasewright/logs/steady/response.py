"""How one channel answers the load, learnt from a whole chapter of the record: every model that may be true has a say."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from phasewright.logs.steady.drive import CONSTANTS, KINDS, QUICK, SLOW, Drive
from phasewright.logs.steady.mixture import chance_beyond, magnitude_bound

MISFIT = 0.12
"""Share of what is said to remain that the model may be wrong by: no bench is linear, fans and leakage follow heat."""
FLOOR = (0.03, 0.0007)
"""What the model may always be wrong by: [K], and a share of the channel's range over the record."""
LATELY = 0.3
"""Share of a stretch whose mean load is the load of its end."""
_MOST_FEEDBACK = 0.6
_SIZE = len(CONSTANTS)
_POLES = len(QUICK) + 2


def block(number: int) -> slice:
    """Return where block `number` of the drive's columns stands: inputs 0-2, first state 3, then the stretches."""
    return slice(1 + number * _SIZE, 1 + (number + 1) * _SIZE)


def columns_of(pairs: np.ndarray, stretches: int, width: int) -> np.ndarray:
    """Return the columns of each model, (m, q), of `width` in all, for pairs (m, 2) of numbers in `SLOW`."""
    quick = np.tile(np.arange(len(QUICK)), (len(pairs), 1))
    poles = np.concatenate([quick, len(QUICK) + pairs], axis=1)
    blocks = [1 + number * _SIZE + poles for number in range(KINDS + 1 + stretches)]
    rest = np.arange(1 + (KINDS + 1 + stretches) * _SIZE, width)
    return np.concatenate([np.zeros((len(pairs), 1), int), *blocks, np.tile(rest, (len(pairs), 1))], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class Remaining:
    """What is still to come over some time, [K]; each model of the mixture has its weight. Arrays (m,)."""

    weight: np.ndarray
    mean: np.ndarray
    u: np.ndarray

    def chance(self, bound: float) -> float:
        """Return the chance that more than `bound` [K] remains."""
        return chance_beyond(self.weight, self.mean, self.u, bound)

    def bound(self, level: float) -> float:
        """Return what does not remain with chance `level` at most, in magnitude [K]."""
        return magnitude_bound(self.weight, self.mean, self.u, level)

    def estimate(self) -> tuple[float, float]:
        """Return mean and standard uncertainty [K]."""
        mean = float(self.weight @ self.mean)
        return mean, float(self.weight @ (self.u**2 + (self.mean - mean) ** 2)) ** 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """The models of one channel in one chapter. `m` models of `q` parameters."""

    drive: Drive
    begin: float
    """Start of the chapter [s]."""
    pairs: np.ndarray
    """(m, 2): numbers in `SLOW`."""
    index: np.ndarray
    """(m, q): which columns of the drive each model uses."""
    weight: np.ndarray
    mean: np.ndarray
    """(m, q)"""
    covariance: np.ndarray
    """(m, q, q)"""
    spread: float
    """Range of the channel over the record [K]."""
    centre: float
    """Temperature from which the level counts [degC]."""
    time: np.ndarray
    """(n,) middles of the slots that were fitted [s]."""
    residual: np.ndarray
    """(n,) of the likeliest model [K]."""
    resolution: float
    """Step in which the sensor reads [K]."""
    shown: bool
    """Whether the record tells the time constants."""
    creep: float = 0.0
    """By how much the power grows for each kelvin that the channel warms [W/K]: leakage and loss do."""
    creep_u: float = 0.0
    _left: dict[int, np.ndarray] = field(default_factory=dict, init=False, repr=False)
    """By stretch: what `_remains` starts from."""
    _asked: dict[tuple[int, float, bytes], _Load] = field(default_factory=dict, init=False, repr=False)
    """The load that was asked about last: windows that begin at many moments end at one."""

    def slowest(self, share: float = 0.05) -> float:
        """Return the time constant that the bench exceeds with less than `share` chance [s]."""
        at = np.bincount(self.pairs[:, 1], self.weight, minlength=len(SLOW))
        beyond = np.cumsum(at[::-1])[::-1]
        return float(SLOW[np.flatnonzero(beyond >= share)[-1]])

    def remaining(self, number: int, start: float, end: float, load: np.ndarray) -> Remaining:
        """Return what remains on average from `start` to `end` [s] of stretch `number` under `load` (3,).

        The way there is that of a load that stands still at this level from the stretch's begin on; `load` is the mean
        of the last part of the stretch (`LATELY`), and the power yet to grow with the temperature is counted too.
        """
        held = self._held_load(number, end, load)
        known = held.remaining.get(start)
        if known is None:
            known = held.remaining[start] = self._still_to_come(held, number, start, end, load)
        return known

    def _still_to_come(self, held: _Load, number: int, start: float, end: float, load: np.ndarray) -> Remaining:
        row = self._row(number, load, dying(end - self.drive.stretches[number][0], end - start) + held.more)
        ahead = np.einsum("ij,ij->i", row, self.mean)
        with_row = np.einsum("ijk,ik->ij", self.covariance, row)
        variance = np.einsum("ij,ij->i", row, with_row)
        # The slowest part of a passive heat path warms under load and never cools: the gain's normal law is cut at 0.
        along = np.einsum("ij,ij->i", held.gain, with_row) / held.size
        ahead = ahead + along * held.push
        variance = np.maximum(variance - along**2 * held.push * (held.push + held.at), 0.0)
        u = np.sqrt(variance + held.grown**2 + self.misfit(ahead) ** 2)
        return Remaining(self.weight, ahead, u)

    def misfit(self, ahead: np.ndarray) -> np.ndarray:
        """Return what the model may be wrong by where `ahead` [K] remains, standard uncertainty [K]."""
        return np.sqrt((MISFIT * ahead) ** 2 + (FLOOR[0] + FLOOR[1] * self.spread) ** 2)

    def _held_load(self, number: int, end: float, load: np.ndarray) -> _Load:
        """Return what `remaining` takes that does not depend on where the window starts."""
        key = (number, end, load.tobytes())
        if key not in self._asked:
            began = self.drive.stretches[number][0]
            more, more_u = self._feedback(number, load)
            lately = dying(end - began, max(LATELY * (end - began), 30.0))
            grown = more_u * float(self.weight @ np.einsum("ij,ij->i", self._row(number, load, lately), self.mean))
            gain = self._gain(number, load)
            size = np.sqrt(np.maximum(np.einsum("ij,ijk,ik->i", gain, self.covariance, gain), 1e-18))
            at = np.einsum("ij,ij->i", gain, self.mean) / size
            push = np.exp(-0.5 * at**2 - log_normal_below(at)) / (2.0 * np.pi) ** 0.5
            self._asked.clear()
            self._asked[key] = _Load(more * lately, grown, gain, size, at, push, {})
        return self._asked[key]

    def calm(self, number: int, moment: float, load: np.ndarray) -> float:
        """Return what remains at `moment` [s] under a power that does not grow with temperature [K]."""
        row = self._row(number, load, dying(moment - self.drive.stretches[number][0], 0.0))
        return float(self.weight @ np.einsum("ij,ij->i", row, self.mean))

    def _feedback(self, number: int, load: np.ndarray) -> tuple[float, float]:
        """Return how much more remains than under a power that does not grow, and its standard uncertainty [1].

        A share g of what is still to come makes power for g**2 more, and so on: g/(1 - g) in all.
        """
        if self.creep <= 0.0:
            return 0.0, 0.0
        gain = self.gain(number, load)
        share = min(max(gain * self.creep, 0.0), _MOST_FEEDBACK)
        return share / (1.0 - share), gain * self.creep_u / (1.0 - share) ** 2

    def gain(self, number: int, load: np.ndarray) -> float:
        """Return how much the settled temperature rises with the power of stretch `number` [K/W]."""
        row = np.zeros(self._width())
        for kind in range(KINDS):
            row[block(kind)] = load[kind] / max(float(load[0]), 1e-9)
        row[block(KINDS + 1 + number)] = 1.0
        return float(self.weight @ np.einsum("ij,ij->i", row[self.index], self.mean))

    def settled_level(self, number: int, load: np.ndarray, start: float, end: float) -> tuple[float, float]:
        """Return where stretch `number` would settle and the standard uncertainty [degC].

        `load` (3,) is the mean from `start` to `end` [s]; it grows on with the temperature.
        """
        level_row = np.zeros(self._width())
        level_row[0] = 1.0
        for kind in range(KINDS):
            level_row[block(kind)] = load[kind]
        level_row[block(KINDS + 1 + number)] = load[0]
        first = 1 + (KINDS + 1 + len(self.drive.stretches)) * _SIZE
        level_row[first : first + len(self.drive.drift)] = self.drive.drift[:, self.drive.slot(end)]
        picked = level_row[self.index]
        level = np.einsum("ij,ij->i", picked, self.mean)
        own = np.einsum("ij,ijk,ik->i", picked, self.covariance, picked)
        mean = float(self.weight @ level)
        spread = float(self.weight @ (own + (level - mean) ** 2)) ** 0.5
        more, more_u = self._feedback(number, load)
        began = self.drive.stretches[number][0]
        row = self._row(number, load, dying(end - began, end - start))
        to_come = float(self.weight @ np.einsum("ij,ij->i", row, self.mean))
        room = float(self.drive.room[self.drive.slot(end)])
        return self.centre + room + mean + more * to_come, float(np.hypot(more_u * to_come, spread))

    def _row(self, number: int, load: np.ndarray, dying_away: np.ndarray) -> np.ndarray:
        """Return what each parameter adds to what remains, (m, q)."""
        blocks = self._remains(number).copy()
        blocks[:KINDS] += load[:, None]
        blocks[KINDS + 1 + number] = load[0]
        row = np.zeros(self._width())
        row[1 : 1 + blocks.size] = (blocks * dying_away).ravel()
        return row[self.index]

    def _remains(self, number: int) -> np.ndarray:
        """Return what earlier loads left in each block when stretch `number` began, taken off, (blocks, k)."""
        if number not in self._left:
            began = self.drive.stretches[number][0]
            blocks = np.zeros((KINDS + 1 + len(self.drive.stretches), _SIZE))
            blocks[:KINDS] = -self.drive.behind[:KINDS, :, self.drive.slot(began)]
            blocks[KINDS] = -np.exp(-max(began - self.begin, 0.0) / CONSTANTS)
            for earlier in range(number):
                blocks[KINDS + 1 + earlier] = -self.drive.own_state(earlier, began)
            self._left[number] = blocks
        return self._left[number]

    def _gain(self, number: int, load: np.ndarray) -> np.ndarray:
        """Return what each parameter adds to the gain of the slowest part in stretch `number`, (m, q)."""
        row = np.zeros(self.index.shape[1])
        for kind in range(KINDS):
            row[kind * _POLES + _POLES] = load[kind] / max(float(load[0]), 1e-9)
        row[(KINDS + 1 + number) * _POLES + _POLES] = 1.0
        return np.tile(row, (len(self.index), 1))

    def _width(self) -> int:
        return 1 + (KINDS + 1 + len(self.drive.stretches)) * _SIZE + len(self.drive.drift) + 1

    def weighed(self, weight: np.ndarray) -> Response:
        """Return the same models with other weights; those that hardly count are left out."""
        keep = weight > 1e-4 * weight.max()
        return replace(
            self, pairs=self.pairs[keep], index=self.index[keep], weight=weight[keep] / weight[keep].sum(),
            mean=self.mean[keep], covariance=self.covariance[keep])


@dataclass(frozen=True, slots=True, eq=False)
class _Load:
    """What is known of a load that is held to one end, whatever the start that is asked about. Arrays (m,)."""

    more: np.ndarray
    """(k,): what the power yet to grow adds."""
    grown: float
    gain: np.ndarray
    """(m, q)"""
    size: np.ndarray
    at: np.ndarray
    push: np.ndarray
    remaining: dict[float, Remaining]


def dying(age: float, length: float) -> np.ndarray:
    """Return the mean of exp(-t/constant) over the last `length` of `age` [s], for every constant (k,)."""
    at_end = np.exp(-age / CONSTANTS)
    if length <= 0.0:
        return at_end
    return at_end * CONSTANTS / length * np.expm1(np.minimum(length / CONSTANTS, 600.0))


def log_normal_below(z: np.ndarray) -> np.ndarray:
    """Return the logarithm of the chance that a standard normal variable is below `z`."""
    from scipy.special import log_ndtr

    return log_ndtr(z)
