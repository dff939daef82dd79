"""Rarer ways through the journal: closes that fail, other systems' locks and folders, what is asked after the end."""

import builtins
import errno
import os
import sys
import types

import pytest

from phasewright.bench import NotReady
from phasewright.live import hold_folder, read_journal, write_logs
from phasewright.live.clock import MovedClock
from phasewright.live.journal.disk import Disk
from phasewright.live.journal.reading import LastRecord, last_record, segment_paths, survey
from phasewright.live.journal.writing import JournalWriter
from phasewright.live.scribe import DirectScribe, ThreadScribe


class CloseFails(Disk):
    """Closes, and then reports an error, as network file systems do."""

    def close(self, handle):
        super().close(handle)
        raise OSError(errno.EIO, "Input/output error")


def test_a_close_that_fails_after_a_sync_loses_nothing_and_raises_nothing(tmp_path):
    writer = JournalWriter(tmp_path, MovedClock(), disk=CloseFails(), segment_bytes=1)
    for index in range(3):
        writer.add("reading", "a/b", float(index), "W")
        assert writer.sync() and writer.synced == index
    assert writer.close()
    found = survey(tmp_path)
    assert found.complete and found.records == 4 and found.segments == 5


def test_letting_go_twice_lets_go_once(tmp_path):
    writer = JournalWriter(tmp_path, MovedClock())
    assert writer.close()
    other = os.open(tmp_path / "other", os.O_CREAT | os.O_RDWR)  # takes the number of a handle that was closed
    writer.abandon()
    os.close(other)  # raises where a second letting go has closed it
    JournalWriter(tmp_path, MovedClock()).close()


def test_nothing_is_called_synced_once_the_journal_is_closed(tmp_path):
    writer = JournalWriter(tmp_path, MovedClock())
    writer.close()
    assert writer.flush() and not writer.sync()


def test_a_folder_is_held_by_the_lock_that_windows_has(tmp_path, monkeypatch):
    """msvcrt.locking(fd, mode, nbytes) raises OSError where the region is locked (Python library reference, msvcrt)."""
    held, asked = set(), []

    def locking(handle, mode, count):
        asked.append((mode, count))
        if os.fstat(handle).st_ino in held:
            raise OSError(errno.EACCES, "Permission denied")
        held.add(os.fstat(handle).st_ino)

    plain = builtins.__import__

    def without_fcntl(name, *rest, **more):
        if name == "fcntl":
            raise ImportError(name)
        return plain(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without_fcntl)
    monkeypatch.setitem(sys.modules, "msvcrt", types.SimpleNamespace(locking=locking, LK_NBLCK=2))
    first = hold_folder(tmp_path)
    with pytest.raises(NotReady, match=f"another recorder is at work there .process {os.getpid()}"):
        hold_folder(tmp_path)
    assert asked == [(2, 1), (2, 1)]
    os.close(first)


def test_a_folder_that_nobody_has_signed_is_held_by_somebody_unknown(tmp_path):
    fcntl = pytest.importorskip("fcntl")
    handle = os.open(tmp_path / "holder", os.O_RDWR | os.O_CREAT)
    fcntl.flock(handle, fcntl.LOCK_EX)
    with pytest.raises(NotReady, match="another run is at work there .process unknown"):
        hold_folder(tmp_path, "run")
    os.close(handle)


def test_who_holds_a_folder_is_written_over_a_longer_number(tmp_path):
    (tmp_path / "holder").write_text("12345678901234\n")
    os.close(hold_folder(tmp_path))
    assert (tmp_path / "holder").read_text() == f"{os.getpid()}\n"


def test_a_system_without_folder_handles_makes_segments_too(tmp_path, monkeypatch):
    monkeypatch.delattr(os, "O_DIRECTORY")
    handle = Disk().make(tmp_path / "000001.txt")
    Disk().write(handle, b"x")
    Disk().close(handle)
    assert (tmp_path / "000001.txt").read_bytes() == b"x"
    with pytest.raises(FileExistsError):
        Disk().make(tmp_path / "000001.txt")


def test_a_segment_is_on_the_disk_with_its_folder(tmp_path, monkeypatch):
    """A file's own sync does not bring the folder's entry to the disk (fsync(2), NOTES)."""
    synced = []
    plain = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (synced.append(os.fstat(handle).st_ino), plain(handle)))
    handle = Disk().make(tmp_path / "000001.txt")
    assert synced == [tmp_path.stat().st_ino]
    Disk().sync(handle)
    assert synced[1:] == [(tmp_path / "000001.txt").stat().st_ino]
    Disk().close(handle)


def test_an_instrument_that_gave_no_number_at_all_gets_no_log(tmp_path):
    writer = JournalWriter(tmp_path / "journal", MovedClock())
    writer.add("missing", "dead/input_power", None, "W", "timeout")
    writer.add("reading", "alive/package_power", 20.0, "W")
    writer.close()
    written = write_logs(read_journal(tmp_path / "journal"), tmp_path)
    assert [item.instrument for item in written] == ["alive"]
    assert sorted(path.name for path in (tmp_path / "logs" / "live").iterdir()) == ["alive-1.csv"]


def test_a_head_behind_rubbish_on_its_line_still_says_where_the_journal_stands(tmp_path):
    for _ in range(3):
        writer = JournalWriter(tmp_path, MovedClock())
        writer.add("reading", "a/b", 1.0, "W")
        writer.close()
    last = segment_paths(tmp_path)[-1]
    last.write_bytes(b"\x00rubbish" + last.read_bytes())
    assert last_record(tmp_path) == LastRecord(3, 5)
    found = survey(tmp_path)
    assert found.sessions == 3 and found.records == 6 and not found.complete
    assert JournalWriter(tmp_path, MovedClock()).session == 4


def test_what_a_thread_took_to_the_disk_is_timed_where_a_reading_has_its_stamp(tmp_path):
    clock = MovedClock()
    direct = DirectScribe(JournalWriter(tmp_path / "a", clock), clock)
    direct.add("reading", "a/b", 1.0, "W", mono_ns=0)
    direct.add("reading", "a/b", 1.0, "W")
    clock.sleep(0.25)
    direct.tick()
    assert (direct.written.count, direct.written.worst) == (1, pytest.approx(0.25))
    direct.close()
    thread = ThreadScribe(JournalWriter(tmp_path / "b", clock), clock)
    thread.add("reading", "a/b", 1.0, "W")
    thread.tick()
    assert thread.close() and thread.written.count == 1
