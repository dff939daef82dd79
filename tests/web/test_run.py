"""The run on the page: a reader of the board that may die or lag, says words by the rules, and shows nothing that is not so."""

import base64
import json
import re
import time
from collections import deque
from pathlib import Path

import pytest

from phasewright.app import recording_board
from phasewright.app.recording_board import NOW, PLACE, Board, BoardPerson
from phasewright.app.recording_scene import Asked, Frame, Line
from phasewright.app.web.live import course
from phasewright.bench import Connection, Instrument, ReadingSource, escape
from phasewright.live import MachineClock, demo_scenario
from phasewright.live.instruments.driver import Polled, Surroundings
from phasewright.live.instruments.scpi import ScpiDriver
from phasewright.live.standin.scpi_server import ScpiServer
from phasewright.live.virtual.files import bench_text
from phasewright.plan import order_steps
from phasewright.quantity import Part, value_from_parts

PICTURES = Path(__file__).parents[2] / "build" / "page"
AXE = (Path(__file__).parent / "axe" / "axe.min.js").read_text(encoding="utf-8")
STEPS = [{"phase_count": count, "package_power": 300.0, "load": "steady", "protection_phase_current": 90.0} for count in (6, 4)]
WIRED = """
[[instrument]]
name = "meter"
[instrument.connection]
kind = "tail"
address = "meter.csv"
[instrument.reading.input_power]
ask = "power"
"""


@pytest.fixture
def served(empty):
    folder = empty.folder / "board"
    folder.mkdir()
    (folder / "bench.toml").write_text(bench_text(demo_scenario().bench, ()) + WIRED)
    (folder / "campaign.toml").write_text('format = "phasewright-campaign-1"\nname = "A <b>run</b>"\n' + "".join(
        f'[[step]]\nname = "{count} phases"\nphase_count = {count}\npackage_power = "300 W"\n' for count in (6, 4)))
    empty.place_of = empty.place("board")
    return empty


@pytest.fixture
def run(served):
    board = Board(served.place_of.folder, "A <b>run</b>")
    person = BoardPerson(board)
    yield person
    board.close({"ended": "the test is over"})


def asked(index=0, **changes):
    plan = order_steps(demo_scenario().bench, STEPS)
    given = {"planned": plan.steps[index], "number": index + 1, "count": 2, "command": ("my-load", "<script>x()</script>"),
             "advice": (plan.next_sentence, plan.teaches_sentence), "left": ("4 phases, 300 W",)}
    return Asked(**{**given, **changes})


def frame(**changes):
    power = value_from_parts(356.12, "W", [Part("a", 0.9)], "measured")
    hot = value_from_parts(71.4, "degC", [Part("b", 0.8)], "measured")
    lines = (Line("input_power", "Input power", power, 0.1, 768.0, 410.1, "", "stop: the connector's rating"),
             Line("regulator_temperature", "Regulator temperature", hot, 0.2, 110.0, 37.0, "", "stop: the protection"),
             Line("rail_current", "Rail current", None, 4.0, 480.0, None, "no <i>acknowledge</i>"))
    given = {"step": "6 phases, 300 W", "number": 1, "count": 2, "phase": "load", "elapsed": 125.0, "planned": 240.0,
             "lines": lines, "remaining": 1.9, "bound": 1.0, "to_settle": 80.0, "said": (), "alarm": "",
             "history": lambda channel, buckets: [(float(k), 70.0 - 20.0 / (k + 1), 71.0) for k in range(buckets)]}
    return Frame(**{**given, **changes})


def home(served):
    return f"/campaign/{served.place_of.id}/run"


def text_of(answer):
    return re.sub(r"\s+", " ", re.sub("<[^>]+>", " ", answer.text))


def say(served, run, word, to=None):
    given = {"run": run.board.run, "say": word} | ({} if to is None else {"to": str(to)})
    return served.post(home(served) + "/say", **given)


def shape(answer):
    return re.search(r"shape=([0-9a-f]+)", answer.text)[1]


