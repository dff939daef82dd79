"""Learns how the channels of a chapter answer the load: the time constants are the bench's, the same in every step.

Each channel is a sum of first-order parts, two quick ones and two slow ones from a grid. Power, its square and loss
drive them with common gains; every stretch may differ from these by gains of its own. For a pair of slow constants all
that is linear, so its evidence is known exactly; pairs that explain the record share the say, and what the other
channels of the bench found is the prior. A drift of room or coolant that is no answer to the load has columns of its
own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from phasewright.logs.records import AlignedTrace
from phasewright.logs.steady.drive import CONSTANTS, KINDS, QUICK, SLOW, Drive
from phasewright.logs.steady.load import seconds
from phasewright.logs.steady.noise import slow_spread
from phasewright.logs.steady.response import LATELY, Response, columns_of, log_normal_below
from phasewright.logs.steady.slope import resolution_of

LONGEST = 600.0
"""Time constants above this are taken as unlikely [s] unless the record shows them; common practice, no source."""
_UNLIKELY = 0.2
_OWN = (0.03, 0.1, 0.4)
"""How far a stretch's own slow gains may lie from the common ones, as shares of the channel's range."""
_SQUARE, _LOSS = 0.3, 0.5
_FIRST_STATE = {True: 0.3, False: 1.0}
"""What may still be under way when the record begins (true) or after another chapter, as a share of the range."""
_SLOTS = 600
_TURNS = 3
_BLOCKS = 10
"""Parts of a stretch in which its power is looked at."""
_LEAST_RANGE = 1.0
"""A channel may answer the load by this much at least [K]."""
_SHAPE_MISFIT = 0.01
_FAR = 10.0
"""Models whose evidence is less than the best one's by more than this [nat] have no say."""
_STRANGER = 0.02
"""Chance that a channel has a slowest part that no other channel shows."""
_PAIRS = np.array([(a, b) for a in range(len(SLOW)) for b in range(a + 2, len(SLOW))])
_COARSE = np.flatnonzero((_PAIRS % 2 == 0).all(axis=1))
_PLACE = {(int(a), int(b)): number for number, (a, b) in enumerate(_PAIRS)}


@dataclass(frozen=True, slots=True, eq=False)
class Chapter:
    """A part of the record in which the cooling was set alike, with the stretches of held load in it."""

    begin: float
    end: float
    stretches: tuple[tuple[float, float], ...]
    first: bool
    """Whether the record begins with it."""
    cooling: tuple[str, ...]
    """What was set otherwise about the cooling; chapters with the same share their time constants."""


@dataclass(slots=True, eq=False)
class _Slots:
    """The readings of one channel in slots, with the columns they may be made of."""

    time: np.ndarray
    value: np.ndarray
    columns: np.ndarray
    stretch: np.ndarray
    """(n,): number of the stretch, -1 = none."""
    variance: np.ndarray
    resolution: float
    white: float
    spread: float
    time_u: float


@dataclass(frozen=True, slots=True)
class Sensor:
    """What the whole record tells of one channel's sensor."""

    spread: float
    """Range of its readings [K]."""
    resolution: float
    """Step in which it reads [K], 0.0 when it reads in no coarse steps."""


