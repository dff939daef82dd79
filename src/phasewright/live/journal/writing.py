"""Writes a journal: flushed with every batch, synced every second, in segments; a failing disk loses nothing at once.

After a failed write or sync the segment is not trusted any more: what was not yet synced is kept in memory and written
again, whole, into a new segment as soon as one can be made. A failed sync is never tried again on the same file, because
the system may have thrown the pages away and would then report success.
"""

from __future__ import annotations

import json
import os
from collections import deque
from collections.abc import Mapping
from itertools import takewhile
from pathlib import Path

from phasewright.bench import Fault, NotReady
from phasewright.live.clock import Clock
from phasewright.live.journal.disk import Disk
from phasewright.live.journal.line import Entry, to_line
from phasewright.live.journal.reading import last_record, segment_paths
from phasewright.live.journal.unbroken import Unbroken

FORMAT = "phasewright-journal-1"
SEGMENT_BYTES, SEGMENT_SECONDS = 64 << 20, 3600.0
KEPT_BYTES = 64 << 20
"""Most that is kept in memory while the disk takes nothing; beyond it the oldest records are given up, and counted."""
RETRY_S = 0.5
"""[s] between two attempts to make a new segment."""
LAST_TRIES = 20
"""Attempts to bring everything to the disk before the journal is left as it is, and said to be incomplete."""


