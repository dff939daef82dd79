"""The two ends of the recorder's pipes beside the usual: recorders that do not start, do not listen, do not leave."""

import io
import json
import queue
import sys
import threading
import time
import types

import pytest

from phasewright.bench import Fault, NotReady
from phasewright.live import ProcessStation, RecorderGone, at_work, foremost
from phasewright.live.clock import MovedClock
from phasewright.live.instruments.driver import DriverFault
from phasewright.live.recorder import Happened

READY = """
import json, os, sys, time
def say(**what):
    print(json.dumps(what), flush=True)
say(ready=True, session=7)
"""


def station(folder, monkeypatch, text, **more):
    monkeypatch.setattr(at_work, "_START", text)
    return ProcessStation(folder, loads={}, **more)


def test_a_recorder_that_does_not_start_in_time_is_ended_and_said(tmp_path, monkeypatch):
    with pytest.raises(NotReady, match="does not start"):
        station(tmp_path, monkeypatch, "import time; time.sleep(60)", patience=0.3)


def test_a_recorder_that_breaks_at_its_start_is_said(tmp_path, monkeypatch):
    with pytest.raises(NotReady, match="does not start"):
        station(tmp_path, monkeypatch, "raise SystemExit(1)")


def test_what_a_recorder_refuses_is_said_in_its_words(tmp_path, monkeypatch):
    text = "import json; print(json.dumps({'faults': [{'file': 'bench.toml', 'what': 'no such bus', 'mend': 'name another'}]}))"
    with pytest.raises(NotReady, match="no such bus.*name another"):
        station(tmp_path, monkeypatch, text)


def test_a_recorder_that_closes_and_does_not_leave_is_killed_and_its_record_stands(tmp_path, monkeypatch):
    monkeypatch.setattr(at_work, "LEAVE_S", 0.2)
    one = station(tmp_path, monkeypatch, READY + "sys.stdin.readline(); say(closed=True); time.sleep(60)")
    assert one.session == 7
    assert one.close() is True
    assert one.process.returncode == -9


@pytest.mark.parametrize(("last", "well"), [("say(closed=False)", False), ("say(closed=True)", True), ("", False)])
def test_whether_all_is_on_the_disk_is_what_the_recorder_says_at_last(tmp_path, monkeypatch, last, well):
    one = station(tmp_path, monkeypatch, READY + f"sys.stdin.readline(); {last}")
    assert one.close() is well


def test_a_recorder_that_listens_no_more_is_said_to(tmp_path, monkeypatch):
    one = station(tmp_path, monkeypatch, READY + "os.close(0); time.sleep(60)")
    with pytest.raises(RecorderGone, match="listens no more"):
        for _ in range(100):
            one.event("x", text="y")
            time.sleep(0.05)
    one._kill()
    assert one.process.returncode == -9


def test_what_waits_to_be_said_when_the_recorder_dies_is_said_to_nobody(tmp_path, monkeypatch):
    one = station(tmp_path, monkeypatch, READY + "os.close(0); time.sleep(60)")
    one.process.stdin.write("kept back\n")  # still in the buffer as it is closed
    time.sleep(0.5)
    one._kill()
    assert one.process.returncode == -9


def test_a_guide_that_comes_back_late_does_not_take_the_recorder_for_dead(tmp_path, monkeypatch):
    """Nobody listened meanwhile: that was not the recorder's silence."""
    monkeypatch.setattr(at_work, "SILENCE_S", 0.8)
    one = station(tmp_path, monkeypatch, READY + "sys.stdin.readline(); sys.stdin.readline(); say(closed=True)")
    time.sleep(1.5)
    assert one.advance(0.3).readings == []
    one.event("x")
    assert one.close() is True


class Recorder:
    """Notes what it is told to do."""

    def __init__(self):
        self.done = []

    def __getattr__(self, name):
        return lambda *given, **more: self.done.append((name, given, more))


@pytest.mark.parametrize(("word", "done"), [
    ({"do": "here"}, []), ({"do": "no such thing"}, []),
    ({"do": "event", "what": "note", "given": {"text": "x"}}, [("event", ("note",), {"text": "x"})]),
    ({"do": "unload", "why": "enough", "need": False}, [("stop_load", ("enough",), {})]),
    ({"do": "unload", "why": "stop", "need": True}, [("stop_load", ("stop",), {}), ("need", (), {})]),
    ({"do": "load", "name": "hand", "command": [], "bounds": []}, [("start_load", (None, "hand", []), {})]),
])
def test_the_recorder_does_what_it_is_told_and_nothing_else(tmp_path, word, done):
    recorder = Recorder()
    at_work._obey(recorder, word, tmp_path)
    assert recorder.done == done


def test_a_load_is_put_on_with_its_bounds(tmp_path):
    recorder = Recorder()
    at_work._obey(recorder, {"do": "load", "name": "steady", "command": ["burn"],
                             "bounds": [["input_power", 100.0, "W", "stop", "asked"]]}, tmp_path)
    ((what, (load, name, bounds), _),) = recorder.done
    assert (what, name) == ("start_load", "steady") and load._command == ("burn",)
    assert [(item.channel, item.threshold, item.action) for item in bounds] == [("input_power", 100.0, "stop")]


