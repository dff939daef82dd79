"""Temperatures held against power and against each other: units, scales, order, and what stands still."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.lagging import lagged
from phasewright.logs.records import Remark
from phasewright.logs.sanity.balance import inner
from phasewright.logs.sanity.case import Case

PARTS = ("regulator", "inductor", "board", "processor", "connector")
_LAGS = (3.0, 20.0, 120.0, 600.0)
"""First-order lags [s] that a temperature behind the load is made of: die, plate, board, liquid."""
_HIGH, _LOW = 9.0, -8.5
"""How far [K] a temperature may lie from the others where no power flows. On virtual benches sound ones lie between -7
and +6, Fahrenheit at +34 or more, twice or half the value beyond +9 and -8 nearly always."""
_ROOM = (5.0, 45.0)
"""Where a bench without power may be [degC]."""
_COLDER, _COLDER_ROOM = 1.5, 0.3
"""How much colder [K] than its coolant a heated part, and than the room the coolant, must read to be doubted, besides
the stated accuracy of both."""
_FOLLOWS = 1.35
"""A temperature follows the phase count when that much of its misfit goes once the count is known."""

_AT_ONCE = 0.15
"""By so much more of its rise within 8 s of the load must the regulator's reading show than the processor's to be
doubted: on virtual benches the processor's leads by 0.04 to 0.63; dies are small (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class _Drive:
    """What heats: columns of lagged power (m, k), with and without the phase count, and the cells they hold for."""

    plain: np.ndarray
    shared: np.ndarray
    good: np.ndarray
    loaded: np.ndarray


def question_heat(case: Case) -> None:
    """Refuse temperatures in another unit; remark on scales, swapped and misplaced sensors."""
    keys = [key for key in case.levels.channels if key.partition(".")[0].endswith("_temperature")]
    if not keys:
        return
    drive = _drive(case)
    doubted: set[str] = set()
    if drive is not None:
        doubted = _zero_power(case, keys, drive)
        _order(case, [key for key in keys if key not in doubted], drive.loaded)
        _exchanged(case, [key for key in keys if key not in doubted], drive)
    _beyond(case, [key for key in keys if key not in doubted])


def filled(value: np.ndarray) -> np.ndarray:
    """Return `value` (m,) with holes on the line between what is beside them."""
    good = np.isfinite(value)
    if good.all() or not good.any():
        return value
    return np.interp(np.arange(len(value)), np.flatnonzero(good), value[good])


def _drive(case: Case) -> _Drive | None:
    levels = case.levels
    sides = [found[1] for side in ("package", "input", "rail") if (found := levels.power(side, case.bench)) is not None]
    if not sides or np.count_nonzero(np.isfinite(sides[0])) < 60:
        return None
    power, known = sides[0].copy(), np.isfinite(sides[0])
    for other in sides[1:]:
        # While the machine is silent the meter beside it still tells what flows.
        both = known & np.isfinite(other)
        share = float(np.median(power[both] / np.maximum(other[both], 1e-9))) if both.sum() > 60 else 0.0
        lacks = ~np.isfinite(power) & np.isfinite(other)
        power[lacks] = share * other[lacks]
    good = np.isfinite(power)
    power = np.maximum(filled(power), 0.0)
    top = float(np.quantile(power, 0.9))
    low = float(np.quantile(power, 0.02))
    if top <= 0.0 or low > 0.6 * top:
        # No idle and no light load: where it would start from without power cannot be told.
        return None
    phases = levels.first("phase_count")
    share = np.ones(len(power))
    if phases is not None and np.isfinite(phases[1]).sum() > 10:
        count = np.maximum(filled(phases[1]), 1.0)
        share = float(count.max()) / count
    curved = power * power / top
    step = levels.step
    inputs = (power, curved, curved * share)
    lags = [tuple(lagged(x, step, t, before=x[0]) for x in inputs) for t in _LAGS]
    loaded = inner(power > 0.5 * top, 3)
    plain = np.column_stack([x for a, b, _ in lags for x in (a, b)])
    return _Drive(plain, np.column_stack([x for a, _, c in lags for x in (a, c)]), good, loaded)


