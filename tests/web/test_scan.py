"""K12 of the project's list: every address of the page under generated requests, its own description held against it.

Schemathesis in all its phases (examples, coverage, fuzzing, stateful) with every check. Few examples here; the long version
is `make scan`. What a job would do for minutes is taken out of the way: the scan is of the page, not of the analysis.
"""

import json
import os
import re
import subprocess
import sys

EXAMPLES = int(os.environ.get("PHASEWRIGHT_SCAN", "0"))
"""Generated requests for each operation in the long version; 0 = the short one."""
TEXT = {"type": "string"}
QUERIES = {
    "/": (), "/new": (), "/job/{job}": ("stay",), "/campaign/{campaign}": ("step", "a", "b", "phases", "load"),
    "/campaign/{campaign}/whatif": ("phases", "load", "coolant", "voltage", "frequency", "ocp", "total_ocp"),
    "/campaign/{campaign}/whatif/{name}.{kind}": ("phases", "load"),
    "/campaign/{campaign}/pair": ("a", "b"), "/campaign/{campaign}/pair.csv": ("a", "b"),
    "/campaign/{campaign}/record": ("from", "to"), "/campaign/{campaign}/timeline": ("from", "to"),
    "/campaign/{campaign}/steps/{number}/look": ("name", "start", "end", "clock", "window_start", "window_end"),
    "/campaign/{campaign}/logs": ("name", "instrument"), "/campaign/{campaign}/guide/files/{name}": ("save",),
}  # fmt: skip
"""What each address takes behind its question mark."""
WORDS = {
    "/new": ("campaign-name", "name", "board-name", "regulator-name", "regulator-phase_count", "processor-power_limit"),
    "/campaign/{campaign}/read": ("file",), "/campaign/{campaign}/clocks/{number}": ("offset",),
    "/campaign/{campaign}/steps/{number}": ("name", "start", "end", "clock", "phase_count", "package_power", "window_start",
                                            "window_end"),
    "/campaign/{campaign}/text/{file}": ("text", "mark"), "/campaign/{campaign}/design/text/{file}": ("text", "mark"),
    "/campaign/{campaign}/run/say": ("run", "say", "to"), "/campaign/{campaign}/bench": ("name", "board-name"),
    "/job/{job}/map": ("instrument", "time", "quantity-1"),
}  # fmt: skip
"""What forms say, as far as a wild guess would never hit their names."""
KINDS = ("text/html", "text/csv", "image/svg+xml", "text/css", "text/javascript", "application/json", "text/plain")


def describe(app, values: dict[str, list | str]) -> dict:
    """Return the page's addresses as an OpenAPI 3.1 document, the routes taken from the application itself.

    `values` says what each name in an address may be: one of a list, or what a pattern allows.
    """
    allowed = {name: {"pattern": given} if isinstance(given, str) else {"enum": given} for name, given in values.items()}
    paths: dict[str, dict] = {}
    for route in app.routes:
        path = re.sub(r":\w+}", "}", route.path)
        names = re.findall(r"{(\w+)}", path)
        for method in sorted((route.methods or set()) - {"HEAD"}):
            given = [
                {"name": name, "in": "path", "required": True,
                 "schema": {"type": "integer", "minimum": 0, "maximum": 40} if f"{{{name}:int}}" in route.path else
                 TEXT | {"minLength": 1} | allowed.get(name, {})}
                for name in names
            ]  # fmt: skip
            given += [{"name": name, "in": "query", "schema": TEXT} for name in QUERIES.get(path, ()) if method in ("GET", "PUT")]
            said = {"200": _answer(*KINDS), "404": _answer("text/html")}
            if method == "GET":
                said |= {"303": {"description": "elsewhere"}, "307": {"description": "elsewhere"}}
            else:
                said |= {code: _answer("text/html") for code in ("400", "403", "413", "415", "422", "429")}
                said |= {"201": {"description": "taken"}, "204": {"description": "done"}}
            operation = {"parameters": given, "responses": said, "operationId": f"{method} {path}"}
            if method == "PUT":
                operation["requestBody"] = {"required": True, "content": {"application/octet-stream": {
                    "schema": {"type": "string", "format": "binary", "maxLength": 4096}}}}  # fmt: skip
            elif method != "GET":
                operation["requestBody"] = {"required": True, "content": {"application/json": {
                    "schema": {"type": "object", "additionalProperties": TEXT,
                               "properties": {word: allowed.get(f"{word}=", {}) | TEXT for word in WORDS.get(path, ())}}}}}
            paths.setdefault(path, {})[method.lower()] = operation
    return {"openapi": "3.1.0", "info": {"title": "page", "version": "1"}, "paths": paths}


