"""Class F of the catalogue, as far as it is about log files that are read."""

import errno
import io
import os
import re
import shutil
import socket
import threading
import time
import warnings
import zipfile
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from phasewright.app.cli import main
from phasewright.bench import LogEntry, LogFault
from phasewright.logs import open_log, open_table, read_log
from phasewright.logs.read import _source

REFUSAL = re.compile(r"^[^\n]+?:\d+(?::\d+)? \S[^\n]* - \S[^\n]*$")
TABLE = "time_s,power_W\n" + "".join(f"{i},{100 + i}\n" for i in range(1000))


def test_F03_directory(bad, tmp_path):
    assert "a directory" in bad.refusal(tmp_path)


class Meddling:
    """Does something to a file after its first block was read."""

    def __init__(self, monkeypatch, act):
        original = _source.Source.blocks

        def blocks(source):
            for index, block in enumerate(original(source)):
                if index == 0:
                    act(source.path)
                yield block

        monkeypatch.setattr(_source, "BLOCK", 1 << 12)
        monkeypatch.setattr(_source.Source, "blocks", blocks)


def test_F05_cut_while_it_is_read(bad, said, monkeypatch):
    path = bad.file(TABLE)
    Meddling(monkeypatch, lambda p: os.truncate(p, 6000))
    table = bad.table(path)
    assert len(table.time_ns) < 1000
    assert table.columns["power_W"].tolist() == [100.0 + i for i in range(len(table.time_ns))]
    assert "rows are what was found" in said(table, "shrank").what
    assert not table.report.complete


def test_F05_a_changed_file_is_not_kept(bad, monkeypatch):
    path = bad.file(TABLE)
    entry = LogEntry("log", ("log.csv",), "meter", ())
    with monkeypatch.context() as patch:
        Meddling(patch, lambda p: os.truncate(p, 6000))
        assert not open_table(bad.folder, "log.csv", entry).report.complete
    path.write_text(TABLE)
    again = open_table(bad.folder, "log.csv", entry)
    assert again.report.complete
    assert len(again.time_ns) == 1000


def test_F06_growing_file(bad, said, monkeypatch):
    def grow(path):
        with open(path, "a") as stream:
            stream.write("1000,5\n1001,")

    path = bad.file(TABLE)
    with monkeypatch.context() as patch:
        Meddling(patch, grow)
        table = bad.table(path)
    assert len(table.time_ns) == 1000
    said(table, "grew while it was read")
    later = read_log(path)
    assert len(later.time_ns) == 1001
    said(later, "no line end")


def test_F06_written_by_another_thread(bad):
    path = bad.file("time_s,power_W\n")
    stop = threading.Event()

    def write():
        with open(path, "a", buffering=1) as stream:
            for i in range(20_000):
                stream.write(f"{i},{100 + i % 50}\n")
                if stop.is_set():
                    return

    writer = threading.Thread(target=write)
    writer.start()
    try:
        time.sleep(0.02)
        for _ in range(10):
            table = bad.attempt(path)
            if hasattr(table, "time_ns"):
                count = len(table.time_ns)
                assert table.time_ns.tolist() == [i * 10**9 for i in range(count)]
                np.testing.assert_array_equal(table.columns["power_W"], 100 + np.arange(count) % 50)
    finally:
        stop.set()
        writer.join()


def test_F09_store_that_cannot_be_written(bad, monkeypatch):
    from phasewright.bench import LogFault

    bad.file(TABLE)
    (bad.folder / "derived").write_text("a file where a folder should be")
    with pytest.raises(LogFault, match="cannot be written"):
        open_log(bad.folder, LogEntry("log", ("log.csv",), "meter", ()), None)


if os.name == "posix":
    # Pipes, devices, sockets, permission bits and files with holes can be made on such systems only.

    def test_F01_named_pipe(bad, tmp_path):
        os.mkfifo(tmp_path / "pipe")
        assert "named pipe" in bad.refusal(tmp_path / "pipe")

    def test_F02_endless_device(bad):
        assert "character device" in bad.refusal(Path("/dev/zero"))

    def test_F03_socket_and_links(bad, tmp_path, monkeypatch):
        (tmp_path / "nowhere").symlink_to(tmp_path / "gone")
        assert "leads nowhere" in bad.refusal(tmp_path / "nowhere")
        (tmp_path / "ring").symlink_to(tmp_path / "ring")
        assert "back to itself" in bad.refusal(tmp_path / "ring")
        with socket.socket(socket.AF_UNIX) as server:
            monkeypatch.chdir(tmp_path)
            server.bind("s")
        assert "a socket" in bad.refusal(tmp_path / "s")

    def test_F04_no_permission(bad, tmp_path, monkeypatch):
        path = bad.file(TABLE)
        path.chmod(0)
        # Whoever runs this as the superuser may read everything; the answer of the system is what is tested.
        monkeypatch.setattr(_source.os, "access", lambda *_: False)
        refusal = bad.refusal(path)
        assert "may not be read by user" in refusal
        assert "----------" in refusal

    def test_F05_replaced_while_it_is_read(bad, said, monkeypatch):
        path = bad.file(TABLE)
        other = bad.file(TABLE.replace("100", "900"), "other.csv")
        Meddling(monkeypatch, lambda p: os.replace(other, p))
        table = bad.table(path)
        said(table, "was replaced")
        assert table.columns["power_W"][0] == 100

    @pytest.mark.parametrize("name", ["a\nb.csv", "-rf.csv", "x" * 250 + ".csv", "a'b\"c.csv", "\u202egpj.csv"])
    def test_F07_odd_names(bad, name):
        path = bad.file(TABLE, name)
        table = bad.table(path, kind="")
        assert len(table.time_ns) == 1000
        path.write_text("")
        assert "\n" not in bad.refusal_of(path)

    def test_F15_sparse_file(bad):
        path = bad.file(b"")
        os.truncate(path, 100 * 2**30)
        assert "sparse" in bad.refusal(path) or "zero bytes" in bad.refusal(path)

    def test_F16_file_of_the_system_without_a_size(bad):
        path = Path("/proc/self/mountinfo")
        if not path.exists():
            path = bad.file(TABLE)
        result = bad.attempt(path)
        assert "empty file" not in str(result)


