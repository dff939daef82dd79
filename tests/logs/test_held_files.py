"""The store where a file that is open or mapped can be neither moved, replaced nor removed, as on Windows.

The rule is the documented one of DeleteFile and MoveFileEx for files opened or mapped without shared deletion (Microsoft's
reference of file management functions; from memory). Without /proc nothing is refused, and the rest is tested all the same.
"""

import os
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from phasewright.bench import ChannelSource, ColumnTerm, LogEntry
from phasewright.logs import open_log, store


def held_files():
    """Return the files that this process has open or mapped."""
    found = set()
    maps = Path("/proc/self/maps")
    if maps.exists():
        parts = (line.split(maxsplit=5) for line in maps.read_text().splitlines())
        found.update(part[5] for part in parts if len(part) == 6)
        for name in os.listdir("/proc/self/fd"):
            try:
                found.add(os.readlink(f"/proc/self/fd/{name}"))
            except OSError:
                continue
    return found


@pytest.fixture
def windows_like(monkeypatch):
    """Refuse to touch what is held; return the list of refusals."""
    refused = []

    def check(path):
        full = os.path.realpath(path)
        for name in held_files():
            if not os.path.isdir(name) and (name == full or name.startswith(full + os.sep)):
                refused.append(full)
                raise PermissionError(13, "The process cannot access the file", str(path))

    def watched(real, count):
        def call(*paths, **how):
            if how.get("dir_fd") is None:
                for path in paths[:count]:
                    check(path)
            return real(*paths, **how)

        return call

    monkeypatch.setattr(shutil, "_use_fd_functions", False, raising=False)
    for name, count in (("replace", 2), ("rename", 2), ("unlink", 1), ("remove", 1), ("rmdir", 1)):
        monkeypatch.setattr(os, name, watched(getattr(os, name), count))
    return refused


def entry(column):
    return LogEntry("meter", ("logs/meter.csv",), "meter", (ChannelSource("input_power", (ColumnTerm((column,)),)),))


def write(folder, lines):
    (folder / "logs").mkdir(exist_ok=True)
    (folder / "logs" / "meter.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def stamped(count, set_at):
    begin = datetime(2026, 3, 1, 12)
    for k in range(count):
        yield f"{begin + timedelta(seconds=k + (3600 if k >= set_at else 0))},{k},{200 + k % 7}"


def test_times_taken_from_a_counter_replace_no_mapped_file(tmp_path, windows_like):
    write(tmp_path, ["time,uptime_s,Power (W)", *stamped(400, 150)])
    first = open_log(tmp_path, entry("Power (W)"), None).traces[0]
    assert int(first.time_ns[-1] - first.time_ns[0]) == 399 * 10**9
    again = open_log(tmp_path, entry("Power (W)"), None).traces[0]
    assert again.time_ns.tolist() == first.time_ns.tolist()
    assert windows_like or not Path("/proc/self/maps").exists()


def test_newest_first_is_turned_round(tmp_path, windows_like):
    write(tmp_path, ["time,uptime_s,Power (W)", *list(stamped(400, 400))[::-1]])
    trace = open_log(tmp_path, entry("Power (W)"), None).traces[0]
    assert trace.value.tolist() == [200 + k % 7 for k in range(400)]


def test_tables_of_before_the_file_changed_are_removed(tmp_path, windows_like):
    tables = tmp_path / "derived" / "tables"
    for count in (300, 310, 320):
        write(tmp_path, ["time,uptime_s,Power (W)", *stamped(count, count)])
        opened = open_log(tmp_path, entry("Power (W)"), None)
        assert len(opened.traces[0].value) == count
        del opened
    assert sum(path.is_dir() for path in tables.iterdir()) == 1


def test_what_was_left_half_written_is_cleared_away(tmp_path):
    write(tmp_path, ["time,uptime_s,Power (W)", *stamped(50, 50)])
    left = tmp_path / "derived" / "tables" / ".part-left"
    left.mkdir(parents=True)
    (left / "time.npy").write_bytes(b"\0" * 100)
    at_work = tmp_path / "derived" / "tables" / ".part-atwork"
    at_work.mkdir()
    for path in (left / "time.npy", left):
        os.utime(path, (1e9, 1e9))
    open_log(tmp_path, entry("Power (W)"), None)
    assert not left.exists()
    assert at_work.exists()


def test_table_that_could_not_be_moved_is_not_taken_for_left(tmp_path, windows_like):
    write(tmp_path, ["time,uptime_s,Power (W)", *stamped(60, 60)])
    open_log(tmp_path, entry("Power (W)"), None)
    tables = tmp_path / "derived" / "tables"
    for path in tables.rglob("*"):
        os.utime(path, (1e9, 1e9))
    store.Store(tmp_path).writer().abandon()
    kept = store.Store(tmp_path)
    assert any(path.is_dir() and (path / "header.json").exists() for path in kept.place.iterdir())
