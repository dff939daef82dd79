"""How a table is laid out: separator, header, units, kinds of columns, number style; found from a sample of lines."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field, replace

from phasewright.bench import Fault, LogFault, escape

from . import _header as header
from . import _numbers as numbers
from . import _times as times
from ._timeplan import find_plan

WORDS = "ws"
"""Separator rule: runs of blanks and tabs."""
WIDE = "ws2"
"""Separator rule: two blanks or more, or tabs."""
CANDIDATES = ("\t", ";", ",", "|", WIDE, WORDS)
DELIMITER_WORDS = {
    "\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", WORDS: "runs of blanks", WIDE: "two blanks or more",
    " ": "blank", ":": "colon",
}  # fmt: skip
MAX_COLUMNS = 4096
MAX_CELL = 1 << 16
MAX_QUOTED = 1 << 20
SAMPLE_LINES = 600
PREAMBLE = 40

FOOTER_WORDS = frozenset(
    """average avg mean min minimum max maximum sum total std stdev stddev count median rms mittelwert mittel summe
    anzahl moyenne moy somme écart promedio media suma mínimo máximo minimo maximo end eof ende fin peak peak-to-peak
    samples variance sigma""".split()
)


class OpenQuote(Exception):
    """A quoted cell goes on in the next line."""


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line, quotes taken off. Raises OpenQuote when a quoted cell is not closed."""
    if '"' in line and delimiter not in (WORDS, WIDE):
        return _split_quoted(line, delimiter)
    if delimiter == WORDS:
        return re.split(r"[ \t]+", line.strip(" \t"))
    if delimiter == WIDE:
        return re.split(r"[ ]{2,}|[ ]*\t[ ]*", line.strip())
    return line.split(delimiter)


def _split_quoted(line: str, delimiter: str) -> list[str]:
    cells, i, size = [], 0, len(line)
    while True:
        j = i
        while j < size and line[j] in " \t" and line[j] != delimiter:
            j += 1
        if j < size and line[j] == '"':
            parts, k = [], j + 1
            while True:
                end = line.find('"', k)
                if end < 0:
                    raise OpenQuote
                parts.append(line[k:end])
                if end + 1 < size and line[end + 1] == '"':
                    parts.append('"')
                    k = end + 2
                    continue
                break
            stop = line.find(delimiter, end + 1)
            stop = size if stop < 0 else stop
            cells.append("".join(parts) + line[end + 1 : stop].rstrip())
        else:
            stop = line.find(delimiter, i)
            stop = size if stop < 0 else stop
            cells.append(line[i:stop])
        if stop >= size:
            return cells
        i = stop + len(delimiter)
        if i == size:
            cells.append("")
            return cells


def is_comment(line: str, delimiter: str) -> bool:
    """Return True for a line that starts with a sign for comments (a semicolon only where it separates nothing)."""
    start = line.lstrip()[:2]
    return start[:1] in ("#", "%", "!") or start == "//" or (start[:1] == ";" and delimiter != ";")


