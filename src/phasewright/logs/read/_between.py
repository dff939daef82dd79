"""Lines that stand between rows: headers again, units, comments, footers, glued and stray lines, a second table."""

from __future__ import annotations

import re
from abc import abstractmethod
from dataclasses import replace

from phasewright.bench import escape

from . import _cells as cells_
from . import _header as header
from . import _numbers as numbers
from . import _sample as sample
from ._cells import OpenQuote, split_line
from ._layout import Layout
from ._notes import Notes
from ._timeplan import is_time_name
from ._times import Doubt

FOOTER_WORDS = frozenset(
    """average avg mean min minimum max maximum sum total std stdev stddev count median rms mittelwert mittel summe
    anzahl moyenne moy somme écart promedio media suma mínimo máximo minimo maximo end eof ende fin peak peak-to-peak
    samples variance sigma""".split()
)


class LineJudge:
    """Decides what a line is that is no plain row. The row reader gives it the table as far as it is known."""

    layout: Layout
    notes: Notes
    names: list[str]
    units: list[str]
    kinds: list[str]
    folded: list[str]

    def __init__(self) -> None:
        self.held: tuple[int, list[str]] | None = None
        """A line that could head a second table."""
        self.stopped = 0
        """Line of a second table, where reading stopped; 0 = none."""
        self.extra_rows = 0
        self.first_extra: tuple[int, str] | None = None
        self._break_next = False
        self._table_names: set[str] = set()

    @abstractmethod
    def use(self, layout: Layout) -> None:
        """Read on with a layout."""

    @abstractmethod
    def _stamp(self, cells: list[str]):
        """Return the stamp of a row. Raises ValueError, IndexError, OverflowError or Doubt when it has none."""

    @abstractmethod
    def _row(self, cells: list[str], number: int, text: str) -> None:
        """Read a row."""

    def _unusual_line(self, cells: list[str], number: int, text: str, bad_time: bool = False) -> bool:
        """Deal with a line that may be no row; return False when it is to be read as one."""
        layout = self.layout
        held, self.held = self.held, None
        if held is not None:
            self._settle_held(held, cells, text)
            if self.stopped:
                return True
        if cells_.is_comment(text, layout.delimiter):
            self.notes.say("repair", "comment line skipped", number)
            return True
        fits = False
        if not bad_time:
            try:
                self._stamp(cells)
                fits = True
            except (ValueError, IndexError, OverflowError, Doubt):
                fits = False
        if fits and len(cells) == layout.width:
            return False
        if not fits:
            return self._between(cells, number, text)
        if len(cells) < layout.width:
            return False
        if not "".join(cells[layout.width :]).strip():
            return False
        if self._stamps_in(text) > 1:
            self.notes.say(
                "repair", "cut line glued to the next one, dropped: new segment", number, shown=escape(text, 60)
            )
            self._break_next = True
            return True
        self.extra_rows += 1
        if self.first_extra is None:
            self.first_extra = (number, f"{len(cells)} fields under {layout.width} names ({escape(text)})")
        return True

    def _stamps_in(self, text: str) -> int:
        kind = self.layout.plan.kind
        if kind in ("datetime", "date+clock"):
            return len(re.findall(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}", text))
        if kind in ("clock", "hms"):
            return len(re.findall(r"\d{1,2}:\d{2}:\d{2}", text))
        if kind == "number" and self.layout.plan.epoch:
            return len(re.findall(r"\d{10,19}", text))
        return 0

    def _between(self, cells: list[str], number: int, text: str) -> bool:
        """Deal with a line without a readable time: header again, footer, other separator, second table, stray text."""
        layout = self.layout
        folded = [header.clean_name(cell).casefold() for cell in cells]
        while folded and not folded[-1] and len(folded) > layout.width:
            folded.pop()
        folded = [name or f"#{i + 1}" for i, name in enumerate(folded)]
        if folded == self.folded or (layout.comma_fraction >= 0 and text.strip() == layout.raw_header.strip()):
            self.notes.say("repair", "header repeated: new segment", number)
            self._break_next = True
            return True
        known = [name for name in folded if name and name in self.folded]
        if len(known) >= max(2, 0.5 * min(len(self.folded), len(folded))) and sample.is_header(cells):
            return self._new_header(cells, folded, number)
        if self._is_unit_row(cells):
            self.notes.say("repair", "units row repeated, skipped", number)
            return True
        first = next((header.split_words(cell) for cell in cells if cell.strip()), [])
        if (
            first
            and first[0] in FOOTER_WORDS
            and not sample.is_header(cells[:2])
            or (len(first) == 1 and first[0] in FOOTER_WORDS)
        ):
            self.notes.say("repair", "footer row left out", number, shown=escape(text, 40))
            return True
        if self._other_separator(text, number):
            return True
        if sample.is_header(cells) and (any(is_time_name(cell) for cell in cells) or len(cells) != layout.width):
            self.held = (number, cells)
            return True
        if self._stamps_in(text) > 1:
            self.notes.say(
                "repair", "cut line glued to the next one, dropped: new segment", number, shown=escape(text, 60)
            )
            self._break_next = True
            return True
        if len(cells) != layout.width:
            self.notes.say(
                "refuse",
                "line that is no row of the table, dropped",
                number,
                mend="take it out, or start it with #",
                shown=escape(text, 60),
            )
            return True
        return False

    def _is_unit_row(self, cells: list[str]) -> bool:
        return sample.is_unit_row(cells) and any(
            header.unit_in_cell(cell) == unit and unit for cell, unit in zip(cells, self.layout.units, strict=False)
        )

    def _settle_held(self, held: tuple[int, list[str]], cells: list[str], text: str) -> None:
        """Decide what the line before was: the head of a second table, or stray words."""
        number, names = held
        numeric = sum(cells_.cell_class(cell) in ("number", "stamp") for cell in cells)
        if numeric >= max(1, 0.5 * len(cells)) and abs(len(cells) - len(names)) <= 1:
            self.stopped = number
            self.notes.say(
                "refuse",
                "a second table starts here; it and all that follows are left out",
                number,
                mend="split the file, one table a file",
                shown=escape(", ".join(names), 60),
            )
        else:
            self.notes.say(
                "refuse",
                "line that is no row of the table, dropped",
                number,
                mend="take it out, or start it with #",
                shown=escape(", ".join(names), 60),
            )

    def _new_header(self, cells: list[str], folded: list[str], number: int) -> bool:
        """Read on under a header that came again with columns moved or added."""
        layout = self.layout
        place = {name: i for i, name in enumerate(self.folded)}
        if any(self.folded[field] not in folded for field in layout.plan.fields) or len(set(folded)) != len(folded):
            self.notes.say(
                "refuse",
                "header that does not name the time, or names a column twice; rows under it are read by the old one",
                number,
            )
            return True
        names, units, kinds, styles = [], [], [], []
        plain = numbers.NumberStyle(
            next((s.decimal for s, k in zip(layout.styles, layout.kinds, strict=True) if k == "number"), ".")
        )
        for i, name in enumerate(folded):
            old = place.get(name)
            if old is not None:
                names.append(layout.names[old])
                units.append(layout.units[old])
                kinds.append(layout.kinds[old])
                styles.append(layout.styles[old])
                continue
            text = header.clean_name(cells[i]) or f"#{i + 1}"
            known = self.names.index(text) if text in self.names else None
            unit = header.split_unit(text)[1]
            names.append(text)
            units.append(self.units[known] if known is not None else unit)
            kinds.append(self.kinds[known] if known is not None else "number")
            styles.append(replace(plain, unit=unit))
        fields = tuple(folded.index(self.folded[field]) for field in layout.plan.fields)
        added = [name for name in names if name not in self._table_names]
        words = "header repeated with other columns" if added else "header repeated with columns in another order"
        self.notes.say(
            "repair", f"{words}: read by name from here, new segment", number, shown=escape(", ".join(added), 60)
        )
        self.use(
            replace(
                layout,
                names=tuple(names),
                units=tuple(units),
                kinds=tuple(kinds),
                styles=tuple(styles),
                plan=replace(layout.plan, fields=fields),
            )
        )
        self._break_next = True
        return True

    def _other_separator(self, text: str, number: int) -> bool:
        """Read on with another separator when only it makes a row of the line."""
        layout = self.layout
        if number == layout.first_line:
            return False
        for delimiter in cells_.CANDIDATES[:4]:
            if delimiter == layout.delimiter or delimiter not in text:
                continue
            try:
                cells = split_line(text, delimiter)
            except OpenQuote:
                continue
            while len(cells) > layout.width and not cells[-1].strip():
                cells.pop()
            folded = [header.clean_name(cell).casefold() for cell in cells]
            is_head = folded == self.folded
            if not is_head:
                if len(cells) != layout.width or sample.is_header(cells):
                    continue
                try:
                    self._stamp(cells)
                except (ValueError, IndexError, OverflowError, Doubt):
                    continue
            styles = layout.styles if is_head else self._styles_from(cells)
            self.notes.say(
                "repair",
                f"separator changes from {cells_.DELIMITER_WORDS.get(layout.delimiter, layout.delimiter)} to "
                f"{cells_.DELIMITER_WORDS[delimiter]}: new segment",
                number,
            )
            self.use(replace(layout, delimiter=delimiter, styles=styles, trailing=False))
            self._break_next = True
            if not is_head:
                self._row(cells, number, text)
            return True
        return False

    def _styles_from(self, cells: list[str]) -> tuple[numbers.NumberStyle, ...]:
        styles = []
        for cell, style in zip(cells, self.layout.styles, strict=True):
            proof = numbers.Evidence()
            proof.add(cell)
            decimal = "," if proof.decimal_comma else "." if proof.decimal_point else style.decimal
            styles.append(replace(style, decimal=decimal))
        return tuple(styles)
