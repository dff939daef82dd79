"""Checks of the telemetry from the data alone: each one raised by readings made wrong, and quiet on right ones."""

from dataclasses import replace

import numpy as np
import pytest

from phasewright.bench import Accuracy
from phasewright.findings.checks import check_readings
from phasewright.quantity import Part, Value, value_from_parts


def outcome(analysis, name):
    return next(check for check in analysis.checks if check.name == name)


def loads(hand, gain=1.0, offset=0.0):
    """Two loads at 8 phases with a true slope of 1.10, package power reading `gain` too high."""
    steps = []
    for load, package in (("light", 150.0), ("heavy", 300.0)):
        levels = {
            "package_power": gain * package + offset,
            "input_power": 20.0 + 1.10 * package,
            "rail_current": 0.8 * package,
        }
        steps.append(hand.Played(f"8 {load}", {"phase_count": 8, "load": load}, levels))
    return hand.analyzed(*steps)


def test_efficiency_above_one_beyond_accuracy_is_a_sure_doubt(hand):
    analysis = hand.analyzed(hand.Played(levels={"package_power": 350.0}))
    found = outcome(analysis, "efficiency")
    assert found.outcome == "doubt" and "wrong beyond its stated accuracy" in found.sentence
    assert f"doubt: {found.sentence}" in analysis.notes


def test_efficiency_above_one_within_accuracy_is_a_doubt_too(hand):
    found = outcome(hand.analyzed(hand.Played(levels={"package_power": 303.0})), "efficiency")
    assert found.outcome == "doubt" and "within its stated accuracy" in found.sentence


def test_slope_below_one_proves_that_the_delivered_power_reads_high(hand):
    """Reliability note, 5.2: a slope below 1 anywhere proves over-reading; a slope above 1 proves nothing."""
    wrong = outcome(loads(hand, gain=1.15), "slope")
    assert wrong.outcome == "doubt" and "reads too high" in wrong.sentence
    assert wrong.numbers["slope"].value == pytest.approx(1.10 / 1.15, rel=2e-3)
    right = outcome(loads(hand), "slope")
    assert right.outcome == "passed" and "proves nothing" in right.sentence


def test_slope_is_not_taken_across_phase_counts(hand):
    steps = [
        hand.Played("a", {"phase_count": 12, "load": "light"}, {"package_power": 150.0, "input_power": 190.0}),
        hand.Played("b", {"phase_count": 6, "load": "heavy"}, {"package_power": 300.0, "input_power": 320.0}),
    ]
    assert outcome(hand.analyzed(*steps), "slope").outcome == "not checked"


@pytest.mark.parametrize(("current", "word"), [(100.0, "close to 0.5"), (50.0, "close to 0.25"), (208.0, "passed")])
def test_ratio_near_a_power_of_two_is_a_scale_setting(hand, current, word):
    found = outcome(hand.analyzed(hand.Played(levels={"rail_current": current, "rail_voltage": 1.2})), "ratio")
    assert (found.outcome == "passed") if word == "passed" else (found.outcome == "doubt" and word in found.sentence)


def test_rail_above_package_is_a_doubt(hand):
    found = outcome(hand.analyzed(hand.Played(levels={"rail_current": 260.0})), "ratio")
    assert found.outcome == "doubt" and "more than the whole package" in found.sentence


def test_ratio_that_follows_temperature_is_the_current_sense(hand):
    """Inductor sense without correction follows copper, 0.39 % a kelvin (reliability note, 5.1)."""
    steps = []
    for index, temperature in enumerate((45.0, 55.0, 65.0, 75.0, 85.0)):
        current = 195.0 * (1.0 + 0.0039 * (temperature - 45.0))
        steps.append(
            hand.Played(
                str(index),
                {"phase_count": 8, "load": str(index)},
                {"regulator_temperature": temperature, "rail_current": current},
            )
        )
    found = outcome(hand.analyzed(*steps), "ratio")
    assert found.outcome == "doubt" and "without temperature correction" in found.sentence
    assert found.numbers["drift"] == pytest.approx(0.0036, rel=0.1)


def test_phase_currents_that_do_not_add_up(hand):
    levels = {f"rail_current.phase_{k}": 25.0 for k in range(1, 9)}
    assert outcome(hand.analyzed(hand.Played(levels=levels)), "phases").outcome == "passed"
    short = {**levels, "rail_current.phase_3": 12.0}
    found = outcome(hand.analyzed(hand.Played(levels={**short, "rail_current": 205.0})), "phases")
    assert found.outcome == "doubt" and "add up to" in found.sentence


