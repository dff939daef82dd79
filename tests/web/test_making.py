"""From an empty folder and raw logs to a campaign that can be worked out, by forms alone."""

import re
import socket
import time
import tomllib
from html.parser import HTMLParser

import httpx
import pytest

BENCH = {
    "name": "open bench", "board-name": "board A", "regulator-name": "main", "regulator-phase_count": "10",
    "regulator-switching_frequency": "500 kHz", "regulator-rail_voltage": "1.1 V", "cooling-coolant": "liquid",
    "regulator-protection-total_current": "330 A", "processor-power_limit": "320 W",
}  # fmt: skip


def lay_down(served, **more):
    return served.post("/new", **{"campaign-name": "How few phases?", **BENCH, **more})


def send(served, place, path, name=None):
    return served.client.put(
        f"/campaign/{place.id}/logs", params={"name": name or path.name}, content=path.read_bytes(),
        headers={**served.ours, "content-type": "application/octet-stream"},
    )  # fmt: skip


def suggested(page: str, job: str) -> dict[str, str]:
    """Return what the map form would send when nothing is changed."""
    given = {}
    for name, options in re.findall(r'<select id="[^"]+" name="([^"]+)".*?>(.*?)</select>', page, re.DOTALL):
        chosen = re.search(r'<option value="([^"]*)" selected>', options)
        given[name] = chosen[1] if chosen else ""
    for name in re.findall(r'<input type="checkbox" id="[^"]+" name="([^"]+)" value="yes" checked>', page):
        given[name] = "yes"
    return given


def test_the_form_shows_every_wrong_line_at_its_field_and_keeps_what_was_typed(empty):
    answer = lay_down(empty, **{"board-name": "", "regulator-phase_count": "many", "regulator-rail_voltage": "1.1 A"})
    assert answer.status_code == 422
    page = answer.text
    for field in ("board-name", "regulator-phase_count", "regulator-rail_voltage"):
        assert f'href="#{field}"' in page and f'id="{field}-wrong"' in page, field
    assert 'value="many"' in page and 'value="1.1 A"' in page and 'value="330 A"' in page
    assert list(empty.folder.iterdir()) == []


def test_a_new_campaign_has_both_files_with_their_comments(empty):
    answer = lay_down(empty)
    assert answer.status_code == 204
    place = empty.place("how-few-phases")
    assert answer.headers["hx-redirect"] == f"/campaign/{place.id}/logs"
    text = (place.folder / "bench.toml").read_text("utf-8")
    said = tomllib.loads(text)
    assert said["regulator"]["phase_count"] == 10 and said["cooling"]["coolant"] == "liquid"
    assert "# What stands on the bench" in text and text.count("change this") <= 1
    assert tomllib.loads((place.folder / "campaign.toml").read_text("utf-8"))["name"] == "How few phases?"
    again = lay_down(empty)
    assert again.status_code == 204 and (empty.folder / "how-few-phases-2").is_dir()


def test_the_bench_form_changes_lines_and_can_be_taken_back(empty):
    lay_down(empty)
    place = empty.place("how-few-phases")
    before = (place.folder / "bench.toml").read_bytes()
    ok = empty.post(f"/campaign/{place.id}/bench", **{**BENCH, "regulator-stage-current_rating": "70 A"})
    assert ok.status_code == 200 and "Kept in bench.toml." in ok.text
    assert b'current_rating = "70 A"' in (place.folder / "bench.toml").read_bytes()
    bad = empty.post(f"/campaign/{place.id}/bench", **{**BENCH, "regulator-stage-current_rating": "70 K"})
    assert bad.status_code == 422 and 'id="regulator-stage-current_rating-wrong"' in bad.text
    assert empty.post(f"/campaign/{place.id}/undo").status_code == 204
    assert (place.folder / "bench.toml").read_bytes() == before


def test_text_that_was_changed_meanwhile_is_not_overwritten(empty):
    lay_down(empty)
    place = empty.place("how-few-phases")
    page = empty.client.get(f"/campaign/{place.id}/bench").text
    mark = re.search(r'name="mark" value="(\w+)"', page)[1]
    text = (place.folder / "bench.toml").read_text("utf-8")
    (place.folder / "bench.toml").write_text(text + "\n# from an editor\n", "utf-8")
    answer = empty.post(f"/campaign/{place.id}/text/bench", text="mine", mark=mark)
    assert answer.status_code == 422 and "changed meanwhile" in answer.text and ">\nmine</textarea>" in answer.text
    assert (place.folder / "bench.toml").read_text("utf-8").endswith("# from an editor\n")


@pytest.mark.parametrize("body", [b"[]", b"3", b"{", b'{"a": 1}', b'{"a": ["x"]}', b"[" * 100_000, b"\xff"])
def test_bodies_that_are_no_form_are_refused(empty, body):
    answer = empty.client.post("/new", content=body, headers={**empty.ours, "content-type": "application/json"})
    assert answer.status_code == 400


