"""Which design is chosen and why; what always holds of fronts and choices."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phasewright.bench import NotReady
from phasewright.design import (
    Checkpoint,
    Design,
    Space,
    cheapest_enough,
    choose,
    design_from_dict,
    design_json,
    design_to_dict,
    difference_of,
    front_of,
    is_enough,
    search,
    trades_of,
    what_changes,
)
from phasewright.design.exact import choice_of, exhaust
from phasewright.design.members import member_of
from phasewright.limits import margins_at


@pytest.fixture(scope="module")
def found(small):
    return search(small)


@pytest.fixture(scope="module")
def judged(small, found):
    front = front_of(small, found, draws=1000)
    return front, choose(small, front, draws=4000)


def fronts(space):
    rows = search(space).rows
    need = space.requirement
    level = -(-rows[:, -1] // round(need.chance_step * 10_000))
    return np.column_stack([rows[:, 5], rows[:, 6], rows[:, 7], level])


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_adding_a_part_never_worsens_the_front(small, data):
    kind = data.draw(st.sampled_from(["stage", "inductor", "cooler", "controller", "connector"]))
    parts = getattr(small.catalogue, kind)
    fewer = replace(small, catalogue=replace(small.catalogue, **{kind: parts[:1]}))
    with_all, with_few = fronts(small), fronts(fewer)
    for point in with_few:
        assert (with_all <= point).all(axis=1).any()


@settings(max_examples=5, deadline=None, suppress_health_check=list(HealthCheck))
@given(ratio=st.integers(2, 9))
def test_prices_scale(small, found, ratio):
    """With every price times k the front is the same and costs k times as much."""
    own = small.catalogue
    dear = {kind: tuple(replace(item, price=item.price * ratio) for item in getattr(own, kind))
            for kind in ("stage", "inductor", "capacitor", "controller", "cooler", "connector")}
    other = search(replace(small, catalogue=replace(own, **dear)))
    assert np.array_equal(other.rows[:, 5], ratio * found.rows[:, 5])
    assert np.array_equal(other.rows[:, 6:8], found.rows[:, 6:8])


def test_no_member_equals_or_betters_another(found, small):
    points = fronts(small)
    for k, point in enumerate(points):
        others = np.delete(points, k, axis=0)
        assert not (others <= point).all(axis=1).any()


def test_the_chosen_is_the_cheapest_over_its_life_of_all_that_are_sure(small):
    """Against looking at every design of a smaller space and drawing the cheapest until one passes."""
    need = replace(small.requirement, phase_count_range=(8, 8), chance_step=0.0001)
    space = replace(small, requirement=need, life=True)
    chosen = cheapest_enough(replace(space, life=False), draws=0)
    rows = exhaust(space).rows
    sure = rows[rows[:, -1] <= round(1e4 * (1.0 - need.confidence))]
    assert chosen.total_cost == pytest.approx(sure[:, 5].min() / 1e4, abs=1e-3)


def test_a_verdict_tells_what_to_build_and_why_its_neighbours_were_not_chosen(small, judged):
    front, verdict = judged
    chosen = verdict.chosen
    assert chosen is not None and is_enough(small.requirement, chosen)
    assert chosen.chances.low95 >= small.requirement.confidence
    bench, _, state = small.foresee(chosen.choice)
    assert [m.limit for m in chosen.margins] == [m.limit for m in margins_at(bench, state).margins]
    assert all(m.margin.value > 0.0 for m in chosen.margins)
    assert len(verdict.neighbours) >= 5
    for item in verdict.neighbours:
        assert item.fails and difference_of(chosen.choice, item.choice) != "nothing"
        if is_enough(small.requirement, item):
            assert item.total_cost >= chosen.total_cost - 1e-9
        else:
            assert "draws" in item.fails[0] or "board" in item.fails[0]
    fewer = [item for item in verdict.neighbours if item.cost < chosen.cost and not is_enough(small.requirement, item)]
    assert fewer, "nothing cheaper fails: the example no longer shows what it should"
    assert verdict.cheapest.cost <= chosen.cost
    assert f"{chosen.choice.phase_count} phases" in verdict.sentence


def test_en_02_what_ten_watts_cost_in_a_year(small, judged):
    """10 W, 8 h a day, 365 days, 0.30 per kWh: 29.2 kWh, 8.76 (arithmetic)."""
    from phasewright.design.candidates import energy_cost

    need = replace(small.requirement, hours_per_year=8.0 * 365.0, years=1.0, price=0.30)
    assert energy_cost(need, 10.0) == pytest.approx(8.76, abs=1e-9)
    assert energy_cost(replace(need, price=None), 10.0) is None
    chosen = judged[1].chosen
    hours = small.requirement.hours_per_year * small.requirement.years
    assert chosen.energy_cost == pytest.approx(chosen.conversion_loss * hours / 1000.0 * small.requirement.price)


def test_money_buys_something_at_every_step(judged):
    _, verdict = judged
    assert verdict.purchases
    for item in verdict.purchases:
        assert item.after.cost > item.before.cost and item.bought > 0.0


def test_nothing_is_enough_is_said(small):
    need = replace(small.requirement, coolant_temperature=115.0)
    space = replace(small, requirement=need)
    front = front_of(space, search(space), draws=0)
    verdict = choose(space, front, draws=0)
    assert verdict.chosen is None and verdict.sentence.startswith("No design")


def test_cooling_and_phases_are_traded(small):
    trades = {item.held: item.member for item in trades_of(small)}
    assert set(trades) == {part.name for part in small.coolers} | {f"{n} phases" for n in small.phase_counts}
    best = min(item.total_cost for item in trades.values() if item is not None)
    assert cheapest_enough(small, draws=0).total_cost == pytest.approx(best)


def test_a_choice_changes_where_it_is_said_to(small, judged):
    need = replace(small.requirement, phase_count_range=(8, 9), switching_frequency=(400e3,))
    small = replace(small, requirement=need)
    told = what_changes(small, judged[1].chosen)
    assert len(told) >= 6
    assert [item.changes_at is not None for item in told] == [item.changes for item in told]
    first = cheapest_enough(small, draws=0).choice
    moved = next(item for item in told if item.name == "continuous rail current")
    assert moved.changes, "the example no longer shows a change"
    end = moved.high if moved.changes_at > moved.value else moved.low
    beyond = moved.changes_at + (end - moved.value) / 32.0  # half of what four halvings leave
    ratio, need = beyond / moved.value, small.requirement
    other = replace(need, rail_current=beyond, rail_current_peak=need.rail_current_peak * ratio)
    there = cheapest_enough(replace(small, requirement=other), draws=0)
    assert there is None or difference_of(first, there.choice) != "nothing"


def test_a_design_survives_json(small, judged):
    front, verdict = judged
    made = Design(small.catalogue, small.requirement, front, verdict, small.bench_for(verdict.chosen.choice))
    text = json.dumps(design_to_dict(made), allow_nan=False)
    again = design_from_dict(json.loads(text))
    assert again == made
    assert json.dumps(design_to_dict(again)) == text
    told = json.loads(json.dumps(design_json(made), allow_nan=False))
    assert told["chosen"]["choice"]["phase_count"] == verdict.chosen.choice.phase_count
    with pytest.raises(ValueError, match="format"):
        design_from_dict({"format": "other"})


def test_a_search_that_is_stopped_goes_on_to_the_same_front(example, monkeypatch):
    monkeypatch.setattr("phasewright.design.exact.FIRST", 8)
    need = replace(example.requirement, phase_count_range=(7, 9))
    space = Space(example.catalogue, need)
    kept: list[bytes] = []
    checkpoint = Checkpoint(lambda: kept[-1] if kept else None, kept.append)
    asked = iter([False, True])
    with pytest.raises(NotReady, match="stopped after"):
        search(space, cancelled=lambda: next(asked), checkpoint=checkpoint)
    rounds: list[str] = []
    again = search(space, checkpoint=checkpoint, progress=lambda fraction, text: rounds.append(text))
    whole = search(space)
    assert np.array_equal(again.rows, whole.rows)
    assert again.method == whole.method
    assert not any(text.startswith("round 1:") for text in rounds)
    kept[-1] = kept[-1][:200]
    assert np.array_equal(search(space, checkpoint=checkpoint).rows, whole.rows)


def test_measured_paths_carry_over_with_their_uncertainty(small, found):
    """A model that learned a worse plate foresees a warmer design, by the ratio that it learned."""
    from phasewright.model import fitted_prior, prior_of

    choice = choice_of(small, found.cores, found.rows[len(found.rows) // 2])
    fitted = fitted_prior(prior_of(small.bench_for(choice)))
    at = fitted.prior.names.index("plate_rise")
    score, covariance = fitted.score.copy(), fitted.covariance.copy()
    score[at], covariance[at, at] = 1.5, 0.01
    learned = replace(fitted, score=score, covariance=covariance, step_count=4)
    before, after = member_of(small, choice), member_of(replace(small, fitted=learned), choice)
    spread = fitted.prior.belief("plate_rise").spread
    plate = fitted.prior.belief("plate_rise").centre
    wanted = plate * (np.exp(1.5 * spread) - 1.0) * after.conversion_loss
    assert after.regulator_temperature - before.regulator_temperature == pytest.approx(wanted, rel=0.1)
    same = search(replace(small, fitted=learned, requirement=replace(small.requirement, phase_count_range=(8, 8))))
    whole = exhaust(replace(small, fitted=learned, requirement=replace(small.requirement, phase_count_range=(8, 8))))
    assert np.array_equal(same.rows[:, 5:8], whole.rows[:, 5:8])
