"""From a file to the tables in it, with every fault of its text and the place of each key."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path as FilePath

from phasewright.bench._places import Path, Places, TooDeep, locate
from phasewright.bench.faults import Fault, escape

MAX_SIZE = 1 << 20
"""Greatest size of a file that a person writes [bytes]."""

_MAX_REPAIRS = 40
_BARE_TEXT = re.compile(r"(?P<key>\s*[\w\"'.-]+\s*=\s*)(?P<value>[^\s\"'\[{#][^\"'\[\]{}#\n]*?)(?P<rest>\s*(?:#.*)?)")
_OPEN_QUOTE = re.compile(r"\s*[\w\"'.-]+\s*=\s*(?:\"[^\"]*|'[^']*)")


def path_text(path: Path) -> str:
    """Return a path in words, items of lists counted from 1: ``step[2].start``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            plain = part if re.fullmatch(r"[\w.-]+", part) else f'"{escape(part, 40)}"'
            text += f".{plain}" if text else plain
    return text


@dataclass(slots=True)
class Source:
    """One file being read: its tables, the places of its keys and the faults found so far."""

    file: str
    faults: list[Fault] = field(default_factory=list)
    raw: dict | None = None
    """None: the text cannot be read at all."""
    places: Places | None = None
    fingerprint: str = ""
    carriage_returns: bool = False
    """Lines end with carriage return and line feed."""

    def add(self, path: Path, what: str, mend: str) -> None:
        """Note a fault at `path`, with the line and column of the key or of the table it is missing from."""
        line = column = None
        if self.places is not None:
            place = self.places.find(path)
            line, column = self.places.line_column(place.start) if place is not None else (1, None)
        fault = Fault(self.file, what, mend, line, column, path_text(path))
        if fault not in self.faults:
            self.faults.append(fault)

    def say(self, line: int | None, what: str, mend: str, column: int | None = None, path: str = "") -> None:
        """Note a fault of the text itself."""
        self.faults.append(Fault(self.file, what, mend, line, column, path))


def read_source(path: FilePath, name: str = "") -> Source:
    """Read a TOML file whole. Faults are in the result; `raw` is None when nothing can be made of the file."""
    source = Source(name or path.name)
    data = _read_bytes(path, source)
    if data is None:
        return source
    source.fingerprint = sha256(data).hexdigest()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        source.say(line, f"byte 0x{data[error.start]:02x} is not UTF-8 text", "save the file as UTF-8")
        return source
    source.carriage_returns = "\r\n" in text
    parse_source(text.replace("\r\n", "\n"), source)
    return source


def _read_bytes(path: FilePath, source: Source) -> bytes | None:
    try:
        mode = os.stat(path).st_mode
        if not stat.S_ISREG(mode):
            kind = "a folder" if stat.S_ISDIR(mode) else "not a regular file"
            source.say(None, f"{source.file} is {kind}", "name a text file")
            return None
        with open(path, "rb") as stream:
            data = stream.read(MAX_SIZE + 1)
    except FileNotFoundError:
        source.say(None, *_absent(FilePath(path)))
        return None
    except PermissionError:
        source.say(None, "the file may not be read", "give yourself the right to read it")
        return None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        source.say(None, f"the file cannot be read ({escape(reason)})", "check its name and its disk")
        return None
    if len(data) > MAX_SIZE:
        source.say(None, f"the file is larger than {MAX_SIZE // 1024} KiB", "keep measured data in logs/, not here")
        return None
    return data


def _absent(path: FilePath) -> tuple[str, str]:
    """Return what is wrong and the mend where a campaign's file is not there."""
    folder = escape(path.parent.as_posix(), 200)
    if not path.parent.is_dir():
        return f"there is no folder {folder}", f"mend its name, or lay down a new campaign with: phasewright new {folder}"
    if any(item.suffix == ".toml" for item in path.parent.iterdir()):
        return "the file is not there", "bring it back; phasewright new OTHER-FOLDER lays one down to start from"
    return "the file is not there", f"lay down a new campaign with: phasewright new {folder}"


