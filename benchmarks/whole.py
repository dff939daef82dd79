"""Whole analysis against a bare parse of the same logs by the fastest general parser, in the same run.

Each run is a process of its own, so that peak memory is its own. Wall time and processor time of all threads are
told, both without imports, which stand in a column of their own: on a busy machine the ratio of processor times says
more. `make bench` runs 10 MB and 100 MB; give sizes in MB for more: `python benchmarks/whole.py 10 100 1000`.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

PARSERS = {
    "duckdb": "import duckdb\nfor p in paths: duckdb.connect().execute('select * from read_csv(?)', [p]).fetchnumpy()",
    "polars": "import polars\nfor p in paths: polars.read_csv(p, comment_prefix='#', try_parse_dates=True, "
              "separator=sep(p), ignore_errors=True, truncate_ragged_lines=True)",
    "pandas": "import pandas\nfor p in paths: pandas.read_csv(p, comment='#', sep=sep(p))",
}
OURS = """import phasewright.app.cli  # as a person runs it: without threads of the linear algebra library
from phasewright.app import jobs
import importlib, pkgutil, phasewright
for room in ("quantity", "physics", "bench", "logs", "limits", "findings"):
    face = importlib.import_module(f"phasewright.{room}")
    for module in pkgutil.walk_packages(face.__path__, face.__name__ + "."):
        importlib.import_module(module.name)
import scipy.fft, scipy.optimize, scipy.special
###
jobs.analyze(folder)
"""
CHILD = """
import json, resource, sys, time
folder, paths = sys.argv[1], sys.argv[2:]
def sep(path):
    head = [line for line in open(path, encoding='utf-8').read(4000).splitlines() if not line.startswith('#')][0]
    return max(',;\\t', key=head.count)
began = time.perf_counter()
{imports}
started, used = time.perf_counter(), time.process_time()
{work}
print(json.dumps([time.perf_counter() - started, time.process_time() - used, started - began,
                  resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]))
"""


@dataclass(frozen=True)
class Run:
    """One run of a fresh process."""

    wall: float
    cpu: float
    imports: float
    peak: float
    """[MiB]"""


def measure(work: str, folder: Path, logs: list[Path], repeats: int, *, again: bool = False) -> Run:
    """Return the quickest of `repeats` fresh processes; with `again` what is kept from the last one stays."""
    imports, _, rest = work.partition("###\n") if "###" in work else work.partition("\n")
    code = CHILD.format(imports=imports, work=rest)
    seen = []
    for _ in range(repeats):
        if work is OURS and not again:
            shutil.rmtree(folder / "derived", ignore_errors=True)
        out = subprocess.run([sys.executable, "-c", code, str(folder), *map(str, logs)], capture_output=True, text=True)
        if out.returncode:
            raise RuntimeError(out.stderr[-2000:])
        seen.append(Run(*json.loads(out.stdout.strip().splitlines()[-1])))
    return min(seen, key=lambda run: run.wall)


def main() -> None:
    """Print one table."""
    from phasewright.live import big_campaign

    sizes = [float(word) for word in sys.argv[1:]] or [10.0, 100.0]
    heads = ("logs / MB", "parser", "parse / s", "cpu / s", "analysis / s", "cpu / s", "ratio", "of cpu", "again / s",
             "imports / s", "peak / MiB")  # fmt: skip
    print("".join(f"{head:>13}" for head in heads))
    for size in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "campaign"
            big_campaign(folder, int(size * 1e6), 1)
            logs = sorted((folder / "logs").iterdir())
            total = sum(path.stat().st_size for path in logs) / 1e6
            for path in logs:
                # The file cache warm for everybody alike.
                subprocess.run(["cat", str(path)], stdout=subprocess.DEVNULL, check=True)
            repeats = 5 if size < 50 else 3 if size < 500 else 2
            parse = {}
            for parser, work in PARSERS.items():
                try:
                    parse[parser] = measure(work, folder, logs, repeats)
                except RuntimeError as error:
                    print(f"{parser} failed: {str(error).splitlines()[-1]}")
            best = min(parse, key=lambda parser: parse[parser].wall)
            ours = measure(OURS, folder, logs, repeats)
            again = measure(OURS, folder, logs, 1, again=True)
            row = (f"{total:.0f}", best, f"{parse[best].wall:.2f}", f"{parse[best].cpu:.2f}", f"{ours.wall:.2f}",
                   f"{ours.cpu:.2f}", f"{ours.wall / parse[best].wall:.2f}", f"{ours.cpu / parse[best].cpu:.2f}",
                   f"{again.wall:.2f}", f"{ours.imports:.2f}", f"{ours.peak:.0f}")  # fmt: skip
            print("".join(f"{word:>13}" for word in row), flush=True)


if __name__ == "__main__":
    started = time.perf_counter()
    main()
    print(f"took {time.perf_counter() - started:.0f} s")
