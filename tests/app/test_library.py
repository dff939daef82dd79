"""The library: an index that is only a cache, found stale by fingerprints, and one question to every campaign."""

import hashlib
import json
import os
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from phasewright.app import jobs
from phasewright.app.cli import main
from phasewright.app.library import INDEX_FILE, Library, answer, question_of
from phasewright.bench import BenchFault

BENCH = """format = "phasewright-bench-1"
name = "An open bench"
simulated = true
[board]
name = "{board}"
[regulator]
name = "core rail"
phase_count = 10
[cooling]
coolant = "liquid"
description = "{cooler}"
"""


def figure(value, unit="W", u=1.0):
    return {"value": value, "unit": unit, "u": u, "low95": value - 1.96 * u, "high95": value + 1.96 * u,
            "kind": "derived", "reason": "", "basis": ""}  # fmt: skip


def step(count, power, loss, verdict="sustained", **more):
    settings = {"phase_count": count, "load": "all cores", "package_power": power, **more}
    return {"name": f"{count} phases, {power} W", "verdict": verdict, "settings": settings,
            "quantities": {"loss": figure(loss), "regulator_rise": figure(0.5 * loss, "K")}}  # fmt: skip


def campaign(root: Path, name: str, board: str, steps, *, cooler="one loop", day="2031-03-04") -> Path:
    """Write a campaign folder with an analysis that was made from its files."""
    folder = root / name
    (folder / "logs").mkdir(parents=True)
    (folder / "derived").mkdir()
    (folder / "bench.toml").write_text(BENCH.format(board=board, cooler=cooler))
    (folder / "logs" / "a.csv").write_text("time_s,power_W\n0,1\n")
    (folder / "campaign.toml").write_text('format = "phasewright-campaign-1"\nname = "Campaign ' + name + '"\n')
    analyzed(folder, steps, day)
    return folder


def analyzed(folder: Path, steps, day="2031-03-04") -> None:
    def sha(file):
        return hashlib.sha256((folder / file).read_bytes()).hexdigest()

    size = (folder / "logs/a.csv").stat().st_size
    told = {
        "campaign": {"fingerprint": sha("campaign.toml"), "bench": {"fingerprint": sha("bench.toml")},
                     "origin": f"{day}T09:12:04Z" if day else "",
                     "files": [{"file": "logs/a.csv", "size": size, "sha256": sha("logs/a.csv")}]},
        "steps": steps,
    }  # fmt: skip
    (folder / "derived" / "analysis.json").write_text(json.dumps(told))


@pytest.fixture
def shelf(tmp_path):
    campaign(tmp_path, "a1", "Alder", [step(3, 300.0, 40.0), step(4, 300.0, 35.0)])
    campaign(tmp_path, "a2", "Alder", [step(3, 302.0, 41.0)], day="2032-01-02")
    campaign(tmp_path / "more", "b1", "Birch", [step(3, 299.0, 60.0), step(3, 299.0, 70.0, "unsettled")], cooler="bare sink")
    campaign(tmp_path, "c1", "Čedar", [step(3, 210.0, 20.0)], day="")
    return tmp_path


def ask(folder, **words):
    with Library(folder) as library:
        library.refresh()
        return answer(library, question_of(**words))


# ---- the index is a cache --------------------------------------------------------------------------------------------


def test_a_second_look_reads_nothing_again(shelf):
    with Library(shelf) as library:
        assert (library.refresh().campaigns, library.changed()) == (4, 0)
        again = library.refresh()
    assert (again.campaigns, again.read, again.gone) == (4, 0, 0)


def test_new_changed_and_removed_folders_are_seen(shelf):
    ask(shelf)
    campaign(shelf, "d1", "Alder", [step(3, 300.0, 43.0)])
    shutil.rmtree(shelf / "a2")
    with Library(shelf) as library:
        assert library.changed() == 2
        found = library.refresh()
        assert (found.campaigns, found.read, found.gone) == (4, 1, 1)
        told = answer(library, question_of(phases="3", load="300 W"))
    assert {item.campaign for item in told.settings[0].found.held} == {"a1", "d1", "more/b1"}


