"""K07, K09, K16 to K19 of the project's list: bodies, payloads, the network, other users, what is shipped, slow clients."""

import csv
import io
import itertools
import json
import math
import os
import re
import socket
import stat
import subprocess
import sys
import threading
import time
import tomllib
from pathlib import Path

import pytest

from phasewright.app.web import server

PROJECT = Path(__file__).parents[2]


def resident() -> float:
    """Return the memory of this process, server and clients of the test in one [MiB]."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


# ---- K07: bodies -----------------------------------------------------------------------------------------------------


def test_k07_a_body_without_an_end_is_cut_off_and_takes_no_memory(roomy):
    """128 MiB may come; whoever goes on is cut off, and what was sent is gone. Memory: 50 MiB more at most."""
    served, place = roomy
    head = (
        f"PUT /campaign/{place.id}/logs?name=endless.csv HTTP/1.1\r\nHost: 127.0.0.1:{served.gate.port}\r\n"
        f"Origin: {served.origin}\r\nX-Phasewright-Token: {served.gate.token}\r\n"
        "Content-Type: application/octet-stream\r\nTransfer-Encoding: chunked\r\n\r\n"
    ).encode()
    piece = b"%x\r\n" % (1 << 18) + b"1,2,3,4\n" * (1 << 15) + b"\r\n"
    before, most, sent = resident(), 0.0, 0
    with socket.create_connection(("127.0.0.1", served.gate.port), 20) as line:
        line.sendall(head)
        try:
            while sent < 4 * served.gate.upload_most:
                line.sendall(piece)
                sent += len(piece)
                most = max(most, resident())
            answered = b""
        except OSError:  # the line was shut while the body was still coming
            answered = b"shut"
    assert answered == b"shut" and sent < 2 * served.gate.upload_most
    assert most - before < 50.0
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline and any((place.folder / "logs").iterdir()):
        time.sleep(0.02)
    assert not any((place.folder / "logs").iterdir())


@pytest.fixture
def roomy(empty):
    """A server with one campaign that takes logs of 128 MiB."""
    given = {"campaign-name": "roomy", "name": "b", "board-name": "b", "regulator-name": "r", "regulator-phase_count": "4"}
    assert empty.post("/new", **given).status_code == 204
    object.__setattr__(empty.gate, "upload_most", 1 << 27)
    return empty, empty.place("roomy")


def test_k07_a_body_of_a_thousand_parts_or_packed_is_not_taken_apart(roomy):
    served, place = roomy
    parts = b"".join(b'--x\r\nContent-Disposition: form-data; name="f%d"\r\n\r\nv\r\n' % n for n in range(1000)) + b"--x--\r\n"
    for path in ("/new", f"/campaign/{place.id}/bench"):
        head = {**served.ours, "content-type": "multipart/form-data; boundary=x"}
        answer = served.client.post(path, content=parts, headers=head)
        assert answer.status_code == 415
    # What says that it is packed is taken as it is: nothing is ever unpacked, so nothing can swell.
    packed = {**served.ours, "content-type": "application/json", "content-encoding": "gzip"}
    assert served.client.post("/new", content=b"\x1f\x8b\x08\x00" + bytes(200), headers=packed).status_code == 400


def test_k08_archives_are_refused_unopened(roomy):
    """A deflate stream can swell a thousandfold; none is unpacked, whatever its name says."""
    import gzip
    import io
    import zipfile

    served, place = roomy
    bag = io.BytesIO()
    with zipfile.ZipFile(bag, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("../../out.csv", b"0" * (1 << 24))
    before = resident()
    for name, content in (("bomb.csv", gzip.compress(b"1,2\n" * (1 << 24), 9)), ("bomb.txt", bag.getvalue())):
        head = {**served.ours, "content-type": "application/octet-stream"}
        served.client.put(f"/campaign/{place.id}/logs", params={"name": name}, content=content, headers=head)
        job = served.wait(place.id, "read")
        assert job.state == "failed" and "archive" in job.faults[0].what, (name, job.faults)
    assert resident() - before < 50.0 and not (served.folder.parent / "out.csv").exists()


# ---- K09: payloads ---------------------------------------------------------------------------------------------------

def hostile(folder: Path, payloads: list[str]) -> None:
    """Lay down a campaign in which every text that a person or a log may give is a payload, each of the 500 at least once."""
    from phasewright.bench import edited, new_text

    rest = itertools.cycle(payloads)
    (folder / "logs").mkdir(parents=True)
    paths = ("name", "notes", "board.name", "regulator.name", "processor.name", "processor.notes", "cooling.notes")
    bench = edited(new_text("bench.toml"), {path: next(rest) for path in paths if not path.endswith("notes") or path == "notes"})
    (folder / "bench.toml").write_text(bench, "utf-8")
    steps = [
        f"[[step]]\nname = {json.dumps(f'{n} ' + next(rest))}\nload = {json.dumps(next(rest))}\nnote = {json.dumps(next(rest))}\n"
        f'cooling = {json.dumps(next(rest))}\nphase_count = 4\nstart = "{60 * n} s"\n'
        for n in range(1, 125)
    ]
    text = edited(new_text("campaign.toml"), {"name": next(rest), "notes": next(rest)})
    (folder / "campaign.toml").write_text(text + "\n" + "\n".join(steps), "utf-8")
    header = ",".join('"' + next(rest).replace('"', '""') + '"' for _ in range(40))
    rows = "".join(f"{n}," + ",".join(["1"] * 40) + "\n" for n in range(60))
    (folder / "logs" / "a.csv").write_text(f"time [s],{header}\n{rows}", "utf-8")


def test_k09_five_hundred_payloads_run_nowhere_in_a_browser(browser, empty, payloads):
    assert len(set(payloads)) == 500
    hostile(empty.folder / "hostile", payloads)
    place = empty.place("hostile")
    assert len(tomled(place)["step"]) == 124
    tab = browser.tab()
    tab.open(f"{empty.origin}/#t={empty.gate.token}")
    tab.until("!!document.querySelector('.bar') && !location.hash")
    home = f"/campaign/{place.id}"
    for path in ("/", home, f"{home}/logs", f"{home}/bench", f"{home}/record", f"{home}/guide"):
        tab.open(empty.origin + path)
        if path.endswith("/logs"):  # the log whose every column is a payload asks for its map
            tab.click("button[hx-post$='/read']")
            tab.until("!!document.querySelector('.reading form .columns > li, .reading .faults')")
            assert tab.run("document.querySelectorAll('.columns > li').length") >= 40
        assert tab.run("window.bad") is None and tab.run("document.title") != "bad", path
        assert tab.run("document.querySelectorAll('script').length") <= 2
    assert tab.said() == []
    tab.close()


def tomled(place) -> dict:
    import tomllib

    return tomllib.loads((place.folder / "campaign.toml").read_text("utf-8"))


def test_k09_no_payload_runs_in_guide_svg_or_markdown(browser, worked, tmp_path, payloads):
    """The demo's own analysis with payloads for every name, set as the guide's page, as Markdown and as a figure's file."""
    from dataclasses import replace

    from markdown_it import MarkdownIt

    from phasewright.report import figure_file, guide_document, section_html, style_sheet
    from phasewright.report.markdown import markdown_of

    study = worked.desk.study(worked.place("demo"))
    rest = itertools.cycle(payloads)
    steps = tuple(
        replace(item, step=replace(item.step, name=f"{n} {next(rest)}", note=next(rest)),
                reasons=tuple(next(rest) for _ in item.reasons))
        for n, item in enumerate(study.analysis.steps)
    )  # fmt: skip
    campaign = replace(study.analysis.campaign, name=next(rest), notes=next(rest), steps=tuple(item.step for item in steps))
    bench = replace(study.analysis.bench, name=next(rest), board=replace(study.analysis.bench.board, name=next(rest)))
    analysis = replace(study.analysis, steps=steps, campaign=campaign, bench=bench, notes=tuple(itertools.islice(rest, 300)))
    document = guide_document(analysis, version=next(rest))
    drawings = {figure.name: ("<svg></svg>", "<svg></svg>") for figure in document.figures()}
    body = "".join(section_html(section, drawings, banner=document.banner) for section in document.sections)
    page = f"<!doctype html><meta charset=utf-8><style>{style_sheet()}</style>{body}"
    (tmp_path / "guide.html").write_text(page, "utf-8")
    figure = next(item for item in document.figures() if item.name == "bench")
    (tmp_path / "figure.svg").write_text(figure_file(figure, document.banner), "utf-8")
    assert page.count("window") > 50  # they are there, as text
    # As the strictest of readers would not set it: markup within the text is let through.
    set_text = MarkdownIt("commonmark", {"html": True}).enable("table").render(markdown_of(document))
    assert set_text.count("window") > 50 and set_text.count("<table>") > 10
    pictures = set_text.count("<img src=\"figures/")
    (tmp_path / "figures").mkdir()
    for item in document.figures():
        (tmp_path / "figures" / f"{item.name}.svg").write_text("<svg xmlns='http://www.w3.org/2000/svg'/>")
    (tmp_path / "markdown.html").write_text(f"<!doctype html><meta charset=utf-8><title>x</title>{set_text}", "utf-8")
    tab = browser.tab()
    for name in ("guide.html", "figure.svg", "markdown.html"):
        # No policy stands before these files here: nothing but the escaping keeps the payloads asleep.
        tab.open((tmp_path / name).as_uri())
        assert tab.run("window.bad") is None and tab.run("document.title") != "bad"
        assert tab.run("document.querySelectorAll('script, iframe, object, embed, form, base, link').length") == 0
        assert tab.run("document.querySelectorAll('img').length") == (pictures if name == "markdown.html" else 0)
        assert tab.run("[...document.querySelectorAll('[href], [src]')].filter(e => /^\\s*(javascript|data|vbscript):/i.test("
                       "e.getAttribute('href') || e.getAttribute('src'))).length") == 0  # fmt: skip
        assert tab.run("[...document.querySelectorAll('*')].filter(e => [...e.attributes].some("
                       "a => a.name.startsWith('on') || a.name.startsWith('hx-'))).length") == 0  # fmt: skip
    assert [text for text in tab.said() if "file://" not in text] == []
    tab.close()


