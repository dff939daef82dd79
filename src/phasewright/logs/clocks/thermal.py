"""A log without a power channel: its temperatures against the reference log's power behind first-order lags.

Where the load changes, the slope of a temperature changes at once; that kink is sought, whatever the gains and time
constants. What a probe and a loop delay by themselves cannot be told from a clock offset and is taken from practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.logs.clocks.coarse import correlate_edges
from phasewright.logs.clocks.integral import Integral, integrate
from phasewright.logs.condense import Intervals
from phasewright.logs.lagging import lagged

DELAY = {
    "processor_temperature": (1.0, 1.0), "regulator_temperature": (3.0, 2.5), "inductor_temperature": (5.0, 4.0),
    "board_temperature": (6.0, 5.0), "connector_temperature": (6.0, 5.0), "coolant_temperature": (5.0, 4.0),
}
"""Delay of probe and path that first-order lags leave over, and its standard uncertainty [s]; common practice, no
source."""
_LAGS = (8.0, 25.0, 80.0, 250.0, 700.0)
_BLOCK = 10.0
_LEAST_DEPTH = 0.8
"""The best offset must leave less than this share of what a typical offset leaves unexplained."""
_NEAR = 150.0
"""Searches no wider than this to both sides need no coarse stage [s]."""


@dataclass(frozen=True, slots=True)
class ThermalMatch:
    """Offset of a temperature log."""

    offset: float
    offset_u: float
    depth: float
    """Unexplained share at the best offset against a typical one."""
    ratio: float
    """How near the best rival offset comes: 1 = as good."""
    channel: str
    overlap: float


@dataclass(frozen=True, slots=True, eq=False)
class _Drive:
    """Power behind lags on a grid of 1 s."""

    time: np.ndarray
    columns: np.ndarray
    power: Integral


def match_thermal(
    power: Integral, readings: Sequence[tuple[Intervals, int, int]], low: float, high: float
) -> ThermalMatch | None:
    """Return the offset of the best temperature of a log against the reference's power, or None when none shows it.

    `readings` are temperature channels, quickest first, each with its index range; offsets from `low` to `high` [s].
    """
    drive = _drive(power)
    if drive is None:
        return None
    best: ThermalMatch | None = None
    for x, a, b in readings[:3]:
        found = _match_one(drive, x, a, b, low, high)
        if found is not None and (best is None or found.offset_u < best.offset_u):
            best = found
    return best


def _drive(power: Integral) -> _Drive | None:
    first, last = power.span
    if last - first < 120.0:
        return None
    edge = np.arange(first, last, 1.0)
    mean, share = power.means(edge[:-1], edge[1:])
    time = edge[1:]
    good = share > 0.5
    if good.sum() < 100:
        return None
    z = np.interp(time, time[good], mean[good])
    z = z - z[0]
    return _Drive(time, np.column_stack([lagged(z, 1.0, c) for c in _LAGS]), power)


def _match_one(drive: _Drive, x: Intervals, a: int, b: int, low: float, high: float) -> ThermalMatch | None:
    good = np.isfinite(x.value[a:b])
    time, value = 0.5 * (x.start[a:b] + x.end[a:b])[good], x.value[a:b][good]
    if len(time) < 40 or time[-1] - time[0] < 120.0 or np.ptp(value) == 0:
        return None
    first, last = float(time[0]), float(time[-1])
    low = max(low, drive.time[0] - last + 100.0)
    high = min(high, drive.time[-1] - first - 100.0)
    if high <= low:
        return None
    near = high - low <= 2 * _NEAR + 1.0
    starts = [0.5 * (low + high)] if near else _coarse(drive, x, a, b, low, high)
    reach = 0.5 * (high - low) if near else 60.0
    tried: list[tuple[float, float]] = []
    typical: list[float] = []
    for start in starts:
        grid = np.arange(max(start - reach, low), min(start + reach, high) + 0.5, 4.0)
        rough = [(_unexplained(drive, time, value, offset)[0], float(offset)) for offset in grid]
        typical += [cost for cost, _ in rough]
        tops = _dips(rough) if near else [min(rough)[1]]
        for top in tops:
            fine = np.arange(top - 4.0, top + 4.5, 1.0)
            tried.append(min((_unexplained(drive, time, value, offset)[0], float(offset)) for offset in fine))
    tried.sort()
    cost, offset = tried[0]
    depth = cost / max(float(np.median(typical)), 1e-30)
    # How much of what the best offset explains its best rival explains too.
    rivals = [max(1.0 - c, 0.0) for c, o in tried[1:] if abs(o - offset) > 15.0]
    ratio = max(rivals, default=0.0) / max(1.0 - cost, 1e-30)
    if depth > _LEAST_DEPTH or cost > 0.9:
        return None
    sides = [_unexplained(drive, time, value, offset + move)[0] for move in (-3.0, 3.0)]
    bend = max((sides[0] + sides[1] - 2 * cost) / 9.0, 1e-30)
    _, count, inside = _unexplained(drive, time, value, offset)
    spread = (2.0 * max(cost - (1.0 - inside), 1e-4) / (max(count / _BLOCK - 8.0, 1.0) * bend)) ** 0.5
    delay, delay_u = DELAY.get(x.channel.partition(".")[0], (5.0, 5.0))
    return ThermalMatch(
        offset + delay, (2.0 * min(spread, 60.0) ** 2 + delay_u**2 + 1.0) ** 0.5, depth, float(ratio), x.channel, count
    )


def _coarse(drive: _Drive, x: Intervals, a: int, b: int, low: float, high: float) -> list[float]:
    """Offsets worth a closer look: where the edges of the temperature follow those of the lagged power."""
    starts: list[float] = []
    mine = integrate(x, a, b)
    for column in (1, 2):
        y = drive.columns[:, column]
        edge = np.concatenate([[drive.time[0] - 1.0], drive.time])
        signal = Intervals(
            "", "W", "", 0, edge[:-1], edge[1:], y, ((0, len(y)),), 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, "end", 0.0,
            condensed=True,
        )
        found = correlate_edges(integrate(signal), mine, window=20.0, low=low, high=high, peak_count=4)
        starts += [peak.offset for peak in found.peaks if all(abs(peak.offset - s) > 30.0 for s in starts)]
    return starts or [0.5 * (low + high)]


def _dips(rough: list[tuple[float, float]]) -> list[float]:
    """Offsets of the local minima of the rough scan, deepest first, at most three."""
    cost = np.array([c for c, _ in rough])
    at = [k for k in range(len(cost)) if cost[k] == cost[max(0, k - 3) : k + 4].min()]
    return [rough[k][1] for k in sorted(at, key=lambda k: cost[k])[:3]]


def _unexplained(drive: _Drive, time: np.ndarray, value: np.ndarray, offset: float) -> tuple[float, float, float]:
    """Share of the log's 10 s changes (squared) that lagged power and a decaying start leave unexplained.

    What lies off the record counts as unexplained, so that a sliver of overlap explains little. Also the overlap [s],
    and the share of the squared changes that lies on record.
    """
    moved = time + offset
    first, last = max(moved[0], drive.time[0]) + 5.0, min(moved[-1], drive.time[-1]) - 5.0
    everything = float(np.sum(_blocks(time, value, np.arange(time[0], time[-1], _BLOCK), True) ** 2))
    grid = np.arange(first, last, _BLOCK)
    if len(grid) < 20:
        return 1.0, max(last - first, 0.0), 0.0
    middle = grid[:-1] + 0.5 * _BLOCK
    columns = np.column_stack(
        [np.interp(middle, drive.time, c) for c in drive.columns.T]
        + [np.exp(-(middle - first) / c) for c in (80.0, 250.0, 700.0)]
    )
    design, aim = np.diff(columns, axis=0), _blocks(moved, value, grid, False)
    good = np.isfinite(aim)
    n, p = int(good.sum()), design.shape[1]
    if n < 20:
        return 1.0, last - first, 0.0
    design, aim = design[good], aim[good]
    normal = design.T @ design
    normal += 1e-9 * np.trace(normal) * np.eye(p)
    rest = aim - design @ np.linalg.solve(normal, design.T @ aim)
    on_record = float(aim @ aim)
    # Free columns explain p of n changes by themselves.
    explained = on_record - min(float(rest @ rest) * n / (n - p), on_record)
    return 1.0 - explained / max(everything, 1e-30), last - first, min(on_record / max(everything, 1e-30), 1.0)


def _blocks(time: np.ndarray, value: np.ndarray, grid: np.ndarray, zero: bool) -> np.ndarray:
    """Differences of the means over the blocks of `grid`; NaN (or 0) where a block is empty."""
    slot = np.searchsorted(time, grid)
    total = np.concatenate([[0.0], np.cumsum(value - value.mean())])
    count = np.diff(slot)
    mean = np.where(count > 0, (total[slot[1:]] - total[slot[:-1]]) / np.maximum(count, 1), np.nan)
    change = np.diff(mean)
    return np.nan_to_num(change) if zero else change
