"""Whole simulated campaigns: files that pass the check, the same bytes for the same seed, and a truth that holds."""

import json
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from phasewright.bench import check_folder
from phasewright.live import Scenario, Truth, big_campaign, demo_scenario, make_campaign, random_scenario
from phasewright.live.virtual.campaign import run_scenario
from phasewright.live.virtual.scenario import PlannedStep


def content(folder):
    files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "campaign"
    return folder, make_campaign(folder, demo_scenario(), 7)


def brief(*steps, **changes):
    """A scenario on the demonstration's bench with few short steps."""
    steps = steps or (PlannedStep("eight", 8, 240.0, 40.0, baseline=True), PlannedStep("five", 5, 240.0, 40.0))
    return replace(demo_scenario(), steps=tuple(steps), **changes)


def test_demo_passes_the_check(demo):
    folder, _ = demo
    checked = check_folder(folder)
    assert checked.faults == ()
    assert checked.bench.simulated and checked.campaign.simulated
    assert len(checked.campaign.logs) == 3
    assert [step.name for step in checked.campaign.steps if step.baseline] == ["10 phases, 300 W"]


def test_demo_is_as_long_and_large_as_a_real_one(demo):
    folder, truth = demo
    assert 60 * 60 <= truth.signals.length <= 90 * 60
    assert 5e6 <= sum(path.stat().st_size for path in (folder / "logs").iterdir()) <= 15e6


@pytest.mark.parametrize("seed", [7, 8])
def test_demo_tells_its_story(demo, seed, tmp_path):
    """Few phases hold at the heavy load, at a price; the fewest trip, and the hurried step is not settled."""
    truth = demo[1] if seed == 7 else run_scenario(demo_scenario(), seed).truth
    verdicts = {step.name: step.verdict for step in truth.steps}
    assert verdicts["4 phases, 300 W"] == "sustained"
    assert verdicts["3 phases, 300 W"] == "tripped"
    assert verdicts["4 phases, fans slow"] == "unsettled"
    assert {verdicts[f"{n} phases, 300 W"] for n in (10, 8, 6, 5)} == {"sustained"}
    ten, four = truth.step("10 phases, 300 W"), truth.step("4 phases, 300 W")

    def efficiency(step):
        package, drawn = (truth.mean(name, step.start_s, step.end_s) for name in ("package_power", "input_power"))
        return package / drawn

    assert 0.02 < efficiency(ten) - efficiency(four) < 0.08
    assert 10.0 < four.settled_temperature - ten.settled_temperature < 40.0


def test_everything_says_simulated(demo):
    folder, truth = demo
    for name in ("bench.toml", "campaign.toml"):
        text = (folder / name).read_text(encoding="utf-8")
        assert text.startswith("# SIMULATED")
        assert tomllib.loads(text)["simulated"] is True
    for path in (folder / "logs").iterdir():
        assert path.read_text(encoding="utf-8").startswith("# simulated readings")
    assert truth.as_dict()["simulated"] is True


def test_truth_is_not_in_the_folder_and_is_plain_data(demo):
    folder, truth = demo
    logs = {"logs/host.txt", "logs/meter.csv", "logs/thermometer.tsv"}
    assert set(content(folder)) == {"bench.toml", "campaign.toml"} | logs
    assert json.loads(json.dumps(truth.as_dict()))["steps"][0]["state"] == "held"
    assert isinstance(truth, Truth) and isinstance(truth.scenario, Scenario)


def test_same_seed_same_bytes(tmp_path):
    for name, seed in (("a", 3), ("b", 3), ("c", 4)):
        make_campaign(tmp_path / name, brief(), seed)
    assert content(tmp_path / "a") == content(tmp_path / "b")
    assert content(tmp_path / "a")["logs/meter.csv"] != content(tmp_path / "c")["logs/meter.csv"]
    same = [random_scenario(np.random.default_rng(11)) for _ in range(2)]
    assert same[0] == same[1]


def test_a_folder_is_never_overwritten(tmp_path):
    make_campaign(tmp_path / "a", brief(), 3)
    before = content(tmp_path / "a")
    with pytest.raises(FileExistsError, match="already there"):
        make_campaign(tmp_path / "a", brief(), 4)
    assert content(tmp_path / "a") == before


@pytest.mark.parametrize("seed", range(12))
def test_random_benches_pass_the_check(tmp_path, seed):
    scenario = random_scenario(np.random.default_rng([seed, 5]))
    assert 6 <= scenario.bench.regulator.phase_count <= 14
    assert all(100.0 <= step.package_power <= 410.0 or step.name.endswith(" W") for step in scenario.steps)
    # The check needs the files, not the whole run: cut every step short.
    steps = tuple(replace(step, dwell=12.0) for step in scenario.steps)
    truth = make_campaign(tmp_path / "c", replace(scenario, steps=steps), seed)
    checked = check_folder(tmp_path / "c")
    assert checked.faults == ()
    assert len(truth.steps) == len(checked.campaign.steps) == len(steps)


