"""A second terminal beside a run: it shows, answers, stops, and may leave; the run never waits for it."""

import io
import json
import os
import pty
import threading
import time

import pytest
from click.testing import CliRunner

from phasewright.app import recording_viewer
from phasewright.app.cli import main
from phasewright.app.recording_board import NOW, PLACE, Board, BoardPerson, say
from phasewright.app.recording_scene import Asked, Frame, Line
from phasewright.app.recording_terminal import TerminalPerson
from phasewright.app.recording_viewer import attend, result_of
from phasewright.live import demo_scenario
from phasewright.plan import order_steps
from phasewright.quantity import Part, value_from_parts

POWER = value_from_parts(356.12, "W", [Part("a", 0.9)], "measured")
PLAN = order_steps(demo_scenario().bench, [{"phase_count": 10, "package_power": 100.0}])
ASKED = Asked(PLAN.steps[0], 1, 1, (), ())
RESULT = {"steps": [["one", "ran", "settled after 200 s"]], "left": ["two"], "ended": "stopped by the person", "lost": "",
          "complete": True, "done": ["one"]}


def frame(elapsed=1.0, phase="load"):
    lines = (Line("input_power", "Input power", POWER, 0.1, 768.0, 410.1),)
    return Frame("one", 1, 2, phase, elapsed, 60.0, lines, None, 1.0, None, (), "")


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(recording_viewer, "LOOK_S", 0.01)


class Beside:
    """`attend` at work in a thread, at a pseudo-terminal whose other end is here."""

    def __init__(self, folder):
        self.ours, self._theirs = pty.openpty()
        self._out = open(self._theirs, "w", encoding="utf-8", closefd=False)
        self._source = open(self._theirs, encoding="utf-8", closefd=False)
        self.found, self.seen = [], ""
        self.terminal = TerminalPerson(self._out, self._source)

        def work():
            with self.terminal.at_the_keys():
                self.found.append(attend(folder, self.terminal))

        self.thread = threading.Thread(target=work, daemon=True)
        self.thread.start()

    def until(self, text, count=1):
        end = time.monotonic() + 10.0
        while self.seen.count(text) < count:
            assert time.monotonic() < end, f"never shown: {text!r} in {self.seen!r}"
            self._take()

    def _take(self):
        os.set_blocking(self.ours, False)
        try:
            self.seen += os.read(self.ours, 65536).decode()
        except BlockingIOError:
            time.sleep(0.01)

    def press(self, keys):
        os.write(self.ours, keys)

    def end(self):
        end = time.monotonic() + 10.0
        while self.thread.is_alive():
            assert time.monotonic() < end
            self._take()
        self._take()
        self._out.close()
        self._source.close()
        os.close(self.ours)
        os.close(self._theirs)
        return self.found[0]


def answered(ask):
    end = time.monotonic() + 10.0
    while not (found := ask()):
        assert time.monotonic() < end
        time.sleep(0.01)
    return found


def test_a_second_terminal_shows_answers_and_stops_a_run(tmp_path):
    board = Board(tmp_path, "my board")
    person = BoardPerson(board)
    beside = Beside(tmp_path)
    beside.until("A run of my board is under way (process ")
    person.tell("Mind on this bench")
    beside.until("Mind on this bench")
    assert person.before(ASKED) == ""
    beside.until("Set by hand   phases: 10")
    beside.press(b"x\n")
    assert answered(lambda: person.before(ASKED)) == "go"
    assert not person.switch(True, "fixed work")
    beside.until("Put the load on now (fixed work)")
    beside.press(b"n\r")  # n is no answer, and does not count for later either
    assert answered(lambda: person.switch(True, "fixed work"))
    board.show(frame())
    beside.until("356.1 ± 1.8 W")
    beside.until("[q] leave")
    beside.press(b"n")
    assert answered(board.pressed) == "next"
    beside.press(b"s")
    assert answered(board.pressed) == "stop"
    person.tell("one: ran - settled")
    beside.until("one: ran - settled")
    board.close(RESULT)
    found = beside.end()
    assert found.recorded.run.ended == "stopped by the person" and found.recorded.done == ("one",) and not found.under_way
    assert beside.seen.count("Mind on this bench") == 1 and beside.seen.count("356.1 ± 1.8 W") == 1


def test_programs_are_asked_about_here_too_and_leaving_does_nothing_to_the_run(tmp_path):
    board = Board(tmp_path, "my board")
    person, said = BoardPerson(board), []
    asking = threading.Thread(target=lambda: said.append(person.may_start((("my-load", "-t"),))), daemon=True)
    beside = Beside(tmp_path)
    asking.start()
    beside.until("my-load -t")
    beside.press(b"y")
    asking.join(10.0)
    assert said == [True]
    beside.press(b"q")
    found = beside.end()
    assert found.recorded is None and found.under_way and "Left; the run goes on." in beside.seen
    assert board.pressed() == ""
    board.close(RESULT)


def test_an_answer_given_elsewhere_leaves_the_stop_key_of_the_runs_own_terminal_alive(tmp_path):
    """The question that stands on the screen is answered on the board; s must stop the load that follows."""
    ours, theirs = pty.openpty()
    with (open(theirs, "w", encoding="utf-8", closefd=False) as out,
          open(theirs, encoding="utf-8", closefd=False) as source):
        own = TerminalPerson(out, source)
        board = Board(tmp_path, "my board")
        person = BoardPerson(board, own)
        with own.at_the_keys():
            assert person.before(ASKED) == ""
            say(tmp_path, board.run, "go", 1)
            assert answered(lambda: person.before(ASKED)) == "go"
            person.show(frame())
            os.write(ours, b"s")
            assert answered(person.pressed) == "stop"
        board.close(RESULT)
    assert "go (said elsewhere)" in os.read(ours, 65536).decode()
    os.close(ours)
    os.close(theirs)


