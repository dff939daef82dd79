"""Links over serial lines, with the optional extra ``serial`` (pyserial)."""

from __future__ import annotations

from typing import Any

from phasewright.live.clock import Clock
from phasewright.live.transport.link import LinkLost, StreamLink

QUIET = 0.2
"""[s] A reopened line must be silent for so long: closing a serial line does not take a late answer back."""


class SerialLink(StreamLink):
    """``serial:PORT``; PORT as pyserial names it, or ``hwgrep://`` text that finds it again by serial number."""

    def __init__(self, address: str, clock: Clock, timeout: float, baud: int | None = None):
        super().__init__(address, clock, timeout)
        self._baud, self._port = baud or 9600, None

    _port: Any

    @property
    def is_open(self) -> bool:
        """Whether it can be asked."""
        return self._port is not None

    def open(self) -> None:
        """See `Link`."""
        self.close()
        try:
            import serial
        except ImportError:
            raise LinkLost("serial lines need pyserial: pip install phasewright[serial]") from None
        try:
            port = serial.serial_for_url(self.address, baudrate=self._baud, timeout=QUIET, write_timeout=self.timeout)
            waited = 0.0
            while port.read(4096):
                waited += QUIET
                if waited > self.timeout:
                    port.close()
                    raise LinkLost("the line is never silent: another setting, or an instrument that talks unasked")
        except (OSError, ValueError) as error:
            raise LinkLost(f"cannot open {self.address} ({error})") from None
        self._port = port

    def close(self) -> None:
        """See `Link`."""
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except OSError:
                return  # pulled out: nothing is left to close

    def _send(self, data: bytes) -> None:
        if self._port is None:
            raise LinkLost("not connected")
        self._port.write(data)

    def _receive(self, most: int, seconds: float) -> bytes:
        if self._port is None:
            raise LinkLost("not connected")
        waiting = self._port.in_waiting
        if waiting or seconds <= 0.0:
            return self._port.read(min(waiting, most)) if waiting else b""
        self._port.timeout = seconds
        first = self._port.read(1)
        return first + self._port.read(min(self._port.in_waiting, most)) if first else b""
