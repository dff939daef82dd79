"""The board on which a run shows where it stands, and takes words: the page, or another terminal, reads and says them here.

Two files in ``derived/live/``: ``now.json`` is replaced whole, so a reader sees one moment or the next; ``words.txt`` grows
by a line for each word. Readers may come, lag and die as they like: nothing waits for them. A word counts for the run that
it names, and an answer for the question that it names, so that one that comes late never answers another question.
"""

from __future__ import annotations

import json
import os
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from phasewright.app.recording_scene import Asked, Frame, Person
from phasewright.app.recording_words import asked_of, moment_of
from phasewright.live import MachineClock, hold_folder

PLACE = Path("derived") / "live"
NOW, WORDS = "now.json", "words.txt"
FORMAT = "phasewright-live-1"
SHOW_S = 0.5
"""[s] A moment is put on the board so often."""
GONE_S = 5.0
"""[s] A run that was not heard for so long is not under way."""
TRACED, BUCKETS, TOLD, LONGEST_WORDS = 6, 240, 40, 1 << 20
"""Channels with their course on the board, points of each, sentences kept, bytes of words that are read."""
WORDS_OF = {"before": ("go", "skip", "end"), "switch": ("done",), "programs": ("yes", "no")}
"""What may be answered to each kind of question."""
ALWAYS = ("stop", "next")


class Board:
    """The run's end of the board. A disk that takes nothing costs the show, never the run."""

    def __init__(self, folder: Path, name: str):
        """Take the board; NotReady when another run is under way in the folder."""
        self._place, self._clock = folder / PLACE, MachineClock()
        self._lock: int | None = hold_folder(self._place, "run")
        self.run = f"{os.getpid()}-{self._clock.monotonic_ns()}"
        self._state: dict[str, Any] = {
            "format": FORMAT, "run": self.run, "name": name, "simulated": False, "state": "running", "asked": None,
            "frame": None, "told": [], "steps": [], "left": [], "result": None}
        self._told: deque[str] = deque(maxlen=TOLD)
        self._framed = -SHOW_S
        self._number = 0
        self._read = 0
        self._pressed: deque[str] = deque()
        self._answers: dict[int, str] = {}
        try:
            (self._place / WORDS).write_bytes(b"")
        except OSError:
            self._read = -1  # nobody can say anything here; the terminal still can
        self.put()

    def put(self, **changes: object) -> None:
        """Change what stands on the board."""
        self._state |= changes
        self._state["at_ns"] = self._clock.monotonic_ns()
        part = self._place / f".{NOW}.part"
        try:
            part.write_text(json.dumps(self._state), encoding="utf-8")
            part.replace(self._place / NOW)
        except OSError:
            return

    def show(self, frame: Frame) -> None:
        """Put a moment on the board, unless another was put there just now."""
        now = self._clock.monotonic_ns() * 1e-9
        if now - self._framed >= SHOW_S:
            self._framed = now
            self.put(frame=frame_json(frame))

    def tell(self, text: str) -> None:
        """Put a sentence on the board that stays."""
        self._told.append(text.strip())
        self.put(told=list(self._told))

    def ask(self, kind: str, **given: object) -> int:
        """Put a question on the board and return its number."""
        self._number += 1
        self.put(asked={"number": self._number, "kind": kind, **given})
        return self._number

    def answer(self, number: int) -> str:
        """Return the answer to a question, '' while there is none; an answered question is taken off."""
        self._listen()
        found = self._answers.pop(number, "")
        if found:
            self.put(asked=None)
        return found

    def unask(self) -> None:
        """Take the question off: it was answered elsewhere."""
        self.put(asked=None)

    def pressed(self) -> str:
        """Return stop | next | '' without waiting; stop goes first."""
        self._listen()
        if "stop" in self._pressed:
            self._pressed.clear()
            return "stop"
        return self._pressed.popleft() if self._pressed else ""

    def close(self, result: Mapping[str, object]) -> None:
        """Say how the run went, and leave the board."""
        self.put(state="ended", asked=None, result=dict(result))
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def _listen(self) -> None:
        if self._read < 0:
            return
        try:
            with (self._place / WORDS).open("rb") as file:
                file.seek(self._read)
                data = file.read(LONGEST_WORDS)
        except OSError:
            return
        whole = data[: data.rfind(b"\n") + 1]
        self._read += len(whole)
        for line in whole.splitlines():
            try:
                word = json.loads(line)
                run, said, number = word["run"], word["say"], word.get("to")
            except (ValueError, KeyError, TypeError, AttributeError):
                continue
            if run != self.run:
                continue
            asked = self._state["asked"]
            if said in ALWAYS:
                self._pressed.append(said)
            elif asked is not None and number == asked["number"] and said in WORDS_OF[asked["kind"]]:
                self._answers[number] = said


