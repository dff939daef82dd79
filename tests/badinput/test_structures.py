"""Class S of the catalogue: structure."""

import json
import math
import subprocess
import sys

import numpy as np
import pytest

from phasewright.bench import LogFault
from phasewright.logs import read_log

STAMPS = [f"2026-01-01 00:00:{i:02d}" for i in range(60)]


def rows(count, start=0, form="{i},{p}"):
    return "".join(form.format(i=i, p=100 + i / 2) + "\n" for i in range(start, start + count))


def powers(count, start=0):
    return [100 + i / 2 for i in range(start, start + count)]


def test_S01_empty_file(bad):
    assert "empty file" in bad.refusal(b"")


def test_S02_header_only(bad):
    assert "no data rows after line 1" in bad.refusal("time_s,power_W\n")


def test_S03_comments_only(bad):
    refusal = bad.refusal("# logger 1\n\n# nothing here\n\n")
    assert "no table found" in refusal
    assert "2 comment lines" in refusal


def test_S04_no_header(bad):
    refusal = bad.refusal(rows(5))
    assert "no header" in refusal
    assert '"#1", "#2"' in refusal


def test_S04_no_header_with_a_map(bad):
    from phasewright.bench import ChannelSource, ColumnTerm

    sources = (ChannelSource("input_power", (ColumnTerm(("#2",), ("W",)),)),)
    entry = bad.entry(time_columns=("#1",), time_format="elapsed_s", header_line=0)
    table = read_log(
        bad.file(rows(5)), type(entry)("log", ("log.csv",), "meter", sources, ("#1",), "elapsed_s", header_line=0)
    )
    assert table.columns["#2"].tolist() == powers(5)
    assert table.units[1] == "W"


@pytest.mark.parametrize("count", [3, 17, 40])
def test_S05_preamble(bad, count, said):
    preamble = "".join(f"setting {i},{i}\n" if i % 3 else f"Model: bench meter {i}\n" for i in range(count))
    table = bad.table(preamble + "time_s,power_W,current_A\n" + rows(30, form="{i},{p},7"))
    assert table.report.header_line == count + 1
    assert table.columns["power_W"].tolist() == powers(30)
    said(table, f"header found on line {count + 1}")


def test_S06_units_row(bad, said):
    table = bad.table("Time,Input,Package\ns,W,mW\n" + rows(5, form="{i},{p},7"))
    assert table.units == ("s", "W", "mW")
    assert table.columns["Input"].tolist() == powers(5)
    assert said(table, "units taken from the row").line == 2


def test_S07_header_repeated(bad, said):
    head = "time_s,power_W\n"
    table = bad.table(head + rows(5) + head + rows(5) + head + rows(4))
    assert table.columns["power_W"].tolist() == powers(5) + powers(5) + powers(4)
    assert table.segments == ((0, 5), (5, 10), (10, 14))
    assert said(table, "header repeated").count == 2
    assert table.line_of(5) == 8


def test_S08_columns_in_another_order(bad, said):
    table = bad.table("time_s,power_W,temp_C\n0,100,40\n1,101,41\ntemp_C,time_s,power_W\n42,2,102\n43,3,103\n")
    assert table.columns["power_W"].tolist() == [100, 101, 102, 103]
    assert table.columns["temp_C"].tolist() == [40, 41, 42, 43]
    assert said(table, "another order").line == 4


def test_S09_column_added(bad, said):
    table = bad.table("time_s,power_W\n0,100\n1,101\ntime_s,temp_C,power_W\n2,42,102\n3,43,103\n")
    assert table.columns["power_W"].tolist() == [100, 101, 102, 103]
    np.testing.assert_array_equal(table.columns["temp_C"], [math.nan, math.nan, 42, 43])
    assert table.segments == ((0, 2), (2, 4))
    assert said(table, "other columns").line == 4


def test_S10_separator_at_the_end_of_data_rows(bad, said):
    table = bad.table("time_s,power_W,temp_C\n" + rows(5, form="{i},{p},40,"))
    assert table.names == ("time_s", "power_W", "temp_C")
    assert table.time_ns.tolist() == [i * 10**9 for i in range(5)]
    assert table.columns["power_W"].tolist() == powers(5)
    said(table, "ends with a separator")


def test_S11_surplus_fields_in_few_rows(bad, said):
    lines = rows(3000).splitlines()
    lines[1000] += ",7"
    table = bad.table("time_s,power_W\n" + "\n".join(lines) + "\n")
    assert len(table.time_ns) == 2999
    assert 1000 * 10**9 not in table.time_ns
    assert said(table, "more fields").line == 1002


