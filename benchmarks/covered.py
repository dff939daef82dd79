"""`make coverage`: which branches of what must not fail the tests go through, and how much of everything.

    python benchmarks/covered.py                      recorder, parser and safety: every branch
    python benchmarks/covered.py parser               one of them
    python benchmarks/covered.py parser tests/x.py    these tests only, added to what was measured before
    python benchmarks/covered.py everything           the whole package by the whole suite (takes a quarter of an hour)
    python benchmarks/covered.py everything tests/x   a part of it; its data are kept, and `total` adds all parts up

Each area is measured with its own tests alone, so that no branch counts as gone through because something far away happened
to pass there. Exit 1 when a goal is missed. Processes that tests start are measured too.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "src" / "phasewright"
BUILD = ROOT / "build" / "covered"
OVERALL = 95.0


@dataclass(frozen=True)
class Area:
    """Files that belong together, and the tests that answer for them."""

    files: tuple[str, ...]
    tests: tuple[str, ...]


AREAS = {
    "recorder": Area(
        ("live/journal/*.py", "live/recorder.py", "live/scribe.py", "live/clock.py", "live/station.py",
         "live/lateness.py", "live/foremost.py", "live/instruments/driver.py"),
        ("tests/live/test_journal*.py", "tests/live/test_recorder*.py", "tests/live/test_dry_run.py",
         "tests/live/test_instruments*.py", "tests/live/test_lateness*.py"),
    ),
    "parser": Area(
        ("logs/read/*.py", "live/encoding/*.py"),
        ("tests/logs/test_read*.py", "tests/logs/test_suggest*.py", "tests/badinput", "tests/live/test_number_formats*.py"),
    ),
    "safety": Area(
        ("live/guard.py", "live/load.py", "live/load_keeper.py", "live/at_work.py", "app/recording.py"),
        ("tests/live/test_guard*.py", "tests/live/test_load*.py", "tests/live/test_recorder_process*.py",
         "tests/live/test_journal_corners.py", "tests/live/test_dry_run.py", "tests/live/test_terminal*.py",
         "tests/live/test_stop*.py"),
    ),
}

ELSEWHERE: dict[tuple[str, str], str] = {}
"""(file, line as it stands) -> why no test here can go through it."""


def files_of(area: Area) -> list[Path]:
    """Return the area's files, sorted."""
    return sorted({path for pattern in area.files for path in PACKAGE.glob(pattern)})


def tests_of(area: Area) -> list[str]:
    """Return the area's test files, relative to the repository."""
    found = {path for pattern in area.tests for path in ROOT.glob(pattern)}
    return sorted(path.relative_to(ROOT).as_posix() for path in found)


def measure(name: str, tests: list[str], *, add: bool = False) -> Path:
    """Run `tests` and return the file of what they went through, with the test that did for each line.

    With `add` what was measured before is kept.
    """
    parts = BUILD / name
    parts.mkdir(parents=True, exist_ok=True)
    data, settings = parts / "all", BUILD / f"{name}.cfg"
    for old in parts.iterdir():
        if not add or old != data:
            old.unlink()
    # The context of a process that a test starts is that test's name, handed down by the environment.
    settings.write_text("[run]\nbranch = true\nparallel = true\nsigterm = true\npatch = _exit\n"
                        "context = ${PHASEWRIGHT_TEST-}\n"
                        f"data_file = {data}\ninclude = {PACKAGE}/*\n", encoding="utf-8")
    path = os.pathsep.join([str(PACKAGE.parent), str(ROOT / "benchmarks")])
    environment = {**os.environ, "PYTHONPATH": path, "COVERAGE_PROCESS_START": str(settings), "PHASEWRIGHT_TEST": "",
                   "PHASEWRIGHT_TIMES": str(BUILD / f"{name}.times.json")}
    code = subprocess.run([sys.executable, "-m", "pytest", "-q", "-p", "covered", "-p", "no:cacheprovider", *tests], cwd=ROOT,
                          env=environment).returncode
    if code:
        raise SystemExit(f"tests failed (exit code {code}): nothing is said about coverage")
    more = ["--append"] if add else []
    subprocess.run([sys.executable, "-m", "coverage", "combine", "--quiet", *more, f"--rcfile={settings}", str(parts)],
                   cwd=parts, check=True, env={**os.environ, "PHASEWRIGHT_TEST": ""})
    return data


# ---- as a plugin of pytest: name the test that runs ------------------------------------------------------------------