# ---- K13: formula cells ----------------------------------------------------------------------------------------------


def test_k13_every_exported_table_holds_its_numbers_and_no_formula(worked):
    """Each table of the demo as it is given away: what is a number comes back bit for bit, what is none is no formula."""
    from phasewright.quantity import Value

    place, count, below = worked.place("demo"), 0, 0
    study = worked.desk.study(place)
    assert len(study.tables) > 30
    for name, table in study.tables.items():
        text = worked.client.get(f"/campaign/{place.id}/tables/{name}.csv").text
        rows = list(csv.reader(io.StringIO(text)))[1:]
        assert len(rows) == len(table.rows), name
        for fields, cells in zip(rows, table.rows, strict=True):
            numbers = {float(field) for field in fields if NUMBER.fullmatch(field)}
            assert not [field for field in fields if field.startswith(STARTS) and not NUMBER.fullmatch(field)], (name, fields)
            parts = [x for cell in cells for x in ((cell.value, cell.u, cell.low95, cell.high95) if isinstance(cell, Value)
                                                   else (cell,))]  # fmt: skip
            told = {float(x) for x in parts if isinstance(x, int | float) and not isinstance(x, bool) and math.isfinite(x)}
            assert told <= numbers, (name, told - numbers)
            count, below = count + len(told), below + sum(x < 0.0 for x in told)
    assert count > 1000 and below > 10