@pytest.mark.parametrize("file", ["bench.toml", "campaign.toml", "logs/a.csv"])
def test_a_campaign_whose_files_are_no_longer_those_of_its_analysis_says_nothing(shelf, file):
    ask(shelf)
    path = shelf / "a1" / file
    path.write_text(path.read_text() + "\n")
    with Library(shelf) as library:
        assert library.stale(["a1", "a2"]) == {"a1"}
    told = ask(shelf, phases="3", load="300 W")
    assert "a1" not in {item.campaign for item in told.settings[0].found.held}
    assert [(name, state) for name, state, _ in told.unused] == [("a1", "changed")]
    assert file in told.unused[0][2] and "phasewright analyze" in told.unused[0][2]
    analyzed(shelf / "a1", [step(3, 300.0, 40.5)])
    assert "a1" in {item.campaign for item in ask(shelf, phases="3", load="300 W").settings[0].found.held}


def test_a_log_with_the_old_size_and_a_new_time_is_told_by_its_fingerprint(shelf):
    log = shelf / "a1" / "logs" / "a.csv"
    later = (shelf / "a1" / "derived" / "analysis.json").stat().st_mtime_ns + 10**9
    os.utime(log, ns=(later, later))
    assert ask(shelf).matching == 4
    log.write_text("time_s,power_W\n0,2\n")
    os.utime(log, ns=(later + 1, later + 1))
    assert [(name, state) for name, state, _ in ask(shelf).unused] == [("a1", "changed")]


@pytest.mark.parametrize("harm", ["deleted", "garbage", "other format", "cut short"])
def test_an_index_that_is_lost_or_broken_is_made_anew(shelf, harm):
    before = ask(shelf, phases="3", load="300 W")
    index = shelf / INDEX_FILE
    if harm == "deleted":
        index.unlink()
    elif harm == "garbage":
        index.write_bytes(b"no database at all" * 1000)
    elif harm == "cut short":
        index.write_bytes(index.read_bytes()[:5000])
    else:
        index.unlink()
        base = sqlite3.connect(index)
        base.execute("CREATE TABLE something (a)")
        base.execute("PRAGMA user_version = 99")
        base.close()
    assert ask(shelf, phases="3", load="300 W") == before


def test_a_folder_that_cannot_be_written_is_asked_all_the_same(shelf, monkeypatch):
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    assert ask(shelf, phases="3", load="300 W").settings[0].found.baseline == "Alder"
    assert not (shelf / INDEX_FILE).exists()


def test_what_cannot_be_read_is_listed_with_its_reason(shelf):
    (shelf / "bad").mkdir()
    (shelf / "bad" / "bench.toml").write_text("format = [")
    (shelf / "new").mkdir()
    (shelf / "new" / "bench.toml").write_text(BENCH.format(board="New", cooler="x"))
    (shelf / "new" / "campaign.toml").write_text('format = "phasewright-campaign-1"\nname = "n"\n')
    (shelf / "a1" / "derived" / "analysis.json").write_text('{"steps": 3}')
    told = {name: state for name, state, _ in ask(shelf).unused}
    assert told == {"bad": "faulty", "new": "not analyzed", "a1": "not analyzed"}


def test_links_and_hidden_folders_are_passed_over(shelf):
    (shelf / "again").symlink_to(shelf / "a1", target_is_directory=True)
    campaign(shelf / ".hidden", "h", "Hazel", [step(3, 300.0, 1.0)])
    assert ask(shelf).campaigns == 4


# ---- one question ----------------------------------------------------------------------------------------------------


def test_the_same_setting_is_compared_by_board(shelf):
    found = ask(shelf, phases="3", load="300 W").settings[0]
    assert found.phase_count == 3 and found.load == pytest.approx(300.33, abs=0.01)
    assert [(item.campaign, item.value.value) for item in found.found.held] == [("a1", 40.0), ("a2", 41.0), ("more/b1", 60.0)]
    assert found.found.baseline == "Alder"
    (birch,) = found.found.contrasts
    assert birch.group == "Birch" and birch.real and birch.difference.value == pytest.approx(19.5)
    assert all(item.simulated for item in found.found.held)


