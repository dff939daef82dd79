"""The campaign's derived/ folder: parsed columns, kept beside the raw logs and found again by fingerprint.

Everything here can be deleted and is rebuilt. A table is a folder of `.npy` columns with a JSON header; it is written
under another name and renamed when whole, so that nothing half-written is ever found.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from phasewright.bench import Fault, LogFault

from .records import Fingerprint, ReadReport, Remark, Table

Blocks = Callable[[], Iterator[np.ndarray]]
FORMAT = 2
_HEADER = 128
"""Room for the .npy header [byte], a multiple of 64."""
_COPY = 1 << 20
"""Rows turned round at a time."""
_LEFT = 3600.0
"""Age from which something half-written is taken to be left behind [s]; what is being written is touched all along."""


class Store:
    """Tables of one campaign folder."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.derived = folder / "derived"
        self.place = self.derived / "tables"

    def find(self, file: str, settings: Mapping[str, object]) -> Kept | None:
        """Return what was kept for a raw file read under these settings; None when there is nothing.

        The file's size, time and inode tell that it is the same; when only the time or inode differ it is hashed again.
        """
        pointer = self._pointer(file, settings)
        try:
            kept = json.loads(pointer.read_text(encoding="utf-8"))
            identity = _identity(self.folder / file)
            if kept["format"] != FORMAT or identity["size"] != kept["identity"]["size"]:
                return None
            if identity != kept["identity"]:
                if file_hash(self.folder / file) != kept["sha256"]:
                    return None
                kept["identity"] = identity
                _write_text(pointer, json.dumps(kept))
            return Kept(_load(self.place / kept["table"]), self.place / kept["table"])
        except (OSError, ValueError, KeyError, TypeError):
            # Whatever is not whole is read again from the raw file.
            return None

    def writer(self) -> StoreSink:
        """Return a sink that writes columns below derived/. Raises LogFault when the folder cannot be written."""
        try:
            self.place.mkdir(parents=True, exist_ok=True)
            folder = Path(tempfile.mkdtemp(prefix=".part-", dir=self.place))
            self._clear_away(folder)
            return StoreSink(folder)
        except OSError as error:
            raise _cannot_write(self.derived, error) from None

    def identity(self, file: str) -> dict[str, int] | None:
        """Return what tells that a raw file is the same as before; None when it is not there."""
        try:
            return _identity(self.folder / file)
        except OSError:
            return None

    def keep(
        self, sink: StoreSink, table: Table, settings: Mapping[str, object], identity: dict[str, int] | None
    ) -> Kept:
        """Give a written table its final name and its header; return it, opened from there.

        `identity` is that of the raw file before it was read. A table of a file that changed meanwhile is not found
        again. Raises LogFault when the disk is full or the folder cannot be written; nothing half-written stays.
        """
        report = table.report
        pointer = self._pointer(report.fingerprint.file, settings)
        target = self.place / f"{pointer.stem}-{report.fingerprint.sha256[:16]}"
        try:
            np.save(sink.folder / "lines.npy", table.line_starts)
            _write_text(sink.folder / "header.json", json.dumps(_header(table, sink), default=int))
            folder = self._settle(sink, target)
            before = self._pointed_at(pointer)
            if report.complete and identity is not None:
                words = {
                    "format": FORMAT, "table": folder.name, "sha256": report.fingerprint.sha256, "identity": identity,
                }  # fmt: skip
                _write_text(pointer, json.dumps(words))
            self._sweep(pointer.stem, folder.name, before)
            return Kept(_load(folder), folder)
        except OSError as error:
            sink.abandon()
            raise _cannot_write(self.derived, error) from None

    @staticmethod
    def _settle(sink: StoreSink, target: Path) -> Path:
        """Return the folder in which a written table now stands for good."""
        try:
            _load(target)
        except (OSError, ValueError, KeyError, TypeError):
            shutil.rmtree(target, ignore_errors=True)
        else:
            # The same bytes were read the same way by somebody else meanwhile.
            sink.abandon()
            return target
        try:
            os.replace(sink.folder, target)
        except PermissionError:
            # Where mapped files cannot be moved the table stays where it was written; only whole ones are pointed at.
            return sink.folder
        return target

    def _pointer(self, file: str, settings: Mapping[str, object]) -> Path:
        text = json.dumps([FORMAT, file, settings], sort_keys=True, default=str)
        return self.place / f"{hashlib.sha256(text.encode()).hexdigest()[:20]}.json"

    @staticmethod
    def _pointed_at(pointer: Path) -> str:
        """Return the name of the folder that a pointer names, '' for none."""
        try:
            table = json.loads(pointer.read_text(encoding="utf-8"))["table"]
        except (OSError, ValueError, KeyError, TypeError):
            return ""
        return table if isinstance(table, str) and Path(table).name == table else ""

    def _sweep(self, stem: str, keep: str, before: str) -> None:
        """Remove tables of the same log and settings from before the file changed; `before` was the last of them."""
        for old in {*(path.name for path in self.place.glob(f"{stem}-*")), before} - {keep, ""}:
            shutil.rmtree(self.place / old, ignore_errors=True)

    def _clear_away(self, fresh: Path) -> None:
        """Remove what readers left that were ended amid their work, or could not remove because it was still mapped.

        Nobody writes to it any more: it is pointed at by nothing, and older by `_LEFT` than the folder just made.
        """
        try:
            pointed = {self._pointed_at(path) for path in self.place.glob("*.json")}
            for part in self.place.glob(".part-*"):
                if part == fresh or part.name in pointed:
                    continue
                last = max(path.stat().st_mtime for path in (part, *(part.iterdir() if part.is_dir() else ())))
                if fresh.stat().st_mtime - last < _LEFT:
                    continue
                if part.is_dir():
                    shutil.rmtree(part, ignore_errors=True)
                else:
                    part.unlink(missing_ok=True)
        except OSError:
            return  # it costs room, nothing else


