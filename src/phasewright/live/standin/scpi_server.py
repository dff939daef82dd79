"""A SCPI instrument on loopback, with a script of faults."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterable

FAULTS = (
    "late", "split", "no_end", "wrong_end", "garbage", "drop", "twice", "sentinel", "huge_block", "prompt", "empty",
    "mute", "long", "nul",
)  # fmt: skip
"""What can be asked of `faults`."""


class ScpiServer:
    """Listens on a free loopback port. `answer` is called with each question; None stands for an unknown one."""

    def __init__(self, answer: Callable[[str], str | None], *, identity: str = "SIMULATED,METER,1,0",
                 faults: Iterable[str] = (), late: float = 0.05):
        self.answer, self.identity, self.late = answer, identity, late
        self.faults = iter(faults)
        """One for each question that is no housekeeping; '' = none."""
        self.received: list[str] = []
        """Every line that was ever written to it."""
        self.errors: list[str] = []
        """Its error queue."""
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._open: set[socket.socket] = set()
        self._stopped = False
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def address(self) -> str:
        """Return the address as a bench file states it."""
        return f"tcp:127.0.0.1:{self._listener.getsockname()[1]}"

    def close(self) -> None:
        """Stop, and hang up on everybody."""
        self._stopped = True
        # A blocked accept is not woken by close alone.
        try:
            self._listener.shutdown(socket.SHUT_RDWR)
        except OSError:
            self._stopped = True
        self._listener.close()
        self.hang_up()

    def hang_up(self) -> None:
        """Drop every connection, as a reboot would."""
        for peer in list(self._open):
            try:
                peer.shutdown(socket.SHUT_RDWR)
            except OSError:
                self._open.discard(peer)

    def _accept(self) -> None:
        while not self._stopped:
            try:
                peer, _ = self._listener.accept()
            except OSError:
                return
            self._open.add(peer)
            threading.Thread(target=self._serve, args=(peer,), daemon=True).start()

    def _serve(self, peer: socket.socket) -> None:
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            with peer, peer.makefile("rb") as lines:
                for line in lines:
                    question = line.decode("ascii", "replace").strip()
                    self.received.append(question)
                    if not self._reply(peer, question):
                        return
        except OSError:
            return  # the other side is gone
        finally:
            self._open.discard(peer)

    def _reply(self, peer: socket.socket, question: str) -> bool:
        if question == "*IDN?":
            peer.sendall(self.identity.encode() + b"\n")
            return True
        if question == "SYST:ERR?":
            peer.sendall((self.errors.pop(0) if self.errors else '0,"No error"').encode() + b"\n")
            return True
        said = self.answer(question)
        if said is None:
            self.errors.append('-113,"Undefined header"')
            return True
        return self._faulty(peer, next(self.faults, ""), said.encode("ascii"))

    def _faulty(self, peer: socket.socket, fault: str, said: bytes) -> bool:
        half = max(len(said) // 2, 1)
        if fault == "late":
            time.sleep(self.late)
        if fault in ("split", "no_end"):
            peer.sendall(said[:half])
            if fault == "no_end":
                return True
            time.sleep(self.late)
            said = said[half:]
        elif fault in ("drop", "mute"):
            return fault == "mute"
        said = {
            "garbage": b"\xff\xfe\x00garbage", "sentinel": b"+9.91E37", "huge_block": b"#9999999999",
            "prompt": b"SCPI> " + said, "empty": b"", "twice": said + b"\n" + said, "long": b"1" * (2 << 20),
            "nul": said + b"\x00", "wrong_end": said + b"\r\r",
        }.get(fault, said)
        peer.sendall(said + b"\n")
        return True