def test_S11_surplus_fields_in_many_rows(bad):
    lines = [line + ",7" if i % 50 == 40 else line for i, line in enumerate(rows(1000).splitlines())]
    refusal = bad.refusal("time_s,power_W\n" + "\n".join(lines) + "\n")
    assert "log.csv:42 3 fields under 2 names" in refusal


def test_S12_short_rows(bad, said):
    table = bad.table("time_s,power_W,temp_C\n0,100,40\n1,101\n2,102,42\n3\n4,104,44\n")
    np.testing.assert_array_equal(table.columns["power_W"], [100, 101, 102, math.nan, 104])
    np.testing.assert_array_equal(table.columns["temp_C"], [40, math.nan, 42, math.nan, 44])
    remark = said(table, "fewer fields")
    assert (remark.count, remark.line) == (2, 3)


def test_S13_separator_changes(bad, said):
    table = bad.table("time_s,power_W,temp_C\n" + rows(5, form="{i},{p},40") + rows(5, 5, form="{i};{p};41"))
    assert table.columns["power_W"].tolist() == powers(10)
    assert table.segments == ((0, 5), (5, 10))
    remark = said(table, "separator changes from comma to semicolon")
    assert remark.line == 7


def test_S14_tabs_and_blanks(bad, said):
    table = bad.table("time_s   power_W\ttemp_C\n0\t100.5   40\n1   101.5\t  41\n2 102.5 42\n")
    assert table.columns["power_W"].tolist() == [100.5, 101.5, 102.5]
    assert table.columns["temp_C"].tolist() == [40, 41, 42]
    said(table, "runs of blanks and tabs")


def test_S15_semicolon_and_decimal_comma(bad, said):
    table = bad.table("time_s;power_W\n0,0;100,5\n0,1;101,25\n0,2;102,125\n")
    assert table.columns["power_W"].tolist() == [100.5, 101.25, 102.125]
    assert table.time_ns.tolist() == [0, 10**8, 2 * 10**8]
    said(table, "decimal comma")


def test_S16_decimal_comma_in_a_comma_file(bad):
    refusal = bad.refusal("t,p\n0,100,5\n1,101,5\n2,102,5\n")
    assert "log.csv:2 " in refusal
    assert "semicolon" in refusal


def test_S17_point_that_may_group(bad):
    refusal = bad.refusal("t;p\n0;1.234\n1;1.235\n2;1.236\n")
    assert "1.234" in refusal
    assert 'decimal = "."' in refusal


@pytest.mark.parametrize(
    "text, values",
    [
        ("t;p\n0;1.234\n1;1.234,5\n2;999,5\n", [1234, 1234.5, 999.5]),
        ("t;p\n0;1.234\n1;1.234.567\n2;999\n", [1234, 1234567, 999]),
        ("t;p\n0;1.234\n1;0.235\n2;1.236\n", [1.234, 0.235, 1.236]),
    ],
)
def test_S17_another_cell_settles_it(bad, text, values):
    assert bad.table(text, kind="").columns["p"].tolist() == values


def test_S17_only_another_column_has_commas(bad):
    table = bad.table("t;p;q\n0,5;1.234;2,5\n1,5;1.235;3,5\n")
    assert np.isnan(table.columns["p"]).all()
    assert table.columns["q"].tolist() == [2.5, 3.5]


def test_S18_quoted_thousands_comma(bad, said):
    table = bad.table('time_s,power_mW\n0,"1,234"\n1,"12,345.5"\n2,999\n')
    assert table.columns["power_mW"].tolist() == [1234, 12345.5, 999]
    said(table, "grouped by comma")


@pytest.mark.parametrize("mark", ["'", "’", " ", "\u202f", "\u00a0"])
def test_S19_other_group_marks(bad, mark, said):
    table = bad.table(f"time_s;power_mW\n0;1{mark}234.5\n1;12{mark}345.5\n2;1{mark}234{mark}567.25\n")
    assert table.columns["power_mW"].tolist() == [1234.5, 12345.5, 1234567.25]
    said(table, "grouped by")


def test_S20_indian_groups(bad, said):
    table = bad.table('time_s,power_mW\n0,"1,23,456"\n1,"1,234"\n2,5.5\n')
    np.testing.assert_array_equal(table.columns["power_mW"], [math.nan, 1234, 5.5])
    assert said(table, "threes").line == 2


def test_S21_line_break_in_a_quoted_cell(bad, said):
    table = bad.table('time_s,note,power_W\n0,"one\ntwo",100\n1,fine,nonsense\n2,fine,102\n')
    np.testing.assert_array_equal(table.columns["power_W"], [100, math.nan, 102])
    assert said(table, "not a number").line == 4
    said(table, "line break")


def test_S22_quote_never_closed(bad):
    assert "log.csv:3 " in bad.refusal('time_s,note,power_W\n0,fine,100\n1,"open,101\n2,fine,102\n')


