"""Energy counters: what wraps is unwrapped, what was set back goes on, what a gap may hide is marked unknown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from phasewright.logs.records import Remark

RANGES = (
    (2**32 - 1) * 1e-6, 65532.610987, 65536.0, 262143.328850, 262144.0, 2**32 * 1e-3, 2.0**24, 2.0**32,
)  # fmt: skip
"""Ranges at which counters start anew [J]: 32-bit counts of uJ and mJ, the two that powercap's max_energy_range_uj
gives for common processors (from memory, 65532.6 and 262143.3 J), powers of two."""
_GAP = 2.5
"""Readings further apart than this many periods have a gap between them."""
_MARK = 1.0
"""By this much [J] the count falls where the energy is unknown, so that no difference is ever taken across."""


@dataclass(frozen=True, slots=True, eq=False)
class _Count:
    """Readings of a counter without the missing ones. Arrays (n,), steps (n - 1,)."""

    place: np.ndarray
    value: np.ndarray
    rise: np.ndarray
    step: np.ndarray
    """[s]; NaN where the clock started anew between two readings."""
    period: float
    power: float
    """Highest power that the counter shows [W]."""


def unwrap(
    value: np.ndarray, time_ns: np.ndarray, segments: Sequence[tuple[int, int]], span: float | None = None,
    place: Callable[[int], tuple[str, int]] | None = None,
) -> tuple[np.ndarray, tuple[Remark, ...]]:
    """Return the readings [J] of a running counter as one that never falls where the energy is known, and remarks.

    `span` is the stated range of the counter [J]; None = found among the known ones, or from its own falls. Across a
    gap longer than half a wrap at the highest power the energy is unknown: there, and only there, the count falls.
    `place` gives file ('' = the only one) and line of a row, for the remarks.
    """
    count = _take(value, time_ns, segments)
    if count is None:
        return value, ()
    falls = np.flatnonzero(count.rise < 0.0)
    known = span or _range_of(count, falls)
    # With no range known the smallest possible one bounds what a gap may hide.
    least = known or next((r for r in RANGES if r > 1.001 * float(count.value.max())), np.inf)
    add = np.zeros(len(count.rise))
    wraps, resets, lost = [], [], []
    gap = ~(count.step <= _GAP * count.period)
    # Readings written late make the next rise seem quick: only what no power explains counts.
    slack = 3.0 * count.power * count.period
    leaps = count.rise > 1.3 * count.power * count.step + slack
    for k in np.flatnonzero((count.rise < 0.0) | gap | leaps).tolist():
        rise, step = float(count.rise[k]), float(count.step[k])
        if gap[k] and not step <= 0.5 * least / count.power:
            lost.append(k)
            add[k] = -_MARK - rise
            continue
        most = 1.3 * count.power * step + slack
        if known and rise < 0.0 and 0.0 <= rise + known <= most:
            wraps.append(k)
            add[k] = known
        elif 0.0 <= rise <= most:
            continue
        elif gap[k]:
            lost.append(k)
            add[k] = -_MARK - rise
        else:
            resets.append(k)
            add[k] = _beside(count, k) * step - rise
    if not (wraps or resets or lost):
        return value, ()
    out = np.array(value, dtype=np.float64)
    out[count.place[1:]] += np.cumsum(add)
    said = _remarks(count, wraps, resets, lost, known, span is not None, gap)
    if place is None:
        return out, tuple(remark for _, remark in said)
    return out, tuple(_placed(remark, *place(int(count.place[k + 1]))) for k, remark in said)


def _placed(remark: Remark, file: str, line: int) -> Remark:
    return replace(remark, file=file, line=line)


def _take(value: np.ndarray, time_ns: np.ndarray, segments: Sequence[tuple[int, int]]) -> _Count | None:
    place = np.flatnonzero(np.isfinite(value))
    if len(place) < 5:
        return None
    held = np.asarray(value)[place]
    rise = np.diff(held)
    step = np.diff(np.asarray(time_ns)[place]) * 1e-9
    for first, _ in segments[1:]:
        at = int(np.searchsorted(place, first))
        if 0 < at < len(place):
            step[at - 1] = np.nan
    sound = step > 0.0
    if not sound.any():
        return None
    period = float(np.median(step[sound]))
    usual = sound & (rise >= 0.0) & (step <= _GAP * period)
    if not usual.any():
        return None
    # The highest power over two periods: one reading written late makes the next rise seem quick.
    both = usual[1:] & usual[:-1]
    two = (rise[1:] + rise[:-1])[both] / np.maximum((step[1:] + step[:-1])[both], period)
    power = float(np.quantile(two, 0.999)) if len(two) else float(np.max(rise[usual] / step[usual]))
    return _Count(place, held, rise, step, period, power) if power > 0.0 else None


def _range_of(count: _Count, falls: np.ndarray) -> float | None:
    """Return the range that explains the falls: a known one, or one that two falls agree on; None = none does."""
    falls = falls[count.step[falls] <= _GAP * count.period]
    if not len(falls):
        return None
    near = np.array([_beside(count, k) * count.step[k] for k in falls.tolist()])
    full = near - count.rise[falls]
    room = 0.6 * count.power * count.step[falls] + 0.02 * count.power * count.period
    for known in sorted(RANGES, key=lambda r: float(np.min(np.abs(full - r)))):
        if float(count.value.max()) <= known + float(room.max()) and np.any(np.abs(full - known) <= room):
            return known
    # Resets happen at any count; wraps always at the same one.
    middle = float(np.median(full))
    agree = np.abs(full - middle) <= room
    if np.count_nonzero(agree) >= 2 and float(count.value.max()) <= middle + float(room.max()):
        return float(np.mean(full[agree]))
    return None


def _beside(count: _Count, k: int) -> float:
    """Return the mean power of the readings around step `k` [W]."""
    near = [j for j in range(max(k - 3, 0), min(k + 4, len(count.rise))) if j != k]
    good = [j for j in near if count.rise[j] >= 0.0 and count.step[j] <= _GAP * count.period and count.step[j] > 0.0]
    if not good:
        return 0.5 * count.power
    return float(sum(count.rise[j] for j in good) / sum(count.step[j] for j in good))


def _remarks(
    count: _Count, wraps: list[int], resets: list[int], lost: list[int], known: float | None, stated: bool,
    gap: np.ndarray,
) -> list[tuple[int, Remark]]:  # fmt: skip
    """Return the remarks, each with the step that it is first true of."""
    said = []
    if wraps:
        how = "as stated" if stated else "a range of counters that fits" if known in RANGES else "found from its falls"
        words = f"the counter wraps at {known:.1f} J ({how}): unwrapped"
        said.append((wraps[0], Remark("repair", words, count=len(wraps))))
    if resets:
        said.append((resets[0], Remark(
            "repair", "the counter was set back without reaching its range: counted on from there; over the one "
            "interval the power beside it is taken", count=len(resets))))  # fmt: skip
    for k in lost:
        step = float(count.step[k])
        length = f"a gap of {step:.0f} s" if np.isfinite(step) else "a gap of unknown length"
        wrap = f"longer than half of what the counter needs to wrap at {count.power:.0f} W" if gap[k] and not (
            count.rise[k] < 0.0 and known is None) else "and the counter fell over it"
        said.append((k, Remark("refuse", f"{length}, {wrap}: the energy over it is unknown",
                               mend="state range = \"... J\" for the counter, or log without gaps")))  # fmt: skip
    return said
