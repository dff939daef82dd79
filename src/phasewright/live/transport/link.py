"""Question and answer over a stream of bytes.

A raw stream has no message framing: after one answer that came too late, every later answer would be taken for that of
the next question. So a link that has fallen silent, or holds bytes that nobody asked for, is closed and opened anew.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

from phasewright.live.clock import Clock
from phasewright.live.encoding.answers import block_length

MOST_BYTES = 1 << 20
"""Most that one answer may hold."""


class LinkLost(Exception):
    """No answer that can be trusted came; the link is closed. The text says why."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back, and when, on the monotonic clock [ns]."""

    data: bytes
    """Without the ending; of a block, its data only."""
    sent_ns: int
    first_ns: int
    """First byte."""
    last_ns: int


class Link(ABC):
    """One connection to one instrument."""

    def __init__(self, address: str, clock: Clock, timeout: float, most: int = MOST_BYTES):
        self.address, self.clock, self.timeout, self.most = address, clock, timeout, most

    @property
    @abstractmethod
    def is_open(self) -> bool:
        """Whether it can be asked."""

    @abstractmethod
    def open(self) -> None:
        """Connect; LinkLost when that fails."""

    @abstractmethod
    def close(self) -> None:
        """Let go; never fails."""

    @abstractmethod
    def ask(self, question: str) -> Answer:
        """Send one question and return its answer; LinkLost (and closed) when none came that can be trusted."""


class StreamLink(Link):
    """A link over a plain stream: what is common to sockets and serial lines."""

    @abstractmethod
    def _send(self, data: bytes) -> None: ...

    @abstractmethod
    def _receive(self, most: int, seconds: float) -> bytes:
        """Return what is there, waiting up to `seconds`; b'' = nothing came; LinkLost when the other side is gone."""

    def ask(self, question: str) -> Answer:
        """See `Link`."""
        if not self.is_open:
            raise LinkLost("not connected")
        try:
            stray = self._receive(4096, 0.0)
            if stray:
                raise LinkLost(f"{len(stray)} bytes came that nobody asked for: answers may be shifted")
            sent = self.clock.monotonic_ns()
            self._send(question.encode("ascii") + b"\n")
            return self._answer(sent)
        except LinkLost:
            self.close()
            raise
        except OSError as error:
            self.close()
            raise LinkLost(f"the connection broke ({error.strerror or error})") from None
        except ValueError as error:
            self.close()
            raise LinkLost(str(error)) from None

    def _answer(self, sent: int) -> Answer:
        data, first = b"", 0
        until = sent + round(self.timeout * 1e9)
        while True:
            now = self.clock.monotonic_ns()
            more = self._receive(65536, max((until - now) * 1e-9, 0.0)) if now < until else b""
            if not more:
                raise LinkLost(f"no whole answer within {self.timeout:g} s" + (" (a part came)" if data else ""))
            now = self.clock.monotonic_ns()
            first = first or now
            data += more
            if len(data) > self.most:
                raise LinkLost(f"an answer of more than {self.most} bytes")
            if data[:1] == b"#":
                head, length = block_length(data, self.most)
                if not head or len(data) < head + length:
                    continue
                rest = data[head + length :]
                if rest in (b"\n", b"\r\n"):
                    return Answer(data[head : head + length], sent, first, now)
                if len(rest) < 2 and rest in (b"", b"\r"):
                    continue
                raise LinkLost("bytes behind a block")
            end = data.find(b"\n")
            if end >= 0:
                if end + 1 != len(data):
                    raise LinkLost("a second answer behind the first: answers may be shifted")
                return Answer(data[:end].rstrip(b"\r"), sent, first, now)
