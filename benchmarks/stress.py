"""`make stress`: the long versions of the trials, each with its table. Exit 1 when any of them misses a goal.

Give names to run some of them only: `python benchmarks/stress.py campaign_trials`.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
TRIALS = ["catalogue", "mutants", *sorted(path.stem for path in HERE.glob("*trials*.py"))]


def main() -> int:
    """Run every trial in a process of its own, one after the other."""
    wanted = sys.argv[1:] or TRIALS
    unknown = sorted(set(wanted) - set(TRIALS))
    if unknown:
        print(f"no trial is called {', '.join(unknown)}; there are {', '.join(TRIALS)}")
        return 2
    missed = []
    for name in wanted:
        print(f"==== {name}", flush=True)
        started = time.perf_counter()
        code = subprocess.run([sys.executable, str(HERE / f"{name}.py")]).returncode
        print(f"==== {name}: {'goals met' if code == 0 else 'GOALS MISSED'}, {time.perf_counter() - started:.0f} s\n",
              flush=True)
        if code:
            missed.append(name)
    print(f"{len(wanted) - len(missed)} passed, {len(missed)} failed" + (f" ({', '.join(missed)})" if missed else ""))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
