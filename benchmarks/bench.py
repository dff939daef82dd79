"""`make bench`: times, as ratios in one run. Give names to run some only: `python benchmarks/bench.py whole`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
OTHER = ("bench", "stress", "planted", "catalogue", "fuzz")
BENCHES = [path.stem for path in sorted(HERE.glob("*.py")) if "trials" not in path.stem and path.stem not in OTHER]


def main() -> int:
    """Run every benchmark in a process of its own, one after the other."""
    codes = []
    for name in sys.argv[1:] or BENCHES:
        print(f"==== {name}", flush=True)
        codes.append(subprocess.run([sys.executable, str(HERE / f"{name}.py")]).returncode)
    return max(codes, default=0)


if __name__ == "__main__":
    sys.exit(main())
