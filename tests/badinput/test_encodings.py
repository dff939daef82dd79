"""Class E of the catalogue: encodings."""

import bz2
import codecs
import gzip
import io
import math
import sqlite3
import zipfile

import numpy as np
import pytest

TABLE = "time_s,power_W\n0,100.5\n1,101.5\n2,102.5\n"


def values(table, name="power_W"):
    return table.columns[name].tolist()


def test_E01_byte_order_mark(bad, said):
    table = bad.table(codecs.BOM_UTF8 + TABLE.encode())
    assert table.names == ("time_s", "power_W")
    assert values(table) == [100.5, 101.5, 102.5]
    assert said(table, "BOM").kind == "note"


@pytest.mark.parametrize("codec", ["utf-16-le", "utf-16-be"])
def test_E02_utf16_with_mark(bad, codec, said):
    mark = codecs.BOM_UTF16_LE if codec.endswith("le") else codecs.BOM_UTF16_BE
    table = bad.table(mark + TABLE.replace("power", "Leistung °").encode(codec))
    assert table.names == ("time_s", "Leistung °_W")
    assert values(table, "Leistung °_W") == [100.5, 101.5, 102.5]
    assert table.report.encoding == codec
    said(table, codec.upper())


def test_E03_utf16_without_mark(bad, said):
    table = bad.table((TABLE * 1).encode("utf-16-le"))
    assert values(table) == [100.5, 101.5, 102.5]
    said(table, "every second byte is zero")


@pytest.mark.parametrize(
    "codec, words",
    [("utf-32", "UTF-32"), ("utf-32-le", "UTF-32"), ("cp037", "EBCDIC"), ("shift_jis", "shift_jis")],
)
def test_E04_encodings_that_must_be_stated(bad, codec, words):
    text = TABLE.replace("power_W", "電力計測 [W]") if codec == "shift_jis" else TABLE
    refusal = bad.refusal(text.encode(codec))
    assert words in refusal
    assert "encoding" in refusal
    stated = bad.table(text.encode(codec), kind="", encoding=codec)
    assert stated.columns[stated.names[1]].tolist() == [100.5, 101.5, 102.5]


def test_E05_cp1252(bad, said):
    table = bad.table("time_s,Temp [°C]\n0,40\n1,41\n".encode("cp1252"))
    assert table.names[1] == "Temp [°C]"
    assert table.units[1] == "degC"
    assert table.report.encoding == "cp1252"
    assert said(table, "cp1252").line == 1


def test_E06_encoding_changes_inside(bad, said):
    rows = [f"{i},{i}.5,fan °{i}\n".encode("utf-8" if i < 50 else "cp1252") for i in range(100)]
    table = bad.table(b"time_s,power_W,note\n" + b"".join(rows))
    assert values(table) == [i + 0.5 for i in range(100)]
    assert said(table, "cp1252").line == 52
    assert said(table, "cp1252").count == 50
    assert table.report.encoding == "utf-8 and cp1252"


def test_E07_invalid_byte_in_a_number(bad, said):
    table = bad.table(b"time_s,power_W\n0,100.5\n1,10\xff1.5\n2,102.5\n")
    np.testing.assert_array_equal(values(table), [100.5, math.nan, 102.5])
    remark = said(table, "invalid byte")
    assert (remark.line, remark.column, remark.kind) == (3, "power_W", "repair")


def test_E08_zero_bytes_at_the_end(bad, said):
    table = bad.table(TABLE.encode() + b"\x00" * 4096)
    assert values(table) == [100.5, 101.5, 102.5]
    said(table, "4096 zero bytes")


def test_E08_zero_bytes_after_a_cut_line(bad, said):
    table = bad.table(TABLE.encode() + b"3,10" + b"\x00" * 5000)
    assert values(table) == [100.5, 101.5, 102.5]
    said(table, "5000 zero bytes")
    said(table, "last line")


def test_E09_zero_byte_in_a_number(bad, said):
    table = bad.table(b"time_s,power_W\n0,100.5\n1,10\x001.5\n2,102.5\n")
    np.testing.assert_array_equal(values(table), [100.5, math.nan, 102.5])
    assert said(table, "zero byte").line == 3


