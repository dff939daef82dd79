"""The main job through its doors: demo, analyze, report, read, check, new."""

import json
import shutil

import phasewright
from phasewright.app import jobs
from phasewright.findings import VERDICTS


def test_demo_prints_the_answers_and_says_what_is_where(demo_folder):
    printed = (demo_folder.parent / "printed.txt").read_text(encoding="utf-8")
    assert "imulated" in printed
    assert "index.html" in printed
    assert "Try next" in printed
    assert "sustained" in printed
    assert printed.count("?") >= 5, "each question of the job is asked"
    assert max(len(line) for line in printed.splitlines() if "/" not in line) <= 100


def test_demo_folder_holds_a_campaign_that_says_it_is_simulated(demo_folder):
    assert {"bench.toml", "campaign.toml", "logs", "derived", "guide"} <= {p.name for p in demo_folder.iterdir()}
    for name in ("bench.toml", "campaign.toml", "guide/index.html", "guide/guide.md", "SIMULATED.txt"):
        assert "simulated" in (demo_folder / name).read_text(encoding="utf-8").lower(), name


def test_demo_tells_a_story_worth_telling(demo_folder):
    """Several settings hold, and one step each is lost and unsettled: what a new user should see handled."""
    steps = json.loads((demo_folder / "derived/analysis.json").read_text(encoding="utf-8"))["steps"]
    verdicts = [step["verdict"] for step in steps]
    assert set(verdicts) <= set(VERDICTS)
    assert verdicts.count("sustained") >= 5
    assert "unsettled" in verdicts
    assert {"tripped", "clamped"} & set(verdicts)


def test_same_seed_same_logs(demo_folder, tmp_path):
    from phasewright.live import demo_scenario, make_campaign

    make_campaign(tmp_path / "again", demo_scenario(), 1)
    for log in (demo_folder / "logs").iterdir():
        assert (tmp_path / "again/logs" / log.name).read_bytes() == log.read_bytes()


def test_analyze_json_is_the_object_of_the_design(demo_folder, invoke):
    result = invoke("analyze", demo_folder, "--json")
    assert result.exit_code in (0, 3)
    found = json.loads(result.stdout)
    assert set(found) == {
        "format", "campaign", "clocks", "steps", "comparisons", "model", "answers", "notes",
    }
    clock = {"log", "offset_s", "offset_u_s", "drift_ppm", "drift_u_ppm", "averaging_s", "peak_ratio", "status"}
    assert all(clock <= set(item) for item in found["clocks"])
    step = {"name", "settings", "start_s", "end_s", "window", "settled", "verdict", "reasons", "quantities"}
    assert all(step <= set(item) for item in found["steps"])
    value = {"value", "unit", "u", "low95", "high95", "kind"}
    assert all(value <= set(item) for each in found["steps"] for item in each["quantities"].values())
    assert {item["kind"] for each in found["steps"] for item in each["quantities"].values()} <= {
        "measured", "derived", "extrapolated", "set", "assumed",
    }


def test_second_analysis_from_the_cache_says_the_same(campaign):
    first = jobs.to_json_text(jobs.analyze(campaign))
    raw = {path.name: path.read_bytes() for path in (campaign / "logs").iterdir()}
    second = jobs.to_json_text(jobs.analyze(campaign))
    assert first == second
    shutil.rmtree(campaign / "derived")
    assert jobs.to_json_text(jobs.analyze(campaign)) == first
    assert raw == {path.name: path.read_bytes() for path in (campaign / "logs").iterdir()}, "raw files never change"


def test_python_gives_frozen_records_with_units(demo_folder):
    analysis = phasewright.analyze(demo_folder)
    value = analysis.steps[0].quantities["loss"]
    assert value.unit == "W"
    assert value.low95 < value.value < value.high95
    for library in ("polars", "pandas"):
        from phasewright.findings import to_frame

        frame = to_frame(analysis, library=library)
        assert {"step", "quantity", "value", "unit", "u", "low95", "high95", "kind"} <= set(frame.columns)
    assert "<table" in analysis._repr_html_()


