"""What every command shares: exit codes, options, a line of progress, faults told one a line."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

DONE, BAD_INPUT, WITH_LOSSES, NOT_USABLE = 0, 2, 3, 4
"""Exit codes, the same for every command."""

CAUTION = (
    "Phasewright is no safety function. Data sheets, makers' instructions, local rules and qualified people come first."
)


_PLAIN = {
    "\N{MINUS SIGN}": "-", "\N{LEFT DOUBLE QUOTATION MARK}": '"', "\N{RIGHT DOUBLE QUOTATION MARK}": '"',
    "\N{LEFT SINGLE QUOTATION MARK}": "'", "\N{RIGHT SINGLE QUOTATION MARK}": "'", "\N{HORIZONTAL ELLIPSIS}": "...",
    "\N{PLUS-MINUS SIGN}": "+-", "\N{DEGREE SIGN}": " deg ", "\N{LESS-THAN OR EQUAL TO}": "<=",
    "\N{GREATER-THAN OR EQUAL TO}": ">=", "\N{MULTIPLICATION SIGN}": "x", "\N{MIDDLE DOT}": "*", "\N{EN DASH}": "-",
    "\N{MICRO SIGN}": "u", "\N{GREEK SMALL LETTER MU}": "u", "\N{GREEK CAPITAL LETTER OMEGA}": "Ohm",
    "\N{NARROW NO-BREAK SPACE}": " ", "\N{NO-BREAK SPACE}": " ", "\N{SUPERSCRIPT TWO}": "2", "\N{SUPERSCRIPT THREE}": "3",
    "\N{ALMOST EQUAL TO}": "~", "\N{RIGHTWARDS ARROW}": "->", "\N{SQUARE ROOT}": "sqrt", "\N{GREEK SMALL LETTER TAU}": "tau",
}  # fmt: skip
"""What stands for a sign of ours on a terminal whose encoding lacks it."""


def plain_signs() -> str:
    """Return the name of the rule for signs that a stream cannot encode: the nearest plain ones, else their numbers."""
    import codecs

    def plain(error: UnicodeError) -> tuple[str | bytes, int]:
        if not isinstance(error, UnicodeEncodeError):
            raise error
        signs = error.object[error.start : error.end]
        return "".join(
            _PLAIN.get(sign) or sign.encode("ascii", "backslashreplace").decode("ascii") for sign in signs
        ), error.end

    codecs.register_error("phasewright-plain", plain)
    return "phasewright-plain"


class ProgressLine:
    """A line on standard error that appears once a job has taken a second, and then tells what is being done."""

    def __init__(self, stream: Any = None, *, interval: float | None = None):
        self._stream = stream or sys.stderr
        self._live = self._stream.isatty()
        self._interval = interval if interval is not None else (0.1 if self._live else 2.0)
        self._started = self._last = time.monotonic()
        self._width = 0

    def __call__(self, fraction: float, text: str) -> None:
        now = time.monotonic()
        if now - self._started < 1.0 or now - self._last < self._interval:
            return
        from phasewright.bench import escape

        self._last = now
        # Names come from files: nothing in them may begin a line of its own, or wrap the one that is written over.
        ends = " (Ctrl-C ends it)" if now - self._started > 10.0 else ""
        line = f"{round(100 * fraction):3d} %  {escape(text, 68 - len(ends))}{ends}"
        if self._live:
            self._stream.write("\r" + line.ljust(self._width))
            self._width = len(line)
        else:
            self._stream.write(line + "\n")
        self._stream.flush()

    def close(self) -> None:
        """Wipe the line, so that the result stands alone."""
        if self._live and self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()


@contextmanager
def job(ctx: click.Context) -> Iterator[ProgressLine]:
    """Run one job with a progress line; faults are printed one a line and end in exit code 2 or 4."""
    from phasewright.bench import NotReady, PhasewrightError

    progress = ProgressLine()
    try:
        yield progress
    except PhasewrightError as error:
        progress.close()
        for fault in error.faults:
            click.echo(str(fault), err=True)
        count = len(error.faults)
        click.echo(f"{count} fault{'s' if count != 1 else ''}; nothing was written.", err=True)
        ctx.exit(NOT_USABLE if isinstance(error, NotReady) else BAD_INPUT)
    finally:
        progress.close()


FOLDER = click.argument("folder", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
STRICT = click.option("--strict", is_flag=True, help="Refuse a log that needs repair instead of repairing it.")


def exit_code(analysis: Any) -> int:
    from phasewright.app import jobs

    if not any(step.quantities for step in analysis.steps):
        return NOT_USABLE
    return WITH_LOSSES if jobs.losses(analysis) else DONE


def finite(thing: Any) -> Any:
    """Return data with None for every number that is not finite."""
    if isinstance(thing, dict):
        return {key: finite(item) for key, item in thing.items() if key != "parts"}
    if isinstance(thing, list | tuple):
        return [finite(item) for item in thing]
    return None if isinstance(thing, float) and not -1e308 < thing < 1e308 else thing


def print_json(thing: Any) -> None:
    import json

    click.echo(json.dumps(thing, indent=1, ensure_ascii=False, allow_nan=False, default=str))


def print_analysis(analysis: Any) -> None:
    from phasewright.report import answers_text, results_table

    click.echo(results_table(analysis))
    click.echo()
    click.echo(answers_text(analysis))


def print_next(folder: Path, wants: tuple[str, ...], command: str) -> None:
    """Print what the figures lack most, then the next command."""
    import textwrap

    if not wants:
        click.echo(f"\nNext: {command}")
        return
    click.echo("\nNext")
    for number, want in enumerate((*wants, command), start=1):
        click.echo(textwrap.fill(want, 80, initial_indent=f"  {number}. ", subsequent_indent="     ",
                                 break_long_words=False, break_on_hyphens=False))


def show_page(page: Path) -> None:
    """Open `page` where there is a screen to show it on; a terminal without one is left alone."""
    import os
    import webbrowser

    has_screen = sys.platform in ("win32", "darwin") or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if has_screen:
        webbrowser.open(page.resolve().as_uri())
