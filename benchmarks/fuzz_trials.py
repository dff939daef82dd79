"""A million inputs that nobody would write: each must end as a table or as a refusal with its place and mend.

    python benchmarks/fuzz_trials.py [--count 1000000] [--seed 1] [--seconds S] [--save FILE] [--merge FILE ...]

Three makers take turns: random bytes and fragments of logs; sound tables with damage; and mutations of earlier inputs
that made the reader say something new (what it says stands in for the code it went through). For one input in fifty
the fast reader of blocks is held against the strict reader of lines, cell by cell. Goals: 0 tracebacks, 0 over 10 s, 0
differences.
"""

from __future__ import annotations

import argparse
import json
import random
import re
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from pathlib import Path

import numpy as np

from phasewright.bench import LogEntry, LogFault
from phasewright.logs import read_log, suggest_channels

LONGEST = 10.0
CORPUS = 3000
"""Inputs kept for mutation at most."""

FRAGMENTS = (
    "time", "t_s", "Date", "Zeit [s]", "power_W", "Temp °C", "U1 [V]", "p", "#", "//", ";", ",", "\t", "|", " ", "  ",
    "\n", "\n", "\n", "\r\n", "\r", '"', '""', "'", "0", "1", "12", "100.5", "1,5", "1.234", "1e400", "-", "--", "NaN",
    "N/A", "2026-03-13", "2026-03-13 12:00:00", "2026-03-13T12:00:01.5Z", "13.03.2026 12:00:02", "03/04/2026",
    "12:00:03",
    "11:59:59 PM", "24:00:00", "23:59:60", "1772000000", "1772000000123", "46000.5", "9.91E37", "0x1F", "017", "1_000",
    "45 °C", "3m", "True", "#DIV/0!", "1-Mar", "Average", "Min", "\x00", "\x1b[31m", "\u202e", "\u00a0", "−5", "１２",
    "(", ")", "[", "]", "{", "}", "<", "=", "%", "+", ".", "..", "e5", "inf", "x" * 50, "9" * 30, "\ufeff", "é",
)  # fmt: skip


def soup(generator: random.Random) -> bytes:
    """Return a random file: half a sound table, half anything."""
    parts = []
    if generator.random() < 0.7:
        mark = generator.choice([",", ";", "\t", " "])
        parts.append(mark.join(["time", "power_W", "temp_C"]) + "\n")
        kind = generator.randrange(4)
        for i in range(generator.randint(2, 30)):
            stamp = (f"{i}", f"2026-03-13T12:00:{i:02d}", f"12:00:{i:02d}", f"{1772000000 + i}")[kind]
            parts.append(mark.join([stamp, f"{generator.uniform(0, 500):.2f}", f"{generator.randint(20, 90)}"]) + "\n")
    for _ in range(generator.choice([0, 1, 2, 4, 8, 40])):
        parts.insert(generator.randint(0, len(parts)), generator.choice(FRAGMENTS))
    data = "".join(parts).encode(generator.choice(["utf-8", "utf-8", "cp1252", "utf-16", "utf-8"]), errors="replace")
    if generator.random() < 0.3:
        cut = generator.randint(0, len(data))
        data = data[:cut] + generator.randbytes(generator.randint(0, 9)) + data[cut + generator.randint(0, 5) :]
    return data


def mutated(data: bytes, generator: random.Random) -> bytes:
    """Return an input changed in one to four places."""
    for _ in range(generator.randint(1, 4)):
        a = generator.randint(0, len(data))
        b = min(len(data), a + generator.choice([0, 1, 1, 2, 4, 16, 64]))
        how = generator.randrange(6)
        if how == 0:
            put = generator.choice(FRAGMENTS).encode("utf-8", "replace")
        elif how == 1:
            put = generator.randbytes(generator.randint(1, 4))
        elif how == 2:
            put = data[a:b] * 2
        elif how == 3:
            lines = data.split(b"\n")
            generator.shuffle(lines) if generator.random() < 0.3 else lines.reverse()
            data, put, a, b = b"\n".join(lines), b"", 0, 0
        elif how == 4:
            put = bytes([data[a] ^ (1 << generator.randrange(8))]) if a < len(data) else b""
            b = a + len(put)
        else:
            put = b""
        data = data[:a] + put + data[b:]
    return data[:4096]


def attempt(path: Path, entry: LogEntry | None = None):
    """Read a file; return (table or None when it is refused in due form, what was said). Raises AssertionError."""
    try:
        table = read_log(path, entry)
    except LogFault as fault:
        assert fault.faults, "a refusal without a fault"
        for item in fault.faults:
            assert item.what and item.mend and item.line is not None and item.line >= 1, repr(item)
            assert str(item).isprintable(), repr(item)
        return None, frozenset(_bare(item.what) for item in fault.faults)
    assert len(table.time_ns) == table.report.row_count > 0
    assert all(len(column) == table.report.row_count for column in table.columns.values())
    assert all(not np.isinf(column).any() for column in table.columns.values())
    assert table.segments[0][0] == 0 and table.segments[-1][1] == table.report.row_count
    for (_, stop), (start, _) in zip(table.segments, table.segments[1:], strict=False):
        assert stop == start
    for start, stop in table.segments:
        assert (table.time_ns[start + 1 : stop] >= table.time_ns[start : stop - 1]).all()
    for row in range(0, table.report.row_count, 7):
        assert table.line_of(row) >= 1
    suggest_channels(table)
    return table, frozenset(f"{r.kind} {_bare(r.what)}" for r in table.report.remarks)


