"""The store in derived/: found again by fingerprint, rebuilt when anything changed, never half-written."""

import json
import os

import numpy as np
import pytest

from phasewright.bench import ChannelSource, ColumnTerm, Instrument, LogEntry, LogFault
from phasewright.logs import file_hash, open_log, open_table, read, read_log, store, verify_file

TEXT = "time_s,power_mW,temp_C\n" + "".join(f"{i},{1000 * i},{30 + i / 8}\n" for i in range(200))


@pytest.fixture
def campaign(tmp_path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "meter.csv").write_text(TEXT)
    return tmp_path


def entry(**more):
    sources = (
        ChannelSource("input_power", (ColumnTerm(("power_mW",)),)),
        ChannelSource("coolant_temperature", (ColumnTerm(("temp_C",)),)),
    )
    return LogEntry("meter", ("logs/meter.csv",), "meter", sources, **more)


def no_reading(monkeypatch):
    """Make any reading of a raw log fail."""

    def refuse(*args, **kwargs):
        raise RuntimeError("the raw file was read again")

    monkeypatch.setattr("phasewright.logs.opening.read_log", refuse)


def test_second_opening_does_not_read_the_raw_file(campaign, monkeypatch):
    first = open_log(campaign, entry(), None)
    no_reading(monkeypatch)
    monkeypatch.setattr(store, "file_hash", lambda path: pytest.fail("hashed again"))
    second = open_log(campaign, entry(), None)
    for a, b in zip(first.traces, second.traces, strict=True):
        np.testing.assert_array_equal(a.value, b.value)
        np.testing.assert_array_equal(a.time_ns, b.time_ns)
        assert (a.segments, a.remarks, a.channel, a.unit) == (b.segments, b.remarks, b.channel, b.unit)
    assert first.reports == second.reports
    assert first.traces[0].value.tolist() == [float(i) for i in range(200)]


def test_stored_equals_read(campaign):
    kept = open_table(campaign, "logs/meter.csv", entry())
    again = open_table(campaign, "logs/meter.csv", entry())
    fresh = read_log(campaign / "logs" / "meter.csv", entry(), file="logs/meter.csv")
    for table in (kept, again):
        assert (table.names, table.units, table.segments, table.absolute) == (
            fresh.names, fresh.units, fresh.segments, fresh.absolute,
        )  # fmt: skip
        assert table.report == fresh.report
        for name, column in fresh.columns.items():
            np.testing.assert_array_equal(table.columns[name], column)


def test_raw_files_are_never_changed(campaign):
    before = (campaign / "logs" / "meter.csv").read_bytes(), os.stat(campaign / "logs" / "meter.csv").st_mtime_ns
    open_log(campaign, entry(), None)
    assert (
        (campaign / "logs" / "meter.csv").read_bytes(),
        os.stat(campaign / "logs" / "meter.csv").st_mtime_ns,
    ) == before


def test_changed_file_is_read_again(campaign):
    open_log(campaign, entry(), None)
    path = campaign / "logs" / "meter.csv"
    path.write_text(TEXT + "200,200000,55\n")
    opened = open_log(campaign, entry(), None)
    assert len(opened.traces[0].value) == 201
    assert opened.reports[0].fingerprint.sha256 == file_hash(path)


def test_same_size_other_content_is_read_again(campaign):
    open_log(campaign, entry(), None)
    path = campaign / "logs" / "meter.csv"
    path.write_text(TEXT.replace("199000", "777000"))
    assert open_log(campaign, entry(), None).traces[0].value[199] == 777.0


def test_touched_file_is_hashed_not_read(campaign, monkeypatch):
    open_log(campaign, entry(), None)
    path = campaign / "logs" / "meter.csv"
    os.utime(path, ns=(1, 10**18))
    no_reading(monkeypatch)
    assert len(open_log(campaign, entry(), None).traces[0].value) == 200


