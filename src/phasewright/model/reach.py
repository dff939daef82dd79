"""How far up, how few: the greatest load that holds, and the fewest phases that hold a load, at a stated confidence."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from phasewright.bench import BenchFault, NotReady
from phasewright.findings import Margin
from phasewright.model.prediction import DRAWS, as_setting, predict
from phasewright.model.records import Fitted, Prediction, Setting

__all__ = ["Ceiling", "Fewest", "fewest_phases", "first_margin", "headroom"]

LEVEL = 0.95
WAY_DRAWS = 300
"""Enough to find a way by; `DRAWS` decide."""
MOST_TRIES = 12
FARTHEST = 3.0
"""Times the stated load, beyond which no load is asked for."""
CLOSE = 0.012
"""[1] Share of a limit at which a load is close enough to the greatest."""

Ask = Callable[[Setting, int], Prediction | None]


@dataclass(frozen=True, slots=True)
class Fewest:
    """The fewest phases that hold one load at one coolant temperature."""

    coolant: float | None
    """[degC]; None = as measured or assumed."""
    count: int | None
    """None: no phase count that is fitted holds."""
    prediction: Prediction | None
    """Of that count; None where none holds."""


@dataclass(frozen=True, slots=True)
class Ceiling:
    """The greatest load that one phase count holds at one coolant temperature."""

    coolant: float | None
    """[degC]; None = as measured or assumed."""
    count: int
    prediction: Prediction
    """At the greatest load: its rail current and its package power."""
    ends: str
    """What ends it: the name of a limit, thermal runaway, or a load that the load line cannot carry."""
    beyond: bool = False
    """Nothing ended it in the range that was asked for."""
    voltage_headroom: float | None = None
    """By how much the rail voltage could be raised from the stated load, the current growing in proportion, until a
    limit is reached [V]; negative where the load itself does not hold, None where not asked for or not known."""


def asking(fitted: Fitted, refused: dict[str, None] | None) -> Ask:
    """Return what predicts a setting with so many draws, None where bench or data forbid; `refused` keeps why."""

    def ask(setting: Setting, draws: int) -> Prediction | None:
        try:
            # A search meets loads that the load line cannot carry; their figures are NaN, which no limit holds.
            with np.errstate(invalid="ignore", divide="ignore"):
                return predict(fitted, setting, draws=draws)
        except NotReady as error:
            why = [f"{fault.what} - {fault.mend}" for fault in error.faults]
        except (BenchFault, ValueError) as error:
            why = [str(error)]
        if refused is not None:
            refused.update(dict.fromkeys(why))
        return None

    return ask


def fewest_phases(
    fitted: Fitted,
    settings: Mapping[str, float | str] | Setting,
    coolants: Sequence[float | None] = (None,),
    *,
    counts: Sequence[int] | None = None,
    level: float = LEVEL,
    refused: dict[str, None] | None = None,
) -> tuple[Fewest, ...]:
    """Return the fewest phases that hold the load of `settings`, one for each of `coolants` [degC].

    Held: every limit that can be judged holds and heat does not run away, with probability `level`. The phase count in
    `settings` does not matter. `counts` are those that may be taken (rising; None = 1 to all); a coolant of None is
    that of the settings. `refused` collects why a setting could not be foreseen. ValueError for an impossible setting.
    """
    fitted_count = fitted.bench.regulator.phase_count
    base = as_setting(settings if isinstance(settings, Setting) else {**settings, "phase_count": fitted_count})
    allowed = tuple(counts) if counts is not None else tuple(range(1, fitted_count + 1))
    ask = asking(fitted, refused)
    return tuple(_fewest(ask, _at(base, coolant), coolant, allowed, level) for coolant in coolants)


def _at(base: Setting, coolant: float | None) -> Setting:
    return base if coolant is None else replace(base, coolant_temperature=float(coolant))


def _fewest(ask: Ask, base: Setting, coolant: float | None, counts: Sequence[int], level: float) -> Fewest:
    """Return the fewest phases that hold; more phases never hold worse here, so halving finds them."""

    def asked(index: int, draws: int = WAY_DRAWS) -> Prediction | None:
        return ask(replace(base, phase_count=counts[index]), draws)

    low, high = 0, len(counts)
    while low < high:
        middle = (low + high) // 2
        if holds(asked(middle), level):
            high = middle
        else:
            low = middle + 1
    # Few draws have shown the way; enough of them decide, one phase count up or down.
    for index in range(max(high - 1, 0), len(counts)):
        found = asked(index, DRAWS)
        if holds(found, level):
            return Fewest(coolant, counts[index], found)
    return Fewest(coolant, None, None)


def holds(prediction: Prediction | None, level: float = LEVEL) -> bool:
    """Tell whether every limit that is known holds with probability `level`."""
    return prediction is not None and prediction.probability >= level and prediction.verdict != "unknown"


def headroom(
    fitted: Fitted,
    settings: Mapping[str, float | str] | Setting,
    coolants: Sequence[float | None] = (None,),
    *,
    counts: Sequence[int] | None = None,
    level: float = LEVEL,
    voltage: bool = False,
    refused: dict[str, None] | None = None,
) -> tuple[Ceiling, ...]:
    """Return the map of the greatest sustained load: one ceiling for each of `coolants` [degC] and `counts`.

    The load of `settings` is where the search begins, its unit (power or current) is searched in, and up to three times
    that load is asked for. Every limit of the regulator is kept with probability `level` by itself, to about one part
    in a hundred; what the processor allows itself ends no load. Counts that hold nothing are left out. `voltage` also
    gives the voltage headroom of the stated load, by the trade's rule that current grows with voltage at one clock. For
    the other arguments see `fewest_phases`.
    """
    fitted_count = fitted.bench.regulator.phase_count
    base = as_setting(settings if isinstance(settings, Setting) else {**settings, "phase_count": fitted_count})
    name = "package_power" if base.package_power is not None else "rail_current"
    stated = float(getattr(base, name))
    allowed = tuple(counts) if counts is not None else tuple(range(1, fitted_count + 1))
    ask = asking(fitted, refused)
    found: list[Ceiling] = []
    before: dict[int, float] = {}
    for coolant in coolants:
        guess = stated
        for count in allowed:
            here = replace(_at(base, coolant), phase_count=count)
            # Each search starts from its neighbour.
            ceiling = _ceiling(ask, here, name, coolant, before.get(count, guess), FARTHEST * stated, level)
            if ceiling is not None:
                guess = before[count] = float(getattr(ceiling.prediction.setting, name))
                room = _voltage_headroom(ask, here, level) if voltage else None
                found.append(replace(ceiling, voltage_headroom=room))
    return tuple(found)


def _ceiling(
    ask: Ask, base: Setting, name: str, coolant: float | None, guess: float, farthest: float, level: float
) -> Ceiling | None:
    """Return the greatest load [unit of `name`] that holds; None where no load was found that does."""
    best: Prediction | None = None
    ends = ""

    def room_at(load: float) -> float | None:
        nonlocal best, ends
        found = ask(replace(base, **{name: load}), WAY_DRAWS)
        if found is None:
            return None
        room = room_of(found, level)
        if room > 0.0:
            best = found
            if room < CLOSE or load >= farthest:
                ends = end_of(found, level)
        else:
            ends = end_of(found, level)
        return room

    load = _greatest(room_at, guess, farthest)
    if load is None or best is None:
        return None
    return Ceiling(coolant, base.phase_count, best, ends or end_of(best, level), load >= farthest)


def _greatest(room_at: Callable[[float], float | None], guess: float, farthest: float) -> float | None:
    """Return the greatest argument with room above 0; the room is nearly straight in it, so secants find its end."""
    low, high = (0.0, 1.0), (farthest, math.nan)
    tried, best = min(guess, farthest), None
    for _ in range(MOST_TRIES):
        room = room_at(tried)
        if room is None:
            return None
        if room > 0.0:
            best, low = tried, (tried, room)
            if room < CLOSE or tried >= farthest:
                return best
        else:
            high = (tried, room)
        if math.isnan(high[1]):
            # Nothing above has been tried yet: as if the room shrank in proportion to the load.
            tried = min(low[0] / max(1.0 - low[1], 0.2) * 1.004, farthest)
        else:
            share = low[1] / (low[1] - high[1]) if math.isfinite(high[1]) else 0.5
            tried = low[0] + min(max(share - 0.004, 0.05), 0.95) * (high[0] - low[0])
    return best


def _voltage_headroom(ask: Ask, base: Setting, level: float) -> float | None:
    """Return by how much the rail voltage could be raised with the current in proportion [V]; None = not known."""
    now = ask(base, WAY_DRAWS)
    if now is None:
        return None
    volts, amperes = now.quantities["rail_voltage"].value, now.quantities["rail_current"].value
    if not (math.isfinite(volts) and math.isfinite(amperes)):
        return None

    def room_at(factor: float) -> float | None:
        there = replace(base, package_power=None, rail_current=factor * amperes, rail_voltage=factor * volts)
        found = ask(there, WAY_DRAWS)
        return None if found is None else room_of(found, level)

    factor = _greatest(room_at, 1.0, 2.0)
    return None if factor is None else (factor - 1.0) * volts


def bearing(prediction: Prediction) -> list[Margin]:
    """Return the margins that say what the regulator bears; what the processor allows itself is no part of it."""
    return [margin for margin in prediction.margins if margin.limit.applies_to != "package_power"]


def left_of(margin: Margin, level: float = LEVEL) -> float:
    """Return the room that a margin leaves with probability `level`, as a share of its limit [1]."""
    wide = NormalDist().inv_cdf(level) * (margin.margin.u or 0.0)
    return (margin.margin.value - wide) / abs(margin.limit.value or 1.0)


def room_of(prediction: Prediction, level: float = LEVEL) -> float:
    """Return the smallest room to a limit or to runaway, as a share [1]; negative where one does not hold."""
    rooms = [_room_to_runaway(prediction)]
    for margin in bearing(prediction):
        if not math.isfinite(margin.margin.value):
            return -1.0
        rooms.append(left_of(margin, level))
    return max(min(rooms), -1.0)


def _room_to_runaway(prediction: Prediction) -> float:
    """Return how far the loop gain of heat is from 1 with 97.5 % [1]; -1 where that cannot be said."""
    gain = prediction.quantities["loop_gain"]
    return 1.0 - (gain.high95 if gain.high95 is not None else gain.value) if math.isfinite(gain.value) else -1.0


def end_of(prediction: Prediction, level: float = LEVEL) -> str:
    """Return what ends the load, in words."""
    if not math.isfinite(prediction.quantities["rail_current"].value):
        return "load line"
    first = first_margin(prediction)
    finite = all(math.isfinite(margin.margin.value) for margin in bearing(prediction))
    if first is None or not finite or _room_to_runaway(prediction) < left_of(first, level):
        return "thermal runaway"
    return first.limit.name


def first_margin(prediction: Prediction) -> Margin | None:
    """Return the margin with least room; None where no limit is stated, so that runaway alone ends the load."""
    return min(bearing(prediction), key=left_of, default=None)