def test_phase_that_should_be_off_but_carries_current(hand):
    levels = {f"rail_current.phase_{k}": 25.0 for k in range(1, 9)}
    found = outcome(hand.analyzed(hand.Played(settings={"phase_count": 7, "load": "x"}, levels=levels)), "phases")
    assert found.outcome == "doubt" and "8 phases carry current, 7 should" in found.sentence


def test_balance_of_voltage_times_current_against_power(hand):
    right = {"input_voltage": 12.0, "input_current": 25.0}
    assert outcome(hand.analyzed(hand.Played(levels=right)), "balance").outcome == "passed"
    found = outcome(hand.analyzed(hand.Played(levels={**right, "input_current": 26.0}), noise={}), "balance")
    assert found.outcome == "doubt" and "+4.0 % off input power" in found.sentence


def test_rail_that_carries_more_than_goes_in(hand):
    found = outcome(hand.analyzed(hand.Played(levels={"rail_current": 260.0, "package_power": 290.0})), "balance")
    assert found.outcome == "doubt" and "more than goes in" in found.sentence


def test_stuck_sensor(hand):
    steps = [
        hand.Played("a", {"phase_count": 12, "load": "x"}, {"input_power": 290.0}),
        hand.Played("b", {"phase_count": 6, "load": "x"}, {"input_power": 330.0}),
    ]
    found = outcome(hand.analyzed(*steps, noise={}), "readings")
    assert found.outcome == "doubt" and "regulator temperature" in found.sentence
    noisy = outcome(hand.analyzed(*steps), "readings")
    assert noisy.outcome == "passed"


# ---- thermal cross-check ------------------------------------------------------------------------------------------


def steady_points(hand, gain, generator, count=24, stage=1.6, plate=0.12):
    """Return findings of settled steps whose rise follows the true loss while delivered power reads `gain` too high."""
    template = hand.fixed.steps[0]
    found = []
    for index in range(count):
        phases = float((4, 6, 8, 10, 12, 14)[index % 6])
        package = (120.0, 200.0, 280.0, 360.0)[index // 6]
        loss = 8.0 + 0.5 * phases + 0.06 * package + 4.5e-3 * package**2 / phases
        rise = (stage / phases + plate) * loss + 0.2 * generator.standard_normal()
        noisy = lambda x: x * (1.0 + 1e-3 * generator.standard_normal())  # noqa: E731
        values = {
            "input_power": noisy(package + loss),
            "package_power": noisy(gain * package),
            "phase_count": phases,
        }
        quantities = {
            name: Value(value, "W", 1.0, value - 2, value + 2, "measured", (Part(name, 1.0),))
            for name, value in values.items()
        }
        quantities["regulator_rise"] = value_from_parts(rise, "K", [Part(f"{index}/statistics", 0.2)])
        found.append(replace(template, quantities=quantities))
    return found


@pytest.mark.parametrize("gain", [0.95, 1.00, 1.05])
def test_thermal_cross_check_finds_the_gain_of_the_delivered_power(hand, gain):
    """Reliability note, 5.2: 24 steady points over several phase counts, 0.1 % power noise and 0.2 K: within 0.01."""
    results = []
    for seed in range(6):
        points = steady_points(hand, gain, np.random.default_rng(seed))
        check = next(item for item in check_readings(hand.bench(), {}, points) if item.name == "thermal")
        results.append(1.0 / check.numbers["gain"].value)
    assert np.mean(results) == pytest.approx(gain, abs=0.006)
    assert np.std(results) < 0.008


def test_thermal_cross_check_raises_a_doubt_only_beyond_its_own_doubts(hand):
    def said(gain):
        points = steady_points(hand, gain, np.random.default_rng(1))
        return next(item for item in check_readings(hand.bench(), {}, points) if item.name == "thermal")

    assert said(1.0).outcome == "passed" and said(1.15).outcome == "doubt"
    assert "reads high" in said(1.15).sentence.replace("seems to read high", "reads high")
    assert "a flag only" in said(1.15).sentence


def test_thermal_cross_check_needs_enough_steps(hand):
    points = steady_points(hand, 1.0, np.random.default_rng(1), count=5)
    found = next(item for item in check_readings(hand.bench(), {}, points) if item.name == "thermal")
    assert found.outcome == "not checked" and "there are 5 over 5" in found.sentence


def test_every_doubt_stands_in_the_notes(hand):
    bench = hand.bench()
    host = replace(bench.instruments[1], accuracy={**hand.HOST, "package_power": Accuracy(gain=0.001)})
    analysis = hand.analyzed(
        hand.Played(levels={"package_power": 350.0}), bench=replace(bench, instruments=(bench.instruments[0], host))
    )
    doubts = [check for check in analysis.checks if check.outcome == "doubt"]
    assert doubts and all(f"doubt: {check.sentence}" in analysis.notes for check in doubts)
