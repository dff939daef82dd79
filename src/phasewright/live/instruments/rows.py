"""Rows of delimited text as they come in: finds the header, picks the columns that channels come from."""

from __future__ import annotations

import re
from collections.abc import Mapping

from phasewright.bench import ReadingSource
from phasewright.live.encoding.answers import Answered, number_answer
from phasewright.live.instruments.driver import to_channel
from phasewright.quantity import unit_symbol

_UNIT = re.compile(r"\s*[\[(]([^\])]{1,20})[\])]\s*$")
LONGEST_LINE = 100_000


class Rows:
    """Turns lines into channel values. Columns are named as in the header, or by position: ``#3``."""

    def __init__(self, sources: Mapping[str, ReadingSource], delimiter: str = ""):
        self._sources, self._delimiter = sources, delimiter
        self._columns: dict[str, tuple[int, str]] = {}
        self._width = 0
        """Columns of a whole row, 0 = not known yet."""
        if all(source.ask.startswith("#") for source in sources.values()):
            self._columns = {channel: (self._position(source.ask), "") for channel, source in sources.items()}

    @property
    def ready(self) -> bool:
        """Whether the columns are known."""
        return bool(self._columns)

    def take(self, line: str) -> dict[str, Answered]:
        """Return the channels of one whole line; empty for a header, a comment or an empty line."""
        text = line.strip("\r\n\ufeff")
        if not text.strip() or len(text) > LONGEST_LINE:
            return {}
        if not self._columns or self._is_header(text):
            self._learn(text)
            return {}
        if text.lstrip().startswith("#"):
            return {}
        cells = self._split(text)
        self._width = self._width or len(cells)
        if any(cell.strip() for cell in cells[self._width :]):
            # Half a row runs into the next one where a logger was stopped in the middle of it.
            why = f"the row has {len(cells)} columns, and the others {self._width}"
            return {channel: Answered(None, why) for channel in self._columns}
        return {channel: self._cell(channel, cells, *place) for channel, place in self._columns.items()}

    def _cell(self, channel: str, cells: list[str], position: int, unit: str) -> Answered:
        if position >= len(cells):
            return Answered(None, f"the row has {len(cells)} columns only")
        text = cells[position].strip().strip('"')
        if self._delimiter not in (",", "") and "," in text and "." not in text:
            text = text.replace(",", ".")
        found = number_answer(text)
        return found if found.value is None else to_channel(self._sources[channel], found.value, unit)

    def _is_header(self, text: str) -> bool:
        """Some loggers write their header again after every start."""
        names = {_bare(cell) for cell in self._split(text)}
        asked = {source.ask for source in self._sources.values() if not source.ask.startswith("#")}
        return bool(asked) and asked <= names

    def _learn(self, text: str) -> None:
        plain = text.lstrip("# ")
        for delimiter in (self._delimiter,) if self._delimiter else (",", ";", "\t", "|"):
            cells = [cell.strip().strip('"') for cell in plain.split(delimiter)]
            names = [_bare(cell) for cell in cells]
            places = {}
            for channel, source in self._sources.items():
                if source.ask.startswith("#"):
                    places[channel] = (self._position(source.ask), "")
                elif names.count(source.ask) == 1:
                    at = names.index(source.ask)
                    unit = _UNIT.search(cells[at])
                    places[channel] = (at, (unit_symbol(unit[1]) or "") if unit else "")
            if len(places) == len(self._sources):
                self._delimiter, self._columns, self._width = delimiter, places, len(cells)
                return

    def _split(self, text: str) -> list[str]:
        if self._delimiter:
            return text.split(self._delimiter)
        found = max((",", ";", "\t", "|"), key=text.count)
        return text.split(found)

    @staticmethod
    def _position(ask: str) -> int:
        return max(int(ask[1:]) - 1, 0) if ask[1:].isdigit() else 0


def _bare(cell: str) -> str:
    return _UNIT.sub("", cell.strip().strip('"').lstrip("# ")).strip()
