"""Cells that should be numbers: what is read, what is mended, what is refused. One cell at a time, the rule for all.

`read_number` is the law; the block reader (`_block`) only takes cells on which both must agree.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass

from phasewright.quantity import convert, unit_symbol

from .._names import INVISIBLE

NAN = math.nan
INTEGER_DIGITS = 400
"""A cell with more digits than this that is out of range is no over-range reading but rubbish."""

PLAIN = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_LEADING_ZERO = re.compile(r"[+-]?0[0-9]+")
_POINT = re.compile(r"[+-]?([0-9]*)\.([0-9]*)")
_PLAINLY_DECIMAL = re.compile(r"[+-]?[0-9]+\.(?:[0-9]{1,2}|[0-9]{4,})(?:\n[+-]?[0-9]+\.(?:[0-9]{1,2}|[0-9]{4,}))*")
_COMMA_ONLY = re.compile(r"[+-]?([0-9]*),([0-9]*)")
COMMA = re.compile(r"[+-]?(?:[0-9]+,?[0-9]*|,[0-9]+)(?:[eE][+-]?[0-9]+)?")
_FORTRAN = re.compile(r"([+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+))[dD]([+-]?[0-9]+)")
_INFINITE = re.compile(r"[+-]?(?:inf|infinity|1\.?#inf)", re.I)
_RADIX = re.compile(r"[+-]?0[xXbBoO][0-9a-fA-F]+|[0-9a-fA-F]+[hH]")
_SPREADSHEET_ERROR = re.compile(r"#(?:DIV/0!?|REF!?|VALUE!?|NUM!?|NAME\??|NULL!?|SPILL!?|CALC!?)|#{3,}", re.I)
_DATE_LIKE = re.compile(
    r"[0-9]{1,2}[-./](?:jan|feb|m[aä]r|apr|ma[iy]|jun|jul|aug|sep|o[ck]t|nov|de[cz])[a-z]*\.?(?:[-./][0-9]{2,4})?"
    r"|(?:jan|feb|m[aä]r|apr|ma[iy]|jun|jul|aug|sep|o[ck]t|nov|de[cz])[a-z]*[-./ ][0-9]{1,4}"
    r"|[0-9]{1,2}[./-][0-9]{1,2}[./-][0-9]{4}|[0-9]{4}-[0-9]{2}-[0-9]{2}",
    re.I,
)
_WITH_UNIT = re.compile(
    r"([+-]?(?:[0-9][0-9.,'’]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([^\W\d_][^\d]*[0-9]?|[%°µμΩ/].*)"
)
_GROUPED = re.compile(r"[0-9]+(?:[.,_][0-9]+)*[.,]?(?:[eE][+-]?[0-9]+)?")
_MALFORMED = re.compile(r"[+-]*[0-9.,]+(?:[eE][+-]?[0-9]+)*[nµμmkMG]?")
_PREFIX_ONLY = frozenset("numkMGTµμpf")
_MINUS = {"\N{MINUS SIGN}", "\N{EN DASH}", "\N{FIGURE DASH}", "\N{NON-BREAKING HYPHEN}", "\N{HYPHEN}"}
_GROUP_MARKS = {"'": "'", "’": "'", " ": " ", ",": ",", ".": "."}
_BOOLEANS = frozenset(("true", "false", "yes", "no", "on", "off", "wahr", "falsch", "vrai", "faux"))

NAN_WORDS = frozenset(("nan", "-nan", "+nan", "1.#qnan", "-1.#ind", "1.#ind", "nan(ind)", "-nan(ind)"))
OVER_WORDS = frozenset(
    ("ol", "-ol", "+ol", "o.l", "o.l.", "ovld", "over", "overload", "ovf", "ovrng", "overflow", "o/r")
)
MISSING_WORDS = frozenset(
    (
        "n/a", "na", "n.a.", "#n/a", "n.v.", "k.a.", "null", "none", "nil", "-", "--", "---", "----", "-----", "?",
        "??", "???", "*", "**", "***", "****", "missing", "invalid", "error", "err", "fault", "nc", "n.c.", "open",
        "unknown", "unavail", "unavailable", "not available", "no data", "nodata", ".", "..", "...", "void", "bad",
        "(null)", "<null>", "\N{EN DASH}", "\N{EM DASH}", "\\n",
    )
)  # fmt: skip

# Not-a-number and over-range marks of SCPI-99, volume 1, 7.2.1.4 and 7.2.1.5 (from memory); 9.9E37 reads as infinity.
SCPI_NAN = 9.91e37
SCPI_INFINITY = 9.9e37


@dataclass(frozen=True, slots=True)
class NumberStyle:
    """How numbers are written in a file, or in one of its columns."""

    decimal: str = "."
    """. or ,"""
    group: str = ""
    """Mark between groups of three digits: '' , . ' or space (any kind of space)."""
    unit: str = ""
    """Unit that the column's numbers are given in, '' = not stated."""
    in_cells: bool = False
    """True when every cell carries its unit, so that a cell without one is doubtful."""
    decided: bool = True
    """False when no cell of the file has shown a decimal mark yet: the first that does decides."""


