"""How long reading a log takes, beside general parsers on the same file in the same run.

    python benchmarks/read.py [SIZE_MB ...] [--messy] [--keep DIR]

Every reading is a fresh process; wall time, processor time and peak memory of the reading alone are printed, and the
ratio to the fastest general parser. `first` opens a log as a campaign does: checked cell by cell, fingerprinted,
columns kept in derived/. `again` is the second opening. General parsers are told everything (names, types, format of
the stamps) and keep nothing. The messy file (semicolons, decimal commas, day before month, preamble, headers repeated,
separators at the line ends, words for missing values) is read by us alone, against the parsers on the clean one.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

NAMES = ("input_voltage_V", "input_current_A", "regulator_temperature_C", "coolant_temperature_C", "package_power_W")
ROWS = 100_000


def make(path: Path, size: int, messy: bool) -> None:
    """Write a simulated 1 kHz log of at least `size` bytes."""
    generator = np.random.default_rng(7)
    noise = generator.normal(size=(ROWS, 5)) * (0.05, 1, 2, 0.2, 9) + (12, 20, 70, 32, 300)
    separator, decimal = (";", ",") if messy else (",", ".")
    form = separator.join(("%.4f", "%.4f", "%.2f", "%.2f", "%.3f")) + (separator if messy else "") + "\n"
    tails = [(form % tuple(row)).replace(".", decimal) for row in noise.tolist()]
    if messy:
        for i in range(50, ROWS, 997):
            tails[i] = tails[i].replace(tails[i].split(";")[2], "n/a", 1)
    base = np.datetime64("2026-03-13T00:00:00.000")
    head = separator.join(("time", *NAMES)) + "\n"
    with open(path, "w", encoding="cp1252", newline="") as stream:
        if messy:
            stream.write("bench logger\nserial;17\nroom 23 °C\n\n")
        stream.write(head)
        first = 0
        while stream.tell() < size:
            stamps = np.datetime_as_string(base + np.arange(first, first + ROWS).astype("timedelta64[ms]")).tolist()
            if messy:
                stamps = [f"{s[8:10]}.{s[5:7]}.{s[:4]} {s[11:19]},{s[20:]}" for s in stamps]
                if first:
                    stream.write(head)
            stream.write("".join([f"{s}{separator}{t}" for s, t in zip(stamps, tails, strict=True)]))
            first += ROWS
        if messy:
            stream.write("Average" + separator * 6 + "\n")


CHANNELS = ("input_voltage", "input_current", "regulator_temperature", "coolant_temperature", "package_power")


def ours(path: Path, work: Path) -> int:
    """Open a log as a table: read, checked, fingerprinted, kept."""
    from phasewright.logs import open_table

    return len(open_table(work, path.name, _entry(path, work)).time_ns)


def channels(path: Path, work: Path) -> int:
    """Open a log as a campaign does: every column as a channel, its values looked at."""
    from phasewright.logs import open_log

    return len(open_log(work, _entry(path, work), None).traces[0].value)


def _entry(path: Path, work: Path):
    from phasewright.bench import ChannelSource, ColumnTerm, LogEntry

    link = work / path.name
    if not link.exists():
        link.hardlink_to(path)
    sources = tuple(ChannelSource(c, (ColumnTerm((n,)),)) for c, n in zip(CHANNELS, NAMES, strict=True))
    return LogEntry("log", (path.name,), "meter", sources)


def duckdb_arrow(path: Path, work: Path) -> int:
    """Stream the columns out as Arrow batches; nothing is kept."""
    import duckdb
    import nanoarrow

    kinds = {"time": "TIMESTAMP", **dict.fromkeys(NAMES, "DOUBLE")}
    options = f"auto_detect = false, header = true, delim = ',', columns = {kinds}"
    relation = duckdb.sql(f"select * from read_csv('{path}', {options})")
    return sum(len(batch) for batch in nanoarrow.ArrayStream(relation))


def duckdb_numpy(path: Path, work: Path) -> int:
    """Take the columns as numpy arrays."""
    import duckdb

    kinds = {"time": "TIMESTAMP", **dict.fromkeys(NAMES, "DOUBLE")}
    query = f"select * from read_csv('{path}', auto_detect = false, header = true, delim = ',', columns = {kinds})"
    return len(duckdb.sql(query).fetchnumpy()["time"])


def polars(path: Path, work: Path) -> int:
    import polars as pl

    schema = {"time": pl.String, **dict.fromkeys(NAMES, pl.Float64)}
    frame = pl.read_csv(path, schema=schema)
    return frame.with_columns(pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%.f", time_unit="ns")).height


def pyarrow(path: Path, work: Path) -> int:
    """Read into a table, on all cores."""
    from pyarrow import csv, timestamp
    from pyarrow import float64 as number

    kinds = {"time": timestamp("ns"), **dict.fromkeys(NAMES, number())}
    return csv.read_csv(path, convert_options=csv.ConvertOptions(column_types=kinds)).num_rows


def pandas(path: Path, work: Path) -> int:
    import pandas as pd

    frame = pd.read_csv(path, dtype=dict.fromkeys(NAMES, "float64"))
    frame["time"] = pd.to_datetime(frame["time"], format="%Y-%m-%dT%H:%M:%S.%f")
    return len(frame)


READERS = {
    "ours": ours, "channels": channels, "duckdb_arrow": duckdb_arrow, "duckdb_numpy": duckdb_numpy, "polars": polars,
    "pyarrow": pyarrow, "pandas": pandas,
}  # fmt: skip


def measure(name: str, path: Path, work: Path) -> None:
    """Print one reading as JSON; imports are paid before the clock starts."""
    if name in ("ours", "channels"):
        from phasewright.logs import open_table  # noqa: F401
    elif name.startswith("duckdb"):
        import duckdb
        import nanoarrow  # noqa: F401

        duckdb.sql("select 1").fetchall()
    else:
        __import__(name)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    wall, cpu = time.perf_counter(), time.process_time()
    rows = READERS[name](path, work)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(json.dumps({"rows": rows, "wall": wall, "cpu": cpu, "peak": peak / 1024, "before": before / 1024}))


def run(name: str, path: Path, work: Path) -> dict | None:
    """Return one reading in a fresh process; None when the library is not installed."""
    command = [sys.executable, __file__, "--one", name, str(path), str(work)]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        if "ModuleNotFoundError" in done.stderr:
            return None
        raise SystemExit(done.stderr)
    return json.loads(done.stdout)


def table(size_mb: float, folder: Path, messy: bool, repeats: int) -> None:
    """Print the table of one size."""
    path = folder / f"clean_{size_mb:g}.csv"
    if not path.exists():
        make(path, int(size_mb * 1e6), False)
    path.read_bytes() if size_mb < 500 else subprocess.run(["cat", str(path)], stdout=subprocess.DEVNULL, check=True)
    rows: list[tuple[str, dict]] = []
    others = ("duckdb_arrow", "duckdb_numpy", "polars", "pyarrow", "pandas")
    best: dict[str, dict] = {}
    for _ in range(repeats):
        for name in others:
            found = run(name, path, folder)
            if found and (name not in best or found["wall"] < best[name]["wall"]):
                best[name] = found
        with tempfile.TemporaryDirectory(dir=folder) as work:
            for kind in ("first", "again"):
                found = run("ours", path, Path(work))
                if found and (kind not in best or found["wall"] < best[kind]["wall"]):
                    best[kind] = found
        with tempfile.TemporaryDirectory(dir=folder) as work:
            for kind in ("first, channels", "again, channels"):
                found = run("channels", path, Path(work))
                if found and (kind not in best or found["wall"] < best[kind]["wall"]):
                    best[kind] = found
        if messy:
            other = folder / f"messy_{size_mb:g}.csv"
            if not other.exists():
                make(other, int(size_mb * 1e6), True)
            with tempfile.TemporaryDirectory(dir=folder) as work:
                found = run("ours", other, Path(work))
                if found and ("messy" not in best or found["wall"] < best["messy"]["wall"]):
                    best["messy"] = found
    rows = list(best.items())
    fastest = min(best[name]["wall"] for name in others if name in best)
    print(f"\n{path.stat().st_size / 1e6:.0f} MB, {rows[0][1]['rows']} rows")
    heads = (("wall s", 8), ("cpu s", 8), ("peak MiB", 9), ("grown MiB", 9), ("wall / fastest parser", 22))
    print(f"{'reading':16s} " + " ".join(f"{head:>{width}s}" for head, width in heads))
    for name, found in rows:
        print(
            f"{name:16s} {found['wall']:8.3f} {found['cpu']:8.3f} {found['peak']:9.0f} "
            f"{found['peak'] - found['before']:9.0f} {found['wall'] / fastest:22.2f}"
        )
    print(f"second opening {best['first']['wall'] / best['again']['wall']:.0f} times faster than the first")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sizes", nargs="*", type=float, default=[10, 100])
    parser.add_argument("--messy", action="store_true", help="read a messy file too")
    parser.add_argument("--keep", type=Path, help="folder to keep the files in")
    parser.add_argument("--repeats", type=int, default=3)
    if sys.argv[1:2] == ["--one"]:
        measure(sys.argv[2], Path(sys.argv[3]), Path(sys.argv[4]))
        return
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for size in given.sizes:
            table(size, folder, given.messy, given.repeats)


if __name__ == "__main__":
    main()
