"""Links over TCP sockets."""

from __future__ import annotations

import select
import socket

from phasewright.live.transport.link import LinkLost, StreamLink


class TcpLink(StreamLink):
    """``tcp:HOST:PORT``."""

    _socket: socket.socket | None = None

    @property
    def is_open(self) -> bool:
        """Whether it can be asked."""
        return self._socket is not None

    def open(self) -> None:
        """See `Link`."""
        self.close()
        host, _, port = self.address.rpartition(":")
        if not host or not port.isdigit() or not 0 < int(port) < 65536:
            raise LinkLost(f"address tcp:{self.address} is not HOST:PORT")
        try:
            made = socket.create_connection((host.strip("[]"), int(port)), timeout=self.timeout)
        except OSError as error:
            raise LinkLost(f"cannot connect to {self.address} ({error.strerror or error})") from None
        made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        made.setblocking(False)
        self._socket = made

    def close(self) -> None:
        """See `Link`."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, data: bytes) -> None:
        if self._socket is None:
            raise LinkLost("not connected")
        self._socket.settimeout(self.timeout)
        self._socket.sendall(data)
        self._socket.setblocking(False)

    def _receive(self, most: int, seconds: float) -> bytes:
        if self._socket is None:
            raise LinkLost("not connected")
        if not select.select([self._socket], [], [], seconds)[0]:
            return b""
        data = self._socket.recv(most)
        if not data:
            raise LinkLost("the other side has hung up")
        return data
