"""What a person states of a log is taken as stated, and rows that are hurt in known ways cost no reading.

Every log is written from numbers that are known beforehand; they are what must come back.
"""

import numpy as np
import pytest

from phasewright.bench import LogEntry, LogFault
from phasewright.logs import read_log

ROWS = 60
POWER = [300.0 + row % 7 + 0.25 for row in range(ROWS)]


def lines_of(delimiter=",", decimal=".", head="time [s],power [W],state", width=3):
    rows = [[f"{0.5 * row:.1f}", f"{POWER[row]:.2f}", str(row % 3)][:width] for row in range(ROWS)]
    return [head.replace(",", delimiter), *(delimiter.join(cell.replace(".", decimal) for cell in row) for row in rows)]


def read(tmp_path, lines, written="utf-8", **stated):
    path = tmp_path / "a.csv"
    path.write_bytes(("\n".join(lines) + "\n").encode(written))
    return read_log(path, LogEntry("a", ("a.csv",), "a", (), **stated))


def is_whole(table, left_out=()):
    rows = [row for row in range(ROWS) if row not in left_out]
    assert table.time_ns.tolist() == [500_000_000 * row for row in rows]
    assert table.columns["power [W]"].tolist() == [POWER[row] for row in rows]
    return True


def repairs(table):
    return [(item.what.partition(" (")[0], item.line, item.count) for item in table.report.remarks if item.kind == "repair"]


@pytest.mark.parametrize(("stated", "mark"), [(",", ","), (";", ";"), ("tab", "\t"), ("\\t", "\t"), ("|", "|"), ("blanks", "  "),
                                             (" ", " ")])
def test_a_stated_separator(tmp_path, stated, mark):
    lines = lines_of(mark, head="time_s,power_W,state")
    table = read(tmp_path, lines, delimiter=stated)
    assert table.names == ("time_s", "power_W", "state")
    assert table.columns["power_W"].tolist() == POWER and table.units[1] == "W"


@pytest.mark.parametrize(("decimal", "mark"), [(".", "."), (",", ",")])
def test_a_stated_decimal_mark(tmp_path, decimal, mark):
    assert is_whole(read(tmp_path, lines_of(";", mark), decimal=decimal))


def test_a_stated_line_of_the_header_and_the_units_below_it(tmp_path):
    lines = ["bench 7", "a,b,c", "time,power,state", "s,W,-", *lines_of()[1:]]
    table = read(tmp_path, lines, header_line=3)
    assert table.names == ("time", "power", "state") and table.units[:2] == ("s", "W")
    assert table.columns["power"].tolist() == POWER and table.line_of(0) == 5
    table = read(tmp_path, ["# time,power,state", *lines_of()[1:]], header_line=1)
    assert [name.strip("# ") for name in table.names] == ["time", "power", "state"]


def test_no_header_is_stated_too(tmp_path):
    table = read(tmp_path, lines_of()[1:], header_line=0, time_columns=("#1",), time_format="elapsed_s")
    assert len(table.time_ns) == ROWS and table.line_of(0) == 1
    assert POWER in [column.tolist() for column in table.columns.values()]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be", "utf-32"])
@pytest.mark.parametrize("stated", [False, True])
def test_encodings_stated_and_found(tmp_path, encoding, stated):
    lines = lines_of(head="time [s],power [W],Kühler")
    if encoding == "utf-32" and not stated:
        with pytest.raises(LogFault, match='looks like UTF-32 text - state encoding = "utf-32"'):
            read(tmp_path, lines, encoding)
        return
    table = read(tmp_path, lines, encoding, **({"encoding": encoding} if stated else {}))
    assert is_whole(table) and table.names[2] == "Kühler"


def test_an_encoding_that_is_none_is_refused(tmp_path):
    for name in ("no-such-code", "base64", "rot13"):
        with pytest.raises(LogFault, match="unknown encoding"):
            read(tmp_path, lines_of(), encoding=name)


@pytest.mark.parametrize(("format", "scale"), [("elapsed_s", 10**9), ("elapsed_ms", 10**6), ("elapsed_us", 10**3),
                                                ("epoch_s", 10**9)])