def test_without_a_run_the_page_says_what_is_left_and_offers_to_begin(served):
    text = text_of(served.client.get(home(served)))
    assert "6 phases" in text and "Begin the run" in text and "no safety function" in text
    bench = served.place_of.folder / "bench.toml"
    bench.write_text(bench.read_text().partition("\n[[instrument]]\nname = \"meter\"")[0])
    text = text_of(served.client.get(home(served)))
    assert "no instrument says how it is read" in text and "Begin the run" not in text
    (served.place_of.folder / "campaign.toml").write_text('format = "phasewright-campaign-1"\nname = "n"\n')
    assert "No step is left to be run" in text_of(served.client.get(home(served)))
    bench.write_text("nonsense = 1\n")
    assert "nothing can be run until they are mended" in text_of(served.client.get(home(served)))


def test_a_question_is_shown_whole_and_its_answer_reaches_the_run(served, run):
    assert run.before(item := asked()) == ""
    answer = served.client.get(home(served))
    text = text_of(answer)
    for part in ("phases 6", "over-current protection of a phase 90 A", "hottest stage", "chance to trip", "Ends at",
                 "would teach most", "It is set: go", "Stop: load off now", "After this: 4 phases, 300 W"):
        assert part in text
    assert "<script>x()" not in answer.text and "&lt;script&gt;x()" in answer.text and "<b>run" not in answer.text
    assert say(served, run, "go", run.board._state["asked"]["number"]).status_code == 200
    assert run.before(item) == "go"
    assert run.board._state["asked"] is None


def test_an_answer_that_comes_late_or_from_another_run_answers_nothing(served, run):
    assert run.before(item := asked()) == ""
    old = run.board._state["asked"]["number"]
    say(served, run, "skip", old)
    assert run.before(item) == "skip"
    assert run.before(after := asked(1)) == ""
    for given in ({"run": run.board.run, "say": "go", "to": str(old)}, {"run": "1-2", "say": "go", "to": str(old + 1)},
                  {"run": run.board.run, "say": "done", "to": str(old + 1)}, {"run": run.board.run, "say": "rm", "to": "x"},
                  {"run": run.board.run, "say": "go"}, {}):
        answer = served.post(home(served) + "/say", **given)
        assert answer.status_code == 422 and "did not succeed" in answer.text
    # The same, past the page: the run itself decides what counts.
    words = served.place_of.folder / PLACE / "words.txt"
    for given in ({"run": run.board.run, "say": "go", "to": old}, {"run": "1-2", "say": "go", "to": old + 1}, [], "x", 5):
        words.write_bytes(words.read_bytes() + json.dumps(given).encode() + b"\n")
    words.write_bytes(words.read_bytes() + b'\xff{"run"\n{"run": "' + run.board.run.encode() + b'", "say": "stop"')
    assert run.before(after) == "" and run.pressed() == ""
    words.write_bytes(words.read_bytes() + b"}\n")
    assert run.pressed() == "stop" and run.pressed() == ""


def test_stop_and_next_need_no_question_and_stop_goes_first(served, run):
    run.show(frame())
    text = text_of(served.client.get(home(served)))
    for part in ("356.1 ± 1.8 W", "410 W below its end at 768 W", "37 K below its end at 110 °C", "no acknowledge",
                 "at most 1.9 K may still come", "about 1 min 20 s more", "load on for 2 min 05 s", "Enough: next step"):
        assert part in text.replace("&lt;i&gt;", "").replace("&lt;/i&gt;", "").replace("&#39;", "'")
    say(served, run, "next")
    say(served, run, "stop")
    assert run.pressed() == "stop" and run.pressed() == ""
    say(served, run, "next")
    assert run.pressed() == "next"


