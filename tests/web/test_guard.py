"""Who may ask: the rows K01 to K20 of the project's list for a local web application, as far as a request shows them.

Which test shows which row, and what was measured, stands in docs/reference/web-security.md. K05: there is no WebSocket
and no event stream on this server, and none is opened to anybody.
"""

import itertools
import logging
import os
import re
import socket
import stat
import subprocess
import sys
import threading
from pathlib import Path

import httpx
import pytest

from phasewright.app.web import guard, server
from phasewright.app.web.shelf import Shelf, log_file_name, slug
from phasewright.app.web.work import new_failure

READ = ("/", "/new", "/campaign/{id}", "/campaign/{id}/tables/verdicts.csv", "/job/1", "/nowhere")


def raw(served, request: bytes, within: float = 10.0) -> bytes:
    """Return the answer to exactly these bytes."""
    with socket.create_connection(("127.0.0.1", served.gate.port), within) as line:
        line.settimeout(within)
        line.sendall(request)
        answer = b""
        try:
            while piece := line.recv(65536):
                answer += piece
                if b"\r\n\r\n" in answer and b"connection: close" in answer.lower():
                    head, _, body = answer.partition(b"\r\n\r\n")
                    length = re.search(rb"content-length: (\d+)", head.lower())
                    if length and len(body) >= int(length[1]):
                        break
        except TimeoutError:
            pass
    return answer


def status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1]) if answer.startswith(b"HTTP/") else 0


def changing_routes(served) -> list[tuple[str, str]]:
    """Return (method, address) of every route that changes something, taken from the application itself."""
    app = served.site.inner
    found = []
    for route in app.routes:
        for method in (route.methods or set()) & {"POST", "PUT", "DELETE"}:
            path = route.path.replace("{campaign}", served.place("demo").id)
            found.append((method, re.sub(r"\{[^}]*\}", "1", path)))
    return found


LISTENING = "0A"
"""State of a socket in /proc/net/tcp that listens."""


def listening(pid: str = "self") -> set[str]:
    """Return the addresses on which a process listens, as the kernel lists them."""
    inodes = set()
    for link in Path(f"/proc/{pid}/fd").iterdir():
        try:
            inodes.add(os.readlink(link).removeprefix("socket:[").removesuffix("]"))
        except OSError:
            continue  # shut meanwhile
    found = set()
    for name, family in (("tcp", socket.AF_INET), ("tcp6", socket.AF_INET6)):
        for line in Path(f"/proc/{pid}/net/{name}").read_text().splitlines()[1:]:
            place, state, inode = (line.split()[k] for k in (1, 3, 9))
            if state == LISTENING and inode in inodes:
                words = bytes.fromhex(place.partition(":")[0])
                packed = b"".join(words[k : k + 4][::-1] for k in range(0, len(words), 4))
                found.add(socket.inet_ntop(family, packed))
    return found


def test_k01_only_loopback_listens(worked, tmp_path):
    assert "127.0.0.1" in listening() and listening() <= {"127.0.0.1", "::1"}
    process = subprocess.Popen([sys.executable, "-m", "phasewright.app.cli", "serve", str(tmp_path), "--no-open"],
                               stdout=subprocess.PIPE, text=True)  # fmt: skip
    try:
        assert "127.0.0.1" in process.stdout.readline()
        assert "127.0.0.1" in listening(str(process.pid)) and listening(str(process.pid)) <= {"127.0.0.1", "::1"}
        with socket.socket() as open_to_all:
            open_to_all.bind(("0.0.0.0", 0))
            open_to_all.listen()
            assert "0.0.0.0" in listening()  # the list would show it
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()


def forged_hosts(port: int) -> list[str]:
    names = [
        "attacker.example", "localhost.attacker.example", "attacker.example.localhost", "localhost.", "127.0.0.1.",
        "127.0.0.1.nip.example", "2130706433", "0x7f000001", "0177.0.0.1", "127.1", "127.0.1", "0", "0.0.0.0", "127.0.0.2",
        "[::ffff:127.0.0.1]", "[::ffff:7f00:1]", "[0:0:0:0:0:0:0:1]", "[::]", "::1", "localhost:80:80", "user@127.0.0.1",
        "127.0.0.1@attacker.example", "127.0.0.1#", "127.0.0.1/", "127.0.0.1\\", "localhost%00", "loCalhost.example",
        "", " ", "*", "null", "a" * 8000, "xn--lcalhost-6ld", "ⓛocalhost".encode().decode("latin-1"),
    ]  # fmt: skip
    ports = [f":{port}", "", ":80", f":{port + 1}", f":0{port}", ":"]
    return [name + end for name, end in itertools.product(names, ports)]


