"""The recorder in its own process: real time, real programs, killed, left alone, held up."""

import io
import json
import os
import signal
import sys
import time
from pathlib import Path

import pytest

from phasewright.app import jobs, recording
from phasewright.app.recording_terminal import TerminalPerson
from phasewright.bench import NotReady, Step, check_folder
from phasewright.live import ProcessStation, RecorderGone, at_work, demo_scenario, load_keeper, read_journal
from phasewright.live.journal.reading import survey
from phasewright.live.virtual.files import bench_text

LOGGER = """
import os, time
print("power,heat,core", flush=True)
while not os.path.exists("quiet"):
    on = os.path.exists("load.on")
    print(f"{300.0 if on else 40.0},{32.0 if on else 30.0},{250.0 if on else 20.0}", flush=True)
    time.sleep(0.05)
time.sleep(60)
"""
LOAD = """
import os, subprocess, sys, time
open("load.on", "w").close()
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(100)"])
open("pids", "w").write(f"{os.getpid()} {child.pid}")
print("unstable: wrong sum", file=sys.stderr, flush=True)
time.sleep(float(sys.argv[1]))
child.kill()
os.remove("load.on")
sys.exit(3)
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "logger.py").write_text(LOGGER)
    (tmp_path / "load.py").write_text(LOAD)
    python = sys.executable.replace("\\", "/")
    (tmp_path / "bench.toml").write_text(bench_text(demo_scenario().bench, ()) + f"""
[[instrument]]
name = "meter"
period = "50 ms"
[instrument.connection]
kind = "lines"
command = ["{python}", "logger.py"]
[instrument.reading.input_power]
ask = "power"
[instrument.reading.regulator_temperature]
ask = "heat"
[instrument.reading.package_power]
ask = "core"

[[load]]
name = "steady"
command = ["{python}", "load.py", "50"]

[[load]]
name = "falls over"
command = ["{python}", "load.py", "0.6"]

[stop]
command = ["{python}", "-c", "open('stopped.txt', 'w').close()"]
""")
    (tmp_path / "campaign.toml").write_text("""format = "phasewright-campaign-1"