@dataclass(frozen=True, slots=True)
class Kept:
    """A table with the folder that it is kept in."""

    table: Table
    folder: Path

    def channel(
        self,
        key: str,
        make: Callable[
            [Callable[[int, Blocks], np.ndarray]],
            tuple[np.ndarray, tuple[Remark, ...], tuple[tuple[int, int], ...]],
        ],
    ) -> tuple[np.ndarray, tuple[Remark, ...], tuple[tuple[int, int], ...]]:
        """Return what `make` made of a channel over this table, made once and kept beside the columns.

        `make` is given what puts blocks of values together: a file beside the columns. Values that are a column as it
        stands are not kept twice. What cannot be written is made again next time.
        """
        name = "channel_" + hashlib.sha256(key.encode()).hexdigest()[:20]
        note, place = self.folder / f"{name}.json", self.folder / f"{name}.npy"
        try:
            words = json.loads(note.read_text(encoding="utf-8"))
            column = words["column"]
            values = self.table.columns[column] if column else _mapped(place)
            if len(values) != len(self.table.time_ns):
                raise ValueError("another length")
            at_least = tuple((int(a), int(b)) for a, b in words["at_least"])
            return values, tuple(Remark(**remark) for remark in words["remarks"]), at_least
        except (OSError, ValueError, KeyError, TypeError):
            pass
        values, remarks, at_least = make(lambda count, blocks: self._gathered(place, count, blocks))
        column = next((name for name, held in self.table.columns.items() if held is values), "")
        try:
            if column or place.exists():
                words = {"column": column, "remarks": [asdict(r) for r in remarks], "at_least": at_least}
                _write_text(note, json.dumps(words, default=int))
        except OSError:
            pass
        return values, remarks, at_least

    def _gathered(self, path: Path, count: int, blocks: Blocks) -> np.ndarray:
        """Return the values of `blocks` (count,) from a file of their own; from memory where none can be written."""
        try:
            handle, part = tempfile.mkstemp(prefix=".part-", dir=self.folder)
            os.close(handle)
            file = _ColumnFile(Path(part), "<f8")
            try:
                for values in blocks():
                    file.append(values)
                file.finish()
                os.replace(part, path)
            finally:
                file.close()
                Path(part).unlink(missing_ok=True)
            return _mapped(path)
        except OSError:
            with suppress(OSError):  # another reader may have it open, where open files cannot be removed
                path.unlink(missing_ok=True)
            parts = [np.array(values) for values in blocks()]
            return np.concatenate(parts) if parts else np.zeros(count)


