"""A stand-in I2C bus that another process reaches over a loopback socket; one line asks, one line answers."""

from __future__ import annotations

import socket
import socketserver

from phasewright.live.standin.loopback import LoopbackServer
from phasewright.live.transport.i2c import Bus


class BusServer(LoopbackServer):
    """Lets other processes read a bus of this one. What may be done is what `Bus` allows, and no more."""

    def __init__(self, bus: Bus):
        class Turn(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                for line in self.rfile:
                    self.wfile.write(_answer(bus, line.decode("ascii", "replace").split()))

        super().__init__(Turn)


def _answer(bus: Bus, words: list[str]) -> bytes:
    try:
        what, address, number = words[0], int(words[1]), int(words[2])
        if what == "byte":
            return b"%d\n" % bus.read_byte(address, number)
        if what == "word":
            return b"%d\n" % bus.read_word(address, number)
        if what == "page":
            bus.write_page(address, number)
            return b"0\n"
    except OSError as error:
        return b"!%d\n" % (error.errno or 5)
    except (ValueError, IndexError):
        return b"!22\n"
    return b"!22\n"


class DistantBus:
    """The other end: a bus as drivers see it."""

    def __init__(self, address: str):
        """Connect to HOST:PORT; OSError where nobody listens."""
        host, _, port = address.rpartition(":")
        self._socket = socket.create_connection((host, int(port)), timeout=1.0)
        self._lines = self._socket.makefile("rb")

    def read_byte(self, address: int, command: int) -> int:
        """See `Bus`."""
        return self._turn("byte", address, command)

    def read_word(self, address: int, command: int) -> int:
        """See `Bus`."""
        return self._turn("word", address, command)

    def write_page(self, address: int, page: int) -> None:
        """See `Bus`."""
        self._turn("page", address, page)

    def close(self) -> None:
        """See `Bus`."""
        self._lines.close()
        self._socket.close()

    def _turn(self, what: str, address: int, number: int) -> int:
        self._socket.sendall(f"{what} {address} {number}\n".encode("ascii"))
        said = self._lines.readline().strip()
        if not said or said.startswith(b"!"):
            code = int(said[1:] or 6)
            raise OSError(code, "bus error")
        return int(said)
