"""What recording says in words: how a run went, and whether a record is whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from phasewright.app.recording_files import Verified
    from phasewright.app.recording_run import Recorded


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


def recorded_text(recorded: Recorded, folder: Path) -> str:
    """Return how a run went, step by step, and what to do next."""
    lines = [""]
    lines += [f"{item.name}: {item.outcome} - {item.why}" for item in recorded.run.steps]
    if recorded.run.ended:
        lines.append(f"The run ended before its plan: {recorded.run.ended}")
    if recorded.lost:
        lines.append(recorded.lost)
    if recorded.run.left:
        lines.append(f"Not run yet: {', '.join(recorded.run.left)}. Go on with: phasewright record {folder}")
    whole = "all of it is on the disk" if recorded.complete else "not all of it is sure to be on the disk"
    lines.append(f"{_count(len(recorded.done), 'step')} recorded; {whole}.")
    lines.append(f"\nNext: phasewright verify {folder}\n      phasewright analyze {folder}")
    return "\n".join(lines)


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"
