"""What recording says in words: whether a record is whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from phasewright.app.recording_files import Verified


def verified_text(found: Verified) -> str:
    """Return one line for what is there, one for each note and loss, and one for the whole."""
    lines = []
    if found.segments:
        lines.append(f"journal: {found.records} records in {_count(found.segments, 'segment')}, "
                     f"{_count(found.sessions, 'session')}")
    lines += [f"note: {text}" for text in found.notes]
    lines += [f"loss: {text}" for text in found.losses]
    if not found.losses:
        lines.append("complete: nothing is lost")
    else:
        left = "what is there can be used" if found.usable else "nothing is left to use"
        lines.append(f"{_count(len(found.losses), 'loss', 'losses')}; {left}")
    return "\n".join(lines)


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"
