"""Whole blocks at once: what in a block of lines is plain for certain, as columns; the rest by line and cell."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from phasewright.bench import escape
from phasewright.quantity import unit_symbol

from ._blockstamps import StampReader
from ._blocktools import both, lines_with, stripped
from ._cells import WIDE, WORDS
from ._digits import read_decimals, words_over
from ._layout import Layout
from ._longdigits import read_long
from ._source import PAD, PADDING, is_utf8

_UNIT_CELL = re.compile(rb"[ \t]*[+-]?[0-9.,]+(?:[eE][+-]?[0-9]+)?[ ]*([^0-9 \t.,+-][^ \t]{0,7})[ \t]*")
_COMMENT_STARTS = np.frombuffer(b"#%!;/ \t", dtype=np.uint8)


@dataclass(slots=True)
class Cells:
    """Cells of one column that are not plain: rows int64 (n,), where they start and stop in the block."""

    rows: np.ndarray
    start: np.ndarray
    stop: np.ndarray


@dataclass(slots=True)
class Block:
    """A block of lines as columns. `data` holds the lines between PAD bytes."""

    data: bytes
    line_count: int
    good_lines: np.ndarray | None
    """Lines (first = 0) that the rows stand on, int64 (n,); None = every line."""
    raw: np.ndarray
    """Stamps int64 (n,)."""
    zoned: bool
    values: dict[int, np.ndarray] = field(default_factory=dict)
    """float64 (n,) by field."""
    odd_cells: dict[int, Cells] = field(default_factory=dict)
    """By field."""
    empty: dict[int, np.ndarray] = field(default_factory=dict)
    """Rows with an empty cell, by field."""
    split_units: dict[int, np.ndarray] = field(default_factory=dict)
    """Rows whose cell carries the unit of its column, by field."""
    cells: dict[int, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)
    """Start and stop of the cells of such columns."""
    foreign_rows: np.ndarray | None = None
    """Rows with letters beyond ASCII."""
    foreign: bool = False
    """Those rows were not UTF-8 and were read as cp1252."""
    line_ends: np.ndarray | None = None
    """Index of every line feed in `data`, int64 (line_count,)."""

    def cell_text(self, i: int, row: int) -> str:
        """Return a cell of a column whose cells carry units, for people."""
        start, stop = self.cells[i]
        return escape(self.data[int(start[row]) : int(stop[row])].decode().strip(), 40)


class BlockReader:
    """Reads blocks under one layout. It keeps no state: blocks may be read side by side."""

    def __init__(self, layout: Layout):
        self.layout = layout
        delimiter = " " if layout.delimiter == WORDS else layout.delimiter
        delimiter = "\t" if delimiter == WIDE else delimiter
        self.mark = ord(delimiter) if len(delimiter) == 1 and ord(delimiter) < 128 else -1
        self.blanks = {WORDS: _single_blanks, WIDE: _wide_blanks}.get(layout.delimiter)
        self.count = layout.width + layout.trailing + (layout.comma_fraction >= 0)
        self.stamps = StampReader(layout.plan)
        self.usable = self.mark >= 0 and self.count >= 2 and self.stamps.usable
        self.numbers = [(i, ord(layout.styles[i].decimal)) for i in range(layout.width) if layout.kinds[i] == "number"]
        self.plain = {i: not layout.styles[i].in_cells for i, _ in self.numbers}
        self.decided = all(style.decided for style in layout.styles)

    def read(self, data: bytes) -> Block | None:
        """Return a block of whole lines (between PAD bytes) as columns; None when nothing in it can be taken so."""
        if not self.usable:
            return None
        if self.blanks is not None:
            data = self.blanks(data)
        spelling = None
        if not data.isascii():
            data, spelling = _spelling(data)
        bytes_ = np.frombuffer(data, dtype=np.uint8)
        ends = np.flatnonzero(bytes_ == 10)
        ends = ends[np.searchsorted(ends, PAD) :] if len(ends) and ends[0] < PAD else ends
        lines = len(ends)
        cuts, good = self._cuts(bytes_, ends)
        if cuts is None:
            return None
        starts, stops, good = self._bounds(bytes_, data, cuts, ends, good, spelling)
        if not len(stops[0]):
            return None
        words = words_over(bytes_)
        raw, fine, zoned = self._stamps(data, bytes_, words, starts, stops)
        if raw is None:
            return None
        if fine is not None:
            keep = np.flatnonzero(fine)
            if not len(keep):
                return None
            raw = raw[keep]
            starts = [a[keep] for a in starts]
            stops = [a[keep] for a in stops]
            good = keep if good is None else good[keep]
        block = Block(data, lines, good, raw, zoned, line_ends=ends)
        if spelling is not None:
            marked = lines_with(bytes_ > 127, ends, good)
            block.foreign_rows, block.foreign = np.flatnonzero(marked), spelling.foreign
        for i, mark in self.numbers:
            self._column(block, i, mark, bytes_, words, *self._field(i, starts, stops))
        return block

    def _field(self, i: int, starts, stops):
        """Return start and stop of a field, past the one that a comma fraction takes."""
        at = self.layout.comma_fraction
        k = i + 1 if 0 <= at < i else i
        return starts[k], stops[k]

    # ---- where lines and fields are ----

    def _cuts(self, bytes_: np.ndarray, ends: np.ndarray):
        """Return (indices of the separators of good lines int64 (rows, count - 1), good lines or None = all)."""
        marks = np.flatnonzero(bytes_ == self.mark)
        if len(marks) and marks[0] < PAD:
            marks = marks[np.searchsorted(marks, PAD) :]
        inner, lines = self.count - 1, len(ends)
        if len(marks) == lines * inner and lines:
            table = marks.reshape(lines, inner)
            if (table[:, -1] < ends).all() and (table[1:, 0] > ends[:-1]).all():
                return table, None
        if not lines:
            return None, None
        upto = np.searchsorted(marks, ends)
        per_line = np.diff(upto, prepend=0)
        fits = per_line == inner
        if not fits.any():
            return None, None
        table = marks[np.repeat(fits, per_line)].reshape(-1, inner)
        return table, np.flatnonzero(fits)

    def _bounds(self, bytes_, data: bytes, cuts, ends, good, spelling):
        """Return (starts, stops of every field, good lines) without lines that quotes or other bytes make doubtful."""
        lines_start = np.empty(len(ends), dtype=np.int64)
        lines_start[0] = PAD
        lines_start[1:] = ends[:-1] + 1
        lines_stop = ends
        if b"\r" in data:
            while (returns := (bytes_[lines_stop - 1] == 13)).any():
                lines_stop = lines_stop - returns
        if good is not None:
            lines_start, lines_stop = lines_start[good], lines_stop[good]
        columns = [np.ascontiguousarray(cuts[:, k]) for k in range(cuts.shape[1])]
        starts = [lines_start, *(c + 1 for c in columns)]
        stops = [*columns, lines_stop]
        fine = None
        if self.layout.plan.fields[0] != 0:
            first = bytes_[starts[0]]
            doubtful = np.isin(first, _COMMENT_STARTS)
            if doubtful.any():
                fine = ~doubtful
        if spelling is not None and spelling.mixed is not None:
            plain = ~(spelling.mixed if good is None else spelling.mixed[good])
            fine = plain if fine is None else fine & plain
        if b'"' in data:
            quoted_fine = self._unquote(bytes_, ends, good, starts, stops)
            fine = quoted_fine if fine is None else fine & quoted_fine
        if self.layout.trailing:
            empty = starts[-1] == stops[-1]
            if not empty.all():
                fine = empty if fine is None else fine & empty
        if fine is not None and not fine.all():
            keep = np.flatnonzero(fine)
            starts, stops = [a[keep] for a in starts], [a[keep] for a in stops]
            good = keep if good is None else good[keep]
        return starts, stops, good

    @staticmethod
    def _unquote(bytes_, ends, good, starts, stops) -> np.ndarray:
        """Take the quotes off cells that are wholly quoted (in place); return lines on which no other quote stands."""
        marks = np.flatnonzero(bytes_ == 34)
        marks = marks[marks >= PAD]
        per_line = np.diff(np.searchsorted(marks, ends), prepend=0)
        if good is not None:
            per_line = per_line[good]
        found = np.zeros(len(per_line), dtype=np.int64)
        for k in range(len(starts)):
            quoted = (bytes_[starts[k]] == 34) & (bytes_[stops[k] - 1] == 34) & (stops[k] - starts[k] >= 2)
            starts[k] = starts[k] + quoted
            stops[k] = stops[k] - quoted
            found += quoted
        return per_line == 2 * found

    def _stamps(self, data: bytes, bytes_, words, starts, stops):
        """Return (stamps int64 (n,), good or None = all, zoned); stamps None when none can be taken."""
        cells = []
        for field_ in self.layout.plan.fields:
            start, stop = self._field(field_, starts, stops)
            if self.layout.comma_fraction == field_:
                stop = stops[field_ + 1]
            cells.append((start, stop))
        return self.stamps.read(data, bytes_, words, cells)

    # ---- numbers ----

    def _column(self, block: Block, i: int, mark: int, bytes_, words, start, stop) -> None:
        """Read one numeric column; put aside what is not plain."""
        if not self.plain[i]:
            self._column_with_units(block, i, mark, bytes_, words, start, stop)
            return
        found = read_decimals(bytes_, words, start, stop, mark)
        if not self.decided:
            # The first decimal mark of the file is for the law to judge.
            whole = (bytes_[stop - 1] != mark) & np.broadcast_to(np.asarray(found.places) == 0, start.shape)
            found.good = both(found.good, whole)
        values = found.floats()
        if found.good is not None:
            odd = np.flatnonzero(~found.good)
            if len(odd):
                self._second_try(block, i, mark, bytes_, words, start[odd], stop[odd], odd, values)
        block.values[i] = values

    def _column_with_units(self, block: Block, i: int, mark: int, bytes_, words, start, stop) -> None:
        """Read a column whose cells carry their unit: all that end as the middle one does, the rest put aside."""
        values = np.full(len(start), np.nan)
        block.values[i] = values
        good = np.zeros(len(start), dtype=bool)
        middle = len(start) // 2
        match = _UNIT_CELL.fullmatch(block.data[int(start[middle]) : int(stop[middle])])
        if match is not None and self.decided and unit_symbol(match[1].decode()) == self.layout.styles[i].unit:
            tail = match[1]
            good = words[stop - 8] >> np.uint64(8 * (8 - len(tail))) == np.uint64(int.from_bytes(tail, "little"))
            good &= stop - start > len(tail)
            begin, end = stripped(bytes_, start, np.where(good, stop - len(tail), stop))
            found = read_decimals(bytes_, words, begin, end, mark)
            if found.good is not None:
                good &= found.good
            values[good] = found.floats()[good]
            block.split_units[i] = np.flatnonzero(good)
            block.cells[i] = (start, stop)
        odd = np.flatnonzero(~good)
        if len(odd):
            block.odd_cells[i] = Cells(odd, start[odd], stop[odd])

    def _second_try(self, block: Block, i: int, mark: int, bytes_, words, start, stop, odd, values) -> None:
        """Read cells with blanks around them or an exponent; put the rest aside."""
        start, stop = stripped(bytes_, start, stop)
        empty = stop <= start
        if empty.any():
            block.empty[i] = odd[empty]
            values[odd[empty]] = np.nan
            left = np.flatnonzero(~empty)
            start, stop, odd = start[left], stop[left], odd[left]
            if not len(odd):
                return
        found = read_decimals(bytes_, words, start, stop, mark)
        values[odd] = found.floats()
        if found.good is None and self.decided:
            return
        left = np.arange(len(odd)) if not self.decided else np.flatnonzero(~found.good)
        start, stop, odd = start[left], stop[left], odd[left]
        good = np.zeros(len(odd), dtype=bool)
        if self.decided:
            good = _scientific(bytes_, words, start, stop, mark, values, odd)
        left = np.flatnonzero(~good)
        full = left[(stop - start)[left] > 16]
        if len(full) > 8 and self.decided:
            marks = np.flatnonzero(bytes_ == mark)
            long, fine = read_long(bytes_, words, start[full], stop[full], mark, marks)
            values[odd[full[fine]]] = long[fine]
            good[full[fine]] = True
            left = np.flatnonzero(~good)
        if len(left):
            values[odd[left]] = np.nan
            block.odd_cells[i] = Cells(odd[left], start[left], stop[left])


@dataclass(slots=True)
class _Spelling:
    """How the letters beyond ASCII of a block are written."""

    foreign: bool = False
    """As cp1252; the block was put into UTF-8."""
    mixed: np.ndarray | None = None
    """Lines, bool (n,), that are not UTF-8 in a block where others are."""


def _spelling(data: bytes) -> tuple[bytes, _Spelling]:
    """Return a block in UTF-8 and how it was written."""
    if is_utf8(data):
        return data, _Spelling()
    lines = data[PAD:-PAD].split(b"\n")[:-1]
    odd = np.array([not line.isascii() and not is_utf8(line) for line in lines])
    if any(not line.isascii() and not bad for line, bad in zip(lines, odd.tolist(), strict=True)):
        return data, _Spelling(mixed=odd)
    return data.decode("cp1252", errors="replace").encode("utf-8"), _Spelling(foreign=True)


def _single_blanks(data: bytes) -> bytes:
    """Return lines with every run of blanks and tabs as one blank, none at either end."""
    body = data[PAD:-PAD].replace(b"\t", b" ")
    while b"  " in body:
        body = body.replace(b"  ", b" ")
    return _tidied(body)


def _wide_blanks(data: bytes) -> bytes:
    """Return lines with every tab and every run of two blanks or tabs or more as one tab, none at either end."""
    body = data[PAD:-PAD].replace(b"\t", b"  ")
    while b"   " in body:
        body = body.replace(b"   ", b"  ")
    return _tidied(body.replace(b"  ", b"\t"))


def _tidied(body: bytes) -> bytes:
    """Return lines without blanks, tabs and carriage returns at their ends, between PAD bytes."""
    while b"\r\n" in body:
        body = body.replace(b"\r\n", b"\n")
    for blank in (b" ", b"\t"):
        body = body.replace(blank + b"\n", b"\n").replace(b"\n" + blank, b"\n")
    return b"".join((PADDING, body.lstrip(b" \t"), PADDING))


def _scientific(bytes_, words, start, stop, mark: int, values: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Read cells such as -1.234E+01 into values[rows]; return which were read, bool (n,)."""
    good = np.zeros(len(start), dtype=bool)
    for width in (4, 3, 5, 2):
        at = stop - width
        letter = bytes_[at] | 32
        chosen = np.flatnonzero(~good & (letter == 101) & (at > start))
        if not len(chosen):
            continue
        power_start, power_stop = at[chosen] + 1, stop[chosen]
        power = _small_whole(bytes_, power_start, power_stop)
        found = read_decimals(bytes_, words, start[chosen], at[chosen], mark)
        shift = power - np.asarray(found.places, dtype=np.int64)
        fine = (np.abs(shift) <= 22) & (power < 1000)
        if found.good is not None:
            fine &= found.good
        digits = found.digits.view(np.int64).astype(np.float64)
        scale = np.take(10.0 ** np.arange(23), np.minimum(np.abs(shift), 22))
        number = np.where(shift >= 0, digits * scale, digits / scale)
        if found.negative is not None:
            np.negative(number, out=number, where=found.negative)
        taken = chosen[fine]
        values[rows[taken]] = number[fine]
        good[taken] = True
    return good


def _small_whole(bytes_: np.ndarray, start: np.ndarray, stop: np.ndarray) -> np.ndarray:
    """Return exponents of one to three digits with or without a sign; 9999 where it is none."""
    sign = bytes_[start]
    signed = (sign == 43) | (sign == 45)
    begin = start + signed
    total = np.zeros(len(start), dtype=np.int64)
    bad = begin >= stop
    for k in range(3):
        place = begin + k
        inside = place < stop
        digit = bytes_[np.minimum(place, stop)].astype(np.int64) - 48
        bad |= inside & ((digit < 0) | (digit > 9))
        total = np.where(inside, total * 10 + digit, total)
    bad |= begin + 3 < stop
    total = np.where(sign == 45, -total, total)
    return np.where(bad, 9999, total)
