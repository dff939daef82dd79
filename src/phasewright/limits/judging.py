"""A state held against every limit."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType

from phasewright.bench import Bench, Limit, example_line
from phasewright.limits.case import Case, words
from phasewright.limits.distance import above_limit, distance, gives_first, holds_zero, includes_zero, relative
from phasewright.limits.lifetime import clean_run, shedding
from phasewright.limits.records import Judged, Margin, NotComputable, Reading, State
from phasewright.limits.rule import Rule
from phasewright.limits.rules import RULES
from phasewright.limits.stated import stated_margins
from phasewright.quantity import Value

__all__ = ["above_limit", "figures_at", "holds_zero", "includes_zero", "margins_at", "relative"]

READINGS: tuple[Callable[[Case], Reading | None], ...] = (shedding, clean_run)


def margins_at(bench: Bench, state: State, *, advise: bool = True, only: str = "") -> Judged:
    """Return the margin of a state, measured or predicted, to every limit, the one that gives first in front.

    What gives first is the smallest margin in standard uncertainties; of equals the smallest relative to its limit.
    A limit that cannot be worked out stands in `missing` with the line to add. With `advise` false only the ceilings
    that the bench states, from which verdicts follow, are held against the state; with `only` just the limit of that
    name.

    Raises
    ------
    BenchFault
        When a setting is above an absolute maximum rating or not possible on this bench.
    """
    rules = [rule for rule in RULES if advise and only.startswith(rule.name if only else "")]
    margins, missing = ([], []) if only and rules else stated_margins(bench, state)
    figures: dict[str, Value] = {}
    readings: list[Reading] = []
    if advise:
        for rule in rules:
            for found in _apply(rule, bench, state, figures):
                (margins if isinstance(found, Margin) else missing).append(found)  # type: ignore[arg-type]
    if advise and not only:
        case = Case(bench, state)
        for read in READINGS:
            try:
                told = read(case)
            except (ValueError, KeyError):  # a reading is extra: where a figure is out of range nothing is told
                continue
            if told is not None:
                readings.append(told)
    if only:
        margins = [item for item in margins if item.limit.name == only]
    return Judged(tuple(sorted(margins, key=gives_first)), tuple(missing), tuple(readings), MappingProxyType(figures))


def figures_at(bench: Bench, state: State) -> Mapping[str, Value]:
    """Return every figure that physics works out for a state, by name, whether or not a ceiling is stated for it."""
    figures: dict[str, Value] = {}
    for rule in RULES:
        for _ in _apply(rule, bench, state, figures):
            pass
    return MappingProxyType(figures)


def _apply(rule: Rule, bench: Bench, state: State, figures: dict[str, Value]) -> Iterator[Margin | NotComputable]:
    case = Case(bench, state, rule.table, None, figures)
    items = rule.items(case)
    if not items:
        what = "input connectors are" if rule.table == "board.connector" else "board copper is"
        yield NotComputable(f"margin to {rule.name}", f"{what} not described", example_line(rule.table))
    for item in items:
        case.item = item
        yield from _judge(rule, case, f"{rule.name}: {item.name}" if item is not None else rule.name)


def _judge(rule: Rule, case: Case, name: str) -> Iterator[Margin | NotComputable]:
    said = rule.applies(case) if rule.applies is not None else ""
    if said:
        yield NotComputable(f"margin to {name}", said, "nothing to add")
        return
    known = case.state.quantities.get(rule.applies_to) if rule.margin is None else None
    lacking = _lacking(rule, case, known is not None)
    if lacking:
        yield NotComputable(f"margin to {name}", "; ".join(dict.fromkeys(item.why for item in lacking)),
                            "; ".join(dict.fromkeys(item.mend for item in lacking)))  # fmt: skip
        if any(item.name not in rule.asks for item in lacking):
            return
    try:
        figure = known if known is not None else rule.figure(case)
    except KeyError as error:
        lack = case.lack(str(error.args[0]))
        yield NotComputable(f"margin to {name}", lack.why, lack.mend)
        return
    except ValueError as error:
        yield NotComputable(f"margin to {name}", str(error), "look at the readings and part data it is made from")
        return
    case.figures[rule.applies_to] = _worst(rule, case.figures.get(rule.applies_to), figure)
    if lacking:
        return
    yield _margin(rule, case, name, figure)


def _worst(rule: Rule, before: Value | None, now: Value) -> Value:
    if before is None:
        return now
    return min(before, now, key=lambda item: item.value if rule.floor else -item.value)


def _lacking(rule: Rule, case: Case, known: bool) -> list[NotComputable]:
    """Return what a limit lacks; where the state knows the figure already, it needs the ceiling alone."""
    found = []
    for path in rule.asks if known else (*rule.needs, *rule.asks):
        key = path.rpartition(".")[2]
        threshold = path.startswith("regulator.protection.") and f"protection_{key}" in case.state.settings
        if case.stated(path) is None and not threshold:
            found.append(NotComputable(path, f"{words(path)} is not stated", example_line(path)))
    for name in () if known else rule.quantities:
        if case.quantity(name) is None:
            known = {"settled_regulator_temperature": "regulator_temperature",
                     "capacitor_surroundings": "board_temperature"}.get(name, name)  # fmt: skip
            found.append(case.lack(known))
    return found


def _margin(rule: Rule, case: Case, name: str, figure: Value) -> Margin:
    ceiling = rule.ceiling(case)
    source = _source(rule, case)
    if isinstance(ceiling, Value):
        limit = Limit(name, rule.applies_to, ceiling.value, rule.unit, rule.kind, source, ceiling.u, rule.floor)
    else:
        limit = Limit(name, rule.applies_to, ceiling, rule.unit, rule.kind, source, 0.0, rule.floor)
    note = rule.note(case) if rule.note is not None else ""
    return distance(limit, figure, note, rule.role, rule.margin(case) if rule.margin is not None else None)


def _source(rule: Rule, case: Case) -> str:
    """Return where ceiling and formula come from."""
    told = ""
    for path in rule.asks:
        holder = case.item if case.item is not None and path.startswith(f"{rule.table}.") else None
        if holder is None and path.count(".") > 1:
            holder = case.stated(path.rpartition(".")[0])
        told = getattr(holder, "source", "") or "bench.toml; source not stated"
        if path.startswith("regulator.protection.") and f"protection_{path.rpartition('.')[2]}" in case.state.settings:
            told = "set in this step"
    return f"{told}; figure: {rule.source}" if told else rule.source
