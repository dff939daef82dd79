"""The page under test: served on loopback from a thread, asked with httpx, and seen by a real browser.

The browser is Debian's chromium (or one that CHROMIUM names), driven over the DevTools protocol through a pipe. Where
there is none it is installed, if this user may; else the tests fail and say what to do.
"""

from __future__ import annotations

import itertools
import json
import os
import select
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from pathlib import Path

import httpx
import pytest
import uvicorn

from phasewright.app.web.guard import Gate
from phasewright.app.web.server import loopback_sockets
from phasewright.app.web.shelf import Shelf
from phasewright.app.web.site import make_site


class Served:
    """A server over a folder, with a client that has the token and a session."""

    def __init__(self, folder: Path, upload_most: int = 1 << 24):
        self.folder = folder
        sockets = loopback_sockets(0)
        self.gate = Gate(sockets[0].getsockname()[1], upload_most=upload_most)
        self.sockets = sockets
        self.site, self.desk = make_site(Shelf(folder), self.gate)
        config = uvicorn.Config(
            self.site, log_config=None, access_log=False, server_header=False, lifespan="off", ws="none", http="h11",
            proxy_headers=False, h11_max_incomplete_event_size=32768, timeout_graceful_shutdown=1,
        )  # fmt: skip
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": sockets}, daemon=True)
        self.thread.start()
        deadline = time.monotonic() + 20
        while not self.server.started and time.monotonic() < deadline:
            time.sleep(0.01)
        assert self.server.started
        self.origin = f"http://127.0.0.1:{self.gate.port}"
        self.client = httpx.Client(base_url=self.origin, timeout=60, trust_env=False)
        answer = self.client.post("/session", json={}, headers=self.ours)
        assert answer.status_code == 204

    @property
    def ours(self) -> dict[str, str]:
        """Headers that our own page sends with what changes something."""
        return {"origin": self.origin, "x-phasewright-token": self.gate.token}

    def post(self, address: str, **words) -> httpx.Response:
        """Ask for a change as our page does."""
        return self.client.post(address, json=words, headers=self.ours)

    def wait(self, campaign: str, kind: str, states=("done", "failed", "cancelled"), within: float = 300.0):
        """Return the newest job of a kind once it is in one of `states`."""
        deadline = time.monotonic() + within
        while time.monotonic() < deadline:
            job = next((item for item in self.desk.work.of(campaign) if item.kind == kind), None)
            if job is not None and job.state in states:
                return job
            time.sleep(0.02)
        raise AssertionError(f"{kind} did not end within {within} s: {job and (job.state, job.text)}")

    def place(self, name: str):
        """Return the campaign whose folder has this name."""
        return next(item for item in self.desk.shelf.places() if item.name == name)

    def stop(self) -> None:
        self.client.close()
        self.desk.work.stop()
        self.server.should_exit = True
        self.thread.join(10)
        for item in self.sockets:
            item.close()


@pytest.fixture(scope="session", autouse=True)
def only_loopback():
    """K16: every connection that a test of this folder opens goes to loopback; what does not is refused and listed."""
    tried: list[str] = []
    connect = socket.socket.connect

    def watched(line, address):
        if line.family != socket.AF_UNIX and address[0] not in ("127.0.0.1", "::1", "localhost"):
            tried.append(str(address))
            raise AssertionError(f"{address} would have left the machine")
        return connect(line, address)

    socket.socket.connect = watched
    yield tried
    socket.socket.connect = connect
    assert tried == []


@pytest.fixture(scope="session")
def worked(tmp_path_factory):
    """A server over a folder with the simulated demo, worked out with its model. Tests must not change it."""
    from phasewright.live import demo_scenario, make_campaign

    root = tmp_path_factory.mktemp("worked")
    make_campaign(root / "demo", demo_scenario(), 1)
    served = Served(root)
    place = served.place("demo")
    assert served.client.get(f"/campaign/{place.id}").status_code == 200
    assert served.wait(place.id, "study").state == "done"
    yield served
    served.stop()


@pytest.fixture(scope="session")
def demo_folder(worked) -> Path:
    """The demo of that server: to be copied, its logs are read already."""
    return worked.place("demo").folder