def test_report_writes_the_guide_again(demo_folder, invoke):
    before = (demo_folder / "guide/index.html").read_bytes()
    result = invoke("report", demo_folder)
    assert result.exit_code in (0, 3), result.output
    assert (demo_folder / "guide/index.html").read_bytes() == before, "same files, same guide"
    assert list((demo_folder / "guide").rglob("*.svg"))
    assert list((demo_folder / "guide").rglob("*.png"))


def test_demo_is_made_anew_only_where_a_demo_was(demo_folder, tmp_path, invoke):
    own = tmp_path / "own"
    own.mkdir()
    (own / "notes.txt").write_text("mine", encoding="utf-8")
    result = invoke("demo", own, "--no-page", "--again")
    assert result.exit_code == 2
    assert (own / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert invoke("demo", demo_folder, "--no-page").exit_code == 2


def test_new_then_check_then_read(tmp_path, demo_folder, invoke):
    """The first own campaign, as the README tells it."""
    folder = tmp_path / "my-board"
    result = invoke("new", folder)
    assert result.exit_code == 0, result.output
    assert "phasewright read" in result.output
    again = invoke("new", folder)
    assert again.exit_code == 2
    assert invoke("check", folder).exit_code == 0
    logs = sorted((demo_folder / "logs").iterdir())
    for log in logs:
        result = invoke("read", folder, log, "--yes")
        assert result.exit_code == 0, result.output
        assert (folder / "logs" / log.name).read_bytes() == log.read_bytes()
    text = (folder / "campaign.toml").read_text(encoding="utf-8")
    assert "package_power" in text
    assert "coolant_temperature" in text
    checked = invoke("check", folder, "--json")
    assert json.loads(checked.stdout)["faults"] == []


def test_read_takes_a_map_of_products(tmp_path, demo_folder, invoke):
    folder = tmp_path / "my-board"
    invoke("new", folder)
    result = invoke("read", folder, demo_folder / "logs/meter.csv", "--map", "input_power=Ua*Ia + Ub*Ib")
    assert result.exit_code == 0, result.output
    assert '[["Ua", "Ia"], ["Ub", "Ib"]]' in (folder / "campaign.toml").read_text(encoding="utf-8")


def test_read_asks_when_a_person_is_there(tmp_path, demo_folder, invoke, monkeypatch):
    folder = tmp_path / "my-board"
    invoke("new", folder)
    from phasewright.app.commands import begin

    seen = []
    monkeypatch.setattr(begin, "_ask_for_map", lambda result: seen.append(result) or {"package_power": "package power"})
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    result = jobs.read(folder, demo_folder / "logs/host.txt", choose=begin._ask_for_map)
    assert seen
    assert [source.channel for source in result.entry.channels] == ["package_power"]


def test_the_question_keeps_drops_and_replaces(demo_folder, monkeypatch):
    import click

    from phasewright.app.commands import begin

    answers = iter(["-", "#4", "rail_current.left = #5", ""])
    monkeypatch.setattr(click, "prompt", lambda *words, **more: next(answers))

    class Result:
        def lines(self):
            return []

        def suggested_map(self):
            return {"rail_power": "P", "package_power": "#3"}

    assert begin._ask_for_map(Result()) == {"package_power": "#4", "rail_current.left": "#5"}


def test_several_files_with_one_name_are_one_log(tmp_path, invoke):
    folder = tmp_path / "my-board"
    invoke("new", folder)
    logs = []
    for number in range(3):
        logs.append(tmp_path / f"run_{number}.csv")
        rows = "\n".join(f"{t},{300 + number}" for t in range(20))
        logs[-1].write_text(f"Time [s],Input power [W]\n{rows}\n", encoding="utf-8")
    result = invoke("read", folder, *logs, "--name", "meter", "--yes")
    assert result.exit_code == 0, result.output
    assert 'files = ["logs/run_0.csv", "logs/run_1.csv", "logs/run_2.csv"]' in (folder / "campaign.toml").read_text()
    (tmp_path / "other.csv").write_text("Time [s],Something else [W]\n0,1\n1,2\n", encoding="utf-8")
    refused = invoke("read", folder, logs[0], tmp_path / "other.csv", "--name", "meter", "--yes")
    assert refused.exit_code == 2 and "no column 'Input power [W]'" in refused.output
