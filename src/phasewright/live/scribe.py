"""Takes records to the journal: at once, or by a thread of its own so that a slow disk never holds the guard up."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Protocol

from phasewright.live.clock import Clock
from phasewright.live.journal.writing import JournalWriter
from phasewright.live.lateness import Lateness

SYNC_S = 1.0
MOST_STAMPS = 100_000
"""Readings whose way to the disk is timed while the disk takes nothing; those after them are kept all the same."""


class Scribe(Protocol):
    """What the recorder hands its records to."""

    alarm: str

    def add(self, kind: str, name: str, value: float | None = None, unit: str = "", flag: str = "", text: str = "",
            mono_ns: int | None = None) -> None:
        """Take one record."""
        ...

    def event(self, name: str, /, **particulars: object) -> None:
        """Take one event."""
        ...

    def tick(self) -> None:
        """Write what was taken, and sync once a second."""
        ...

    def close(self) -> bool:
        """Write the end; return whether all is on the disk."""
        ...


class DirectScribe:
    """Writes at once, for runs whose clock waits for nobody."""

    def __init__(self, writer: JournalWriter, clock: Clock, sync_s: float = SYNC_S):
        self._writer, self._clock, self._synced, self._sync_s = writer, clock, clock.monotonic_ns(), sync_s
        self._stamps: list[int] = []
        self.written = Lateness()
        """From the stamp of each reading until it was written."""

    @property
    def alarm(self) -> str:
        """What is wrong with the disk, '' = nothing."""
        return self._writer.alarm

    def add(self, kind: str, name: str, value: float | None = None, unit: str = "", flag: str = "", text: str = "",
            mono_ns: int | None = None) -> None:
        """See `Scribe`."""
        self._writer.add(kind, name, value, unit, flag, text, mono_ns)
        if mono_ns is not None:
            self._stamps.append(mono_ns)

    def event(self, name: str, /, **particulars: object) -> None:
        """See `Scribe`."""
        self._writer.event(name, **particulars)

    def tick(self) -> None:
        """See `Scribe`."""
        now = self._clock.monotonic_ns()
        if self._writer.flush():
            after = self._clock.monotonic_ns()
            for stamp in self._stamps:
                self.written.take((after - stamp) * 1e-9)
            self._stamps.clear()
        del self._stamps[MOST_STAMPS:]
        if (now - self._synced) * 1e-9 >= self._sync_s:
            self._synced = now
            self._writer.sync()

    def close(self) -> bool:
        """See `Scribe`."""
        self._writer.event("written", readings=self.written.count, late_p50=round(self.written.share(0.5), 6),
                           late_p99=round(self.written.share(0.99), 6), worst_late=round(self.written.worst, 6))
        return self._writer.close()


class ThreadScribe:
    """Hands everything to a thread that alone talks to the disk, and calls `punctual` first."""

    def __init__(self, writer: JournalWriter, clock: Clock, punctual: Callable[[], object] = lambda: None):
        self._direct, self._clock, self._punctual = DirectScribe(writer, clock), clock, punctual
        self._waiting: queue.SimpleQueue = queue.SimpleQueue()
        self._done = False
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    @property
    def alarm(self) -> str:
        """What is wrong with the disk, '' = nothing."""
        return self._direct.alarm

    @property
    def written(self) -> Lateness:
        """From the stamp of each reading until it was written."""
        return self._direct.written

    def add(self, kind: str, name: str, value: float | None = None, unit: str = "", flag: str = "", text: str = "",
            mono_ns: int | None = None) -> None:
        """See `Scribe`."""
        stamp = self._clock.monotonic_ns() if mono_ns is None else mono_ns
        self._waiting.put(("add", (kind, name, value, unit, flag, text, stamp)))

    def event(self, name: str, /, **particulars: object) -> None:
        """See `Scribe`."""
        self._waiting.put(("event", (name, particulars)))

    def tick(self) -> None:
        """See `Scribe`."""
        self._waiting.put(("tick", ()))

    def close(self) -> bool:
        """See `Scribe`."""
        self._waiting.put(("close", ()))
        self._thread.join()
        return self._done

    def _work(self) -> None:
        self._punctual()
        while True:
            what, given = self._waiting.get()
            if what == "add":
                self._direct.add(*given)
            elif what == "event":
                self._direct.event(given[0], **given[1])
            elif what == "tick":
                self._direct.tick()
            else:
                self._done = self._direct.close()
                return
