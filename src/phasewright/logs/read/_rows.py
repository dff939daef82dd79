"""Rows: one line at a time by the law, whole blocks at once where nothing can differ from it."""

from __future__ import annotations

import bisect
import math
from array import array

import numpy as np

from phasewright.bench import Fault, LogFault, escape

from . import _header as header
from . import _numbers as numbers
from . import _times as times
from ._between import LineJudge
from ._block import Block, BlockReader
from ._cells import MAX_CELL, MAX_COLUMNS, MAX_QUOTED, OpenQuote, is_comment, joined, split_line
from ._clock import Clock
from ._layout import Layout
from ._notes import Notes
from ._sink import Sink
from ._source import PAD, decode_line
from ._times import Doubt

CHUNK = 1 << 14
FEW = 512
MOST_EXTRA = 1e-3
"""Share of rows with surplus fields that are dropped; above it the file is refused."""


class Unread(Exception):
    """The sample did not show how decimals are written; this cell does. Read again with what it proves."""

    def __init__(self, column: str, line: int, cell: str):
        super().__init__(column, line, cell)
        self.column, self.line, self.cell = column, line, cell


class RowReader(LineJudge):
    """Reads the rows of a table, line by line, into a sink; keeps where every row stood."""

    def __init__(self, layout: Layout, clock: Clock, sink: Sink, notes: Notes, file: str, mapped: frozenset[str]):
        super().__init__()
        self.clock, self.sink, self.notes, self.file = clock, sink, notes, file
        self.mapped = mapped
        self.names: list[str] = []
        self.units: list[str] = []
        self.kinds: list[str] = []
        self.slots: dict[str, int] = {}
        self.row_count = 0
        self.pending: tuple[int, str] | None = None
        """An open quoted record: first line and its text so far."""
        self.cp1252_lines = 0
        self.utf8_lines = 0
        self.start_rows, self.start_lines = array("q"), array("q")
        """Rows from which lines run on unbroken, and those lines."""
        self._next_line = -1
        self._raw: list[int] = []
        self._zoned = False
        self._values: list[list[float]] = []
        self._breaks: list[int] = []
        self._epoch_note = ""
        self._proof: tuple[int, Unread] | None = None
        """Line and cell that show how decimals are written, the first of the block."""
        self.all_plain = True
        self.use(layout)

    # ---- layouts ----

    def use(self, layout: Layout) -> None:
        """Read on with a layout; columns that are new join the table."""
        self.flush()
        self.layout = layout
        self.targets: list[int] = []
        for name, unit, kind in zip(layout.names, layout.units, layout.kinds, strict=True):
            if name not in self._table_names:
                self._table_names.add(name)
                self.names.append(name)
                self.units.append(unit)
                self.kinds.append(kind)
            if kind == "number" and name not in self.slots:
                self.slots[name] = len(self.slots)
                self.sink.add_column(name)
                self._values.append([])
            self.targets.append(self.slots[name] if kind == "number" else -1)
        self.fields = [
            (i, self.targets[i], layout.styles[i], layout.names[i]) for i in range(layout.width) if self.targets[i] >= 0
        ]
        self.absent = sorted(set(range(len(self.slots))) - {target for target in self.targets if target >= 0})
        self.folded = [header.clean_name(name).casefold() for name in layout.names]
        self.block_reader = BlockReader(layout)

    # ---- lines ----

    def accept(self, data: bytes, block: Block | None, first_line: int) -> int:
        """Take a block of lines of which `block` holds what is plain; return the number of lines."""
        if self.stopped:
            return 0
        if block is None or self.layout is not self.block_reader.layout:
            return self._read_all(data, first_line)
        free = self.pending is None and self.held is None and first_line >= self.layout.first_line
        if block.good_lines is None and free:
            self._push_rows(block, 0, len(block.raw), first_line)
            return block.line_count
        good = np.arange(block.line_count) if block.good_lines is None else block.good_lines
        ends = block.line_ends
        if block.data is not data:
            ends = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == 10)
        layout, row, line = self.layout, 0, 0
        odd = self._odd_lines(data, ends, good)
        while line < block.line_count and not self.stopped:
            if self.pending is None and self.held is None and first_line + line >= layout.first_line:
                # All plain rows up to the next line that the law must judge.
                at = int(np.searchsorted(odd, line))
                judged = int(odd[at]) if at < len(odd) else block.line_count
                row, stop = (int(k) for k in np.searchsorted(good, (line, judged)))
                if stop > row:
                    self._push_rows(block, row, stop, first_line, good)
                line = judged
                if line >= block.line_count:
                    break
            start = int(ends[line - 1]) + 1 if line else PAD
            self.read_line(data[start : int(ends[line])], first_line + line)
            line += 1
            if self.layout is not layout:
                if line < block.line_count:
                    rest = data[:PAD] + data[int(ends[line - 1]) + 1 :]
                    line += self.accept(rest, self.block_reader.read(rest), first_line + line)
                return line
        return block.line_count

    @staticmethod
    def _odd_lines(data: bytes, ends: np.ndarray, good: np.ndarray) -> np.ndarray:
        """Return the lines of a block, int64 (n,), that are neither plain rows nor empty."""
        odd = np.ones(len(ends), dtype=bool)
        odd[good] = False
        length = np.diff(ends, prepend=PAD - 1) - 1
        odd &= length > 0
        short = np.flatnonzero(odd & (length == 1))
        if len(short):
            returns = np.frombuffer(data, dtype=np.uint8)[ends[short] - 1] == 13
            odd[short[returns]] = False
        return np.flatnonzero(odd)

    def _read_all(self, data: bytes, first_line: int) -> int:
        """Read a block line by line."""
        lines = data[PAD:].split(b"\n")
        lines.pop()
        for index, line in enumerate(lines):
            self.read_line(line, first_line + index)
        self.all_plain = False
        return len(lines)

    def _push_rows(self, block: Block, start: int, stop: int, first_line: int, good: np.ndarray | None = None) -> None:
        """Hand rows [start, stop) of a block on, which stand on lines good[start:stop] of it (None = row by row)."""
        few = stop - start < FEW
        if not few or block.zoned != self._zoned:
            self.flush()
            self._zoned = block.zoned
        number = first_line + (start if good is None else int(good[start]))
        if self._epoch_note:
            self._note_stamp("", number)
        if number != self._next_line:
            self._start_at(self.row_count, number)
        if good is None:
            self._next_line = first_line + stop
        else:
            lines = good[start:stop]
            for jump in np.flatnonzero(np.diff(lines) != 1).tolist():
                self._start_at(self.row_count + jump + 1, first_line + int(lines[jump + 1]))
            self._next_line = first_line + int(lines[-1]) + 1
        breaks = [len(self._raw) if few else 0] if self._break_next and self.row_count else []
        self._break_next = False
        whole = start == 0 and stop == len(block.raw)
        columns: list[np.ndarray | None] = [None] * len(self.slots)
        for i, target, style, name in self.fields:
            values = block.values[i] if whole else block.values[i][start:stop]
            columns[target] = values
            empty = block.empty.get(i)
            if empty is not None:
                inside = empty[np.searchsorted(empty, start) : np.searchsorted(empty, stop)]
                if len(inside):
                    line = first_line + int(inside[0] if good is None else good[inside[0]])
                    self.notes.say(*numbers.EMPTY, line, name, count=len(inside))
            split = block.split_units.get(i)
            if split is not None:
                self._say_split(block, split, i, style, name, start, stop, first_line, good)
            odd = block.odd_cells.get(i)
            if odd is not None:
                low, high = (int(k) for k in np.searchsorted(odd.rows, (start, stop)))
                if high > low:
                    self._odd_cells(block, odd, low, high, style, name, values, start, first_line, good)
        if self._proof is not None:
            # The first in the file decides, as it would line by line.
            raise self._proof[1]
        if block.foreign_rows is not None:
            self._say_foreign(block, start, stop, first_line, good)
        self.row_count += stop - start
        if not few:
            self.push(block.raw if whole else block.raw[start:stop], columns, breaks)
            return
        # A few rows between two odd lines: into the buffer, a chunk for so little would cost more than its rows.
        self._raw.extend(block.raw[start:stop].tolist())
        self._breaks.extend(breaks)
        for held, values in zip(self._values, columns, strict=True):
            held.extend([math.nan] * (stop - start) if values is None else values.tolist())
        if len(self._raw) >= CHUNK:
            self.flush()

    def _say_foreign(self, block: Block, start: int, stop: int, first_line: int, good: np.ndarray | None) -> None:
        """Count the rows [start, stop) that hold letters beyond ASCII."""
        low, high = np.searchsorted(block.foreign_rows, (start, stop))
        if low == high:
            return
        if not block.foreign:
            self.utf8_lines += int(high - low)
            return
        row = int(block.foreign_rows[low])
        self.cp1252_lines += int(high - low)
        self.all_plain = False
        line = first_line + (row if good is None else int(good[row]))
        self.notes.say("repair", "line that is not UTF-8, read as cp1252", line, count=int(high - low))

    def _say_split(self, block, split, i, style, name, start, stop, first_line, good) -> None:
        """Count the cells of rows [start, stop) whose unit was split off."""
        low, high = np.searchsorted(split, (start, stop))
        if low == high:
            return
        row = int(split[low])
        line = first_line + (row if good is None else int(good[row]))
        words = f"unit {style.unit} split from the number"
        self.notes.say("repair", words, line, name, count=int(high - low), shown=block.cell_text(i, row))
        self.all_plain = False

    def _odd_cells(self, block, odd, low, high, style, name, values, start, first_line, good) -> None:
        """Read cells [low, high) that are not plain into `values`, whose first is row `start`; each text once."""
        found: dict[bytes, list[int]] = {}
        data = block.data
        places = zip(
            odd.rows[low:high].tolist(), odd.start[low:high].tolist(), odd.stop[low:high].tolist(), strict=True
        )
        for row, begin, end in places:
            found.setdefault(data[begin:end], []).append(row)
        for text, rows in found.items():
            cell = decode_line(text)[0]
            value, outcome = numbers.read_number(cell, style)
            line = first_line + (rows[0] if good is None else int(good[rows[0]]))
            if outcome[0] == "prove":
                if self._proof is None or line < self._proof[0]:
                    self._proof = (line, Unread(name, line, cell))
                continue
            if outcome[0]:
                value = self._note_cell(value, outcome, cell, line, name, len(rows))
            values[np.array(rows) - start] = value
        self.all_plain = False

    def read_line(self, data: bytes, number: int) -> None:
        """Read one line (without its line feed) by the law."""
        if self.stopped:
            return
        data = data.rstrip(b"\r")
        if data.isascii():
            text = data.decode("ascii")
        else:
            text, odd = decode_line(data)
            if odd:
                self.cp1252_lines += 1
                self.notes.say("repair", "line that is not UTF-8, read as cp1252", number)
            else:
                self.utf8_lines += 1
        if number < self.layout.first_line:
            return
        if self.pending is not None:
            self._continue_quote(text, number)
            return
        self.read_text(text, number)

    def _continue_quote(self, text: str, number: int) -> None:
        start, before = self.pending
        joined = before + "\n" + text
        if len(joined) > MAX_QUOTED:
            raise self.fault("quote opened here is never closed", "close it or take it out", start)
        try:
            cells = split_line(joined, self.layout.delimiter)
        except OpenQuote:
            self.pending = (start, joined)
            return
        self.pending = None
        self.notes.say("note", "quoted cell that holds a line break", start)
        self.read_cells(cells, start, joined)

    def read_text(self, text: str, number: int) -> None:
        """Read one record."""
        if not text.strip(" \t\x00"):
            if text and "\x00" in text:
                self.notes.say("repair", "zero bytes in place of a line, dropped", number)
            return
        try:
            cells = split_line(text, self.layout.delimiter)
        except OpenQuote:
            if is_comment(text, self.layout.delimiter):
                self.notes.say("repair", "comment line skipped", number)
                return
            self.pending = (number, text)
            return
        self.read_cells(cells, number, text)

    def fault(self, what: str, mend: str, line: int, column: int | None = None) -> LogFault:
        return LogFault(Fault(self.file, what, mend, line, column))

    def read_cells(self, cells: list[str], number: int, text: str) -> None:
        """Read the cells of one record as a row, or as whatever else stands between rows."""
        if len(text) > MAX_CELL:
            self._check_cells(cells, number)
        layout = self.layout
        count = len(cells)
        if layout.comma_fraction >= 0 and count > layout.comma_fraction + 1:
            cells = joined(cells, layout.comma_fraction)
            count = len(cells)
        if layout.trailing and count == layout.width + 1 and not cells[-1].strip():
            cells = cells[:-1]
            count -= 1
        if count != layout.width or self.held is not None or cells[0][:1] in "#%!;/ \t\"'":
            if self._unusual_line(cells, number, text):
                return
            if count > layout.width:
                if not "".join(cells[layout.width :]).strip():
                    self.notes.say("repair", "empty fields behind the last column, ignored", number)
                cells = cells[: layout.width]
        self._row(cells, number, text)

    def _check_cells(self, cells: list[str], number: int) -> None:
        for position, cell in enumerate(cells):
            if len(cell) > MAX_CELL:
                raise self.fault(
                    f"cell of {len(cell)} characters ({escape(cell)})", "take it out", number, position + 1
                )
        if len(cells) > MAX_COLUMNS:
            raise self.fault(f"{len(cells)} columns, at most {MAX_COLUMNS} are read", "split the log", number)

    def _stamp(self, cells: list[str]):
        plan = self.layout.plan
        return times.read_stamp(tuple(cells[i] for i in plan.fields), plan)

    def _row(self, cells: list[str], number: int, text: str) -> None:
        self.all_plain = False
        layout = self.layout
        try:
            stamp = self._stamp(cells)
        except Doubt as doubt:
            self.notes.say("refuse", f"row dropped: {doubt}", number, mend="log a time that reads one way only")
            return
        except (ValueError, IndexError, OverflowError):
            if not self._unusual_line(cells, number, text, bad_time=True):
                self._drop_untimed(cells, number)
            return
        if stamp.zoned != self._zoned:
            self.flush()
            self._zoned = stamp.zoned
        if stamp.note != self._epoch_note:
            self._note_stamp(stamp.note, number)
        if number != self._next_line:
            self._start_at(self.row_count, number)
        self._next_line = number + 1
        if self._break_next and self.row_count:
            self._breaks.append(len(self._raw))
        self._break_next = False
        self._raw.append(stamp.ns)
        values = self._values
        have = len(cells)
        for i, target, style, name in self.fields:
            if i >= have:
                values[target].append(math.nan)
                continue
            value, outcome = numbers.read_number(cells[i], style)
            if outcome[0]:
                value = self._note_cell(value, outcome, cells[i], number, name)
            values[target].append(value)
        for target in self.absent:
            values[target].append(math.nan)
        if have < layout.width:
            self.notes.say("repair", "row with fewer fields than the header; the rest is missing", number)
        self.row_count += 1
        if len(self._raw) >= CHUNK:
            self.flush()

    def _note_stamp(self, note: str, number: int) -> None:
        if note.startswith("stamps count in") or self._epoch_note.startswith("stamps count in"):
            if note:
                self.notes.say("refuse", note, number, mend="log one unit throughout")
            else:
                self.notes.say(
                    "refuse", f"stamps count in {self.layout.plan.unit} again", number, mend="log one unit throughout"
                )
            self._break_next = True
            self._epoch_note = note
        elif note.startswith("24:00"):
            self.notes.say("repair", note, number)
        elif note:
            self.notes.say("note", note, number)

    def _note_cell(self, value: float, outcome, cell: str, number: int, name: str, count: int = 1) -> float:
        kind, words = outcome
        if kind == "prove":
            raise Unread(name, number, cell)
        if words == "missing: empty cell":
            self.notes.say(kind, words, number, name, count=count)
            return value
        shown = cell.strip() if not words.startswith("missing") else ""
        if words == "not a number" and "\x00" in cell:
            kind, words = "repair", "zero byte inside a number; taken as missing"
        elif words == "not a number" and any(ord(ch) > 127 for ch in cell) and self._damaged(cell):
            kind, words = "repair", "invalid byte inside a number; taken as missing"
        self.notes.say(kind, words, number, name, shown=escape(shown, 40), count=count)
        return value

    @staticmethod
    def _damaged(cell: str) -> bool:
        rest = "".join(ch for ch in cell if ord(ch) < 128)
        return bool(numbers.PLAIN.fullmatch(rest.strip().replace(",", "."))) and not any(
            ch.isdigit() and not ch.isascii() for ch in cell
        )

    def _drop_untimed(self, cells: list[str], number: int) -> None:
        cell = cells[self.layout.plan.fields[0]] if len(cells) > self.layout.plan.fields[0] else ""
        self.notes.say(
            "refuse",
            "row dropped: no time that can be read",
            number,
            mend="mend the stamp, or bring the raw log",
            shown=escape(cell.strip(), 40),
        )

    # ---- chunks ----

    def line_of(self, row: int) -> int:
        """Return the line on which a row (in file order) stands."""
        at = max(bisect.bisect_right(self.start_rows, row) - 1, 0)
        return self.start_lines[at] + row - self.start_rows[at] if len(self.start_rows) else 0

    def _start_at(self, row: int, line: int) -> None:
        """Keep that lines run on unbroken from a row."""
        self.start_rows.append(row)
        self.start_lines.append(line)

    def flush(self) -> None:
        """Hand what is buffered to the clock and the sink."""
        if not getattr(self, "_raw", None):
            return
        raw = np.array(self._raw, dtype=np.int64)
        self.push(raw, [np.array(held) for held in self._values], self._breaks)
        self._raw, self._breaks = [], []
        self._values = [[] for _ in self._values]

    def push(self, raw: np.ndarray, columns: list[np.ndarray | None], breaks: list[int]) -> None:
        """Hand one chunk of rows on."""
        time_ns = self.clock.push(raw, self._zoned, breaks, self.line_of)
        self.sink.append(time_ns, columns)

    def close(self) -> None:
        """End of the file: settle what is open. Raises LogFault for rows that the file cannot afford to lose."""
        if self.pending is not None:
            raise self.fault("quote opened here is never closed", "close it or take it out", self.pending[0])
        if self.held is not None:
            number, names = self.held
            self.held = None
            self.notes.say(
                "refuse",
                "line that is no row of the table, dropped",
                number,
                mend="take it out, or start it with #",
                shown=escape(", ".join(names), 60),
            )
        self.flush()
        if self.extra_rows:
            line, what = self.first_extra
            if self.extra_rows > MOST_EXTRA * (self.row_count + self.extra_rows):
                share = 100 * self.extra_rows / (self.row_count + self.extra_rows)
                raise self.fault(
                    f"{what}; {self.extra_rows} such rows ({share:.2g} %)",
                    "quote cells that hold the separator, or name all columns",
                    line,
                )
            self.notes.say(
                "refuse",
                "row with more fields than the header, dropped",
                line,
                count=self.extra_rows,
                mend="quote cells that hold the separator",
            )
