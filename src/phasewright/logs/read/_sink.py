"""Where columns go as they are read: to memory, or to whatever else takes chunks the same way."""

from __future__ import annotations

from typing import Protocol

import numpy as np


class Sink(Protocol):
    """Takes a table chunk by chunk. Columns may join later; their earlier rows are then missing."""

    def add_column(self, name: str) -> None:
        """Begin one more column."""

    def append(self, time_ns: np.ndarray, columns: list[np.ndarray | None]) -> None:
        """Take a chunk: times int64 (n,) and one float64 (n,) for every column, None = all missing."""

    def finish(self, reverse: bool) -> tuple[np.ndarray, list[np.ndarray]]:
        """Return (times, columns) of the whole table, turned round when `reverse`."""

    def retime(self, time_ns: np.ndarray) -> np.ndarray:
        """Put other times, int64 (n,), in place of those of a finished table; return them."""

    def restart(self) -> None:
        """Forget what came so far; the file is read again from its start."""

    def abandon(self) -> None:
        """Forget everything; nothing half-written is left."""


class MemorySink:
    """Keeps the table in memory."""

    def __init__(self) -> None:
        self._time: list[np.ndarray] = []
        self._columns: list[list[np.ndarray]] = []
        self._rows = 0

    def add_column(self, name: str) -> None:
        """Begin one more column; rows that are there already are missing in it."""
        self._columns.append([np.full(self._rows, np.nan)] if self._rows else [])

    def append(self, time_ns: np.ndarray, columns: list[np.ndarray | None]) -> None:
        """Take a chunk of times int64 (n,) and columns float64 (n,)."""
        self._time.append(time_ns)
        for held, new in zip(self._columns, columns, strict=True):
            held.append(np.full(len(time_ns), np.nan) if new is None else new)
        self._rows += len(time_ns)

    def finish(self, reverse: bool) -> tuple[np.ndarray, list[np.ndarray]]:
        """Return the table."""
        time_ns = np.concatenate(self._time) if self._time else np.zeros(0, dtype=np.int64)
        columns = []
        for held in self._columns:
            columns.append(np.concatenate(held) if held else np.zeros(0))
            held.clear()
        if reverse:
            return time_ns[::-1].copy(), [column[::-1].copy() for column in columns]
        return time_ns, columns

    def retime(self, time_ns: np.ndarray) -> np.ndarray:
        """Return the other times."""
        return time_ns

    def restart(self) -> None:
        """Forget what came so far."""
        self._time, self._columns, self._rows = [], [], 0

    def abandon(self) -> None:
        """Forget everything."""
        self.restart()
