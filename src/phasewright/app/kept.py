"""What was worked out, kept in a campaign's derived/ folder: an analysis as records and numbers, never as code.

A kept file is one line of JSON (what it was made from, lengths, a fingerprint of all that follows), records as rows of
JSON, and arrays as they stand in memory. It is written under another name and renamed when whole; one that is cut short,
changed, made by another version or from other files is as if it were not there. Only records of our own are made of it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import platform
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import cache
from importlib import import_module
from itertools import chain
from operator import attrgetter
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from phasewright.findings import Analysis, Answer
    from phasewright.model import Fitted

FORMAT = 1
ANALYSIS, ANSWERS = "analysis.kept", "answers.kept"
_ROOMS = ("quantity", "bench", "logs", "limits", "findings")
_DTYPES = ("<f8", "<i8", "|b1")
_PLAIN = frozenset((float, str, int, bool, type(None)))
_Unusable = (OSError, ValueError, KeyError, TypeError, AttributeError, IndexError, RecursionError, MemoryError)
"""What a kept file that is not whole, or was edited, may raise."""


# ---- what an analysis is made from --------------------------------------------------------------------------------


@cache
def made_by() -> str:
    """Return what computes here: this version, its files as they stand, and the versions beneath it."""
    from importlib.metadata import version

    import phasewright.quantity

    root = Path(phasewright.quantity.__file__).parent.parent
    facts = hashlib.sha256()
    for place, folders, files in os.walk(root):
        folders.sort()
        for name in sorted(files):
            if name.endswith(".py"):
                known = os.stat(os.path.join(place, name))
                facts.update(f"{name} {known.st_size} {known.st_mtime_ns}\n".encode())
    below = " ".join(version(name) for name in ("numpy", "scipy"))
    return f"{version('phasewright')} {facts.hexdigest()} {platform.python_version()} {below}"


def marks_of(folder: Path, files: tuple[str, ...]) -> dict[str, list[int]]:
    """Return what tells that each file is as it was: size, time of change, inode. OSError when one is not there."""
    found = {}
    for name in files:
        known = os.stat(folder / name)
        found[name] = [known.st_size, known.st_mtime_ns, known.st_ino, known.st_ctime_ns]
    return found


def _toml_hashes(folder: Path) -> dict[str, str]:
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in ("bench.toml", "campaign.toml")}


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """An analysis that was kept."""

    analysis: Analysis
    text_hash: str
    """sha256 of the text of ``analysis.json`` that belongs to it."""


def keep_analysis(folder: Path, analysis: Analysis, text: str, before: Mapping[str, list[int]]) -> None:
    """Keep an analysis of `folder`, so that it is there at once while its files stay the same.

    `text` is its ``analysis.json``, `before` the `marks_of` every log before it was opened. Nothing is kept of files that
    changed meanwhile, and nothing where derived/ cannot be written: it only saves time.
    """
    with contextlib.suppress(OSError, TypeError):
        reports = analysis.recording.reports
        hashes = _toml_hashes(folder)
        logs = {
            report.fingerprint.file: [report.fingerprint.sha256, *before[report.fingerprint.file]]
            for report in reports if report.fingerprint.file in before
        }
        whole = all(report.complete and report.fingerprint.size == before.get(report.fingerprint.file, [-1])[0]
                    for report in reports)  # fmt: skip
        as_read = [analysis.bench.fingerprint, analysis.campaign.fingerprint] == list(hashes.values())
        if not whole or not as_read or marks_of(folder, tuple(before)) != dict(before) or set(logs) != set(before):
            _forget(folder / "derived" / ANALYSIS)
            return
        words = {"made_by": made_by(), "toml": hashes, "logs": logs, "text": text_hash(text)}
        _write(folder / "derived" / ANALYSIS, words, analysis)


def text_hash(text: str) -> str:
    """Return the sha256 of a text as it is written into a file."""
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()


def kept_analysis(folder: Path) -> Kept | None:
    """Return the analysis that was kept for exactly the files as they are; None when there is none.

    A log whose time or place alone changed is told by its bytes.
    """
    from phasewright.findings import Analysis

    path = folder / "derived" / ANALYSIS
    try:
        with open(path, "rb") as stream:
            head = json.loads(stream.readline(1 << 20))
            words = head["words"]
            if head["format"] != FORMAT or words["made_by"] != made_by() or words["toml"] != _toml_hashes(folder):
                return None
            now = marks_of(folder, tuple(words["logs"]))
            moved = [name for name, marks in now.items() if [words["logs"][name][0], *marks] != words["logs"][name]]
            if any(not _same_bytes(folder / name, now[name], words["logs"][name]) for name in moved):
                return None
            found = _read(stream, head)
        if not isinstance(found, Analysis):
            return None
        if moved:
            logs = {name: [words["logs"][name][0], *marks] for name, marks in now.items()}
            with contextlib.suppress(OSError):
                _write(path, {**words, "logs": logs}, found)
        return Kept(found, str(words["text"]))
    except _Unusable:
        return None


def _same_bytes(path: Path, now: list[int], kept: list[Any]) -> bool:
    from phasewright.logs import file_hash

    return now[0] == kept[1] and file_hash(path) == kept[0]


def keep_answers(folder: Path, analysis: Analysis, fitted: Fitted, answers: tuple[Answer, ...]) -> None:
    """Keep the answers that a model gave of an analysis; nothing where derived/ cannot be written."""
    with contextlib.suppress(OSError, TypeError):
        _write(folder / "derived" / ANSWERS, {"asked": _asked(analysis, fitted)}, answers)


def kept_answers(folder: Path, analysis: Analysis, fitted: Fitted) -> tuple[Answer, ...] | None:
    """Return the answers that were kept for exactly this analysis and model; None when there are none."""
    try:
        with open(folder / "derived" / ANSWERS, "rb") as stream:
            head = json.loads(stream.readline(1 << 20))
            if head["format"] != FORMAT or head["words"]["asked"] != _asked(analysis, fitted):
                return None
            found = _read(stream, head)
        return found if isinstance(found, tuple) and len(found) == len(analysis.answers) else None
    except _Unusable:
        return None


def _asked(analysis: Analysis, fitted: Fitted) -> str:
    """Return a fingerprint of all that the answers with a model come from: its numbers, and the analysis without traces."""
    from phasewright.model import to_dict

    writer = _Writer()
    writer.put(replace(analysis, recording=None))
    told = json.dumps([made_by(), to_dict(fitted), writer.rows], default=repr)
    return hashlib.sha256(told.encode("utf-8", "surrogateescape")).hexdigest()


# ---- files --------------------------------------------------------------------------------------------------------


def _write(path: Path, words: Mapping[str, object], thing: object) -> None:
    writer = _Writer()
    last = writer.put(thing)
    body = json.dumps({"rows": writer.rows, "last": last}, separators=(",", ":"), check_circular=False).encode("ascii")
    facts = hashlib.sha256(body)
    for array in writer.arrays:
        facts.update(memoryview(array).cast("B") if array.size else b"")
    head = {"format": FORMAT, "words": words, "body": len(body), "sha256": facts.hexdigest(),
            "arrays": [[array.dtype.str, *array.shape] for array in writer.arrays]}  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(json.dumps(head).encode("ascii") + b"\n" + body)
            for array in writer.arrays:
                stream.write(memoryview(array).cast("B") if array.size else b"")
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    for left in path.parent.glob(f".{path.name}.*.part"):
        # Left by one that was ended half-way.
        with contextlib.suppress(OSError):
            left.unlink()


def _forget(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink()


def _read(stream: Any, head: Mapping[str, Any]) -> object:
    """Return what stands after the head of a kept file. Raises one of `_Unusable` when it is not whole."""
    import numpy as np

    body = stream.read(head["body"])
    facts = hashlib.sha256(body)
    arrays = []
    for kind, *shape in head["arrays"]:
        if kind not in _DTYPES or any(not isinstance(length, int) or length < 0 for length in shape):
            raise ValueError("no such array")
        count = int(np.prod(shape, dtype=np.int64))
        array = np.fromfile(stream, dtype=kind, count=count)
        facts.update(memoryview(array).cast("B") if count else b"")
        arrays.append(array.reshape(shape))
    if facts.hexdigest() != head["sha256"] or stream.read(1):
        raise ValueError("not what was written")
    words = json.loads(body)
    return _made(words["rows"], words["last"], arrays)


# ---- records as rows ----------------------------------------------------------------------------------------------


@cache
def _records() -> dict[str, type]:
    """Return every record that rooms below hand on, by room and name: nothing else is ever made of a kept file."""
    found = {}
    for room in _ROOMS:
        face = import_module(f"phasewright.{room}")
        for name in face.__all__:
            thing = getattr(face, name)
            if isinstance(thing, type) and is_dataclass(thing):
                found[f"{room}.{name}"] = thing
    return found


class _Writer:
    """Turns records into rows: what holds others comes after them and names them by number, ``[7]``."""

    def __init__(self) -> None:
        self.rows: list[list[Any]] = []
        self.arrays: list[Any] = []
        self._known: dict[int, list[int]] = {}
        self._held: list[Any] = []
        """What `_known` tells by its place in memory stays there meanwhile."""
        self._named = {kind: (name, _reader_of(kind)) for name, kind in _records().items()}

    def put(self, thing: Any) -> Any:
        """Return `thing` as it stands in a row: plain, or the number of its own row. TypeError for what is no record."""
        if type(thing) in _PLAIN:
            return thing
        known = self._known.get(id(thing))
        if known is None:
            row = self._row(thing)
            self._held.append(thing)
            known = self._known[id(thing)] = [len(self.rows)]
            self.rows.append(row)
        return known

    def _row(self, thing: Any) -> list[Any]:
        kind, put = type(thing), self.put
        named = self._named.get(kind)
        if named is not None:
            name, read = named
            return [name, *[item if type(item) in _PLAIN else put(item) for item in read(thing)]]
        if kind is tuple:
            return self._alike(thing) or ["t", *[item if type(item) in _PLAIN else put(item) for item in thing]]
        if isinstance(thing, Mapping):
            pairs = [put(item) for pair in thing.items() for item in pair]
            return ["m" if kind is MappingProxyType else "d", *pairs]
        if kind is list:
            return ["l", *map(put, thing)]
        return self._number(thing)

    def _alike(self, things: tuple[Any, ...]) -> list[Any] | None:
        """Return one row for several records of one kind that hold nothing but plain fields, such as a budget's parts."""
        named = self._named.get(type(things[0])) if things else None
        if named is None or len(set(map(type, things))) > 1:
            return None
        fields = list(chain.from_iterable(map(named[1], things)))
        return ["*", named[0], *fields] if _PLAIN.issuperset(map(type, fields)) else None

    def _number(self, thing: Any) -> list[Any]:
        import numpy as np

        if isinstance(thing, np.float64):
            return ["f", float(thing)]
        if isinstance(thing, np.bool_ | np.int64):
            return ["n", int(thing), thing.dtype.str]
        if not isinstance(thing, np.ndarray) or thing.dtype.str not in _DTYPES:
            raise TypeError(f"{type(thing).__qualname__} is no record that a room hands on")
        self.arrays.append(np.ascontiguousarray(thing))
        return ["a", len(self.arrays) - 1]