def test_words_are_taken_from_our_own_page_alone(served, run):
    run.show(frame())
    address, given = home(served) + "/say", {"run": run.board.run, "say": "stop"}
    for headers in ({"origin": served.origin}, served.ours | {"origin": "http://evil.example"},
                    {"x-phasewright-token": served.gate.token}, served.ours | {"x-phasewright-token": "x"},
                    served.ours | {"sec-fetch-site": "cross-site"}):
        assert served.client.post(address, json=given, headers=headers).status_code == 403
        assert served.client.post(home(served) + "/begin", json={}, headers=headers).status_code == 403
    assert served.client.post(address, data=given, headers=served.ours).status_code == 415
    assert served.client.get(address).status_code == 405
    assert run.pressed() == ""


def test_only_numbers_are_exchanged_until_more_than_numbers_changes(served, run):
    run.show(frame())
    first = served.client.get(home(served))
    run.board._framed = -1.0
    run.show(frame(elapsed=126.0))
    again = served.client.get(home(served) + "/now", params={"shape": shape(first)})
    assert "hx-retarget" not in again.headers and "2 min 06 s" in again.text and "say-stop" not in again.text
    run.tell("the meter came back")
    more = served.client.get(home(served) + "/now", params={"shape": shape(first)})
    assert more.headers["hx-retarget"] == "#run" and "the meter came back" in more.text and "say-stop" in more.text
    run.board._framed = -1.0
    run.show(frame(alarm="write failed: no space left"))
    text = served.client.get(home(served) + "/now", params={"shape": shape(more)}).text
    assert 'role="alert"' in text and "no space left" in text


def test_a_run_that_was_cut_off_is_not_shown_as_going_on(served, run):
    run.show(frame())
    place = served.place_of.folder / PLACE / NOW
    state = json.loads(place.read_text())
    for at in (state["at_ns"] - 6_000_000_000, state["at_ns"] + 10**15):
        place.write_text(json.dumps(state | {"at_ns": at}))
        text = text_of(served.client.get(home(served)))
        assert "Nothing was heard of the run for" in text and "load on" not in text and "Begin the run" in text
        assert say(served, run, "next").status_code == 422
        # It may only lag: stop stays in sight and is passed on.
        assert "Stop: load off now" in text and say(served, run, "stop").status_code == 200 and run.pressed() == "stop"


@pytest.mark.parametrize("hostile", [
    {"frame": {"step": "<img src=x onerror=y()>"}}, {"frame": 5}, {"asked": {"kind": "before"}},
    {"asked": {"kind": "x", "number": 1}}, {"asked": {"kind": "before", "number": 1}},
    {"told": "<script>"}, {"told": 7}, {"asked": [1]}, {"run": 5}, {"format": "other"}, {"at_ns": "soon"}, {"state": []},
    {"state": "ended", "result": {"steps": [["<script>", "a", "b"]], "ended": "<script>", "done": ["a"]}},
    {"state": "ended", "result": {"steps": 5}}, {"state": "ended", "result": []},
])
def test_a_board_that_no_run_of_ours_wrote_is_escaped_or_not_shown(served, run, hostile):
    run.show(frame())
    place = served.place_of.folder / PLACE / NOW
    place.write_text(json.dumps(json.loads(place.read_text()) | hostile))
    for address in (home(served), home(served) + "/now?shape=x"):
        answer = served.client.get(address)
        assert answer.status_code == 200 and "<script>" not in answer.text and "<img" not in answer.text
    place.write_bytes(b"\xff\x00 no json")
    assert served.client.get(home(served)).status_code == 200