def test_k02_forged_hosts_are_refused_everywhere(worked):
    """Every forged host is refused before routing, on pages, data, static files and what does not exist alike."""
    port = worked.gate.port
    good = {f"127.0.0.1:{port}", f"localhost:{port}", f"[::1]:{port}"}
    hosts = [host for host in forged_hosts(port) if host not in good]
    assert len(hosts) >= 190
    paths = itertools.cycle([path.replace("{id}", worked.place("demo").id) for path in READ] + ["/static/x.css"])
    for host, path in zip(hosts, paths, strict=False):
        answer = raw(worked, f"GET {path} HTTP/1.1\r\nHost: {host}\r\nx-phasewright-token: {worked.gate.token}\r\n"
                             f"Connection: close\r\n\r\n".encode("latin-1"))  # fmt: skip
        assert status(answer) in (0, 400, 421), (host, answer[:80])
        assert b"Tarrowmere" not in answer
    for request in (
        f"GET / HTTP/1.1\r\nx-phasewright-token: {worked.gate.token}\r\nConnection: close\r\n\r\n",
        f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n",
        "GET http://attacker.example/ HTTP/1.1\r\nHost: attacker.example\r\nConnection: close\r\n\r\n",
        f"GET / HTTP/1.1\r\nHost: attacker.example:{port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n",
        f"GET / HTTP/1.1\r\nHost: attacker.example:{port}\r\nAccept: text/event-stream\r\nConnection: close\r\n\r\n",
    ):
        assert status(raw(worked, request.encode())) in (400, 421)
    for host in sorted(good):
        answer = raw(worked, f"GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
        assert status(answer) == 200


def test_k03_changes_need_our_origin_our_token_and_our_kind_of_body(worked):
    client, ours = worked.client, worked.ours
    routes = changing_routes(worked)
    assert len(routes) >= 4
    json = {"content-type": "application/json"}
    for method, path in routes:
        kind = {"content-type": "application/octet-stream"} if method == "PUT" else json
        wrong = [
            {**ours, **kind, "origin": "http://attacker.example"},
            {**ours, **kind, "origin": "null"},
            {**ours, **kind, "origin": f"http://127.0.0.1:{worked.gate.port + 1}"},
            {**ours, **kind, "origin": f"https://127.0.0.1:{worked.gate.port}"},
            {key: value for key, value in {**ours, **kind}.items() if key != "origin"},
            {key: value for key, value in {**ours, **kind}.items() if key != "x-phasewright-token"},
            {**ours, **kind, "x-phasewright-token": worked.gate.token[:-1] + "?"},
            {**ours, **kind, "x-phasewright-token": ""},
            {**ours, **kind, "sec-fetch-site": "cross-site"},
            {**ours, **kind, "sec-fetch-site": "same-site"},
            {**ours, "content-type": "text/plain"},
            {**ours, "content-type": "application/x-www-form-urlencoded"},
            {**ours, "content-type": "multipart/form-data; boundary=x"},
            ours,
        ]
        before = len(worked.desk.work.of("")) + len(worked.desk.work.of(worked.place("demo").id))
        for headers in wrong:
            assert client.request(method, path, content=b"{}", headers=headers).status_code in (403, 415), (path, headers)
        assert len(worked.desk.work.of("")) + len(worked.desk.work.of(worked.place("demo").id)) == before


def test_k04_reading_changes_nothing(worked):
    jobs = len(worked.desk.work.of(""))
    for method, path in changing_routes(worked):
        for reading in ("GET", "HEAD"):
            assert worked.client.request(reading, path).status_code in (200, 303, 404, 405), (method, path)
    assert len(worked.desk.work.of("")) == jobs
    for method in ("PATCH", "TRACE", "OPTIONS", "CONNECT", "PROPFIND"):
        assert worked.client.request(method, "/", headers=worked.ours).status_code in (400, 405)


def test_k05_no_websocket_is_opened_to_anybody(worked):
    for origin in (worked.origin, "http://attacker.example"):
        answer = raw(worked, (
            f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{worked.gate.port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
            f"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\nOrigin: {origin}\r\n\r\n"
        ).encode(), 1.0)  # fmt: skip
        assert status(answer) != 101


def test_a_foreign_page_reads_nothing_even_with_the_session(worked):
    path = f"/campaign/{worked.place('demo').id}"
    for headers in ({"origin": "http://attacker.example"}, {"sec-fetch-site": "cross-site", "sec-fetch-mode": "cors"},
                    {"sec-fetch-site": "same-site", "sec-fetch-mode": "no-cors"}):  # fmt: skip
        answer = worked.client.get(path, headers=headers)
        assert answer.status_code == 403 and "access-control-allow-origin" not in answer.headers


def test_without_session_or_token_nothing_of_a_campaign_is_seen(worked):
    with httpx.Client(base_url=worked.origin, trust_env=False) as stranger:
        door = stranger.get("/")
        assert door.status_code == 200 and "ends in a token" in door.text and "How few phases" not in door.text
        for path in READ[1:]:
            answer = stranger.get(path.replace("{id}", worked.place("demo").id))
            assert answer.status_code == 401 and "How few phases" not in answer.text
        wrong = stranger.post("/session", json={}, headers={**worked.ours, "x-phasewright-token": "guess"})
        assert wrong.status_code == 403 and not wrong.cookies
        right = stranger.post("/session", json={}, headers=worked.ours)
        cookie = right.headers["set-cookie"].lower()
        assert "httponly" in cookie and "samesite=strict" in cookie and worked.gate.token.lower() not in cookie


TRAVERSALS = [
    up + tail
    for up, tail in itertools.product(
        ("../", "..%2f", "%2e%2e/", "%2e%2e%2f", "%252e%252e%252f", "..\\", "..%5c", "%c0%ae%c0%ae/", "..%c0%af", "....//",
         "..;/", ".%00./", "%00", "/", "//", "C:\\", "file:///", "\\\\host\\share\\", "~/", "./", "%2f", "..%u2215", "․․/"),
        ("etc/passwd", "bench.toml", "campaign.toml", "demo/bench.toml", "../secret.txt", "../../secret.txt", "con", "nul.txt",
         "aux", "com1", "lpt1.csv", ".htaccess", "a/../../secret.txt"),
    )
]  # fmt: skip


OPENED: list[str] = []
"""Every file that this process, and the server in it, opened while `WATCH` was set."""
WATCH = threading.Event()


def _note_opened(event: str, words: tuple) -> None:
    if WATCH.is_set() and event in ("open", "os.scandir", "os.listdir", "os.rename", "os.remove", "os.mkdir") and words:
        OPENED.append(os.fsdecode(words[0]) if isinstance(words[0], str | bytes | os.PathLike) else str(words[0]))


sys.addaudithook(_note_opened)


@pytest.fixture
def opened():
    """What is opened while the test runs; a hook of the interpreter sees every file, whatever the code that asks for it."""
    OPENED.clear()
    WATCH.set()
    yield OPENED
    WATCH.clear()


def test_k06_no_name_leads_out_of_the_campaign(worked, opened):
    assert len(TRAVERSALS) >= 290
    secret = worked.folder.parent / "secret.txt"
    secret.write_text("the secret")
    shelf = Shelf(worked.folder)
    id_ = worked.place("demo").id
    for index, text in enumerate(TRAVERSALS):
        assert shelf.find(text) is None
        name = log_file_name(text)
        assert re.fullmatch(r"[A-Za-z0-9_-]+\.[A-Za-z0-9]+", name) and "/" not in name and not name.startswith(".")
        assert not re.fullmatch(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?", name)
        folder = shelf.free_folder(text)
        assert folder.parent == worked.folder and re.fullmatch(r"[a-z0-9-]+", folder.name)
        path = (f"/campaign/{text}", f"/static/{text}", f"/campaign/{id_}/tables/{text}", f"/campaign/{id_}/figures/{text}",
                f"/job/{text}")[index % 5]  # fmt: skip
        quoted = "".join(ch if 32 < ord(ch) < 127 else f"%{ord(ch) & 255:02x}" for ch in path)
        answer = raw(worked, f"GET {quoted} HTTP/1.1\r\nHost: 127.0.0.1:{worked.gate.port}\r\n"
                             f"x-phasewright-token: {worked.gate.token}\r\nConnection: close\r\n\r\n".encode())  # fmt: skip
        assert status(answer) in (303, 400, 404, 307), (text, answer[:100])
        assert b"the secret" not in answer and b"root:" not in answer and b"phasewright-bench" not in answer
    inside = (str(worked.folder), str(Path(guard.__file__).parents[3]), sys.prefix, sys.base_prefix)
    assert len(opened) > 100 and str(secret) in opened  # written above: the watch is awake
    assert [path for path in opened if path != str(secret) and not path.startswith(inside)] == []


def test_k06_links_are_not_followed_out_of_the_folder(tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "bench.toml").write_text("x")
    served = tmp_path / "served"
    served.mkdir()
    (served / "link").symlink_to(outside)
    assert Shelf(served).places() == ()


def test_k11_every_answer_has_the_whole_set_of_headers(worked):
    id_ = worked.place("demo").id
    names = [name.decode() for name, _ in guard.HEADERS]
    static = next(iter(__import__("phasewright.app.web.view", fromlist=["assets"]).assets()))
    asked = ["/", f"/campaign/{id_}", f"/campaign/{id_}/tables/verdicts.csv", f"/campaign/{id_}/figures/heat.svg",
             f"/static/{static}", "/static/none.css", "/nowhere", "/job/none"]  # fmt: skip
    for path in asked:
        answer = worked.client.get(path)
        for name in names:
            assert answer.headers.get_list(name) == [dict(guard.HEADERS)[name.encode()].decode()], (path, name)
        assert "cache-control" in answer.headers and "server" not in answer.headers
        assert answer.headers["cache-control"] == "no-store" or path.startswith("/static/")
    refused = worked.client.post("/demo", json={})
    assert refused.status_code == 403 and all(name in refused.headers for name in names)


def test_the_policy_has_no_exception():
    assert "unsafe" not in guard.POLICY and "*" not in guard.POLICY and guard.POLICY.startswith("default-src 'none'")
    templates = (guard.__file__.rsplit("/", 1)[0] + "/templates",)
    for name in os.listdir(templates[0]):
        with open(os.path.join(templates[0], name), encoding="utf-8") as stream:
            text = stream.read()
        assert not re.search(r"<script(?![^>]*\bsrc=)|\son\w+=|\sstyle=|<style|javascript:|hx-on|hx-vals=.js", text), name


def test_k14_a_failure_tells_its_id_and_nothing_else(worked, monkeypatch, caplog):
    from phasewright.app.web import answers

    def broken(*words):
        raise RuntimeError(f"secret path {__file__}")

    monkeypatch.setattr(answers, "_answered", broken)
    with caplog.at_level(logging.ERROR, "phasewright.page"):
        answer = worked.client.get(f"/campaign/{worked.place('demo').id}")
    name = re.search(r"F\d{4}", answer.text)[0]
    assert answer.status_code == 500
    assert "Traceback" not in answer.text and "secret path" not in answer.text and str(worked.folder) not in answer.text
    assert any(name in record.getMessage() for record in caplog.records)


def test_k15_one_event_is_one_line_in_the_log(caplog):
    try:
        raise ValueError("first\nFORGED line\r\x1b[31m\u202e")
    except ValueError:
        with caplog.at_level(logging.ERROR, "phasewright.page"):
            new_failure("GET", "/x\nFORGED")
    for record in caplog.records:
        text = record.getMessage()
        assert not re.search(r"[\r\n\x1b\u202e]", text)


def test_k17_the_token_is_for_this_user_alone(tmp_path):
    way = server._way_in(tmp_path, "http://127.0.0.1:1/#t=secret")
    assert stat.S_IMODE(way.stat().st_mode) == 0o600
    gate = guard.Gate(1)
    assert gate.token not in repr(gate) and gate.session not in repr(gate)
    assert len({guard.Gate(1).token for _ in range(50)}) == 50
    assert len(gate.token) >= 43


@pytest.mark.parametrize("text", ["", " ", ".", "..", "...", "CON", "a" * 500, "日本語", "é", "\0", "-", "a b"])
def test_names_of_folders_are_plain(text):
    assert re.fullmatch(r"[a-z0-9-]{1,70}", slug(text))


def test_what_is_shipped_of_htmx_is_what_its_makers_released():
    """Fingerprint of dist/htmx.min.js of htmx.org 2.0.11 on npm; its licence text is shipped beside it."""
    from hashlib import sha256
    from importlib.resources import files

    static = files("phasewright.app.web") / "static"
    assert sha256((static / "htmx.min.js").read_bytes()).hexdigest() == (
        "d6fdc75f204e6bdefa99b69bf1e6d4ac69b8a364f77929f45c13476b4000f717"
    )
    assert "Zero-Clause BSD" in (static / "htmx.LICENSE.txt").read_text("utf-8")