def test_E10_terminal_codes_in_a_header(bad, said):
    table = bad.table("time_s,\x1b[31mpower_W\x1b[0m\n0,1\n1,2\n")
    assert all(name.isprintable() for name in table.names)
    assert said(table, "terminal codes").what.count("\x1b") == 0
    assert table.columns["power_W"].tolist() == [1, 2]


def test_E11_right_to_left_mark(bad, said):
    table = bad.table("time_s,\u202eW_rewop\n0,1\n1,2\n")
    assert "\\u202e" in said(table, "writing direction").what
    assert table.names[1] == "\u202eW_rewop"


def test_E12_look_alike_names(bad, said):
    table = bad.table("time_s,power_W,p\u043ewer_W\n0,1,5\n1,2,6\n")
    assert len(set(table.names)) == 3
    said(table, "look the same")
    assert values(table) == [1, 2]


@pytest.mark.parametrize("space", ["\u00a0", "\u2009", "\u200b", "\ufeff"])
def test_E13_invisible_spaces(bad, space, said):
    table = bad.table(f"time_s,power{space}_W\n0,{space}100.5\n1,101.5{space}\n2,102.5\n")
    assert table.columns[table.names[1]].tolist() == [100.5, 101.5, 102.5]
    assert said(table, "space removed").count == 2


@pytest.mark.parametrize("minus", ["\N{MINUS SIGN}", "\N{EN DASH}"])
def test_E14_other_minus_signs(bad, minus, said):
    table = bad.table(f"time_s,current_A\n0,{minus}1.5\n1,-2.5\n")
    assert table.columns["current_A"].tolist() == [-1.5, -2.5]
    said(table, "minus")


@pytest.mark.parametrize("digits", ["１００", "١٠٠", "१००"])
def test_E15_other_digits(bad, digits, said):
    table = bad.table(f"time_s,power_W\n0,{digits}\n1,101\n2,102\n")
    np.testing.assert_array_equal(values(table), [math.nan, 101, 102])
    remark = said(table, "digits that are not 0 to 9")
    assert (remark.kind, remark.line, remark.column) == ("refuse", 2, "power_W")


def test_E16_both_micro_signs(bad, said):
    table = bad.table("time_s,i1 [\u00b5A],i2 [\u03bcA]\n0,1,2\n1,1,2\n")
    assert table.units[1] == table.units[2] == "uA"
    said(table, "micro")


def test_E17_decomposed_letters(bad, said):
    table = bad.table("time_s,Ku\u0308hlmittel [°C]\n0,30\n1,31\n", {"coolant_temperature": "Kühlmittel"})
    assert table.columns["Kühlmittel [°C]"].tolist() == [30, 31]
    said(table, "decomposed")


def _zip(name):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr(name, TABLE)
    return stream.getvalue()


def _sqlite(folder):
    path = folder / "some.db"
    with sqlite3.connect(path) as connection:
        connection.execute("create table t (a)")
    connection.close()
    return path.read_bytes()


@pytest.mark.parametrize(
    "make, words",
    [
        (lambda _: gzip.compress(TABLE.encode()), "gzip"),
        (lambda _: bz2.compress(TABLE.encode()), "bzip2"),
        (lambda _: _zip("log.csv"), "zip archive"),
        (lambda _: _zip("xl/workbook.xml"), "spreadsheet"),
        (lambda _: b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n", "PDF"),
        (lambda _: b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "PNG"),
        (_sqlite, "SQLite"),
    ],
)
def test_E18_binary_formats(bad, make, words, tmp_path):
    assert words in bad.refusal(make(tmp_path))


@pytest.mark.parametrize(
    "page", ["<!DOCTYPE html>\n<html><body>login</body></html>\n", "  <html lang='en'>\n<p>a,b\n", "<HEAD><html>1,2\n"]
)
def test_E19_web_page(bad, page):
    refusal = bad.refusal(page)
    assert "HTML" in refusal
    assert "log.csv:1 " in refusal
