"""The front of bounds and merging against looking at every design."""

from dataclasses import replace

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phasewright.design import Space, exhaust, search
from phasewright.design.dominance import best_options, nondominated, table_of
from phasewright.design.merging import COLUMNS

FIGURES = [COLUMNS.index(name) for name in ("price", "temperature", "loss", "failing")]


def vectors(found, step):
    """Return price, levels of temperature and loss, level of chance of every member, sorted."""
    rows = found.rows[:, FIGURES].copy()
    rows[:, 3] = -(-rows[:, 3] // step)
    return sorted(map(tuple, rows.tolist()))


def same_front(space):
    step = round(space.requirement.chance_step * 10_000)
    fast, whole = search(space), exhaust(space)
    assert vectors(fast, step) == vectors(whole, step)
    return fast, whole


def test_front_of_a_hundred_thousand_designs_equals_brute_force(small):
    fast, whole = same_front(small)
    assert small.combinations >= 100_000
    assert len(fast.rows) > 10
    assert fast.method.evaluated < whole.method.evaluated / 20


def test_front_with_fine_levels_and_a_bounded_board_equals_brute_force(small):
    catalogue = replace(small.catalogue, capacitor=tuple(replace(item, most=min(item.most, 12))
                                                         for item in small.catalogue.capacitor))
    need = replace(small.requirement, temperature_step=0.01, loss_step=0.01, chance_step=0.0005, board_area=46e-4,
                   phase_count_range=(8, 8))
    fast, _ = same_front(Space(catalogue, need))
    assert len(fast.rows) > 30


def test_price_over_the_life_equals_brute_force(small):
    need = replace(small.requirement, chance_step=0.0025, phase_count_range=(8, 9))
    fast, _ = same_front(replace(small, life=True, requirement=need))
    assert len(fast.rows)


def test_loads_that_no_part_bears_leave_an_empty_front(small):
    """Drops beyond the input voltage leave no duty; such cores are ruled out, not stumbled over."""
    weak = tuple(replace(item, figures=replace(item.figures, current_rating=1000.0, peak_current_rating=2000.0,
                                               low_side_resistance=0.5)) for item in small.catalogue.stage)
    strong = tuple(replace(item, figures=replace(item.figures, current_rating=1000.0, saturation_current=2000.0))
                   for item in small.catalogue.inductor)
    need = replace(small.requirement, rail_current=4000.0, rail_current_peak=4800.0, phase_count_range=(7, 7))
    mixed = replace(small.catalogue, stage=weak[:1] + small.catalogue.stage[1:], inductor=strong)
    for catalogue in (mixed, small.catalogue):
        space = Space(catalogue, need)
        assert len(search(space).rows) == 0 and len(exhaust(space).rows) == 0


@st.composite
def spaces(draw, example, cut):
    """Return a random small space: parts picked, prices and figures moved."""
    catalogue = cut(example.catalogue, stage=draw(st.integers(1, 3)), inductor=draw(st.integers(1, 2)),
                    capacitor=draw(st.integers(1, 2)), most=draw(st.integers(2, 12)))
    cents = st.integers(1, 900).map(lambda x: x / 100.0)
    moved = {}
    for kind in ("stage", "inductor", "capacitor", "controller", "cooler", "connector"):
        moved[kind] = tuple(replace(item, price=draw(cents)) for item in getattr(catalogue, kind))
    need = replace(
        example.requirement, phase_count_range=(draw(st.integers(4, 8)), draw(st.integers(8, 9))),
        switching_frequency=(400e3, 800e3)[: draw(st.integers(1, 2))], rail_current=draw(st.floats(100.0, 300.0)),
        rail_current_peak=320.0, coolant_temperature=draw(st.floats(15.0, 70.0)),
        load_step=draw(st.floats(20.0, 120.0)), temperature_step=draw(st.sampled_from([0.1, 1.0, 4.0])),
        loss_step=draw(st.sampled_from([0.1, 2.0])), chance_step=draw(st.sampled_from([0.001, 0.05])),
        board_area=draw(st.sampled_from([None, 30e-4, 60e-4])))
    return Space(replace(catalogue, **moved), need, life=draw(st.booleans()))


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_front_of_random_catalogues_equals_brute_force(example, cut, data):
    same_front(data.draw(spaces(example, cut)))


points = st.lists(st.tuples(*[st.integers(0, 9)] * 4), min_size=1, max_size=60).map(np.array)


@given(points)
def test_no_dominated_point_stays_and_none_is_lost(found):
    kept = nondominated(found)
    for k, point in enumerate(found):
        betters = [(other <= point).all() and ((other < point).any() or j < k) for j, other in enumerate(found)]
        assert (k in kept) == (not any(betters))


@given(points, points)
def test_table_of_dominance_says_what_comparing_says(known, asked):
    table = table_of(known[:, 0], tuple(known[:, k] for k in (1, 2, 3)))
    said = table.dominates(asked[:, 0], tuple(asked[:, k] for k in (1, 2, 3)))
    assert said.tolist() == [bool((known <= point).all(axis=1).any()) for point in asked]


def test_a_table_of_too_many_levels_never_rules_out_wrongly(monkeypatch):
    monkeypatch.setattr("phasewright.design.dominance.MOST_CELLS", 60)
    generator = np.random.default_rng(3)
    known, asked = generator.integers(0, 50, (40, 4)), generator.integers(0, 60, (400, 4))
    table = table_of(known[:, 0], tuple(known[:, k] for k in (1, 2, 3)))
    said = table.dominates(asked[:, 0], tuple(asked[:, k] for k in (1, 2, 3)))
    truly = np.array([(known <= point).all(axis=1).any() for point in asked])
    assert not np.any(said & ~truly)
    assert said.sum() > 0.3 * truly.sum()


@given(st.lists(st.tuples(st.integers(1, 9), st.integers(0, 3), st.integers(0, 12)), min_size=1, max_size=14),
       st.integers(0, 12))
def test_options_that_none_betters_are_kept(options, most):
    price, area, failing = (np.array(item) for item in zip(*options, strict=True))
    index, known = best_options(price, area.astype(float), failing[None, :], most)
    kept = {tuple(np.array(options)[k]) for k in index[0][known[0]]}
    wanted = {own for own in options if own[2] <= most and not any(
        all(a <= b for a, b in zip(other, own, strict=True)) and other != own for other in options)}
    assert wanted <= kept
    assert all(own[2] <= most for own in kept)