def test_without_keys_the_run_is_shown_alone_and_its_end_told(tmp_path):
    board, out = Board(tmp_path, "my board"), io.StringIO()
    found = []
    thread = threading.Thread(target=lambda: found.append(attend(tmp_path, TerminalPerson(out, io.StringIO("s\n")))), daemon=True)
    thread.start()
    board.show(frame())
    answered(lambda: "Input power 356.1 ± 1.8 W" in out.getvalue())
    assert "There are no keys here" in out.getvalue() and board.pressed() == ""
    board.close({"faults": [["bench.toml", "no step is left", "add one"]]})
    thread.join(10.0)
    assert found[0].recorded.run.ended == "no step is left - add one"


def rewritten(folder, **changes):
    path = folder / PLACE / NOW
    path.write_text(json.dumps({**json.loads(path.read_text()), **changes}))


@pytest.mark.parametrize(("changes", "words"), [({"at_ns": 0}, "was not heard for 5 s"), ({"run": "1-2"}, "left its board")])
def test_a_run_that_falls_silent_or_is_another_is_told(tmp_path, changes, words):
    board, out = Board(tmp_path, "my board"), io.StringIO()
    found = []
    thread = threading.Thread(target=lambda: found.append(attend(tmp_path, TerminalPerson(out, io.StringIO()))), daemon=True)
    thread.start()
    answered(lambda: "is under way" in out.getvalue())
    rewritten(tmp_path, **changes)
    thread.join(10.0)
    assert words in out.getvalue() and found[0].recorded is None and not found[0].under_way
    board.close(RESULT)
    assert attend(tmp_path / "nowhere", TerminalPerson(out, io.StringIO())).under_way is False


def test_what_no_run_of_ours_wrote_is_not_shown(tmp_path):
    board = Board(tmp_path, "my board")
    beside = Beside(tmp_path)
    beside.until("is under way")
    rewritten(tmp_path, frame={"lines": [], "said": []}, asked=None)
    rewritten(tmp_path, asked={"kind": "before", "number": 7})
    beside.until("cannot be shown here")
    (tmp_path / PLACE / "words.txt").unlink()
    beside.press(b"s")
    beside.until("could not be said")
    beside.press(b"q")
    assert beside.end().under_way
    board.close({})
    assert result_of({"steps": [1]}) is None and result_of({}).done == ()


def test_record_beside_a_run_attaches_and_a_demo_there_is_not_made_anew(tmp_path):
    from phasewright.app.jobs import DEMO_MARK

    (tmp_path / DEMO_MARK).write_text("x")
    board, run = Board(tmp_path, "my board"), CliRunner()

    def soon(what, *given):
        timer = threading.Timer(0.3, what, given)
        timer.start()
        return timer

    refused = run.invoke(main, ["demo", str(tmp_path), "--live", "--again"])
    assert refused.exit_code == 4 and "a run is under way there" in refused.output
    timer = soon(board.close, RESULT)
    said = run.invoke(main, ["record", str(tmp_path)])
    assert said.exit_code == 3 and "A run of my board is under way" in said.output and "Not run yet: two" in said.output
    timer.join()  # only then is the board free
    board = Board(tmp_path, "my board")
    timer = soon(board.close, {**RESULT, "left": []})
    said = run.invoke(main, ["record", str(tmp_path), "--json"])
    assert said.exit_code == 0 and json.loads(said.stdout)["done"] == ["one"]
    timer.join()
    board = Board(tmp_path, "my board")
    timer = soon(lambda: rewritten(tmp_path, run="1-2"))
    said = run.invoke(main, ["record", str(tmp_path), "--json"])
    assert said.exit_code == 3 and json.loads(said.stdout) == {"under_way": False}
    timer.join()
    board.close(RESULT)


def test_the_recorder_of_a_run_whose_guide_is_gone_is_waited_for(tmp_path, monkeypatch):
    """After a crash of the guide the command is run again at once; its recorder still records the cool-down."""
    from phasewright.app import recording_run
    from phasewright.bench import Fault, NotReady

    monkeypatch.setattr(recording_run, "RETRY_S", 0.01)
    out, tries = io.StringIO(), []
    person = BoardPerson(Board(tmp_path, "my board"), TerminalPerson(out, io.StringIO()))

    def start(what="another recorder is at work there (process 7)", times=3):
        tries.append(what)
        if len(tries) <= times:
            raise NotReady(Fault("journal", what, "let it end"))
        return "a station"

    assert recording_run._station(person, start) == "a station" and len(tries) == 4
    assert out.getvalue().count("still records the cool-down") == 1
    with pytest.raises(NotReady, match="no instrument"):
        recording_run._station(person, lambda: start("no instrument has a connection", 99))
    say(tmp_path, person.board.run, "stop")
    with pytest.raises(NotReady, match="another recorder"):
        recording_run._station(person, lambda: start(times=99))
    monkeypatch.setattr(recording_run, "PATIENCE_S", -1.0)
    with pytest.raises(NotReady, match="another recorder"):
        recording_run._station(person, lambda: start(times=99))
    person.board.close({})
