"""What a library says, as text for the terminal."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from phasewright.app.library import Answered

MOST_UNUSED, MOST_OFFERS = 8, 12


def library_text(found: Answered, folder: Path) -> str:
    """Return the answer of a library for an 80-column terminal."""
    from phasewright.report import library_offers_text, library_setting_text, setting_name

    question = found.question
    told = f"{found.campaigns} campaigns below {folder}, {found.matching} of them analyzed and fitting the question"
    lines = [*textwrap.wrap(told, 80), ""]
    for setting in found.settings:
        name = setting_name(setting.phase_count, setting.load_name, setting.load)
        lines += [library_setting_text(setting.found, name), ""]
    if not found.settings:
        why = _why_nothing(found)
        lines += [*textwrap.wrap(why, 80), ""]
    offers = found.offers if len(found.offers) > len(found.settings) else ()
    if offers and not (question.phases and question.load_name and found.settings):
        lines.append("Settings held in these campaigns; ask with --phases and --load:")
        shown = [(setting_name(o.phase_count, o.load_name, o.load), o.steps) for o in offers[:MOST_OFFERS]]
        lines += [library_offers_text(shown), ""]
    if found.unused:
        lines.append(f"{len(found.unused)} say nothing:")
        for name, state, why in found.unused[:MOST_UNUSED]:
            lines += textwrap.wrap(f"{name}: {state}; {why}", 80, initial_indent="  ", subsequent_indent="    ")
        lines.append("")
    if found.settings:
        lines += textwrap.wrap(
            "Real: more than the uncertainty explains; all differences of a setting are tested together, with a 5 % chance "
            "that any is called real though none is (Holm). Stated errors do not average out within a group.", 80,
        )  # fmt: skip
    return "\n".join(lines).rstrip() + "\n"


def _why_nothing(found: Answered) -> str:
    question = found.question
    name = question.quantity.replace("_", " ")
    if not found.campaigns:
        return "There is no campaign below this folder: phasewright demo, or phasewright new, makes one."
    if not found.matching:
        return "No analyzed campaign fits: leave out a condition, or run phasewright analyze on those below."
    if not found.offers:
        return f"None of them has held this setting with a known phase count and load; {name} cannot be compared."
    return f"No setting has been held by two of them with a known {name}."
