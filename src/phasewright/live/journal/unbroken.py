"""Work on the journal that a keyboard interrupt does not cut in two: it is raised when the work is done."""

from __future__ import annotations

import signal
import threading
from types import FrameType


class Unbroken:
    """Puts off SIGINT while its block runs; for the main thread only, as Python interrupts no other.

    Trap: an interrupt between a write and the note of it would have the same bytes written twice; no order of the two
    lines helps, so the interrupt has to wait.
    """

    def __enter__(self) -> None:
        self._said: tuple[int, FrameType | None] | None = None
        self._former = None
        if threading.current_thread() is threading.main_thread() and callable(signal.getsignal(signal.SIGINT)):
            # `signal.signal` runs what is due before it changes hands, so nothing is lost between the two lines.
            self._former = signal.signal(signal.SIGINT, self._put_off)

    def __exit__(self, *_: object) -> None:
        if self._former is None:
            return
        former, self._former = self._former, None
        signal.signal(signal.SIGINT, former)
        if self._said is not None:
            former(*self._said)

    def _put_off(self, number: int, frame: FrameType | None) -> None:
        self._said = (number, frame)