STARTS = ("=", "+", "-", "@", "\t", "\r", "\0", "＝", "＋", "－", "＠")
NUMBER = re.compile(r"-?\d+(\.\d+)?(e[+-]?\d+)?")


# ---- K16: the network ------------------------------------------------------------------------------------------------


def test_k16_the_page_works_where_there_is_no_network_but_loopback(tmp_path):
    """In a network namespace of its own, where this system allows one; the whole suite is watched by a fixture besides."""
    code = (
        "import sys, httpx, subprocess, re, time\n"
        "p = subprocess.Popen([sys.executable, '-m', 'phasewright.app.cli', 'serve', sys.argv[1], '--no-open'],"
        " stdout=subprocess.PIPE, text=True)\n"
        "line = p.stdout.readline()\n"
        "address, token = re.search(r'(http://[^/]+)/#t=(\\S+)', line).groups()\n"
        "answer = httpx.get(address + '/', headers={'x-phasewright-token': token}, timeout=30)\n"
        "print(answer.status_code, 'There is no campaign here yet' in answer.text)\n"
        "p.terminate(); p.wait()\n"
    )
    alone = ["unshare", "--map-root-user", "--net", "sh", "-c", 'ip link set lo up && exec "$@"', "sh"]
    allowed = subprocess.run([*alone, "true"], capture_output=True, check=False).returncode == 0
    command = [*(alone if allowed else []), sys.executable, "-c", code, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.stdout.strip() == "200 True", done.stdout + done.stderr


def test_k16_nothing_of_this_suite_has_left_the_machine(only_loopback):
    with socket.socket() as line, pytest.raises(AssertionError, match="left the machine"):
        line.connect(("192.0.2.1", 80))  # TEST-NET-1 of RFC 5737: the watch is awake
    only_loopback.pop()
    assert only_loopback == []


# ---- K17: another user -----------------------------------------------------------------------------------------------


def test_k17_another_user_cannot_read_the_way_in(tmp_path):
    private = Path(server.tempfile.mkdtemp(dir=tmp_path))
    way = server._way_in(private, "http://127.0.0.1:1/#t=secret")
    assert stat.S_IMODE(private.stat().st_mode) == 0o700 and stat.S_IMODE(way.stat().st_mode) == 0o600
    if os.geteuid() != 0:
        return  # the modes above are all that can be seen without a second user
    for folder in (tmp_path, *tmp_path.parents):
        os.chmod(folder, folder.stat().st_mode | 0o011) if folder != Path("/") else None
    code = (
        "import os; os.setgid(65534); os.setuid(65534)\n"
        f"try: print(open({str(way)!r}).read())\nexcept PermissionError: print('shut')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.strip() == "shut", done.stdout + done.stderr


def test_k17_another_user_finds_no_token_and_no_way_past_the_door(tmp_path):
    """`phasewright serve` as it is started: what somebody else on the machine can list and ask."""
    (tmp_path / "campaigns").mkdir()
    process = subprocess.Popen([sys.executable, "-m", "phasewright.app.cli", "serve", str(tmp_path / "campaigns"), "--no-open"],
                               stdout=subprocess.PIPE, text=True)  # fmt: skip
    try:
        port, token = re.search(r"127\.0\.0\.1:(\d+)/#t=(\S+)", process.stdout.readline()).groups()
        other = "import os; os.setgid(65534); os.setuid(65534)\n" if os.geteuid() == 0 else ""
        code = (
            "import sys, socket, pathlib, encodings.idna\n" + other +  # the library may lie where only this user may read
            "port, pid = sys.argv[1:]\n"
            "def ask(path):\n"
            "    with socket.create_connection(('127.0.0.1', int(port)), 10) as line:\n"
            "        head = f'GET {path} HTTP/1.1|Host: 127.0.0.1:{port}|Connection: close||'\n"
            "        line.sendall(head.replace('|', '\\r\\n').encode())\n"
            "        return b''.join(iter(lambda: line.recv(65536), b'')).decode('utf-8', 'replace')\n"
            "print(pathlib.Path(f'/proc/{pid}/cmdline').read_bytes())\n"
            "try: print(pathlib.Path(f'/proc/{pid}/environ').read_bytes())\n"
            "except PermissionError: print('shut')\n"
            "for path in ('/', '/new', '/library', '/job/1'): print(ask(path))\n"
        )
        done = subprocess.run([sys.executable, "-I", "-c", code, port, str(process.pid)], capture_output=True, text=True,
                              check=True, timeout=30, cwd="/")  # fmt: skip
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()
    assert token not in done.stdout and "New campaign" not in done.stdout
    assert done.stdout.count("HTTP/1.1 401") == 3 and done.stdout.count("ends in a token") >= 1
    assert os.geteuid() != 0 or "shut" in done.stdout


def test_k17_an_uploaded_log_follows_the_mask_of_its_owner(roomy):
    served, place = roomy
    head = {**served.ours, "content-type": "application/octet-stream"}
    served.client.put(f"/campaign/{place.id}/logs?name=a.csv", content=b"time [s],P [W]\n1,2\n2,3\n", headers=head)
    mask = os.umask(0o077)
    os.umask(mask)
    assert stat.S_IMODE((place.folder / "logs" / "a.csv").stat().st_mode) == 0o666 & ~mask


# ---- K18: what is shipped --------------------------------------------------------------------------------------------


def test_k18_every_package_is_held_by_its_fingerprint():
    for name in ("requirements.lock.txt", "requirements-dev.lock.txt", "tests/outside/requirements.lock.txt"):
        text = (PROJECT / name).read_text("utf-8")
        pinned = re.findall(r"^([A-Za-z0-9_.-]+)==\S+(.*?)(?=^\S|\Z)", text, re.MULTILINE | re.DOTALL)
        assert len(pinned) > 10
        assert [package for package, rest in pinned if "--hash=sha256:" not in rest] == []


def test_k18_the_linter_for_security_finds_nothing():
    """All of the security rules, over what is shipped; the few places that were looked at stand with their reasons in
    pyproject.toml, and nowhere else."""
    settings = tomllib.loads((PROJECT / "pyproject.toml").read_text("utf-8"))["tool"]["ruff"]["lint"]
    assert "S" in settings["select"] and not [rule for rule in settings["ignore"] if rule.startswith("S")]
    excused = {place: rules for place, rules in settings["per-file-ignores"].items() if place.startswith("src/")}
    assert all(len(rule) == 4 for rules in excused.values() for rule in rules if rule.startswith("S"))
    command = [sys.executable, "-m", "ruff", "check", "--select", "S", str(PROJECT / "src")]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=PROJECT)
    assert done.returncode == 0, done.stdout
    assert not [path for path in (PROJECT / "src").rglob("*.py") if re.search(r"noqa: *S\d", path.read_text("utf-8"))]
    broken = subprocess.run([*command[:-1], "--stdin-filename", str(PROJECT / "src" / "x.py"), "-"], text=True, check=False,
                            input="import os\nos.system(input())\n", capture_output=True, cwd=PROJECT)  # fmt: skip
    assert "S605" in broken.stdout  # the linter is awake


SECRETS = re.compile(
    r"-----BEGIN [A-Z ]*PRIVATE KEY|AKIA[0-9A-Z]{16}|gh[pousr]_[A-Za-z0-9]{36}|xox[baprs]-[A-Za-z0-9-]{10,}|"
    r"(?i:password|passwd|api_?key|secret)\s*=\s*[\"'][^\"'\s]{12,}[\"']"
)


def test_k18_no_secret_is_in_the_sources():
    assert SECRETS.search('api_key = "' + "x" * 20 + '"')  # the net has no hole where it is looked at
    found = [
        path for folder in ("src", "docs", "benchmarks", "changes") for path in (PROJECT / folder).rglob("*")
        if path.is_file() and path.suffix in (".py", ".md", ".toml", ".js", ".json", ".css", ".jinja", ".txt")
        and path.stat().st_size < 1 << 20 and SECRETS.search(path.read_text("utf-8", "replace"))
    ]  # fmt: skip
    assert found == []


# ---- K19: slow clients -----------------------------------------------------------------------------------------------


def test_k19_viewers_that_stall_hold_nobody_up(worked):
    """50 viewers, 10 of which ask for the largest page and never read it: all others are answered, memory stays bounded.

    The first fifty wake every worker thread of the server, each of which keeps a store of its own; fifty more add the pages
    that wait.
    """
    home = f"/campaign/{worked.place('demo').id}"
    # What the first look at a campaign brings in is no viewer's: it is kept once for all of them.
    assert worked.client.get(home).status_code == worked.client.get(f"{home}/tables/verdicts.csv").status_code == 200
    stalled, grown = [], []
    for _ in range(2):
        before, codes = resident(), []
        for _ in range(10):
            line = socket.create_connection(("127.0.0.1", worked.gate.port), 10)
            line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            line.sendall(f"GET {home} HTTP/1.1\r\nHost: 127.0.0.1:{worked.gate.port}\r\n"
                         f"x-phasewright-token: {worked.gate.token}\r\n\r\n".encode())  # fmt: skip
            stalled.append(line)
        viewers = [
            threading.Thread(target=lambda: codes.append(worked.client.get(f"{home}/tables/verdicts.csv").status_code))  # noqa: B023
            for _ in range(40)
        ]
        for viewer in viewers:
            viewer.start()
        for viewer in viewers:
            viewer.join(30)
        grown.append(resident() - before)
        assert codes == [200] * 40
    for line in stalled:
        line.close()
    assert grown[0] < 200.0 and grown[1] < 100.0, grown