class JournalWriter:
    """The only writer of a campaign's journal. One at a time: a lock names the process that holds it."""

    def __init__(self, folder: Path, clock: Clock, *, head: Mapping | None = None, disk: Disk | None = None,
                 segment_bytes: int = SEGMENT_BYTES, segment_seconds: float = SEGMENT_SECONDS):
        """Open a new segment in `folder`; NotReady where it cannot be written or another recorder holds it."""
        self._folder, self._clock, self._disk = folder, clock, disk or Disk()
        self._segment_bytes, self._segment_seconds = segment_bytes, segment_seconds
        self._handle: int | None = None
        self._unsynced: deque[tuple[int, bytes]] = deque()
        self._kept = self._size = self._dropped = 0
        self._failed_at = 0
        self.alarm = ""
        """What is wrong with the disk, '' = nothing."""
        self._lock = hold_folder(folder)
        try:
            last = last_record(folder)
            self.session = (last.session if last else 0) + 1
            self.synced = self._written = last.seq if last else -1
            """Last record that is surely on the disk."""
            self._head = {"format": FORMAT, "session": self.session, **(head or {})}
            self._open_segment()
        except OSError as error:
            self._release()
            raise NotReady(Fault(str(folder), f"no record can be written there ({error.strerror or error})",
                                 "free some space, or grant write permission, before the run")) from None

    @property
    def seq(self) -> int:
        """Number of the next record. It follows from what was taken, so that taking is one step that nothing cuts in two."""
        return self._unsynced[-1][0] + 1 if self._unsynced else self.synced + 1

    def add(self, kind: str, name: str, value: float | None = None, unit: str = "", flag: str = "", text: str = "",
            mono_ns: int | None = None) -> int:
        """Take one record and return its number; `flush` writes it."""
        now = self._clock.monotonic_ns()
        mono = now if mono_ns is None else mono_ns
        entry = Entry(self.seq, mono, self._clock.wall_ns() - now + mono, kind, name, value, unit, flag, text)
        self._take(entry.seq, to_line(entry))
        return entry.seq

    def event(self, name: str, /, **particulars: object) -> int:
        """Take one event; its particulars are kept as JSON."""
        return self.add("event", name, text=json.dumps(particulars, ensure_ascii=True, default=str))

    def _take(self, seq: int, line: bytes) -> None:
        self._unsynced.append((seq, line))
        self._kept += len(line)
        while self._kept > KEPT_BYTES and self.alarm and len(self._unsynced) > 1:
            self._kept -= len(self._unsynced.popleft()[1])
            self._dropped += 1

    def flush(self) -> bool:
        """Write what was taken; return whether the disk took it."""
        with Unbroken():
            return self._flush()

    def _flush(self) -> bool:
        if self.alarm:
            return self._mend()
        fresh = [line for _, line in takewhile(lambda item: item[0] > self._written, reversed(self._unsynced))]
        if not fresh:
            return True
        # A write that fails leaves an alarm, and all that is not synced is then written anew.
        self._written = self.seq - 1
        try:
            self._write(b"".join(reversed(fresh)))
        except OSError as error:
            return self._fail("write", error)
        return True

    def sync(self) -> bool:
        """Write and sync; return whether everything taken so far is on the disk."""
        with Unbroken():
            return self._sync()

    def _sync(self) -> bool:
        if not self._flush() or self._handle is None:
            return False
        try:
            self._disk.sync(self._handle)
        except OSError as error:
            return self._fail("sync", error)
        self.synced = self.seq - 1
        self._unsynced.clear()
        self._kept = 0
        old = (self._clock.monotonic_ns() - self._opened) * 1e-9 > self._segment_seconds
        if self._size > self._segment_bytes or old:
            self._turn_over()
        return True

    def close(self) -> bool:
        """Write the end record, sync and let go; return whether all is on the disk."""
        with Unbroken():
            return self._end()

    def _end(self) -> bool:
        self.add("end", "end", text=json.dumps({"records": self.seq + 1}))
        for _ in range(LAST_TRIES):
            done = self._sync()
            if done:
                break
            self._clock.sleep(RETRY_S)
        if self._handle is not None:
            self._close_quietly()
        self._release()
        return done

    def abandon(self) -> None:
        """Let go without an end record, as a killed recorder would."""
        if self._handle is not None:
            self._close_quietly()
        self._release()

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            taken = self._disk.write(self._handle, view)
            if taken <= 0:
                raise OSError(5, "nothing was taken")
            view = view[taken:]
            self._size += taken

    def _fail(self, what: str, error: OSError) -> bool:
        self.alarm = f"{what} failed: {error.strerror or error}"
        self._failed_at = self._clock.monotonic_ns()
        if self._handle is not None:
            self._close_quietly()
        return False

    def _mend(self) -> bool:
        if (self._clock.monotonic_ns() - self._failed_at) * 1e-9 < RETRY_S:
            return False
        said, again = self.alarm, [line for _, line in self._unsynced]
        try:
            self._open_segment()
            if again:
                self._write(b"".join(again))
        except OSError as error:
            return self._fail("write", error)
        self.alarm, self._written = "", self.seq - 1
        self.event("disk_alarm", what=said, written_again=len(again), given_up=self._dropped)
        self._dropped = 0
        # All of it anew, head and what was kept: only a sync of this file can vouch for it.
        return self._sync()

    def _open_segment(self) -> None:
        present = segment_paths(self._folder)
        number = int(present[-1].stem) + 1 if present else 1
        path = self._folder / f"{number:06d}.txt"
        self._handle = self._disk.make(path)
        self._opened = self._clock.monotonic_ns()
        self._size = 0
        mono, wall = self._opened, self._clock.wall_ns()
        text = json.dumps({**self._head, "segment": number, "next": self.seq, "mono_ns": mono, "wall_ns": wall})
        # The head has no number of its own: it repeats in every segment, and a lost one loses no record.
        self._write(to_line(Entry(-1, mono, wall, "head", "head", None, "", "", text)))
        self._disk.sync(self._handle)

    def _turn_over(self) -> None:
        self._close_quietly()
        try:
            self._open_segment()
        except OSError as error:
            self._fail("write", error)

    def _close_quietly(self) -> None:
        handle, self._handle = self._handle, None
        try:
            self._disk.close(handle)
        except OSError:
            return  # what a close reports was written since the last sync: nothing, or it is written again

    def _release(self) -> None:
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None


def hold_folder(folder: Path, who: str = "recorder") -> int:
    """Hold the folder's lock; the system lets go of it when the process dies, however it dies. NotReady when it is held."""
    path = folder / "holder"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise NotReady(Fault(str(folder), f"no record can be written there ({error.strerror})",
                             "choose a folder that may be written")) from None
    try:
        _lock(handle)
    except OSError:
        holder = os.read(handle, 40).decode("ascii", "replace").strip()
        os.close(handle)
        raise NotReady(Fault(str(folder), f"another {who} is at work there (process {holder or 'unknown'})",
                             "let it end, or end it, before starting another")) from None
    os.ftruncate(handle, 0)
    os.write(handle, f"{os.getpid()}\n".encode("ascii"))
    return handle


def _lock(handle: int) -> None:
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        # Beyond the number of the process, for others cannot read what is locked there; back where writing begins.
        os.lseek(handle, 1 << 30, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        finally:
            os.lseek(handle, 0, os.SEEK_SET)
    else:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