def test_the_whole_way_from_raw_logs_to_answers(empty, demo_folder):
    lay_down(empty)
    place = empty.place("how-few-phases")
    for path in sorted((demo_folder / "logs").iterdir()):
        raw = path.read_bytes()
        answer = send(empty, place, path)
        assert answer.status_code == 201
        number = answer.headers["location"].split("/")[2]
        job = empty.wait(place.id, "read", states=("asking", "failed"))
        assert job.state == "asking" and job.id == number
        page = empty.client.get(answer.headers["location"]).text
        assert "Which column of" in page and page.count('<svg class="small"') == len(job.question.looks) > 1
        given = suggested(page, number)
        assert any(given.values())
        nothing = empty.post(f"/job/{number}/map", **{key: "" for key in given if not key.startswith("sum")})
        assert nothing.status_code == 422 and "No column is mapped" in nothing.text
        assert empty.post(f"/job/{number}/map", **given).status_code == 200
        assert empty.wait(place.id, "read", states=("done", "failed")).state == "done"
        assert (place.folder / "logs" / path.name).read_bytes() == raw
    channels = {
        name for entry in tomllib.loads((place.folder / "campaign.toml").read_text("utf-8"))["log"]
        for name in entry["channels"]
    }  # fmt: skip
    assert {"input_power", "package_power", "regulator_temperature", "coolant_temperature"} <= channels
    steps = tomllib.loads((demo_folder / "campaign.toml").read_text("utf-8"))["step"]
    for number, step in enumerate(steps[:4] + steps[6:7], start=1):
        words = {key: str(value) for key, value in step.items() if key in
                 ("name", "phase_count", "package_power", "load", "start", "end", "clock", "outcome")}  # fmt: skip
        answer = empty.post(f"/campaign/{place.id}/steps/{number}", **words)
        assert answer.status_code == 200, answer.text[-2000:]
    wrong = empty.post(f"/campaign/{place.id}/steps/6", name="", start="soon")
    assert wrong.status_code == 422 and 'id="stepnew-name-wrong"' in wrong.text and 'value="soon"' in wrong.text
    checked = empty.client.get(f"/campaign/{place.id}")
    assert "Working it out" in checked.text
    job = empty.wait(place.id, "study", states=("running", "done"))
    empty.post(f"/job/{job.id}/cancel")  # its answers are read in the browser's way through the same pages
    assert empty.wait(place.id, "study").state in ("cancelled", "done")
    # A step's edge is moved by typing, and taken back.
    moved = {"name": "10 phases, 210 W", "start": "2025-03-04T09:13:30"}
    assert empty.post(f"/campaign/{place.id}/steps/1", **moved).status_code == 200
    assert 'start = "2025-03-04T09:13:30"' in (place.folder / "campaign.toml").read_text("utf-8")
    assert "Working it out" in empty.client.get(f"/campaign/{place.id}").text
    empty.post(f"/campaign/{place.id}/undo")
    assert 'start = "2025-03-04T09:13:20"' in (place.folder / "campaign.toml").read_text("utf-8")


def test_a_log_is_read_cancelled_and_gone_again(empty, tmp_path):
    lay_down(empty)
    place = empty.place("how-few-phases")
    log = tmp_path / "meter.csv"
    log.write_text("time [s],Input power [W]\n" + "".join(f"{i},{100 + i % 3}\n" for i in range(200)))
    number = send(empty, place, log).headers["location"].split("/")[2]
    empty.wait(place.id, "read", states=("asking",))
    empty.post(f"/job/{number}/cancel")
    assert empty.wait(place.id, "read").state == "cancelled"
    assert list((place.folder / "logs").iterdir()) == []
    assert "[[log]]\nname" not in (place.folder / "campaign.toml").read_text("utf-8").replace("# ", "#")


def test_a_file_that_is_no_log_is_refused_with_its_faults(empty, tmp_path):
    lay_down(empty)
    place = empty.place("how-few-phases")
    log = tmp_path / "picture.png"
    log.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 50)
    number = send(empty, place, log).headers["location"].split("/")[2]
    job = empty.wait(place.id, "read")
    assert job.state == "failed" and job.faults and not job.failure
    assert 'role="alert"' in empty.client.get(f"/job/{number}/map").text


# K07 of the project's list for local web applications.


