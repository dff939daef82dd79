"""Lines into cells: separators, quotes, comments, and what a cell looks like."""

from __future__ import annotations

import re
from functools import lru_cache

from . import _numbers as numbers

WORDS = "ws"
"""Separator rule: runs of blanks and tabs."""
WIDE = "ws2"
"""Separator rule: two blanks or more, or tabs."""
CANDIDATES = ("\t", ";", ",", "|", WIDE, WORDS)
DELIMITER_WORDS = {
    "\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", WORDS: "runs of blanks", WIDE: "two blanks or more",
    " ": "blank", ":": "colon",
}  # fmt: skip
MAX_COLUMNS = 4096
MAX_CELL = 1 << 16
MAX_QUOTED = 1 << 20


_BLANKS = re.compile(r"[ \t]+")
_WIDE_BLANKS = re.compile(r"[ \t]{2,}|\t")


class OpenQuote(Exception):
    """A quoted cell goes on in the next line."""


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line, quotes taken off. Raises OpenQuote when a quoted cell is not closed."""
    if '"' in line and delimiter not in (WORDS, WIDE):
        return _split_quoted(line, delimiter)
    if delimiter == WORDS:
        return _BLANKS.split(line.strip(" \t"))
    if delimiter == WIDE:
        return _WIDE_BLANKS.split(line.strip(" \t"))
    return line.split(delimiter)


def _split_quoted(line: str, delimiter: str) -> list[str]:
    cells, i, size = [], 0, len(line)
    while True:
        j = i
        while j < size and line[j] in " \t" and line[j] != delimiter:
            j += 1
        if j < size and line[j] == '"':
            parts, k = [], j + 1
            while True:
                end = line.find('"', k)
                if end < 0:
                    raise OpenQuote
                parts.append(line[k:end])
                if end + 1 < size and line[end + 1] == '"':
                    parts.append('"')
                    k = end + 2
                    continue
                break
            stop = line.find(delimiter, end + 1)
            stop = size if stop < 0 else stop
            cells.append("".join(parts) + line[end + 1 : stop].rstrip())
        else:
            stop = line.find(delimiter, i)
            stop = size if stop < 0 else stop
            cells.append(line[i:stop])
        if stop >= size:
            return cells
        i = stop + len(delimiter)
        if i == size:
            cells.append("")
            return cells


def is_comment(line: str, delimiter: str) -> bool:
    """Return True for a line that starts with a sign for comments (a semicolon only where it separates nothing)."""
    start = line.lstrip()[:2]
    return start[:1] in ("#", "%", "!") or start == "//" or (start[:1] == ";" and delimiter != ";")


def joined(cells: list[str], at: int) -> list[str]:
    if at < 0 or len(cells) <= at + 1:
        return cells
    return [*cells[:at], cells[at] + "." + cells[at + 1].strip(), *cells[at + 2 :]]


_STAMP = re.compile(
    r"\d{1,4}[-/.:]\d{1,2}[-/.:]\d|\d{1,2}:\d{2}|\d{1,2}[-. ][A-Za-z]{3}|[A-Za-z]{3,9}\.? \d{1,2},? \d{4}"
    r"|\d{8}[T _]?\d{6}"
)


_POINTED_DATE = re.compile(r"\d{1,2}\.\d{1,2}\.\d{4}")


@lru_cache(1 << 15)
def cell_class(text: str) -> str:
    """Return what a cell looks like: missing | stamp | number | text."""
    text = text.strip()
    # Most cells are plain numbers, which no word for a missing reading is.
    if numbers.PLAIN.fullmatch(text) or numbers.COMMA.fullmatch(text):
        return "number"
    if numbers.is_missing(text):
        return "missing"
    if _STAMP.match(text):
        if not numbers.is_numberlike(text):
            return "stamp"
    if _POINTED_DATE.match(text):
        return "stamp"
    return "number" if numbers.is_numberlike(text) else "text"
