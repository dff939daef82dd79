"""The index of the library: one SQLite file beside the campaigns, a cache that is made anew whenever it must be."""

from __future__ import annotations

import contextlib
import math
import os
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from phasewright.app.library.entries import Entry, Step, campaign_folders, entry_of, marks_of

INDEX_FILE = ".phasewright-library.sqlite"
FORMAT = 2
"""Of the index; one of another format is made anew."""

_TABLES = """
CREATE TABLE campaigns (
  id INTEGER PRIMARY KEY, folder TEXT NOT NULL UNIQUE, state TEXT NOT NULL, why TEXT NOT NULL, name TEXT NOT NULL,
  board TEXT NOT NULL, cooler TEXT NOT NULL, coolant TEXT NOT NULL, day TEXT NOT NULL, phases_fitted INTEGER,
  simulated INTEGER NOT NULL, steps INTEGER NOT NULL, marks TEXT NOT NULL, version TEXT NOT NULL,
  board_key TEXT NOT NULL, cooler_key TEXT NOT NULL, logs INTEGER NOT NULL, planned INTEGER NOT NULL,
  faults INTEGER NOT NULL);
CREATE TABLE steps (
  id INTEGER PRIMARY KEY, campaign INTEGER NOT NULL REFERENCES campaigns ON DELETE CASCADE, number INTEGER NOT NULL,
  name TEXT NOT NULL, verdict TEXT NOT NULL, settings TEXT NOT NULL, phase_count REAL, package_power REAL,
  rail_current REAL, load_name TEXT, rung INTEGER);
CREATE INDEX steps_of ON steps (campaign);
CREATE INDEX steps_by_rung ON steps (phase_count, load_name, rung, campaign);
CREATE INDEX steps_by_power ON steps (phase_count, package_power);
CREATE INDEX steps_by_current ON steps (phase_count, rail_current);
CREATE TABLE figures (
  quantity TEXT NOT NULL, step INTEGER NOT NULL REFERENCES steps ON DELETE CASCADE, value REAL, unit TEXT NOT NULL,
  u REAL, low95 REAL, high95 REAL, kind TEXT NOT NULL, reason TEXT NOT NULL,
  PRIMARY KEY (quantity, step)) WITHOUT ROWID;
CREATE INDEX figures_of ON figures (step);
"""


@dataclass(frozen=True, slots=True)
class Refreshed:
    """What looking through the folders has found."""

    campaigns: int
    read: int
    """Entries that were read because they are new or their files have changed."""
    gone: int
    """Entries that were dropped because their folder is no longer there."""


RUNG = 0.005
"""Relative width of a rung: loads are counted by rungs, so that the settings of a whole library are found at once."""


def _rung(step: Step) -> tuple[str | None, int | None]:
    """Return by what load a step is found, and its rung on a logarithmic ladder."""
    for name, load in (("package_power", step.package_power), ("rail_current", step.rail_current)):
        if load is not None and load > 0.0:
            return name, round(math.log(load) / RUNG)
    return None, None


