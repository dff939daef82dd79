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
from typing import TextIO

from phasewright.app.recording import Asked, Frame, Line
from phasewright.bench import CHANNELS
from phasewright.plan import plan_rows
from phasewright.quantity import to_text

STOP, NEXT = "s", "n"
KEYS = "[s] STOP, load off now    [n] enough, next step"
PHASES = {"asking": "waiting for you", "idle": "at idle", "load": "load on", "cool-down": "load off, cooling down",
          "learning": "load off, making the plan anew"}
PLAIN_EVERY = 15.0
"""[s] Without a terminal a line is printed so often."""
SETTINGS = (
    ("phase_count", "phases", ""), ("protection_phase_current", "over-current protection of a phase", "A"),
    ("protection_total_current", "over-current protection of the regulator", "A"),
    ("protection_temperature_warning", "temperature warning", "°C"),
    ("protection_temperature_trip", "over-temperature protection", "°C"), ("power_limit", "package power limit", "W"),
    ("rail_voltage", "rail voltage", "V"), ("switching_frequency", "switching frequency", "Hz"),
    ("load_line", "load line", "Ohm"), ("fan_duty", "fan duty", "%"), ("pump_duty", "pump duty", "%"),
    ("coolant_temperature", "coolant temperature", "°C"), ("cooling", "cooling", ""),
)  # fmt: skip


def duration(seconds: float) -> str:
    """Return a time as people read it."""
    minutes, rest = divmod(max(round(seconds), 0), 60)
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def by_hand(settings: Mapping[str, float | str]) -> tuple[tuple[str, str], ...]:
    """Return (what, to what) of every setting that a person makes by hand."""
    found = []
    for key, title, unit in SETTINGS:
        if key in settings:
            value = settings[key]
            shown = value if isinstance(value, str) else f"{100.0 * value if unit == '%' else value:g} {unit}".strip()
            found.append((title, shown))
    return tuple(found)


def before_text(asked: Asked) -> str:
    """Return what a person has to know and to do before a step."""
    item, command = asked.planned, asked.command
    forecast, settings = item.forecast, item.forecast.step.settings
    row = plan_rows([item])[0].cells()
    wanted = [f"{title}: {shown}" for title, shown in by_hand(settings)]
    lines = ["", f"Step {asked.number} of {asked.count}: {item.name}   ({forecast.verdict})",
             "  Set by hand   " + "; ".join(wanted or ["nothing: as the bench stands"]),
             f"  Foreseen      hottest stage {row[4]} °C, {row[3]} A a phase, chance to trip {row[5]}"]
    lines += [f"                {reason}" for reason in forecast.reasons[:2] if forecast.verdict != "go"]
    lines.append(f"  Hold for      up to {duration(1.5 * item.dwell)}; it ends by itself once it is settled or decided")
    lines.append(f"  Ends at       {row[7] or 'nothing stated'}")
    if command:
        lines.append(f"  Load          is started and ended for you: {' '.join(command)}")
    else:
        lines.append(f"  Load          {settings.get('load', 'yours')}: you put it on and take it off, when asked")
    lines += [f"  {'The plan' if index == 0 else '':<14}{text}" for index, text in enumerate(asked.advice)]
    return "\n".join(lines)


def line_text(line: Line) -> str:
    """Return one channel: value with interval, and how far it is from where the step ends."""
    base = CHANNELS[line.channel.partition(".")[0]]
    unit = {"degC": "°C", "1": ""}.get(base.unit, base.unit)
    if line.value is None or (line.trouble and line.age > 3.0):
        age = "" if math.isinf(line.age) else f" for {duration(line.age)}"
        return f"  {line.title:<24} no reading{age}" + (f": {line.trouble[:60]}" if line.trouble else "")
    shown = to_text(line.value)
    margin = ""
    if line.margin is not None and line.bound is not None:
        step = "K" if base.unit == "degC" else unit
        side = "below" if line.margin >= 0 else "ABOVE"
        margin = f"{abs(line.margin):.3g} {step} {side} its end at {line.bound:.4g} {unit}"
    return f"  {line.title:<24} {shown:<22} {margin}".rstrip()