def test_every_drawn_load_line_can_carry_its_load():
    """P = V (V_set - V)/R has a solution up to R P = V_set^2/4 only; a margin for peaks is kept."""
    for number in range(200):
        scenario = random_scenario(np.random.default_rng([1, number]))
        regulator = scenario.bench.regulator
        heaviest = max(step.package_power for step in scenario.steps)
        assert regulator.load_line * heaviest <= 0.19 * regulator.rail_voltage**2


def test_random_benches_are_what_they_should_be():
    drawn = [random_scenario(np.random.default_rng([seed, 6])) for seed in range(40)]
    assert {s.bench.cooling.coolant for s in drawn} == {"liquid", "air"}
    assert {s.bench.processor.kind for s in drawn} == {"processor", "graphics"}
    assert len({s.bench.regulator.phase_count for s in drawn}) >= 7
    columns = [c for s in drawn for i in s.instruments for c in i.columns]
    resolutions = {c.resolution for c in columns if c.signal == "regulator_temperature"}
    assert resolutions == {0.1, 1.0}
    assert {round(1 / s.instruments[0].period) for s in drawn} == {20, 50, 100, 200}


def test_errors_can_be_chosen(tmp_path):
    scenario = brief(errors={"host/package_power/gain": 1.2, "host/package_power/offset": -0.5})
    made = run_scenario(scenario, 3)
    assert made.truth.errors["host/package_power/gain"] == 1.2
    step = made.truth.step("eight")
    host = made.readings["host"]
    at = made.truth.clocks["host"][0].to_reference(host.stamp)
    inside = (at > step.start_s + 2.0) & (at < step.end_s)
    read = host.columns["package power"][inside].mean()
    true = made.truth.mean("package_power", at[inside][0] - 1.0, at[inside][-1])
    assert read == pytest.approx(true * (1.0 + 0.03 * 1.2) - 0.5, abs=0.1)
    assert set(made.truth.errors) == set(scenario.error_names)
    with pytest.raises(ValueError, match="host/package_power/gian"):
        run_scenario(brief(errors={"host/package_power/gian": 1.0}), 3)


def test_choosing_one_error_leaves_the_rest_of_the_campaign_as_it_was():
    plain, moved = (run_scenario(brief(errors=errors), 3) for errors in ({}, {"meter/input_power/gain": 2.0}))
    assert (plain.run.current == moved.run.current).all()
    assert (plain.readings["host"].columns["package power"] == moved.readings["host"].columns["package power"]).all()
    assert (plain.readings["meter"].columns["Ia"] != moved.readings["meter"].columns["Ia"]).any()


def test_a_trip_darkens_the_board_and_silences_the_machine():
    scenario = brief(PlannedStep("fine", 8, 240.0, 40.0), PlannedStep("too few", 2, 300.0, 60.0),
                     PlannedStep("after", 8, 240.0, 40.0))
    made = run_scenario(scenario, 3)
    step = made.truth.step("too few")
    assert (step.state, step.trip, step.verdicts) == ("tripped", "over_current_trip", {"tripped"})
    assert step.end_s == pytest.approx(step.trip_s)
    assert made.truth.mean("input_power", step.trip_s + 2.0, step.trip_s + 40.0) < 2.0
    at = made.truth.clocks["host"][0].to_reference(made.readings["host"].stamp)
    assert not ((at > step.trip_s + 1.0) & (at < step.trip_s + 50.0)).any()
    assert made.truth.step("after").state == "held"
    assert made.truth.step("after").start_s > step.trip_s + scenario.restart


def test_clamps_hold_the_current_back():
    limited = PlannedStep("clamped", 5, 280.0, 60.0, protection_phase_current=45.0, clamps=True)
    made = run_scenario(brief(limited, PlannedStep("free", 5, 280.0, 60.0)), 3)
    clamped, free = made.truth.step("clamped"), made.truth.step("free")
    assert (clamped.state, clamped.verdicts) == ("clamped", {"clamped"})
    assert made.truth.mean("rail_current", clamped.start_s, clamped.end_s) < 5 * 45.0
    assert made.truth.mean("rail_current", free.start_s, free.end_s) > 5 * 45.0
    assert made.truth.mean("protection_active", clamped.start_s + 2, clamped.end_s) > 0.9
    assert free.state == "held"


