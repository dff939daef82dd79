"""Reads any delimited text log, strictly: every value as it stands, or missing and said so; nothing guessed."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from phasewright.bench import Instrument, LogEntry

from ..records import Table
from ._notes import fault_of
from ._reading import Reading
from ._sink import MemorySink, Sink
from .suggest import first_values, suggest_channels

__all__ = ["MemorySink", "Sink", "fault_of", "first_values", "read_log", "suggest_channels"]

VERSION = 4
"""Raised when the same bytes would be read in another way, so that what is kept in derived/ is read again."""


def read_log(
    path: str | Path,
    entry: LogEntry | None = None,
    *,
    instrument: Instrument | None = None,
    strict: bool = False,
    progress: Callable[[float, str], None] | None = None,
    sink: Sink | None = None,
    file: str | None = None,
    by_position: bool = False,
) -> Table:
    """Return the table in a delimited text file.

    `entry` states what the person knows of the log (time columns and format, zone, encoding, delimiter, decimal mark,
    header line, channels); all that it leaves open is found from the file and reported. `instrument.period` settles
    whether an elapsed time without unit counts seconds or milliseconds. `strict` refuses where reading would mend.
    `sink` takes the columns as they are read (default: memory). `file` is the name for reports and faults.
    `by_position` tells columns of one name apart by their place, for a map that is yet to come, instead of refusing.

    Raises LogFault, with file, line, what is wrong and the mend, for everything that cannot be read for certain.
    """
    sink = sink or MemorySink()
    try:
        reading = Reading(Path(path), entry, instrument, file or _shown_name(path), sink, progress)
        reading.wishes.by_position = by_position
        return reading.run(strict)
    except BaseException:
        sink.abandon()
        raise


def _shown_name(path: str | Path) -> str:
    return re.sub(r"^\./", "", str(path))
