"""Differences and ratios of steps on the same instruments: against a general library and against sampling."""

import numpy as np
import pytest
import uncertainties

from phasewright.findings import to_json
from phasewright.quantity import monte_carlo


def pair(hand, **options):
    base = hand.Played("12 phases", {"phase_count": 12, "load": "x"}, {"input_power": 300.0}, baseline=True)
    less = hand.Played("6 phases", {"phase_count": 6, "load": "x"}, {"input_power": 330.0, "package_power": 251.0})
    return hand.analyzed(base, less, **options)


def as_correlated(values):
    """Return the values as numbers of the uncertainties package, correlated through the sources that they share."""
    sources = sorted({part.source for value in values for part in value.parts})
    columns = np.array(
        [[{p.source: p.contribution for p in value.parts}.get(source, 0.0) for source in sources] for value in values]
    )
    return uncertainties.correlated_values([value.value for value in values], columns @ columns.T)


@pytest.mark.parametrize(
    ("name", "function"),
    [
        ("input_power", lambda i, p: i),
        ("package_power", lambda i, p: p),
        ("loss", lambda i, p: i - p),
        ("delivery_efficiency", lambda i, p: p / i),
    ],
)
def test_correlated_comparison_agrees_with_the_uncertainties_package(hand, name, function):
    analysis = pair(hand)
    base, less = (step.quantities for step in analysis.steps)
    given = as_correlated([less["input_power"], less["package_power"], base["input_power"], base["package_power"]])
    after, before = function(*given[:2]), function(*given[2:])
    found = analysis.comparisons[0]
    assert found.differences[name].value == pytest.approx((after - before).n, rel=1e-9)
    assert found.differences[name].u == pytest.approx((after - before).s, rel=1e-6)
    assert found.ratios[name].value == pytest.approx((after / before).n, rel=1e-9)
    assert found.ratios[name].u == pytest.approx((after / before).s, rel=1e-6)


def test_correlated_comparison_agrees_with_sampling(hand):
    analysis = pair(hand)
    base, less = (step.quantities for step in analysis.steps)
    given = {
        "i1": less["input_power"],
        "p1": less["package_power"],
        "i0": base["input_power"],
        "p0": base["package_power"],
    }
    found = analysis.comparisons[0]
    sampled = monte_carlo(
        lambda i1, p1, i0, p0: (i1 - p1) - (i0 - p0), given, 200_000, np.random.default_rng(5), unit="W"
    )
    loss = found.differences["loss"]
    assert loss.value == pytest.approx(sampled.value, abs=0.02)
    assert loss.u == pytest.approx(sampled.u, rel=0.02)
    assert (loss.low95, loss.high95) == pytest.approx((sampled.low95, sampled.high95), abs=0.05)


def test_difference_on_the_same_meter_is_tighter_than_either_figure(hand):
    analysis = pair(hand)
    base, less = (step.quantities["input_power"] for step in analysis.steps)
    assert analysis.comparisons[0].differences["input_power"].u < 0.25 * min(base.u, less.u)


def test_offset_cancels_in_a_difference_and_gain_in_a_ratio(hand):
    found = pair(hand, noise={}).comparisons[0]
    coolant = found.differences["coolant_temperature"]
    assert coolant.unit == "K" and coolant.u == pytest.approx(0.0, abs=1e-9)
    sources = {part.source: part.contribution for part in found.ratios["input_power"].parts}
    assert sources["meter/input_power/gain"] == pytest.approx(0.0, abs=1e-12)


def test_unknown_accuracy_makes_the_difference_unknown_with_the_line_to_add(hand):
    from dataclasses import replace

    bench = hand.bench()
    silent = replace(bench, instruments=tuple(replace(item, accuracy={}) for item in bench.instruments))
    found = pair(hand, bench=silent)
    difference = found.comparisons[0].differences["input_power"]
    assert difference.u is None and "[instrument.accuracy.input_power]" in difference.reason
    assert to_json(found)["comparisons"][0]["differences"]["input_power"]["u"] is None


def names(analysis):
    return [(item.step, item.baseline) for item in analysis.comparisons]


def test_marked_baseline_of_the_same_load_is_taken(hand):
    steps = [
        hand.Played("light 12", {"phase_count": 12, "load": "light"}),
        hand.Played("light 8", {"phase_count": 8, "load": "light"}, baseline=True),
        hand.Played("light 6", {"phase_count": 6, "load": "light"}),
    ]
    analysis = hand.analyzed(*steps)
    assert names(analysis) == [("light 12", "light 8"), ("light 6", "light 8")]
    assert analysis.comparisons[0].reason == "the campaign's baseline, at the same load"


def test_each_load_has_its_own_baseline(hand):
    steps = [
        hand.Played("light 12", {"phase_count": 12, "load": "light"}, baseline=True),
        hand.Played("light 6", {"phase_count": 6, "load": "light"}),
        hand.Played("heavy 10", {"phase_count": 10, "load": "heavy"}),
        hand.Played("heavy 6", {"phase_count": 6, "load": "heavy"}),
    ]
    analysis = hand.analyzed(*steps)
    assert names(analysis) == [("light 6", "light 12"), ("heavy 10", "light 12"), ("heavy 6", "heavy 10")]
    reasons = [item.reason for item in analysis.comparisons]
    assert "another load" in reasons[1] and "most phases (10)" in reasons[2]


def test_without_marks_or_loads_the_measured_power_tells_the_loads_apart(hand):
    steps = [
        hand.Played("a", {"phase_count": 6}, {"package_power": 250.0}),
        hand.Played("b", {"phase_count": 12}, {"package_power": 252.0}),
        hand.Played("c", {"phase_count": 12}, {"package_power": 120.0, "input_power": 150.0}),
    ]
    assert names(hand.analyzed(*steps)) == [("a", "b")]


def test_a_tripped_step_is_no_baseline(hand):
    steps = [
        hand.Played("12", {"phase_count": 12, "load": "x"}, outcome="tripped"),
        hand.Played("10", {"phase_count": 10, "load": "x"}),
        hand.Played("8", {"phase_count": 8, "load": "x"}),
    ]
    assert names(hand.analyzed(*steps)) == [("12", "10"), ("8", "10")]
