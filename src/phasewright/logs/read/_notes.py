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
            self._entries[kind, what, column] = _Entry(count, line, mend or mend_for(what), shown)
        else:
            entry.count += count
            if line is not None and (entry.line is None or line < entry.line):
                entry.line = line
                entry.shown = shown or entry.shown

    def count(self, kind: str, start: str = "") -> int:
        """Return how many remarks of a kind whose words begin with `start` were counted."""
        return sum(e.count for (k, what, _), e in self._entries.items() if k == kind and what.startswith(start))

    def remarks(self) -> tuple[Remark, ...]:
        """Return every remark, the gravest kind first, then by line."""
        order = {"refuse": 0, "repair": 1, "note": 2}
        items = sorted(self._entries.items(), key=lambda item: (order[item[0][0]], item[1].line or 0))
        return tuple(
            Remark(
                kind,
                escape(what, 400) + (f" ({escape(entry.shown)})" if entry.shown else ""),
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
    return Fault(
        file, f"{remark.what}{column}{times}", remark.mend or "mend the log, or read it without --strict",
        remark.line or 1,
    )  # fmt: skip


def mend_for(what: str) -> str:
    """Return the mend that goes with the words of a remark on a cell."""
    for start, mend in _MENDS:
        if what.startswith(start):
            return mend
    return ""
