"""The record: a step's edges looked at while they are typed, clocks with their doubts, both settled by hand and taken back."""

import re
import shutil
import tomllib

import numpy as np
import pytest

from phasewright.app.web.clocks import on_trace
from phasewright.logs import ClockMap


@pytest.fixture(scope="module")
def home(worked):
    place = worked.place("demo")
    worked.client.get(f"/campaign/{place.id}/record")
    assert worked.wait(place.id, "record").state == "done"
    return f"/campaign/{place.id}"


@pytest.fixture
def copied(empty, demo_folder):
    """A server over a copy of the demo that may be changed; nothing of it is worked out."""
    shutil.copytree(demo_folder, empty.folder / "demo", ignore=shutil.ignore_patterns("derived"))
    return empty


def told(page: str) -> list[float]:
    """Return the numbers of the sentence that says where step and window lie."""
    return [float(x) for x in re.findall(r"([\d.]+) s\b", re.search(r'role="status">(.*?)</p>', page)[1])]


def test_a_step_is_looked_at_before_anything_is_kept(worked, home):
    finding = worked.desk.study(worked.place("demo")).step(4)
    text = (worked.place("demo").folder / "campaign.toml").read_bytes()
    as_is = worked.client.get(f"{home}/steps/4/look").text
    span, window = finding.span, finding.window
    assert told(as_is)[:4] == pytest.approx([span.start_s, span.end_s, window.start_s, window.end_s], abs=0.06)
    typed = worked.client.get(f"{home}/steps/4/look", params={"window_start": "100 s", "window_end": "200 s"}).text
    assert told(typed)[:4] == pytest.approx([span.start_s, span.end_s, span.start_s + 100, span.start_s + 200], abs=0.06)
    assert typed.count("<svg") == 2 and 'class="s-blue"' in typed and "Regulator temperature" in typed
    later = worked.client.get(f"{home}/steps/4/look", params={"start": f"{span.start_s + 20:.1f} s", "clock": ""}).text
    assert told(later)[0] == pytest.approx(span.start_s + 20, abs=0.06)
    words = {"name": "one more", "start": "4090 s", "end": "4150 s", "clock": ""}
    fresh = worked.client.get(f"{home}/steps/14/look", params=words)
    assert told(fresh.text)[:2] == [4090.0, 4150.0]
    assert (worked.place("demo").folder / "campaign.toml").read_bytes() == text


@pytest.mark.parametrize(("words", "said"), [
    ({"window_start": "soon"}, "is no quantity"),
    ({"start": "1 s", "clock": ""}, "before &#39;6 phases, 210 W&#39; ends"),
    ({"start": "99999 s", "clock": ""}, ""),
    ({"clock": "<script>alert(1)</script>"}, "is none of the logs"),
    ({"window_start": "100 s", "window_end": "105 s"}, "a window needs"),
])  # fmt: skip
def test_what_cannot_be_found_is_said_beside_the_form(worked, home, words, said):
    answer = worked.client.get(f"{home}/steps/4/look", params=words)
    assert answer.status_code == 200 and said in answer.text and "<script>" not in answer.text
    assert 'role="alert"' in answer.text or "No window" in answer.text


def test_a_step_that_is_not_there_is_not_looked_at(worked, home):
    for number in ("0", "15", "99999999999999999999"):
        assert worked.client.get(f"{home}/steps/{number}/look").status_code == 404


def test_what_is_kept_of_a_window_can_be_taken_back(copied):
    place = copied.place("demo")
    before = (place.folder / "campaign.toml").read_bytes()
    said = tomllib.loads(before.decode())["step"][3]
    kept = copied.post(f"/campaign/{place.id}/steps/4", name=said["name"], window_start="100 s", window_end="200 s")
    assert kept.status_code == 200 and "Kept in campaign.toml." in kept.text
    step = tomllib.loads((place.folder / "campaign.toml").read_text("utf-8"))["step"][3]
    assert (step["window_start"], step["window_end"]) == ("100 s", "200 s")
    wrong = copied.post(f"/campaign/{place.id}/steps/4", name=said["name"], window_start="100 W")
    assert wrong.status_code == 422 and 'id="step4-window_start-wrong"' in wrong.text
    copied.post(f"/campaign/{place.id}/undo")
    assert (place.folder / "campaign.toml").read_bytes() == before


def test_an_offset_is_stated_for_a_clock_and_taken_back(copied):
    place = copied.place("demo")
    path = place.folder / "campaign.toml"
    before = path.read_bytes()
    assert copied.post(f"/campaign/{place.id}/clocks/2", offset="\u22125.4 s").status_code == 204
    said = tomllib.loads(path.read_text("utf-8"))["log"][1]
    assert said["time"]["offset"] == "-5.4 s" and said["name"] == "host"
    assert path.read_text("utf-8").count("\n") == before.decode().count("\n") + 1
    for text in ("soon", "5 W", "1e9 d", "nan s"):
        answer = copied.post(f"/campaign/{place.id}/clocks/2", offset=text)
        assert answer.status_code == 422 and 'role="alert"' in answer.text, text
    for number in ("0", "4"):
        assert copied.post(f"/campaign/{place.id}/clocks/{number}", offset="1 s").status_code == 404
    copied.post(f"/campaign/{place.id}/undo")
    assert path.read_bytes() == before


def clock(status, **words) -> ClockMap:
    return ClockMap(**({"log": "host", "segment": 0, "reference": "meter", "status": status, "zero_ns": 0, "offset": 5.0,
                        "offset_u": 0.01} | words))  # fmt: skip


@pytest.mark.parametrize(("maps", "words", "doubtful", "reach"), [
    ((clock("aligned"),), "clock ±20 ms", False, 0.0196),
    ((clock("assumed", offset_u=30.0),), "clock assumed, ±59 s", True, 58.8),
    ((clock("assumed", offset_u=None),), "clock assumed, nothing supports it", True, 0.0),
    ((clock("ambiguous", candidates=((1.0, 0.9), (61.0, 0.89))),), "clock ambiguous, 2 places fit", True, 0.0),
    ((clock("reference"),), "reference clock", False, 0.0),
    ((), "no place on the reference clock", True, 0.0),
])  # fmt: skip
def test_every_trace_says_how_well_its_place_in_time_is_known(maps, words, doubtful, reach):
    assert on_trace(maps, "host")[:2] == (words, doubtful)
    assert on_trace(maps, "host")[2] == pytest.approx(reach)


def test_a_clock_that_began_anew_is_marked_where_it_did():
    maps = (clock("aligned", first=0.0, last=100.0), clock("aligned", segment=1, offset=12.0, first=130.0, last=300.0))
    assert on_trace(maps, "host")[3] == (142.0,)
    assert float(maps[1].to_reference(np.array([130_000_000_000]))[0]) == 142.0


def test_the_page_says_each_clock_with_its_interval(worked, home):
    page = worked.client.get(f"{home}/record").text
    clocks = page[page.index('id="clocks"') : page.index('id="steps"')]
    assert clocks.count("<details") == 3 and "all times are on this clock" in clocks and "ppm" in clocks
    assert "reference clock</text>" in page and re.search(r"clock ±[\d.]+ m?s</text>", page)
