"""The design to build: which is enough, what more money buys, why its neighbours were not chosen."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from phasewright.design.candidates import Space, energy_cost
from phasewright.design.chances import DRAWS
from phasewright.design.members import is_enough, judge, member_of, reasons_of, with_chances
from phasewright.design.ranking import Ranking
from phasewright.design.records import CHANCE, Choice, Front, Member, Part, Purchase, Verdict
from phasewright.limits import gives_way

__all__ = ["cheapest_assured", "cheapest_enough", "choose", "difference_of", "neighbours_of", "purchases_of", "rank"]

MOST_STEPS = 6
"""Steps of each ladder that are told."""
MOST_NEIGHBOURS = 16
SLACK = 0.05
"""[1] How far below the confidence a design's assured chance may be for its draws to be tried: draws count what is not
straight, and that limits fail together."""

Progress = Callable[[float, str], None]


def choose(
    space: Space, front: Front, *, draws: int = DRAWS, ranking: Ranking | None = None, progress: Progress | None = None
) -> Verdict:
    """Return the design to build: of those that are sure enough the cheapest over its life, parts and energy.

    Without a price of energy the cheapest to buy. Found by a search of its own, in which the price over the life stands
    in place of price, temperature and loss: designs that count as alike on the front may differ by more than a choice.
    `ranking` is that of the space, where there is one already.
    """
    progress = progress or _quiet
    progress(0.0, "the cheapest that is enough")
    ranking = ranking or rank(space, draws=draws)
    chosen = cheapest_enough(space, draws=draws, ranking=ranking)
    if chosen is None:
        return Verdict(None, None, _none(space, front))
    chosen = judge(space, chosen)
    cheapest = chosen
    if space.requirement.price is not None:
        found = cheapest_enough(_without_energy(space), draws=draws, ranking=ranking)
        cheapest = judge(space, _repriced(space, found)) if found is not None else chosen
    neighbours = []
    options = list(neighbours_of(space, chosen.choice))[:MOST_NEIGHBOURS]
    for k, choice in enumerate(options):
        item = judge(space, member_of(space, choice))
        item = with_chances(space, item, draws) if draws else item
        neighbours.append(replace(item, fails=reasons_of(space, item, chosen)))
        progress((k + 1) / len(options), "why not its neighbours")
    return Verdict(chosen, cheapest, _sentence(space, chosen, cheapest), tuple(neighbours), purchases_of(front, chosen))


def rank(space: Space, *, draws: int = DRAWS, progress: Progress | None = None) -> Ranking:
    """Return the ranking in which the design to build is looked for."""
    return Ranking(space, _least(space, draws), progress=progress)


def _least(space: Space, draws: int) -> float:
    """Return the assured chance [1] from which on designs are tried."""
    need = space.requirement
    return max(need.least_chance, need.confidence - (SLACK if draws else 0.0))


def cheapest_enough(
    space: Space, *, draws: int = DRAWS, ranking: Ranking | None = None, cooler: str = "", phase_count: int = 0
) -> Member | None:
    """Return the design that is enough and cheapest over its life; None where none is. `draws` 0: by assured chance.

    `ranking` is that of the space, where there is one already; `cooler` (its name) and `phase_count` hold what is held.
    """
    need, ranking = space.requirement, ranking or rank(space, draws=draws)
    for choice, failing in ranking.ladder(need, _least(space, draws), cooler=cooler, phase_count=phase_count):
        item = member_of(space, choice, failing)
        item = with_chances(space, item, draws) if draws else item
        if is_enough(need, item):
            return item
    return None


def cheapest_assured(space: Space, ranking: Ranking) -> Choice | None:
    """Return the choice that `cheapest_enough` makes by assured chance."""
    need = space.requirement
    for choice, failing in ranking.ladder(need, _least(space, 0)):
        if max(0.0, 1.0 - failing / CHANCE) >= need.confidence:
            return choice
    return None


def _without_energy(space: Space) -> Space:
    return replace(space, requirement=replace(space.requirement, price=None))


def _repriced(space: Space, member: Member) -> Member:
    return replace(member, energy_cost=energy_cost(space.requirement, member.conversion_loss))


def _quiet(fraction: float, text: str) -> None:
    """Stand in for a progress callable that nobody gave."""


def _sentence(space: Space, chosen: Member, cheapest: Member) -> str:
    own, need, currency = chosen.choice, space.requirement, space.catalogue.currency
    sure = chosen.chances
    chance = f"{100 * chosen.chance:.0f} %"
    if sure is not None:
        chance = f"{100 * sure.chance:.1f} % ({100 * sure.low95:.1f} to {100 * sure.high95:.1f} %)"
    said = (f"{own.phase_count} phases of {own.stage} with {own.inductor} at {own.switching_frequency / 1e3:.0f} kHz on "
            f"{own.cooler} would be enough: {chosen.cost:.2f} {currency} of parts, "
            f"{chosen.regulator_temperature:.0f} °C, {chosen.conversion_loss:.1f} W lost, every limit met with "
            f"{chance}.")  # fmt: skip
    if chosen.energy_cost is not None:
        said += f" Its loss costs {chosen.energy_cost:.2f} {currency} over {need.years:g} years."
        if cheapest.choice != own:
            less, more = chosen.cost - cheapest.cost, cheapest.total_cost - chosen.total_cost
            said += (f" {less:.2f} {currency} less would buy one that holds as well, but it costs {more:.2f} {currency} "
                     "more over its life.")  # fmt: skip
    return said


def _none(space: Space, front: Front) -> str:
    need = space.requirement
    if not front.members:
        return (f"No design of this catalogue meets every limit with a chance of {100 * need.least_chance:g} % or more: "
                "ask for less, or add parts.")  # fmt: skip
    best = judge(space, max(front.members, key=lambda item: item.chances.low95 if item.chances else item.chance))
    weak = gives_way(best.margins)
    what = f"; what gives first is {weak.limit.name}" if weak is not None else ""
    chance = best.chances.chance if best.chances else best.chance
    return (f"No design is sure enough: {100 * need.confidence:g} % are asked for, the best meets every limit with "
            f"{100 * chance:.1f} %{what}.")  # fmt: skip


# ---- what the next unit of money buys -------------------------------------------------------------------------------


def purchases_of(front: Front, chosen: Member) -> tuple[Purchase, ...]:
    """Return what more money than the chosen design's buys: cooler, less lost, or surer, each step the best next one."""
    found: list[Purchase] = []
    for kind in ("temperature", "loss", "chance"):
        found += _ladder(front, chosen, kind)
    return tuple(found)


