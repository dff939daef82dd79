"""What is wrong with a file that a person wrote or brought, and the mend."""

from __future__ import annotations

from dataclasses import dataclass


def escape(text: str, limit: int = 80) -> str:
    """Return `text` cut to `limit` characters with control and bidirectional characters shown as escapes."""
    if text.isprintable():  # nothing of either kind is; nearly every text is plain
        return text if len(text) <= limit else text[:limit] + "..."
    shown = []
    for ch in text[:limit]:
        code = ord(ch)
        if ch.isprintable() and not 0x202A <= code <= 0x202E and not 0x2066 <= code <= 0x2069:
            shown.append(ch)
        else:
            shown.append(ch.encode("unicode_escape").decode("ascii"))
    if len(text) > limit:
        shown.append("...")
    return "".join(shown)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: where it is, what is wrong (with the value), and how to mend it."""

    file: str
    what: str
    mend: str
    line: int | None = None
    column: int | None = None
    path: str = ""
    """Place inside the file in words, e.g. ``regulator.stage.current_rating``."""

    def __str__(self) -> str:
        place = escape(self.file, 255)
        if self.line is not None:
            place += f":{self.line}"
            if self.column is not None:
                place += f":{self.column}"
        path = f"{self.path}: " if self.path else ""
        return f"{place} {path}{self.what} - {self.mend}"


class PhasewrightError(Exception):
    """Base of the errors that a caller can answer; carries every fault found, not the first."""

    def __init__(self, faults: list[Fault] | tuple[Fault, ...] | Fault):
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class BenchFault(PhasewrightError):
    """The bench or campaign file is refused."""


class LogFault(PhasewrightError):
    """A log file is refused, or logs cannot be put together."""


class NotReady(PhasewrightError):
    """What was asked for needs something that is not there yet."""