POINT = NumberStyle()

# What came of a cell: (kind, words). kind: '' plain | note | repair | refuse | prove (the first decimal mark of a file
# whose style is not decided). The words are counted, and shown once.
Outcome = tuple[str, str]
FINE: Outcome = ("", "")
PROOF: Outcome = ("prove", "")
EMPTY: Outcome = ("note", "missing: empty cell")
OVER: Outcome = ("repair", "over range, taken as missing")


def read_number(text: str, style: NumberStyle = POINT) -> tuple[float, Outcome]:
    """Return the number in a cell (NaN = missing) and what had to be done to read it."""
    text = text.strip(" \t")
    if style.decimal == "." and PLAIN.fullmatch(text):
        if not style.decided and "." in text:
            return NAN, PROOF
        if style.in_cells:
            return NAN, ("refuse", "number without a unit in a column whose cells carry units")
        return _plain_number(text)
    if not text:
        return NAN, EMPTY
    low = text.casefold()
    if low in NAN_WORDS:
        return NAN, ("note", "missing: not a number")
    if low in OVER_WORDS:
        return NAN, ("note", f"missing: over range ({text})")
    if low in MISSING_WORDS:
        return NAN, ("note", f"missing: {text}")
    return _unusual(text, style)


def _plain_number(text: str) -> tuple[float, Outcome]:
    if _LEADING_ZERO.fullmatch(text) and text.strip("+-0"):
        return NAN, ("refuse", "whole number with a leading zero (decimal or octal?)")
    value = float(text)
    if not math.isfinite(value):
        digits = sum(ch.isdigit() for ch in text)
        if digits > INTEGER_DIGITS:
            return NAN, ("refuse", f"number of {digits} digits")
        return NAN, OVER
    return sentinel(value)


def sentinel(value: float) -> tuple[float, Outcome]:
    """Return NaN for the instrument's not-a-number and over-range marks, else the value itself."""
    if abs(value) < 9.8e37:
        return value, FINE
    if math.isclose(value, SCPI_NAN, rel_tol=1e-6):
        return NAN, ("repair", "instrument's not-a-number mark (9.91E37), taken as missing")
    if math.isclose(value, SCPI_INFINITY, rel_tol=1e-6):
        return NAN, ("repair", "instrument's over-range mark (9.9E37), taken as missing")
    if math.isclose(value, -SCPI_INFINITY, rel_tol=1e-6):
        return NAN, ("repair", "instrument's under-range mark (-9.9E37), taken as missing")
    return NAN, OVER


def _unusual(text: str, style: NumberStyle) -> tuple[float, Outcome]:
    """Return number and outcome of a cell that is neither plain, empty nor a word for a missing value."""
    if not style.decided and ("," in text or "." in text) and is_numberlike(text) and _proves(text):
        return NAN, PROOF
    if style.decimal == "," and COMMA.fullmatch(text):
        if style.in_cells:
            return NAN, ("refuse", "number without a unit in a column whose cells carry units")
        return _plain_number(text.replace(",", "."))
    if _INFINITE.fullmatch(text):
        return NAN, OVER
    if style.decimal == "," and not style.group and PLAIN.fullmatch(text):
        return NAN, ("refuse", "decimal point in a file with decimal commas (or digits grouped by points?)")
    if _SPREADSHEET_ERROR.fullmatch(text):
        return NAN, ("refuse", f"spreadsheet error {text[:8]}")
    if text.casefold() in _BOOLEANS:
        return NAN, ("refuse", f"truth value {text} in a numeric column")
    if _RADIX.fullmatch(text):
        return NAN, ("refuse", "hexadecimal, binary or octal number")
    if not text.isascii():
        mended = _ascii_form(text)
        if mended is not None:
            plain, why = mended
            value, outcome = read_number(plain, style)
            if outcome[0] in ("", "repair"):
                return value, ("repair", why if outcome == FINE else f"{why}; {outcome[1]}")
            return value, outcome
        if any(ch.isdigit() and not ch.isascii() for ch in text):
            return NAN, ("refuse", "digits that are not 0 to 9")
    grouped = _grouped(text, style)
    if grouped is not None:
        return grouped
    fortran = _FORTRAN.fullmatch(text)
    if fortran is not None:
        value, outcome = read_number(f"{fortran[1]}e{fortran[2]}", style)
        return value, ("repair", "exponent written with D") if outcome == FINE else outcome
    if _DATE_LIKE.fullmatch(text):
        return NAN, ("refuse", "a date where a number should be (a spreadsheet changed it)")
    return _with_unit(text, style)