def _ladder(front: Front, chosen: Member, kind: str) -> Iterator[Purchase]:
    worth = {"temperature": (lambda m: -m.regulator_temperature, "K cooler", 1.0, 1.0),
             "loss": (lambda m: -m.conversion_loss, "W less lost", 1.0, 0.5),
             "chance": (lambda m: m.chances.chance if m.chances else m.chance, "% surer", 100.0, 0.005)}  # fmt: skip
    of, unit, scale, least = worth[kind]
    before = chosen
    rest = [item for item in front.members if kind == "chance" or is_enough(front.requirement, item)]
    for _ in range(MOST_STEPS):
        better = [item for item in rest if of(item) >= of(before) + least and item.cost > before.cost + 1e-9]
        if not better:
            return
        # The next step up is the one that gives most for its money.
        after = max(better, key=lambda item: (of(item) - of(before)) / (item.cost - before.cost))
        bought, paid = of(after) - of(before), after.cost - before.cost
        each = paid / (bought * scale)
        text = (f"{paid:.2f} {front.currency} more ({after.cost:.2f}) buy {bought * scale:.1f} {unit}: {each:.2f} "
                f"{front.currency} each - {difference_of(before.choice, after.choice)}")  # fmt: skip
        yield Purchase(kind, before, after, bought, each, text)
        before = after


def difference_of(before: Choice, after: Choice) -> str:
    """Return what differs between two designs, in words."""
    said = []
    if after.phase_count != before.phase_count:
        said.append(f"{after.phase_count} phases instead of {before.phase_count}")
    if after.switching_frequency != before.switching_frequency:
        said.append(f"{after.switching_frequency / 1e3:.0f} kHz instead of {before.switching_frequency / 1e3:.0f}")
    for name in ("stage", "inductor", "controller", "cooler"):
        if getattr(after, name) != getattr(before, name):
            said.append(f"{getattr(after, name)} instead of {getattr(before, name)}")
    for name, count in (("output_capacitor", "output_count"), ("input_capacitor", "input_count"),
                        ("connector", "connector_count")):  # fmt: skip
        new, old = (getattr(after, count), getattr(after, name)), (getattr(before, count), getattr(before, name))
        if new != old:
            said.append(f"{new[0]} x {new[1]} instead of {old[0]}" + (f" x {old[1]}" if old[1] != new[1] else ""))
    return ", ".join(said) or "nothing"


# ---- neighbours -----------------------------------------------------------------------------------------------------


def neighbours_of(space: Space, choice: Choice) -> Iterator[Choice]:
    """Yield designs that differ from `choice` in one thing and cost less, or switch at another frequency."""
    own, part = space.catalogue, space.parts_of(choice)
    for step in (-1, -2):
        if choice.phase_count + step in space.phase_counts:
            yield replace(choice, phase_count=choice.phase_count + step)
    for name in ("output_count", "input_count", "connector_count"):
        if getattr(choice, name) > 1:
            yield replace(choice, **{name: getattr(choice, name) - 1})
    at = space.frequencies.index(choice.switching_frequency)
    for other in (at - 1, at + 1):
        if 0 <= other < len(space.frequencies):
            yield replace(choice, switching_frequency=space.frequencies[other])
    for kind, parts in (("stage", own.stage), ("inductor", own.inductor), ("cooler", space.coolers),
                        ("controller", own.controller), ("output_capacitor", own.bank("output")),
                        ("input_capacitor", own.bank("input")), ("connector", own.connector)):  # fmt: skip
        for item in _cheaper(parts, part[kind]):
            if kind == "controller" and item.figures.phase_limit < choice.phase_count:
                continue
            changed: dict[str, Any] = {kind: item.name}
            yield replace(choice, **changed)


def _cheaper(parts: tuple[Part, ...], than: Part) -> list[Part]:
    """Return the two parts that are cheaper than one by the least."""
    return sorted((item for item in parts if item.money < than.money), key=lambda item: -item.money)[:2]
