"""What a sample of split lines shows: how well a separator fits, which rows are data, names or units."""

from __future__ import annotations

import re
from collections import Counter

from . import _header as header
from . import _numbers as numbers
from ._cells import WIDE, WORDS, cell_class

_BEYOND_NUMBERS = re.compile(r"[^0-9.,+\-\s]")
PREAMBLE = 40
"""Most lines that stand before a header."""


def comma_fraction(data, width: int) -> int:
    """Return the field that is a time whose fraction stands in the next field in (nearly) all rows; -1 if none."""
    rows = [cells for _, cells in data if len(cells) == width]
    for i in range(width - 1):
        fits = sum(
            bool(re.search(r"\d{1,2}:[0-5]\d:[0-5]\d$", cells[i].strip()) and re.fullmatch(r"\d{1,9}", cells[i + 1]))
            for cells in rows
        )
        if rows and fits >= 0.9 * len(rows):
            return i
    return -1


def score(rows, delimiter: str) -> float:
    """Return how well a separator makes a table of the sample, 0 to 1."""
    counts = Counter(len(cells) for _, cells in rows if len(cells) > 1)
    if not counts:
        return 0.0
    body = rows[PREAMBLE:] if len(rows) > 2 * PREAMBLE else rows
    counts = Counter(len(cells) for _, cells in body if len(cells) > 1)
    if not counts:
        return 0.0
    width, hits = max(counts.items(), key=lambda item: (item[1], item[0]))
    share = hits / max(len(body), 1)
    good = total = 0.0
    blank = delimiter in (WORDS, WIDE)
    others = [mark for mark in ("\t", ";", "|") if mark != delimiter and not (blank and mark == "\t")]
    chosen = [cells for _, cells in body if len(cells) == width]
    for cells in chosen[:: max(1, len(chosen) // 60)]:
        for cell in cells:
            total += 1
            kind = cell_class(cell)
            if any(mark in cell for mark in others) or (blank and "," in cell and kind == "stamp"):
                continue
            good += {"number": 1.0, "stamp": 1.0, "missing": 0.8, "text": 0.35}[kind]
    quality = good / total if total else 0.0
    head = next((cells for _, cells in rows if abs(len(cells) - width) <= 1 and is_header(cells)), None)
    named = head is not None and not (blank and any("," in cell or ";" in cell for cell in head))
    return share * quality * (1.0 if named else 0.6) * (0.95 if blank else 1.0)


def data_width(rows) -> tuple[int, bool]:
    """Return (number of fields of most data rows, True when their last field is empty in all of them)."""
    dataish = [cells for _, cells in rows if len(cells) > 1 and not is_header(cells) and not is_unit_row(cells)]
    pool = dataish or [cells for _, cells in rows]
    counts = Counter(len(cells) for cells in pool)
    width = max(counts.items(), key=lambda item: (item[1], item[0]))[0]
    trailing = all(not cells[-1].strip() for cells in pool if len(cells) == width)
    return width, trailing


def kinds(rows, width: int) -> list[str]:
    """Return number | text | stamp for every field, by the majority of the later half of the sample."""
    body = [cells for _, cells in rows if abs(len(cells) - width) <= 1 and not is_header(cells)]
    body = body[len(body) // 2 :] if len(body) > 2 * PREAMBLE else body
    kinds = []
    for i in range(width):
        counts = Counter(cell_class(cells[i]) for cells in body if len(cells) > i)
        counts.pop("missing", None)
        kinds.append(counts.most_common(1)[0][0] if counts else "number")
    return kinds


def fits(cells: list[str], width: int, kinds: list[str]) -> bool:
    """Return True when a row looks like the data: right number of fields, right kinds."""
    if abs(len(cells) - width) > 1 or len(cells) < min(width, 2) or is_header(cells) or is_unit_row(cells):
        return False
    hits = total = 0
    for cell, kind in zip(cells, kinds, strict=False):
        found = cell_class(cell)
        if kind == "text" or found == "missing":
            continue
        total += 1
        hits += found == kind
    return total > 0 and hits >= 0.6 * total


def is_unit_row(cells: list[str]) -> bool:
    """Return True when every cell holds a unit or nothing, and at least one a known unit."""
    if any(cell_class(cell) in ("number", "stamp") for cell in cells if cell.strip()):
        return False
    found = [header.unit_in_cell(cell) for cell in cells]
    return all(unit is not None for unit in found) and any(found)


def is_header(cells: list[str]) -> bool:
    """Return True when a row holds names: two or more fields, no numbers, letters in most."""
    if len(cells) < 2:
        return False
    figures, most = 0, 0.2 * len(cells)
    for cell in cells:
        if cell_class(cell) in ("number", "stamp"):
            figures += 1
            if figures > most:
                # A row of data, as nearly all are: no more of it is looked at.
                return False
    filled = [cell for cell in cells if cell.strip()]
    if not filled or figures > 0.2 * len(filled):
        return False
    names = sum(header.is_name(cell) for cell in filled)
    return names >= max(1, 0.6 * len(filled)) and figures == 0 or (names >= 2 and figures <= 0.2 * len(filled))


def cell_units(column: list[str]) -> tuple[bool, str]:
    """Return (True when cells carry units throughout, the commonest unit)."""
    if not _BEYOND_NUMBERS.search("\n".join(column)):
        return False, ""
    filled = [cell for cell in column if not numbers.is_missing(cell)]
    if not filled:
        return False, ""
    found = Counter(numbers.cell_unit(cell) for cell in filled)
    bare = found.pop("", 0)
    if not found:
        return False, ""
    unit, count = found.most_common(1)[0]
    if count + sum(found.values()) - count >= 0.5 * len(filled):
        return True, next(numbers.cell_unit(cell) for cell in filled if numbers.cell_unit(cell))
    return False, "" if bare else unit
