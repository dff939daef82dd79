"""The guide at a terminal: what to set, what is foreseen, a table that lives, one key that stops."""

from __future__ import annotations

import math
import os
import select
import shutil
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, TextIO

from phasewright.app.recording_scene import Asked, Frame
from phasewright.app.recording_words import asked_of, moment_of

STOP, NEXT = "s", "n"
KEYS = "[s] STOP, load off now    [n] enough, next step"
PLAIN_EVERY = 15.0
"""[s] Without a terminal a line is printed so often."""


def asked_text(said: Mapping[str, Any]) -> str:
    """Return what a person has to know and to do before a step; see `asked_of`."""
    rows = [("Set by hand", "; ".join(f"{what}: {value}" for what, value in said["by_hand"]) or "nothing: as the bench stands"),
            ("Foreseen", said["foreseen"]), *(("", reason) for reason in said["reasons"]), ("Hold for", said["hold_for"]),
            ("Ends at", said["ends_at"]), ("Load", said["load"])]
    rows += [("The plan" if index == 0 else "", text) for index, text in enumerate(said["advice"])]
    head = f"Step {said['index']} of {said['count']}: {said['name']}   ({said['verdict']})"
    return "\n".join(["", head, *(f"  {name:<14}{text}" for name, text in rows)])


def moment_lines(moment: Mapping[str, Any], width: int = 110, keys: str = KEYS) -> list[str]:
    """Return a moment as lines of at most `width` characters; the key that stops is always the last. See `moment_of`."""
    planned = f", planned {moment['planned']}" if moment["planned"] else ""
    lines = [f"Step {moment['number']} of {moment['count']}: {moment['step']} - {moment['phase_text']} for {moment['elapsed']}"
             + planned]
    lines += [f"  {line['title']:<22} {line['value']:<18} {line['margin']}".rstrip() for line in moment["lines"]]
    if moment["phase"] == "load":
        lines.append(f"  {'Settling':<22} {moment['settling']}")
    lines += [f"  {text}" for text in moment["said"]]
    if moment["alarm"]:
        lines.append(f"  DISK: {moment['alarm']}; readings are kept in memory")
    lines.append(keys)
    return [line[:width] for line in lines]


class TerminalPerson:
    """A person at a terminal; without one, plain lines and answers line by line."""

    def __init__(self, out: TextIO | None = None, source: TextIO | None = None):
        self._out, self._in = out or sys.stdout, source or sys.stdin
        self.live = self._out.isatty() and self._in.isatty()
        """Whether there is a terminal, with keys and a table that lives."""
        self._drawn = 0
        self._printed = -math.inf
        self._phase = ("", "")
        self._open: object = None
        """What was asked and is not answered."""
        self._stop = False

    @contextmanager
    def at_the_keys(self) -> Iterator[None]:
        """Let single keys through while the table lives."""
        if not self.live:
            yield
            return
        try:
            import termios
            import tty
        except ImportError:  # Windows reads single keys without
            yield
            return
        kept = termios.tcgetattr(self._in)
        try:
            tty.setcbreak(self._in)
            yield
        finally:
            termios.tcsetattr(self._in, termios.TCSADRAIN, kept)

    def before(self, asked: Asked) -> str:
        """See `Person`."""
        if self._open is not asked:
            self.tell(asked_text(asked_of(asked)))
        answers = {"": "go", "k": "skip", "e": "end", STOP: "end"}
        return self._ask("Set it, then press Enter to go; k skips this step, e ends the run: ", answers, asked)

    def switch(self, on: bool, load: str) -> bool:
        """See `Person`."""
        text = f"{'Put the load on' if on else 'Take the load off'} now ({load}), then press Enter: "
        return bool(self._ask(text, {"": "done"}, (on, load)))

    def _ask(self, text: str, answers: dict[str, str], about: object) -> str:
        """Ask, once for each `about`; return '' while nobody has answered, where single keys are to be had."""
        while True:
            if self._open is not about or not self.live:
                self._write(text)
                self._open = about
            if self.live and not self._waiting():
                return ""
            line = self._key() if self.live else self._in.readline()
            if line == "" and not self.live:
                return "end"  # nobody is there to answer
            found = answers.get(line.strip().lower())
            if self.live:
                self._write("\n")
            if found is not None:
                self._open = None
                return found
            if line.strip().lower() == STOP and self.live:
                self._stop, self._open = True, None
                return ""
            if self.live:
                self._write(text)

    def _waiting(self) -> bool:
        """Whether a key was pressed."""
        try:
            import msvcrt

            return bool(msvcrt.kbhit())
        except ImportError:
            return bool(select.select([self._in], [], [], 0.0)[0])

    def _key(self) -> str:
        try:
            import msvcrt
        except ImportError:
            # Past the text layer, which would keep what was typed ahead from being seen.
            return os.read(self._in.fileno(), 1).decode("ascii", "replace")
        return msvcrt.getwch()

    def show(self, frame: Frame) -> None:
        """See `Person`."""
        self.show_moment(moment_of(frame))

    def show_moment(self, moment: Mapping[str, Any], keys: str = KEYS) -> None:
        """Show a moment that stands in words; see `moment_of`."""
        step, phase, elapsed = moment["step"], moment["phase"], moment["elapsed_s"]
        if phase == "asking":
            return  # the question stands there
        # It may have been answered elsewhere; from now on keys are words to the run again, stop the first of them.
        self._open = None
        if self.live:
            width = shutil.get_terminal_size().columns
            lines = moment_lines(moment, max(width - 1, 40), keys)
            if self._phase != (step, phase):
                self._phase, self._drawn = (step, phase), 0
            up = f"\x1b[{self._drawn}A" if self._drawn else ""
            self._write(up + "".join(f"\x1b[2K{line}\n" for line in lines) + "\x1b[J")
            self._drawn = len(lines)
            return
        if self._phase != (step, phase) or elapsed - self._printed >= PLAIN_EVERY:
            self._phase, self._printed = (step, phase), elapsed
            shown = "; ".join(f"{line['title']} {line['value']}" for line in moment["lines"][:4] if not line["missing"])
            self._write(f"{step}: {phase} {moment['elapsed']}; {shown}\n")

    def typed(self) -> str:
        """Return the keys that were pressed since the last call, without waiting; '' without a terminal."""
        if not self.live:
            return ""
        try:
            import msvcrt

            return msvcrt.getwch() if msvcrt.kbhit() else ""
        except ImportError:
            typed = os.read(self._in.fileno(), 256) if select.select([self._in], [], [], 0.0)[0] else b""
            return typed.decode("ascii", "replace")

    def pressed(self) -> str:
        """See `Person`."""
        if self._stop or self._open is not None:
            stop, self._stop = self._stop, False
            return "stop" if stop else ""
        key = self.typed().lower()
        return "stop" if STOP in key else "next" if NEXT in key else ""

    def tell(self, text: str) -> None:
        """See `Person`."""
        self._drawn = 0
        self._write(text + "\n")

    def may_start(self, programs: tuple[tuple[str, ...], ...]) -> bool:
        """Show the programs that a bench file starts, and ask."""
        self.tell("bench.toml starts these programs on this machine:")
        for command in programs:
            self.tell("  " + " ".join(command))
        while not (answer := self._ask("Press y if they may be started, n if not: ", {"y": "yes", "n": "no"}, programs)):
            select.select([self._in], [], [], 0.2) if os.name == "posix" else time.sleep(0.2)
        return answer == "yes"

    def _write(self, text: str) -> None:
        self._out.write(text)
        self._out.flush()
