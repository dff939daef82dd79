"""Questions to one ranking against looking at every design for each of them."""

from dataclasses import fields, replace

import numpy as np
import pytest

from phasewright.design import Ranking, Space, exhaust, rank
from phasewright.design.exact import choice_of

STEP = 25


@pytest.fixture(scope="module")
def narrow(small):
    return replace(small, requirement=replace(small.requirement, phase_count_range=(7, 8), least_chance=0.5))


@pytest.fixture(scope="module")
def ranking(narrow):
    return Ranking(narrow, 0.5)


def brute(space, chance):
    """Return (choice, price in whole steps, failing) of every rung, by looking at every design."""
    need = replace(space.requirement, least_chance=chance, chance_step=STEP / 10_000)
    found = exhaust(replace(space, life=True, requirement=need))
    return [(choice_of(space, found.cores, row), int(row[-1])) for row in found.rows]


def rungs(space, ranking, chance, **held):
    return list(ranking.ladder(space.requirement, chance, **held))


def same(fast, whole, space):
    """Hold rungs against each other: the same chance and, where parts cost the same, any of them."""
    assert [failing for _, failing in fast] == [failing for _, failing in whole]
    assert [space.cost_of(item) for item, _ in fast] == [space.cost_of(item) for item, _ in whole]
    return len(fast)


@pytest.mark.parametrize("chance", [0.5, 0.8, 0.9437, 0.99])
@pytest.mark.parametrize("price", [None, 0.05, 0.3, 3.0])
def test_every_price_of_energy_and_every_chance_as_by_brute_force(narrow, ranking, chance, price):
    space = replace(narrow, requirement=replace(narrow.requirement, price=price, years=3.0))
    assert ranking.answers(space, chance)
    assert same(rungs(space, ranking, chance), brute(space, chance), space)


def test_held_parts_as_by_brute_force(narrow, ranking):
    for part in narrow.coolers:
        own = replace(narrow, catalogue=replace(narrow.catalogue, cooler=(part,)))
        assert same(rungs(narrow, ranking, 0.9, cooler=part.name), brute(own, 0.9), narrow)
    for count in narrow.phase_counts:
        own = replace(narrow, requirement=replace(narrow.requirement, phase_count_range=(count, count)))
        found = rungs(narrow, ranking, 0.9, phase_count=count)
        assert same(found, brute(own, 0.9), narrow)
        assert all(choice.phase_count == count for choice, _ in found)


def test_a_bounded_board_as_by_brute_force(narrow):
    need = replace(narrow.requirement, board_area=46e-4)
    space = Space(narrow.catalogue, need)
    assert same(rungs(space, Ranking(space, 0.6), 0.6), brute(space, 0.6), space)


def test_what_was_worked_out_serves_only_what_it_holds_for(narrow, ranking):
    """Of all that a requirement states, cost and chance alone may move."""
    free = {"price", "hours_per_year", "years", "confidence", "least_chance"}
    for item in fields(narrow.requirement):
        value = getattr(narrow.requirement, item.name)
        if isinstance(value, float) or value is None:
            moved = 0.5 if value is None else 0.9 * value
            assert ranking.answers(replace(narrow, requirement=replace(narrow.requirement, **{item.name: moved})), 0.5) == (
                item.name in free), item.name
    other = replace(narrow.catalogue, stage=narrow.catalogue.stage[:1])
    assert not ranking.answers(replace(narrow, catalogue=other), 0.5)
    assert not ranking.answers(narrow, 0.4)
    with pytest.raises(ValueError, match="ask anew"):
        next(Ranking(narrow, 0.9).ladder(narrow.requirement, 0.8))


def test_few_pairs_are_completed(example):
    """Looking in order of the price from below ends long before every pair was looked at."""
    ranking = rank(example, draws=0)
    assert next(ranking.ladder(example.requirement, example.requirement.confidence))
    assert np.count_nonzero(ranking._open) > 0.9 * len(ranking._open)
