"""Class N of the catalogue: numbers in cells. Every case stands in a column of sound numbers."""

import math

import numpy as np
import pytest


def column(bad, cells, *, head="value_W", kind=None, more=20, delimiter=",", **stated):
    """Read cells below sound rows; return (table, what came of the cells)."""
    lines = [f"{i}{delimiter}10{i % 10}" for i in range(more)]
    lines += [f"{more + i}{delimiter}{cell}" for i, cell in enumerate(cells)]
    table = bad.table(f"time_s{delimiter}{head}\n" + "\n".join(lines) + "\n", kind=kind, **stated)
    assert len(table.time_ns) == more + len(cells)
    found = table.columns[head]
    assert found[:more].tolist() == [100.0 + i % 10 for i in range(more)]
    return table, found[more:]


@pytest.mark.parametrize("word", ["NaN", "nan", "-nan", "NAN"])
def test_N01_not_a_number(bad, word, said):
    table, got = column(bad, [word, "1.5"])
    np.testing.assert_array_equal(got, [math.nan, 1.5])
    remark = said(table, "not a number")
    assert (remark.kind, remark.column, remark.line, remark.count) == ("note", "value_W", 22, 1)


@pytest.mark.parametrize("word", ["inf", "-inf", "1e400", "-1e400", "Infinity"])
def test_N02_infinite(bad, word, said):
    table, got = column(bad, [word, "1.5"])
    np.testing.assert_array_equal(got, [math.nan, 1.5])
    assert said(table, "over range").kind == "repair"


@pytest.mark.parametrize(
    "word, words",
    [("9.91E37", "not-a-number"), ("9.91E+37", "not-a-number"), ("9.9E37", "over-range"), ("-9.9E37", "under-range")],
)
def test_N03_marks_of_instruments(bad, word, words, said):
    table, got = column(bad, [word, "1.5"])
    np.testing.assert_array_equal(got, [math.nan, 1.5])
    assert said(table, words).kind == "repair"


def test_N04_words_for_missing(bad):
    words = ["N/A", "---", "OL", "OVLD", "null", "", "-"]
    table, got = column(bad, words)
    assert np.isnan(got).all()
    remarks = [remark for remark in table.report.remarks if remark.what.startswith("missing")]
    assert sum(remark.count for remark in remarks) == len(words)
    assert all(remark.kind == "note" for remark in remarks)


def test_N05_very_long_number(bad, said):
    table, got = column(bad, ["7" * 5000, "1.5"])
    np.testing.assert_array_equal(got, [math.nan, 1.5])
    assert said(table, "5000 digits").line == 22


@pytest.mark.parametrize("cell", ["0x1F", "0b11", "017", "-017", "1Fh"])
def test_N06_other_bases(bad, cell, said):
    table, got = column(bad, [cell, "1.5"])
    np.testing.assert_array_equal(got, [math.nan, 1.5])
    assert any(remark.kind == "refuse" and remark.line == 22 for remark in table.report.remarks)


def test_N07_underscore(bad):
    table, got = column(bad, ["1_000", "1.5"])
    np.testing.assert_array_equal(got, [math.nan, 1.5])


@pytest.mark.parametrize("cell", ["1..2", "--5", "1e5e5", '"1,2,3"', "1.2.3", "+-5", "5-", "1 2", "1e", "e5", "."])
def test_N08_no_numbers(bad, cell):
    table, got = column(bad, [cell, "1.5"], kind="" if cell == "." else None)
    np.testing.assert_array_equal(got, [math.nan, 1.5])
    assert any(remark.line == 22 and remark.column == "value_W" for remark in table.report.remarks)


@pytest.mark.parametrize("unit, symbol", [(" °C", "degC"), ("V", "V"), (" V", "V"), ("%", "%")])
def test_N09_unit_in_every_cell(bad, unit, symbol, said):
    lines = "".join(f"{i},{40 + i / 2}{unit}\n" for i in range(20))
    table = bad.table("time_s,value\n" + lines)
    assert table.columns["value"].tolist() == [40 + i / 2 for i in range(20)]
    assert table.units[1] == symbol
    assert said(table, "split from the number").count == 20