def test_S22_quote_never_closed_far_down(bad):
    text = (
        "time_s,note,power_W\n" + rows(5000, form="{i},fine,{p}") + '5000,"open,1\n' + rows(90000, 5001, "{i},fine,{p}")
    )
    assert "log.csv:5002 " in bad.refusal(text)


def test_S23_carriage_returns_only(bad, said):
    table = bad.table(("time_s,power_W\n" + rows(5)).replace("\n", "\r"))
    assert table.columns["power_W"].tolist() == powers(5)
    said(table, "carriage returns")


def test_S24_mixed_line_ends(bad):
    table = bad.table("time_s,power_W\r\n0,100\n1,101\r\n2,102\r\r\n3,103\n", kind="")
    assert table.columns["power_W"].tolist() == [100, 101, 102, 103]


def test_S25_very_long_line(bad):
    assert "line longer than 1048576 bytes" in bad.refusal("time_s,power_W\n0,1\n1," + "1" * 10_000_000 + "\n")


def test_S25_very_long_first_line(bad):
    assert "log.csv:1 line longer than" in bad.refusal("x" * 10_000_000 + "\n0,1\n")


def test_S26_a_million_columns(bad):
    refusal = bad.refusal(",".join(f"c{i}" for i in range(10**6)) + "\n" + ",".join(["1"] * 10**6) + "\n")
    assert "log.csv:1 " in refusal


def test_S26_too_many_columns(bad):
    refusal = bad.refusal("t," + ",".join(f"c{i}" for i in range(5000)) + "\n" + ",".join(["1"] * 5001) + "\n")
    assert "5001 columns, at most 4096" in refusal


SMALL_MEMORY = """
import resource, sys
from pathlib import Path
from phasewright.bench import LogEntry
from phasewright.logs import open_table
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
table = open_table(Path(sys.argv[1]), "log.csv", LogEntry("log", ("log.csv",), "meter", ()))
grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
print(len(table.time_ns), grown // 1024)
"""


def test_S27_large_file_in_bounded_memory(bad):
    # The catalogue speaks of 20 GB; what is tested is that memory does not follow the size.
    body = rows(200_000, form="{i},{p},40.25,12.125,33.5") * 8
    path = bad.file("time_s,power_W,a_C,b_V,c_A\n" + body)
    size = path.stat().st_size / 2**20
    done = subprocess.run(
        [sys.executable, "-c", SMALL_MEMORY, str(bad.folder)], capture_output=True, text=True, check=True
    )
    count, grown = map(int, done.stdout.split())
    assert count == 1_600_000
    assert grown < size, f"{grown} MiB more for a file of {size:.0f} MiB"


def test_S28_very_long_cell(bad):
    refusal = bad.refusal("time_s,note,power_W\n0,fine,1\n1," + "x" * 200_000 + ",2\n2,fine,3\n")
    assert "log.csv:3:2 cell of 200000 characters" in refusal


def test_S29_cut_last_line(bad, said):
    table = bad.table("time_s,power_W\n0,117.5\n1,118.5\n2,11")
    assert table.columns["power_W"].tolist() == [117.5, 118.5]
    assert said(table, "no line end").line == 4


@pytest.mark.parametrize("glued", ["2026-01-01 00:00:02,11", "2026-01-01 00:0", "2026-01-01 00:00:02,"])
def test_S30_cut_line_glued_to_the_next(bad, glued, said):
    data = "".join(f"{stamp},{100 + i}\n" for i, stamp in enumerate(STAMPS[:20]))
    table = bad.table("time,power_W\n" + data + glued + "2026-01-01 01:00:00,55\n2026-01-01 01:00:01,56\n")
    assert table.columns["power_W"].tolist() == [*range(100, 120), 56]
    assert table.segments == ((0, 20), (20, 21))
    assert said(table, "glued").line == 22


def test_S31_duplicate_names(bad):
    refusal = bad.refusal("time_s,power_W,power_W\n0,1,2\n1,1,2\n")
    assert "#2" in refusal and "#3" in refusal


def test_S31_duplicate_names_mapped_by_position(bad):
    table = bad.table("time_s,power_W,power_W\n0,1,2\n1,1,3\n", {"input_power": "#3"}, kind="note")
    assert table.columns[table.names[2]].tolist() == [2, 3]


def test_S32_empty_names(bad, said):
    table = bad.table("time_s,,power_W,\n0,5,1,7\n1,6,2,8\n")
    assert table.names == ("time_s", "#2", "power_W", "#4")
    assert table.columns["#2"].tolist() == [5, 6]
    said(table, "#2, #4")