def _bare(words: str) -> str:
    return re.sub(r"[\d'].*", "", words)[:60]


def same(one, other) -> bool:
    """Return whether two readings of one file came out alike."""
    if one is None or other is None:
        return one is other
    return (
        one.time_ns.tolist() == other.time_ns.tolist()
        and list(one.columns) == list(other.columns)
        and all(np.array_equal(one.columns[n], other.columns[n], equal_nan=True) for n in one.columns)
        and one.segments == other.segments
    )


def by_lines(path: Path, entry: LogEntry | None = None):
    """Return the table by the strict reader of lines alone."""
    from phasewright.logs.read import _block

    original = _block.BlockReader.read
    _block.BlockReader.read = lambda self, data: None
    try:
        return attempt(path, entry)[0]
    finally:
        _block.BlockReader.read = original


class Fuzz:
    """One run."""

    def __init__(self, seed: int, folder: Path):
        self.generator = random.Random(seed)
        self.path = folder / "log.csv"
        self.corpus: list[bytes] = []
        self.seen: set[frozenset[str]] = set()
        self.count: Counter = Counter()
        self.slowest = 0.0
        self.failures: list[dict[str, str]] = []

    def make(self) -> bytes:
        """Return the next input."""
        draw = self.generator.random()
        if draw < 0.02:
            return self.generator.randbytes(self.generator.randint(0, 400))
        if draw < 0.4 or not self.corpus:
            return soup(self.generator)
        return mutated(self.generator.choice(self.corpus), self.generator)

    def step(self) -> None:
        """Make one input, read it, judge."""
        data = self.make()
        self.path.write_bytes(data)
        begin = time.perf_counter()
        try:
            table, said = attempt(self.path)
            draw = self.generator.random()
            if draw < 0.02:
                self.count["held against the reader of lines"] += 1
                assert same(table, by_lines(self.path)), "blocks and lines differ"
        except Exception:
            self.failures.append({"input": data.hex(), "what": traceback.format_exc()[-1500:]})
            return
        took = time.perf_counter() - begin
        self.slowest = max(self.slowest, took)
        if took > LONGEST:
            self.failures.append({"input": data.hex(), "what": f"took {took:.1f} s"})
        self.count["refused" if table is None else "read"] += 1
        if said not in self.seen:
            self.seen.add(said)
            if len(self.corpus) < CORPUS:
                self.corpus.append(data)
            else:
                self.corpus[self.generator.randrange(CORPUS)] = data


def summary(parts: list[dict]) -> str:
    """Return the result as text."""
    count = sum((Counter(part["count"]) for part in parts), Counter())
    total = count["read"] + count["refused"] + sum(len(part["failures"]) for part in parts)
    lines = [
        f"{total} inputs: {count['read']} read, {count['refused']} refused in due form, "
        f"{sum(len(part['failures']) for part in parts)} failures; slowest {max(p['slowest'] for p in parts):.2f} s; "
        f"{count['held against the reader of lines']} held against the reader of lines; "
        f"{sum(part['ways'] for part in parts)} different ways to end; {sum(part['seconds'] for part in parts):.0f} s"
    ]
    for part in parts:
        lines += [f"input {item['input'][:400]}\n{item['what']}" for item in part["failures"][:5]]
    return "\n".join(lines)


def main() -> int:
    """Print the result; exit 1 when an input ends otherwise than it may."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop after so long")
    parser.add_argument("--save", type=Path)
    parser.add_argument("--merge", type=Path, nargs="+", default=[])
    given = parser.parse_args()
    warnings.simplefilter("error")
    if given.merge:
        parts = [json.loads(path.read_text(encoding="utf-8")) for path in given.merge]
    else:
        started = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            fuzz = Fuzz(given.seed, Path(folder))
            for _ in range(given.count):
                fuzz.step()
                if time.perf_counter() - started > given.seconds:
                    break
        parts = [{
            "count": dict(fuzz.count), "failures": fuzz.failures, "slowest": fuzz.slowest, "ways": len(fuzz.seen),
            "seconds": time.perf_counter() - started,
        }]  # fmt: skip
    if given.save:
        given.save.write_text(json.dumps(parts[0]), encoding="utf-8")
    print(summary(parts))
    return 1 if any(part["failures"] for part in parts) else 0


if __name__ == "__main__":
    sys.exit(main())
