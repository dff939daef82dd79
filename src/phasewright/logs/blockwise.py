"""Columns read a block at a time: from memory as they stand, from the store by plain reads.

A mapped column that is looked through counts, page by page, as memory of this process, and every page costs a fault;
plain reads into the same place cost neither.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from io import FileIO
from types import TracebackType
from typing import Any, TypeVar

import numpy as np

BLOCK = 1 << 16
"""Rows looked at together; they stay in the processor's cache."""
_SMALL = 1 << 17
"""Columns with fewer rows are not worth a file of their own."""
_LARGE = 1 << 20
"""Rows from which on several threads share the work; numpy lets go of the interpreter while it computes."""
T = TypeVar("T")


class Rows:
    """Blocks of a column (n,). What `part` returns holds until it is called again."""

    def __init__(self, column: np.ndarray, size: int = BLOCK):
        self.column = column
        self._stream, self._offset = _file_behind(column) if len(column) >= _SMALL else (None, 0)
        self._room = np.empty(size if self._stream else 0, dtype=column.dtype)

    def part(self, first: int, last: int) -> np.ndarray:
        """Return rows `first` to `last` (past the last, at most the size of a block later)."""
        room = self._room[: last - first]
        if self._stream is None or len(room) < last - first:
            return self.column[first:last]
        self._stream.seek(self._offset + first * room.itemsize)
        if self._stream.readinto(memoryview(room).cast("B")) != room.nbytes:
            return self.column[first:last]
        return room

    def __enter__(self) -> Rows:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None):
        if self._stream is not None:
            self._stream.close()


def _file_behind(column: np.ndarray) -> tuple[FileIO | None, int]:
    """Return the file that a mapped column is in and the place of its first row [byte]; (None, 0) when it is in none."""
    base: Any = column
    while isinstance(base, np.ndarray) and not isinstance(base, np.memmap):
        base = base.base
    if not isinstance(base, np.memmap) or base.filename is None or not column.flags.c_contiguous:
        return None, 0
    try:
        stream = FileIO(os.fspath(base.filename), "rb")
    except OSError:
        # Moved or removed meanwhile; the map still holds what was there.
        return None, 0
    if os.fstat(stream.fileno()).st_size != base.offset + base.nbytes:
        stream.close()
        return None, 0
    return stream, int(base.offset + column.ctypes.data - base.ctypes.data)


def rows_between(column: np.ndarray, first: int, last: int) -> np.ndarray:
    """Return rows `first` to `last` (past the last) of a column; a mapped one is read, not looked at page by page."""
    first, last = max(first, 0), min(last, len(column))
    with Rows(column, max(last - first, 0)) as rows:
        return rows.part(first, last)


def picked(column: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Return single rows (k,) of a column, in the order of `rows`; of a mapped one, by a plain read of their blocks."""
    rows = np.asarray(rows)
    if not len(rows) or len(column) < _SMALL:
        return np.asarray(column[rows])
    order = np.argsort(rows, kind="stable")
    sorted_rows = rows[order]
    out = np.empty(len(rows), dtype=column.dtype)
    edges = np.flatnonzero(np.diff(sorted_rows // BLOCK)) + 1
    with Rows(column) as held:
        for a, b in zip([0, *edges.tolist()], [*edges.tolist(), len(rows)], strict=True):
            first = int(sorted_rows[a])
            out[order[a:b]] = held.part(first, int(sorted_rows[b - 1]) + 1)[sorted_rows[a:b] - first]
    return out


def every(column: np.ndarray, stride: int) -> np.ndarray:
    """Return every `stride`-th row of a column, from the first on."""
    size = max(BLOCK // stride, 1) * stride
    with Rows(column, size) as rows:
        parts = [np.array(rows.part(a, b)[::stride]) for a, b in spans(len(column), size)]
    return np.concatenate(parts) if parts else np.array(column)


def spans(count: int, size: int = BLOCK) -> list[tuple[int, int]]:
    """Return (first, past-the-last) row of every block of `count` rows."""
    return [(a, min(a + size, count)) for a in range(0, count, size)]


def side_by_side(work: Callable[[Any], T], items: Sequence[Any], rows: int) -> list[T]:
    """Return what `work` makes of each item, on all cores when they concern many `rows`."""
    if rows < _LARGE or len(items) < 2:
        return [work(item) for item in items]
    with ThreadPoolExecutor(min(len(items), 4, os.cpu_count() or 1), thread_name_prefix="blocks") as pool:
        return list(pool.map(work, items))
