"""How a table is laid out: separator, header, units, kinds of columns, number style; found from a sample of lines."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field, replace

from phasewright.bench import Fault, LogFault, escape

from . import _header as header
from . import _numbers as numbers
from . import _sample as sample
from . import _times as times
from ._cells import (
    CANDIDATES,
    MAX_CELL,
    MAX_COLUMNS,
    MAX_QUOTED,
    WIDE,
    WORDS,
    OpenQuote,
    is_comment,
    joined,
    split_line,
)
from ._timeplan import find_plan

SAMPLE_LINES = 600


@dataclass(frozen=True, slots=True)
class Layout:
    """How the rows of one stretch of a file are read. `names` are as in the header, one a field."""

    delimiter: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    kinds: tuple[str, ...]
    """time | number | text | blank, one a field; blank has neither a name nor anything in its cells."""
    styles: tuple[numbers.NumberStyle, ...]
    plan: times.TimePlan
    header_line: int
    first_line: int
    """Line of the first data row."""
    trailing: bool = False
    """Every data row ends with a separator that the header does not have."""
    comma_fraction: int = -1
    """Field whose fraction of a second stands behind a comma that also separates; -1 = none."""
    raw_header: str = ""

    @property
    def width(self) -> int:
        return len(self.names)


@dataclass(slots=True)
class Wishes:
    """What a person stated about a log, '' or None or () = to be found."""

    time_columns: tuple[str, ...] = ()
    time_format: str = ""
    delimiter: str = ""
    decimal: str = ""
    header_line: int | None = None
    mapped: tuple[str, ...] = ()
    """Columns that channels are taken from."""
    units: dict[str, str] = field(default_factory=dict)
    """Unit stated for a mapped column."""
    period: float | None = None
    """Nominal sampling period of the instrument [s]."""
    has_map: bool = False
    by_position: bool = False
    """Columns of one name are told apart by their place even where nothing is mapped yet."""
    date_order: str = ""
    proofs: dict[str, tuple[int, str]] = field(default_factory=dict)
    """By column: line and text of a cell beyond the sample that shows the decimal mark."""


@dataclass(slots=True)
class Found:
    """A layout with what was noticed on the way to it."""

    layout: Layout
    remarks: list[tuple[str, str, int | None, str]] = field(default_factory=list)
    """(kind, what, line, mend)"""
    skipped: list[int] = field(default_factory=list)
    """Preamble lines that are not in the table."""


Lines = list[tuple[int, str]]


def find_layout(lines: Lines, wishes: Wishes, file: str) -> Found:
    """Return the layout of the table in a sample of lines. Raises LogFault when there is none or it is doubtful."""
    return _Finder(lines, wishes, file).find()


class _Finder:
    def __init__(self, lines: Lines, wishes: Wishes, file: str):
        self.lines = [(number, text) for number, text in lines if text.strip()]
        self.wishes, self.file = wishes, file
        self.remarks: list[tuple[str, str, int | None, str]] = []
        self.head_line = 0
        self.last_lines: dict[int, int] = {}
        """Last line of the records that go over several lines, by their first."""

    def fault(self, what: str, mend: str, line: int | None = None) -> LogFault:
        return LogFault(Fault(self.file, what, mend, line))

    def say(self, kind: str, what: str, line: int | None = None, mend: str = "") -> None:
        self.remarks.append((kind, what, line, mend))

    # ---- separator ----

    def split_all(self, delimiter: str) -> list[tuple[int, list[str]]]:
        rows, pending, start = [], "", 0
        for number, text in self.lines:
            if not pending and is_comment(text, delimiter):
                continue
            joined = pending + "\n" + text if pending else text
            try:
                cells = split_line(joined, delimiter)
            except OpenQuote:
                pending, start = joined, start or number
                if len(pending) > MAX_QUOTED:
                    raise self.fault("quote opened here is never closed", "close it or take it out", start) from None
                continue
            rows.append((start or number, cells))
            if start:
                self.last_lines[start] = number
            pending, start = "", 0
        if pending:
            raise self.fault("quote opened here is never closed", "close it or take it out", start)
        return rows

    def find_delimiter(self) -> tuple[str, list[tuple[int, list[str]]]]:
        if self.wishes.delimiter:
            delimiter = {"tab": "\t", "\\t": "\t", "blanks": WORDS, " ": WORDS}.get(
                self.wishes.delimiter, self.wishes.delimiter
            )
            return delimiter, self.split_all(delimiter)
        best, best_score, best_rows, open_quote = "", 0.0, [], None
        for delimiter in CANDIDATES:
            if delimiter in ("\t", ";", ",", "|") and not any(delimiter in text for _, text in self.lines):
                continue
            if delimiter in (WIDE, WORDS) and best and self.stands_alike(best):
                # What stands equally often in every line parts the columns, however few of its cells hold a number.
                continue
            try:
                rows = self.split_all(delimiter)
            except LogFault as fault:
                open_quote = fault
                continue
            score = sample.score(rows, delimiter)
            if score > best_score + 1e-9:
                best, best_score, best_rows = delimiter, score, rows
        if open_quote is not None and best in ("", WORDS, WIDE):
            raise open_quote
        if best_score < 0.2:
            self.refuse_no_table()
        return best, best_rows

    def stands_alike(self, mark: str) -> bool:
        """Return whether a separator stands equally often in every line from the first that has it, but comments.

        A mark that begins below the first line must part names there: decimal commas begin with the first number.
        """
        lines = [text for _, text in self.lines if not is_comment(text, mark)]
        counts = [text.count(mark) for text in lines]
        begin = next((i for i, count in enumerate(counts) if count), len(counts))
        if len(counts) - begin < 3 or len(set(counts[begin:])) != 1:
            return False
        return begin == 0 or '"' in lines[begin] or sample.is_header(split_line(lines[begin], mark))

    def refuse_no_table(self):
        comments = sum(is_comment(text, "") for _, text in self.lines)
        if not self.lines or comments == len(self.lines):
            words = f"no table found: {comments} comment lines and blank lines only"
            raise self.fault(words, "bring a log that holds rows of data", self.lines[-1][0] if self.lines else 1)
        shown = escape(self.lines[0][1].strip())
        raise self.fault(
            f"no table found ({shown})",
            "state the delimiter, or bring delimited text with one row a reading",
            self.lines[0][0],
        )

    # ---- table ----

    def find(self) -> Found:
        if not self.lines:
            self.refuse_no_table()
        delimiter, rows = self.find_delimiter()
        if not rows:
            self.refuse_no_table()
        for number, cells in rows:
            if len(cells) > MAX_COLUMNS:
                raise self.fault(f"{len(cells)} columns, at most {MAX_COLUMNS} are read", "split the log", number)
            if max(map(len, cells)) <= MAX_CELL:
                continue
            for position, cell in enumerate(cells):
                if len(cell) > MAX_CELL:
                    raise LogFault(
                        Fault(
                            self.file,
                            f"cell of {len(cell)} characters ({escape(cell)})",
                            "take it out",
                            number,
                            position + 1,
                        )
                    )
        width, trailing_rows = sample.data_width(rows)
        kinds = sample.kinds(rows, width)
        first = self.first_data(rows, width, kinds)
        head, unit_row = self.find_header(rows, first, width)
        extra = width - len(head[1]) if head is not None else 0
        if extra and not (extra == 1 and trailing_rows):
            # Another header further down may begin another width: only what stands before it counts here.
            below = next((i for i in range(first + 1, len(rows)) if self.begins_width(rows[i][1], width, extra)), 0)
            if below:
                rows = rows[:below]
                width, trailing_rows = sample.data_width(rows[first:])
                kinds = sample.kinds(rows[first:], width)
        return self.build(delimiter, rows, width, trailing_rows, kinds, first, head, unit_row)

    @staticmethod
    def begins_width(cells: list[str], width: int, extra: int) -> bool:
        """Return True for names further down under which rows have another width than under the first header."""
        return sample.is_header(cells) and (len(cells) == width or extra != 1)

    def first_data(self, rows, width: int, kinds: list[str]) -> int:
        """Return the index of the first data row."""
        stated = self.wishes.header_line
        start = 0
        if stated:
            start = next((i for i, (number, _) in enumerate(rows) if number > stated), len(rows))
        for index in range(start, len(rows)):
            if sample.fits(rows[index][1], width, kinds):
                return index
        last = rows[-1][0]
        names = [cell for cell in rows[0][1] if header.is_name(cell)]
        if names:
            raise self.fault(f"no data rows after line {last}", "bring a log that holds readings", last)
        self.refuse_no_table()
        raise AssertionError

    def find_header(self, rows, first: int, width: int):
        """Return (header row or None, unit row or None)."""
        stated = self.wishes.header_line
        if stated == 0:
            return None, None
        if stated is not None:
            row = next((row for row in rows if row[0] == stated), None)
            row = row or self.commented_header(stated)
            if row is None:
                raise self.fault(f"no header on line {stated}", "mend header_line", stated)
            between = [r for r in rows[:first] if r[0] > stated]
            return row, between[0] if between and sample.is_unit_row(between[0][1]) else None
        above = rows[:first]
        if above and len(above[-1][1]) > 1 and sample.is_unit_row(above[-1][1]) and len(above) > 1:
            candidate = above[-2]
            if sample.is_header(candidate[1]) and abs(len(candidate[1]) - len(above[-1][1])) <= 1:
                return candidate, above[-1]
        for row in reversed(above[-3:]):
            if sample.is_header(row[1]):
                return row, None
        commented = self.commented_header(rows[first][0], width)
        return commented, None

    def commented_header(self, before: int, width: int | None = None):
        """Return a header that stands in a comment directly above the data, None if there is none."""
        for number, text in reversed([item for item in self.lines if item[0] <= before]):
            body = text.lstrip()
            if number == before and width is not None:
                continue
            if body[:1] not in "#%!;" and body[:2] != "//":
                return None
            body = body.lstrip("#%!;/ ")
            for delimiter in CANDIDATES:
                if delimiter in (WORDS, WIDE) or delimiter in body:
                    try:
                        cells = split_line(body, delimiter)
                    except OpenQuote:
                        continue
                    if sample.is_header(cells) and (width is None or len(cells) == width):
                        return number, cells
        return None

    def build(self, delimiter, rows, width, trailing_rows, kinds, first, head, unit_row) -> Found:
        data = rows[first:]
        skipped = [number for number, _ in rows[:first]]
        comma_fraction = -1
        if head is None:
            if self.wishes.header_line != 0:
                self.refuse_no_header(rows, first, width)
            raw, header_line, header_width = [""] * width, 0, width
        else:
            header_line, raw = head[0], list(head[1])
            self.head_line = header_line
            header_width = len(raw)
            if (
                raw
                and not raw[-1].strip()
                and all(not cells[-1].strip() for _, cells in data if len(cells) == header_width)
            ):
                trailing_both = header_width > 1 and width in (header_width, header_width - 1)
                if trailing_both:
                    raw, header_width = raw[:-1], header_width - 1
        trailing = False
        if width == header_width + 1 and trailing_rows:
            trailing, width = True, header_width
            if head is not None and len(head[1]) == header_width:
                self.say(
                    "repair", "every data row ends with a separator that the header does not have; ignored", data[0][0]
                )
            else:
                self.say("note", "every line ends with a separator; ignored", header_line or None)
        elif width == header_width + 1 and delimiter == ",":
            comma_fraction = sample.comma_fraction(data, width)
            if comma_fraction >= 0:
                self.say("repair", "fraction of a second stands behind a comma; joined to its time", data[0][0])
                width = header_width
        if width > header_width:
            self.refuse_wide(delimiter, data, width, header_width, raw)
        units_raw = [""] * header_width
        if unit_row is not None and delimiter in (WORDS, WIDE) and len(unit_row[1]) < header_width:
            # Between blanks an empty cell leaves no trace: which unit is whose cannot be told.
            said = f"units row with {len(unit_row[1])} units under {header_width} names: none of them is taken"
            self.say("refuse", said, unit_row[0], mend="write a unit for every column, or state the units in the map")
        elif unit_row is not None:
            units_raw = [*unit_row[1][:header_width], *[""] * (header_width - len(unit_row[1]))]
            self.say("repair", "units taken from the row under the header", unit_row[0])
        if delimiter in (WORDS, WIDE) and any("\t" in text for _, text in self.lines):
            kind = "note" if self.wishes.delimiter else "repair"
            self.say(kind, "columns split on runs of blanks and tabs", header_line or None)
        if head is not None and header_line > 1:
            above = [number for number in skipped if number < header_line]
            if above:
                before = f"{len(above)} line{'s' if len(above) > 1 else ''} of preamble"
                self.say(
                    "note" if self.wishes.header_line == header_line else "repair",
                    f"header found on line {header_line}, after {before}",
                    header_line,
                )
        cells = [joined(c, comma_fraction) for _, c in data]
        blank = {i for i in range(header_width) if self.is_blank(raw[i], i, cells)} if head is not None else set()
        names, units = self.name_columns(raw, units_raw, header_line, blank)
        kinds = sample.kinds([(0, c) for c in cells if len(c) >= min(2, header_width)], header_width)
        kinds = ["blank" if i in blank else kind for i, kind in enumerate(kinds)]
        first_line = data[0][0]
        if head is not None and header_line < first_line:
            # Whatever stands between header and first sound row is read by the law, so that nothing is lost unsaid.
            above = unit_row[0] if unit_row is not None else header_line
            first_line = self.last_lines.get(above, above) + 1
        elif skipped:
            before = f"{len(skipped)} line{'s' if len(skipped) > 1 else ''}"
            self.say("note", f"{before} before the first row left out", skipped[0])
        layout = self.finish(
            delimiter, names, units, kinds, data, cells, header_line, first_line, trailing, comma_fraction
        )
        return Found(replace(layout, raw_header=delimiter.join(raw)), self.remarks, skipped)

    @staticmethod
    def is_blank(name: str, position: int, cells: list[list[str]]) -> bool:
        """Return True for a column without a name in which no row has anything: two separators with nothing between."""
        return not header.clean_name(name) and not any(row[position].strip() for row in cells if len(row) > position)

    def refuse_no_header(self, rows, first: int, width: int):
        for number, cells in rows[first:]:
            if sample.is_header(cells) and len(cells) in (width, width - 1):
                raise _HeaderBelow(number)
        template = ", ".join(f'"#{i + 1}"' for i in range(min(width, 6)))
        raise self.fault(
            f"no header: the first row holds numbers ({escape(' '.join(rows[first][1]))})",
            f"state header_line = 0 and map the columns by position ({template})",
            rows[first][0],
        )

    def refuse_wide(self, delimiter, data, width, header_width, raw):
        line, cells = next(((n, c) for n, c in data if len(c) > header_width), data[0])
        shown = escape(("," if delimiter == "," else " ").join(cells))
        if delimiter == "," and any(re.fullmatch(r"[+-]?\d+", c.strip()) for c in cells[:-1]):
            raise self.fault(
                f"{len(cells)} fields under {header_width} names ({shown}): decimal commas and separators look alike",
                "export with semicolons between the columns, or with a decimal point",
                line,
            )
        raise self.fault(
            f"{len(cells)} fields under {header_width} names ({shown})",
            "name every column in the header, or state the delimiter",
            line,
        )

    def name_columns(self, raw: list[str], units_raw: list[str], line: int, blank: set[int]):
        """Return (names, units) of the columns. Raises LogFault when two that are asked for have one name."""
        names, units, empty = [], [], []
        for position, (text, unit_text) in enumerate(zip(raw, units_raw, strict=True)):
            name = header.clean_name(text)
            if not name:
                name = f"#{position + 1}"
                if position not in blank:
                    empty.append(name)
            unit = header.unit_in_cell(unit_text) if unit_text.strip() else ""
            if unit is None:
                self.say("note", f"unknown unit {escape(unit_text.strip())!r} for column {escape(name)!r}", line)
            names.append(name)
            units.append(unit or header.split_unit(name)[1])
        if blank and line:
            words = "every line begins with a separator; ignored"
            if blank != {0}:
                places = ", ".join(f"#{i + 1}" for i in sorted(blank))
                words = f"columns with neither a name nor values in the first rows, left out: {places}"
            self.say("note", words, line)
        if empty and line:
            self.say("note", f"columns without a name, named by position: {', '.join(empty)}", line)
        counts = Counter(names)
        twice = [name for name, count in counts.items() if count > 1]
        if twice:
            names = self.resolve_twice(names, twice, line)
        for note in header.name_notes(names, raw):
            self.say("note", note, line)
        if any("μ" in text for text in raw + units_raw) and any("µ" in text for text in raw + units_raw):
            self.say("note", "micro sign and Greek mu both stand for micro; taken as the same", line)
        return names, units

    def resolve_twice(self, names: list[str], twice: list[str], line: int) -> list[str]:
        """Return names made unique by position where nobody asks for them by name. Raises LogFault otherwise."""
        asked = {header.clean_name(name).casefold() for name in (*self.wishes.mapped, *self.wishes.time_columns)}
        hit = [name for name in twice if name.casefold() in asked or header.split_unit(name)[0].casefold() in asked]
        if hit or not (self.wishes.has_map or self.wishes.by_position):
            faults = []
            for name in hit or twice:
                places = [f"#{i + 1}" for i, other in enumerate(names) if other == name]
                faults.append(
                    Fault(
                        self.file,
                        f"{len(places)} columns have the name {escape(name)!r} ({', '.join(places)})",
                        f'map the one that is meant by its position, e.g. "{places[0]}"',
                        line,
                    )
                )
            raise LogFault(faults)
        for name in twice:
            self.say("note", f"columns with the same name {escape(name)!r}, told apart by position", line)
        return [f"{name} (#{i + 1})" if name in twice else name for i, name in enumerate(names)]

    def position(self, reference: str, names: list[str], what: str) -> int:
        return header.column_position(reference, names, self.file, what, self.head_line or 1)

    # ---- kinds, styles, times ----

    def finish(
        self, delimiter, names, units, kinds, data, cells, header_line, first_line, trailing, comma_fraction
    ) -> Layout:
        width = len(names)
        columns = [[row[i] for row in cells if len(row) > i] for i in range(width)]
        mapped = {self.position(ref, names, "channel") for ref in self.wishes.mapped}
        for position in mapped:
            kinds[position] = "number"
        plan = self.find_plan(names, units, kinds, columns, data)
        for position in plan.fields:
            kinds[position] = "time"
        for reference, unit in self.wishes.units.items():
            if unit:
                units[self.position(reference, names, "channel")] = unit
        styles = self.find_styles(delimiter, names, kinds, columns, units, plan)
        for i, style in enumerate(styles):
            if kinds[i] == "number" and style.unit and not units[i]:
                units[i] = style.unit
        return Layout(
            delimiter,
            tuple(names),
            tuple(units),
            tuple(kinds),
            tuple(styles),
            plan,
            header_line,
            first_line,
            trailing,
            comma_fraction,
        )

    def find_styles(self, delimiter, names, kinds, columns, units, plan) -> list[numbers.NumberStyle]:
        """Return the number style of every column. Raises LogFault when marks could mean two things."""
        evidence = [numbers.Evidence() for _ in columns]
        for i, column in enumerate(columns):
            if kinds[i] == "number" or (kinds[i] == "time" and plan.kind in ("number", "serial")):
                evidence[i].add_all(column)
            if names[i] in self.wishes.proofs:
                evidence[i].add(self.wishes.proofs[names[i]][1])
        point = sum(e.decimal_point + e.group_comma for e in evidence)
        comma = sum(e.decimal_comma + e.group_point for e in evidence)
        maybe = sum(e.maybe_point + e.maybe_comma for e in evidence)
        if plan.kind in ("datetime", "clock", "date+clock", "hms"):
            for cell in columns[plan.fields[-1]][:50]:
                mark = re.search(r":\d{2}([.,])\d+", cell)
                if mark and mark[1] == ".":
                    point += 1
        styles = []
        for i, item in enumerate(evidence):
            own_point, own_comma = item.decimal_point + item.group_comma, item.decimal_comma + item.group_point
            if self.wishes.decimal:
                decimal = self.wishes.decimal
            elif own_point or own_comma:
                decimal = "." if own_point >= own_comma else ","
            elif item.maybe_point or item.maybe_comma:
                decimal = self.doubtful(delimiter, item, point, comma, units[i], columns[i])
            else:
                decimal = "," if comma and not point else "."
            decided = bool(delimiter == "," or self.wishes.decimal or point or comma or maybe)
            group = item.group_other
            if decimal == "." and (item.group_comma or item.maybe_comma) and not item.decimal_comma:
                group = ","
            if decimal == "," and (item.group_point or (item.maybe_point and own_comma)) and not item.decimal_point:
                group = "."
            in_cells, cell_unit = sample.cell_units(columns[i]) if kinds[i] == "number" else (False, "")
            unit = units[i] or cell_unit
            styles.append(numbers.NumberStyle(decimal, group, unit, in_cells, decided))
        if any(style.decimal == "," for style in styles) and comma:
            if self.wishes.decimal:
                self.say("note", "decimal comma, as stated")
            else:
                self.say("repair", "decimal comma, proven on whole columns")
        return styles

    def doubtful(self, delimiter, item, point: int, comma: int, unit: str, column: list[str]) -> str:
        """Return the decimal mark of a column whose own cells prove nothing."""
        if item.maybe_point and not item.maybe_comma:
            if point or delimiter == ",":
                return "."
            if comma:
                return ","
            # 411.223 W could only be 411 kW if the point grouped digits: no bench has that.
            if unit[:1] not in ("m", "u", "n", "k") and any(re.match(r"[+-]?\d{3}\.", cell.strip()) for cell in column):
                return "."
        elif item.maybe_comma and not item.maybe_point:
            if comma and not point:
                return ","
            if point or delimiter == ",":
                return "."
            if unit[:1] not in ("m", "u", "n", "k") and any(re.match(r"[+-]?\d{3},", cell.strip()) for cell in column):
                return ","
        first = escape(item.first_maybe)
        line = next((n for n, text in self.lines if item.first_maybe in text), None)
        line = line or next((n for n, text in self.wishes.proofs.values() if item.first_maybe in text), None)
        raise self.fault(
            f"{first} could be a decimal number or digits grouped in threes, and no other cell settles it",
            'state decimal = "." or decimal = ","',
            line,
        )

    def find_plan(self, names, units, kinds, columns, data) -> times.TimePlan:
        return find_plan(names, units, kinds, columns, data[0][0], self.wishes, self.file, self.say)


class _HeaderBelow(Exception):
    """The header stands in the middle of the file; rows before it have no names."""

    def __init__(self, line: int):
        super().__init__(line)
        self.line = line


HeaderBelow = _HeaderBelow
