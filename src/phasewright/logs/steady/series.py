"""One channel of one stretch, made ready for fitting: slots, and the load's fluctuation behind first-order lags."""

from __future__ import annotations

import weakref
from dataclasses import dataclass

import numpy as np

from phasewright.logs.records import AlignedTrace
from phasewright.logs.steady.load import Load, seconds
from phasewright.logs.steady.slope import resolution_of

_LAGS = (4.0, 20.0, 80.0)


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """`time` (n,) [s] from the stretch's start, `value` (n,), `load` (n, k) lagged load fluctuation [W]."""

    time: np.ndarray
    value: np.ndarray
    load: np.ndarray
    spread: float
    """Temperature range of the whole record [K]: what a transient may reach."""
    gain: float
    """Temperature range over load range of the whole record [K/W]."""
    resolution: float


def prepare(
    key: str, trace: AlignedTrace, load: Load | None, start: float, end: float, *, points: int = 150
) -> Series | None:
    """Return the readings of `trace` from `start` to `end` [s] in at most `points` slots; None for fewer than 12."""
    del key
    if end - start < 12.0:
        return None
    time, value = seconds(trace, start, end, max(1.0, (end - start) / points))
    good = np.isfinite(value)
    if good.sum() < 12:
        return None
    spread, resolution = _of_record(trace.value)
    columns, gain = np.zeros((int(good.sum()), 0)), 0.0
    if load is not None and load.spread > 0:
        columns = _load_columns(load, time[good], start, end)
        gain = spread / load.spread
    return Series(time[good] - start, value[good], columns, spread, gain, resolution)


_KNOWN: dict[int, tuple[weakref.ref[np.ndarray], float, float]] = {}


def _of_record(value: np.ndarray) -> tuple[float, float]:
    """Return range [K] and resolution of a channel's whole record, worked out once: every step asks for them."""
    held = _KNOWN.get(id(value))
    if held is not None and held[0]() is value:
        return held[1], held[2]
    low, high = np.nanquantile(value[:: max(1, len(value) // 5000)], [0.01, 0.99])
    spread, resolution = max(float(high - low), 5.0), resolution_of(value)
    for key in [key for key, (there, _, _) in list(_KNOWN.items()) if there() is None]:
        _KNOWN.pop(key, None)
    _KNOWN[id(value)] = (weakref.ref(value), spread, resolution)
    return spread, resolution


def low_pass(value: np.ndarray, step: float, constant: float) -> np.ndarray:
    """Return `value` (n,), on a grid of `step` [s], behind a first-order lag of `constant` [s], starting from 0."""
    keep = float(np.exp(-step / constant))
    size = max(1, min(len(value), int(-30.0 / np.log(keep))))
    power = keep ** np.arange(1, size + 1)
    out = np.empty_like(value)
    last = 0.0
    for first in range(0, len(value), size):
        part = value[first : first + size]
        p = power[: len(part)]
        out[first : first + size] = p * (last + (1.0 - keep) * np.cumsum(part / p))
        last = out[first + len(part) - 1]
    return out


def _load_columns(load: Load, time: np.ndarray, start: float, end: float) -> np.ndarray:
    """Fluctuation of the load about its mean in the later half of the stretch, behind lags; (len(time), 3)."""
    low, high = np.searchsorted(load.time, [start, end])
    grid, power = load.time[low:high], load.power[low:high]
    if len(grid) < 8:
        return np.zeros((len(time), 0))
    moved = power - power[len(power) // 2 :].mean()
    return np.column_stack([np.interp(time, grid, low_pass(moved, 1.0, c)) for c in _LAGS])
