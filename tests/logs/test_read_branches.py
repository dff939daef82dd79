"""Cells, names and logs that are rarely seen: each is read as it was meant, or refused with the reason and the mend."""

import math

import numpy as np
import pytest

from phasewright.bench import ChannelSource, ColumnTerm, LogEntry, LogFault
from phasewright.logs import read_log, suggest_channels
from phasewright.logs.read import _notes, _numbers
from phasewright.logs.read._header import is_name, name_notes
from phasewright.logs.read._numbers import NumberStyle, read_number
from phasewright.logs.read._sample import score


def entry(channels=None, **stated):
    sources = tuple(ChannelSource(name, (ColumnTerm((column,)),)) for name, column in (channels or {}).items())
    return LogEntry("log", ("log.csv",), "meter", sources, **stated)


def read(tmp_path, text, channels=None, **stated):
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return read_log(path, entry(channels, **stated) if channels or stated else None)


def remarks(table):
    return " | ".join(item.what for item in table.report.remarks)


@pytest.mark.parametrize(("text", "value", "kind"), [
    ("-\u00a05", -5.0, "repair"), ("\u22125", -5.0, "repair"), ("5\u200b", 5.0, "repair"),
])
def test_marks_that_nobody_sees_are_taken_out(text, value, kind):
    """U+2212 is the minus sign, U+00A0 a space that does not break, U+200B one without width (Unicode names list)."""
    found, outcome = read_number(text, NumberStyle("."))
    assert (found, outcome[0]) == (value, kind)


@pytest.mark.parametrize(("text", "value"), [
    ("1'234'567.5", 1_234_567.5), ("-12'345", -12_345.0), ("1'23", None), ("1234'567", None), ("--1'234", None), ("1'2x4", None),
    ("1'234.x", None), ("'234", None),
])
def test_digits_are_grouped_in_threes_or_not_read(text, value):
    found, outcome = read_number(text, NumberStyle(".", "'"))
    if value is None:
        assert math.isnan(found) and outcome[0] == "refuse"
    else:
        assert found == value and outcome == ("repair", "digits grouped by apostrophe")


@pytest.mark.parametrize(("text", "unit", "value", "said"), [
    ("5 W", "W", 5.0, "split"), ("5 mW", "W", 0.005, "converted"), ("5 W", "", None, "states none"), ("5 V", "W", None, "in W"),
    ("5 m", "W", None, "bare prefix"), ("5 furlong", "W", None, "not a number"), ("x W", "W", None, "not a number"),
])
def test_units_in_cells_belong_to_their_column(text, unit, value, said):
    found, outcome = _numbers._with_unit(text, NumberStyle(".", unit=unit))
    assert said in outcome[1]
    assert found == pytest.approx(value) if value is not None else math.isnan(found)


@pytest.mark.parametrize(("text", "well"), [
    ("Power", True), ("U1", True), ("2 phases", True), ("1e5", False), ("12.5", False), ("2026-03-13T10:11:12Z", False),
    ("n/a", False), ("", False), ("---", False), ("+inf", False)])
def test_what_can_be_a_name_of_a_column(text, well):
    assert is_name(text) is well


def test_names_that_are_taken_for_each_other_are_said():
    assert any("differ only in case or spaces" in text for text in name_notes(["Power in", "power IN", "heat"], []))
    assert any("look the same" in text for text in name_notes(["power", "p\u043ewer"], []))  # U+043E is Cyrillic
    assert name_notes(["power", "heat"], []) == []


def test_nothing_that_stands_alone_makes_a_table():
    assert score([(1, ["a"]), (2, ["b"])], ";") == 0.0
    assert score([(number, ["1", "2"]) for number in range(9)], ";") > 0.5


def test_every_refusal_of_a_cell_has_its_mend_and_others_none():
    assert "0 to 9" in _notes.mend_for("digits that are not ASCII") and _notes.mend_for("something else") == ""


@pytest.mark.parametrize(("format", "why"), [
    ("%Q", "unknown code"), ("%Y-%m-%d", "no time of day"), ("%Y %Y %H", "time format")])
def test_a_stated_format_that_cannot_be_meant_is_refused_before_a_row_is_read(tmp_path, format, why):
    with pytest.raises(LogFault, match=why):
        read(tmp_path, "t;P [W]\n2026-03-13 10:00:00;1\n2026-03-13 10:00:01;2\n", {"input_power": "P [W]"}, time_format=format,
             time_columns=("t",))


def test_a_stated_format_is_read_row_by_row(tmp_path):
    """Against the same log in ISO 8601."""
    words = [f"13 Mar 2026 / 10h{minute:02d} AM" for minute in range(20)]
    plain = [f"2026-03-13T10:{minute:02d}:00" for minute in range(20)]
    rows = [";".join([stamp, str(index)]) for index, stamp in enumerate(words)]
    one = read(tmp_path, "t;P [W]\n" + "\n".join(rows) + "\n", {"input_power": "P [W]"}, time_columns=("t",),
               time_format="%d %b %Y / %Ih%M %p")
    rows = [";".join([stamp, str(index)]) for index, stamp in enumerate(plain)]
    other = read(tmp_path, "t;P [W]\n" + "\n".join(rows) + "\n", {"input_power": "P [W]"})
    assert np.array_equal(one.time_ns, other.time_ns) and np.array_equal(one.columns["P [W]"], other.columns["P [W]"])


@pytest.mark.parametrize(("format", "text", "why"), [
    ("%Ih%M", "10h11", "12-hour clock without AM or PM"), ("%Hh%M", "soon", "does not fit")])
def test_a_first_stamp_that_does_not_fit_its_stated_format_is_refused(tmp_path, format, text, why):
    with pytest.raises(LogFault, match=why):
        read(tmp_path, f"t;P [W]\n{text};1\n{text};2\n", {"input_power": "P [W]"}, time_columns=("t",), time_format=format)


def test_a_zone_that_is_none_is_refused(tmp_path):
    with pytest.raises(LogFault, match="unknown zone .Mars/Base"):
        read(tmp_path, "t;P [W]\n2026-03-13 10:00:00;1\n2026-03-13 10:00:01;2\n", {"input_power": "P [W]"}, zone="Mars/Base")


def test_a_missing_file_is_refused_in_every_way_it_can_be_missing(tmp_path):
    (tmp_path / "file").write_text("x")
    for path in (tmp_path / "no.csv", tmp_path / "file" / "no.csv"):
        with pytest.raises(LogFault, match="no such file"):
            read_log(path)
    (tmp_path / "link.csv").symlink_to(tmp_path / "nowhere.csv")
    with pytest.raises(LogFault, match="leads nowhere"):
        read_log(tmp_path / "link.csv")


@pytest.mark.parametrize(("head", "channels"), [
    ("t_s;Ua [V];Ia [A];Ub [V];Ib [A]", {"input_power", "input_current"}),
    ("t_s;VRM temp [°C];VRM temp. [°C];VRM-temp [°C]", {"regulator_temperature", "regulator_temperature.2",
                                                      "regulator_temperature.3"}),
])
def test_columns_are_told_apart_by_the_marks_of_their_names(tmp_path, head, channels):
    names = head.split(";")
    rows = "".join(";".join([str(i), *(str(10 + k) for k in range(len(names) - 1))]) + "\n" for i in range(4))
    found = {item.channel for item in suggest_channels(read(tmp_path, head + "\n" + rows))}
    assert channels <= found
