"""Limits worked out on columns: published rows for many states in one call, and what draws do."""

from dataclasses import replace

import numpy as np
import pytest

from phasewright.bench import Bench, Board, CapacitorBank, Cooling, Inductor, Processor, Protection, Regulator, Stage
from phasewright.limits import Column, column_margins, draw_parts

COUNTS = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0, 12.0])
MB_24 = [60.011, 40.031, 30.612, 24.597, 20.156, 16.559, 13.424, 10.490, 3.543, 7.013]
MB_14 = [12.2727, 10.9091, 9.5455, 8.1818, 6.8182, 5.4545, 4.0909, 2.7273, 0.0, 1.8182]


def bench(**inductor):
    """Return a bench without resistances, so that the duty is that of the source."""
    regulator = Regulator(
        name="published", phase_count=12, switching_frequency=400e3, rail_voltage=1.2, sharing_error=0.0,
        stage=Stage(peak_current_rating=500.0),
        inductor=Inductor(inductance=0.22e-6, saturation_current=500.0, current_rating=500.0, tolerance=0.0, **inductor),
        output_capacitors=CapacitorBank(1e-3, 1e-3, current_rating=100.0, tolerance=0.0),
        input_capacitors=CapacitorBank(1e-3, 1e-3, current_rating=100.0), protection=Protection())
    return Bench("published", Board("published", input_voltage=12.0), regulator, Processor(), Cooling(), ())


def figures(given, quantities, base=None, **options):
    exact = {name: Column(value) for name, value in quantities.items()}
    found = column_margins(base or bench(), given, exact, **options)
    return {item.applies_to: item for item in found}


def test_mb_24_and_mb_14_for_every_phase_count_in_one_call():
    """MB-19 applied to 200 A, D = 0.1, dI 12.2727 A; MB-09 applied, effective value of a triangle (ADP2102 p. 21)."""
    found = figures({"phase_count": COUNTS}, {"rail_current": 200.0, "rail_voltage": 1.2, "input_voltage": 12.0})
    assert found["input_capacitor_current"].figure.value == pytest.approx(MB_24, abs=2e-3)
    assert found["output_capacitor_current"].figure.value * np.sqrt(12.0) == pytest.approx(MB_14, abs=1e-3)
    assert found["input_capacitor_current"].value == pytest.approx(100.0 - np.array(MB_24), abs=2e-3)


def test_mb_06_current_of_an_inductor_as_the_data_sheet_prints_it():
    """Data sheet SLUS930B p. 52, Eq. 37-39: 14 V to 1.2 V, 750 nH, 300 kHz, 20 A; 20.05 A and 22.44 A printed."""
    given = {"phase_count": 1.0, "regulator.inductor.inductance": np.array([750e-9, 1500e-9]),
             "regulator.switching_frequency": 300e3}
    found = figures(given, {"rail_current": 20.0, "rail_voltage": 1.2, "input_voltage": 14.0})
    assert found["phase_current_rms"].figure.value[0] == pytest.approx(20.05, abs=0.005)
    assert found["phase_current_crest"].figure.value[0] == pytest.approx(22.44, abs=0.005)
    assert found["phase_current_crest"].figure.value[1] == pytest.approx(20.0 + 4.8762 / 4.0, abs=0.005)


def test_at_a_duty_of_one_tenth_ten_phases_are_least_and_curvature_tells():
    """The first order sees next to no uncertainty where the current is least; the score counts what bends."""
    base = bench()
    base = replace(base, regulator=replace(base.regulator,
                                           input_capacitors=replace(base.regulator.input_capacitors, current_rating=4.5)))
    sure = {name: Column(value) for name, value in (("rail_current", 200.0), ("rail_voltage", 1.2))}
    found = {item.applies_to: item for item in column_margins(base, {"phase_count": 10.0}, sure)}
    item = found["input_capacitor_current"]
    generator = np.random.default_rng(4)
    given, drawn = draw_parts(base, 20_000, generator)
    told = {m.applies_to: m for m in column_margins(base, {**given, "phase_count": 10.0}, {**sure, **drawn}, certain=True)}
    fails = np.mean(told["input_capacitor_current"].value < 0.0)
    first = float(item.value / item.u)
    assert fails > 0.2
    assert first > 4.0, "the first order alone would call this safe"
    assert item.score < 1.5


def test_draws_stay_within_their_tolerances_and_have_their_spread():
    base = bench()
    base = replace(base, regulator=replace(base.regulator, inductor=replace(base.regulator.inductor, tolerance=0.1)))
    given, drawn = draw_parts(base, 40_000, np.random.default_rng(1))
    ratio = given["regulator.inductor.inductance"] / 0.22e-6
    assert ratio.min() >= 0.9 and ratio.max() <= 1.1
    assert np.std(ratio) == pytest.approx(0.1 / np.sqrt(3.0), rel=0.02)  # JCGM 100, 4.3.7: a/sqrt(3)
    assert np.std(drawn["input_voltage"].value) == pytest.approx(0.6 / np.sqrt(3.0), rel=0.02)