def parse_source(text: str, source: Source) -> None:
    """Parse TOML `text` into `source`.

    Keys that stand twice and values that lack their quotes are reported and then read as meant, so that the faults
    behind them are reported in the same go.
    """
    repaired: set[int] = set()
    for _ in range(_MAX_REPAIRS):
        try:
            places = locate(text)
        except TooDeep as error:
            source.say(
                error.line, "tables or lists are nested too deep", "take levels out; these files need at most four"
            )
            return
        if places.duplicates:
            text = _without_duplicates(text, places, source)
            continue
        try:
            source.raw = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            line, column = _error_place(error, text)
            quoted = _with_quotes(text, line) if line not in repaired else None
            if quoted is None:
                what, mend = _explain(error, text, line)
                source.say(line, what, mend, column)
                source.places = places
                return
            repaired.add(line)
            text, what, mend = quoted
            source.say(line, what, mend)
            continue
        except ValueError as error:  # a whole number with more digits than Python converts
            source.say(None, f"a number cannot be read ({escape(str(error), 40)})", "write numbers of a few digits")
            return
        source.places = places
        return
    source.say(None, f"more than {_MAX_REPAIRS} lines cannot be read", "mend those that are named, then check again")


def _without_duplicates(text: str, places: Places, source: Source) -> str:
    for twice in places.duplicates:
        first, second = places.line_column(twice.first)[0], places.line_column(twice.start)[0]
        name = path_text(twice.path)
        source.say(second, f"{name} stands twice, on lines {first} and {second}", "take one of them out", path=name)
        cut = "".join(ch if ch == "\n" else " " for ch in text[twice.start : twice.end])
        text = text[: twice.start] + cut + text[twice.end :]
    return text


def _error_place(error: tomllib.TOMLDecodeError, text: str) -> tuple[int, int | None]:
    match = re.search(r"at line (\d+), column (\d+)", str(error))
    if match:
        return int(match[1]), int(match[2])
    return text.count("\n") + (not text.endswith("\n")), None


def _with_quotes(text: str, line: int) -> tuple[str, str, str] | None:
    """Return (text with the value of `line` in quotes, what, mend); None when quotes would not mend the line."""
    lines = text.split("\n")
    match = _BARE_TEXT.fullmatch(lines[line - 1]) if line <= len(lines) else None
    if match is None:
        return None
    mended = f'{match["key"]}"{match["value"]}"'
    lines[line - 1] = mended + match["rest"]
    what = f"{escape(match['value'])} stands without quotes"
    return "\n".join(lines), what, f"write {escape(mended.strip(), 120)}"


def _explain(error: tomllib.TOMLDecodeError, text: str, line: int) -> tuple[str, str]:
    lines = text.split("\n")
    content = lines[line - 1] if line <= len(lines) else ""
    message = re.sub(r"\s*\(at .*\)$", "", str(error))
    if message.startswith(("Unescaped", "Invalid hex")):
        return f"backslash in {escape(content.strip())}", 'write forward slashes in file names, e.g. "logs/meter.csv"'
    if _OPEN_QUOTE.fullmatch(content):
        return f"{escape(content.strip())} has no closing quote", "close the quote on the same line"
    mends = (
        ("Expected '=' after a key", "write key = value; text stands in quotes"),
        ("Invalid value", 'put text and quantities in quotes, e.g. current_rating = "45 A"'),
        ("Invalid statement", "begin the line with a key, a [table] or a # comment"),
        ("Cannot", "define each table once, in one way"),
        ("Unclosed", "close the bracket, put commas between items and quotes round text and quantities"),
        ("Illegal character", "take the control character out"),
    )
    for start, mend in mends:
        if message.startswith(start):
            return f"the line cannot be read ({message}): {escape(content.strip())}", mend
    return (
        f"the line cannot be read ({escape(message)}): {escape(content.strip())}",
        'write one key = value a line, e.g. current_rating = "45 A"',
    )