def test_words_come_in_pieces_and_rubbish_is_passed_over(monkeypatch):
    pieces = iter([b'{"do": "he', b're"}\nrubbish\n{"do":', b' "close"}\n{"do": "cut off', b""])
    monkeypatch.setattr(at_work.os, "read", lambda handle, most: next(pieces))
    words = queue.SimpleQueue()
    at_work._listen(words)
    assert [words.get_nowait() for _ in range(words.qsize())] == [{"do": "here"}, {"do": "close"}, {"do": "gone"}]


class Blocked(io.StringIO):
    """Output that nobody reads."""

    def __init__(self):
        super().__init__()
        self.gate = threading.Event()

    def write(self, text):
        self.gate.wait(20.0)
        return super().write(text)


def test_news_that_nobody_fetches_are_dropped_and_counted(monkeypatch):
    out = Blocked()
    monkeypatch.setattr(at_work, "MOST_WAITING", 2)
    monkeypatch.setattr(sys, "stdout", out)
    news = at_work._News()
    for number in range(10):
        news.put(number=number)
        time.sleep(0.01)
    assert news.dropped in (7, 8)  # two wait, and one may be on its way out
    before = news.dropped
    news.close()
    assert news.dropped == before + 1, "the end itself found no place"
    out.gate.set()
    deadline = time.monotonic() + 10.0
    while out.getvalue().count("\n") < 2 and time.monotonic() < deadline:
        time.sleep(0.01)
    assert [json.loads(line)["number"] for line in out.getvalue().splitlines()][:2] == [0, 1]
    news._waiting.put(None)
    news._thread.join(10.0)
    assert not news._thread.is_alive()


def test_news_end_quietly_when_the_guide_is_gone(monkeypatch):
    class Gone(io.StringIO):
        def write(self, text):
            raise BrokenPipeError

    monkeypatch.setattr(sys, "stdout", Gone())
    news = at_work._News()
    news.put(number=1)
    news._thread.join(10.0)
    assert not news._thread.is_alive()
    news.close()


def test_what_has_happened_is_told_without_what_has_not():
    told = at_work._told(Happened(), MovedClock(start_ns=5))
    assert told == {"now_ns": 5, "readings": [], "events": [], "alarm": "", "stopped": None, "load_end": None}


@pytest.mark.parametrize(("error", "said"), [
    (DriverFault("meter: burn cannot be started - check command"),
     {"file": "bench.toml", "what": "meter: burn cannot be started", "mend": "check command"}),
    (NotReady(Fault("bench.toml", "no such instrument", "name another")),
     {"file": "bench.toml", "what": "no such instrument", "mend": "name another"})])
def test_a_recorder_that_cannot_start_says_why_and_ends_with_4(tmp_path, monkeypatch, error, said):
    out = io.StringIO()
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(at_work, "_listen", lambda words: None)
    monkeypatch.setattr(at_work.signal, "signal", lambda number, handler: None)

    def refuses(folder):
        raise error

    monkeypatch.setattr(at_work, "read_bench", refuses)
    assert at_work.main(tmp_path) == 4
    ((fault,),) = [json.loads(line)["faults"] for line in out.getvalue().splitlines()]
    assert {key: fault[key] for key in said} == said


@pytest.mark.parametrize(("given", "root", "bus"), [({}, "/sys", False), ({"PHASEWRIGHT_SYSFS": "/x"}, "/x", False),
                                                   ({"PHASEWRIGHT_I2C": "/y"}, "/sys", True)])
def test_a_dry_run_names_its_own_files_and_bus(tmp_path, monkeypatch, given, root, bus):
    for name in ("PHASEWRIGHT_SYSFS", "PHASEWRIGHT_I2C"):
        monkeypatch.delenv(name, raising=False)
    for name, value in given.items():
        monkeypatch.setenv(name, value)
    around = at_work._surroundings(tmp_path, MovedClock())
    assert (str(around.root), around.folder) == (root, tmp_path) and (around.open_bus is not None) is bus


def test_go_first_asks_and_takes_what_is_granted(monkeypatch):
    """A process's own niceness is never raised; without the right to lower it all goes on (setpriority(2), EACCES)."""
    asked = []

    def refused(which, who, nice):
        asked.append(nice)
        raise PermissionError

    monkeypatch.setattr(foremost.sys, "setswitchinterval", lambda seconds: asked.append(seconds))
    monkeypatch.setattr(foremost.gc, "freeze", lambda: None)
    for before, wanted in ((0, foremost.BEFORE_OTHERS), (-15, -15)):
        monkeypatch.setattr(foremost, "os", types.SimpleNamespace(
            PRIO_PROCESS=0, setpriority=refused, getpriority=lambda which, who, before=before: before))
        assert foremost.go_first() == before
        assert asked == [foremost.SWITCH_S, wanted]
        asked.clear()
    monkeypatch.setattr(foremost, "os", types.SimpleNamespace())  # Windows knows no niceness
    assert foremost.go_first() == 0


def test_a_recorder_that_ends_by_itself_is_told_with_its_exit_code(tmp_path, monkeypatch):
    one = station(tmp_path, monkeypatch, READY + "time.sleep(0.3); sys.exit(5)")
    with pytest.raises(RecorderGone, match="exit code 5; its load has ended with it"):
        one.advance(20.0)
    assert one.close() is False


def test_a_recorder_is_given_time_to_bring_all_to_the_disk(tmp_path, monkeypatch):
    one = station(tmp_path, monkeypatch, READY + "sys.stdin.readline(); time.sleep(1.2); say(closed=True)")
    assert one.close() is True
