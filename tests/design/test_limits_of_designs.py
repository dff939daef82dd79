"""The tiers of the search against the limits room and the model, one design at a time."""

import math

import numpy as np
import pytest

from phasewright.design import chances_of, judge
from phasewright.design.exact import choice_of, search
from phasewright.design.figures import Figures, failing
from phasewright.design.members import member_of
from phasewright.limits import margins_at


def tiers(figures, core, cooler, banks, plug):
    """Return the margins of one design from the tiers of the search, by name."""
    settled = figures.settle(core, cooler)
    stage, controller = int(core.stage[0]), int(core.controller[0])
    found = [*figures.core_margins(core, stage), *figures.warm_margins(core, settled, stage),
             *figures.contact_margins(plug, settled)]
    extra = []
    for use, (part, count) in banks.items():
        counts = np.array([[count]])
        found += figures.bank_margins(use, part, counts, core)
        found += figures.bank_margins(use, part, counts, core, settled)
        if use == "output":
            found += figures.bank_margins(use, part, counts, core, names=frozenset({"droop", "overshoot"}))
            found += figures.bank_margins(use, part, counts, core, names=frozenset({"settling_time"}))
    for item in figures.drive_margins(stage, controller):
        at = (int(core.phase[0]), int(core.frequency[0]))
        extra.append((item.name, float(item.value[at]), float(np.broadcast_to(item.u, item.value.shape)[at])))
    first = [(item.name, float(np.ravel(item.value)[0]), float(np.ravel(item.u)[0])) for item in found]
    return sorted(first + extra)


def test_every_margin_is_that_of_the_limits_room(example):
    figures, generator = Figures(example), np.random.default_rng(8)
    cores = figures.all_cores()
    for k in generator.integers(0, len(cores), 12):
        core, cooler = cores.take(np.array([k])), np.array([generator.integers(len(figures.cooler))])
        places = [int(generator.integers(len(example.banks[use]))) for use in ("output", "input")]
        plug = int(generator.integers(len(example.connectors)))
        choice = choice_of(example, cores, np.array([k, cooler[0], *places, plug]))
        bench, _, state = example.foresee(choice)
        wanted = sorted((m.limit.name, m.margin.value, m.margin.u) for m in margins_at(bench, state).margins)
        banks = {use: example.banks[use][place] for use, place in zip(("output", "input"), places, strict=True)}
        found = tiers(figures, core, cooler, banks, plug)
        assert [item[0] for item in found] == [item[0] for item in wanted]
        for (name, value, u), (_, known, known_u) in zip(found, wanted, strict=True):
            assert value == pytest.approx(known, rel=1e-7), name
            assert u == pytest.approx(known_u, rel=2e-3, abs=1e-6 * abs(known) + 1e-12), name


def test_settled_state_and_its_uncertainty_are_those_of_the_model(example):
    figures, generator = Figures(example), np.random.default_rng(9)
    cores = figures.all_cores()
    for k in generator.integers(0, len(cores), 6):
        core, cooler = cores.take(np.array([k])), np.array([generator.integers(len(figures.cooler))])
        _, found, _ = example.foresee(choice_of(example, cores, np.array([k, cooler[0], 0, 0, 0])))
        settled = figures.settle(core, cooler)
        for name, column in (("regulator_temperature", settled.temperature), ("regulator_rise", settled.rise),
                             ("conversion_loss", settled.loss), ("input_current", settled.input_current),
                             ("loop_gain", settled.gain)):
            assert column.value[0] == pytest.approx(found.quantities[name].value, rel=1e-9), name
            assert column.u[0] == pytest.approx(found.quantities[name].u, rel=1e-4), name


def test_members_carry_the_sum_of_failing_of_their_own_limits(small):
    found = search(small)
    for row in found.rows[:: max(1, len(found.rows) // 8)]:
        choice = choice_of(small, found.cores, row)
        assert member_of(small, choice).chance == pytest.approx(1.0 - row[-1] / 1e4, abs=2e-4)
        assert round(small.cost_of(choice)) == row[5]


def test_step_work_that_is_left_out_would_have_added_nothing(example):
    figures = Figures(example)
    cores = figures.all_cores()
    chosen = cores.take(np.random.default_rng(2).integers(0, len(cores), 60))
    quick = figures.step_failing(chosen)
    at = 0
    for part in example.catalogue.bank("output"):
        counts = np.arange(1, part.most + 1)[None, :]
        whole = failing(figures.bank_margins("output", part, counts, chosen,
                                             names=frozenset({"droop", "overshoot", "settling_time"})),
                        (len(chosen), counts.shape[1]))
        mine = quick[:, at : at + counts.shape[1]]
        alive = mine <= 5000
        assert np.array_equal(mine[alive], whole[alive])
        assert np.all(whole[~alive] > 5000)
        at += counts.shape[1]


def test_draws_agree_with_the_assured_chance_where_it_is_near_certain_and_never_beat_a_hard_limit(small):
    found = search(small)
    sure = found.rows[found.rows[:, -1] <= 5]
    assert len(sure)
    drawn = chances_of(small, choice_of(small, found.cores, sure[0]))
    assert drawn.chance > 0.99
    assert drawn.low95 <= drawn.chance <= drawn.high95


def test_draws_of_a_lone_rectangular_tolerance_fail_as_often_as_arithmetic_says(small):
    """Sharing error 0 to s, rectangular: the crest passes a limit at a share x of s in 1 - x of the draws."""
    from dataclasses import replace

    found = search(small)
    choice = choice_of(small, found.cores, found.rows[-1])
    part = small.parts_of(choice)
    peak, n = small.requirement.rail_current_peak, choice.phase_count
    bench = small.bench_for(choice)
    from phasewright.physics import phase_ripple

    half = 0.5 * float(phase_ripple(12.0, small.requirement.rail_voltage, bench.regulator.inductor.inductance,
                                    choice.switching_frequency))
    at = peak / n * (1.0 + 0.75 * bench.regulator.sharing_error) + half
    stage = replace(part["stage"], figures=replace(part["stage"].figures, peak_current_rating=at))
    own = replace(small, catalogue=replace(small.catalogue, stage=(stage,)))
    drawn = chances_of(own, choice, draws=20_000)
    share = dict(drawn.first_to_fail)["power stage absolute maximum"]
    assert share == pytest.approx(0.25, abs=4.0 * math.sqrt(0.25 * 0.75 / 20_000))


def test_heat_that_runs_away_is_a_draw_that_failed(small):
    from dataclasses import replace

    found = search(small)
    choice = choice_of(small, found.cores, found.rows[-1])
    hot = tuple(replace(item, figures=replace(item.figures, plate_resistance=item.figures.plate_resistance * 4000.0))
                for item in small.catalogue.cooler)
    own = replace(small, catalogue=replace(small.catalogue, cooler=hot))
    drawn = chances_of(own, choice, draws=2000)
    assert drawn.chance == 0.0
    lost = judge(own, member_of(own, choice))
    assert lost.chance == 0.0 and math.isinf(lost.regulator_temperature)
    warm = tuple(replace(item, figures=replace(item.figures, plate_resistance=item.figures.plate_resistance * 25.0))
                 for item in small.catalogue.cooler)
    some = chances_of(replace(small, catalogue=replace(small.catalogue, cooler=warm)), choice, draws=2000)
    assert some.chance < 1.0
    assert len(search(own).rows) == 0