def _reader_of(kind: type) -> Callable[[Any], tuple[Any, ...]]:
    """Return what reads all fields of a record."""
    names = [field.name for field in fields(kind)]
    read = attrgetter(*names)
    return read if len(names) > 1 else lambda thing: (read(thing),)


def _made(rows: list[list[Any]], last: Any, arrays: list[Any]) -> Any:
    """Return what rows describe."""
    import numpy as np

    made: list[Any] = []
    records = _records()

    def pairs(items: list[Any]) -> Iterator[tuple[Any, Any]]:
        return zip(items[::2], items[1::2], strict=True)

    def alike(items: list[Any]) -> tuple[Any, ...]:
        kind, width = records[items[0]], len(fields(records[items[0]]))
        return tuple(kind(*items[at : at + width]) for at in range(1, len(items), width))

    plain = {
        "*": alike, "t": tuple, "l": list, "d": lambda items: dict(pairs(items)),
        "m": lambda items: MappingProxyType(dict(pairs(items))), "a": lambda items: arrays[items[0]],
        "f": lambda items: np.float64(items[0]), "n": lambda items: np.dtype(items[1]).type(items[0]),
    }  # fmt: skip
    for kind, *items in rows:
        items = [made[item[0]] if type(item) is list else item for item in items]
        make = plain.get(kind)
        made.append(make(items) if make is not None else records[kind](*items))
    return made[last[0]] if type(last) is list else last