def test_k07_uploads_are_capped_while_they_stream(empty, tmp_path):
    lay_down(empty)
    place = empty.place("how-few-phases")
    cap = empty.gate.upload_most
    head = {**empty.ours, "content-type": "application/octet-stream"}
    path = f"/campaign/{place.id}/logs?name=big.csv"
    at_cap = empty.client.put(path, content=b"1,2\n" * (cap // 4), headers=head)
    assert at_cap.status_code == 201


    def refused(content) -> bool:
        """Tell whether a body was refused: by the answer, or by the line that is shut while it is still being sent."""
        try:
            return empty.client.put(path, content=content, headers=head).status_code == 413
        except httpx.TransportError:
            return True

    assert refused(b"x" * (cap + 1))

    def pieces():
        for _ in range(cap // 65536 + 2):
            yield b"1,2\n" * 16384

    assert refused(pieces())
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline and len(list((place.folder / "logs").iterdir())) > 1:
        time.sleep(0.02)
    assert [item.name for item in (place.folder / "logs").iterdir()] == ["big.csv"]
    for length in ("-1", "1e9", "99999999999999999999", "1, 2"):
        request = (
            f"PUT {path} HTTP/1.1\r\nHost: 127.0.0.1:{empty.gate.port}\r\nOrigin: {empty.origin}\r\n"
            f"X-Phasewright-Token: {empty.gate.token}\r\nContent-Type: application/octet-stream\r\n"
            f"Content-Length: {length}\r\n\r\nabc"
        ).encode()
        with socket.create_connection(("127.0.0.1", empty.gate.port), 10) as line:
            line.sendall(request)
            line.settimeout(5)
            answer = line.recv(4096)
        assert answer.split(b" ")[1] in (b"400", b"413"), (length, answer[:60])
    json = {**empty.ours, "content-type": "application/json"}
    assert empty.client.post("/new", content=b'{"a": "' + b"x" * (1 << 20) + b'"}', headers=json).status_code == 413


def test_k07_a_client_that_leaves_keeps_nothing(empty):
    lay_down(empty)
    place = empty.place("how-few-phases")
    request = (
        f"PUT /campaign/{place.id}/logs?name=half.csv HTTP/1.1\r\nHost: 127.0.0.1:{empty.gate.port}\r\n"
        f"Origin: {empty.origin}\r\nX-Phasewright-Token: {empty.gate.token}\r\n"
        "Content-Type: application/octet-stream\r\nContent-Length: 100000\r\n\r\n1,2\n"
    ).encode()
    with socket.create_connection(("127.0.0.1", empty.gate.port), 10) as line:
        line.sendall(request)
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline and any((place.folder / "logs").iterdir()):
        time.sleep(0.02)
    assert not any((place.folder / "logs").iterdir())
    assert empty.client.get("/").status_code == 200


class Tags(HTMLParser):
    """Collects what would run: event attributes, foreign sources, script addresses."""

    def __init__(self):
        super().__init__()
        self.bad = []

    def handle_starttag(self, tag, attributes):
        for name, value in attributes:
            if name.startswith("on") or "javascript:" in (value or "")[:20].lower() and name in ("href", "src"):
                self.bad.append((tag, name, value))
            if name in ("href", "src") and not re.match(r"(/(?!/)|#|$)", value or ""):
                self.bad.append((tag, name, value))


PAYLOADS = [
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "'><svg onload=alert(1)>", "javascript:alert(1)",
    "{{7*7}}", "${7*7}", "<!--", "]]>", "</textarea><script>alert(1)</script>", '" autofocus onfocus=alert(1) x="',
    "\u202etxt.exe", "<a href=//x.example>", "&lt;script&gt;", "</style><script>", "=cmd|' /C calc'!A0", "%3Cscript%3E",
]  # fmt: skip


@pytest.mark.parametrize("text", PAYLOADS)
def test_k09_what_people_and_logs_say_is_shown_and_never_run(empty, tmp_path, text):
    """Every place that shows foreign text: names, notes, headers, units, file names. A browser does the same below."""
    plain = re.sub(r"[\r\n,]", " ", text)
    lay_down(empty, **{"campaign-name": text, "board-name": text})
    place = empty.desk.shelf.places()[0]
    log = tmp_path / "log.csv"
    log.write_text(f'time [s],"{plain.replace(chr(34), chr(34) * 2)}",P [W]\n' + "".join(f"{i},{i},{i}\n" for i in range(50)))
    number = send(empty, place, log, name=text).headers["location"].split("/")[2]
    empty.wait(place.id, "read", states=("asking", "failed"))
    pages = [
        empty.client.get(path).text
        for path in ("/", f"/campaign/{place.id}/logs", f"/campaign/{place.id}/bench", f"/campaign/{place.id}/record",
                     f"/job/{number}/map", f"/campaign/{place.id}")
    ]
    bad = lay_down(empty, **{"regulator-rail_voltage": text, "board-name": ""})
    pages.append(bad.text)
    for page in pages:
        assert "<script>alert" not in page and "<img src=x" not in page and "<svg onload" not in page
        assert "<a href=//x" not in page and "49" not in re.findall(r"<h1>(.*?)</h1>", page)
        assert "\u202e" not in re.sub(r' value="[^"]*"', "", page)  # a field keeps what was typed, as it was typed
        found = Tags()
        found.feed(page)
        assert not found.bad
    empty.desk.work.stop()