def test_stated_units_of_time(tmp_path, format, scale):
    begin = 1_713_525_000 if format.startswith("epoch") else 0
    lines = ["a,power [W]", *(f"{begin + 5 * row},{POWER[row]}" for row in range(ROWS))]
    table = read(tmp_path, lines, time_columns=("a",), time_format=format)
    assert table.time_ns.tolist() == [(begin + 5 * row) * scale for row in range(ROWS)]
    assert table.absolute is (begin > 0)


@pytest.mark.parametrize(("format", "first", "second", "seconds"), [
    ("serial", "45401.5", "45401.75", 21_600), ("iso", "2024-04-19 12:00:00", "2024-04-19 12:00:07", 7),
    ("clock", "12:00:00", "12:00:07", 7), ("hms", "30:00:00", "30:00:07", 7),
    ("%d/%m/%Y %H:%M", "03/04/2024 10:00", "03/04/2024 10:01", 60)])
def test_stated_forms_of_stamps(tmp_path, format, first, second, seconds):
    table = read(tmp_path, ["a,power [W]", f"{first},1.5", f"{second},2.5"], time_columns=("a",), time_format=format)
    assert np.diff(table.time_ns).tolist() == [seconds * 10**9]


def test_a_stated_form_without_a_column_and_columns_that_are_too_many_are_refused(tmp_path):
    with pytest.raises(LogFault, match="3 time columns stated"):
        read(tmp_path, lines_of(), time_columns=("time [s]", "power [W]", "state"))


# ---- rows that are hurt ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("odd", "said"), [
    ("\x00\x00\x00\x00", "zero bytes in place of a line, dropped"), ('# "quoted comment', "comment line skipped"),
    ("# a comment", "comment line skipped"), ("s,W,-", "units row repeated, skipped")])
@pytest.mark.parametrize("place", [2, 31, ROWS])
def test_lines_that_are_no_rows_cost_nothing(tmp_path, odd, said, place):
    lines = lines_of()
    lines.insert(place, odd)
    table = read(tmp_path, lines)
    assert is_whole(table)
    assert repairs(table) == [(said, place + 1, 1)]


def test_fields_without_anything_behind_the_last_column_are_ignored(tmp_path):
    lines = lines_of()
    lines[20] += ",,"
    table = read(tmp_path, lines)
    assert is_whole(table) and repairs(table) == [("empty fields behind the last column, ignored", 21, 1)]


def test_a_header_in_the_midst_begins_a_segment(tmp_path):
    lines = lines_of()
    lines.insert(31, lines[0])
    table = read(tmp_path, lines)
    assert is_whole(table) and table.segments == ((0, 30), (30, ROWS))
    assert repairs(table) == [("header repeated: new segment", 32, 1)]


def test_columns_in_another_order_are_read_by_their_names(tmp_path):
    lines = lines_of()
    turned = [",".join(line.split(",")[::-1]) for line in lines]
    table = read(tmp_path, [*lines[:31], *turned[:1], *turned[31:]])
    assert is_whole(table) and table.segments == ((0, 30), (30, ROWS))
    assert repairs(table)[0][:2] == ("header repeated with columns in another order: read by name from here, new segment", 32)


def test_a_column_that_comes_later_is_missing_before(tmp_path):
    lines = lines_of()
    table = read(tmp_path, [*lines[:31], lines[0] + ",fan", *(line + ",7" for line in lines[31:])])
    assert is_whole(table)
    fan = table.columns["fan"] if "fan" in table.columns else None
    assert fan is not None and np.isnan(fan[:30]).all() and fan[30:].tolist() == [7.0] * 30


@pytest.mark.parametrize("separator", [",", ";"])
def test_a_separator_at_the_end_of_every_row_is_ignored(tmp_path, separator):
    lines = lines_of(separator)
    assert is_whole(read(tmp_path, [lines[0], *(line + separator for line in lines[1:])]))
    assert is_whole(read(tmp_path, [line + separator for line in lines]))


def test_a_separator_before_every_row_is_ignored_and_said(tmp_path):
    table = read(tmp_path, ["," + line for line in lines_of()])
    assert is_whole(table)
    assert any("every line begins with a separator" in item.what for item in table.report.remarks)
