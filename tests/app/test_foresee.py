"""Prediction and preflight through the doors."""

import json

import pytest

from phasewright.app import jobs


def test_three_phases_protected_at_52_ampere_trip_at_180_ampere(demo_folder, invoke):
    """Common practice, no source: 3 x 52 A = 156 A in total cannot carry a workload of 180 A, and preflight says so."""
    words = ("--phases", "3", "--load", "180 A", "--ocp", "52 A", "--unmeasured")
    result = invoke("preflight", demo_folder, *words)
    assert result.exit_code == 4, "nothing in this plan may be run"
    text = " ".join(result.output.split())
    assert "no-go" in text
    assert "156 A in total" in text
    found = json.loads(invoke("preflight", demo_folder, *words, "--json").stdout)
    assert {step["verdict"] for step in found["steps"]} == {"no-go"}
    assert found["steps"][0]["chance_to_trip"] > 0.95


def test_preflight_of_the_campaigns_own_steps_goes_from_mild_to_severe(demo_folder):
    plan = jobs.preflight(demo_folder, measured=False)
    chances = [item.forecast.chance_to_trip for item in plan.steps if not item.repeats]
    assert len(chances) >= 10
    ranks = [item.forecast.severity for item in plan.steps if not item.repeats]
    assert ranks == sorted(ranks)
    worst = plan.steps[-1]
    assert worst.name == "3 phases, 300 W", "what trips in the simulated truth is foreseen from part data"
    assert worst.forecast.verdict != "go"


def test_plan_as_steps_is_read_back_by_the_campaign_file(demo_folder, tmp_path, invoke):
    import shutil

    from phasewright.bench import check_folder

    folder = tmp_path / "planned"
    shutil.copytree(demo_folder, folder, ignore=shutil.ignore_patterns("derived", "guide"))
    result = invoke("preflight", folder, "--phases", "10,6", "--load", "200 W", "--unmeasured", "--steps")
    assert result.exit_code == 0, result.output
    head = (folder / "campaign.toml").read_text(encoding="utf-8").partition("[[step]]")[0]
    (folder / "campaign.toml").write_text(head + result.output, encoding="utf-8")
    checked = check_folder(folder)
    assert not checked.faults
    assert [step.settings["phase_count"] for step in checked.campaign.steps][:2] == [10, 6]


def test_prediction_from_the_measured_model(demo_folder, invoke):
    result = invoke("predict", demo_folder, "--phases", "3-4", "--load", "300 W", "--coolant", "35C", "--json")
    assert result.exit_code == 0, result.output
    three, four = json.loads(result.stdout)["predictions"]
    assert (three["setting"]["phase_count"], four["setting"]["phase_count"]) == (3, 4)
    hot, cool = three["quantities"]["regulator_temperature"], four["quantities"]["regulator_temperature"]
    assert cool["low95"] < cool["value"] < cool["high95"] < hot["value"]
    assert cool["kind"] == "extrapolated"
    assert three["verdict"] in ("tripped", "clamped", "marginal"), "what trips in the simulated truth is not sustained"
    assert four["quantities"]["loss"]["value"] < three["quantities"]["loss"]["value"]


def test_prediction_is_a_table_for_many_and_a_page_for_one(demo_folder, invoke):
    one = invoke("predict", demo_folder, "--phases", "6", "--load", "300 W", "--unmeasured")
    many = invoke("predict", demo_folder, "--load", "300 W", "--unmeasured")
    assert one.exit_code == many.exit_code == 0
    assert "Verdict" in one.output
    assert len(many.output.splitlines()) >= 10


@pytest.mark.parametrize("words, told", [
    (("--phases", "0"), "1 to 10"), (("--phases", "eleven"), "eleven"), (("--load", "300"), "300 W"),
    (("--coolant", "35 A"), "coolant"), (("--ocp", "90"), "ocp"),
])
def test_wrong_texts_are_refused_with_the_mend(demo_folder, invoke, words, told):
    result = invoke("predict", demo_folder, "--unmeasured", *words)
    assert result.exit_code == 2, result.output
    assert told in result.output
    assert " - " in result.output


def test_every_wrong_text_at_once(demo_folder, invoke):
    result = invoke("predict", demo_folder, "--phases", "99", "--load", "much", "--coolant", "cold", "--unmeasured")
    assert result.exit_code == 2
    assert "3 faults" in result.output


def test_a_fit_is_kept_and_taken_until_a_file_changes(demo_folder, tmp_path, monkeypatch):
    import os
    import shutil

    folder = tmp_path / "kept"
    shutil.copytree(demo_folder, folder)
    (first,) = jobs.predict(folder, phases="4", loads=("300 W",))
    kept = folder / "derived" / "model.json"
    assert kept.is_file()

    def unwanted(*arguments, **options):
        raise AssertionError("analyzed again")

    with monkeypatch.context() as patch:
        patch.setattr("phasewright.app.jobs.foreseeing.analyze", unwanted)
        (again,) = jobs.predict(folder, phases="4", loads=("300 W",))
        assert again.quantities == first.quantities and again.probability == first.probability
        log = next((folder / "logs").iterdir())
        os.utime(log, ns=(0, 0))
        with pytest.raises(AssertionError, match="analyzed again"):
            jobs.predict(folder, phases="4", loads=("300 W",))
    kept.write_text("{ cut short", encoding="utf-8")
    (mended,) = jobs.predict(folder, phases="4", loads=("300 W",))
    assert mended.quantities["regulator_temperature"].value == first.quantities["regulator_temperature"].value
    assert json.loads(kept.read_text(encoding="utf-8"))["model"]["format"] == "phasewright-model-1"


def test_prediction_says_how_far_the_bench_reaches(demo_folder, invoke):
    words = ("--phases", "4", "--load", "300 W", "--coolant", "35C")
    found = json.loads(invoke("predict", demo_folder, *words, "--json").stdout)
    (fewest,), (ceiling,) = found["fewest_phases"], found["headroom"]
    assert fewest["phase_count"] == 4 and fewest["probability"] >= 0.95
    assert ceiling["phase_count"] == 4 and ceiling["package_power"]["value"] > 300.0
    assert ceiling["ends"] and ceiling["voltage_headroom"] > 0.0
    text = " ".join(invoke("predict", demo_folder, *words).output.split())
    assert "Fewest phases for 300 W at the package: 4" in text
    assert ceiling["ends"][:20] in text


def test_preflight_as_json_carries_readiness_and_what_comes_next(demo_folder, invoke):
    found = json.loads(invoke("preflight", demo_folder, "--unmeasured", "--json").stdout)
    assert found["verdict"] in ("go", "go with care", "no-go")
    assert found["next"] and found["teaches"] and found["cautions"]
    assert all(item["mend"] for item in found["missing"])


def test_analysis_as_json_carries_the_model(demo_folder, invoke):
    found = json.loads(invoke("analyze", demo_folder, "--json").stdout)
    decided = {item["name"]: item["decided_by"] for item in found["model"]["parameters"]}
    assert set(decided.values()) <= {"data", "both", "prior"} and "data" in decided.values()
    assert not [note for note in found["notes"] if "no electro-thermal model" in note["text"]]
    assert any("by the model" in answer["sentence"] for answer in found["answers"])