def _fit(columns: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Return (start, spread of the misfit) of y = start + columns x weights, no weight negative: heat never cools.

    Coordinate descent on the normal equations; the start is free.
    """
    centre = columns.mean(axis=0)
    x = columns - centre
    middle = float(y.mean())
    gram, moment = x.T @ x, x.T @ (y - middle)
    gram[np.diag_indices_from(gram)] *= 1.0 + 1e-6
    weight = np.zeros(len(moment))
    for _ in range(400):
        before = weight.copy()
        for k in range(len(weight)):
            if gram[k, k] > 0.0:
                weight[k] = max(0.0, weight[k] + (moment[k] - float(gram[k] @ weight)) / gram[k, k])
        if np.abs(weight - before).max() <= 1e-5 * max(float(np.abs(weight).max()), 1e-12):
            break
    rest = y - middle - x @ weight
    return middle - float(centre @ weight), float(np.std(rest))


# ---- where no power flows everything is as warm as the room -------------------------------------------------------


def _zero_power(case: Case, keys: list[str], drive: _Drive) -> set[str]:
    start: dict[str, float] = {}
    for key in keys:
        value = case.levels.channels[key]
        good = np.isfinite(value) & drive.good
        if np.count_nonzero(good) >= 60:
            start[key] = _fit(drive.shared[good], value[good])[0]
    if not start:
        return set()
    common = _common(start)
    doubted = set()
    for key, at in start.items():
        if _LOW < at - common < _HIGH:
            continue
        unit, scale = _explain(case.levels.channels[key], drive, common)
        column = case.column(key)
        words = f"{key} ({column}) would be {at:.0f} °C with no power, where the bench is at {common:.0f} °C"
        doubted.add(key)
        if unit:
            case.refuse(key, f"{words}: it looks like {unit}, read as degC",
                        f'if so, write {key} = {{ column = "{column}", unit = "{unit}" }} in the map')  # fmt: skip
            continue
        near = f", near {scale:g} times the true value" if scale else ""
        case.say(key, Remark("note", f"{words}{near}: scale, offset or sensor is wrong", None, column,
                             mend="check the sensor against another one at idle"))  # fmt: skip
    return doubted


def _common(start: dict[str, float]) -> float:
    """Return the temperature of the bench without power: what most channels agree on, else what a room can be."""
    values = np.array(list(start.values()))
    inside = values[(values >= _ROOM[0]) & (values <= _ROOM[1])]
    agree = [int(np.count_nonzero(np.abs(values - v) < 0.5 * (_HIGH - _LOW))) for v in values]
    if len(values) >= 3 and max(agree) >= 2 and len(inside):
        near = [v for v, n in zip(values, agree, strict=True) if n == max(agree) and _ROOM[0] <= v <= _ROOM[1]]
        if near:
            return float(np.median(near))
    for key, value in start.items():
        if key.startswith("ambient") and _ROOM[0] <= value <= _ROOM[1]:
            return value
    return float(np.median(inside)) if len(inside) else 23.0


def _explain(value: np.ndarray, drive: _Drive, common: float) -> tuple[str, float]:
    """Return (unit, scale) that would bring a temperature in line; ('', 0) = nothing known does."""
    tried = [("K", 0.0, value - 273.15), ("degF", 0.0, (value - 32.0) / 1.8)]
    tried += [("", scale, value / scale) for scale in (2.0, 4.0, 8.0, 10.0, 0.5, 0.25, 0.1)]
    good = np.isfinite(value) & drive.good
    far = [(abs(_fit(drive.shared[good], v[good])[0] - common), unit, scale) for unit, scale, v in tried]
    best = min(far)
    return best[1:] if best[0] < 6.0 else ("", 0.0)


# ---- heat flows from hot to cold ----------------------------------------------------------------------------------


def _order(case: Case, keys: list[str], loaded: np.ndarray) -> None:
    def of(base: str) -> str | None:
        found = [key for key in keys if key.partition(".")[0] == f"{base}_temperature"]
        return min(found, key=lambda k: ("." in k, k)) if found else None

    coolant, room = of("coolant"), of("ambient")
    for part in PARTS:
        key = of(part)
        if key is not None and coolant is not None and part != "connector":
            _colder(case, key, coolant, loaded, _COLDER)
        elif key is not None and room is not None:
            _colder(case, key, room, loaded, _COLDER)
    if coolant is not None and room is not None:
        _colder(case, coolant, room, loaded, _COLDER_ROOM)


def _colder(case: Case, warm: str, cold: str, loaded: np.ndarray, least: float) -> None:
    gap = (case.levels.channels[warm] - case.levels.channels[cold])[loaded]
    gap = gap[np.isfinite(gap)]
    if len(gap) < 60:
        return
    u = (sum(case.accuracy_u(key)[1] ** 2 for key in (warm, cold))) ** 0.5
    # Most of the loaded time: a part may be slower to warm than a small loop.
    typical = float(np.quantile(gap, 0.6))
    if typical > -(least + 2.0 * min(u, 1.0)):
        return
    for key in (warm, cold):
        case.say(key, Remark(
            "note", f"{cold} ({case.column(cold)}) is {-typical:.1f} K warmer than {warm} ({case.column(warm)}) while "
            "heat flows: sensors swapped or misplaced", None, case.column(key),
            mend="exchange the two in the map, or move the sensor"))  # fmt: skip


def _exchanged(case: Case, keys: list[str], drive: _Drive) -> None:
    """The regulator runs hotter on fewer phases at the same load, the processor does not; the die follows at once."""
    pair = [key for base in ("regulator_temperature", "processor_temperature") for key in keys if key == base]
    if len(pair) < 2:
        return
    one, other = (f"{k} ({case.column(k)})" for k in pair)
    words = ""
    if _follows_count(case, pair, drive):
        words = f"{other} follows the phase count and {one} does not: the two look swapped"
    elif _follows_at_once(case, pair):
        words = f"{one} follows the load within seconds, as a die does, and {other} lags: the two look swapped"
    for key in pair if words else ():
        case.say(key, Remark("note", words, None, case.column(key), mend="exchange the two in the map"))


def _follows_count(case: Case, pair: list[str], drive: _Drive) -> bool:
    if np.array_equal(drive.plain, drive.shared):
        return False
    follows = []
    for key in pair:
        value = case.levels.channels[key]
        good = np.isfinite(value) & drive.good
        if np.count_nonzero(good) < 200:
            return False
        follows.append(_fit(drive.plain[good], value[good])[1] / max(_fit(drive.shared[good], value[good])[1], 1e-9))
    regulator, processor = follows
    return processor > _FOLLOWS and regulator < 1.05 and processor > 1.3 * regulator


def _follows_at_once(case: Case, pair: list[str]) -> bool:
    """Return whether the regulator's reading has done more of its rise within 8 s of the load than the processor's."""
    levels = case.levels
    found = levels.power("package", case.bench) or levels.power("input", case.bench)
    if found is None or levels.step > 2.0:
        return False
    power = filled(found[1])
    top = float(np.quantile(power, 0.9))
    low, high = power < 0.4 * top, power > 0.6 * top
    at = [round(s / levels.step) for s in (4, 5, 8, 80, 100)]
    shares: list[list[float]] = [[], []]
    for k in np.flatnonzero(high[1:] & ~high[:-1]) + 1:
        if k < at[0] + 2 or k + at[4] >= len(power) or not low[k - 2 - at[0] : k - 2].all():
            continue
        if np.mean(high[k + 2 : k + at[4]]) < 0.95:
            continue
        rises = []
        for key in pair:
            value = levels.channels[key]
            parts = (value[k - 2 - at[0] : k - 2], value[k + at[1] : k + at[2] + 1], value[k + at[3] : k + at[4]])
            rises.append([float(np.mean(p[np.isfinite(p)])) if np.isfinite(p).any() else np.nan for p in parts])
        if all(rise[2] - rise[0] > 5.0 for rise in rises):
            for share, (before, early, late) in zip(shares, rises, strict=True):
                share.append((early - before) / (late - before))
    if len(shares[0]) < 2:
        return False
    regulator, processor = (float(np.nanmedian(share)) for share in shares)
    return regulator > processor + _AT_ONCE


def _beyond(case: Case, keys: list[str]) -> None:
    """Temperatures that no part on the bench stands."""
    limits = {
        "processor_temperature": case.bench.processor.temperature_limit,
        "regulator_temperature": case.bench.regulator.stage.temperature_limit,
        "inductor_temperature": case.bench.regulator.inductor.temperature_limit,
    }
    for key in keys:
        value = case.levels.channels[key]
        value = value[np.isfinite(value)]
        limit = limits.get(key.partition(".")[0]) or 150.0
        if len(value) >= 20 and float(np.quantile(value, 0.9)) > 1.1 * limit + 5.0:
            case.say(key, Remark(
                "note", f"{key} reads {np.quantile(value, 0.9):.0f} °C for a tenth of the time, beyond what the part "
                f"stands ({limit:.0f} °C): scale or unit is wrong", None, case.column(key),
                mend="check the sensor against another one at idle"))  # fmt: skip
