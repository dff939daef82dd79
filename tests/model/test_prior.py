"""The prior: what part data say before anything is measured."""

import pytest

from phasewright.bench import Bench, Board, Cooling, Processor, Regulator
from phasewright.model import fitted_prior, predict, prior_of


def test_common_practice_from_8_to_2_phases_heat_doubles(untouched):
    """Common practice, no source: on one liquid-cooled board going from 8 phases to 2 at constant load took the
    regulator from 50 to 100 degC and delivery efficiency from 85 % to 77 %."""
    many, few = (
        predict(untouched, {"phase_count": n, "package_power": 215.0, "coolant_temperature": 35.0}) for n in (8, 2)
    )
    hot = [item.quantities["regulator_temperature"].value for item in (many, few)]
    share = [item.quantities["delivery_efficiency"].value for item in (many, few)]
    assert hot[0] == pytest.approx(50.0, abs=5.0)
    assert hot[1] == pytest.approx(100.0, abs=12.0)
    assert share[0] == pytest.approx(0.85, abs=0.015)
    assert share[1] == pytest.approx(0.77, abs=0.015)


def test_silence_of_the_bench_is_said_and_widens():
    silent = Bench("silent", Board("board"), Regulator("rail", 8), Processor(), Cooling("liquid"), ())
    prior = prior_of(silent)
    assert any("thermal resistance of a stage is not stated" in note for note in prior.notes)
    assert any("edge times" in note and "bench.toml" in note for note in prior.notes)
    assert not prior.belief("phase_resistance").stated
    assert prior.belief("phase_resistance").spread > 0.2


def test_stated_parts_leave_no_notes(bench):
    prior = prior_of(bench)
    assert not [note for note in prior.notes if "stage" in note or "inductor" in note]
    assert prior.belief("phase_resistance").spread < 0.15


def test_prior_alone_says_that_the_prior_decided(untouched):
    assert {item.decided_by for item in untouched.parameters} == {"prior"}
    assert fitted_prior(untouched.prior).step_count == 0