def test_S33_names_that_differ_in_case(bad, said):
    table = bad.table("time_s,Power_W,power_W\n0,5,1\n1,6,2\n")
    assert table.columns["Power_W"].tolist() == [5, 6]
    assert table.columns["power_W"].tolist() == [1, 2]
    said(table, "case or spaces")


def test_S34_footer(bad, said):
    table = bad.table("time_s,power_W\n" + rows(5) + "Average,101\nMin,100\nMax,102\nSum,505\n")
    assert table.columns["power_W"].tolist() == powers(5)
    remark = said(table, "footer")
    assert (remark.line, remark.count) == (7, 4)


def test_S35_second_table(bad, said):
    table = bad.table(
        "time_s,power_W\n" + rows(5) + "\ntime_s,fan_rpm,pump_rpm\n0,1200,3000\n1,1200,3000\n", kind="refuse"
    )
    assert table.columns["power_W"].tolist() == powers(5)
    assert said(table, "second table").line == 8


def test_S35_second_table_of_the_same_width(bad, said):
    table = bad.table("time_s,power_W\n" + rows(5) + "\ntime_ms,fan_rpm\n0,1200\n1,1200\n", kind="refuse")
    assert table.columns["power_W"].tolist() == powers(5)
    assert said(table, "second table").line == 8


@pytest.mark.parametrize("sign", ["#", ";", "//"])
def test_S36_comments_between_rows(bad, sign, said):
    table = bad.table(f"time_s,power_W\n0,100\n{sign} step 2\n1,101\n{sign} 2,9\n2,102\n")
    assert table.columns["power_W"].tolist() == [100, 101, 102]
    remark = said(table, "comment")
    assert (remark.line, remark.count) == (3, 2)


@pytest.mark.parametrize(
    "text, words",
    [
        ('{"t": 0, "p": 1}\n{"t": 1, "p": 2}\n', "JSON"),
        ('[{"t": 0, "p": 1}]\n', "JSON"),
        ("{'t': 0, 'p': 1}\n", "JSON"),
        ('<?xml version="1.0"?>\n<log><r t="0"/></log>\n', "XML"),
        ("<log>\n<r t='0'/>\n</log>\n", "XML"),
    ],
)
def test_S37_other_text_formats(bad, text, words):
    assert words in bad.refusal(text)


def test_S38_header_in_the_middle(bad, said):
    table = bad.table(rows(5) + "time_s,power_W\n" + rows(20, 5), kind="refuse")
    assert table.columns["power_W"].tolist() == powers(20, 5)
    assert said(table, "5 rows before the header on line 6").line == 1


def test_S39_columns_nobody_knows(bad, said):
    table = bad.table("time_s,power_W,status,xyzzy\n0,1,ok,5\n1,2,ok,6\n", {"input_power": "power_W"})
    assert table.columns["xyzzy"].tolist() == [5, 6]
    assert "status" in said(table, "words").what
    assert "xyzzy" in said(table, "no channel").what


@pytest.mark.parametrize("text", ['{"p": 1, "p": 2}\n', '{"p": NaN}\n', '{"p": 1e999}\n'])
def test_S40_json(bad, text):
    json.loads(text)
    assert "JSON" in bad.refusal(text)


def test_refusals_are_log_faults(tmp_path):
    with pytest.raises(LogFault, match="no such file"):
        read_log(tmp_path / "nothing.csv")


@pytest.mark.parametrize(
    "cell, value", [("100,5", 100.5), ("100.5", 100.5), ("0,125", 0.125), ("0.125", 0.125), ("1,5E2", 150.0)]
)
def test_S15_first_decimal_mark_far_down(bad, cell, value):
    lines = "".join(f"{i};{i % 7}\n" for i in range(30_000))
    table = bad.table(f"time_s;power_W\n{lines}30000;{cell}\n30001;2\n", kind="")
    assert table.columns["power_W"][-2:].tolist() == [value, 2]
    assert table.columns["power_W"][:7].tolist() == list(range(7))


@pytest.mark.parametrize("cell", ["1.234", "1,234"])
def test_S17_first_mark_far_down_that_may_group(bad, cell):
    lines = "".join(f"{i};{990 + i % 7}\n" for i in range(30_000))
    refusal = bad.refusal(f"time_s;power_W\n{lines}30000;{cell}\n30001;2\n")
    assert f"log.csv:30002 {cell} could be" in refusal


def test_S21_header_over_two_lines(bad):
    table = bad.table('time_s,"power\n[W]",temp_C\n0,100,40\n1,101,41\n', kind="")
    assert table.names[1] == "power [W]"
    assert table.columns["power [W]"].tolist() == [100, 101]
    assert table.line_of(0) == 3
    assert not [remark for remark in table.report.remarks if remark.kind != "note"]
