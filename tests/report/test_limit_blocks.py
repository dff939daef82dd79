"""The ladder, ripple against phase count and the course of a load step: what is drawn is what the limits room says."""

from dataclasses import replace

import numpy as np
import pytest

from phasewright.bench import CapacitorBank, Inductor, Stage
from phasewright.limits import figures_at, relative
from phasewright.report.canvas import drawing
from phasewright.report.document import Layout
from phasewright.report.ladder import chosen_step, draw_ladder, ladder_table, rungs
from phasewright.report.limit_blocks import limit_blocks
from phasewright.report.switching import at_count, courses, draw_droop, draw_sweep, droop_table, sweep, sweep_table


@pytest.fixture
def stated(analysis):
    """The analysis on a bench that states all that ripple and load steps need."""
    bench = analysis.bench
    bank = CapacitorBank(capacitance=5e-3, resistance=0.4e-3, current_rating=30.0)
    regulator = replace(
        bench.regulator, switching_frequency=500e3, rail_voltage=1.1, load_line=0.2e-3, tolerance_band=25e-3,
        ripple_limit=8e-3, inductor=Inductor(inductance=150e-9), stage=Stage(), output_capacitors=bank,
        input_capacitors=bank, stages_per_phase=1,
    )  # fmt: skip
    processor = replace(bench.processor, load_step=100.0, load_slew=300e6)
    return replace(analysis, bench=replace(bench, regulator=regulator, processor=processor))


def test_ladder_has_a_rung_for_each_limit_in_the_order_in_which_they_give(analysis):
    finding = chosen_step(analysis)
    found = rungs(finding)
    assert {(m.limit.name, m.limit.applies_to) for m in found} == {
        (m.limit.name, m.limit.applies_to) for m in finding.margins
    }
    table = ladder_table(finding)
    assert len(table.rows) == len(found)
    assert [row[5] for row in table.rows] == pytest.approx([100.0 * relative(m) for m in found])
    with drawing():
        for layout in (Layout(920.0), Layout(358.0)):
            (axes,) = draw_ladder(finding, layout).axes
            assert len(axes.get_yticks()) == len(found)


def test_sweep_is_what_the_limits_say_at_each_phase_count(stated):
    swept = sweep(stated)
    assert swept
    fitted = stated.bench.regulator.phase_count
    table = sweep_table(swept)
    assert len(table.rows) == fitted * len(swept)
    one = swept[0]
    for count in (1, fitted):
        expected = figures_at(stated.bench, at_count(one.finding, count))
        assert one.figures[count]["input_capacitor_current"].value == expected["input_capacitor_current"].value
    with drawing():
        assert len(draw_sweep(stated, swept, Layout()).axes) == 2


def test_course_of_a_load_step_ends_on_or_short_of_the_load_line(stated):
    times, found = courses(stated, sweep(stated))
    assert len(found) >= 2
    target = 0.2e-3 * 100.0
    for one in found:
        assert np.all(one.step[times <= 0.0] == 0.0)
        for course in (one.step, one.release):
            assert course[-1] <= target + 1e-9
    peaks = [one.release.max() for one in found]
    assert peaks == sorted(peaks), "fewer phases rise higher"
    assert droop_table(times, found).rows
    with drawing():
        assert len(draw_droop(stated, times, found, Layout(358.0)).axes) == 2


def test_chapter_draws_the_three_figures(stated):
    names = [block.name for block in limit_blocks(stated) if hasattr(block, "draw")]
    assert names == ["ladder", "switching", "droop"]