def test_other_settings_are_read_again(campaign):
    open_log(campaign, entry(), None)
    opened = open_log(campaign, entry(time_format="elapsed_ms"), None)
    assert opened.traces[0].time_ns[1] == 10**6


def test_another_reader_version_is_read_again(campaign, monkeypatch):
    open_log(campaign, entry(), None)
    monkeypatch.setattr("phasewright.logs.opening.VERSION", read.VERSION + 1)
    calls = []
    monkeypatch.setattr("phasewright.logs.opening.read_log", lambda *a, **k: calls.append(1) or read_log(*a, **k))
    open_log(campaign, entry(), None)
    assert calls == [1]


def test_derived_can_be_deleted(campaign):
    import shutil

    open_log(campaign, entry(), None)
    shutil.rmtree(campaign / "derived")
    assert len(open_log(campaign, entry(), None).traces[0].value) == 200


@pytest.mark.parametrize("damage", ["cut column", "no header", "rubbish header", "rubbish pointer", "no column"])
def test_damaged_store_is_rebuilt(campaign, damage):
    open_log(campaign, entry(), None)
    place = campaign / "derived" / "tables"
    folder = next(p for p in place.iterdir() if p.is_dir())
    pointer = next(p for p in place.iterdir() if p.suffix == ".json")
    column = folder / "column_0000.npy"
    match damage:
        case "cut column":
            column.write_bytes(column.read_bytes()[:-100])
        case "no header":
            (folder / "header.json").unlink()
        case "rubbish header":
            (folder / "header.json").write_text("{")
        case "rubbish pointer":
            pointer.write_text(json.dumps({"format": 1}))
        case _:
            column.unlink()
    assert open_log(campaign, entry(), None).traces[0].value.tolist() == [float(i) for i in range(200)]
    again = open_table(campaign, "logs/meter.csv", entry())
    assert again.columns["power_mW"].tolist() == [1000.0 * i for i in range(200)]


def test_nothing_half_written_after_a_refusal(campaign):
    (campaign / "logs" / "meter.csv").write_text(TEXT + '200,2,"open\n' + "201,1,2\n" * 50)
    with pytest.raises(LogFault):
        open_log(campaign, entry(), None)
    assert [p.name for p in (campaign / "derived" / "tables").iterdir()] == []


@pytest.mark.parametrize("step", range(1, 12))
def test_nothing_half_written_when_writing_fails(campaign, monkeypatch, step):
    # The n-th write fails as on a full disk: the refusal is clear, nothing half-written is found later.
    calls = [0]
    real = store._ColumnFile.append

    def failing(self, values):
        calls[0] += 1
        if calls[0] == step:
            raise OSError(28, "No space left on device")
        real(self, values)

    with monkeypatch.context() as patch:
        patch.setattr(store._ColumnFile, "append", failing)
        try:
            open_log(campaign, entry(), None)
        except LogFault as fault:
            assert "No space left" in str(fault)
            assert list((campaign / "derived" / "tables").iterdir()) == []
        else:
            # Writes beyond the table itself are those of channels, which can be made again.
            assert calls[0] <= step
            assert not list((campaign / "derived").rglob(".part-*"))
    assert open_log(campaign, entry(), None).traces[0].value.tolist() == [float(i) for i in range(200)]


def test_newest_first_is_stored_in_order(campaign):
    lines = TEXT.splitlines()
    (campaign / "logs" / "meter.csv").write_text("\n".join([lines[0], *lines[:0:-1]]) + "\n")
    for _ in range(2):
        table = open_table(campaign, "logs/meter.csv", entry())
        assert table.columns["power_mW"].tolist() == [1000.0 * i for i in range(200)]
        assert table.report.reversed
        assert table.line_of(0) == 201