def sensor_of(trace: AlignedTrace) -> Sensor:
    """Return what a channel's record tells of its sensor: looked through once, as it may be long."""
    low, high = np.nanquantile(trace.value[:: max(1, len(trace.value) // 5000)], [0.01, 0.99])
    return Sensor(max(float(high - low), _LEAST_RANGE), resolution_of(trace.value))


def learn(
    traces: dict[str, AlignedTrace], sensors: dict[str, Sensor], drive: Drive, chapter: Chapter
) -> dict[str, tuple[Response, np.ndarray]]:
    """Return each channel's models and how much each of `SLOW` is shown to be its slowest constant, (len(SLOW),)."""
    found = {}
    for key, trace in traces.items():
        slots = _slots(trace, sensors[key], drive, chapter)
        if slots is not None:
            found[key] = _fit(slots, drive, chapter)
    return found


def share(own: Response, votes: np.ndarray) -> Response:
    """Return `own` with its weights as they are once the `votes` of the other channels (len(SLOW),) are known."""
    if votes.sum() <= 0.2:
        return with_creep(own.weighed(own.weight))
    smooth = np.convolve(np.pad(votes, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid")
    prior = _STRANGER / len(SLOW) + (1.0 - _STRANGER) * smooth / smooth.sum()
    return with_creep(own.weighed(own.weight * prior[own.pairs[:, 1]]))


def with_creep(response: Response) -> Response:
    """Return `response` with how its stretches' power grows as they warm.

    The power of a held load creeps up because leakage and loss grow with temperature. Fitted to the way that the model
    goes without the load's wander, one growth for all stretches and a level for each.
    """
    drive = response.drive
    moved, grown = [], []
    for number, (start, end) in enumerate(drive.stretches):
        if end - start < _BLOCKS * 10.0:
            continue
        edges = np.linspace(start + 10.0, end - 3.0, _BLOCKS + 1)
        load = drive.levels(end - LATELY * (end - start), end)
        way = np.array([response.calm(number, moment, load) for moment in 0.5 * (edges[1:] + edges[:-1])])
        power = np.array([drive.levels(a, b)[0] for a, b in zip(edges[:-1], edges[1:], strict=True)])
        moved.append(way.mean() - way)
        grown.append(power - power.mean())
    if not moved:
        return response
    x, y = np.concatenate(moved), np.concatenate(grown)
    size = float(x @ x)
    if size < 1.0:
        return response
    creep = float(x @ y) / size
    scatter = float(np.sum((y - creep * x) ** 2)) / max(len(x) - len(moved) - 1, 1)
    return replace(response, creep=max(creep, 0.0), creep_u=(scatter / size) ** 0.5)


def _slots(trace: AlignedTrace, sensor: Sensor, drive: Drive, chapter: Chapter) -> _Slots | None:
    begin = max(chapter.begin, float(trace.start_s[0]), drive.begin)
    end = min(chapter.end, float(trace.end_s[-1]), float(drive.time[-1]))
    if end - begin < 20.0:
        return None
    time, value = seconds(trace, begin, end, max(1.0, (end - begin) / _SLOTS))
    good = np.isfinite(value)
    if good.sum() < 12:
        return None
    time, value = time[good], value[good]
    white = max(float(np.std(np.diff(value))) / 2**0.5, sensor.resolution / 12**0.5, 1e-3)
    stretch = np.full(len(time), -1)
    for number, (start, stop) in enumerate(drive.stretches):
        stretch[(time >= start) & (time < stop)] = number
    value = value - np.interp(time, drive.time, drive.room)
    return _Slots(time, value, drive.columns(time, chapter.begin), stretch, np.full(len(time), 4.0 * white**2),
                  sensor.resolution, white, sensor.spread, min(trace.time_u, 20.0))


def _priors(slots: _Slots, drive: Drive, chapter: Chapter) -> np.ndarray:
    """Variance of every parameter before the record is seen."""
    size, gain = len(CONSTANTS), slots.spread / drive.spread
    state = _FIRST_STATE[chapter.first] * slots.spread
    known = [gain, _SQUARE * gain, _LOSS * gain if drive.inputs[2].any() else 1e-6 * gain, state]
    parts = [np.full(size, u) for u in known] + [np.full(size, gain)] * len(drive.stretches)
    return np.concatenate([[100.0], *parts, drive.drift_u, [max(slots.time_u, 1e-3)]]) ** 2


def _fit(slots: _Slots, drive: Drive, chapter: Chapter) -> tuple[Response, np.ndarray]:
    prior = _priors(slots, drive, chapter)
    centre = float(slots.value.mean())
    value = slots.value - centre
    for _ in range(_TURNS):
        gram, moment = _normal(slots, value, _COARSE)
        evidence, mean, index = _evidence(gram, moment, prior, _PAIRS[_COARSE], np.full(len(_COARSE), _OWN[1]), drive)
        best = int(np.argmax(evidence))
        fitted = slots.columns[:, index[best]] @ mean[best]
        _weigh(slots, drive, fitted, value - fitted)
    gram, moment = _normal(slots, value, None)
    own = np.repeat(_OWN, len(_COARSE))
    pairs = np.tile(_PAIRS[_COARSE], (len(_OWN), 1))
    evidence, mean, index = _evidence(gram, moment, prior, pairs, own, drive)
    near = np.unique(np.tile(_COARSE, len(_OWN))[evidence > evidence.max() - _FAR])
    if len(near) <= 25:
        fine = _neighbours(near)
        pairs, own = np.tile(_PAIRS[fine], (len(_OWN), 1)), np.repeat(_OWN, len(fine))
        evidence, mean, index = _evidence(gram, moment, prior, pairs, own, drive)
    keep = evidence > evidence.max() - _FAR
    pairs, own, evidence, mean, index = pairs[keep], own[keep], evidence[keep], mean[keep], index[keep]
    covariance = np.linalg.inv(_matrices(gram, prior, pairs, own, drive, index))
    evidence = evidence + _warms(mean, covariance)
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    best = int(np.argmax(weight))
    residual = value - slots.columns[:, index[best]] @ mean[best]
    slowest = np.bincount(pairs[:, 1], weight, minlength=len(SLOW))
    told = float(np.sum(slowest * np.log(np.maximum(slowest, 1e-12) * len(SLOW))))
    response = Response(drive, chapter.begin, pairs, index, weight, mean, covariance, slots.spread, centre, slots.time,
                        residual, slots.resolution, told > 1.0)
    return response, told**3 * slowest


def _normal(slots: _Slots, value: np.ndarray, some: np.ndarray | None) -> tuple[np.ndarray, np.ndarray]:
    """Weighted normal matrix and moments of all columns; only every other slow constant where `some` pairs do."""
    weight = 1.0 / slots.variance
    columns = slots.columns
    if some is None:
        return (columns * weight[:, None]).T @ columns, columns.T @ (weight * value)
    used = np.unique(columns_of(_PAIRS[some], (columns.shape[1] - 2) // len(CONSTANTS) - KINDS - 1, columns.shape[1]))
    part = columns[:, used]
    gram, moment = np.zeros((columns.shape[1],) * 2), np.zeros(columns.shape[1])
    gram[np.ix_(used, used)] = (part * weight[:, None]).T @ part
    moment[used] = part.T @ (weight * value)
    return gram, moment


def _matrices(
    gram: np.ndarray, prior: np.ndarray, pairs: np.ndarray, own: np.ndarray, drive: Drive, index: np.ndarray
) -> np.ndarray:
    """Return the inverse covariances of the models' parameters, (m, q, q)."""
    matrix = gram[index[:, :, None], index[:, None, :]]
    at = np.arange(index.shape[1])
    matrix[:, at, at] += _stiffness(prior, index, own, drive)
    return matrix


def _stiffness(prior: np.ndarray, index: np.ndarray, own: np.ndarray, drive: Drive) -> np.ndarray:
    slow = _slow_places(index.shape[1], drive)
    slow[: 1 + (KINDS + 1) * (len(QUICK) + 2)] = False
    stiff = 1.0 / prior[index]
    stiff[:, slow] /= own[:, None] ** 2
    return stiff


def _slow_places(count: int, drive: Drive) -> np.ndarray:
    """Return which of a model's `count` parameters belong to its two slow constants, bool (count,)."""
    poles = len(QUICK) + 2
    slow = np.zeros(count, bool)
    for number in range(KINDS + 1 + len(drive.stretches)):
        first = 1 + number * poles
        slow[first + len(QUICK) : first + poles] = True
    return slow


def _evidence(
    gram: np.ndarray, moment: np.ndarray, prior: np.ndarray, pairs: np.ndarray, own: np.ndarray, drive: Drive
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return each model's log evidence (m,) but for a common constant, its parameters (m, q) and their columns."""
    index = columns_of(pairs, len(drive.stretches), len(prior))
    slow = _slow_places(index.shape[1], drive)
    # Most columns are in every model: they are solved for once (Schur's complement), each pair adds its own few.
    common, own_columns = index[0, ~slow], index[:, slow]
    matrix = gram[np.ix_(common, common)]
    matrix[np.arange(len(common)), np.arange(len(common))] += 1.0 / prior[common]
    part, place = np.unique(own_columns, return_inverse=True)
    place = place.reshape(own_columns.shape)
    across = gram[np.ix_(common, part)]
    through = np.linalg.solve(matrix, np.column_stack([across, moment[common]]))
    alone = through[:, -1]
    left = gram[np.ix_(part, part)] - across.T @ through[:, :-1]
    aim = moment[part] - across.T @ alone
    stiff = _stiffness(prior, index, own, drive)
    reduced = left[place[:, :, None], place[:, None, :]]
    at = np.arange(own_columns.shape[1])
    reduced[:, at, at] += stiff[:, slow]
    picked = aim[place]
    gain = np.linalg.solve(reduced, picked[:, :, None])[:, :, 0]
    mean = np.empty(index.shape)
    mean[:, slow] = gain
    spread = np.zeros((len(index), len(part)))
    np.put_along_axis(spread, place, gain, axis=1)
    mean[:, ~slow] = alone - spread @ through[:, :-1].T
    told = float(np.einsum("i,i->", alone, moment[common])) + np.einsum("ij,ij->i", gain, picked)
    size = np.linalg.slogdet(matrix)[1] + np.linalg.slogdet(reduced)[1]
    evidence = 0.5 * told - 0.5 * size + 0.5 * np.log(stiff).sum(axis=1)
    # Every slowest constant is as likely as every other before the record is seen, however many pairs it stands in.
    alike = np.log(pairs[:, 1] - 1.0)
    return evidence - alike + np.where(SLOW[pairs[:, 1]] > LONGEST, np.log(_UNLIKELY), 0.0), mean, index


def _neighbours(near: np.ndarray) -> np.ndarray:
    """Return the pairs `near` and all pairs beside them."""
    found = set()
    for a, b in _PAIRS[near].tolist():
        found.update((a + i, b + j) for i in (-1, 0, 1) for j in (-1, 0, 1))
    return np.array(sorted(_PLACE[pair] for pair in found if pair in _PLACE))


def _warms(mean: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Return the log of twice the chance that the slowest part warms under load, (m,).

    A network of heat capacities and resistances has no node that cools when it is heated, ever; as the slowest part
    outlives all others, its gain cannot be negative. (The matrix of such a network is Metzler, so that its exponential
    has no negative entry.)
    """
    at = np.arange(KINDS) * (len(QUICK) + 2) + len(QUICK) + 2
    gain = mean[:, at].sum(axis=1)
    u = np.sqrt(np.maximum(covariance[:, at[:, None], at[None, :]].sum(axis=(1, 2)), 1e-18))
    return log_normal_below(gain / u) + np.log(2.0)


def _weigh(slots: _Slots, drive: Drive, fitted: np.ndarray, residual: np.ndarray) -> None:
    """Set the variance of every slot from the residuals: what hides a slow change counts, stretch by stretch.

    Near an edge a clock's error moves the temperature; far from where a stretch ends the shape is not quite that of any
    model, and what it misses wanders about five times over the stretch.
    """
    rate = np.gradient(fitted, slots.time)
    if slots.time_u > 0.2:
        slots.columns[:, -1] = np.clip(rate, -3.0, 3.0)
    placing = (rate * float(np.hypot(0.5, 0.3 * slots.time_u))) ** 2
    outside = slots.stretch < 0
    if outside.any():
        loose = max(float(residual[outside].std()), slots.white)
        slots.variance[outside] = 4.0 * loose**2 + placing[outside]
    for number, (start, end) in enumerate(drive.stretches):
        inside = slots.stretch == number
        if inside.sum() < 12:
            slots.variance[inside] = 4.0 * slots.white**2 + placing[inside]
            continue
        late = inside & (slots.time > start + 0.3 * (end - start))
        late = late if late.sum() >= 12 else inside
        slow = slow_spread(residual[late], slots.value[late], slots.resolution, 2)[1]
        swing = fitted[inside] - fitted[inside][-1]
        slots.variance[inside] = slow**2 + placing[inside] + (_SHAPE_MISFIT * swing) ** 2 * inside.sum() / 5.0
