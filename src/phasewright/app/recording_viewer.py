"""A second terminal beside a run that is under way: it shows the run, may answer what is asked, and has the key that stops.

It reads the board and says words on it, as the page does. It may leave, lag or die: the run goes on.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from phasewright.app.recording_board import GONE_S, Seen, look, say
from phasewright.app.recording_run import Recorded
from phasewright.app.recording_scene import RunResult, StepRun
from phasewright.app.recording_terminal import NEXT, STOP, TerminalPerson, asked_text

LOOK_S = 0.25
"""[s] The board is looked at so often."""
QUIT = "q"
KEYS = "[s] STOP, load off now    [n] enough, next step    [q] leave; the run goes on"
ANSWERS = {"before": {"": "go", "k": "skip", "e": "end"}, "switch": {"": "done"}, "programs": {"y": "yes", "n": "no"}}
NOT_OURS = (KeyError, TypeError, ValueError, AttributeError)
"""What a board raises that no run of ours wrote."""


@dataclass(frozen=True, slots=True)
class Attended:
    """What a second terminal saw of a run."""

    recorded: Recorded | None
    """How it went; None = left before its end, or nothing more is known of it."""
    under_way: bool
    """Whether the run went on when it was last seen."""


def attend(folder: Path, terminal: TerminalPerson) -> Attended:
    """Show the run that is under way in `folder` until it ends, falls silent, or is left."""
    seen = look(folder)
    if seen is None:
        return Attended(None, False)
    run, told = str(seen.state["run"]), []
    process = run.partition("-")[0]
    terminal.tell(f"A run of {seen.state['name']} is under way (process {process}). This terminal shows it, and can answer and "
                  "stop it as its own can." + ("" if terminal.live else " There are no keys here: it is shown alone."))
    viewer = _Viewer(folder, terminal, run)
    try:
        while True:
            if seen.state["run"] != run:
                terminal.tell("The run has left its board.")
                return Attended(None, False)
            if seen.lost:
                terminal.tell(f"The run was not heard for {GONE_S:g} s. Its recorder takes the load off by itself; look at the "
                              "terminal where it was begun, or begin again: what was recorded is kept.")
                return Attended(None, False)
            for text in _later(told, seen.state["told"]):
                terminal.tell(text)
            told = list(seen.state["told"])
            if seen.state["state"] == "ended":
                return Attended(result_of(seen.state["result"] or {}), False)
            if viewer.turn(seen):
                terminal.tell("Left; the run goes on.")
                return Attended(None, True)
            time.sleep(LOOK_S)
            # A board that cannot be read for a moment is looked at again; one that stays so has grown old.
            seen = look(folder) or replace(seen, age=seen.age + LOOK_S)
    except KeyboardInterrupt:
        terminal.tell("Left; the run goes on.")
        return Attended(None, True)


class _Viewer:
    def __init__(self, folder: Path, terminal: TerminalPerson, run: str):
        self._folder, self._terminal, self._run = folder, terminal, run
        self._shown: int | None = None
        """Number of the question that stands on the screen."""
        self._moment: object = None

    def turn(self, seen: Seen) -> bool:
        """Show what is new and pass on what was typed; return whether to leave."""
        asked, frame = seen.state["asked"], seen.state["frame"]
        if asked is None:
            self._shown = None
            if frame is not None and frame != self._moment:
                self._moment = frame
                self._show(frame)
        elif asked["number"] != self._shown:
            self._shown = asked["number"]
            self._terminal.tell(_question(asked) + ("" if not self._terminal.live else f"  ({STOP} stops, {QUIT} leaves)"))
        for key in self._terminal.typed().lower():
            if key == QUIT:
                return True
            self._pass_on(key, asked)
        return False

    def _show(self, frame: Mapping[str, Any]) -> None:
        try:
            self._terminal.show_moment(frame, KEYS)
        except NOT_OURS:
            return  # a board that no run of ours wrote is not shown

    def _pass_on(self, key: str, asked: Mapping[str, Any] | None) -> None:
        key = key.strip()
        answers = {} if asked is None else ANSWERS[asked["kind"]]
        if key == STOP:
            self._say("stop")
        elif key in answers and asked is not None:
            self._say(answers[key], asked["number"])
        elif key == NEXT and asked is None:
            self._say("next")

    def _say(self, word: str, to: int | None = None) -> None:
        try:
            say(self._folder, self._run, word, to)
            self._terminal.tell(f"{word}: said to the run")
        except OSError as error:
            self._terminal.tell(f"{word}: it could not be said ({error.strerror or error}); say it at the run's own terminal")


def _question(asked: Mapping[str, Any]) -> str:
    try:
        if asked["kind"] == "before":
            return asked_text(asked) + "\nSet it, then press Enter to go; k skips this step, e ends the run."
        if asked["kind"] == "switch":
            return f"{'Put the load on' if asked['on'] else 'Take the load off'} now ({asked['load']}), then press Enter."
        programs = "\n".join("  " + " ".join(map(str, command)) for command in asked["programs"])
        return f"bench.toml starts these programs on this machine:\n{programs}\nPress y if they may be started, n if not."
    except NOT_OURS:
        return "The run asks something that cannot be shown here; see its own terminal, or the page."


def _later(before: Sequence[str], now: Sequence[str]) -> list[str]:
    """Return what came after `before`; the board keeps the last sentences only."""
    for kept in range(min(len(before), len(now)), 0, -1):
        if list(before[-kept:]) == list(now[:kept]):
            return list(now[kept:])
    return list(now)


def result_of(result: Mapping[str, Any]) -> Recorded | None:
    """Return how a run went as its board tells it; None where it tells nothing that a run of ours would."""
    try:
        steps = [StepRun(str(name), str(outcome), str(why), 0.0) for name, outcome, why in result.get("steps", [])]
        faults = "; ".join(f"{what} - {mend}" for _, what, mend in result.get("faults", []))
        run = RunResult(steps, tuple(map(str, result.get("left", []))), faults or str(result.get("ended", "")))
        return Recorded(run, bool(result.get("complete", False)), tuple(map(str, result.get("done", []))), (),
                        str(result.get("lost", "")))
    except NOT_OURS:
        return None