class Library:
    """The campaigns below a folder, and their index. Use it as a context manager; from one thread at a time."""

    def __init__(self, root: Path | str):
        self.root = Path(root)
        self._file = self.root / INDEX_FILE
        self._base = self._opened()

    def __enter__(self) -> Library:
        return self

    def __exit__(self, *told: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the index."""
        self._base.close()

    def rows(self, query: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        """Return the rows of a query to the index."""
        return self._base.execute(query, values).fetchall()

    def changed(self) -> int:
        """Return how many campaigns would be read again: those that are new, have changed or are gone."""
        known = dict(self.rows("SELECT folder, marks FROM campaigns"))
        places = {self._name(path): path for path in campaign_folders(self.root)}
        return sum(known.get(name) != marks_of(path) for name, path in places.items()) + len(known.keys() - places.keys())

    def refresh(self, progress: Callable[[float, str], None] | None = None) -> Refreshed:
        """Look through the folders and read again what is new or has changed; nothing but the index is written."""
        from importlib.metadata import version

        tell, now = progress or (lambda fraction, text: None), version("phasewright")
        tell(0.0, "looking through the folders")
        known = {folder: (marks, made) for folder, marks, made in self.rows("SELECT folder, marks, version FROM campaigns")}
        places = {self._name(path): path for path in campaign_folders(self.root)}
        fresh = {name: marks_of(path) for name, path in places.items()}
        wanted = [name for name in places if known.get(name) != (fresh[name], now)]
        gone = [name for name in known if name not in places]
        if gone:
            with self.writing():
                self._base.executemany("DELETE FROM campaigns WHERE folder = ?", [(name,) for name in gone])
        for number, name in enumerate(wanted):
            tell(number / len(wanted), f"reading {name}, {number + 1} of {len(wanted)}")
            # Marks from before the reading: a file that changes meanwhile is seen next time.
            entry = entry_of(places[name], name)
            with self.writing():
                self.put(entry, fresh[name], now)
        tell(1.0, f"{len(places)} campaigns known")
        return Refreshed(len(places), len(wanted), len(gone))

    def stale(self, folders: list[str]) -> set[str]:
        """Return those of `folders` whose files are no longer those that the index was made from."""
        found = set()
        for name in folders:
            row = self._base.execute("SELECT marks FROM campaigns WHERE folder = ?", (name,)).fetchone()
            if row is None or row[0] != marks_of(self.root / name):
                found.add(name)
        return found

    def summaries(self) -> dict[str, tuple[str, str, str, int, int, int, bool]]:
        """Return for each folder: marks, name, board, logs, steps listed, faults, whether simulated."""
        rows = self.rows("SELECT folder, marks, name, board, logs, planned, faults, simulated FROM campaigns")
        return {row[0]: (*row[1:7], bool(row[7])) for row in rows}

    def put(self, entry: Entry, marks: str, version: str) -> None:
        """Write one entry in place of what was known of its folder."""
        base = self._base
        base.execute("DELETE FROM campaigns WHERE folder = ?", (entry.folder,))
        campaign = base.execute(
            "INSERT INTO campaigns (folder, state, why, name, board, cooler, coolant, day, phases_fitted, simulated, steps,"
            " marks, version, board_key, cooler_key, logs, planned, faults)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (entry.folder, entry.state, entry.why, entry.name, entry.board, entry.cooler, entry.coolant, entry.day,
             entry.phases_fitted, int(entry.simulated), len(entry.steps), marks, version, entry.board.casefold(),
             entry.cooler.casefold(), entry.logs, entry.planned, entry.faults),
        ).lastrowid  # fmt: skip
        for number, step in enumerate(entry.steps, start=1):
            at = base.execute(
                "INSERT INTO steps (campaign, number, name, verdict, settings, phase_count, package_power, rail_current,"
                " load_name, rung) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (campaign, number, step.name, step.verdict, step.settings, step.phase_count, step.package_power,
                 step.rail_current, *_rung(step)),
            ).lastrowid  # fmt: skip
            base.executemany(
                "INSERT INTO figures VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [(name, at, told["value"], told["unit"], told["u"], told["low95"], told["high95"], told["kind"],
                  told.get("reason") or "") for name, told in step.figures.items() if told["value"] is not None],
            )  # fmt: skip

    def _name(self, path: Path) -> str:
        name = path.relative_to(self.root).as_posix()
        return name if name != "." else ""

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Write all that is put inside, or nothing of it."""
        self._base.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._base.execute("ROLLBACK")
            raise
        self._base.execute("COMMIT")

    def _opened(self) -> sqlite3.Connection:
        """Open the index; make it anew where it is broken or of another format, in memory where none can be kept."""
        if os.access(self.root, os.W_OK) and (not self._file.exists() or os.access(self._file, os.W_OK)):
            for _ in range(2):
                try:
                    return self._made(str(self._file))
                except sqlite3.OperationalError:
                    break  # somebody else is busy with it, or the disk takes no more: do without
                except sqlite3.DatabaseError:
                    with contextlib.suppress(OSError):
                        self._file.unlink(missing_ok=True)
        return self._made(":memory:")

    def _made(self, file: str) -> sqlite3.Connection:
        base = sqlite3.connect(file, timeout=20.0, check_same_thread=False, isolation_level=None)
        try:
            base.execute("PRAGMA foreign_keys = ON")
            base.execute("PRAGMA cache_size = -65536")
            base.execute("BEGIN IMMEDIATE")
            at = base.execute("PRAGMA user_version").fetchone()[0]
            if at != FORMAT:
                if base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                    raise sqlite3.DatabaseError(f"index of format {at}")
                for statement in filter(str.strip, _TABLES.split(";")):
                    base.execute(statement)
                base.execute(f"PRAGMA user_version = {FORMAT}")
            base.execute("SELECT count(*) FROM campaigns").fetchone()
            base.execute("COMMIT")
        except BaseException:
            base.close()
            raise
        return base
