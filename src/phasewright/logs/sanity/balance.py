"""Powers held against each other: what goes in, what the package takes, what the rail carries."""

from __future__ import annotations

import numpy as np

from phasewright.logs.records import Remark
from phasewright.logs.sanity.case import Case, spans_text
from phasewright.logs.sanity.levels import stretches

SCALES = (2.0, 4.0, 8.0, 10.0, 1000.0)
"""Ratios that a wrong scale register or unit makes."""
_LOADED = 0.5
"""Share of its greatest level from which on a power counts as loaded."""
_LEAST = 30
"""Cells of the grid that a ratio is taken from, at least."""
_LOW, _LOW_RAIL, _HIGH_RAIL = 0.5, 0.6, 1.3
"""Package over input power below which, and rail over package power outside which, one of two is likely to be scaled
wrong: boards deliver 65-95 %, the rail under test carries most of the package; common practice, no source."""
_BREAK, _BREAK_TIME = 1.35, 8.0
"""A ratio that leaves its usual value by this factor for so long [s] shows that one of the two stopped reading."""
_EDGE = 3
"""Cells beside a change of load in which two clocks may not agree yet."""


def question_balance(case: Case) -> None:
    """Refuse powers that cannot be what they are called; remark on scales, and take out what broke off on the way."""
    sides = {side: case.levels.power(side, case.bench) for side in ("input", "package", "rail")}
    powers = {side: found[1] for side, found in sides.items() if found is not None}
    keys = {side: _key(found[0]) for side, found in sides.items() if found is not None}
    loaded = _loaded(powers)
    ratio = {}
    for top, bottom in (("package", "input"), ("rail", "package"), ("rail", "input")):
        if top in powers and bottom in powers:
            with np.errstate(invalid="ignore", divide="ignore"):
                part = np.where(loaded, powers[top] / powers[bottom], np.nan)
            if np.count_nonzero(np.isfinite(part)) >= _LEAST:
                ratio[top, bottom] = part
    middle = {pair: float(np.nanmedian(part)) for pair, part in ratio.items()}
    if ("package", "input") in ratio:
        _efficiency(case, keys, ratio["package", "input"], middle)
    elif ("rail", "input") in ratio:
        _over_unity(case, keys, ratio["rail", "input"], middle["rail", "input"])
    if ("rail", "package") in ratio and not case.faults:
        _rail(case, keys, middle["rail", "package"])
        measured = sides["package"][0].startswith("package_power") and not sides["rail"][0].startswith("rail_current")
        if measured:
            # A nominal rail voltage bends with the load line, and counters are read a moment late.
            _unaccounted(case, keys, powers["package"], powers["rail"])
    if not case.faults:
        _breaks(case, keys, ratio, middle)


def _key(name: str) -> str:
    """Return the channel that stands for what a power is made from: its current, as voltages rarely err."""
    return name.rpartition(" x ")[2]


def _loaded(powers: dict[str, np.ndarray]) -> np.ndarray:
    """Return the cells in which any power is at load, apart from edges of the load, (m,)."""
    loaded = np.zeros(len(next(iter(powers.values()), np.zeros(0))), dtype=bool)
    with np.errstate(invalid="ignore"):
        for power in powers.values():
            if np.isfinite(power).any():
                loaded |= power > _LOADED * np.nanquantile(power, 0.9)
    return inner(loaded, _EDGE)


def inner(marked: np.ndarray, edge: int) -> np.ndarray:
    """Return the marked cells that have marked ones for `edge` cells on both sides."""
    out = marked.copy()
    for k in range(1, edge + 1):
        out[k:] &= marked[:-k]
        out[:-k] &= marked[k:]
    return out