@pytest.fixture
def empty(tmp_path):
    """A server over an empty folder."""
    served = Served(tmp_path)
    yield served
    served.stop()


# ---- a real browser --------------------------------------------------------------------------------------------------


def chromium() -> str:
    """Return the browser; installs Debian's where that is allowed, else fails with what to do."""
    for name in (os.environ.get("CHROMIUM"), "chromium", "chromium-browser", "google-chrome"):
        if name and shutil.which(name):
            return shutil.which(name)
    if shutil.which("apt-get") and os.geteuid() == 0:
        subprocess.run(["apt-get", "update", "-q"], check=False, capture_output=True, timeout=300)
        subprocess.run(["apt-get", "install", "-q", "-y", "chromium"], check=False, capture_output=True, timeout=900)
        if shutil.which("chromium"):
            return shutil.which("chromium")
    pytest.fail(
        "No chromium on this machine, and it could not be installed from here: the page was not seen by a browser. "
        "Mend: apt-get install chromium, or name one: CHROMIUM=/path/to/chromium"
    )


class Browser:
    """Chromium without a window, spoken to over a pipe."""

    def __init__(self):
        self.profile = tempfile.mkdtemp(prefix="phasewright-browser-")
        there, here = os.pipe(), os.pipe()
        command = [
            chromium(), "--headless=new", "--remote-debugging-pipe", "--no-first-run", "--disable-gpu", "--no-sandbox",
            "--disable-dev-shm-usage", "--hide-scrollbars", "--force-color-profile=srgb", "--disable-background-networking",
            "--disable-component-update", "--disable-default-apps", "--disable-sync", "--disable-extensions",
            "--disable-renderer-backgrounding", "--disable-backgrounding-occluded-windows",
            "--disable-background-timer-throttling", "--no-pings",
            "--mute-audio", f"--user-data-dir={self.profile}", "about:blank",
        ]  # fmt: skip

        # Descriptors 3 and 4 are where the protocol's pipe is looked for.
        def hand_over():
            os.setsid()
            first, second = os.dup(there[0]), os.dup(here[1])
            os.dup2(first, 3)
            os.dup2(second, 4)

        self.process = subprocess.Popen(
            command, preexec_fn=hand_over, close_fds=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        os.close(there[0])
        os.close(here[1])
        self.out, self.into = there[1], here[0]
        self.numbers, self.buffer, self.events = itertools.count(1), b"", []

    def call(self, method: str, session: str = "", **words):
        """Return the answer to one command."""
        number = next(self.numbers)
        message = {"id": number, "method": method, "params": words} | ({"sessionId": session} if session else {})
        os.write(self.out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self.read(60)
            if answer.get("id") == number:
                if "error" in answer:
                    raise AssertionError(f"{method}: {answer['error']}")
                return answer["result"]
            self.events.append(answer)

    def calls(self, *commands):
        """Return the answers to several commands (session, method, words), sent at once: tabs work side by side."""
        numbers = []
        for session, method, words in commands:
            numbers.append(next(self.numbers))
            message = {"id": numbers[-1], "method": method, "params": words, "sessionId": session}
            os.write(self.out, json.dumps(message).encode() + b"\0")
        found = {}
        while len(found) < len(numbers):
            answer = self.read(60)
            if answer.get("id") not in numbers:
                self.events.append(answer)
                continue
            assert "error" not in answer, answer
            found[answer["id"]] = answer["result"]
        return [found[number] for number in numbers]

    def read(self, within: float):
        """Return the next message."""
        deadline = time.monotonic() + within
        while b"\0" not in self.buffer:
            if not select.select([self.into], [], [], max(0.0, deadline - time.monotonic()))[0]:
                raise TimeoutError("the browser said nothing")
            piece = os.read(self.into, 1 << 20)
            if not piece:
                raise AssertionError("the browser has ended")
            self.buffer += piece
        line, _, self.buffer = self.buffer.partition(b"\0")
        return json.loads(line)

    def drain(self) -> None:
        """Take in what the browser has said meanwhile."""
        while True:
            try:
                self.events.append(self.read(0.05))
            except TimeoutError:
                return

    def tab(self, width: int = 1440, height: int = 900, dark: bool = False) -> Tab:
        """Return a new tab of its own context."""
        context = self.call("Target.createBrowserContext")["browserContextId"]
        target = self.call("Target.createTarget", url="about:blank", browserContextId=context)["targetId"]
        session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        tab = Tab(self, session, target)
        for domain in ("Page", "Runtime", "Log", "Network"):
            tab.call(f"{domain}.enable")
        tab.size(width, height)
        tab.theme(dark)
        return tab

    def stop(self) -> None:
        try:
            self.call("Browser.close")
            self.process.wait(10)
        except (AssertionError, TimeoutError, OSError, subprocess.TimeoutExpired):
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait(10)
        os.close(self.out)
        os.close(self.into)
        shutil.rmtree(self.profile, ignore_errors=True)


class Tab:
    """One page of the browser."""

    def __init__(self, browser: Browser, session: str, target: str):
        self.browser, self.session, self.target = browser, session, target

    def call(self, method: str, **words):
        return self.browser.call(method, self.session, **words)

    def size(self, width: int, height: int) -> None:
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1,
                  mobile=width < 600)  # fmt: skip

    def theme(self, dark: bool) -> None:
        self.call("Emulation.setEmulatedMedia", features=[
            {"name": "prefers-color-scheme", "value": "dark" if dark else "light"},
            {"name": "prefers-reduced-motion", "value": "reduce"},
        ])  # fmt: skip

    def open(self, address: str) -> None:
        self.call("Page.navigate", url=address)
        self.until("document.readyState === 'complete' && location.href !== 'about:blank'")

    def run(self, code: str):
        """Return what JavaScript `code` gives (a promise is awaited)."""
        answer = self.call("Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise AssertionError(answer["exceptionDetails"])
        return answer["result"].get("value")

    def until(self, code: str, within: float = 60.0):
        """Wait until `code` is true, and return it."""
        deadline = time.monotonic() + within
        while time.monotonic() < deadline:
            try:
                value = self.run(code)
            except AssertionError:
                value = None  # between two pages
            if value:
                return value
            time.sleep(0.05)
        raise AssertionError(f"never true within {within} s: {code}; the page says: {self.run('document.body.innerText')[:800]}")

    def click(self, selector: str) -> None:
        self.until(f"!!document.querySelector({json.dumps(selector)})")
        self.run(f"document.querySelector({json.dumps(selector)}).click()")

    def key(self, name: str, text: str = "", modifiers: int = 0) -> None:
        """Press a key as a keyboard does."""
        codes = {"Tab": 9, "Enter": 13, "Escape": 27, " ": 32, "ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39,
                 "ArrowDown": 40, "Home": 36}  # fmt: skip
        words = {"key": name, "code": name, "windowsVirtualKeyCode": codes.get(name, 0), "modifiers": modifiers}
        text = text or ("\r" if name == "Enter" else name if len(name) == 1 else "")
        self.call("Input.dispatchKeyEvent", type="keyDown", **words, **({"text": text} if text else {}))
        self.call("Input.dispatchKeyEvent", type="keyUp", **words)

    def type(self, text: str) -> None:
        self.call("Input.insertText", text=text)

    def files(self, selector: str, *paths: Path) -> None:
        """Choose files in an input, as a person does."""
        root = self.call("DOM.getDocument")["root"]["nodeId"]
        node = self.call("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
        self.call("DOM.setFileInputFiles", nodeId=node, files=[str(path) for path in paths])

    def clip(self, selector: str) -> dict:
        """Return where on the page an element stands, the page's whole width with some air above and below."""
        box = self.run(
            f"(() => {{const r = document.querySelector({json.dumps(selector)}).getBoundingClientRect();"
            "return [r.y + scrollY, r.height, innerWidth]})()"
        )
        return {"x": 0, "y": max(0, box[0] - 10), "width": box[2], "height": max(1, min(box[1] + 20, 12000)), "scale": 1}

    def said(self) -> list[str]:
        """Return every error, warning and refusal that the console showed, and every address that was fetched off-host."""
        self.browser.drain()
        found = []
        for event in self.browser.events:
            if event.get("sessionId") != self.session:
                continue
            method, words = event.get("method"), event.get("params", {})
            if method == "Log.entryAdded" and words["entry"]["level"] in ("error", "warning"):
                found.append(f"{words['entry']['text']} {words['entry'].get('url', '')}")
            elif method == "Runtime.exceptionThrown":
                found.append(str(words["exceptionDetails"].get("exception", {}).get("description")))
            elif method == "Runtime.consoleAPICalled" and words["type"] in ("error", "warning", "assert"):
                found.append(str([item.get("value") or item.get("description") for item in words["args"]]))
            elif method == "Network.requestWillBeSent":
                url = words["request"]["url"]
                if not url.startswith(("http://127.0.0.1:", "data:", "about:", "blob:")):
                    found.append(f"fetched {url}")
        return found

    def close(self) -> None:
        self.browser.call("Target.closeTarget", targetId=self.target)


@pytest.fixture(scope="session")
def browser():
    """Chromium, started once."""
    made = Browser()
    yield made
    made.stop()


# ---- payloads --------------------------------------------------------------------------------------------------------

RUNS = ("window.bad=1", "window['bad']=1", "top.bad=1", "self.bad=1", "Function('window.bad=1')()", "eval('window.bad=1')",
        "setTimeout('window.bad=1')", "document.title='bad'", "location='//x.example'", "fetch('//x.example')")  # fmt: skip
FORMS = (
    "<script>{}</script>", "<ScRiPt >{}</sCrIpT>", "</title><script>{}</script>", "</textarea><script>{}</script>",
    "</style><script>{}</script>", "--><script>{}</script>", "]]><script>{}</script>", "<<script>{}//<</script>",
    '"><script>{}</script>', "'><script>{}</script>", '"><img src=x onerror="{}">', "'><img src=x onerror='{}'>",
    "<img src=x onerror={}>", "<img/src=x/onerror={}>", "<svg onload={}>", "<svg/onload={}>", "'><svg onload={}>",
    "<svg><script>{}</script></svg>", "<svg><animate onbegin={} attributeName=x dur=1s>", "<body onload={}>",
    "<iframe srcdoc='<script>{}</script>'>", "<iframe src=javascript:{}>", "<object data=javascript:{}>",
    "<embed src=javascript:{}>", "<a href=javascript:{}>x</a>", "<a href='java\tscript:{}'>x</a>", "javascript:{}",
    "<input autofocus onfocus={}>", '" autofocus onfocus="{}" x="', "' autofocus onfocus='{}' x='", "<details open ontoggle={}>",
    "<video><source onerror={}>", "<audio src=x onerror={}>", "<marquee onstart={}>", "<form><button formaction=javascript:{}>",
    "<math><mtext><script>{}</script>", "<template><script>{}</script></template>",
    "<noscript><p title='</noscript><img src=x onerror={}>'>",
    "<meta http-equiv=refresh content='0;url=javascript:{}'>", "<base href=javascript:{}//>",
    "<link rel=stylesheet href=//x.example/{}>",
    "<style>@import '//x.example/{}'</style>", "{{{{constructor.constructor('{}')()}}}}", "{{{{{}}}}}", "${{{}}}", "<%= {} %>",
    "#{{{}}}", "[[${{{}}}]]", "<x hx-get=/ hx-trigger=load hx-on:load={}>", "<b hx-on::after-settle={}>",
)  # fmt: skip


@pytest.fixture(scope="session")
def payloads() -> list[str]:
    """K09: 500 texts that would run a script where one of them were taken for markup."""
    return [form.format(code) for form, code in itertools.product(FORMS, RUNS)]


@pytest.fixture(scope="session")
def come_in(browser):
    """Gives a tab that has come in by the printed address and stands at a path."""

    def come(served: Served, path: str = "/", **look) -> Tab:
        tab = browser.tab(**look)
        tab.open(f"{served.origin}/#t={served.gate.token}")
        tab.until("!!document.querySelector('.bar') && !location.hash")
        if path != "/":
            tab.open(served.origin + path)
        return tab

    return come
