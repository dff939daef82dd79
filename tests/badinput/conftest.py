"""What every bad-input case shares: the row it belongs to, reading what it makes, and the class that must come out."""

import json
import re
import time
from pathlib import Path

import pytest

from phasewright.bench import ChannelSource, ColumnTerm, LogEntry, LogFault
from phasewright.logs import read_log

HERE = Path(__file__).parent
ROWS = {row["id"]: row for row in json.loads((HERE / "catalogue.json").read_text(encoding="utf-8"))}
REFUSAL = re.compile(r"^[^\n]+?:\d+(?::\d+)? \S[^\n]* - \S[^\n]*$")
"""FILE:LINE[:COLUMN] what is wrong - how to mend it"""


def row_of(name: str) -> dict:
    """Return the catalogue row that a test function's name belongs to: test_E01_..."""
    return ROWS[re.match(r"test_([A-Z]\d\d)", name)[1]]


class Bad:
    """One case of the catalogue."""

    def __init__(self, row: dict, folder: Path):
        self.row, self.folder = row, folder

    def file(self, data: bytes | str, name: str = "log.csv") -> Path:
        path = self.folder / name
        path.write_bytes(data.encode("utf-8") if isinstance(data, str) else data)
        return path

    def entry(self, channels: dict[str, str] | None = None, **stated) -> LogEntry:
        sources = tuple(ChannelSource(c, (ColumnTerm((column,)),)) for c, column in (channels or {}).items())
        return LogEntry("log", ("log.csv",), "meter", sources, **stated)

    def attempt(self, data, channels=None, **stated):
        """Return the table, or the refusal, of reading `data`; never anything else, never longer than 10 s."""
        path = data if isinstance(data, Path) else self.file(data)
        entry = self.entry(channels, **stated) if channels or stated else None
        begin = time.perf_counter()
        try:
            result = read_log(path, entry)
        except LogFault as fault:
            result = fault
            for line in str(fault).split("\n"):
                assert REFUSAL.match(line), line
                assert len(line) < 1000
                assert line.isprintable(), line
        # The limit of the catalogue, not a measurement of speed.
        assert time.perf_counter() - begin < 10
        return result

    def table(self, data, channels=None, *, kind: str | None = None, **stated):
        """Return the table; it must carry a remark of the row's class (kind: None = the row's, '' = none needed)."""
        result = self.attempt(data, channels, **stated)
        assert not isinstance(result, LogFault), str(result)
        kind = self.row["do"] if kind is None else kind
        if kind:
            assert any(remark.kind == kind for remark in result.report.remarks), result.report.remarks
        for remark in result.report.remarks:
            assert remark.what.isprintable()
            assert remark.kind == "note" or remark.kind == "repair" or remark.mend, remark
        return result

    def refusal(self, data, channels=None, **stated) -> str:
        """Return the words of the refusal; the row must be of that class."""
        assert self.row["do"] == "refuse"
        return self.refusal_of(data, channels, **stated)

    def refusal_of(self, data, channels=None, **stated) -> str:
        """Return the words of a refusal that a row of another class comes to in the case at hand."""
        result = self.attempt(data, channels, **stated)
        assert isinstance(result, LogFault), [remark.what for remark in result.report.remarks]
        return str(result)


@pytest.fixture
def bad(request, tmp_path):
    return Bad(row_of(request.function.__name__), tmp_path)


@pytest.fixture
def said():
    """Return a function that gives the one remark of a table whose words hold a text."""

    def find(table, words):
        hits = [remark for remark in table.report.remarks if words in remark.what]
        assert hits, [remark.what for remark in table.report.remarks]
        return hits[0]

    return find
