"""Every limit for many states at once: the same rules, worked out on columns of numbers instead of one state.

No formula stands here. A rule asks its case for part data and figures and hands a function to `derive`; here the case
answers with arrays, so that one call serves every candidate of a search, or every draw of a trial.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from phasewright.bench import Bench, limits_of
from phasewright.limits.case import BOUNDS, INPUT_BOUND, SHARING, TOLERANCES, Case
from phasewright.limits.records import State
from phasewright.limits.rule import Rule
from phasewright.limits.rules import RULES
from phasewright.limits.stated import BY_PEAK, CEILINGS

__all__ = ["Column", "ColumnMargin", "column_margins", "draw_parts"]


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """A figure of many states: values and standard uncertainties, arrays that go together."""

    value: Any
    """In the unit of the figure."""
    u: Any = 0.0
    """Standard uncertainty, same unit."""
    log_u: Any = 0.0
    """Standard uncertainty of the logarithm [1]; NaN where the figure is not surely positive."""
    shift: Any = 0.0
    """What curvature adds to the mean, in the unit of the figure."""
    bend: Any = 0.0
    """What curvature adds to the standard uncertainty, in quadrature; same unit."""


@dataclass(frozen=True, slots=True, eq=False)
class ColumnMargin:
    """Margins of many states to one limit."""

    name: str
    applies_to: str
    figure: Column
    limit: Any
    """Ceilings (or floors), in the unit of the figure."""
    value: np.ndarray
    """Limit less figure, figure less limit for a floor."""
    u: np.ndarray
    score: np.ndarray
    """Margin in standard uncertainties, curvature counted: near the least of a curve, such as the ripple current of the
    input capacitors at a duty of m / N, the first order alone would see no uncertainty at all. For a floor under a life,
    whose logarithm is the straighter, by logarithms."""


@dataclass(slots=True)
class _Columns(Case):
    """A case whose part data and figures are arrays."""

    given: Mapping[str, Any] = field(default_factory=dict)
    """What differs between the states, by path of the bench file; `phase_count` among them."""
    certain: bool = False
    """True: the columns are draws, so nothing is spread any further."""

    def stated(self, path: str) -> Any:
        """Return the column given for `path`, else what the bench states."""
        if path in self.given and not (self.item is not None and path.startswith(f"{self.table}.")):
            return self.given[path]
        return Case.stated(self, path)

    def part(self, path: str, unit: str) -> Any:
        """Return a part's figure with the spread of its tolerance; KeyError where nothing is stated."""
        number = self.stated(path)
        if number is None:
            raise KeyError(path)
        stated = self.stated(TOLERANCES[path]) if path in TOLERANCES else None
        bound = (BOUNDS.get(path, 0.0) if stated is None else stated) * np.abs(number)
        return Column(number, bound / math.sqrt(3.0))

    def part_or(self, path: str, unit: str, otherwise: float) -> Any:
        """Return a part's figure, or an exact stand-in where nothing is stated."""
        return Column(otherwise) if self.stated(path) is None else self.part(path, unit)

    @property
    def phases(self) -> Any:
        """Phases in use."""
        return self.given["phase_count"]

    def sharing(self) -> Any:
        """Return the relative excess of the fullest phase over the mean: as stated, else anywhere up to a bound."""
        known = self.stated("regulator.sharing_error")
        return Column(known) if known is not None else Column(0.5 * SHARING, 0.5 * SHARING / math.sqrt(3.0))

    def derive(self, function: Callable[..., Any], unit: str, inputs: Mapping[str, Any]) -> Any:
        """Return function(**inputs) with the uncertainty that the inputs give it, as `Case.derive` does for one."""
        at = {name: item.value for name, item in inputs.items()}
        value = np.asarray(function(**at), dtype=float)
        if self.certain:
            return Column(value)
        square = log_square = shift = bend = 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            for name, item in inputs.items():
                if not np.any(item.u):
                    continue
                up = np.asarray(function(**{**at, name: item.value + item.u}), dtype=float)
                down = np.asarray(function(**{**at, name: item.value - item.u}), dtype=float)
                square = square + (0.5 * (up - down)) ** 2
                curved = 0.5 * (up + down) - value
                shift, bend = shift + curved, bend + 2.0 * curved**2
                log_square = log_square + (0.5 * (np.log(up) - np.log(down))) ** 2
            return Column(value, np.sqrt(square), np.sqrt(log_square), shift, np.sqrt(bend))