def _efficiency(case: Case, keys: dict[str, str], ratio: np.ndarray, middle: dict[tuple[str, str], float]) -> None:
    value = middle["package", "input"]
    gain = sum(case.accuracy_u(keys[side])[0] ** 2 for side in ("package", "input")) ** 0.5
    over = float(np.mean(ratio[np.isfinite(ratio)] > 1.0))
    words, mend = _why_over(case, keys, value, middle) if value > 1.0 else ("", "")
    if value > 1.0 + gain and over > 0.5:
        case.refuse(keys["package"], f"package power ({case.column(keys['package'])}) is {value:.3g} times input power "
                    f"({case.column(keys['input'])}) in {100 * over:.0f} % of the loaded time: efficiency above 1 is "
                    f"impossible, {words}", mend)  # fmt: skip
    elif value > 1.0:
        for side in ("package", "input"):
            case.say(keys[side], Remark("note", f"package power is {value:.4g} times input power at load, within what "
                                        f"their accuracy allows, but impossible: {words}, or one reads wrong",
                                        None, case.column(keys[side]), mend=mend))  # fmt: skip
    elif value < _LOW:
        near = _near(1.0 / value if value > 0.0 else np.inf, 0.84)
        words = (
            f"package power is only {value:.3g} of input power at load: {near}; or the package reports one rail of "
            "several"
        )
        for side in ("package", "input"):
            case.say(keys[side], Remark("note", words, None, case.column(keys[side]),
                                        mend="check unit and scale of both against a second sensor"))  # fmt: skip


def _over_unity(case: Case, keys: dict[str, str], ratio: np.ndarray, value: float) -> None:
    gain = sum(case.accuracy_u(keys[side])[0] ** 2 for side in ("rail", "input")) ** 0.5
    over = float(np.mean(ratio[np.isfinite(ratio)] > 1.0))
    if value > 1.0 + 2.5 * gain and over > 0.5:
        case.refuse(keys["rail"], f"rail power ({case.column(keys['rail'])}) is {value:.3g} times input power "
                    f"({case.column(keys['input'])}) in {100 * over:.0f} % of the loaded time: efficiency above 1 is "
                    "impossible, they look swapped or one is scaled wrong",
                    "exchange the two in the map, or state the unit or factor of the wrong one")  # fmt: skip


def _why_over(
    case: Case, keys: dict[str, str], value: float, middle: dict[tuple[str, str], float]
) -> tuple[str, str]:
    """Return what explains an efficiency above 1, and the mend."""
    exchange = "exchange the two columns in the map"
    correct = "state the unit or the factor of the wrong one in the map"
    scale = min(SCALES, key=lambda s: abs(np.log(value / s / 0.84)))
    fits = abs(np.log(value / scale / 0.84)) < 0.3
    swapped = 0.45 < 1.0 / value < 1.0
    rail_in, rail_out = middle.get(("rail", "input")), middle.get(("rail", "package"))
    if rail_in is not None and rail_out is not None:
        # The rail carries nearly what the package takes, and clearly less than what goes in.
        if swapped and abs(np.log(rail_in)) < 0.25 and rail_out < 0.97:
            return "input and package power look swapped", exchange
        if fits and abs(np.log(rail_out * scale)) < 0.3:
            return f"package power looks {scale:g} times too high", correct
        if fits and abs(np.log(rail_out)) < 0.3:
            return f"input power looks {scale:g} times too low", correct
    if swapped and fits:
        return f"they look swapped, or one is {scale:g} times off", f"{exchange}, or {correct}"
    if swapped:
        return "input and package power look swapped", exchange
    if fits:
        return f"package power looks {scale:g} times too high or input power too low", correct
    return "one of them is wrong", correct


def _near(size: float, usual: float) -> str:
    """Return which scale a ratio is near to."""
    if not 0.0 < size < np.inf:
        return "near no usual scale"
    scale = min(SCALES, key=lambda s: abs(np.log(size * usual / s)))
    fits = abs(np.log(size * usual / scale)) < 0.3
    return f"near {scale:g}, as a wrong scale makes" if fits else "near no usual scale"


def _rail(case: Case, keys: dict[str, str], value: float) -> None:
    if _LOW_RAIL <= value <= _HIGH_RAIL:
        return
    if value > 1.0:
        words = f"rail power is {value:.3g} times package power, which it is part of: {_near(value, 1.05)}"
    else:
        words = (
            f"rail power is only {value:.3g} of package power: {_near(1.0 / value if value > 0.0 else np.inf, 0.95)}; "
            "or other rails carry the rest"
        )
    for side in ("rail", "package"):
        case.say(keys[side], Remark("note", words, None, case.column(keys[side]),
                                    mend="check range and scale registers of both"))  # fmt: skip


