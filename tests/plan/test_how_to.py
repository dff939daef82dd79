"""The how-to page runs as it stands; a plan learns from measured steps, held against the truth of the virtual bench."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from phasewright.plan import Workload, matrix, order_steps, start_marker, update_plan

PAGE = (Path(__file__).parents[2] / "docs" / "how-to" / "preflight.md").read_text(encoding="utf-8")


def test_the_blocks_of_the_page_run_and_say_what_it_says(board, monkeypatch, capsys):
    monkeypatch.chdir(board.parent)
    names: dict = {}
    for block in re.findall(r"```python\n(.*?)```", PAGE, flags=re.DOTALL):
        exec(compile(block, "preflight.md", "exec"), names)
    printed = capsys.readouterr().out
    assert "10 phases, 250 W" in printed
    assert "no-go - chance to trip over 99.9 %" in printed
    assert "156 A in total" in printed
    assert "Phase current from" in printed
    assert printed.count("Next: ") == 2
    assert "would teach most" in printed


def test_the_marker_of_the_page_is_the_marker():
    line = next(line for line in PAGE.splitlines() if line.startswith("2. "))
    told = [float(number) for number in re.findall(r"(\d+) s", line)]
    edges = [0.0]
    for length in told:
        edges.append(edges[-1] + length)
    assert tuple(zip(edges[::2], edges[1::2], strict=True)) == start_marker().pulses


def test_three_mild_steps_tell_which_hard_ones_trip(board, bench):
    from phasewright import analyze
    from phasewright.live import demo_scenario
    from phasewright.live.virtual.campaign import run_physics
    from phasewright.model import fit_model

    loads = (Workload("all cores, scalar code", 210.0), Workload("all cores, vector code", 300.0))
    plan = order_steps(bench, matrix(bench, (10, 8, 6, 5, 4, 3), loads))
    after = update_plan(plan, fit_model(analyze(board)))
    assert {item.name for item in after.steps if item.measured} == {
        "10 phases, 210 W",
        "8 phases, 210 W",
        "6 phases, 210 W",
    }
    scenario = demo_scenario()
    hard = ("10 phases, 300 W", "5 phases, 300 W", "4 phases, 300 W", "3 phases, 300 W")
    run, _ = run_physics(replace(scenario, steps=tuple(step for step in scenario.steps if step.name in hard)), 1)
    fate = {item.stretch.name: item for item in run.pieces if item.stretch.kind == "step"}
    compared = 0
    for item in after.steps:
        truth = fate.get(item.name)
        if truth is None:
            continue
        assert item.runnable == (truth.trip is None), item.name
        if truth.trip is None and not item.measured:
            peak = run.temperatures[truth.start : truth.end, run.network.nodes.stage].max()
            hot = item.forecast.quantities["regulator_temperature"]
            # The run ends before all is settled, so it may stay below; never above what is foreseen.
            assert peak < hot.high95 + 1.0
            assert peak == pytest.approx(hot.value, abs=10.0)
            compared += 1
    assert compared == 3
    before = {item.name: item.forecast.quantities["regulator_temperature"] for item in plan.steps}
    for item in after.steps:
        if not item.measured and item.runnable:
            hot = item.forecast.quantities["regulator_temperature"]
            assert hot.u < 0.6 * before[item.name].u
