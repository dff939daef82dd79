"""One line of a journal.

``~seq TAB monotonic_ns TAB wall_ns TAB kind TAB name TAB value TAB unit TAB flag TAB text TAB crc32 LF``, ASCII. The
checksum covers all between ``~`` and itself. ``~`` occurs nowhere else, so that a line whose end was hit does not
take the next one with it.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass

KINDS = ("head", "reading", "missing", "event", "end")
LONGEST_TEXT, LONGEST_ESCAPED = 60_000, 200_000
"""Characters of a text that are kept, and of what it is written as: no line is longer than a reader takes in."""
_PLAIN = re.compile(r"[^\\~\x00-\x1f\x7f-\U0010ffff]*")
_NUMBER = re.compile(rb"-?[0-9]{1,20}")


@dataclass(frozen=True, slots=True)
class Entry:
    """One record."""

    seq: int
    """Counts every record of a campaign's journal from 0."""
    mono_ns: int
    """Monotonic clock [ns]; orders."""
    wall_ns: int
    """Wall clock, nanoseconds since the Unix epoch; informs."""
    kind: str
    """head | reading | missing | event | end"""
    name: str
    """``instrument/channel`` of a reading; what happened, for an event."""
    value: float | None
    unit: str
    flag: str
    """Why a reading is missing or doubtful; '' = nothing to say."""
    text: str
    """As received, or the event's particulars as JSON."""


def escaped(text: str) -> str:
    """Return `text` in ASCII without control characters, backslashes and ``~`` of its own."""
    if _PLAIN.fullmatch(text):
        return text
    return text.encode("unicode_escape").decode("ascii").replace("~", "\\x7e")


def to_line(entry: Entry) -> bytes:
    """Return the line of a record, its end included."""
    value = "" if entry.value is None else repr(float(entry.value))
    text = escaped(entry.text[:LONGEST_TEXT])
    if len(text) > LONGEST_ESCAPED:
        text = escaped(entry.text[: LONGEST_ESCAPED // 10])  # one character is written as ten at most
    body = (
        f"{entry.seq}\t{entry.mono_ns}\t{entry.wall_ns}\t{entry.kind}\t{escaped(entry.name)}\t{value}\t{entry.unit}\t"
        f"{escaped(entry.flag)}\t{text}\t"
    ).encode("ascii", "backslashreplace")
    return b"~%s%08x\n" % (body, zlib.crc32(body))


def from_line(line: bytes) -> Entry | None:
    """Return the record of a line without its end; None where it was damaged."""
    if line[:1] != b"~" or len(line) < 20:
        return None
    body, given = line[1:-8], line[-8:]
    if b"%08x" % zlib.crc32(body) != given or b"~" in body:
        return None
    fields = body.split(b"\t")
    if len(fields) != 10 or not all(_NUMBER.fullmatch(item) for item in fields[:3]):
        return None
    words = [item.decode("ascii") for item in fields[3:9]]
    if words[0] not in KINDS:
        return None
    name, flag, text = (
        item.encode("ascii").decode("unicode_escape") if "\\" in item else item for item in (words[1], words[4], words[5])
    )
    return Entry(*(int(item) for item in fields[:3]), words[0], name, float(words[2]) if words[2] else None, words[3],
                 flag, text)
