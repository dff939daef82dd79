"""Whole blocks at once: what in a block of lines is plain for certain, as columns; the rest by line and cell."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from . import _times as times
from ._cells import WORDS
from ._digits import Decimals, read_clock, read_decimals, read_fraction, words_over
from ._layout import Layout
from ._source import PAD

_COMMENT_STARTS = np.frombuffer(b"#%!;/ \t", dtype=np.uint8)
MOST_DATES = 64
"""Dates in one block; more are left to the reading by line."""


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
    line_ends: np.ndarray | None = None
    """Index of every line feed in `data`, int64 (line_count,)."""


class BlockReader:
    """Reads blocks under one layout. It keeps no state: blocks may be read side by side."""

    def __init__(self, layout: Layout):
        self.layout = layout
        delimiter = " " if layout.delimiter == WORDS else layout.delimiter
        self.mark = ord(delimiter) if len(delimiter) == 1 and ord(delimiter) < 128 else -1
        self.blanks = layout.delimiter == WORDS
        self.count = layout.width + layout.trailing + (layout.comma_fraction >= 0)
        plan = layout.plan
        self.usable = (
            self.mark >= 0
            and self.count >= 2
            and plan.kind in ("datetime", "date+clock", "clock", "number")
            and not (plan.kind == "number" and plan.decimal not in ".,")
        )
        self.numbers = [(i, ord(layout.styles[i].decimal)) for i in range(layout.width) if layout.kinds[i] == "number"]
        self.plain = {i: not layout.styles[i].in_cells for i, _ in self.numbers}
        self.decided = all(style.decided for style in layout.styles)

    def read(self, data: bytes) -> Block | None:
        """Return a block of whole lines (between PAD bytes) as columns; None when nothing in it can be taken so."""
        if not self.usable:
            return None
        if self.blanks:
            data = _single_blanks(data)
        bytes_ = np.frombuffer(data, dtype=np.uint8)
        ends = np.flatnonzero(bytes_ == 10)
        ends = ends[np.searchsorted(ends, PAD) :] if len(ends) and ends[0] < PAD else ends
        lines = len(ends)
        cuts, good = self._cuts(bytes_, ends)
        if cuts is None:
            return None
        starts, stops, good = self._bounds(bytes_, data, cuts, ends, good)
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

    def _bounds(self, bytes_, data: bytes, cuts, ends, good):
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
        if not data.isascii():
            plain = ~_lines_with(bytes_ > 127, ends, good)
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

    # ---- stamps ----

    def _stamps(self, data: bytes, bytes_, words, starts, stops):
        """Return (stamps int64 (n,), good or None = all, zoned); stamps None when none can be taken."""
        plan = self.layout.plan
        if plan.kind == "number":
            start, stop = _trimmed(bytes_, *self._field(plan.fields[0], starts, stops))
            return (*self._number_stamps(bytes_, words, start, stop), plan.epoch)
        field_ = plan.fields[-1]
        start, stop = self._field(field_, starts, stops)
        if self.layout.comma_fraction == field_:
            stop = stops[field_ + 1]
        start, stop = _trimmed(bytes_, start, stop)
        if plan.kind == "clock":
            seconds, fine = self._clocks(bytes_, words, start, stop)
            return seconds, fine, False
        if plan.kind == "date+clock":
            seconds, fine = self._clocks(bytes_, words, start, stop)
            if seconds is None:
                return None, None, False
            date_start, date_stop = _trimmed(bytes_, *self._field(plan.fields[0], starts, stops))
            days, dated = self._days(data, words, date_start, date_stop - date_start)
            if days is None:
                return None, None, False
            return seconds + days, _both_fine(fine, dated), False
        return self._date_times(data, bytes_, words, start, stop)

    def _number_stamps(self, bytes_, words, start, stop):
        plan = self.layout.plan
        found = read_decimals(bytes_, words, start, stop, ord(plan.decimal))
        fine = found.good
        if found.negative is not None:
            fine = _both_fine(fine, ~found.negative)
        raw = _nanoseconds(found, times.UNIT_NS[plan.unit])
        if raw is None:
            return None, None
        if plan.epoch and not plan.stated:
            inside = (raw >= times.EPOCH_FIRST_NS) & (raw <= times.EPOCH_LAST_NS)
            if not inside.all():
                fine = _both_fine(fine, inside)
        return raw, fine

    def _clocks(self, bytes_, words, start, stop):
        """Return (ns since midnight, good or None) of HH:MM:SS with or without a fraction, one shape a block."""
        length = stop - start
        shape = int(length[len(length) // 2])
        fine = None
        same = length == shape
        if not same.all():
            shape = int(np.bincount(np.clip(length, 0, 40)).argmax())
            fine = length == shape
        if shape not in (8, *range(10, 19)):
            return None, None
        seconds, good = read_clock(words, start)
        fine = _both_fine(fine, good)
        raw = seconds * times.SECOND
        if shape > 8:
            mark = bytes_[start + 8]
            pointed = (mark == 46) | (mark == 44)
            if not pointed.all():
                fine = _both_fine(fine, pointed)
            fraction, good = read_fraction(words, stop, shape - 9)
            raw += fraction
            fine = _both_fine(fine, good)
        return raw, fine

    def _date_times(self, data: bytes, bytes_, words, start, stop):
        """Return (stamps, good or None, zoned) of a ten-character date, T or a blank, and a clock."""
        middle = len(start) // 2
        first = data[int(start[middle]) : int(stop[middle])]
        if len(first) < 19 or first[10:11] not in (b"T", b" "):
            return None, None, False
        tail = b"Z" if first.endswith(b"Z") else first[-6:] if first[-6:-5] in (b"+", b"-") and len(first) > 24 else b""
        zoned, shift = bool(tail), 0
        fine = None
        if tail:
            try:
                shift = times.zone_ns(tail.decode("ascii"))
            except (times.Doubt, ValueError, UnicodeDecodeError):
                return None, None, False
            end = words[stop - 8] >> np.uint64(8 * (8 - len(tail)))
            same = end == np.uint64(int.from_bytes(tail, "little"))
            if not same.all():
                fine = same
            stop = stop - len(tail)
        split = bytes_[start + 10] == first[10]
        if not split.all():
            fine = _both_fine(fine, split)
        raw, good = self._clocks(bytes_, words, start + 11, stop)
        if raw is None:
            return None, None, False
        days, dated = self._days(data, words, start, None)
        if days is None:
            return None, None, False
        raw += days
        if shift:
            raw -= shift
        return raw, _both_fine(_both_fine(fine, good), dated), zoned

    def _days(self, data: bytes, words, start, length):
        """Return (days in ns int64 (n,) or one number, good or None) of dates of ten characters."""
        fine = None
        if length is not None and not (length == 10).all():
            fine = length == 10
        head = words[start]
        tail = words[start + 2]
        middle = len(start) // 2
        same = (head == head[middle]) & (tail == tail[middle])
        if same.all():
            days = self._day_of(data, int(start[middle]))
            return (None, None) if days is None else (days, fine)
        # Dates differ: the ten characters as a number of 16 bytes, each different one read once.
        pairs = np.stack([head, tail >> np.uint64(48)], axis=1).view("V16").reshape(-1)
        _, index, inverse = np.unique(pairs, return_index=True, return_inverse=True)
        if len(index) > MOST_DATES:
            return None, None
        found = [self._day_of(data, int(start[i])) for i in index]
        table = np.array([0 if day is None else day for day in found], dtype=np.int64)
        known = np.array([day is not None for day in found])
        inverse = inverse.reshape(-1)
        if not known.all():
            fine = _both_fine(fine, known[inverse])
        return table[inverse], fine

    def _day_of(self, data: bytes, at: int) -> int | None:
        try:
            text = data[at : at + 10].decode("ascii")
            return times.date_days(text, self.layout.plan.order, self.layout.plan.stated) * times.DAY
        except (ValueError, times.Doubt):
            return None

    # ---- numbers ----

    def _column(self, block: Block, i: int, mark: int, bytes_, words, start, stop) -> None:
        """Read one numeric column; put aside what is not plain."""
        if not self.plain[i]:
            block.values[i] = np.full(len(start), np.nan)
            block.odd_cells[i] = Cells(np.arange(len(start)), start, stop)
            return
        found = read_decimals(bytes_, words, start, stop, mark)
        if not self.decided:
            # The first decimal mark of the file is for the law to judge.
            whole = (bytes_[stop - 1] != mark) & np.broadcast_to(np.asarray(found.places) == 0, start.shape)
            found.good = _both_fine(found.good, whole)
        values = found.floats()
        if found.good is not None:
            odd = np.flatnonzero(~found.good)
            if len(odd):
                self._second_try(block, i, mark, bytes_, words, start[odd], stop[odd], odd, values)
        block.values[i] = values

    def _second_try(self, block: Block, i: int, mark: int, bytes_, words, start, stop, odd, values) -> None:
        """Read cells with blanks around them or an exponent; put the rest aside."""
        start, stop = _stripped(bytes_, start, stop)
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
        if len(left):
            values[odd[left]] = np.nan
            block.odd_cells[i] = Cells(odd[left], start[left], stop[left])


def _both_fine(a: np.ndarray | None, b: np.ndarray | None) -> np.ndarray | None:
    if a is None:
        return b
    return a if b is None else a & b


def _single_blanks(data: bytes) -> bytes:
    """Return lines with every run of blanks and tabs as one blank, none at either end."""
    head, body = data[:PAD], data[PAD:-PAD]
    if b"\t" in body:
        body = body.replace(b"\t", b" ")
    while b"  " in body:
        body = body.replace(b"  ", b" ")
    body = body.replace(b"\r\n", b"\n").replace(b" \n", b"\n").replace(b"\n ", b"\n")
    return head + body.removeprefix(b" ") + head


def _lines_with(hits: np.ndarray, ends: np.ndarray, good: np.ndarray | None) -> np.ndarray:
    """Return which lines hold a byte that is hit, bool (lines,)."""
    places = np.flatnonzero(hits)
    count = np.diff(np.searchsorted(places, ends), prepend=0)
    found = count > 0
    return found if good is None else found[good]


def _stripped(bytes_: np.ndarray, start: np.ndarray, stop: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the cells without blanks and tabs at both ends."""
    for _ in range(64):
        first = bytes_[start]
        blank = ((first == 32) | (first == 9)) & (start < stop)
        if not blank.any():
            break
        start = start + blank
    for _ in range(64):
        last = bytes_[stop - 1]
        blank = ((last == 32) | (last == 9)) & (start < stop)
        if not blank.any():
            break
        stop = stop - blank
    return start, stop


def _trimmed(bytes_: np.ndarray, start: np.ndarray, stop: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return stamps without blanks at both ends; the usual case, no blanks, costs two looks."""
    first, last = bytes_[start], bytes_[stop - 1]
    if (first <= 32).any() or (last <= 32).any():
        return _stripped(bytes_, start, stop)
    return start, stop


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


def _nanoseconds(found: Decimals, unit_ns: int) -> np.ndarray | None:
    """Return digits / 10**places in units of `unit_ns` as whole nanoseconds int64 (n,), cut towards zero."""
    digits = found.digits.view(np.int64)
    if isinstance(found.places, int):
        scale = 10**found.places
        if unit_ns % scale == 0:
            factor = unit_ns // scale
            if factor > 1 and len(digits) and int(digits.max()) > 2**62 // factor:
                return None
            return digits * factor
        return digits * unit_ns // scale if unit_ns == 1 else None
    scales = 10 ** found.places.astype(np.int64)
    whole, rest = np.divmod(digits, scales)
    if len(whole) and int(whole.max()) > 2**62 // unit_ns:
        return None
    places = int(found.places.max())
    if places > 9:
        return None
    return whole * unit_ns + rest * unit_ns // scales