def test_k09_what_an_instrument_calls_itself_runs_nowhere(browser, served, run, payloads, monkeypatch):
    """500 answers to the question who is there, from a SCPI instrument on loopback to the Run page in a browser."""
    meter = ScpiServer(lambda question: "1.0")
    wire = Instrument("meter", connection=Connection("scpi", address=meter.address),
                      reading={"input_power": ReadingSource("input_power", ask="MEAS:POW?")})  # fmt: skip
    told = []
    for text in payloads:
        meter.identity = text
        driver = ScpiDriver(wire, Surroundings(MachineClock()))
        why = driver.read_identity(Polled())
        # What begins as a block of IEEE 488.2 does and is none loses the line; why is told then.
        assert driver.identity == ("" if text.startswith("#") else escape(text, 200)) and bool(why) == text.startswith("#")
        told.append(f"disconnected: {why} {text}" if why else f"connected: meter: {driver.identity}")
        driver.close()
    meter.close()
    monkeypatch.setattr(recording_board, "GONE_S", 600.0)
    tab = browser.tab()
    tab.open(f"{served.origin}/#t={served.gate.token}")
    tab.until("!!document.querySelector('.bar') && !location.hash")
    run.board._told = deque(told[:-1], maxlen=len(told))
    run.show(frame(said=tuple(told[:4])))
    run.tell(told[-1])
    tab.open(served.origin + home(served))
    tab.until("document.querySelectorAll('.told li').length >= 500")
    shown = tab.run("document.querySelector('#run').innerText")
    assert sum(text[:40] in shown for text in told) > 450  # spaces in a row are one on the page
    assert tab.run("window.bad") is None and tab.run("document.title") != "bad"
    assert tab.said() == []
    tab.close()


def test_a_course_keeps_extremes_and_its_bound():
    """R10: at most 4 000 points a line, extremes kept."""
    points = [(float(k), 20.0, 90.0 if k == 117 else 21.0) for k in range(240)]
    drawn = course(points, 110.0)
    pairs = [tuple(map(float, pair.split(","))) for pair in drawn["band"].split()]
    assert len(pairs) == 480 and drawn["high"] == "90" and drawn["low"] == "20" and drawn["bound"] == "2.0"
    assert min(y for _, y in pairs) == pytest.approx(2.0 + 20.0 / 90.0 * 36.0, abs=0.06)
    assert course(points, 1e4)["bound"] == "" and course(points, None)["bound"] == ""
    assert course(points[:1], 110.0) is None and course([(0.0, float("nan"), 1.0)] * 5, 1.0) is None


def test_the_stop_key_is_always_in_sight_and_one_key(browser, served, run, monkeypatch):
    """Escape stops wherever the focus is; at both widths and in both themes the key is in sight and nothing overflows."""
    monkeypatch.setattr(recording_board, "GONE_S", 600.0)
    run.before(asked())
    run.show(frame())
    for width, height, dark in ((1440, 900, False), (1440, 900, True), (390, 844, False), (390, 844, True)):
        tab = browser.tab(width=width, height=height, dark=dark)
        tab.open(f"{served.origin}/#t={served.gate.token}")
        tab.until("!!document.querySelector('.bar') && !location.hash")
        tab.open(served.origin + home(served))
        tab.until("!!document.querySelector('#say-stop')")
        box = tab.run("(() => {const r = document.getElementById('say-stop').getBoundingClientRect();"
                      "return [r.top, r.bottom, r.left, r.right]})()")
        assert 0 <= box[0] and box[1] <= height and 0 <= box[2] and box[3] <= width and box[1] - box[0] >= 44
        assert tab.run("document.documentElement.scrollWidth <= innerWidth")
        PICTURES.mkdir(parents=True, exist_ok=True)
        seen = tab.call("Page.captureScreenshot", format="png", optimizeForSpeed=True)["data"]
        (PICTURES / f"run-{width}{'-dark' if dark else ''}.png").write_bytes(base64.b64decode(seen))
        tab.run(AXE)
        found = tab.run("axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
                        ".then((r) => r.violations.map((v) => v.id + ': ' + v.nodes.map((n) => n.html).join(' | ')))")
        assert found == []
        if width == 390 and dark:
            tab.run("document.querySelector('.told summary, .asked button').focus()")
            tab.key("Escape")
            until = time.monotonic() + 5.0
            while (said := run.pressed()) == "" and time.monotonic() < until:
                time.sleep(0.02)
            assert said == "stop"
        assert tab.said() == []
        tab.close()
