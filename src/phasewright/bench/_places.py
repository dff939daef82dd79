"""Where each key of a TOML text stands: line and column by path, which the standard reader does not tell."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from dataclasses import dataclass, field

Path = tuple[str | int, ...]
"""Keys and, for items of a list, numbers counted from 0: ``("step", 2, "start")``."""

MAX_DEPTH = 32
_SPACE = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\n]|#[^\n]*)*+")
_REST = re.compile(r"[ \t]*(?:#[^\n]*)?")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n]+")
# Possessive repeats (*+): a string that is never closed is given up in one pass.
_BASIC = re.compile(r'"(?:[^"\\\n]|\\.)*+"')
_LITERAL = re.compile(r"'[^'\n]*+'")
_LONG_BASIC = re.compile(r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*+"{3,5}', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''(?:[^']|'{1,2}(?!'))*+'{3,5}")


class TooDeep(ValueError):
    """Tables or lists are nested deeper than any file of ours needs."""

    def __init__(self, line: int):
        super().__init__(f"line {line} - at most {MAX_DEPTH} levels are allowed - take levels out")
        self.line = line


class _Stop(Exception):
    """The text is not valid TOML from here on; the standard reader says why."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a key, a table head or a list item stands. Offsets count characters from 0, the end is past the last."""

    start: int
    value_start: int
    value_end: int


@dataclass(frozen=True, slots=True)
class Duplicate:
    """A key or table that stands twice. `start` to `end` is the text of the second one."""

    path: Path
    first: int
    start: int
    end: int


@dataclass(slots=True)
class Places:
    """Every place of one text, and the keys that stand twice."""

    text: str
    found: dict[Path, Place] = field(default_factory=dict)
    duplicates: list[Duplicate] = field(default_factory=list)
    heads: list[tuple[Path, int]] = field(default_factory=list)
    """(path, offset) of every table head in order; the table of ``[[log]]`` is ``("log", 0)``."""
    complete: bool = False
    """False: the text stopped being TOML somewhere; places before that are right."""
    _lines: list[int] = field(default_factory=list)

    def line_column(self, offset: int) -> tuple[int, int]:
        """Return line and column, both counted from 1, of a character offset."""
        if not self._lines:
            self._lines = [0, *(match.end() for match in re.finditer("\n", self.text))]
        line = bisect_right(self._lines, offset)
        return line, offset - self._lines[line - 1] + 1

    def find(self, path: Path) -> Place | None:
        """Return the place of `path`, else of the longest part of it that stands in the text; None if no part does.

        A channel name with a label may stand as one quoted key or as two (``rail_current.phase_1``).
        """
        for length in range(len(path), 0, -1):
            head = path[:length]
            split = tuple(part for item in head for part in (item.split(".") if isinstance(item, str) else (item,)))
            place = self.found.get(head) or self.found.get(split)
            if place is not None:
                return place
        return None


def locate(text: str) -> Places:
    """Return the places of a TOML text (line ends already ``\\n``); raises TooDeep.

    A text that is not valid TOML gives the places before the first error.
    """
    scan = _Scan(text)
    try:
        scan.run()
        scan.places.complete = True
    except _Stop:
        pass
    return scan.places