def _cannot_write(place: Path, error: OSError) -> LogFault:
    mend = "grant write permission, or free some space on the disk"
    return LogFault(Fault(str(place), f"cannot be written ({error.strerror})", mend, 1))


def file_hash(path: Path) -> str:
    """Return the sha256 of a file."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def verify_file(folder: Path, fingerprint: Fingerprint) -> bool:
    """Return True when a raw log still has the bytes that it was read from."""
    path = folder / fingerprint.file
    try:
        return path.stat().st_size == fingerprint.size and file_hash(path) == fingerprint.sha256
    except OSError:
        return False


def _identity(path: Path) -> dict[str, int]:
    status = path.stat()
    return {"size": status.st_size, "mtime_ns": status.st_mtime_ns, "inode": status.st_ino}


def _write_text(path: Path, text: str) -> None:
    """Write a small file so that it is there whole or not at all."""
    handle, name = tempfile.mkstemp(prefix=".part-", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(text)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


# ---- writing ------------------------------------------------------------------------------------------------------


class _ColumnFile:
    """One .npy file, written front to back."""

    def __init__(self, path: Path, dtype: str):
        self.path, self.dtype, self.rows = path, np.dtype(dtype), 0
        self.stream = open(path, "wb", buffering=0)
        self.stream.write(b"\0" * _HEADER)

    def append(self, values: np.ndarray) -> None:
        self.stream.write(memoryview(np.ascontiguousarray(values, dtype=self.dtype)).cast("B"))
        self.rows += len(values)

    def skip(self, rows: int) -> None:
        """Fill with missing values."""
        while rows > 0:
            part = min(rows, _COPY)
            self.append(np.full(part, np.nan))
            rows -= part

    def finish(self) -> None:
        self.stream.seek(0)
        self.stream.write(_npy_header(self.dtype, self.rows))
        self.stream.close()

    def close(self) -> None:
        self.stream.close()


def _npy_header(dtype: np.dtype, rows: int) -> bytes:
    """Return a version 1.0 .npy header of exactly _HEADER bytes (format: NEP 1)."""
    text = f"{{'descr': '{dtype.str}', 'fortran_order': False, 'shape': ({rows},), }}".encode("ascii")
    room = _HEADER - 10
    return b"\x93NUMPY\x01\x00" + room.to_bytes(2, "little") + text.ljust(room - 1) + b"\n"


class StoreSink:
    """Writes columns to a folder as they come."""

    def __init__(self, folder: Path):
        self.folder = folder
        self._gone = False
        self._begin()

    def _begin(self) -> None:
        self.names: list[str] = []
        self._time = _ColumnFile(self.folder / "time.npy", "<i8")
        self._columns: list[_ColumnFile] = []

    def restart(self) -> None:
        """Forget what came so far: the file is read again from its start."""
        for item in (self._time, *self._columns):
            item.close()
            item.path.unlink()
        self._begin()

    def add_column(self, name: str) -> None:
        """Begin one more column; rows that are there already are missing in it. Raises LogFault."""
        with self._writing():
            column = _ColumnFile(self.folder / f"column_{len(self._columns):04d}.npy", "<f8")
            self._columns.append(column)
            self.names.append(name)
            column.skip(self._time.rows)

    def append(self, time_ns: np.ndarray, columns: list[np.ndarray | None]) -> None:
        """Write a chunk of times int64 (n,) and columns float64 (n,). Raises LogFault when the disk is full."""
        with self._writing():
            self._time.append(time_ns)
            for held, new in zip(self._columns, columns, strict=True):
                if new is None:
                    held.skip(len(time_ns))
                else:
                    held.append(new)

    def finish(self, reverse: bool) -> tuple[np.ndarray, list[np.ndarray]]:
        """Close the files; return (times, columns) mapped from them, turned round when `reverse`. Raises LogFault."""
        files = [self._time, *self._columns]
        with self._writing():
            for item in files:
                item.finish()
            if reverse:
                for item in files:
                    _turn_round(item.path)
            arrays = [_mapped(item.path) for item in files]
        return arrays[0], arrays[1:]

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """Turn a failure of the disk into the refusal that says so."""
        try:
            yield
        except OSError as error:
            raise _cannot_write(self.folder.parent, error) from None

    def retime(self, time_ns: np.ndarray) -> np.ndarray:
        """Write other times, int64 (n,), which stand for those of a finished table from now on; return them mapped.

        They get a file of their own: the old ones are mapped, and a mapped file cannot be replaced everywhere.
        """
        with self._writing():
            other = _ColumnFile(self.folder / "counted.npy", "<i8")
            try:
                other.append(time_ns)
                other.finish()
            finally:
                other.close()
            old, self._time = self._time.path, other
            with suppress(OSError):
                old.unlink()
            return _mapped(other.path)

    @property
    def time_file(self) -> str:
        """Name of the file that holds the times."""
        return self._time.path.name

    def abandon(self) -> None:
        """Remove what was written."""
        if self._gone:
            return
        self._gone = True
        for item in (self._time, *self._columns):
            item.close()
        shutil.rmtree(self.folder, ignore_errors=True)


def _turn_round(path: Path) -> None:
    """Write a column again, last row first."""
    source = np.load(path, mmap_mode="r")
    other = _ColumnFile(path.with_suffix(".turned"), source.dtype.str)
    try:
        for stop in range(len(source), 0, -_COPY):
            other.append(source[max(0, stop - _COPY) : stop][::-1])
        other.finish()
    finally:
        other.close()
    del source
    os.replace(other.path, path)


def _mapped(path: Path) -> np.ndarray:
    """Return a column as an array over the file; read-only."""
    if path.stat().st_size <= _HEADER:
        return np.load(path)
    return np.load(path, mmap_mode="r").view(np.ndarray)


# ---- headers ------------------------------------------------------------------------------------------------------


def _header(table: Table, sink: StoreSink) -> dict:
    return {
        "format": FORMAT, "log": table.log, "names": table.names, "units": table.units, "absolute": table.absolute,
        "columns": sink.names, "time": sink.time_file, "segments": table.segments,
        "stamp_resolution": table.stamp_resolution, "report": asdict(table.report), "rows": len(table.time_ns),
    }  # fmt: skip


def _load(folder: Path) -> Table:
    """Return a kept table. Raises OSError, ValueError, KeyError or TypeError when it is not whole."""
    words = json.loads((folder / "header.json").read_text(encoding="utf-8"))
    if words["format"] != FORMAT:
        raise ValueError("another format")
    report = dict(words["report"])
    report["fingerprint"] = Fingerprint(**report["fingerprint"])
    report["remarks"] = tuple(Remark(**remark) for remark in report["remarks"])
    for key in ("columns", "units", "time_columns", "text_columns"):
        report[key] = tuple(report[key])
    time_ns = _mapped(folder / Path(words.get("time", "time.npy")).name)
    columns = {name: _mapped(folder / f"column_{i:04d}.npy") for i, name in enumerate(words["columns"])}
    if any(len(column) != words["rows"] for column in (time_ns, *columns.values())):
        raise ValueError("columns of other lengths")
    return Table(
        words["log"],
        tuple(words["names"]),
        tuple(words["units"]),
        time_ns,
        words["absolute"],
        columns,
        tuple((start, stop) for start, stop in words["segments"]),
        np.load(folder / "lines.npy"),
        ReadReport(**report),
        words["stamp_resolution"],
    )