def test_power_limit_is_kept():
    made = run_scenario(brief(PlannedStep("limited", 8, 300.0, 120.0, power_limit=230.0)), 3)
    step = made.truth.step("limited")
    assert step.state == "clamped"
    assert made.truth.mean("package_power", step.start_s + 30.0, step.end_s) == pytest.approx(230.0, rel=0.02)


def test_temperature_warning_throttles_and_keeps_the_stage_there():
    scenario = brief(PlannedStep("hot", 3, 250.0, 240.0))
    protection = replace(scenario.bench.regulator.protection, temperature_warning=70.0, phase_current=130.0)
    regulator = replace(scenario.bench.regulator, protection=protection)
    made = run_scenario(replace(scenario, bench=replace(scenario.bench, regulator=regulator)), 3)
    step = made.truth.step("hot")
    assert step.state == "clamped"
    assert "temperature_warning" in step.held_back
    assert made.truth.mean("regulator_temperature", step.end_s - 60.0, step.end_s) == pytest.approx(70.0, abs=3.0)


def test_short_step_after_a_change_is_not_settled():
    scenario = brief(PlannedStep("long", 8, 150.0, 400.0), PlannedStep("short", 4, 300.0, 60.0))
    truth = run_scenario(scenario, 3).truth
    assert truth.step("long").settled and not truth.step("short").settled
    assert truth.step("short").verdict == "unsettled"
    # An extrapolation may decide it: every margin is surely positive where the step would settle.
    assert truth.step("short").verdicts == {"unsettled", "sustained"}
    assert all(margin.sign > 0 for margin in truth.step("short").margins)
    assert truth.step("short").remaining["regulator_temperature"] > 1.5


def test_periodic_load_repeats_itself():
    scenario = brief(PlannedStep("wave", 8, 240.0, 240.0), period=60.0, marker=False)
    made = run_scenario(scenario, 3)
    step = made.truth.step("wave")
    power = [made.truth.mean("input_power", step.start_s + t, step.start_s + t + 30.0) for t in range(0, 240, 30)]
    assert min(power[::2]) > 2.0 * max(power[1::2])


def test_markers_are_three_unequal_pulses():
    made = run_scenario(brief(), 3)
    start = next(piece.start for piece in made.run.pieces if piece.stretch.kind == "marker")
    high = made.signals.fine["input_power"].reshape(-1, 50).mean(axis=1)[start : start + 30] > 100.0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], high.astype(int), [0]])))
    assert list(edges[1::2] - edges[::2]) == [4, 2, 9]


def test_true_peak_is_the_greatest_mean():
    truth = run_scenario(brief(), 3).truth
    step = truth.step("eight")
    mean = truth.mean("package_power", step.start_s, step.end_s)
    slow, fast = (truth.peak("package_power", step.start_s, step.end_s, a) for a in (10.0, 0.1))
    assert mean < slow < fast
    assert fast < 1.4 * mean


def test_true_figures_by_the_names_of_the_findings():
    truth = run_scenario(brief(), 3).truth
    step = truth.step("five")
    window = step.start_s + 5.0, step.end_s - 5.0
    mean = {name: truth.mean(name, *window) for name in truth.channels()}
    figure = {name: truth.figure(name, "five", *window) for name in (
        "loss", "delivery_efficiency", "conversion_loss", "conversion_efficiency", "phase_current", "regulator_rise")}
    # Everything that leaves the input and does not reach the package: path, regulator, what hangs beside it.
    beside = mean["other_loads"] - 15.0
    assert figure["loss"] == pytest.approx(mean["path_loss"] + mean["regulator_loss"] + beside, rel=1e-9)
    assert figure["conversion_loss"] == pytest.approx(mean["path_loss"] + mean["regulator_loss"], rel=1e-9)
    assert figure["delivery_efficiency"] == pytest.approx(1.0 - figure["loss"] / mean["input_power"], rel=1e-9)
    assert 0.8 < figure["delivery_efficiency"] < figure["conversion_efficiency"] < 0.95
    assert figure["phase_current"] == pytest.approx(mean["rail_current"] / 5)
    assert truth.figure("input_power", "five", *window) == mean["input_power"]
    with pytest.raises(KeyError):
        truth.figure("happiness", "five", *window)


def test_big_campaign_has_the_wished_size(tmp_path):
    truth = big_campaign(tmp_path / "c", 6_000_000, 1)
    size = sum(path.stat().st_size for path in (tmp_path / "c" / "logs").iterdir())
    assert size == pytest.approx(6e6, rel=0.05)
    assert check_folder(tmp_path / "c").faults == ()
    assert {step.state for step in truth.steps} == {"held"}
    with pytest.raises(ValueError, match="size_bytes = 1000[)]"):
        big_campaign(tmp_path / "d", 1000, 1)
