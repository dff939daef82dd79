"""Starts the server: loopback sockets, one token for this start, the browser."""

from __future__ import annotations

import html
import logging
import os
import socket
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from phasewright.app.web.guard import Gate
from phasewright.app.web.shelf import Shelf
from phasewright.app.web.site import make_site


def loopback_sockets(port: int) -> list[socket.socket]:
    """Return listening sockets on 127.0.0.1 and, where there is one, ::1, both on one port; 0 = a free one.

    Raises OSError when the port is taken.
    """
    first = _listen(socket.AF_INET, "127.0.0.1", port)
    sockets = [first]
    if socket.has_ipv6:
        try:
            sockets.append(_listen(socket.AF_INET6, "::1", first.getsockname()[1]))
        except OSError:
            pass  # no ::1 on this machine, or its port is taken: 127.0.0.1 alone is enough
    return sockets


def _listen(family: int, host: str, port: int) -> socket.socket:
    # Named as TCP: the event loop looks at that before it turns Nagle's delay off, which costs 40 ms an answer.
    made = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if sys.platform != "win32":
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        made.bind((host, port))
        made.listen(128)
    except OSError:
        made.close()
        raise
    return made


def serve(
    folder: Path, *, port: int = 0, say: Callable[[str], None] = print, show: Callable[[Path], None] | None = None
) -> None:
    """Serve the campaigns of `folder` to browsers on this machine until interrupted.

    Parameters
    ----------
    folder
        A folder of campaigns, or one campaign.
    port
        Port on the loopback addresses; 0 = a free one.
    say
        Called with each line for the terminal.
    show
        Called with a file that only this user may read and that leads to the page; None = no browser is opened.
    """
    import uvicorn

    logging.basicConfig(level=logging.WARNING, format="%(message)s", stream=sys.stderr)
    # A job computes beside the requests: they wait a fifth as long for their turn as Python would let them.
    sys.setswitchinterval(0.001)
    sockets = loopback_sockets(port)
    gate = Gate(sockets[0].getsockname()[1])
    site, desk = make_site(Shelf(folder), gate)
    address = f"http://127.0.0.1:{gate.port}/#t={gate.token}"
    say(f"The page       {address}")
    say("Only this machine can open it, and only with this address. Ctrl-C ends it.")
    config = uvicorn.Config(
        site, log_config=None, access_log=False, server_header=False, date_header=True, lifespan="off", ws="none",
        http="h11", proxy_headers=False, h11_max_incomplete_event_size=32768, limit_concurrency=200,
        timeout_keep_alive=15, timeout_graceful_shutdown=2,
    )  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="phasewright-") as private:
        if show is not None:
            show(_way_in(Path(private), address))
        try:
            uvicorn.Server(config).run(sockets=sockets)
        finally:
            desk.work.stop()


def _way_in(private: Path, address: str) -> Path:
    """Write a file that leads to the page, so that the token never stands in a command line that others can list."""
    way = private / "open.html"
    handle = os.open(way, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as stream:
        stream.write(
            f'<!doctype html><meta charset="utf-8"><meta http-equiv="refresh" content="0;url={html.escape(address)}">'
            f"<title>Phasewright</title><p>Opening the page.</p>\n"
        )
    return way
