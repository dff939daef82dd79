"""Cooling against phases, and which assumption would change the choice: the search asked again, one thing moved."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from phasewright.design.candidates import Space
from phasewright.design.ranking import Ranking
from phasewright.design.records import Choice, Cooler, Member, Sensitivity, Trade
from phasewright.design.verdicts import cheapest_assured, cheapest_enough, difference_of, rank

__all__ = ["trades_of", "what_changes"]

HALVINGS = 4
"""How often the interval is halved in which the choice changes: it is then known to a sixteenth of the interval."""

Progress = Callable[[float, str], None]


def trades_of(space: Space, *, ranking: Ranking | None = None, progress: Progress | None = None) -> tuple[Trade, ...]:
    """Return the cheapest design that is enough for each cooler and for each phase count, by its assured chance.

    Fewer phases ask for better cooling, and the other way round; here stands what each costs. `ranking` is that of the
    space, where there is one already.
    """
    ranking = ranking or rank(space, draws=0)
    held: list[tuple[str, dict[str, Any]]] = [(part.name, {"cooler": part.name}) for part in space.coolers]
    held += [(f"{count} phases", {"phase_count": count}) for count in space.phase_counts]
    found = []
    for k, (name, own) in enumerate(held):
        best = cheapest_enough(space, draws=0, ranking=ranking, **own)
        found.append(Trade(name, best, _trade(space, name, best)))
        if progress is not None:
            progress((k + 1) / len(held), f"cooling against phases: {name}")
    return tuple(found)


def _trade(space: Space, name: str, best: Member | None) -> str:
    if best is None:
        return f"{name}: nothing is enough"
    own, currency = best.choice, space.catalogue.currency
    life = "" if best.energy_cost is None else f", {best.total_cost:.2f} over its life"
    with_what = own.cooler if name.endswith("phases") else f"{own.phase_count} phases"
    return (f"{name}: enough with {with_what} for {best.cost:.2f} {currency}{life}, "
            f"{best.regulator_temperature:.0f} °C")  # fmt: skip


# ---- what would change the choice -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Assumption:
    """One figure that may be otherwise, and the space with it so."""

    name: str
    unit: str
    value: float
    low: float
    high: float
    moved: Callable[[float], Space]


def what_changes(
    space: Space, chosen: Member, *, ranking: Ranking | None = None, progress: Progress | None = None
) -> tuple[Sensitivity, ...]:
    """Return for each assumption whether the choice changes within its interval, and at which value.

    Choices are held against each other by their assured chance, which the first of all answers is as well; a count of
    capacitors alone makes no other choice. `ranking` is that of the space, where there is one already.
    """
    ranking = ranking or rank(space, draws=0)
    first = cheapest_assured(space, ranking)
    if first is None:
        return ()
    items, progress = list(_assumptions(space)), progress or _quiet
    found = []
    for k, item in enumerate(items):

        def ask(value: float, item: _Assumption = item, k: int = k) -> Choice | None:
            progress(k / len(items), f"would another {item.name} change the choice? {value:.4g} {item.unit}")
            there = item.moved(value)
            known = ranking.answers(there, max(there.requirement.least_chance, there.requirement.confidence))
            return cheapest_assured(there, ranking if known else rank(there, draws=0))

        found.append(_tried(item, first, ask))
    return tuple(sorted(found, key=_near))


def _quiet(fraction: float, text: str) -> None:
    """Stand in for a progress callable that nobody gave."""


def _near(item: Sensitivity) -> float:
    """Return how far off the change is, as a share of the way to the end of the interval."""
    if item.changes_at is None:
        return 2.0
    end = item.low if item.changes_at < item.value else item.high
    return abs(item.changes_at - item.value) / max(abs(end - item.value), 1e-12)


def _kind(choice: Choice) -> tuple[Any, ...]:
    """Return what makes a choice another one: counts of capacitors and connectors do not."""
    return (choice.phase_count, choice.switching_frequency, choice.stage, choice.inductor, choice.cooler)


def _tried(item: _Assumption, first: Choice, ask: Callable[[float], Choice | None]) -> Sensitivity:
    """Return where on the way to either end of the interval another kind of design would be chosen than `first`."""
    best: tuple[float, str] | None = None
    for end in (item.low, item.high):
        there = ask(end)
        if there is not None and _kind(there) == _kind(first):
            continue
        same, other, then = item.value, end, there
        for _ in range(HALVINGS):
            middle = 0.5 * (same + other)
            here = ask(middle)
            if here is not None and _kind(here) == _kind(first):
                same = middle
            else:
                other, then = middle, here
        at = 0.5 * (same + other)
        told = "nothing would be enough" if then is None else difference_of(first, then)
        if best is None or abs(at - item.value) < abs(best[0] - item.value):
            best = (at, told)
    if best is None:
        return Sensitivity(item.name, item.unit, item.value, item.low, item.high, False, None,
                           f"{item.name}: the choice stays between {item.low:.4g} and {item.high:.4g} {item.unit}")  # fmt: skip
    way = "above" if best[0] > item.value else "below"
    text = f"{item.name}: {way} about {best[0]:.3g} {item.unit} instead of {item.value:.4g}: {best[1]}"
    return Sensitivity(item.name, item.unit, item.value, item.low, item.high, True, best[0], text)


def _assumptions(space: Space) -> Iterator[_Assumption]:
    """Yield what is varied: shares and spans are common practice, no source, but where a requirement bounds them."""
    need = space.requirement

    def moved(**changes: Any) -> Space:
        return replace(space, requirement=replace(need, **changes))

    def load(current: float) -> Space:
        ratio = current / need.rail_current
        return moved(rail_current=current, rail_current_peak=need.rail_current_peak * ratio)

    yield _Assumption("continuous rail current", "A", need.rail_current, 0.85 * need.rail_current,
                      1.15 * need.rail_current, load)  # fmt: skip
    warm = need.coolant_temperature
    yield _Assumption("coolant temperature", "degC", warm, warm - 10.0, warm + 10.0,
                      lambda x: moved(coolant_temperature=x))  # fmt: skip
    if need.load_step is not None:
        yield _Assumption("load step", "A", need.load_step, 0.75 * need.load_step, 1.25 * need.load_step,
                          lambda x: moved(load_step=x))  # fmt: skip
    if need.price is not None:
        yield _Assumption("price of energy", f"{space.catalogue.currency}/kWh", need.price, 0.5 * need.price,
                          2.0 * need.price, lambda x: moved(price=x))  # fmt: skip
        yield _Assumption("hours per year", "h", need.hours_per_year, 0.25 * need.hours_per_year,
                          min(3.0 * need.hours_per_year, 8766.0), lambda x: moved(hours_per_year=x))  # fmt: skip
    if need.service_life is not None:
        hours = need.service_life / 3600.0
        yield _Assumption("wished life", "h", hours, 0.5 * hours, 2.0 * hours, lambda x: moved(service_life=3600.0 * x))
    yield _Assumption("confidence", "%", 100.0 * need.confidence, 90.0 if need.confidence > 0.9 else 50.0, 99.0,
                      lambda x: moved(confidence=x / 100.0, least_chance=min(need.least_chance, x / 100.0)))  # fmt: skip
    yield _Assumption("thermal resistance of the coolers", "of stated", 1.0, 0.7, 1.4, lambda x: _cooled(space, x))


def _cooled(space: Space, ratio: float) -> Space:
    """Return the space with every cooler's resistances times `ratio`."""
    coolers = []
    for part in space.catalogue.cooler:
        own = part.figures
        if isinstance(own, Cooler):
            own = replace(own, plate_resistance=own.plate_resistance * ratio, pad_resistance=own.pad_resistance * ratio)
        coolers.append(replace(part, figures=own))
    return replace(space, catalogue=replace(space.catalogue, cooler=tuple(coolers)))