def _proves(text: str) -> bool:
    """Return whether a cell tells anything of the marks in the numbers of its file."""
    found = Evidence()
    found.add(text)
    return found != Evidence()


def _ascii_form(text: str) -> tuple[str, str] | None:
    """Return a cell's plain form and what was mended: other minus signs, no-break and zero-width spaces."""
    why = []
    if text[0] in _MINUS:
        text = "-" + text[1:]
        why.append("minus written as another dash")
    if any(ch in INVISIBLE for ch in text):
        # A space of any width inside digits may group them: keep one plain space there, the group rule decides.
        text = "".join(ch if ch not in INVISIBLE else " " if unicodedata.category(ch) == "Zs" else "" for ch in text)
        text = text.strip()
        if text.startswith("- "):
            text = "-" + text[2:].lstrip()
        why.append("invisible or no-break space removed")
    return (text, ", ".join(why)) if why and text else None


def _grouped(text: str, style: NumberStyle) -> tuple[float, Outcome] | None:
    """Return the number in a cell whose digits are grouped in threes by the file's proven mark; None if it is none."""
    if not style.group:
        return None
    body = text.lstrip("+-").replace("’", "'")
    whole, mark, fraction = body.partition(style.decimal)
    parts = whole.split(style.group)
    if len(parts) < 2 or (mark and not fraction.isdigit()) or not whole.replace(style.group, "").isdigit():
        return None
    if not text.isascii() and not body.isascii():
        return None
    if not 1 <= len(parts[0]) <= 3 or any(len(part) != 3 for part in parts[1:]):
        return NAN, ("refuse", "digits not grouped in threes")
    if text.startswith(("+-", "-+", "--", "++")):
        return None
    sign = "-" if text.startswith("-") else ""
    value = float(sign + "".join(parts) + ("." + fraction if fraction else ""))
    return value, ("repair", f"digits grouped by {_mark_name(style.group)}")


def _mark_name(mark: str) -> str:
    return {"'": "apostrophe", " ": "space", ",": "comma", ".": "point"}[mark]


def _with_unit(text: str, style: NumberStyle) -> tuple[float, Outcome]:
    """Return the number of a cell that carries a unit, in the unit of the column."""
    match = _WITH_UNIT.fullmatch(text)
    if match is None:
        return NAN, ("refuse", "not a number")
    number, suffix = match[1], match[2].strip()
    value, outcome = read_number(number, NumberStyle(style.decimal, style.group))
    if outcome[0] not in ("", "repair") or math.isnan(value):
        return NAN, ("refuse", "not a number")
    if suffix in _PREFIX_ONLY:
        return NAN, ("refuse", f"number with a bare prefix ({suffix}: milli, mega, minute?)")
    unit = unit_symbol(suffix)
    if unit is None:
        return NAN, ("refuse", "not a number")
    if not style.unit:
        return NAN, ("refuse", f"unit ({unit}) in a cell of a column that states none")
    if unit == style.unit:
        return value, ("repair", f"unit {unit} split from the number")
    try:
        return float(convert(value, suffix, style.unit)), ("repair", f"{unit} converted to {style.unit}")
    except ValueError:
        return NAN, ("refuse", f"unit {unit} in a column in {style.unit}")


def cell_unit(text: str) -> str:
    """Return the unit symbol that a cell carries behind its number, '' if none."""
    match = _WITH_UNIT.fullmatch(text.strip())
    if match is None or match[2].strip() in _PREFIX_ONLY:
        return ""
    return unit_symbol(match[2].strip()) or ""


