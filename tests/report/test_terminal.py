"""The results in a terminal: 80 columns, units in the heads, intervals, verdict words."""

import re
from dataclasses import replace

import pytest

from phasewright.report import answers_text, results_table
from phasewright.report.terminal import MOST_ROWS


def test_eighty_columns_with_units_intervals_and_verdicts(analysis):
    text = results_table(analysis)
    lines = text.splitlines()
    assert max(len(line) for line in lines) <= 80
    assert text.isascii() is False and "\u202f" not in text and "\u00a0" not in text
    assert "\u22122.4 ± 2.6 A" in text and "\u22121.9" in text and not re.search(r"(?<![\w.])-\d", text), "true minus signs"
    for unit in ("/ W", "/ %", "/ °C"):
        assert unit in text
    for finding in analysis.steps:
        row = next(line for line in lines if line.startswith(finding.step.name[:14]))
        assert finding.verdict in row
        if "input_power" in finding.quantities:
            assert "±" in row and f"{finding.quantities['input_power'].value:.1f}" in row
    assert "simulated" in lines[0]
    assert "* baseline" in text


def test_columns_line_up(analysis):
    lines = results_table(analysis).splitlines()
    rule = next(i for i, line in enumerate(lines) if line.startswith("---"))
    rows = [line for line in lines[rule + 1 : rule + 9] if "tripped" not in line]
    assert len({line.index("±") for line in rows}) == 1


def test_measured_campaigns_do_not_say_simulated(make):
    real = make.analysis(simulated=False)
    assert "imulated" not in results_table(real) + answers_text(real)


def test_many_steps_degrade_gracefully(make):
    plans = tuple(
        make.Plan(f"step {i:03d} with a rather long name", 4 + i % 11, 200.0 + i, "sustained") for i in range(150)
    )
    text = results_table(make.analysis(plans=plans))
    lines = text.splitlines()
    assert max(len(line) for line in lines) <= 80
    assert f"{150 - MOST_ROWS} more steps are not shown" in " ".join(text.split())
    assert sum(line.startswith("step ") for line in lines) == 2 * MOST_ROWS  # once with its figures, once with its limit


@pytest.mark.parametrize("count", [0, 1])
def test_few_steps(make, count):
    base = make.analysis()
    few = replace(base, steps=base.steps[:count], comparisons=())
    assert "80" not in results_table(few) or count
    assert max(len(line) for line in results_table(few).splitlines()) <= 80


def test_missing_figures_are_left_out_not_invented(make):
    base = make.analysis()
    bare = replace(base, steps=tuple(replace(f, quantities={}, margins=()) for f in base.steps))
    text = results_table(bare)
    assert "±" not in text.split("\n", 3)[3] and "tripped" in text


def test_answers_are_wrapped(analysis):
    text = answers_text(analysis)
    assert max(len(line) for line in text.splitlines()) <= 80
    for answer in analysis.answers:
        assert answer.question in text
        assert " ".join(answer.sentence.split()) in " ".join(text.split())


def test_foreign_names_stay_on_their_line(make):
    text = results_table(make.analysis(campaign_name="evil\nStep  n  fake \x1b[31m"))
    assert "\x1b" not in text and "evil\\nStep" in text