name = "short"
[[step]]
name = "one"
phase_count = 10
load = "falls over"
package_power = "200 W"
baseline = true
[[step]]
name = "two"
phase_count = 8
load = "falls over"
package_power = "200 W"
""")
    return tmp_path


def start(folder: Path) -> ProcessStation:
    bench = check_folder(folder).bench
    return ProcessStation(folder, loads={item.name: item.command for item in bench.loads})


def wait_for(what, seconds=8.0):
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "it never happened"
        time.sleep(0.02)


def pids(folder):
    wait_for(lambda: (folder / "pids").exists() and len((folder / "pids").read_text().split()) == 2)
    return [int(word) for word in (folder / "pids").read_text().split()]


def is_alive(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    try:
        state = Path(f"/proc/{pid}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        # It ended between the look and the reading; on systems without /proc the signal above has told.
        return not Path("/proc").exists()
    return ") Z" not in state


def names(folder):
    return [item.name for item in read_journal(folder / "journal").events]


def begin(station, folder, load="steady"):
    station.start_load(Step("s", {"load": load}), ())
    return pids(folder)


def test_a_run_is_recorded_guarded_and_closed(folder):
    station = start(folder)
    running = begin(station, folder)
    readings = []
    wait_for(lambda: readings.extend(station.advance(0.3).readings) or any(item.value == 300.0 for _, item in readings))
    station.event("note", text="by the test")
    # The logger falls silent: stop within max(3 periods, 2 s), load off, and what the bench file says is done.
    (folder / "quiet").touch()
    began, stopped = time.monotonic(), None
    while stopped is None:
        stopped = station.advance(0.1).stopped
        assert time.monotonic() - began < 5.0
    assert "nobody sees what happens" in stopped.reason
    wait_for(lambda: not any(map(is_alive, running)))
    wait_for((folder / "stopped.txt").exists)
    assert station.close()
    told = read_journal(folder / "journal")
    assert told.survey.complete
    seen = [item.name for item in told.events]
    assert [name for name in seen if name in ("load_on", "note", "stopped", "load_off", "stop_command", "closing")] == [
        "load_on", "note", "stopped", "load_off", "stop_command", "closing"]
    assert ("meter", 1) in told.sheets and len(told.sheets["meter", 1].rows) > 10
    # How well the instrument kept its period, and how long readings took to the disk.
    given = {item.name: item.given for item in told.events}
    pace, written = given["pace"], given["written"]
    assert pace["name"] == "meter" and pace["looks"] > 10 and 0.0 < pace["rate"] <= 1.05 / 0.05
    assert 0.0 <= pace["late_p50"] <= pace["late_p99"] <= pace["worst_late"]
    assert written["readings"] >= len(told.sheets["meter", 1].rows) and written["late_p99"] <= written["worst_late"]


def test_a_load_stands_back_behind_the_recorder(folder):
    """It keeps every core busy: what reads the instruments goes before it, whether or not the system grants more."""
    station = start(folder)
    running = begin(station, folder)
    mine = os.getpriority(os.PRIO_PROCESS, station.process.pid)
    assert mine <= os.getpriority(os.PRIO_PROCESS, 0)
    assert all(os.getpriority(os.PRIO_PROCESS, pid) >= max(load_keeper.BEHIND, mine) for pid in running)
    assert station.close()
    heads = []
    survey(folder / "journal", lambda entry, session: heads.append(entry.text) if entry.kind == "head" else None)
    assert [json.loads(text)["niceness"] for text in heads] == [mine]


def test_the_load_ends_with_a_recorder_that_is_killed_and_nothing_is_lost(folder):
    station = start(folder)
    running = begin(station, folder)
    station.advance(1.5)
    station.process.send_signal(signal.SIGKILL)
    with pytest.raises(RecorderGone, match="exit code -9"):
        station.advance(3.0)
    wait_for(lambda: not any(map(is_alive, running)), 3.0)
    assert not station.close()
    told = read_journal(folder / "journal")
    assert told.survey.unclosed == [1] and not told.survey.missing
    (folder / "load.on").unlink()
    again = start(folder)
    assert again.session == 2
    again.advance(0.5)
    assert again.close()
    assert read_journal(folder / "journal").survey.sessions == 2


def test_what_is_said_to_a_recorder_that_was_killed_tells_how_it_ended(folder):
    station = start(folder)
    station.process.send_signal(signal.SIGKILL)
    with pytest.raises(RecorderGone, match="exit code -9"):
        for _ in range(50):  # what is on its way into the pipe may still be taken
            station.event("said")
            time.sleep(0.05)
    assert not station.close()


def test_the_load_ends_when_the_guide_is_gone_and_the_recorder_ends_on_word(folder):
    station = start(folder)
    running = begin(station, folder)
    station.process.stdin.close()
    wait_for(lambda: not any(map(is_alive, running)), 4.0)
    station.process.send_signal(signal.SIGTERM)
    assert station.process.wait(10.0) == 0
    assert "guide_gone" in names(folder) and read_journal(folder / "journal").survey.complete


def test_a_recorder_that_hangs_is_ended_with_its_load(folder, monkeypatch):
    monkeypatch.setattr(at_work, "SILENCE_S", 1.0)
    station = start(folder)
    running = begin(station, folder)
    station.process.send_signal(signal.SIGSTOP)
    with pytest.raises(RecorderGone, match="said nothing"):
        station.advance(6.0)
    wait_for(lambda: not any(map(is_alive, running)), 3.0)
    station.close()


def test_a_second_recorder_is_refused_before_anything_is_started(folder):
    station = start(folder)
    with pytest.raises(NotReady, match="another recorder"):
        start(folder)
    assert station.close()


def test_a_guide_that_does_not_read_holds_nothing_up(folder):
    station = start(folder)
    os.set_blocking(station.process.stdout.fileno(), True)
    time.sleep(1.5)  # nobody takes the news meanwhile
    assert len(station.advance(0.3).readings) > 20
    assert station.close()
    rows = sorted(read_journal(folder / "journal").sheets["meter", 1].rows)
    assert max(b - a for a, b in zip(rows, rows[1:], strict=False)) < 1.5e9


def test_record_takes_a_person_through_the_plan_and_keeps_why_a_load_fell_over(folder, monkeypatch):
    monkeypatch.setattr(recording, "IDLE", 0.3)
    monkeypatch.setattr(recording, "TICK", 0.2)
    out = io.StringIO()
    person = TerminalPerson(out, io.StringIO("y\n\nk\n\n"))
    done = jobs.record(folder, person, may_start=person.may_start)
    assert [(item.name, item.outcome) for item in done.run.steps] == [
        ("one", "crashed"), ("two", "skipped"), ("one, again", "crashed")]
    assert "exit code 3" in done.run.steps[0].why and done.complete
    assert done.run.left == ("two",)
    text = out.getvalue()
    assert "Mind on this bench" in text and "meter: no" not in text
    assert "Set by hand   phases: 10" in text and "is started and ended for you" in text and "load.py 0.6" in text
    checked = check_folder(folder)
    assert checked.faults == () and [step.name for step in checked.campaign.steps] == ["one", "one, again"]
    assert checked.campaign.steps[0].outcome == "crashed"
    ended = [item.given for item in read_journal(folder / "journal").events if item.name == "load_ended"]
    assert len(ended) == 2 and all("unstable: wrong sum" in given["errors"] for given in ended)
    # Only what was not run is left, and the run goes on there.
    (folder / "pids").unlink()
    again = jobs.record(folder, TerminalPerson(io.StringIO(), io.StringIO("y\ne\n")), may_start=lambda programs: True,
                        measured=False)
    assert again.run.left == ("two",) and again.run.ended == "ended by the person"
    with pytest.raises(NotReady, match="may not be started"):
        jobs.record(folder, TerminalPerson(io.StringIO(), io.StringIO()), may_start=lambda programs: False, measured=False)


HELD = """
import sys
from pathlib import Path
from phasewright.live import at_work
at_work.GUIDE_SILENCE_S = 0.7
sys.exit(at_work.main(Path(sys.argv[1])))
"""


def test_a_guide_that_hangs_has_its_load_taken_off_and_the_record_goes_on(folder, monkeypatch):
    """Suspended, or stuck in its own work: nobody would end the load, so the recorder does."""
    monkeypatch.setattr(at_work, "_START", HELD)
    monkeypatch.setattr(at_work, "HERE_S", 0.2)
    station = start(folder)
    # The guide keeps saying that it is there while the load starts, which on a busy machine takes its time.
    station.start_load(Step("s", {"load": "steady"}), ())
    wait_for(lambda: station.advance(0.15) and (folder / "pids").exists(), 20.0)
    running = pids(folder)
    for _ in range(10):
        station.advance(0.15)
    assert all(map(is_alive, running)), "a guide that says that it is there keeps its load"
    wait_for(lambda: not any(map(is_alive, running)), 4.0)  # says nothing meanwhile
    station.advance(0.5)
    assert station.close()
    seen = names(folder)
    assert seen.index("guide_silent") < seen.index("load_off") < seen.index("closing")
    wait_for((folder / "stopped.txt").exists)


QUICK = """
import sys
from phasewright.app import jobs, recording
recording.IDLE, recording.TICK = 0.3, 0.2
jobs.record(sys.argv[1], None)
"""


def test_a_run_begun_on_the_page_is_its_own_process_and_takes_words_from_the_board(folder, monkeypatch):
    from phasewright.app.recording_board import look, say

    monkeypatch.setattr(jobs.recording, "_BEGIN", QUICK)
    jobs.begin_record(folder)

    def asked(kind):
        wait_for(lambda: (seen := look(folder)) is not None and (seen.state["asked"] or {}).get("kind") == kind, 20.0)
        return look(folder).state

    def answer(kind, word):
        state = asked(kind)
        say(folder, state["run"], word, state["asked"]["number"])
        return state

    first = answer("programs", "yes")
    assert len(first["asked"]["programs"]) == 4  # two loads, the logger, and what is done in need
    with pytest.raises(NotReady, match="another run is at work"):
        jobs.begin_record(folder)
    before = answer("before", "go")["asked"]
    assert before["name"] == "one" and ["phases", "10"] in before["by_hand"] and "chance to trip" in before["foreseen"]
    wait_for(lambda: (look(folder).state["frame"] or {}).get("phase") == "load", 20.0)
    frame = look(folder).state["frame"]
    assert {line["title"] for line in frame["lines"]} >= {"Input power", "Regulator temperature"}
    state = asked("before")
    assert state["asked"]["name"] == "two" and [step[:2] for step in state["steps"]] == [["one", "crashed"]]
    say(folder, state["run"], "stop")
    wait_for(lambda: look(folder).state["state"] == "ended", 20.0)
    result = look(folder).state["result"]
    assert result["ended"] == "ended by the person" and result["complete"] and result["done"] == ["one"]
    # It cannot begin where nothing is left that may be started.
    (folder / "campaign.toml").write_text('format = "phasewright-campaign-1"\nname = "short"\n')
    jobs.begin_record(folder)
    wait_for(lambda: look(folder).state["state"] == "ended", 20.0)
    assert "no step is left" in look(folder).state["result"]["faults"][0][1]
