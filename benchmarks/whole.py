"""Whole analysis against a bare parse of the same logs by the fastest general parser, in the same run.

Each run is a process of its own, so that peak memory is its own. `make bench` runs 10 MB and 100 MB; give sizes in MB
for more: `python benchmarks/whole.py 10 100 1000`.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PARSERS = {
    "duckdb": "import duckdb\nfor p in paths: duckdb.connect().execute('select * from read_csv(?)', [p]).fetchnumpy()",
    "polars": "import polars\nfor p in paths: polars.read_csv(p, comment_prefix='#', try_parse_dates=True, "
              "separator=sep(p), ignore_errors=True, truncate_ragged_lines=True)",
    "pandas": "import pandas\nfor p in paths: pandas.read_csv(p, comment='#', sep=sep(p))",
}
OURS = "from phasewright.app import jobs\njobs.analyze(folder)"
CHILD = """
import json, resource, sys, time
folder, paths = sys.argv[1], sys.argv[2:]
def sep(path):
    head = [line for line in open(path, encoding='utf-8').read(4000).splitlines() if not line.startswith('#')][0]
    return max(',;\\t', key=head.count)
{imports}
started = time.perf_counter()
{work}
print(json.dumps([time.perf_counter() - started, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]))
"""


def measure(work: str, folder: Path, logs: list[Path], repeats: int) -> tuple[float, float]:
    """Return (seconds, peak MiB): the median of `repeats` fresh processes; imports are not counted for either side."""
    first, _, rest = work.partition("\n")
    heavy = "import numpy, scipy.optimize, scipy.special, duckdb, pydantic" if work is OURS else "pass"
    code = CHILD.format(imports=first + "\n" + heavy, work=rest)
    seen = []
    for _ in range(repeats):
        derived = folder / "derived"
        if work is OURS and derived.exists():
            subprocess.run(["rm", "-rf", str(derived)], check=True)
        out = subprocess.run([sys.executable, "-c", code, str(folder), *map(str, logs)], capture_output=True, text=True)
        if out.returncode:
            raise RuntimeError(out.stderr[-2000:])
        seen.append(tuple(json.loads(out.stdout.strip().splitlines()[-1])))
    seen.sort()
    return seen[len(seen) // 2]


def main() -> None:
    """Print one table."""
    from phasewright.live import big_campaign

    sizes = [float(word) for word in sys.argv[1:]] or [10.0, 100.0]
    print(f"{'logs / MB':>10}{'parser':>10}{'parse / s':>11}{'analysis / s':>14}{'ratio':>8}{'again / s':>11}"
          f"{'peak / MiB':>12}")
    for size in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "campaign"
            big_campaign(folder, int(size * 1e6), 1)
            logs = sorted((folder / "logs").iterdir())
            total = sum(path.stat().st_size for path in logs) / 1e6
            for path in logs:
                path.read_bytes()[:1]  # warm the file cache for everybody alike
            repeats = 3 if size < 500 else 1
            parse = {}
            for parser, work in PARSERS.items():
                try:
                    parse[parser] = measure(work, folder, logs, repeats)[0]
                except RuntimeError as error:
                    print(f"{parser} failed: {str(error).splitlines()[-1]}")
            best = min(parse, key=parse.get)
            ours, peak = measure(OURS, folder, logs, repeats)
            again = "from phasewright.app import jobs\njobs.analyze(folder) "
            second = measure(again, folder, logs, 1)[0]
            print(f"{total:>10.0f}{best:>10}{parse[best]:>11.2f}{ours:>14.2f}{ours / parse[best]:>8.2f}{second:>11.2f}"
                  f"{peak:>12.0f}", flush=True)


if __name__ == "__main__":
    started = time.perf_counter()
    main()
    print(f"took {time.perf_counter() - started:.0f} s")
