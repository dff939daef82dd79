"""A plan as table, as steps, and as text that campaign.toml takes."""

import tomllib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.bench import Step, check_folder, lay_down, read_campaign
from phasewright.plan import ROW_HEADS, Workload, matrix, order_steps, plan_rows, plan_steps, plan_text
from phasewright.plan.rows import UNITS, _written, time_text
from phasewright.quantity import Value


@pytest.fixture(scope="module")
def plan(bench):
    wanted = matrix(
        bench,
        (8, 6, 2),
        (Workload('vector "quoted" \\ load', 290.0), Workload("scalar", rail_current=150.0)),
        (None, 34.5),
        settings={"fan_duty": 0.65, "protection_phase_current": 90.0},
    )
    return order_steps(bench, wanted)


def test_rows_have_a_cell_for_each_head(plan):
    rows = plan_rows(plan.steps)
    assert [row.step for row in rows] == [item.name for item in plan.steps]
    for row, item in zip(rows, plan.steps, strict=True):
        cells = row.cells()
        assert len(cells) == len(ROW_HEADS)
        assert cells[1] == str(item.forecast.step.settings["phase_count"])
        assert cells[-1] == item.forecast.verdict
        assert "regulator 110 °C" in cells[7]
        low = item.forecast.quantities["regulator_temperature"].low95
        assert low is None or f"({low:.0f} to " in cells[4]


def test_unknown_figures_are_said_not_left_blank(bench):
    from phasewright.plan import preflight

    wanted = [{"phase_count": 1, "package_power": 900.0}, {"phase_count": 4, "load": "all cores"}]
    runaway, no_load = (row.cells() for row in plan_rows(preflight(bench, wanted).steps))
    assert runaway[4] in ("not known", "over 400")
    wide = Value(90.0, "degC", u=100.0, low95=40.0, high95=600.0)
    assert replace(plan_rows(preflight(bench, wanted).steps)[0], regulator_temperature=wide).cells()[4] == (
        "90 (40 to over 400)"
    )
    assert no_load[3:6] == ("not known", "not known", "not known")


@pytest.mark.parametrize(
    ("seconds", "text"), [(50.0, "50 s"), (60.0, "1 min"), (400.0, "6 min 40 s"), (3600.0, "60 min")]
)
def test_times_as_people_read_them(seconds, text):
    assert time_text(seconds) == text


def test_steps_follow_each_other_after_the_marker(plan):
    run = [item for item in plan.steps if item.runnable]
    steps = plan_steps(plan)
    assert [step.name for step in steps] == [item.name for item in run]
    clock = plan.marker.duration
    for step, item in zip(steps, run, strict=True):
        start, end = (float(text.removesuffix(" s")) for text in (step.start, step.end))
        assert start == pytest.approx(clock + item.cool_down, abs=0.5)
        assert end - start == pytest.approx(item.dwell, abs=1.0)
        clock = end
    assert clock == pytest.approx(plan.duration, abs=1.0)
    assert all(step.start == "" for step in plan_steps(plan, times=False))


def test_campaign_takes_the_text_and_reads_back_the_same_steps(plan, tmp_path):
    folder = tmp_path / "campaign"
    lay_down(folder)
    head = 'format = "phasewright-campaign-1"\nname = "planned"\n\n'
    (folder / "campaign.toml").write_text(head + plan_text(plan), encoding="utf-8")
    checked = check_folder(folder)
    assert checked.campaign is not None, checked.faults
    assert not checked.faults
    steps = read_campaign(folder).steps
    assert [step.name for step in steps] == [step.name for step in plan_steps(plan)]
    for found, wanted in zip(steps, plan_steps(plan), strict=True):
        assert found.settings.keys() == wanted.settings.keys()
        for key, value in wanted.settings.items():
            assert found.settings[key] == (value if isinstance(value, str) else pytest.approx(value, rel=1e-11))
        assert (found.start, found.end, found.note, found.baseline) == (
            wanted.start,
            wanted.end,
            wanted.note,
            wanted.baseline,
        )


def test_what_is_not_to_be_run_stands_as_a_comment(plan):
    text = plan_text(plan)
    left_out = [item for item in plan.steps if not item.runnable]
    assert left_out
    blocks = tomllib.loads(text)["step"]
    for item in left_out:
        assert f"# not to be run: {item.name} - " in text
        assert item.name not in [block["name"] for block in blocks]
    assert "on for 3 s, off for 4 s" in text


@settings(max_examples=60, deadline=None)
@given(name=st.text(min_size=1, max_size=40), load=st.text(min_size=1, max_size=40))
def test_any_name_and_load_make_a_file_that_can_be_read(plan, name, load):
    first = plan.steps[0]
    step = replace(first.forecast.step, name=name, settings={**first.forecast.step.settings, "load": load}, note=load)
    renamed = replace(first, forecast=replace(first.forecast, step=step, verdict="go with care", reasons=(name,)))
    text = plan_text(replace(plan, readiness=replace(plan.readiness, steps=(renamed,))))
    (block,) = tomllib.loads(text)["step"]
    assert (block["name"], block["load"], block["note"]) == (name, load, load)


@given(st.sampled_from(sorted(UNITS)), st.floats(1e-3, 1e5))
def test_numbers_are_written_with_their_unit_and_read_back(key, value):
    from phasewright.quantity import parse_quantity

    unit = {"%": "1"}.get(UNITS[key], UNITS[key])
    assert parse_quantity(_written(key, value), unit) == pytest.approx(value, rel=1e-11)


def test_every_setting_that_a_step_can_have_can_be_written():
    from phasewright.bench import json_schema

    schema = json_schema("campaign")
    block = (
        schema["$defs"]["StepKeys"]["properties"]
        if "$defs" in schema
        else schema["properties"]["step"]["items"]["properties"]
    )
    words = {"name", "load", "cooling", "start", "end", "clock", "files", "outcome", "note", "baseline", "duration"}
    words |= {"window_start", "window_end"}  # said of what was measured, never planned
    assert set(block) - words - {"phase_count"} == set(UNITS)


def test_names_cannot_break_out_of_a_comment(bench):
    wanted = [
        Step("two\nphases", {"phase_count": 2, "package_power": 320.0}),
        {"phase_count": 8, "package_power": 200.0},
    ]
    blocks = tomllib.loads(plan_text(order_steps(bench, wanted)))["step"]
    assert [block["name"] for block in blocks] == ["8 phases, 200 W"]
