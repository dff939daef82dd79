"""Any program that prints delimited lines: started by us, read line by line, ended with us."""

from __future__ import annotations

import queue
import subprocess
import threading

from phasewright.bench import Instrument, escape
from phasewright.live.instruments.driver import DriverFault, Polled, Reading, Surroundings, missing
from phasewright.live.instruments.rows import LONGEST_LINE, Rows

MOST_WAITING = 10_000
RESTART_S = 2.0


class LinesDriver:
    """``kind = "lines"``: the command is started without a shell."""

    def __init__(self, instrument: Instrument, surroundings: Surroundings):
        connection = instrument.connection
        if connection is None or not connection.command:
            raise DriverFault(f'{instrument.name}: no command - add command = ["my-logger"]')
        self.instrument, self._around = instrument, surroundings
        self.identity = " ".join(connection.command)
        self._command, self._delimiter = connection.command, connection.delimiter
        self._process: subprocess.Popen[bytes] | None = None
        self._waiting: queue.Queue[tuple[int, bytes]] = queue.Queue(MOST_WAITING)
        self._rows = Rows(instrument.reading, self._delimiter)
        self._ended_at: int | None = None
        self.dropped = 0
        """Lines that came faster than anybody read them."""

    def open(self) -> None:
        """See `Driver`."""
        try:
            self._start()
        except OSError as error:
            raise DriverFault(f"{self.instrument.name}: {escape(self._command[0])} cannot be started "
                              f"({error.strerror or error}) - check command") from None

    def _start(self) -> None:
        self._rows = Rows(self.instrument.reading, self._delimiter)
        self._process = subprocess.Popen(self._command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                                         stderr=subprocess.DEVNULL, cwd=self._around.folder)
        threading.Thread(target=self._collect, args=(self._process,), daemon=True).start()

    def _collect(self, process: subprocess.Popen[bytes]) -> None:
        if process.stdout is None:
            return
        with process.stdout as stream:
            while line := stream.readline(LONGEST_LINE):
                try:
                    self._waiting.put_nowait((self._around.clock.monotonic_ns(), line))
                except queue.Full:
                    self.dropped += 1

    def close(self) -> None:
        """See `Driver`."""
        process, self._process = self._process, None
        if process is None:
            return
        process.terminate()
        try:
            process.wait(2.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def read(self) -> Polled:
        """See `Driver`."""
        polled, now = Polled(), self._around.clock.monotonic_ns()
        while True:
            try:
                stamp, line = self._waiting.get_nowait()
            except queue.Empty:
                break
            if not line.endswith(b"\n"):
                continue  # the program ended in the middle of a line
            text = line.decode("utf-8", "replace").rstrip("\r\n")
            found = self._rows.take(text)
            polled.readings += [Reading(channel, item.value, stamp, text[:500], item.missing)
                                for channel, item in found.items()]
        if self._process is not None and self._process.poll() is not None and self._waiting.empty():
            code = self._process.returncode
            if self._ended_at is None:
                self._ended_at = now
                polled.events.append(("program_ended", f"{self.instrument.name}: exit code {code}"))
            polled.readings += missing(self.instrument, now, f"the program has ended with exit code {code}")
            if (now - self._ended_at) * 1e-9 > RESTART_S:
                self._ended_at = None
                try:
                    self._start()
                    polled.events.append(("program_started", self.instrument.name))
                except OSError as error:
                    polled.events.append(("program_failed", f"{self.instrument.name}: {error.strerror}"))
        return polled