def is_missing(text: str) -> bool:
    """Return True for an empty cell and for the words that stand for a missing reading."""
    low = text.strip().casefold()
    return not low or low in NAN_WORDS or low in OVER_WORDS or low in MISSING_WORDS


def is_numberlike(text: str) -> bool:
    """Return True when a cell holds a number in any of the ways that are read, mended or refused as a number."""
    text = text.strip()
    if not text or not any(ch.isdigit() for ch in text):
        return bool(_INFINITE.fullmatch(text) or _SPREADSHEET_ERROR.fullmatch(text))
    if PLAIN.fullmatch(text) or COMMA.fullmatch(text) or _RADIX.fullmatch(text) or _FORTRAN.fullmatch(text):
        return True
    if not text.isascii():
        mended = _ascii_form(text)
        text = mended[0] if mended else unicodedata.normalize("NFKC", text)
    body = text.lstrip("+-").replace(" ", "").replace("'", "").replace("’", "")
    if _GROUPED.fullmatch(body):
        return True
    return bool(cell_unit(text)) or bool(_MALFORMED.fullmatch(text))


# ---- which marks a file uses --------------------------------------------------------------------------------------


@dataclass(slots=True)
class Evidence:
    """What the cells of a file prove about its decimal mark and its groups of digits."""

    decimal_point: int = 0
    decimal_comma: int = 0
    group_point: int = 0
    group_comma: int = 0
    group_other: str = ""
    maybe_point: int = 0
    maybe_comma: int = 0
    first_maybe: str = ""

    def add_all(self, cells: list[str]) -> None:
        """Take the cells of a column into account."""
        # Nearly every column of a clean log: the same places behind the point in each cell, and not three.
        if _PLAINLY_DECIMAL.fullmatch("\n".join(cells)):
            self.decimal_point += len(cells)
            return
        for cell in cells:
            self.add(cell)

    def add(self, text: str) -> None:
        """Take one cell into account."""
        plain = _POINT.fullmatch(text) or _COMMA_ONLY.fullmatch(text)
        if plain is not None and ("." in text or plain[1] or plain[2]):
            self._lone(plain[1], plain[2], text, "." if "." in text else ",")
            return
        if text.isdigit():
            return
        body = text.strip().lstrip("+-\N{MINUS SIGN}\N{EN DASH}")
        if not any(mark in body for mark in ".,'’ \u00a0\u202f\u2009"):
            return
        unit = _WITH_UNIT.fullmatch(body)
        if unit is not None:
            body = unit[1]
        body = re.sub(r"[eEdD][+-]?[0-9]+$", "", body)
        other = re.fullmatch(
            r"([0-9]{1,3})([ '’\u00a0\u202f\u2009\u2007])([0-9]{3})(?:\2[0-9]{3})*(?:([.,])[0-9]*)?", body
        )
        if other is not None:
            self.group_other = "'" if other[2] in "'’" else " "
            if other[4]:
                self._proof(other[4])
            return
        if not re.fullmatch(r"[0-9.,]+", body) or not any(ch.isdigit() for ch in body):
            return
        points, commas = body.count("."), body.count(",")
        if points and commas:
            last = max(body.rfind("."), body.rfind(","))
            first = "." if body[last] == "," else ","
            if body.count(body[last]) == 1 and re.fullmatch(r"[0-9]{1,3}(?:[.,][0-9]{3})+", body[:last]):
                self._proof(body[last])
                self._group(first)
        elif points + commas > 1:
            mark = "." if points else ","
            if re.fullmatch(r"[0-9]{1,3}(?:[.,][0-9]{3})+", body):
                self._group(mark)
        else:
            mark = "." if points else ","
            head, _, tail = body.partition(mark)
            self._lone(head, tail, text, mark)

    def _lone(self, head: str, tail: str, text: str, mark: str) -> None:
        """Take a number with one mark into account, which is decimal unless it can stand between groups of three."""
        if len(tail) != 3 or not 1 <= len(head) <= 3 or head[0] == "0":
            self._proof(mark)
            return
        self.first_maybe = self.first_maybe or text.strip()
        if mark == ".":
            self.maybe_point += 1
        else:
            self.maybe_comma += 1

    def _proof(self, mark: str) -> None:
        if mark == ".":
            self.decimal_point += 1
        else:
            self.decimal_comma += 1

    def _group(self, mark: str) -> None:
        if mark == ".":
            self.group_point += 1
        else:
            self.group_comma += 1