class _Scan:
    def __init__(self, text: str):
        self.text = text
        self.at = 0
        self.places = Places(text)
        self.table: Path = ()
        self.counts: dict[Path, int] = {}
        self.heads: dict[Path, int] = {}
        self.open_duplicate: tuple[Path, int, int] | None = None

    def run(self) -> None:
        while True:
            self.skip(_GAP)
            if self.at >= len(self.text):
                self.close_duplicate()
                return
            if self.text[self.at] == "[":
                self.head()
            else:
                self.pair(self.table)
            self.skip(_REST)
            if self.at < len(self.text) and self.text[self.at] != "\n":
                raise _Stop

    def expect(self, what: str) -> None:
        if not self.text.startswith(what, self.at):
            raise _Stop
        self.at += len(what)

    def skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        self.at = match.end() if match else self.at

    def spaces(self) -> None:
        self.skip(_SPACE)

    def take(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise _Stop
        self.at = match.end()
        return match.group()

    def key(self) -> tuple[str, ...]:
        """Read a key, dotted or not; the cursor ends behind the spaces that follow it."""
        parts = []
        while True:
            self.spaces()
            if self.text.startswith(("'", '"'), self.at):
                quoted = self.take(_BASIC if self.text[self.at] == '"' else _LITERAL)
                try:
                    parts.append(tomllib.loads("key = " + quoted)["key"])
                except tomllib.TOMLDecodeError:
                    raise _Stop from None
            else:
                parts.append(self.take(_BARE))
            self.limit(len(parts))
            self.spaces()
            if not self.text.startswith(".", self.at):
                return tuple(parts)
            self.at += 1

    def limit(self, depth: int) -> None:
        if depth > MAX_DEPTH:
            raise TooDeep(self.places.line_column(self.at)[0])

    def head(self) -> None:
        start = self.at
        many = self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        parts = self.key()
        self.expect("]]" if many else "]")
        self.close_duplicate(start)
        path: Path = ()
        for depth, part in enumerate(parts):
            path += (part,)
            if path in self.counts and not (many and depth == len(parts) - 1):
                path += (self.counts[path] - 1,)
            self.places.found.setdefault(path, Place(start, start, self.at))
        if many:
            self.counts[path] = self.counts.get(path, 0) + 1
            path += (self.counts[path] - 1,)
        elif path in self.heads:
            self.open_duplicate = (path, self.heads[path], start)
        self.heads[path] = start
        self.places.heads.append((path, start))
        self.places.found[path] = Place(start, start, self.at)
        self.table = path

    def close_duplicate(self, end: int | None = None) -> None:
        """Note the table that stands twice, now that its end is known."""
        if self.open_duplicate is not None:
            path, first, start = self.open_duplicate
            self.places.duplicates.append(Duplicate(path, first, start, len(self.text) if end is None else end))
            self.open_duplicate = None

    def pair(self, table: Path) -> None:
        start = self.at
        parts = self.key()
        self.expect("=")
        self.spaces()
        path = table + parts
        self.limit(len(path))
        for length in range(len(table) + 1, len(path)):
            self.places.found.setdefault(path[:length], Place(start, start, self.at))
        known = self.places.found.get(path)
        value_start = self.at
        if known is None:
            self.places.found[path] = Place(start, value_start, value_start)
        self.value(path)
        if known is None:
            self.places.found[path] = Place(start, value_start, self.at)
        elif self.open_duplicate is None:
            self.places.duplicates.append(Duplicate(path, known.start, start, self.at))

    def value(self, path: Path) -> None:
        """Pass over one value, noting the places of what is inside."""
        self.limit(len(path))
        text = self.text
        if text.startswith('"', self.at):
            self.take(_LONG_BASIC if text.startswith('"""', self.at) else _BASIC)
        elif text.startswith("'", self.at):
            self.take(_LONG_LITERAL if text.startswith("'''", self.at) else _LITERAL)
        elif text.startswith("[", self.at):
            self.array(path)
        elif text.startswith("{", self.at):
            self.inline(path)
        else:
            scalar = self.take(_SCALAR)
            self.at -= len(scalar) - len(scalar.rstrip())

    def array(self, path: Path) -> None:
        self.at += 1
        index = 0
        while True:
            self.skip(_GAP)
            if self.text.startswith("]", self.at):
                self.at += 1
                return
            item, start = (*path, index), self.at
            self.value(item)
            self.places.found.setdefault(item, Place(start, start, self.at))
            index += 1
            self.skip(_GAP)
            if self.text.startswith(",", self.at):
                self.at += 1
            elif not self.text.startswith("]", self.at):
                raise _Stop

    def inline(self, path: Path) -> None:
        self.at += 1
        while True:
            self.skip(_GAP)
            if self.text.startswith("}", self.at):
                self.at += 1
                return
            self.pair(path)
            self.skip(_GAP)
            if self.text.startswith(",", self.at):
                self.at += 1
            elif not self.text.startswith("}", self.at):
                raise _Stop
