"""The reader at its edges: stamps exact to the nanosecond, lines as long as they may be, marks that settle a decimal."""

import hashlib
import itertools

import numpy as np
import pytest

from phasewright.bench import LogFault
from phasewright.logs import read_log
from phasewright.logs.read._blockstamps import nanoseconds
from phasewright.logs.read._blocktools import has, stripped
from phasewright.logs.read._digits import Decimals
from phasewright.logs.read._sample import score
from phasewright.logs.read._source import BLOCK, MAX_LINE
from phasewright.logs.read._times import hms_ns, number_ns

NS = {"ns": 1, "us": 10**3, "ms": 10**6, "s": 10**9, "min": 60 * 10**9, "h": 3600 * 10**9, "d": 86_400 * 10**9}
"""Nanoseconds of a unit: BIPM, SI brochure, tables 7 and 8."""


@pytest.mark.parametrize("unit", NS)
@pytest.mark.parametrize("each", [False, True])
def test_stamps_are_exact_to_the_nanosecond_whatever_their_unit_and_places(unit, each):
    """Against whole numbers of Python, cut towards zero."""
    for places in range(14):
        digits = [value for value in (0, 1, 9, 10, 123_456, 10**places, 15 * 10**places, 987_654_321_012, 2**52)
                  if value * NS[unit] // 10**places < 2**61]
        found = Decimals(np.array(digits, dtype=np.uint64), np.full(len(digits), places, dtype=np.uint8) if each else places,
                         None, None)
        got, good = nanoseconds(found, unit)
        kept = np.ones(len(digits), dtype=bool) if good is None else good
        assert [int(value) for value, well in zip(got, kept, strict=True) if well] == [
            value * NS[unit] // 10**places for value, well in zip(digits, kept, strict=True) if well]
        assert kept.sum() >= len(digits) - 2


@pytest.mark.parametrize(("text", "unit", "ns"), [
    ("1.5", "s", 1_500_000_000), ("-1.5", "s", -1_500_000_000), ("+2", "ms", 2_000_000), (".25", "us", 250), ("1e3", "ns", 1000),
    ("1.0000000019", "s", 1_000_000_001), ("12E-1", "s", 1_200_000_000), ("0.5", "d", 43_200_000_000_000), ("x", "s", None),
    ("1.2.3", "s", None), ("", "s", None), ("1" * 41, "ns", None), ("4611686018427387903", "ns", 2**62 - 1),
    ("4611686018427387904", "ns", None)])
def test_a_numeric_stamp_is_read_from_its_digits(text, unit, ns):
    assert number_ns(text, unit) == ns


@pytest.mark.parametrize(("text", "seconds"), [("0:00:00", 0), ("1:02:03", 3723), ("26:00:00", 93_600), ("2.01:00:00", 176_400),
                                               ("1d 0:00:01", 86_401), ("3 days, 0:00:00", 259_200), ("0:00:01.5", 1.5),
                                               ("1193046:28:15", 2**32 - 1), ("1193046:28:16", 2**32)])
def test_elapsed_hours_minutes_and_seconds(text, seconds):
    assert hms_ns(text) == round(seconds * 10**9)


@pytest.mark.parametrize("text", ["1193046:28:17", "1:60:00", "1:00:60", "-1:00:00", "1:00"])
def test_what_is_no_elapsed_time(text):
    with pytest.raises(ValueError, match="no elapsed time"):
        hms_ns(text)


def test_marks_and_blanks_are_found_byte_by_byte():
    data = np.frombuffer(b" \t12 ;\t\t\n", dtype=np.uint8)
    assert has(data, np.arange(8), b" ;").tolist() == [True, False, False, False, True, True, False, False]
    start, stop = stripped(data, np.array([0, 0, 2, 6]), np.array([5, 2, 4, 8]))
    assert [data[a:b].tobytes() for a, b in zip(start, stop, strict=True)] == [b"12", b"", b"12", b""]


# ---- whole files -----------------------------------------------------------------------------------------------------


def log_of(tmp_path, text, name="a.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8", newline="")
    return path


def rows_of(count, start=0):
    return "".join(f"{start + index},{300 + index % 7}.5\n" for index in range(count))


@pytest.mark.parametrize("size", [10, 5000, BLOCK // 8])
def test_the_fingerprint_of_a_log_is_that_of_its_bytes(tmp_path, size):
    """SHA-256 of the standard library, over files of less than a block and more."""
    path = log_of(tmp_path, "time [s],power [W]\n" + rows_of(size))
    assert (path.stat().st_size > BLOCK) is (size == BLOCK // 8)
    table = read_log(path)
    assert table.report.fingerprint.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert table.report.fingerprint.size == path.stat().st_size


@pytest.mark.parametrize(("length", "refused"), [(MAX_LINE, False), (MAX_LINE + 1, True)])
def test_a_line_may_be_as_long_as_it_may_be(tmp_path, length, refused):
    start = "time [s],power [W],"
    path = log_of(tmp_path, start + "x" * (length - len(start)) + "\n" + "".join(f"{row},1.5,a\n" for row in range(50)))
    try:
        read_log(path)
        said = ""
    except LogFault as fault:
        said = str(fault)
    assert ("line longer than" in said) is refused


@pytest.mark.parametrize(("unit", "value"), [("W", 411.223), ("A", 411.223), ("mW", None), ("kW", None)])
def test_411_223_is_no_number_of_kilowatts_on_a_bench(tmp_path, unit, value):
    """Where a prefix makes either reading possible nothing is guessed."""
    text = f"time [s];power [{unit}]\n" + "".join(f"{row};411.{223 + row}\n" for row in range(30))
    if value is None:
        with pytest.raises(LogFault, match="could be a decimal number or digits grouped in threes"):
            read_log(log_of(tmp_path, text))
    else:
        assert read_log(log_of(tmp_path, text)).columns[f"power [{unit}]"][0] == pytest.approx(value)


@pytest.mark.parametrize("unit", ["W", "mW"])
def test_a_comma_before_three_digits_is_settled_alike(tmp_path, unit):
    text = f"time [s];power [{unit}]\n" + "".join(f"{row};411,{223 + row}\n" for row in range(30))
    if unit == "mW":
        with pytest.raises(LogFault, match="could be a decimal number or digits grouped in threes"):
            read_log(log_of(tmp_path, text))
    else:
        assert read_log(log_of(tmp_path, text)).columns[f"power [{unit}]"][0] == pytest.approx(411.223)


def test_stamps_that_change_their_unit_go_on_in_universal_time(tmp_path):
    """1 704 067 200 s after the epoch: 2024-01-01 00:00:00 UTC; what counts from the epoch has no zone to be stated."""
    begin = 1_704_067_200
    text = "time,power [W]\n" + "".join(f"{begin + row},1.5\n" for row in range(40)) + "".join(
        f"{(begin + row) * 1000},1.5\n" for row in range(40, 80))
    table = read_log(log_of(tmp_path, text))
    assert np.diff(np.asarray(table.time_ns)).tolist() == [10**9] * 79
    assert table.time_ns[0] == begin * 10**9


@pytest.mark.parametrize(("better", "worse"), list(itertools.pairwise([
    [["time", "power"], *[[str(row), "1.5"] for row in range(20)]],
    [["time", "power"], *[[str(row), "a word"] for row in range(20)]],
    [["a word", "another"], *[["one;two", "three;four"] for row in range(20)]],
])))
def test_a_separator_is_the_better_the_more_of_its_cells_are_numbers(better, worse):
    good, bad = (score(list(enumerate(rows, 1)), ",") for rows in (better, worse))
    assert 0.0 <= bad < good <= 1.0


def test_a_separator_that_makes_no_second_field_makes_no_table():
    assert score([(1, ["a"]), (2, ["1"])], ",") == 0.0
    assert score([(number, [str(number), "1.5"]) for number in range(1, 20)], ",") == pytest.approx(0.6)  # no names
