"""What a reading noticed, counted by kind, words and column, with the first line of each."""

from __future__ import annotations

from dataclasses import dataclass

from phasewright.bench import Fault, LogFault, escape

from ..records import Remark

MOST_FAULTS = 50

# What mends what, by the start of the words.
_MENDS = (
    ("missing", ""),
    ("spreadsheet error", "export the log again from the instrument's own data"),
    ("whole number with a leading zero", "log plain decimal numbers, or leave the column unmapped"),
    ("hexadecimal", "log decimal numbers, or leave the column unmapped"),
    ("truth value", "log 1 and 0, or leave the column unmapped"),
    ("digits that are not", "write digits as 0 to 9"),
    ("digits not grouped", "export without grouping of digits"),
    ("decimal point in", "export with one decimal mark throughout, or state decimal"),
    ("number with a bare prefix", "write the whole unit, e.g. mV or MHz"),
    ("number without a unit", "write the unit in every cell, or in the header only"),
    ("unit", "state the unit in the header"),
    ("a date where", "import the column as text in the spreadsheet, or bring the raw log"),
    ("number of", "bring the raw log"),
    ("not a number", "mend the cell, or bring the raw log"),
)


# What makes a repair needless, by words in the remark: strict reading asks for it.
_INSTEAD = (
    ("decoded from", "save the log as UTF-8, or state its encoding"),
    ("not UTF-8, read as cp1252", 'state encoding = "cp1252", or save the log as UTF-8'),
    ("carriage returns only", "save the log with line feeds at the line ends"),
    ("header found on line", "state header_line for the log, or take the lines above it out"),
    ("units taken from the row", "write the units into the header, and take the row out"),
    ("units row repeated", "take the row out"),
    ("split on runs of blanks", 'state delimiter = "blanks"'),
    ("decimal comma", 'state decimal = ","'),
    ("ends with a separator", "take the last separator of every row off, or write it in the header as well"),
    ("stands behind a comma", "write the fraction of a second behind a point"),
    ("empty fields behind", "take the separators at the end of the row off"),
    ("comment line", "take the line out"),
    ("footer row", "take the row out"),
    ("fewer fields", "complete the row, or take it out"),
    ("glued to the next", "part the line where the second row begins, or take it out"),
    ("no line end", "let the logger finish the line, or take it out"),
    ("zero bytes", "take the zero bytes out"),
    ("byte inside a number", "bring the raw log, or empty the cell"),
    ("newest row first", "export the log with the oldest row first"),
    ("passes midnight", "log the date with the time"),
    ("wrapped; unwrapped", "log dates, or a counter that does not wrap in the run"),
    ("new segment", "split the log there, one run a file"),
    ("summer time", "log in UTC, or with the offset in every stamp"),
    ("time taken from that column", "state that column in time_columns"),
    ("count from 1970", "name the unit of the time column in the header"),
    ("spreadsheet serial dates", "export the stamps as text"),
    ("by the instrument's period", "name the unit of the time column in the header"),
    ("taken as ms by its spacing", "name the unit of the time column in the header"),
    ("is used", "state that column in time_columns"),
    ("00:00 of the next day", "write 00:00 of the next day"),
    ("taken as missing", "empty the cells that hold no reading"),
    ("minus written", "write the minus as -"),
    ("space removed", "take the space out"),
    ("exponent written with D", "write the exponent with E"),
    ("digits grouped by", "export without grouping of digits"),
    ("split from the number", "write the unit in the header only"),
    ("converted to", "log one unit throughout"),
    ("taken as percent", 'state the unit in the map: units = ["%"]'),
    ("counter wraps at", "log power in place of the counter, or bring the counter unwrapped"),
    ("counter was set back", "split the log where the counter starts anew"),
)


@dataclass(slots=True)
class _Entry:
    count: int
    line: int | None
    mend: str
    shown: str


class Notes:
    """Collects remarks of one file."""

    def __init__(self, file: str):
        self.file = file
        self._entries: dict[tuple[str, str, str], _Entry] = {}

    def say(
        self,
        kind: str,
        what: str,
        line: int | None = None,
        column: str = "",
        mend: str = "",
        count: int = 1,
        shown: str = "",
    ) -> None:
        """Count one more of a kind; the first line and example are kept."""
        entry = self._entries.get((kind, what, column))
        if entry is None:
            self._entries[kind, what, column] = _Entry(count, line, mend or (mend_for(what) if kind == "refuse" else ""), shown)
        else:
            entry.count += count
            if line is not None and (entry.line is None or line < entry.line):
                entry.line = line
                entry.shown = shown or entry.shown

    def remarks(self) -> tuple[Remark, ...]:
        """Return every remark, the gravest kind first, then by line."""
        order = {"refuse": 0, "repair": 1, "note": 2}
        items = sorted(self._entries.items(), key=lambda item: (order[item[0][0]], item[1].line or 0))
        return tuple(
            Remark(
                kind,
                escape(what, 400) + (f" ({escape(entry.shown)})" if entry.shown and entry.shown not in what else ""),
                entry.line,
                column,
                entry.count,
                entry.mend,
            )
            for (kind, what, column), entry in items
        )

    def raise_strict(self) -> None:
        """Raise LogFault when anything was mended or refused (strict reading refuses instead of repairing)."""
        bad = [remark for remark in self.remarks() if remark.kind in ("repair", "refuse")]
        if bad:
            raise LogFault([fault_of(remark, self.file) for remark in bad[:MOST_FAULTS]])


def fault_of(remark: Remark, file: str) -> Fault:
    """Return a remark as the fault that it is under strict reading."""
    times = f", {remark.count} times" if remark.count > 1 else ""
    column = f" in column {escape(remark.column)!r}" if remark.column else ""
    mend = remark.mend or next((mend for words, mend in _INSTEAD if words in remark.what), "")
    return Fault(
        file, f"{remark.what}{column}{times}", mend or "mend the log, or read it without --strict", remark.line or 1
    )


def mend_for(what: str) -> str:
    """Return the mend that goes with the words of a remark on a cell."""
    for start, mend in _MENDS:
        if what.startswith(start):
            return mend
    return ""
