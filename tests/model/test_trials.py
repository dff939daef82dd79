"""Whole simulated campaigns: the short version of benchmarks/model_trials.py, which holds the goals in numbers."""

import importlib.util
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from phasewright.app import jobs
from phasewright.bench import NotReady
from phasewright.live import demo_scenario, make_campaign
from phasewright.model import fit_model, from_dict, gain_check, model_json, predict, settled_temperature, to_dict

BENCHMARK = Path(__file__).parents[2] / "benchmarks" / "model_trials.py"


@pytest.fixture(scope="module")
def trials():
    spec = importlib.util.spec_from_file_location("model_trials", BENCHMARK)
    module = importlib.util.module_from_spec(spec)
    sys.modules["model_trials"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("model") / "demo"
    truth = make_campaign(folder, demo_scenario(), 3)
    return jobs.analyze(folder), truth


@pytest.fixture(scope="module")
def fitted(demo):
    return fit_model(demo[0])


def test_higher_phase_counts_foretell_lower_ones_and_short_steps_settled_ones(trials):
    results = [trials.run_trial(number, trials.SEED) for number in range(3)]
    assert not [item["failure"] for item in results if "failure" in item]
    lower = [row for item in results for row in item["lower"]["rows"]]
    short = [row for item in results for row in item["short"]["rows"] if not row["fan"]]
    assert len(lower) > 3 and len(short) > 8
    assert np.median([abs(row["error"]) for row in lower]) < 3.0
    assert max(abs(row["error"]) for row in lower) < 8.0
    assert not [pair for item in results for pair in item["lower"]["verdicts"]
                if pair[0] != "held" and pair[1] == "sustained"]  # fmt: skip
    assert np.median([abs(row["reading_error"]) for row in short]) < 3.0
    assert np.mean([row["reading_held"] for row in short]) > 0.6
    assert "planted gains" in trials.table(results)
    spoiled = [item | {"lower": item["lower"] | {"rows": 20 * [{"error": 9.0, "held": False}]}} for item in results]
    assert any("8 K" in goal for goal in trials.missed(spoiled)), "a missed goal is noticed"


def test_lower_counts_of_the_demonstration_lie_in_their_intervals(demo, trials):
    analysis, truth = demo
    found = trials.try_lower(analysis, truth)
    assert found["rows"] and all(abs(row["error"]) < 6.0 for row in found["rows"])
    assert ["tripped", "sustained"] not in [list(pair) for pair in found["verdicts"]]


def test_data_decide_what_they_can(fitted):
    decided = {item.name: item.decided_by for item in fitted.parameters}
    assert decided["stage_rise"] in ("data", "both")
    assert decided["board_loss"] == "prior", "a watt of the controller does not show beside a fan"
    assert fitted.step_count >= 4
    scores = np.array([item.score for item in fitted.residuals])
    assert np.sqrt(np.mean(scores**2)) < 2.0
    assert all(item.u < item.prior_u * 1.6 for item in fitted.parameters if item.decided_by == "data")


def test_intervals_of_the_parameters_hold_the_true_gains(demo, fitted):
    analysis, truth = demo
    names = {name.split("/")[1]: z for name, z in truth.errors.items() if name.endswith("/gain")}
    for channel in ("package_power", "rail_current"):
        stated = next(i.accuracy[channel] for i in analysis.bench.instruments if channel in i.accuracy)
        divisor = {"limit": 3**0.5, "standard": 1.0, "expanded": 2.0}[stated.stated_as]
        own = fitted.parameter(f"{channel}_gain")
        assert abs(own.value - names[channel] * stated.gain / divisor) < 3.0 * own.u


def test_a_kept_fit_says_the_same(fitted):
    again = from_dict(json.loads(json.dumps(to_dict(fitted))), fitted.bench)
    setting = {"phase_count": 4, "package_power": 250.0, "coolant_temperature": 35.0}
    ours, theirs = predict(fitted, setting), predict(again, setting)
    assert ours.quantities == theirs.quantities and ours.probability == theirs.probability
    assert again.parameters == fitted.parameters and again.coolant == fitted.coolant


@pytest.mark.parametrize("change", [{"formula_version": 0}, {"format": "other"}, {"bench": "other"}, {"names": []}])
def test_a_fit_of_another_making_is_refused(fitted, change):
    with pytest.raises(ValueError, match=r"fit (the model )?anew"):
        from_dict(to_dict(fitted) | change, fitted.bench)


def test_model_object_is_json_and_says_what_decided(fitted):
    found = json.loads(json.dumps(model_json(fitted), allow_nan=False))
    assert {item["decided_by"] for item in found["parameters"]} <= {"data", "both", "prior"}
    assert all(item["u"] is not None for item in found["parameters"])


def scaled(analysis, channel, factor):
    """Return the analysis as if `channel` had been read too high by `factor`."""
    trace = analysis.recording.traces[channel]
    traces = {**analysis.recording.traces, channel: replace(trace, value=trace.value * factor)}
    steps = tuple(
        replace(step, quantities={**step.quantities,
                                  channel: replace(step.quantities[channel], value=step.quantities[channel].value * factor)})
        if channel in step.quantities else step for step in analysis.steps
    )  # fmt: skip
    return replace(analysis, recording=replace(analysis.recording, traces=traces), steps=steps)


def test_a_gain_that_is_raised_shows_as_raised(demo, fitted):
    analysis, _ = demo
    before = next(item for item in gain_check(fitted) if item.channel == "package_power").gain
    for factor in (1.05, 0.95):
        check = next(item for item in gain_check(fit_model(scaled(analysis, "package_power", factor)))
                     if item.channel == "package_power")  # fmt: skip
        assert check.gain.value - before.value == pytest.approx(factor - 1.0, abs=0.01)
        if abs(check.gain.value) > 1.96 * check.gain.u:
            assert check.outcome == ("reads high" if check.gain.value > 0 else "reads low")


def test_settled_temperature_of_a_settled_step_is_what_was_read(demo, fitted):
    analysis, truth = demo
    step = next(item for item in analysis.steps if item.window.settled)
    found = settled_temperature(fitted, analysis, step.step.name)
    assert found.reading.value == pytest.approx(step.quantities["regulator_temperature"].value, abs=2.0)
    with pytest.raises(KeyError):
        settled_temperature(fitted, analysis, "no such step")


def test_a_campaign_without_load_cannot_be_fitted(demo):
    analysis, _ = demo
    gone = {name: trace for name, trace in analysis.recording.traces.items()
            if name not in ("rail_current", "package_power")}  # fmt: skip
    steps = tuple(
        replace(step, quantities={k: v for k, v in step.quantities.items()
                                  if not k.startswith(("rail_", "package_power"))})
        for step in analysis.steps
    )  # fmt: skip
    with pytest.raises(NotReady, match="no step shows"):
        fit_model(replace(analysis, recording=replace(analysis.recording, traces=gone), steps=steps))
