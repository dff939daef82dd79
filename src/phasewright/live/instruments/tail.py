"""A growing log file of any other logger: read as it grows, through rotation and truncation."""

from __future__ import annotations

from pathlib import Path

from phasewright.bench import Instrument
from phasewright.live.instruments.driver import Polled, Reading, Surroundings, missing
from phasewright.live.instruments.rows import LONGEST_LINE, Rows

HEAD_BYTES = 64 << 10
MOST_BYTES = 1 << 20
"""Most that is taken in one look; the rest waits in the file."""


class TailDriver:
    """``kind = "tail"``: only lines that are whole count; what stood there before the start is not taken."""

    def __init__(self, instrument: Instrument, surroundings: Surroundings):
        connection = instrument.connection
        self.instrument, self._around = instrument, surroundings
        self._path = surroundings.folder / (connection.address if connection else "")
        self.identity = str(connection.address if connection else "")
        self._delimiter = connection.delimiter if connection else ""
        self._rows = Rows(instrument.reading, self._delimiter)
        self._offset, self._file = 0, None
        self._file: tuple[int, int] | None
        self._rest = b""

    def open(self) -> None:
        """See `Driver`."""
        try:
            status = self._path.stat()
        except OSError:
            return  # it may not have been begun yet
        self._file, self._offset = (status.st_dev, status.st_ino), status.st_size
        self._learn(self._path)
        # A line that is being written now counts once it is whole.
        with self._path.open("rb") as file:
            start = max(status.st_size - LONGEST_LINE, 0)
            file.seek(start)
            last = file.read(status.st_size - start)
        self._offset = status.st_size - (len(last) - (last.rfind(b"\n") + 1))

    def _learn(self, path: Path) -> None:
        self._rows = Rows(self.instrument.reading, self._delimiter)
        with path.open("rb") as file:
            for line in file.read(HEAD_BYTES).split(b"\n")[:200]:
                self._rows.take(line.decode("utf-8", "replace"))
                if self._rows.ready:
                    return

    def close(self) -> None:
        """See `Driver`."""

    def read(self) -> Polled:
        """See `Driver`."""
        polled, now = Polled(), self._around.clock.monotonic_ns()
        try:
            status = self._path.stat()
            identity = (status.st_dev, status.st_ino)
            if self._file is not None and identity != self._file:
                polled.events.append(("log_rotated", self.instrument.name))
                self._rest, self._offset = b"", 0
                self._rows = Rows(self.instrument.reading, self._delimiter)
            elif status.st_size < self._offset:
                polled.events.append(("log_truncated", self.instrument.name))
                self._rest, self._offset = b"", 0
                self._rows = Rows(self.instrument.reading, self._delimiter)
            self._file = identity
            with self._path.open("rb") as file:
                file.seek(self._offset)
                data = file.read(MOST_BYTES)
        except OSError as error:
            polled.readings = missing(self.instrument, now, f"the log cannot be read ({error.strerror or error})")
            return polled
        self._offset += len(data)
        *lines, self._rest = (self._rest + data).split(b"\n")
        if len(self._rest) > LONGEST_LINE:
            self._rest = b""
        for line in lines:
            text = line.decode("utf-8", "replace").rstrip("\r")
            found = self._rows.take(text)
            polled.readings += [Reading(channel, item.value, now, text[:500], item.missing)
                                for channel, item in found.items()]
        return polled