@dataclass(frozen=True, slots=True)
class Layout:
    """How the rows of one stretch of a file are read. `names` are as in the header, one a field."""

    delimiter: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    kinds: tuple[str, ...]
    """time | number | text, one a field."""
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
    date_order: str = ""


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
            try:
                rows = self.split_all(delimiter)
            except LogFault as fault:
                open_quote = fault
                continue
            score = _score(rows, delimiter)
            if score > best_score + 1e-9:
                best, best_score, best_rows = delimiter, score, rows
        if open_quote is not None and best in ("", WORDS, WIDE):
            raise open_quote
        if best_score < 0.2:
            self.refuse_no_table()
        return best, best_rows

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
        width, trailing_rows = _data_width(rows)
        kinds = _kinds(rows, width)
        first = self.first_data(rows, width, kinds)
        head, unit_row = self.find_header(rows, first, width)
        if head is not None and not 0 <= width - len(head[1]) <= 1:
            # Another header further down may begin another width: only what stands before it counts here.
            below = next((i for i in range(first + 1, len(rows)) if _is_header(rows[i][1])), 0)
            if below:
                rows = rows[:below]
                width, trailing_rows = _data_width(rows[first:])
                kinds = _kinds(rows[first:], width)
        elif head is not None and width - len(head[1]) == 1 and not trailing_rows:
            below = next(
                (i for i in range(first + 1, len(rows)) if len(rows[i][1]) == width and _is_header(rows[i][1])), 0
            )
            if below:
                rows = rows[:below]
                width, trailing_rows = _data_width(rows[first:])
                kinds = _kinds(rows[first:], width)
        return self.build(delimiter, rows, width, trailing_rows, kinds, first, head, unit_row)

    def first_data(self, rows, width: int, kinds: list[str]) -> int:
        """Return the index of the first data row."""
        stated = self.wishes.header_line
        start = 0
        if stated:
            start = next((i for i, (number, _) in enumerate(rows) if number > stated), len(rows))
        for index in range(start, len(rows)):
            if _fits(rows[index][1], width, kinds):
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
            return row, between[0] if between and _is_unit_row(between[0][1]) else None
        above = rows[:first]
        if above and len(above[-1][1]) > 1 and _is_unit_row(above[-1][1]) and len(above) > 1:
            candidate = above[-2]
            if _is_header(candidate[1]) and abs(len(candidate[1]) - len(above[-1][1])) <= 1:
                return candidate, above[-1]
        for row in reversed(above[-3:]):
            if _is_header(row[1]):
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
                    cells = split_line(body, delimiter)
                    if _is_header(cells) and (width is None or len(cells) == width):
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
            comma_fraction = _comma_fraction(data, width)
            if comma_fraction >= 0:
                self.say("repair", "fraction of a second stands behind a comma; joined to its time", data[0][0])
                width = header_width
        if width > header_width:
            self.refuse_wide(delimiter, data, width, header_width, raw)
        units_raw = [""] * header_width
        if unit_row is not None:
            units_raw = [*unit_row[1][:header_width], *[""] * (header_width - len(unit_row[1]))]
            self.say("repair", f"units taken from the row under the header (line {unit_row[0]})", unit_row[0])
        if delimiter in (WORDS, WIDE) and any("\t" in text for _, text in self.lines):
            self.say("repair", "columns split on runs of blanks and tabs", header_line or None)
        if head is not None and header_line > 1:
            above = [number for number in skipped if number < header_line]
            if above:
                self.say(
                    "repair", f"header found on line {header_line}, after {len(above)} lines of preamble", header_line
                )
        names, units = self.name_columns(raw, units_raw, header_line)
        cells = [_joined(c, comma_fraction) for _, c in data]
        kinds = _kinds([(0, c) for c in cells if len(c) >= min(2, header_width)], header_width)
        first_line = data[0][0]
        if head is not None and header_line < first_line:
            # Whatever stands between header and first sound row is read by the law, so that nothing is lost unsaid.
            first_line = (unit_row[0] if unit_row is not None else header_line) + 1
        elif skipped:
            self.say("note", f"{len(skipped)} lines before the first row left out", skipped[0])
        layout = self.finish(
            delimiter, names, units, kinds, data, cells, header_line, first_line, trailing, comma_fraction
        )
        return Found(replace(layout, raw_header=delimiter.join(raw)), self.remarks, skipped)

    def refuse_no_header(self, rows, first: int, width: int):
        for number, cells in rows[first:]:
            if _is_header(cells) and len(cells) in (width, width - 1):
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
                f"{len(cells)} fields under {header_width} names ({shown}): decimal commas in a comma-separated file cannot be told apart",
                "export with semicolons between the columns, or with a decimal point",
                line,
            )
        raise self.fault(
            f"{len(cells)} fields under {header_width} names ({shown})",
            "name every column in the header, or state the delimiter",
            line,
        )

    def name_columns(self, raw: list[str], units_raw: list[str], line: int) -> tuple[list[str], list[str]]:
        names, units, empty = [], [], []
        for position, (text, unit_text) in enumerate(zip(raw, units_raw, strict=True)):
            name = header.clean_name(text)
            if not name:
                name = f"#{position + 1}"
                empty.append(name)
            unit = header.unit_in_cell(unit_text) if unit_text.strip() else ""
            if unit is None:
                self.say("note", f"unknown unit {escape(unit_text.strip())!r} for column {escape(name)!r}", line)
            names.append(name)
            units.append(unit or header.split_unit(name)[1])
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
        if hit or not self.wishes.has_map:
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
        return header.column_position(reference, names, self.file, what)

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
        styles = self.find_styles(delimiter, kinds, columns, units, plan)
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

    def find_styles(self, delimiter, kinds, columns, units, plan) -> list[numbers.NumberStyle]:
        """Return the number style of every column. Raises LogFault when marks could mean two things."""
        evidence = [numbers.Evidence() for _ in columns]
        for i, column in enumerate(columns):
            if kinds[i] == "number" or (kinds[i] == "time" and plan.kind in ("number", "serial")):
                for cell in column:
                    evidence[i].add(cell)
        point = sum(e.decimal_point + e.group_comma for e in evidence)
        comma = sum(e.decimal_comma + e.group_point for e in evidence)
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
            group = item.group_other
            if decimal == "." and (item.group_comma or item.maybe_comma) and not item.decimal_comma:
                group = ","
            if decimal == "," and (item.group_point or (item.maybe_point and own_comma)) and not item.decimal_point:
                group = "."
            in_cells, cell_unit = _cell_units(columns[i]) if kinds[i] == "number" else (False, "")
            unit = units[i] or cell_unit
            styles.append(numbers.NumberStyle(decimal, group, unit, in_cells))
        if any(style.decimal == "," for style in styles) and comma:
            self.say(
                "repair",
                "decimal comma, proven on whole columns" if not self.wishes.decimal else "decimal comma, as stated",
            )
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


