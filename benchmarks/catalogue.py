"""The catalogue of bad inputs as a table: every row run as its cases, by class, with time and memory.

    python benchmarks/catalogue.py [--rows]

Exit 1 when a row's case fails, when a row has neither a case nor waits for recording, when a case takes over 10 s, or
when the run needs over 512 MiB. `--rows` prints every row with what is made and what becomes of it.
"""

from __future__ import annotations

import json
import re
import resource
import sys
from collections import Counter
from pathlib import Path

import pytest

CASES = Path(__file__).parents[1] / "tests" / "badinput"
LONGEST, MOST = 10.0, 512.0
GROUPS = {
    "E": "encoding", "S": "structure", "N": "numbers", "T": "time", "P": "physics and sensors", "C": "configuration",
    "F": "files and system", "L": "live transports",
}  # fmt: skip
KINDS = ("note", "repair", "refuse", "alarm")


class Watch:
    """Takes down what became of every case, by row of the catalogue."""

    def __init__(self):
        self.passed: Counter = Counter()
        self.failed: Counter = Counter()
        self.seconds: dict[str, float] = {}
        self.refusals = 0

    def pytest_runtest_logreport(self, report):
        match = re.search(r"::test_([A-Z]\d\d)_", report.nodeid)
        if match is None or (report.when != "call" and report.passed):
            return
        row = match[1]
        (self.passed if report.passed else self.failed)[row] += 1
        if report.when == "call":
            self.seconds[row] = max(self.seconds.get(row, 0.0), report.duration)


def main() -> int:
    """Run the cases; print the table."""
    rows = {row["id"]: row for row in json.loads((CASES / "catalogue.json").read_text(encoding="utf-8"))}
    live = json.loads((CASES / "live.json").read_text(encoding="utf-8"))
    watch = Watch()
    pytest.main(["-q", "--no-header", "-p", "no:cacheprovider", str(CASES),
                 "--deselect", str(CASES / "test_fuzz.py")], plugins=[watch])  # fmt: skip
    lines, wrong = [], []
    for row in rows:
        if watch.failed[row]:
            wrong.append(f"{row} fails in {watch.failed[row]} of {watch.failed[row] + watch.passed[row]} cases")
        elif not watch.passed[row] and row not in live:
            wrong.append(f"{row} has no case")
        if watch.seconds.get(row, 0.0) > LONGEST:
            wrong.append(f"{row} takes {watch.seconds[row]:.1f} s")
    lines.append(f"{'rows of the catalogue':<24}" + "".join(f"{kind:>8}" for kind in KINDS)
                 + f"{'rows':>8}{'cases':>8}{'failed':>8}{'live':>8}{'longest s':>11}")  # fmt: skip
    for letter, name in [*GROUPS.items(), ("", "all")]:
        mine = [row for row in rows if row.startswith(letter)]
        landed = [row for row in mine if row not in live and watch.passed[row] and not watch.failed[row]]
        count = Counter(rows[row]["do"] for row in landed)
        lines.append(
            f"{name:<24}" + "".join(f"{count[kind]:>8}" for kind in KINDS) + f"{len(mine):>8}"
            f"{sum(watch.passed[row] for row in mine):>8}{sum(watch.failed[row] for row in mine):>8}"
            f"{sum(row in live for row in mine):>8}"
            f"{max((watch.seconds.get(row, 0.0) for row in mine), default=0.0):>11.2f}"
        )  # fmt: skip
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    if peak > MOST:
        wrong.append(f"the run needs {peak:.0f} MiB")
    total = Counter(row["do"] for row in rows.values())
    of = ", ".join(f"{total[kind]} {kind}" for kind in KINDS)
    lines.append(f"columns note to alarm: rows that land in their class, of {of}; "
                 f"live: rows that wait for recording; peak memory of all cases in one process {peak:.0f} MiB")  # fmt: skip
    if "--rows" in sys.argv:
        for row, item in rows.items():
            state = "fails" if watch.failed[row] else f"{watch.passed[row]} cases" if watch.passed[row] else "live"
            lines.append(f"{row} {item['do']:<7} {state:<9} {item['make']}: {item['then']}")
    print("\n".join(lines + wrong))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