def _unaccounted(case: Case, keys: dict[str, str], package: np.ndarray, rail: np.ndarray) -> None:
    """Remark on package power that is left, or lacks, where the rail carries nothing: it is not the regulator's."""
    good = inner(np.isfinite(package) & np.isfinite(rail), 2)
    # Beside an edge of the load two clocks may not agree yet.
    still = np.abs(np.gradient(np.where(good, rail, 0.0))) < 0.02 * max(float(np.nanmax(rail, initial=0.0)), 1e-9)
    x, y = rail[good & still], package[good & still]
    idle = 0.4 * np.quantile(x, 0.95)
    if len(x) < _LEAST or np.quantile(x, 0.05) > idle:
        return
    # A machine that hardly rests has its lowest fifth at load too: no line to zero goes through there.
    low, high = min(np.quantile(x, 0.2), idle), np.quantile(x, 0.8)
    # Through the medians of both ends: neither a stretch that hangs nor a glitch turns the line.
    ends = [(np.median(x[part]), np.median(y[part])) for part in (x <= low, x >= high)]
    (x0, y0), (x1, y1) = ends
    if x1 <= x0:
        return
    slope = (y1 - y0) / (x1 - x0)
    left = float(y0 - slope * x0)
    amperes_u = case.accuracy_u(keys["rail"])[1] * (case.bench.regulator.rail_voltage or 1.0)
    u = (case.accuracy_u(keys["package"])[1] ** 2 + amperes_u**2) ** 0.5
    if abs(left) < max(2.5 * u, 0.02 * float(y1)):
        return
    which = "other rails, or the counter adds one" if left > 0.0 else "the counter leaves a rail out"
    case.say(keys["package"], Remark(
        "note", f"{left:.3g} W of package power are unaccounted for where the rail carries nothing: {which}; they are "
        "not charged to the regulator's rail", None, case.column(keys["package"]),
        mend="hold the package's reading against a meter at idle"))  # fmt: skip


def _breaks(
    case: Case,
    keys: dict[str, str],
    ratio: dict[tuple[str, str], np.ndarray],
    middle: dict[tuple[str, str], float],
) -> None:
    """Remark on stretches in which one power leaves the others; a third tells which one is wrong."""
    broken = {}
    for pair, part in ratio.items():
        with np.errstate(invalid="ignore", divide="ignore"):
            broken[pair] = np.abs(np.log(np.maximum(part, 1e-9) / max(middle[pair], 1e-9))) > np.log(_BREAK)
    levels = case.levels
    taken = np.zeros(len(levels.time), dtype=bool)
    if len(broken) == 3:
        for side in ("input", "package", "rail"):
            mine = [pair for pair in broken if side in pair]
            other = next(pair for pair in broken if side not in pair)
            wrong = broken[mine[0]] & broken[mine[1]] & ~broken[other] & np.isfinite(ratio[other])
            spans = stretches(levels.time, wrong, levels.step, _BREAK_TIME)
            if spans:
                taken |= wrong
                others = " and ".join(s for s in ("input", "package", "rail") if s != side)
                reach = [(a - _EDGE * levels.step, b + _EDGE * levels.step) for a, b in spans]
                case.drop(keys[side], reach)
                case.say(keys[side], Remark(
                    "note", f"{side} power leaves {others} power by more than {100 * (_BREAK - 1):.0f} % "
                    f"{spans_text(spans)}: left out there", None, case.column(keys[side]), len(spans),
                    "look for a lost link, a stuck sensor or a changed range"))  # fmt: skip
    for pair, wrong in broken.items():
        spans = stretches(levels.time, wrong & ~taken, levels.step, _BREAK_TIME)
        if spans:
            for side in pair:
                case.say(keys[side], Remark(
                    "note", f"{pair[0]} power over {pair[1]} power leaves its usual {middle[pair]:.3g} by more than "
                    f"{100 * (_BREAK - 1):.0f} % {spans_text(spans)}: one of the two reads wrong", None,
                    case.column(keys[side]), len(spans), "look for a lost link, a stuck sensor or a changed range",
                ))  # fmt: skip
