"""Inputs that are bred towards code that no input has reached yet: each must end as a table or as a due refusal.

    python benchmarks/fuzz_guided_trials.py [--seconds 3600] [--seed 1] [--corpus FILE] [--save FILE] [--merge FILE ...]

Coverage-guided: while an input is read, and the values of the channels that it suggests are questioned, every step
from line to line in the code that reads and questions is watched. An input that takes a step which none took before is
kept, and later inputs are mutations of kept ones. Each kept one is also held against the strict reader of lines, cell
by cell. What a person may state of a log (separator, decimal mark, header, encoding, time, map) varies with it. The
time is that of the processor; a CPU-hour a release is the goal. `--corpus` goes on from the inputs that a run before
kept, and keeps them there. Goals: 0 tracebacks, 0 over 10 s, 0 differences.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
import traceback
import warnings
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FrameType

from fuzz_trials import LONGEST, attempt, by_lines, mutated, same, soup

import phasewright.logs
from phasewright.bench import ChannelSource, ColumnTerm, LogEntry
from phasewright.logs import question_values, suggest_channels

ROOM = Path(phasewright.logs.__file__).parent
WATCHED = (str(ROOM / "read"), str(ROOM / "sanity"), str(ROOM / "trace.py"), str(ROOM / "_names.py"))
CALM, GLANCE = 300, 16
"""Calls of a function without a new step after which only one call in so many is still watched."""
FOUNDERS = 40
"""Kept from scratch before any is bred."""
FRESH = 200
"""Kept last, and mutated as often as all the others together."""

_MAP = (
    ChannelSource("input_power", (ColumnTerm(("power_W",)),)),
    ChannelSource("regulator_temperature", (ColumnTerm(("temp_C",), ("degC",)),)),
)
STATED: tuple[dict[str, object], ...] = (
    {}, {}, {}, {}, {"channels": _MAP}, {"channels": (ChannelSource("input_power", (ColumnTerm(("#2",)),)),)},
    {"decimal": ","}, {"decimal": "."}, {"delimiter": ";"}, {"delimiter": "tab"}, {"delimiter": "blanks"},
    {"header_line": 0}, {"header_line": 1}, {"header_line": 2}, {"encoding": "cp1252"}, {"encoding": "utf-16"},
    {"zone": "Europe/Berlin"}, {"zone": "+01:00"}, {"time_columns": ("time",)}, {"time_format": "elapsed_ms"},
    {"time_format": "epoch_s"}, {"time_format": "%d.%m.%Y %H:%M:%S"}, {"time_format": "%H:%M:%S"},
    {"time_format": "serial"}, {"time_format": "hms"}, {"time_columns": ("time", "power_W")},
)  # fmt: skip


@dataclass(frozen=True)
class Input:
    """Bytes of a file, and which of `STATED` is stated of it."""

    data: bytes
    stated: int

    def entry(self) -> LogEntry | None:
        said = dict(STATED[self.stated])
        channels = said.pop("channels", ())
        return LogEntry("log", ("log.csv",), "meter", channels, **said) if said or channels else None


class Reached:
    """Steps from line to line in the watched code that any input has taken."""

    def __init__(self) -> None:
        self.steps: set[tuple[CodeType, int, int]] = set()
        self._watched: dict[CodeType, bool] = {}
        self._idle: dict[CodeType, int] = {}
        self._before = 0

    def __enter__(self) -> Reached:
        self._before = len(self.steps)
        sys.settrace(self._call)
        return self

    def __exit__(self, *_) -> None:
        sys.settrace(None)

    @property
    def new(self) -> int:
        """How many steps the last input was the first to take."""
        return len(self.steps) - self._before

    def _call(self, frame: FrameType, event: str, _):
        code = frame.f_code
        watched = self._watched.get(code)
        if watched is None:
            watched = self._watched[code] = code.co_filename.startswith(WATCHED)
        if not watched:
            return None
        idle = self._idle[code] = self._idle.get(code, 0) + 1
        if idle > CALM and idle % GLANCE:
            return None
        last, steps = frame.f_lineno, self.steps

        def line(frame: FrameType, event: str, _):
            nonlocal last
            if event == "line":
                step = (code, last, frame.f_lineno)
                if step not in steps:
                    steps.add(step)
                    self._idle[code] = 0
                last = frame.f_lineno
            return line

        return line


class Breeding:
    """One run."""

    def __init__(self, seed: int, folder: Path):
        self.generator = random.Random(seed)
        self.path = folder / "log.csv"
        self.reached = Reached()
        self.kept: list[Input] = []
        self.count = {"read": 0, "refused": 0, "kept": 0}
        self.slowest = 0.0
        self.failures: list[dict[str, object]] = []

    def make(self) -> Input:
        """Return the next input."""
        draw, pick = self.generator.random(), self.generator.choice
        if draw < 0.05 or len(self.kept) < FOUNDERS:
            return Input(soup(self.generator), self.generator.randrange(len(STATED)))
        parent = pick(self.kept[-FRESH:] if draw < 0.5 else self.kept)
        stated = parent.stated if self.generator.random() < 0.9 else self.generator.randrange(len(STATED))
        data = parent.data
        if self.generator.random() < 0.1:
            # The head of one and the tail of another.
            other = pick(self.kept).data
            data = data[: self.generator.randint(0, len(data))] + other[self.generator.randint(0, len(other)) :]
        return Input(mutated(data, self.generator), stated)

    def step(self) -> None:
        """Make one input and try it."""
        self.attempt(self.make())

    def attempt(self, given: Input) -> None:
        """Read one input, judge, keep it when it went where none went."""
        self.path.write_bytes(given.data)
        entry = given.entry()
        begin = time.perf_counter()
        try:
            with self.reached:
                table, _ = attempt(self.path, entry)
                if table is not None:
                    question_values(table, [item.source for item in suggest_channels(table)])
            if self.reached.new:
                assert same(table, by_lines(self.path, entry)), "blocks and lines differ"
        except Exception:
            what = traceback.format_exc()[-1500:]
            self.failures.append({"input": given.data.hex(), "stated": str(STATED[given.stated]), "what": what})
            return
        took = time.perf_counter() - begin
        self.slowest = max(self.slowest, took)
        if took > LONGEST:
            self.failures.append({"input": given.data.hex(), "stated": str(STATED[given.stated]), "what": f"took {took:.1f} s"})
        self.count["refused" if table is None else "read"] += 1
        if self.reached.new:
            self.kept.append(given)
            self.count["kept"] += 1


def summary(parts: list[dict]) -> str:
    """Return the result as text."""
    failures = [item for part in parts for item in part["failures"]]
    read, refused, kept = (sum(part["count"][name] for part in parts) for name in ("read", "refused", "kept"))
    lines = [
        f"{read + refused + len(failures)} inputs in {sum(part['seconds'] for part in parts):.0f} s of processor time: "
        f"{read} read, {refused} refused in due form, {len(failures)} failures; slowest "
        f"{max(part['slowest'] for part in parts):.2f} s; {kept} kept for a step that none took before, "
        f"{max(part['steps'] for part in parts)} steps reached"
    ]
    lines += [f"input {item['input'][:600]}\nstated {item['stated']}\n{item['what']}" for item in failures[:5]]
    return "\n".join(lines)


def main() -> int:
    """Print the result; exit 1 when an input ends otherwise than it may."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=3600.0, help="processor time to spend")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--corpus", type=Path, help="inputs to begin with; those that are kept go there")
    parser.add_argument("--save", type=Path)
    parser.add_argument("--merge", type=Path, nargs="+", default=[])
    given = parser.parse_args()
    warnings.simplefilter("error")
    if given.merge:
        parts = [json.loads(path.read_text(encoding="utf-8")) for path in given.merge]
    else:
        started = time.process_time()
        with tempfile.TemporaryDirectory() as folder:
            breeding = Breeding(given.seed, Path(folder))
            if given.corpus and given.corpus.exists():
                for data, stated in json.loads(given.corpus.read_text(encoding="utf-8")):
                    breeding.attempt(Input(bytes.fromhex(data), stated))
            while time.process_time() - started < given.seconds:
                breeding.step()
        if given.corpus:
            kept = [(item.data.hex(), item.stated) for item in breeding.kept]
            given.corpus.write_text(json.dumps(kept), encoding="utf-8")
        parts = [{
            "count": breeding.count, "failures": breeding.failures, "slowest": breeding.slowest,
            "steps": len(breeding.reached.steps), "seconds": time.process_time() - started,
        }]  # fmt: skip
    if given.save:
        given.save.write_text(json.dumps(parts[0]), encoding="utf-8")
    print(summary(parts))
    return 1 if any(part["failures"] for part in parts) else 0


if __name__ == "__main__":
    sys.exit(main())
