"""Foreign text made harmless for each place it is written to.

Names, notes, units and file names come from people and from instruments. They are shown as text everywhere and run
nowhere. HTML is escaped by the template engine; the other places are here.
"""

from __future__ import annotations

import re

from phasewright.bench import escape

LONGEST = 400
"""Characters of one foreign text that are shown."""

_SPACES = ("\u00a0", "\u202f")
"""No-break spaces are harmless, and ours stand between numbers and units."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\0", "＝", "＋", "－", "＠")
_MARKDOWN = re.compile(r"([\\`*_\[\]#|~$@])")
_LINK = re.compile(r"(?i)\b([a-z][a-z0-9+.-]*):(?=\S)")
_LEADING = re.compile(r"^(\s*)([-+>]|\d+[.)](?=\s|$))")


def clean(text: str, limit: int = LONGEST) -> str:
    """Return `text` on one line, cut to `limit`: control, line-breaking and bidirectional characters as escapes."""
    if (text := str(text)).isprintable():
        return escape(text, limit)
    return "".join(
        part if part in _SPACES else escape(part, limit)
        for part in re.split("([\u00a0\u202f])", text[: limit + 1])
    )


def paragraphs(text: str) -> list[str]:
    """Return the paragraphs of a note that a person wrote over several lines, each one cleaned."""
    found, current = [], []
    for line in str(text).replace("\r\n", "\n").split("\n"):
        if line.strip():
            current.append(clean(line.strip(), 2000))
        elif current:
            found.append(" ".join(current))
            current = []
    if current:
        found.append(" ".join(current))
    return found


def markdown_text(text: str) -> str:
    """Return `text` so that a Markdown reader shows it as it is: no link, picture, tag or table cell in it."""
    safe = _MARKDOWN.sub(r"\\\1", clean(text, 2000))
    for mark, entity in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ("{", "&#123;"), ("}", "&#125;")):
        safe = safe.replace(mark, entity)
    safe = _LINK.sub(r"\1\\:", safe)
    safe = re.sub(r"(?i)\bwww\.", r"www\\.", safe)
    return _LEADING.sub(
        lambda found: (
            found[1] + "\\" + found[2] if not found[2][0].isdigit() else found[1] + found[2][:-1] + "\\" + found[2][-1]
        ),
        safe,
    )


def csv_text(text: str) -> str:
    """Return `text` for a CSV field: a quote goes before anything that a spreadsheet would take for a formula.

    Numbers never come this way: they are written bare, so -1.5 stays a number.
    """
    raw = str(text)
    shown = clean(raw, 2000)
    if raw.lstrip(" ").startswith(_FORMULA_STARTS):
        return "'" + shown
    return shown


def slug(text: str) -> str:
    """Return `text` as a short name made of a-z, 0-9 and hyphens, for our own file names and anchors."""
    return re.sub(r"[^a-z0-9]+", "-", str(text).lower()).strip("-")[:40] or "x"
