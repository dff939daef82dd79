"""The load of a step: a program of the user's choosing, started, watched and ended here."""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Protocol, cast

KEEPER = Path(__file__).with_name("load_keeper.py")


@dataclass(frozen=True, slots=True)
class LoadEnd:
    """How a load ended."""

    code: int | None
    """Exit code; negative: killed by that signal; None = it never started."""
    errors: str = ""
    """Last of its error output."""
    output: str = ""


class Load(Protocol):
    """Something that can be put on the processor and taken off again."""

    def start(self) -> None:
        """Put it on."""
        ...

    def stop(self) -> None:
        """Take it off, for good within a second."""
        ...

    def poll(self) -> LoadEnd | None:
        """Return how it ended, once; None while it runs, or when that was told."""
        ...


def _kill(group: int) -> None:
    try:
        if os.name == "nt":
            os.kill(group, signal.SIGTERM)
        else:
            os.killpg(group, signal.SIGKILL)
    except OSError:
        return  # it has ended already


class ProgramLoad:
    """A program under a keeper, which ends it when the recorder dies."""

    def __init__(self, command: Sequence[str], folder: Path):
        self._command, self._folder = tuple(command), folder
        self._keeper: subprocess.Popen[str] | None = None
        self._said: queue.Queue[dict] = queue.Queue()

    def start(self) -> None:
        """See `Load`."""
        self._keeper = subprocess.Popen([sys.executable, "-I", "-S", str(KEEPER), *self._command], stdin=subprocess.PIPE,
                                        stdout=subprocess.PIPE, text=True, cwd=self._folder)
        threading.Thread(target=self._listen, args=(self._keeper,), daemon=True).start()

    def _listen(self, keeper: subprocess.Popen[str]) -> None:
        started, over = 0, False
        with cast(IO[str], keeper.stdout) as stream:
            for line in stream:
                said = json.loads(line)
                started = said.get("started", started)
                over = over or "ended" in said or "failed" in said
                self._said.put(said)
        code = keeper.wait()
        if started and not over:
            # Somebody killed the keeper: nobody else would end its load now.
            _kill(started)
        self._said.put({"gone": code, "over": over})

    def stop(self) -> None:
        """See `Load`."""
        if self._keeper is not None:
            cast(IO[str], self._keeper.stdin).close()

    def poll(self) -> LoadEnd | None:
        """See `Load`."""
        while True:
            try:
                said = self._said.get_nowait()
            except queue.Empty:
                return None
            if "ended" in said:
                return LoadEnd(said["ended"], said["err"], said["out"])
            if "failed" in said:
                return LoadEnd(None, f"cannot be started: {said['failed']}")
            if "gone" in said:
                self.stop()
                self._keeper = None
                if not said["over"]:
                    return LoadEnd(None, f"its keeper was killed (exit code {said['gone']}), and the load with it")
