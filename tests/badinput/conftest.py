"""What every bad-input case shares: the row it belongs to, reading what it makes, and the class that must come out."""

import json
import re
import shutil
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
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
        if not isinstance(data, Path):
            self.strictly(result, channels, **stated)
        return result

    def strictly(self, table, channels=None, **stated) -> None:
        """Hold strict reading of the same file against `table`: it refuses all that was mended or refused, or agrees."""
        entry = self.entry(channels, **stated) if channels or stated else None
        mended = [remark for remark in table.report.remarks if remark.kind != "note"]
        try:
            again = read_log(self.folder / "log.csv", entry, strict=True)
        except LogFault as fault:
            assert mended, str(fault)
            assert len(fault.faults) == min(len(mended), 50)
            for remark, item in zip(mended, fault.faults, strict=False):
                assert REFUSAL.match(str(item)), str(item)
                assert item.what.startswith(remark.what) and item.line == (remark.line or 1)
                assert item.mend and "without --strict" not in item.mend, item.what
            return
        assert not mended, mended
        np.testing.assert_array_equal(again.time_ns, table.time_ns)
        for name, column in table.columns.items():
            np.testing.assert_array_equal(again.columns[name], column)

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


# ---- whole campaigns to spoil --------------------------------------------------------------------------------------

sys.path.insert(0, str(HERE.parents[1] / "benchmarks"))


class Lab:
    """A small virtual campaign that is read clean once and then with faults planted in it."""

    def __init__(self, folder: Path):
        import planted

        from phasewright.live import demo_scenario

        scenario = planted.cut_short(demo_scenario())
        meter, *others = scenario.instruments
        scenario = replace(
            scenario,
            steps=tuple(replace(s, dwell=d) for s, d in zip(scenario.steps, (100.0, 150.0, 85.0, 125.0), strict=True)),
            instruments=(replace(meter, period=0.2, averaging=0.2), *others),
        )  # fmt: skip
        self.base = planted.base_of(scenario, 3)
        self.folder = folder
        planted.write(self.base, folder / "clean")
        self.bench, self.campaign, self.logs = self.open(folder / "clean")
        self.clean = self.record(self.logs)

    def open(self, folder: Path, known=None, changed=()):
        import planted_trials

        return planted_trials.opened(folder, known, changed)

    def record(self, logs, bench=None, campaign=None):
        import planted_trials

        return planted_trials.recorded(bench or self.bench, campaign or self.campaign, logs)

    def values(self, log: str, column: str) -> np.ndarray:
        return self.base.readings[log].columns[column].copy()

    def end(self, log: str) -> np.ndarray:
        """Return the true time of every row [s]."""
        return self.base.readings[log].end

    def spoil(self, log: str = "", values=None, *, stamp=None, edit=None, instrument=None):
        """Return (bench, campaign, recording) of the campaign with columns of a log, or the map, changed."""
        import planted

        readings = {}
        if log:
            old = self.base.readings[log]
            columns = {**old.columns, **(values or {})}
            readings[log] = replace(old, columns=columns, stamp=old.stamp if stamp is None else stamp)
        fault = planted.Planted("case", "", log, (), readings, {log: instrument} if instrument else {}, edit=edit)
        folder = self.folder / "spoiled"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self.folder / "clean", folder)
        planted.write(self.base, folder, fault, only=True)
        bench, campaign, logs = self.open(folder, self.logs, (log,))
        return bench, campaign, self.record(logs, bench, campaign)

    def refusal(self, row: dict, *words, **spoiled) -> str:
        """Return the refusal of a spoiled campaign; it has the form that every refusal has, and the row its class."""
        assert row["do"] == "refuse"
        with pytest.raises(LogFault) as caught:
            self.spoil(*words, **spoiled)
        for fault in caught.value.faults:
            assert REFUSAL.match(str(fault)), str(fault)
        return str(caught.value)

    def analyzed(self, bench, campaign, recording):
        """Return the analysis of a recording."""
        from phasewright.findings import analyze
        from phasewright.logs import find_steps, find_window

        spans = find_steps(recording, campaign)
        steps = {step.name: step for step in campaign.steps}
        windows = tuple(find_window(recording, span, steps[span.name], bench, campaign) for span in spans)
        return analyze(bench, campaign, recording, spans, windows)


@pytest.fixture(scope="session")
def lab(tmp_path_factory):
    return Lab(tmp_path_factory.mktemp("lab"))


@pytest.fixture
def row(request):
    return row_of(request.function.__name__)