def column_margins(
    bench: Bench,
    given: Mapping[str, Any],
    quantities: Mapping[str, Column],
    *,
    names: frozenset[str] | None = None,
    certain: bool = False,
) -> tuple[ColumnMargin, ...]:
    """Return the margins of many states to every limit that they have the figures for.

    Parameters
    ----------
    bench
        What all states share. What differs stands in `given`, but a derating curve, a kind of capacitor and what is
        stated about wear are those of the bench.
    given
        Columns by path of the bench file (``regulator.inductor.inductance``), and `phase_count`.
    quantities
        Figures of the states; they take the place of `State.quantities`.
    names
        Figures that are asked for (`Limit.applies_to`); None = all.
    certain
        True: every column holds draws, as from `draw_parts`; a margin then has the spread of its limit alone.

    Raises
    ------
    BenchFault
        When the bench is impossible.
    """
    state = State(quantities, {})  # type: ignore[arg-type]
    found = [*_stated(bench, given, quantities, names)]
    for rule in RULES:
        if names is not None and rule.applies_to not in names:
            continue
        case = _Columns(bench, state, rule.table, given=given, certain=certain)
        for item in rule.items(case):
            case.item = item
            margin = _ruled(rule, case, f"{rule.name}: {item.name}" if item is not None else rule.name)
            if margin is not None:
                found.append(margin)
    return tuple(found)


def draw_parts(
    bench: Bench, draws: int, generator: np.random.Generator
) -> tuple[dict[str, np.ndarray], dict[str, Column]]:
    """Return (given, quantities) for `column_margins`: draws of every part's figure that has a tolerance.

    Rectangular, each for itself, within the bounds that the bench states or that are common practice; the input voltage
    likewise, as it is not measured here.
    """
    case = _Columns(bench, State({}))
    given: dict[str, np.ndarray] = {}
    for path, bound in BOUNDS.items():
        number = case.stated(path)
        stated = case.stated(TOLERANCES[path]) if path in TOLERANCES else None
        moved = generator.uniform(-1.0, 1.0, draws)
        if number is not None:
            given[path] = number * (1.0 + (bound if stated is None else stated) * moved)
    supply = bench.board.input_voltage * (1.0 + INPUT_BOUND * generator.uniform(-1.0, 1.0, draws))
    return given, {"input_voltage": Column(supply)}


def _stated(bench: Bench, given, quantities, names) -> list[ColumnMargin]:
    """Return the margins to the ceilings that the bench states outright."""
    paths = {(name, item.applies_to): item.path for item in CEILINGS for name in (item.names or (item.title,))}
    found = []
    for limit in limits_of(bench, {}):
        if names is not None and limit.applies_to not in names:
            continue
        path = paths.get((limit.name, limit.applies_to))
        if path is None and limit.name == "over-current protection of all phases":
            ceiling = bench.regulator.protection.phase_current * given["phase_count"]  # type: ignore[operator]
        else:
            ceiling = given.get(path, limit.value) if path else limit.value
        figures = [limit.applies_to]
        if limit.kind in BY_PEAK and limit.unit in ("A", "W"):
            figures.append(f"{limit.applies_to}_peak")
        found += [_margin(limit.name, limit.applies_to, ceiling, quantities[name], limit.floor)
                  for name in figures if name in quantities]  # fmt: skip
    return found


def _ruled(rule: Rule, case: _Columns, name: str) -> ColumnMargin | None:
    """Return the margin to what a rule works out; None where the bench or the states do not allow it."""
    if rule.applies is not None and rule.applies(case):
        return None
    known = case.state.quantities.get(rule.applies_to) if rule.margin is None else None
    asked = rule.asks if known is not None else (*rule.needs, *rule.asks)
    if any(case.stated(path) is None for path in asked):
        return None
    if known is None and any(case.quantity(item) is None for item in rule.quantities):
        return None
    figure: Any
    try:
        figure = known if known is not None else rule.figure(case)
    except KeyError:
        return None
    column = rule.asks[0] if len(rule.asks) == 1 and rule.asks[0] in case.given and rule.margin is None else ""
    ceiling: Any = case.given[column] if column else rule.ceiling(case)
    limit = getattr(ceiling, "value", ceiling)
    if rule.margin is not None:
        margin: Any = rule.margin(case)
        score = _score(margin.value + margin.shift, np.hypot(margin.u, margin.bend))
        return ColumnMargin(name, rule.applies_to, figure, limit, margin.value, margin.u, score)
    return _margin(name, rule.applies_to, limit, figure, rule.floor, getattr(ceiling, "u", 0.0))


def _margin(name: str, applies_to: str, limit: Any, figure: Any, floor: bool, limit_u: Any = 0.0) -> ColumnMargin:
    value = np.asarray(figure.value - limit if floor else limit - figure.value, dtype=float)
    u = np.hypot(figure.u, limit_u)
    shift = getattr(figure, "shift", 0.0)
    score = _score(value + (shift if floor else -shift), np.hypot(u, getattr(figure, "bend", 0.0)))
    log_u = getattr(figure, "log_u", 0.0)
    if floor and np.any(log_u):
        with np.errstate(divide="ignore", invalid="ignore"):
            by_log = _score(np.log(figure.value / limit), log_u)
        score = np.where(np.isfinite(log_u), by_log, score)
    return ColumnMargin(name, applies_to, figure, limit, value, u, score)


def _score(value, u) -> np.ndarray:
    value, u = np.asarray(value, dtype=float), np.asarray(u, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(u > 0.0, value / u, np.where(value > 0.0, np.inf, -np.inf))