def _answer(*kinds: str) -> dict:
    return {"description": "answer", "content": {kind: {} for kind in kinds}}


CONFIG = """
[checks.positive_data_acceptance]
expected-statuses = ["2xx", "3xx", "404", "422", "429"]
"""
"""A form whose words make no sense together is refused (422) though each of them is a text."""


def scan(served, folder, values, methods) -> str:
    """Hold the served page against its description, and return what the scanner says; it must find nothing."""
    described = folder / "page.json"
    described.write_text(json.dumps(describe(served.site.inner, values)))
    (folder / "schemathesis.toml").write_text(CONFIG)
    phases = "examples,coverage,fuzzing,stateful" if EXAMPLES else "examples,fuzzing,stateful"
    command = [
        sys.executable, "-m", "schemathesis.cli", "--config-file", "schemathesis.toml", "run", str(described),
        "--url", served.origin, "--phases", phases, "--checks", "all", "-n", str(EXAMPLES or 1), "--seed", "1",
        "--workers", "1",
        *(part for method in sorted(methods) for part in ("--include-method", method)),
        "--continue-on-failure", "--suppress-health-check", "all", "--generation-database", "none",
        "-H", f"x-phasewright-token: {served.gate.token}", "-H", f"origin: {served.origin}",
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, cwd=folder, timeout=3000, check=False)
    (folder / "scan.txt").write_text(done.stdout + done.stderr)
    said = re.search(r"Test cases:\n\s+(.*)", done.stdout)
    print(said[1] if said else "")
    assert done.returncode == 0, done.stdout[-9000:] + done.stderr[-2000:]
    assert served.client.get("/").status_code == 200
    return said[1]


def test_k12_no_generated_request_finds_a_failure_in_what_is_read(worked, tmp_path):
    place = worked.place("demo")
    study = worked.desk.study(place)
    files = ["asked", "asked-limits", "asked-phases", *sorted(study.tables)[:4], *sorted(study.figures)[:2], "x"]
    names = {"campaign": [place.id], "job": [worked.desk.work.of(place.id)[0].id], "kind": ["csv", "svg"], "name": files}
    assert "passed" in scan(worked, tmp_path, names, {"GET"})


def test_k12_no_generated_request_finds_a_failure_in_what_is_changed(empty, tmp_path, monkeypatch):
    from phasewright.app import jobs
    from phasewright.app.web.work import Cancelled

    def at_once(*words, **more):
        raise Cancelled

    given = {"campaign-name": "scanned", "name": "b", "board-name": "b", "regulator-name": "r", "regulator-phase_count": "4"}
    assert empty.post("/new", **given).status_code == 204
    monkeypatch.setattr(jobs, "demo", at_once)
    place = empty.place("scanned")
    (place.folder / "logs" / "a.csv").write_text("time [s],Input power [W]\n" + "".join(f"{n},300\n" for n in range(60)))
    campaign = place.folder / "campaign.toml"
    campaign.write_text(campaign.read_text("utf-8") + "".join(
        f'[[step]]\nname = "{n}"\nphase_count = 4\npackage_power = "100 W"\nstart = "{20 * n} s"\n' for n in (1, 2)), "utf-8")
    # Jobs are numbered as they are begun: which there are, the scan itself decides.
    names = {"campaign": [place.id], "job": "^[1-9][0-9]*$", "file": ["bench", "campaign", "requirement", "catalogue", "x"],
             "file=": ["logs/a.csv"]}  # fmt: skip
    assert "passed" in scan(empty, tmp_path, names, {"POST", "PUT", "DELETE"})