def test_column_added_later_is_stored(campaign):
    (campaign / "logs" / "meter.csv").write_text("time_s,power_mW\n0,1\n1,2\ntime_s,power_mW,temp_C\n2,3,4\n")
    one = LogEntry("meter", ("logs/meter.csv",), "meter", (ChannelSource("input_power", (ColumnTerm(("power_mW",)),)),))
    for _ in range(2):
        table = open_table(campaign, "logs/meter.csv", one)
        np.testing.assert_array_equal(table.columns["temp_C"], [np.nan, np.nan, 4])


def test_counter_takes_over_in_the_store(campaign):
    lines = [f"2026-03-10 {12 + (i >= 10)}:00:{i:02d},{100 + i},{i}" for i in range(30)]
    (campaign / "logs" / "meter.csv").write_text("time,uptime_s,power_mW\n" + "\n".join(lines) + "\n")
    one = LogEntry("meter", ("logs/meter.csv",), "meter", (ChannelSource("input_power", (ColumnTerm(("power_mW",)),)),))
    for _ in range(2):
        table = open_table(campaign, "logs/meter.csv", one)
        assert np.diff(table.time_ns).tolist() == [10**9] * 29


def test_several_files_of_one_log(campaign):
    (campaign / "logs" / "two.csv").write_text(TEXT)
    opened = open_log(campaign, LogEntry("meter", ("logs/meter.csv", "logs/two.csv"), "meter", entry().channels), None)
    assert opened.traces[0].segments == ((0, 200), (200, 400))
    assert len(opened.reports) == 2


def test_several_files_on_one_absolute_clock(campaign):
    for k, name in enumerate(("a.csv", "b.csv")):
        rows = "".join(f"2026-01-01 0{k}:00:{i:02d},{i}000,30\n" for i in range(60))
        (campaign / "logs" / name).write_text("time,power_mW,temp_C\n" + rows)
    opened = open_log(campaign, LogEntry("meter", ("logs/a.csv", "logs/b.csv"), "meter", entry().channels), None)
    assert opened.traces[0].segments == ((0, 120),)
    assert opened.traces[0].absolute


def test_faults_of_all_files_at_once(campaign):
    with pytest.raises(LogFault) as caught:
        open_log(campaign, LogEntry("meter", ("logs/x.csv", "logs/y.csv"), "meter", entry().channels), None)
    assert len(caught.value.faults) == 2


@pytest.mark.parametrize("file", ["../meter.csv", "/etc/hostname", "logs/../../meter.csv"])
def test_files_outside_the_folder_are_refused(campaign, file):
    with pytest.raises(LogFault, match="outside the campaign folder"):
        open_log(campaign, LogEntry("meter", (file,), "meter", entry().channels), None)


def test_strict_refuses_what_was_mended(campaign):
    (campaign / "logs" / "meter.csv").write_text(TEXT + "200,rubbish,1\n")
    open_log(campaign, entry(), None)
    with pytest.raises(LogFault, match="rubbish"):
        open_log(campaign, entry(), None, strict=True)


def test_verify_finds_a_changed_raw_file(campaign):
    report = open_log(campaign, entry(), None).reports[0]
    assert verify_file(campaign, report.fingerprint)
    path = campaign / "logs" / "meter.csv"
    path.write_text(TEXT.replace("199000", "777000"))
    assert not verify_file(campaign, report.fingerprint)


def test_traces_carry_the_instrument(campaign):
    meter = Instrument("meter", averaging=0.5, stamp_at="end")
    trace = open_log(campaign, entry(), meter).traces[0]
    assert (trace.averaging, trace.stamp_at, trace.log) == (0.5, "end", "meter")


def test_two_at_once(campaign):
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(4) as pool:
        opened = list(pool.map(lambda _: open_log(campaign, entry(), None), range(8)))
    for log in opened:
        assert log.traces[0].value.tolist() == [float(i) for i in range(200)]
    names = [p.name for p in (campaign / "derived" / "tables").iterdir()]
    assert not [name for name in names if name.startswith(".part-")]