# ---- the readers' side ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Seen:
    """What stands on a board, and how old that is."""

    state: Mapping[str, Any]
    age: float
    """[s]"""

    @property
    def under_way(self) -> bool:
        """Whether the run goes on, as far as can be seen."""
        return self.state["state"] == "running" and self.age < GONE_S

    @property
    def lost(self) -> bool:
        """Whether it neither ended nor goes on."""
        return self.state["state"] == "running" and not self.under_way


def look(folder: Path) -> Seen | None:
    """Return what stands on a campaign's board; None when nothing that can be read does."""
    try:
        state = json.loads((folder / PLACE / NOW).read_text(encoding="utf-8"))
        if not _is_sound(state):
            return None
        # Since another start of the machine its clock has begun anew, and what stands there is old.
        age = (MachineClock().monotonic_ns() - int(state["at_ns"])) * 1e-9
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return Seen(state, age if age >= 0.0 else float("inf"))


def under_way(folder: Path) -> Seen | None:
    """Return the board of the run that is under way in a campaign's folder; None when none is."""
    seen = look(folder)
    return seen if seen is not None and seen.under_way else None


def _is_sound(state: Any) -> bool:
    """Whether the board is as a run of ours leaves it: it lies in a folder that may come from anywhere."""
    asked, frame, result = state["asked"], state["frame"], state["result"]
    return bool(
        state["format"] == FORMAT and isinstance(state["run"], str) and state["state"] in ("running", "ended")
        and (asked is None or (asked["kind"] in WORDS_OF and isinstance(asked["number"], int)))
        and (frame is None or (isinstance(frame["lines"], list) and isinstance(frame["said"], list)))
        and (result is None or isinstance(result, dict))
        and all(isinstance(text, str) for key in ("told", "left") for text in state[key])
        and all(len(step) == 3 for step in state["steps"])
    )  # fmt: skip


def say(folder: Path, run: str, word: str, to: int | None = None) -> None:
    """Say a word to the run; OSError when it cannot be written. Whether it counts, the run decides."""
    line = json.dumps({"run": run, "to": to, "say": word}) + "\n"
    handle = os.open(folder / PLACE / WORDS, os.O_WRONLY | os.O_APPEND)
    try:
        os.write(handle, line.encode("ascii"))
    finally:
        os.close(handle)


# ---- a person who sits at the board, and perhaps at a terminal too ----------------------------------------------------


class BoardPerson:
    """Whoever answers first, at the board or at the terminal `inner`; see `Person`."""

    def __init__(self, board: Board, inner: Person | None = None):
        self.board, self._inner = board, inner
        self._about: object = None
        self._number = 0

    def before(self, asked: Asked) -> str:
        """See `Person`."""
        if self._about is not asked:
            self._about = asked
            steps = [[item.name, item.outcome, item.why] for item in asked.ran]
            self.board.put(steps=steps, left=list(asked.left))
            self._number = self.board.ask("before", **asked_of(asked))
        return self._heard(lambda inner: inner.before(asked))

    def switch(self, on: bool, load: str) -> bool:
        """See `Person`."""
        if self._about != (on, load):
            self._about = (on, load)
            self._number = self.board.ask("switch", on=on, load=load)
        return bool(self._heard(lambda inner: "done" if inner.switch(on, load) else ""))

    def _heard(self, ask: Callable[[Person], str]) -> str:
        answer = self.board.answer(self._number)
        if answer and self._inner is not None:
            self._inner.tell(f"{answer} (said elsewhere)")
        elif self._inner is not None and (answer := ask(self._inner)):
            self.board.unask()
        if answer:
            self._about = None
        return answer

    def may_start(self, programs: tuple[tuple[str, ...], ...]) -> bool:
        """Ask on the board whether these programs may be started, and wait for the answer."""
        number = self.board.ask("programs", programs=[list(command) for command in programs])
        clock = MachineClock()
        while not (answer := self.board.answer(number)):
            if self.board.pressed() == "stop":
                return False
            clock.sleep(0.2)
            self.board.put()
        return answer == "yes"

    def show(self, frame: Frame) -> None:
        """See `Person`."""
        if self._inner is not None:
            self._inner.show(frame)
        self.board.show(frame)

    def pressed(self) -> str:
        """See `Person`."""
        said = "" if self._inner is None else self._inner.pressed()
        return said or self.board.pressed()

    def tell(self, text: str) -> None:
        """See `Person`."""
        if self._inner is not None:
            self._inner.tell(text)
        self.board.tell(text)


def frame_json(frame: Frame) -> dict[str, Any]:
    """Return a moment as JSON-safe values: its words, and the course of the first channels."""
    moment = moment_of(frame)
    for line in moment["lines"][:TRACED]:
        line["course"] = frame.history(line["channel"], BUCKETS)
    return moment