def test_N10_unit_changes(bad, said):
    cells = ["300 W", "301 W", "302 W", "302500 mW", "303000 mW"]
    table = bad.table("time_s,power\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells)), kind="repair")
    assert table.columns["power"].tolist() == [300, 301, 302, 302.5, 303]
    remark = said(table, "mW converted to W")
    assert (remark.line, remark.count) == (5, 2)


def test_N10_fahrenheit_in_a_celsius_column(bad):
    cells = ["40 °C", "41 °C", "104 °F"]
    table = bad.table("time_s,temp\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells)), kind="repair")
    np.testing.assert_allclose(table.columns["temp"], [40, 41, 40], rtol=0, atol=1e-12)


def test_N10_unit_missing_at_the_change(bad, said):
    cells = ["300 W", "301 W", "302 W", "302500", "303000"]
    table = bad.table("time_s,power\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells)))
    np.testing.assert_array_equal(table.columns["power"], [300, 301, 302, math.nan, math.nan])
    assert said(table, "without a unit").kind == "refuse"


@pytest.mark.parametrize("cell", ["3m", "1.2k", "5M", "7u"])
def test_N11_bare_prefix(bad, cell, said):
    table, got = column(bad, [cell, "1.5"])
    np.testing.assert_array_equal(got, [math.nan, 1.5])
    assert said(table, "bare prefix").kind == "refuse"


def test_N12_percent_in_cells(bad, said):
    table = bad.table("time_s,fan duty\n" + "".join(f"{i},{40 + i}%\n" for i in range(10)))
    assert table.units[1] == "%"
    assert table.columns["fan duty"].tolist() == [40.0 + i for i in range(10)]


def test_N12_mix_of_percent_and_share(bad, said):
    table = bad.table("time_s,fan duty\n" + "".join(f"{i},{40 + i}%\n" for i in range(10)) + "10,0.45\n", kind="refuse")
    assert math.isnan(table.columns["fan duty"][-1])


def test_N13_truth_values(bad, said):
    table, got = column(bad, ["True", "1.5", "False"])
    np.testing.assert_array_equal(got, [math.nan, 1.5, math.nan])
    said(table, "truth value")


def test_N13_a_column_of_truth_values(bad):
    table = bad.table("time_s,power_W,limit\n" + "".join(f"{i},1.5,{i % 2 == 0}\n" for i in range(10)), kind="")
    assert "limit" not in table.columns
    assert table.report.text_columns == ("limit",)


def test_N14_exponents(bad, said):
    table = bad.table("time_s;value_W\n0;1,23E+02\n1;4,5E-01\n2;0,5\n")
    assert table.columns["value_W"].tolist() == [123, 0.45, 0.5]
    table, got = column(bad, ["1.23D+02", "1.5d-1"])
    assert got.tolist() == [123, 0.15]
    said(table, "exponent written with D")


@pytest.mark.parametrize("cell", ["#DIV/0!", "#REF!", "########", "#VALUE!"])
def test_N15_spreadsheet_errors(bad, cell, said):
    table, got = column(bad, [cell, "1.5"])
    np.testing.assert_array_equal(got, [math.nan, 1.5])
    assert "export" in said(table, "spreadsheet error").mend


@pytest.mark.parametrize("cell", ["1-Mar", "01.03.2026", "Mar-26", "3-Jan"])
def test_N16_numbers_turned_into_dates(bad, cell, said):
    table, got = column(bad, [cell, "1.5"])
    np.testing.assert_array_equal(got, [math.nan, 1.5])
    assert "text" in said(table, "a date").mend


def test_N17_zero_and_smallest(bad):
    table, got = column(bad, ["-0.0", "4.9e-324", "-0", "1e-310", "1e-400"], kind="")
    assert got.tolist() == [0.0, 5e-324, 0.0, 1e-310, 0.0]
    assert np.signbit(got).tolist() == [True, False, True, False, False]


def test_N18_many_digits(bad):
    cells = ["11.999999999999998", "0.12345678901234567890", "123456789012345678901234567890", "9007199254740993"]
    table, got = column(bad, cells, kind="")
    assert got.tolist() == [float(cell) for cell in cells]
