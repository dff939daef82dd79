"""The closed forms of load steps against the exact switching simulation of the same regulator under a tuned loop.

The simulation knows nothing of the closed form: Kirchhoff's laws between switching edges, a digital loop of four samples a
period tuned for its phase margin. The closed form takes all phases to act at full slope after a delay; which delay stands
for a real loop is what these tests bound.
"""

from dataclasses import replace

import numpy as np
import pytest

from phasewright import physics
from phasewright.limits import margins_at
from phasewright.limits.electrical import LATE

SEED = 17
LOW = 30.0
"""[A] before the step."""


def drawn(number):
    """Return a random regulator and its greatest load step."""
    pick = np.random.default_rng([SEED, number])
    return {
        "phases": int(pick.integers(3, 13)), "inductance": float(pick.choice([100e-9, 150e-9, 220e-9])),
        "frequency": float(pick.choice([300e3, 500e3, 750e3])), "capacitance": 10.0 ** pick.uniform(-2.9, -1.9),
        "resistance": 10.0 ** pick.uniform(-3.9, -3.1), "load_line": float(pick.choice([0.0, 0.3e-3, 0.8e-3])),
        "step": float(pick.uniform(30.0, 120.0)), "slew": 10.0 ** pick.uniform(7.5, 9.0),
    }  # fmt: skip


def simulated(given):
    circuit = physics.Circuit(
        physics.Phases(given["phases"], given["inductance"], 0.3e-3, 3e-3, 1e-3), 12.0, given["frequency"],
        (physics.CapacitorBank(given["capacitance"], given["resistance"]),),
    )  # fmt: skip
    answer = physics.load_step_response(
        circuit, set_voltage=1.2, low_current=LOW, high_current=LOW + given["step"], load_slew=given["slew"],
        load_line=given["load_line"], sample_count=200,
    )  # fmt: skip
    before = 1.2 - given["load_line"] * LOW
    ripple = physics.steady_waveform(circuit, LOW, load_voltage=before).extremes("load_voltage").swing
    return answer, ripple


def foretold(given, periods, release):
    """Return the excursion [V] by the closed form, phases acting so many periods late; at least what the load line takes."""
    before = 1.2 - given["load_line"] * LOW
    volts = before - given["load_line"] * given["step"] if release else 12.0 - before
    slope = physics.total_slew(volts, given["inductance"], given["phases"])
    found = physics.load_step_excursion(given["step"], given["slew"], slope, given["capacitance"], given["resistance"],
                                        periods / given["frequency"])  # fmt: skip
    return max(float(found), given["load_line"] * given["step"])


@pytest.fixture(scope="module")
def cases():
    return [(given, *simulated(given)) for given in map(drawn, range(10))]


@pytest.mark.parametrize("release", [False, True])
def test_no_loop_beats_phases_that_act_at_once(cases, release):
    for given, answer, ripple in cases:
        got = answer.overshoot if release else answer.droop
        assert got > foretold(given, 0.0, release) - ripple


@pytest.mark.parametrize("release", [False, True])
def test_a_tuned_loop_lies_within_the_delay_that_stands_in_for_it(cases, release):
    """0 to 1.4 periods: nine of ten at least, and the middle neither flatters nor frightens."""
    within, ratios, worst = [], [], []
    for given, answer, ripple in cases:
        got = answer.overshoot if release else answer.droop
        within.append(got < foretold(given, 2.0 * LATE, release) + 0.5 * ripple)
        ratios.append((got - 0.5 * ripple) / foretold(given, LATE, release))
        worst.append((got - 0.5 * ripple) / foretold(given, 2.0 * LATE, release))
    assert np.mean(within) >= 0.9
    assert 0.75 < np.median(ratios) < 1.25 and max(worst) < 1.35


def test_without_a_stated_delay_the_margin_knows_that_phases_act_late(make):
    bench = make.full()

    def droop(**more):
        judged = margins_at(replace(bench, regulator=replace(bench.regulator, load_line=0.0, **more)), make.settled())
        return next(item for item in judged.margins if item.limit.applies_to == "droop")

    late = LATE / bench.regulator.switching_frequency
    silent, told, at_once = (droop(response_delay=delay) for delay in (None, late, 0.0))
    assert silent.figure.value == pytest.approx(told.figure.value, rel=1e-9)
    assert silent.figure.u > told.figure.u and silent.figure.value > at_once.figure.value
    assert "0.7 periods late" in silent.note and "late" not in told.note
