"""Header lines: which cells are names, which are units, and what a person should know of the names."""

from __future__ import annotations

import re
import unicodedata

from phasewright.bench import escape
from phasewright.quantity import unit_symbol

from .._names import (
    ANSI,
    INVISIBLE,
    clean_name,
    column_position,
    known_base,
    measures,
    skeleton,
    split_unit,
    split_words,
)
from ._numbers import is_missing, is_numberlike

__all__ = [
    "clean_name",
    "column_position",
    "is_name",
    "known_base",
    "measures",
    "name_notes",
    "skeleton",
    "split_unit",
    "split_words",
    "unit_in_cell",
]

_STAMP = re.compile(r"\d{1,4}[-/.:]\d{1,2}[-/.:]\d")
_UNIT_WORDS = frozenset(
    ("-", "--", "", "[]", "[-]", "()", "hh:mm:ss", "hh:mm:ss.sss", "hh:mm:ss.fff", "yyyy-mm-dd", "dd.mm.yyyy", "text",
     "n/a", "none", "bool", "string", "datetime", "date", "iso", "iso8601", "utc", "local", "h:m:s", "hms",
     "yyyy/mm/dd", "hh:mm", "yyyy-mm-dd hh:mm:ss", "dd/mm/yyyy", "mm/dd/yyyy")
)  # fmt: skip


_TIME_FORM = re.compile(r"[ymdhsftz :./,'-]+")
"""How stamps are written, as instruments say it in a row of units: hh:mm:ss,fff, dd.mm.yy."""


def unit_in_cell(text: str) -> str | None:
    """Return the unit that a cell of a unit row states, '' for the signs that stand for none; None if it is no unit."""
    text = clean_name(text).strip("[](){}<> ")
    if text.casefold() in _UNIT_WORDS:
        return ""
    unit = unit_symbol(text)
    if unit is None and re.search("hh|dd|yy|mm:ss", low := text.casefold()) and _TIME_FORM.fullmatch(low):
        return ""
    return unit


def is_name(text: str) -> bool:
    """Return True when a cell can be a column's name: it holds a letter and is neither number, stamp nor missing."""
    if not any(map(str.isalpha, text)):
        return False
    if text[:1] in "0123456789+-." and (_STAMP.match(text) or is_numberlike(text)):
        return False
    text = clean_name(text)
    if not any(ch.isalpha() for ch in text) or is_missing(text):
        return False
    return not is_numberlike(text) and _STAMP.match(text) is None


def name_notes(names: list[str], raw: list[str]) -> list[str]:
    """Return what a person should know of a header: names alike, marks removed. Names are shown escaped."""
    notes = []
    seen: dict[str, str] = {}
    folded: dict[str, str] = {}
    for name in names:
        key = skeleton(name)
        if key in seen and seen[key] != name:
            if "".join(seen[key].casefold().split()) == "".join(name.casefold().split()):
                notes.append(f"names differ only in case or spaces: {escape(seen[key])!r}, {escape(name)!r}")
            else:
                notes.append(f"names look the same but are not: {ascii(seen[key])}, {ascii(name)}")
        else:
            plain = "".join(name.casefold().split())
            if plain in folded and folded[plain] != name:
                notes.append(f"names differ only in case or spaces: {escape(folded[plain])!r}, {escape(name)!r}")
            folded.setdefault(plain, name)
        seen.setdefault(key, name)
    for text in raw:
        if ANSI.search(text):
            notes.append(f"terminal codes in a column name: {escape(text)}")
        if any(0x202A <= ord(ch) <= 0x202E or 0x2066 <= ord(ch) <= 0x2069 for ch in text):
            notes.append(f"marks that turn the writing direction in a column name: {escape(text)}")
        if any(ch in INVISIBLE for ch in text):
            notes.append(f"invisible or no-break space in a column name: {ascii(text)}")
        if unicodedata.normalize("NFC", text) != text:
            notes.append(f"decomposed letters in a column name, composed for matching: {escape(text)}")
    return notes