# ---- what is written, and archives ---------------------------------------------------------------------------------


def run(*words):
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.output
    return result


@pytest.mark.parametrize("name", ["derived", "guide"])
def test_F09_folder_that_cannot_be_written(lab, tmp_path, name):
    """What cannot be written is refused, whatever the reason: here a file stands where the folder should be."""
    folder = tmp_path / "campaign"
    shutil.copytree(lab.folder / "clean", folder, ignore=shutil.ignore_patterns("derived"))
    (folder / name).write_text("a file where a folder should be")
    result = run("report", folder)
    assert result.exit_code == 2, result.output
    assert [line for line in result.output.splitlines() if REFUSAL.match(line)], result.output
    assert (folder / name).read_text() == "a file where a folder should be"


def test_F10_what_is_there_is_never_replaced(lab, tmp_path):
    folder = tmp_path / "campaign"
    shutil.copytree(lab.folder / "clean", folder)
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file() and "derived" not in path.parts}
    other = tmp_path / "meter.csv"
    other.write_text("time [s],Power [W]\n" + "".join(f"{i},{100 + i % 3}\n" for i in range(50)))
    for words in (["new", folder], ["read", folder, other, "--map", "input_power=Power"], ["demo", folder]):
        result = run(*words)
        assert result.exit_code == 2, result.output
        assert [line for line in result.output.splitlines() if " - " in line], result.output
    assert {path: path.read_bytes() for path in before} == before


def test_F12_input_output_error_while_reading(bad, monkeypatch):
    """A disk that fails in the middle is a refusal: nothing is kept of what was read until then."""
    path = bad.file(TABLE * 50)

    class Failing(io.FileIO):
        done = 0

        def read(self, size=-1):
            self.done += 1
            if self.done > 1:
                raise OSError(errno.EIO, "Input/output error")
            return super().read(size)

    original = open
    monkeypatch.setattr(_source, "HEAD", 1 << 12)
    monkeypatch.setattr(_source, "BLOCK", 1 << 12)
    monkeypatch.setattr(_source, "open", lambda p, *a, **k: Failing(p) if str(p) == str(path) else original(p, *a, **k),
                        raising=False)  # fmt: skip
    with pytest.raises(LogFault) as caught:
        open_table(bad.folder, "log.csv", LogEntry("log", ("log.csv",), "meter", ()))
    assert REFUSAL.match(str(caught.value)), str(caught.value)
    assert "nput/output error" in str(caught.value)
    assert not list((bad.folder / "derived").rglob("*.npy"))
    monkeypatch.undo()


@pytest.mark.parametrize("name", ["log.csv", "log.zip"])
def test_F13_archives_are_never_opened(bad, name):
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", b"0" * 20_000_000)
    nested = io.BytesIO()
    with zipfile.ZipFile(nested, "w") as archive:
        archive.writestr("inner.zip", inner.getvalue())
        for i in range(2000):
            archive.writestr(f"m{i}", b"")
    for data in (inner.getvalue(), nested.getvalue()):
        begin = time.perf_counter()
        assert "zip" in bad.refusal(bad.file(data, name)).lower()
        assert time.perf_counter() - begin < 1


@pytest.mark.parametrize("member", ["../out.csv", "/tmp-out.csv", "log.csv"])
def test_F14_no_member_is_ever_written(bad, member):
    data = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with zipfile.ZipFile(data, "w") as archive:
            archive.writestr(member, "time,p_W\n0,1\n")
            archive.writestr(member, "time,p_W\n0,2\n")
    path = bad.file(data.getvalue(), "logs.csv")
    before = sorted(bad.folder.parent.rglob("*"))
    assert "zip" in bad.refusal(path).lower()
    assert sorted(bad.folder.parent.rglob("*")) == before


# ---- files that are still written, and files far away --------------------------------------------------------------


