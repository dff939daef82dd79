"""Rows of the front as members: judged by the limits room, their chances drawn, their reasons told."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from types import MappingProxyType

from phasewright.design.candidates import CARRIED, Space, energy_cost
from phasewright.design.chances import DRAWS, chances_of, draw_share
from phasewright.design.exact import Found, Worker, choice_of, here, key_of
from phasewright.design.figures import HARDLY_KNOWN, Figures
from phasewright.design.figures import failing as _sum_failing
from phasewright.design.records import CHANCE, MONEY, Chances, Choice, Front, Member, Requirement
from phasewright.limits import Column, column_margins, gives_way, margins_at, relative

__all__ = ["front_of", "is_enough", "judge", "member_of", "reasons_of", "with_chances"]

TOGETHER = 8
"""Designs that one worker draws at once."""


def _quiet(fraction: float, text: str) -> None:
    """Stand in for a progress callable that nobody gave."""


def front_of(
    space: Space,
    found: Found,
    *,
    draws: int = DRAWS,
    worker: Worker = here,
    progress: Callable[[float, str], None] | None = None,
) -> Front:
    """Return the front with a member for each row: predicted, and its chance drawn (`draws` 0 leaves that out)."""
    progress = progress or _quiet
    members = []
    pairs = found.cores.take(found.rows[:, 0]), found.rows[:, 1]
    settled = Figures(space).settle(*pairs, spread=False)
    for k, row in enumerate(found.rows):
        choice, loss = choice_of(space, found.cores, row), float(settled.loss.value[k])
        members.append(Member(choice, space.cost_of(choice) / MONEY, float(settled.temperature.value[k]), loss,
                              max(0.0, 1.0 - int(row[-1]) / CHANCE), energy_cost(space.requirement, loss)))  # fmt: skip
    if draws:
        shares = [(draws, tuple(item.choice for item in members[k : k + TOGETHER]))
                  for k in range(0, len(members), TOGETHER)]  # fmt: skip
        drawn: list[Chances] = []
        for some in worker(draw_share, key_of(space), space, shares):
            drawn += some
            done = f"{len(drawn)} of {len(members)} designs on the front tried with {draws} draws"
            progress(len(drawn) / len(members), done)
        members = [replace(item, chances=own) for item, own in zip(members, drawn, strict=True)]
    return Front(tuple(members), found.method, space.catalogue.currency, space.requirement, _carried(space), _notes(space))


def member_of(space: Space, choice: Choice, failing: int | None = None) -> Member:
    """Return a design as predicted; `failing` is the sum of its chances of failing in steps, worked out where None."""
    bench, found, state = space.foresee(choice)
    loss = found.quantities["conversion_loss"].value
    warm = found.quantities["regulator_temperature"]
    if failing is None and (not math.isfinite(warm.value) or warm.u is None or warm.u >= HARDLY_KNOWN):
        failing = CHANCE
    if failing is None:
        columns = {name: Column(item.value, item.u if item.u is not None else math.nan)
                   for name, item in state.quantities.items()}  # fmt: skip
        own = column_margins(bench, {"phase_count": float(choice.phase_count)}, columns)
        failing = int(_sum_failing(own, ()))
    chance = max(0.0, 1.0 - failing / CHANCE)
    return Member(choice, space.cost_of(choice) / MONEY, found.quantities["regulator_temperature"].value, loss, chance,
                  energy_cost(space.requirement, loss))  # fmt: skip


def judge(space: Space, member: Member) -> Member:
    """Return a design held against every limit by the limits room, the one that gives first in front."""
    bench, found, state = space.foresee(member.choice)
    judged = margins_at(bench, state)
    return replace(member, margins=judged.margins, missing=judged.missing,
                   quantities=MappingProxyType(dict(found.quantities)))  # fmt: skip


def with_chances(space: Space, member: Member, draws: int = DRAWS) -> Member:
    """Return a design with its chance of meeting every limit at once drawn."""
    return replace(member, chances=chances_of(space, member.choice, draws=draws))


def is_enough(requirement: Requirement, member: Member) -> bool:
    """Return whether a design is sure enough: by its draws where it has some, else by its assured chance."""
    if member.chances is not None:
        return member.chances.low95 >= requirement.confidence
    return member.chance >= requirement.confidence


def reasons_of(space: Space, member: Member, chosen: Member) -> tuple[str, ...]:
    """Return why a design was not chosen over `chosen`, with numbers; both are judged and have their chances."""
    need, said = space.requirement, []
    if not is_enough(need, member):
        if member.chances is None:
            weak = gives_way(member.margins)
            said.append(f"assured to meet every limit with {100 * member.chance:.1f} %, {100 * need.confidence:g} % are "
                        f"asked for" + (f"; {weak.limit.name} gives first" if weak is not None else ""))  # fmt: skip
        else:
            said.append(f"meets every limit in {100 * member.chances.chance:.1f} % of the draws, "
                        f"{100 * need.confidence:g} % are asked for")  # fmt: skip
            often = [pair for pair in member.chances.first_to_fail if pair[1] > 0.25 * (1.0 - need.confidence)]
            said += [_failing(member, name, share) for name, share in often]
        if need.board_area is not None and area_of(space, member.choice) > need.board_area:
            said.append(_room(space, member.choice))
        return tuple(said)
    if need.board_area is not None and area_of(space, member.choice) > need.board_area:
        return (_room(space, member.choice),)
    more, currency = member.total_cost - chosen.total_cost, space.catalogue.currency
    over = " over its life" if member.energy_cost is not None else ""
    said.append(f"holds, but costs {more:.2f} {currency} more{over}" if more > 0.005 else "holds and costs the same")
    return tuple(said)


def _failing(member: Member, name: str, share: float) -> str:
    own = [item for item in member.margins if item.limit.name == name]
    told = f"{name}: fails in {100 * share:.1f} %"
    if own:
        worst = min(own, key=relative)
        told += f" ({100 * relative(worst):+.0f} % of the limit left at the values themselves)"
    return told


def _room(space: Space, choice: Choice) -> str:
    area, most = area_of(space, choice), space.requirement.board_area or math.inf
    return f"takes {1e4 * area:.1f} cm2 of board, {1e4 * most:.1f} cm2 are there"


def area_of(space: Space, choice: Choice) -> float:
    """Return the board area of a design's parts [m2]."""
    part = space.parts_of(choice)
    return (choice.phase_count * (part["stage"].area + part["inductor"].area) + part["controller"].area
            + choice.output_count * part["output_capacitor"].area + choice.input_count * part["input_capacitor"].area
            + choice.connector_count * part["connector"].area)  # fmt: skip


