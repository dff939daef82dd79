"""A server on the loopback address for a stand-in: one thread for each who connects."""

from __future__ import annotations

import socketserver
import threading


class _Server(socketserver.ThreadingTCPServer):
    daemon_threads, allow_reuse_address, block_on_close = True, True, False


class LoopbackServer:
    """Serves `turn`, a request handler, on a free port until it is closed."""

    def __init__(self, turn: type[socketserver.StreamRequestHandler]):
        self._server = _Server(("127.0.0.1", 0), turn)
        threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True).start()

    @property
    def address(self) -> str:
        """Return HOST:PORT."""
        return f"127.0.0.1:{self._server.server_address[1]}"

    def close(self) -> None:
        """Stop."""
        self._server.shutdown()
        self._server.server_close()
