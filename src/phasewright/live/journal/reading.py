"""Reads a journal back: every sound record, and every loss. A bad record never takes another one with it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from phasewright.live.journal.line import Entry, from_line

_LONGEST_LINE = 1 << 18
"""[bytes] So much of a segment's end is read too, to find its last record."""


@dataclass(frozen=True, slots=True)
class Damage:
    """A place in a segment that holds no sound record."""

    file: str
    line: int
    offset: int
    """[bytes]"""
    what: str


@dataclass(frozen=True, slots=True)
class LastRecord:
    """Where a journal stands."""

    session: int
    seq: int


@dataclass(slots=True)
class Survey:
    """What a journal holds, and what it lost."""

    records: int = 0
    """Sound records, each counted once."""
    sessions: int = 0
    segments: int = 0
    closed: bool = False
    """Whether the last session ended as it should."""
    missing: list[tuple[int, int]] = field(default_factory=list)
    """(first, last) number of records that are nowhere."""
    damages: list[Damage] = field(default_factory=list)
    unclosed: list[int] = field(default_factory=list)
    """Sessions without an end record."""
    alarms: list[str] = field(default_factory=list)
    """What the recorder itself had to say about the disk."""
    headless: list[str] = field(default_factory=list)
    """Segments whose head cannot be read."""
    _next: int = 0

    @property
    def complete(self) -> bool:
        """Whether nothing is lost and nothing had to be mended."""
        return not (self.missing or self.damages or self.unclosed or self.alarms or self.headless)

    @property
    def usable(self) -> bool:
        """Whether there is any record to use."""
        return self.records > 0

    @property
    def lost(self) -> int:
        """Number of records that are nowhere."""
        return sum(last - first + 1 for first, last in self.missing)

    def book(self, seq: int) -> bool:
        """Count record `seq`; return False when it was counted before (written again after a failed sync)."""
        if seq >= self._next:
            if seq > self._next:
                self.missing.append((self._next, seq - 1))
            self._next = seq + 1
            self.records += 1
            return True
        for index, (first, last) in enumerate(self.missing):
            if first <= seq <= last:
                self.missing[index : index + 1] = [pair for pair in ((first, seq - 1), (seq + 1, last)) if pair[0] <= pair[1]]
                self.records += 1
                return True
        return False


def segment_paths(folder: Path) -> list[Path]:
    """Return the segments of a journal in the order in which they were made."""
    return sorted(path for path in folder.glob("*.txt") if path.stem.isdigit())


def entries_of(path: Path, damaged: Callable[[Damage], None]) -> Iterator[tuple[Entry, int]]:
    """Yield every sound record of one segment with the offset of its line; what is not sound goes to `damaged`."""
    offset, number = 0, 0
    with path.open("rb") as file:
        while line := file.readline(_LONGEST_LINE):
            number += 1
            whole = line.endswith(b"\n")
            entry = from_line(line[:-1]) if whole else None
            if entry is not None:
                yield entry, offset
            else:
                # The line's end may have been hit: look for whole records inside.
                pieces = [b"~" + piece for piece in line.rstrip(b"\n").split(b"~")[1:]]
                found = [item for item in map(from_line, pieces) if item is not None] if len(pieces) > 1 or whole else []
                what = "torn off at the end of the segment" if not whole else "checksum does not agree"
                damaged(Damage(path.name, number, offset, what))
                for item in found:
                    yield item, offset
            offset += len(line)


def survey(folder: Path, visit: Callable[[Entry, int], None] | None = None) -> Survey:
    """Read a whole journal; `visit` is called once for every sound record with the session that it belongs to."""
    found, session, open_session = Survey(), 0, 0
    for path in segment_paths(folder):
        found.segments += 1
        seen_head = False
        for entry, _ in entries_of(path, found.damages.append):
            if entry.kind == "head":
                seen_head = True
                number = _head(entry).get("session", session)
                if number != session:
                    if open_session:
                        found.unclosed.append(open_session)
                    session = open_session = number
                    found.sessions += 1
                if visit is not None:
                    visit(entry, session)
                continue
            if not found.book(entry.seq):
                continue
            if entry.kind == "end":
                open_session = 0
            elif entry.kind == "event" and entry.name == "disk_alarm":
                said = json.loads(entry.text)
                found.alarms.append(f"{said['what']}; {said['written_again']} records written again, "
                                    f"{said['given_up']} given up")
            if visit is not None:
                visit(entry, session)
        if not seen_head:
            found.headless.append(path.name)
    if open_session:
        found.unclosed.append(open_session)
    found.closed = found.segments > 0 and not open_session
    return found


def last_record(folder: Path) -> LastRecord | None:
    """Return where the journal in `folder` stands; None when there is none.

    A head tells its session and the number that came next when it was made, so that of a sound journal only the last
    segment's two ends are read, however long it has grown.
    """
    session, seq, any_head = 0, -1, False
    for path in reversed(segment_paths(folder)):
        head, last = _ends(path)
        seq = max(seq, last)
        if head is not None:
            any_head = True
            session = max(session, head.get("session", 0))
            seq = max(seq, head.get("next", 0) - 1)
            if {"session", "next"} <= head.keys():
                break
    return LastRecord(session, seq) if any_head or seq >= 0 else None


def _ends(path: Path) -> tuple[dict | None, int]:
    """Return (head of a segment, None = it cannot be read; number of its last sound record, -1 = there is none)."""
    with path.open("rb") as file:
        first = file.readline(_LONGEST_LINE)
        file.seek(max(path.stat().st_size - _LONGEST_LINE, 0))
        tail = file.read().split(b"\n")
    entry = from_line(first.rstrip(b"\n"))
    sound = [item.seq for item in map(from_line, tail) if item is not None]
    if entry is not None and entry.kind == "head" and sound:
        return _head(entry), max(sound)
    # One of its ends was hit: all of it is looked through.
    heads, last = [], -1
    for item, _ in entries_of(path, lambda damage: None):
        last = max(last, item.seq)
        if item.kind == "head":
            heads.append(_head(item))
    return (heads[-1] if heads else None), last


def _head(entry: Entry) -> dict:
    try:
        found = json.loads(entry.text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


class Follower:
    """Reads a journal while it grows. It may lag or die; the recorder never notices."""

    def __init__(self, folder: Path):
        self._folder = folder
        self._path: Path | None = None
        self._offset = 0

    def read(self, most: int = 1 << 20) -> list[Entry]:
        """Return the records that were written since the last call, at most `most` bytes of them."""
        found: list[Entry] = []
        while True:
            if self._path is None:
                later = segment_paths(self._folder)
                if not later:
                    return found
                self._path = later[0]
            with self._path.open("rb") as file:
                file.seek(self._offset)
                data = file.read(most)
            end = data.rfind(b"\n") + 1
            self._offset += end
            found += [item for item in map(from_line, data[:end].split(b"\n")[:-1]) if item is not None]
            if end:
                return found
            later = [path for path in segment_paths(self._folder) if path > self._path]
            if not later:
                return found
            self._path, self._offset = later[0], 0