def test_of_two_steps_of_one_campaign_the_one_that_held_speaks(shelf):
    found = ask(shelf, phases="3", load="300 W").settings[0].found
    assert next(item for item in found.held if item.board == "Birch").verdict == "sustained"


@pytest.mark.parametrize(
    "words, campaigns",
    [
        ({"board": "ALD"}, {"a1", "a2"}),
        ({"cooler": "SINK"}, {"more/b1"}),
        ({"since": "2032"}, {"a2"}),
        ({"until": "2031-03"}, {"a1", "more/b1"}),
        ({"since": "2031-03-04", "until": "2031-03-04"}, {"a1", "more/b1"}),
        ({"board": "čED"}, {"c1"}),
    ],
)
def test_conditions_pick_campaigns(shelf, words, campaigns):
    with Library(shelf) as library:
        library.refresh()
        found = answer(library, question_of(**words))
    assert found.matching == len(campaigns)


def test_an_open_question_answers_what_was_held_most_and_offers_the_rest(shelf):
    found = ask(shelf)
    assert (found.settings[0].phase_count, round(found.settings[0].load)) == (3, 300)
    assert {(offer.phase_count, round(offer.load)) for offer in found.offers} == {(3, 300), (4, 300), (3, 210)}
    assert len(found.settings) == 1


def test_every_wrong_text_is_named():
    with pytest.raises(BenchFault) as caught:
        question_of(phases="x", load="q", since="soon", by="colour", quantity="luck")
    assert [fault.file for fault in caught.value.faults] == ["--phases", "--load", "--since", "--by", "--quantity"]


def test_a_baseline_that_is_not_there_is_named_with_those_that_are(shelf):
    with pytest.raises(BenchFault, match="Birch"):
        ask(shelf, phases="3", load="300 W", baseline="Yew")


# ---- the commands ----------------------------------------------------------------------------------------------------


def test_the_command_answers_and_its_json_holds_the_same(shelf):
    words = ["compare", "--library", str(shelf), "--phases", "3", "--load", "300W"]
    said = CliRunner().invoke(main, words)
    assert said.exit_code == 0, said.output
    assert "Loss of Birch lies 19" in said.output.replace("\n", " ") and "Real?" in said.output
    assert max(map(len, said.output.splitlines())) <= 80
    told = json.loads(CliRunner().invoke(main, [*words, "--json"]).output)
    assert told["format"] == "phasewright-library-1"
    assert told["settings"][0]["found"]["contrasts"][0]["real"] is True
    assert told["settings"][0]["found"]["contrasts"][0]["difference"]["value"] == pytest.approx(19.5)


def test_nothing_found_is_said_with_what_to_do(tmp_path, shelf):
    empty = tmp_path / "empty"
    empty.mkdir()
    said = CliRunner().invoke(main, ["compare", "--library", str(empty)])
    assert said.exit_code == 4 and "no campaign below this folder" in said.output
    said = CliRunner().invoke(main, ["compare", "--library", str(shelf), "--phases", "9", "--load", "300 W"])
    assert said.exit_code == 4 and "None of them has held this setting" in said.output


def test_folders_and_a_library_do_not_mix(shelf):
    said = CliRunner().invoke(main, ["compare", str(shelf / "a1"), "--library", str(shelf)])
    assert said.exit_code == 2 and "takes no DIR" in said.output
    said = CliRunner().invoke(main, ["compare", str(shelf / "a1"), str(shelf / "a2"), "--phases", "3"])
    assert said.exit_code == 2 and "--library" in said.output


def test_the_job_is_the_command(shelf):
    found = jobs.compare_library(shelf, phases="3", load="300 W", by="campaign", quantity="regulator_rise")
    assert len(found.settings[0].found.groups) == 3
    with pytest.raises(BenchFault, match="no such folder"):
        jobs.compare_library(shelf / "nowhere")
