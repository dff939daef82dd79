"""K20 of the project's list: a general web scanner against the page, with the session's token as a person would have it.

`make scan` runs it from an environment of its own (`requirements.lock.txt` beside this file). Every page of the simulated
demo is crawled from its links and forms, and each address is attacked with the scanner's own modules; those that need a
service outside this machine are left out, and named. Exit 1 for one finding of medium grade or above.

Usage: python tests/outside/scanner.py PATH-TO-WAPITI [seconds for each module]
"""

from __future__ import annotations

import http.server
import importlib.util
import json
import subprocess
import sys
import tempfile
import threading
import urllib.parse
from pathlib import Path

ROOT = Path(__file__).parents[2]
MODULES = (
    "backup", "cookieflags", "crlf", "csp", "csrf", "exec", "file", "htaccess", "http_headers", "methods", "permanentxss",
    "redirect", "shellshock", "sql", "upload", "xss",
)  # fmt: skip
LEFT_OUT = "log4shell, ssrf, takeover, wapp, xxe and the like need servers or lists from outside; brute forcing is no check"
MEDIUM = 2
"""Grade of the scanner: 1 low, 2 medium, 3 high, 4 critical."""
ANSWERED = {
    # A finding that is argued away stands here with its reason, and in docs/reference/web-security.md.
    "Strict-Transport-Security": "no TLS on loopback",
    "Secure Flag": "no TLS on loopback",
}


def main() -> int:
    """Serve the demo, scan it, print every finding, and tell whether any is of weight."""
    spec = importlib.util.spec_from_file_location("page_conftest", ROOT / "tests" / "web" / "conftest.py")
    tools = importlib.util.module_from_spec(spec)
    sys.modules["page_conftest"] = tools
    spec.loader.exec_module(tools)
    from phasewright.live import demo_scenario, make_campaign

    wapiti, seconds = sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else "60"
    if not is_awake(wapiti):
        return 4
    with tempfile.TemporaryDirectory() as root:
        folder = Path(root)
        make_campaign(folder / "campaigns" / "demo", demo_scenario(), 1)
        served = tools.Served(folder / "campaigns")
        try:
            place = served.place("demo")
            home = f"{served.origin}/campaign/{place.id}"
            served.client.get(home)
            served.wait(place.id, "study", within=600)
            served.client.get(f"{home}/record")
            served.wait(place.id, "record", within=600)
            command = [
                wapiti, "-u", f"{served.origin}/", "--scope", "domain", "-m", ",".join(MODULES), "-d", "3",
                "--max-links-per-page", "60", "--max-files-per-dir", "12", "--max-scan-time", "60",
                "--max-attack-time", seconds, "--tasks", "2", "-S", "normal", "-f", "json", "-o", str(folder / "found.json"),
                "--store-session", str(folder / "session"), "--store-config", str(folder / "config"), "--no-bugreport",
                "-H", f"x-phasewright-token: {served.gate.token}", "-H", f"origin: {served.origin}",
                *(part for page in ("", "/record", "/logs", "/bench", "/guide", "/run") for part in ("-s", home + page)),
                "-s", f"{served.origin}/new", "-s", f"{served.origin}/library", "--verify-ssl", "0", "-v", "1",
            ]  # fmt: skip
            done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=1800)
            (ROOT / "build").mkdir(exist_ok=True)
            (ROOT / "build" / "scanner.txt").write_text(done.stdout + done.stderr, "utf-8")
            if not (folder / "found.json").exists():
                print(done.stdout[-3000:] + done.stderr[-3000:])
                return 4
            told = json.loads((folder / "found.json").read_text("utf-8"))
        finally:
            served.stop()
    return report(told)


WEAK = b"<html><body><form action='/'><input name='q'></form>You said: "


class Weak(http.server.BaseHTTPRequestHandler):
    """A page that does what ours must not: it repeats what it is told."""

    def do_GET(self) -> None:
        """Repeat the question as markup."""
        said = urllib.parse.unquote_plus(self.path.partition("q=")[2]).encode()
        self.send_response(200)
        self.send_header("content-type", "text/html")
        self.end_headers()
        self.wfile.write(WEAK + said + b"</body></html>")

    def log_message(self, *words: object) -> None:
        """Say nothing."""


def is_awake(wapiti: str) -> bool:
    """Tell whether the scanner finds what a weak page has: else its silence about ours says nothing."""
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Weak) as weak, tempfile.TemporaryDirectory() as root:
        threading.Thread(target=weak.serve_forever, daemon=True).start()
        place = f"http://127.0.0.1:{weak.server_port}/"
        subprocess.run([wapiti, "-u", place, "-s", f"{place}?q=a", "-m", "csp,xss", "-f", "json", "-o", f"{root}/found.json",
                        "--store-session", f"{root}/session", "--store-config", f"{root}/config", "--no-bugreport",
                        "--max-attack-time", "60"], capture_output=True, check=False, timeout=600)  # fmt: skip
        weak.shutdown()
        told = json.loads(Path(root, "found.json").read_text("utf-8"))["vulnerabilities"]
    found = sorted(name for name, items in told.items() if items)
    print(f"on a weak page the scanner finds: {', '.join(found) or 'nothing'}")
    return any("Scripting" in name for name in found) and any("Content Security" in name for name in found)


def report(told: dict) -> int:
    """Print what the scanner found; 1 where one finding is of weight."""
    heavy = light = 0
    for kind in ("vulnerabilities", "anomalies"):
        for name, items in told[kind].items():
            for item in items:
                why = next((reason for word, reason in ANSWERED.items() if word.lower() in f"{name} {item['info']}".lower()), "")
                weighs = item["level"] >= MEDIUM and not why
                heavy, light = heavy + weighs, light + (not weighs)
                print(f"{'FOUND' if weighs else 'noted'} grade {item['level']} {name}: {item['method']} {item['path']} "
                      f"{item['info'][:200]}{f' - answered: {why}' if why else ''}")  # fmt: skip
    pages = told["infos"].get("crawled_pages_nbr", "?")
    print(f"left out: {LEFT_OUT}")
    print(f"{pages} pages and forms, {len(MODULES)} modules: {heavy} findings of medium grade or above, "
          f"{light} below or answered")
    return 1 if heavy else 0


if __name__ == "__main__":
    sys.exit(main())