class Trickling(io.FileIO):
    """A file as a slow network gives it: a few bytes at a time, however many are asked for."""

    sizes = (1, 7, 64, 3, 1000)
    turn = 0

    def read(self, size=-1):
        Trickling.turn += 1
        few = self.sizes[Trickling.turn % len(self.sizes)]
        return super().read(few if size < 0 else min(size, few))


def through(monkeypatch, path, reader):
    original = open
    monkeypatch.setattr(_source, "open", lambda p, *a, **k: reader(p) if str(p) == str(path) else original(p, *a, **k),
                        raising=False)  # fmt: skip


def test_F06_a_few_bytes_at_a_time(bad, monkeypatch):
    path = bad.file("bench log\n\ntime_s;power_W\n" + "".join(f"{i};{100 + i},5\n" for i in range(3000)))
    whole = bad.table(path, kind="")
    with monkeypatch.context() as patch:
        through(patch, path, Trickling)
        slow = bad.table(path, kind="")
    assert slow.time_ns.tolist() == whole.time_ns.tolist()
    np.testing.assert_array_equal(slow.columns["power_W"], whole.columns["power_W"])
    assert slow.report.fingerprint == whole.report.fingerprint
    assert [r.what for r in slow.report.remarks] == [r.what for r in whole.report.remarks]


def test_F05_a_connection_that_ends_early_is_said(bad, said, monkeypatch):
    """The file promised more than came: what came is kept, the rest is never passed over in silence."""
    path = bad.file(TABLE)

    class Ending(io.FileIO):
        def read(self, size=-1):
            return super().read(min(size, max(5000 - self.tell(), 0)))

    monkeypatch.setattr(_source, "HEAD", 1 << 12)
    through(monkeypatch, path, Ending)
    table = bad.table(path)
    assert 0 < len(table.time_ns) < 1000
    assert not table.report.complete
    said(table, "shrank to 5000 of")


def test_F06_a_kept_log_that_grew_is_read_again(bad):
    path = bad.file(TABLE)
    entry = LogEntry("log", ("log.csv",), "meter", ())
    assert len(open_table(bad.folder, "log.csv", entry).time_ns) == 1000
    for count in (1, 3):
        with path.open("a") as stream:
            stream.write("".join(f"{2000 + 10 * count + i},7\n" for i in range(count)))
        before = len(open_table(bad.folder, "log.csv", entry).time_ns)
        assert before == (1001 if count == 1 else 1004)


def test_F06_a_log_that_grows_while_it_is_kept_is_read_again(bad, monkeypatch):
    """What came meanwhile is not in the kept table, and not lost either: the next opening reads the whole file."""
    bad.file(TABLE)
    entry = LogEntry("log", ("log.csv",), "meter", ())

    def grow(place):
        with open(place, "a") as stream:
            stream.write("".join(f"{1000 + i},{i}\n" for i in range(200)))

    with monkeypatch.context() as patch:
        Meddling(patch, grow)
        first = open_table(bad.folder, "log.csv", entry)
    assert len(first.time_ns) == 1000
    assert any("grew while it was read" in remark.what for remark in first.report.remarks)
    again = open_table(bad.folder, "log.csv", entry)
    assert len(again.time_ns) == 1200
    np.testing.assert_array_equal(np.asarray(again.columns["power_W"])[1000:], np.arange(200.0))


@pytest.mark.parametrize("when", ["opened", "read first", "read on"])
def test_F05_a_stale_handle_is_a_refusal(bad, monkeypatch, when):
    """A server that lost the file answers ESTALE: refused with the place, nothing kept of what had come."""
    stale = getattr(errno, "ESTALE", 116)
    path = bad.file(TABLE * 5)

    class Stale(io.FileIO):
        def read(self, size=-1):
            if when == "read first" or self.tell() >= 8192:
                raise OSError(stale, "Stale file handle")
            return super().read(size)

    def opened(place):
        if when == "opened":
            raise OSError(stale, "Stale file handle")
        return Stale(place)

    monkeypatch.setattr(_source, "HEAD", 1 << 12)
    monkeypatch.setattr(_source, "BLOCK", 1 << 12)
    through(monkeypatch, path, opened)
    with pytest.raises(LogFault) as caught:
        open_table(bad.folder, "log.csv", LogEntry("log", ("log.csv",), "meter", ()))
    assert REFUSAL.match(str(caught.value)), str(caught.value)
    assert "Stale file handle" in str(caught.value)
    assert not list((bad.folder / "derived").rglob("*.npy"))


def test_F05_a_file_that_vanishes_while_it_is_read_is_said(bad, said, monkeypatch):
    path = bad.file(TABLE)
    Meddling(monkeypatch, lambda place: os.replace(place, place.with_suffix(".old")))
    table = bad.table(path)
    said(table, "vanished")
    assert not table.report.complete


def test_F05_strict_reading_refuses_what_changed_meanwhile(bad, monkeypatch):
    path = bad.file(TABLE)
    Meddling(monkeypatch, lambda place: os.truncate(place, 6000))
    with pytest.raises(LogFault, match="shrank to 6000 of .* while it was read - read it again"):
        read_log(path, strict=True)