def _joined(cells: list[str], at: int) -> list[str]:
    if at < 0 or len(cells) <= at + 1:
        return cells
    return [*cells[:at], cells[at] + "." + cells[at + 1].strip(), *cells[at + 2 :]]


def _comma_fraction(data, width: int) -> int:
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


def cell_class(text: str) -> str:
    """Return what a cell looks like: missing | stamp | number | text."""
    text = text.strip()
    if numbers.is_missing(text):
        return "missing"
    if numbers.PLAIN.fullmatch(text):
        return "number"
    if re.match(
        r"\d{1,4}[-/.:]\d{1,2}[-/.:]\d|\d{1,2}:\d{2}|\d{1,2}[-. ][A-Za-z]{3}|[A-Za-z]{3,9}\.? \d{1,2},? \d{4}|\d{8}[T _]?\d{6}",
        text,
    ):
        if not numbers.is_numberlike(text):
            return "stamp"
    if re.match(r"\d{1,2}\.\d{1,2}\.\d{4}", text):
        return "stamp"
    return "number" if numbers.is_numberlike(text) else "text"


def _score(rows, delimiter: str) -> float:
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
    others = [mark for mark in ("\t", ";", "|") if mark != delimiter and delimiter not in (WORDS, WIDE)]
    chosen = [cells for _, cells in body if len(cells) == width]
    for cells in chosen[:: max(1, len(chosen) // 60)]:
        for cell in cells:
            total += 1
            kind = cell_class(cell)
            if any(mark in cell for mark in others):
                continue
            good += {"number": 1.0, "stamp": 1.0, "missing": 0.8, "text": 0.35}[kind]
    quality = good / total if total else 0.0
    named = any(_is_header(cells) and abs(len(cells) - width) <= 1 for _, cells in rows)
    return share * quality * (1.0 if named else 0.6) * (1.0 if delimiter not in (WORDS, WIDE) else 0.95)


def _data_width(rows) -> tuple[int, bool]:
    """Return (number of fields of most data rows, True when their last field is empty in all of them)."""
    dataish = [cells for _, cells in rows if len(cells) > 1 and not _is_header(cells) and not _is_unit_row(cells)]
    pool = dataish or [cells for _, cells in rows]
    counts = Counter(len(cells) for cells in pool)
    width = max(counts.items(), key=lambda item: (item[1], item[0]))[0]
    trailing = all(not cells[-1].strip() for cells in pool if len(cells) == width)
    return width, trailing


def _kinds(rows, width: int) -> list[str]:
    """Return number | text | stamp for every field, by the majority of the later half of the sample."""
    body = [cells for _, cells in rows if abs(len(cells) - width) <= 1 and not _is_header(cells)]
    body = body[len(body) // 2 :] if len(body) > 2 * PREAMBLE else body
    kinds = []
    for i in range(width):
        counts = Counter(cell_class(cells[i]) for cells in body if len(cells) > i)
        counts.pop("missing", None)
        kinds.append(counts.most_common(1)[0][0] if counts else "number")
    return kinds


def _fits(cells: list[str], width: int, kinds: list[str]) -> bool:
    """Return True when a row looks like the data: right number of fields, right kinds."""
    if abs(len(cells) - width) > 1 or len(cells) < min(width, 2) or _is_header(cells) or _is_unit_row(cells):
        return False
    hits = total = 0
    for cell, kind in zip(cells, kinds, strict=False):
        found = cell_class(cell)
        if kind == "text" or found == "missing":
            continue
        total += 1
        hits += found == kind
    return total > 0 and hits >= 0.6 * total


def _is_unit_row(cells: list[str]) -> bool:
    """Return True when every cell holds a unit or nothing, and at least one a known unit."""
    found = [header.unit_in_cell(cell) for cell in cells]
    return (
        all(unit is not None for unit in found)
        and any(found)
        and not any(cell.strip() and numbers.PLAIN.fullmatch(cell.strip()) for cell in cells)
    )


def _is_header(cells: list[str]) -> bool:
    """Return True when a row holds names: two or more fields, no numbers, letters in most."""
    filled = [cell for cell in cells if cell.strip()]
    if len(cells) < 2 or not filled:
        return False
    names = sum(header.is_name(cell) for cell in filled)
    figures = sum(cell_class(cell) in ("number", "stamp") for cell in filled)
    return names >= max(1, 0.6 * len(filled)) and figures == 0 or (names >= 2 and figures <= 0.2 * len(filled))


is_header = _is_header


def _cell_units(column: list[str]) -> tuple[bool, str]:
    """Return (True when cells carry units throughout, the commonest unit)."""
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