def frame_lines(frame: Frame, width: int = 110) -> list[str]:
    """Return a moment as lines of at most `width` characters; the key that stops is always the last."""
    planned = f", planned {duration(frame.planned)}" if frame.planned > 1.0 else ""
    lines = [f"Step {frame.number} of {frame.count}: {frame.step} - {PHASES[frame.phase]} for {duration(frame.elapsed)}"
             + planned]
    lines += [line_text(line) for line in frame.lines]
    if frame.phase == "load":
        if frame.remaining is None:
            lines.append("  Settling                 not judged yet")
        else:
            wait = f", about {duration(frame.to_settle)} more" if frame.to_settle else ""
            lines.append(f"  Settling                 at most {frame.remaining:.1f} K may still come (settled below "
                         f"{frame.bound:g} K){wait}")
    lines += [f"  {text}" for text in frame.said]
    if frame.alarm:
        lines.append(f"  DISK: {frame.alarm}; readings are kept in memory")
    lines.append(KEYS)
    return [line[:width] for line in lines]


class TerminalPerson:
    """A person at a terminal; without one, plain lines and answers line by line."""

    def __init__(self, out: TextIO | None = None, source: TextIO | None = None):
        self._out, self._in = out or sys.stdout, source or sys.stdin
        self._live = self._out.isatty() and self._in.isatty()
        self._drawn = 0
        self._printed = -math.inf
        self._phase = ("", "")
        self._open: object = None
        """What was asked and is not answered."""
        self._stop = False

    @contextmanager
    def at_the_keys(self) -> Iterator[None]:
        """Let single keys through while the table lives."""
        if not self._live:
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
            self.tell(before_text(asked))
        answers = {"": "go", "k": "skip", "e": "end", STOP: "end"}
        return self._ask("Set it, then press Enter to go; k skips this step, e ends the run: ", answers, asked)

    def switch(self, on: bool, load: str) -> bool:
        """See `Person`."""
        text = f"{'Put the load on' if on else 'Take the load off'} now ({load}), then press Enter: "
        return bool(self._ask(text, {"": "done"}, (on, load)))

    def _ask(self, text: str, answers: dict[str, str], about: object) -> str:
        """Ask, once for each `about`; return '' while nobody has answered, where single keys are to be had."""
        while True:
            if self._open is not about or not self._live:
                self._write(text)
                self._open = about
            if self._live and not self._waiting():
                return ""
            line = self._key() if self._live else self._in.readline()
            if line == "" and not self._live:
                return "end"  # nobody is there to answer
            found = answers.get(line.strip().lower())
            if self._live:
                self._write("\n")
            if found is not None:
                self._open = None
                return found
            if line.strip().lower() == STOP and self._live:
                self._stop, self._open = True, None
                return ""
            if self._live:
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
        if frame.phase == "asking":
            return  # the question stands there
        if self._live:
            width = shutil.get_terminal_size().columns
            lines = frame_lines(frame, max(width - 1, 40))
            if self._phase != (frame.step, frame.phase):
                self._phase, self._drawn = (frame.step, frame.phase), 0
            up = f"\x1b[{self._drawn}A" if self._drawn else ""
            self._write(up + "".join(f"\x1b[2K{line}\n" for line in lines) + "\x1b[J")
            self._drawn = len(lines)
            return
        if self._phase != (frame.step, frame.phase) or frame.elapsed - self._printed >= PLAIN_EVERY:
            self._phase, self._printed = (frame.step, frame.phase), frame.elapsed
            shown = "; ".join(line_text(line).split("  ")[1].strip() + " " + to_text(line.value)
                              for line in frame.lines[:4] if line.value is not None)
            self._write(f"{frame.step}: {frame.phase} {duration(frame.elapsed)}; {shown}\n")

    def pressed(self) -> str:
        """See `Person`."""
        if self._stop or self._open is not None or not self._live:
            stop, self._stop = self._stop, False
            return "stop" if stop else ""
        try:
            import msvcrt

            key = msvcrt.getwch() if msvcrt.kbhit() else ""
        except ImportError:
            typed = os.read(self._in.fileno(), 256) if select.select([self._in], [], [], 0.0)[0] else b""
            key = typed.decode("ascii", "replace")
        return "stop" if STOP in key.lower() else "next" if NEXT in key.lower() else ""

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