_TIMES: dict[str, float] = {}


def pytest_runtest_logstart(nodeid: str) -> None:
    """Book what follows under this test."""
    import coverage

    os.environ["PHASEWRIGHT_TEST"] = nodeid
    now = coverage.Coverage.current()
    if now is not None:
        now.switch_context(nodeid)


def pytest_runtest_logreport(report) -> None:
    """Add up what a test took."""
    _TIMES[report.nodeid] = _TIMES.get(report.nodeid, 0.0) + report.duration


def pytest_sessionfinish() -> None:
    """Keep the times: short tests are asked first about a mutant."""
    if "PHASEWRIGHT_TIMES" in os.environ:
        path = Path(os.environ["PHASEWRIGHT_TIMES"])
        before = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        path.write_text(json.dumps({**before, **_TIMES}), encoding="utf-8")


# ---- what was missed -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Missed:
    """A line, or a way out of one, that no test took."""

    file: str
    line: int
    to: int
    """Line that would have come next; 0 = the line itself was never reached; negative = leaving what begins there."""
    text: str

    def __str__(self) -> str:
        way = "never reached" if not self.to else f"never to {self.to}" if self.to > 0 else "never left from here"
        return f"{self.file}:{self.line} {way}: {self.text}"


def missed_in(data: Path, files: list[Path]) -> tuple[list[Missed], int, int]:
    """Return (what was missed, lines and branches gone through, lines and branches there are) in `files`."""
    from coverage import Coverage

    cover = Coverage(data_file=str(data), config_file=str(data.parent.with_suffix(".cfg")))
    cover.load()
    out = data.parent / "missed.json"
    cover.json_report(outfile=str(out), include=[str(path) for path in files], ignore_errors=False)
    found, taken, there = [], 0, 0
    told = json.loads(out.read_text(encoding="utf-8"))["files"]
    for path in files:
        item = next((value for key, value in told.items() if (ROOT / key).resolve() == path or Path(key) == path), None)
        lines = path.read_text(encoding="utf-8").splitlines()
        place = path.relative_to(PACKAGE).as_posix()
        if item is None:
            found.append(Missed(place, 1, 0, "the whole file"))
            continue
        totals = item["summary"]
        there += totals["num_statements"] + totals["num_branches"]
        taken += totals["covered_lines"] + totals["covered_branches"]
        for line, to in [*((line, 0) for line in item["missing_lines"]), *map(tuple, item["missing_branches"])]:
            text = lines[line - 1].strip()
            if (place, text) in ELSEWHERE:
                there -= 1
            else:
                found.append(Missed(place, line, to, text))
    return sorted(found, key=lambda one: (one.file, one.line, one.to)), taken, there


def main() -> int:
    """Measure the areas named, print what was missed."""
    wanted = sys.argv[1:] or list(AREAS)
    if wanted[0] in ("everything", "total"):
        return everything(wanted[0] == "total", wanted[1:])
    bad, some = 0, [item for item in wanted if item not in AREAS]
    for name in [item for item in wanted if item in AREAS]:
        data = measure(name, some or tests_of(AREAS[name]), add=bool(some))
        missed, taken, there = missed_in(data, files_of(AREAS[name]))
        print(f"{name}: {taken} of {there} statements and branches, {100.0 * taken / there:.2f} %; goal: every one")
        for item in missed:
            print(f"  {item}")
        bad += bool(missed)
    for (place, text), why in sorted(ELSEWHERE.items()):
        print(f"not counted: {place}: {text} ({why})")
    return 1 if bad else 0


def everything(add_up: bool, tests: list[str]) -> int:
    """Measure the whole package, by all tests or by some; `add_up` puts parts together."""
    from coverage import Coverage

    if not add_up:
        name = "part-" + "-".join(Path(item).stem for item in tests) if tests else "part-all"
        measure(name, tests or ["tests"])
        if tests:
            return 0
    cover = Coverage(data_file=str(BUILD / "total"), branch=True, config_file=False)
    cover.combine([str(path) for path in BUILD.glob("part-*/all")], keep=True)
    out = io.StringIO()
    share = cover.report(file=out, include=[f"{PACKAGE}/*"], skip_covered=True, show_missing=False, sort="Cover")
    print(out.getvalue())
    print(f"everything: {share:.2f} % of statements and branches; goal: {OVERALL:g} %")
    return 0 if share >= OVERALL else 1


if __name__ == "__main__":
    sys.exit(main())