def _carried(space: Space) -> tuple[str, ...]:
    own = ("losses of stages, inductors and controller: part data of the catalogue, by the loss formulas",
           "limits, ripple, load steps, wear: part data of the catalogue, with their tolerances")  # fmt: skip
    if space.fitted is None:
        return ("thermal paths and cooling: part data and common practice alone, nothing was measured", *own)
    kept = []
    for name in CARRIED:
        item = space.fitted.parameter(name)
        if item.decided_by != "prior":
            kept.append(name.replace("_", " "))
    measured = ", ".join(kept) if kept else "none: the data decided no parameter of board or cooling"
    return (f"measured, carried over with their uncertainty relative to part data: {measured}",
            "cooler and pad: the catalogue's figures, by the ratio that measurement and part data showed", *own)  # fmt: skip


def _notes(space: Space) -> tuple[str, ...]:
    need, said = space.requirement, []
    if space.catalogue.simulated:
        said.append("the catalogue is invented: its parts and prices are not real")
    for key, what in (("load_step", "load step"), ("tolerance_band", "droop and release"), ("ripple_limit", "ripple"),
                      ("settling_time", "settling time"), ("service_life", "life")):  # fmt: skip
        if getattr(need, key) is None:
            said.append(f"{what} not judged: {key} is not stated in requirement.toml")
    if need.ambient_temperature is None:
        said.append("cables not judged: ambient_temperature is not stated in requirement.toml")
    said.append("capacitors heat the regulator as banks in general do; their own resistance counts for their ripple, "
                "droop and wear")  # fmt: skip
    return tuple(said)

