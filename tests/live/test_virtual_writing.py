"""Text of simulated logs against Python's own formatting, and what every dialect must hold."""

import csv
import io
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.live.virtual import rows, writing
from phasewright.live.virtual.files import quantity
from phasewright.live.virtual.instruments import Column, Dialect, Readings
from phasewright.quantity import parse_quantity


def lines(cells):
    return rows.join_cells(cells, ",").decode().split("\n")[:-1]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-10**9, 10**9), min_size=1, max_size=30), st.integers(0, 5))
def test_numbers_as_python_writes_them(scaled, decimals):
    values = np.array(scaled) / 10.0**decimals
    expected = [f"{value:.{decimals}f}" for value in values]
    assert lines([rows.number_cells(values, decimals)]) == expected
    assert lines([rows.number_cells(values, decimals, ",")]) == [text.replace(".", ",") for text in expected]


def test_missing_number_is_an_empty_cell():
    values = np.array([1.5, np.nan, -20.25])
    assert lines([rows.number_cells(values, 2), rows.number_cells(values * 0 + 7, 0)]) == ["1.50,7", ",", "-20.25,7"]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 4 * 10**18), min_size=1, max_size=20))
def test_stamps_as_datetime_writes_them(stamps):
    stamps = np.array(stamps, dtype=np.int64) // 1_000_000 * 1_000_000
    moments = [datetime.fromtimestamp(int(s) // 1_000_000_000, UTC).replace(microsecond=int(s) % 1_000_000_000 // 1000)
               for s in stamps]
    iso = lines(writing.stamp_cells(Dialect(stamp="iso"), stamps))
    assert iso == [m.strftime("%Y-%m-%dT%H:%M:%S.") + f"{m.microsecond // 1000:03d}" for m in moments]
    split = lines(writing.stamp_cells(Dialect(stamp="split", date="%d.%m.%Y", stamp_decimals=0), stamps))
    assert split == [m.strftime("%d.%m.%Y,%H:%M:%S") for m in moments]
    epoch = lines(writing.stamp_cells(Dialect(stamp="epoch_ms"), stamps))
    assert [int(text) for text in epoch] == [int(s) // 1_000_000 for s in stamps]


COLUMNS = (Column("volts a", "x", "V", decimals=3), Column("heat", "y", "degC", decimals=1))
READINGS = Readings(np.array([1_700_000_000_020_000_000, 1_700_000_001_020_000_000]), np.array([1.0, 2.0]),
                    {"volts a": np.array([12.0485, -0.5]), "heat": np.array([31.25, 102.0])}, ((0, 2),))


@pytest.mark.parametrize("dialect", [
    Dialect(), Dialect(stamp="split", stamp_names=("Day", "Clock"), delimiter=";", decimal=",", units="row"),
    Dialect(stamp="epoch_ms", delimiter="\t", units="suffix", newline="\r\n"),
    Dialect(stamp="elapsed_s", units="none", bom=True, trailing_delimiter=True, preamble=False),
])
def test_every_dialect_reads_back_with_the_csv_module(tmp_path, dialect):
    path = tmp_path / "log.txt"
    assert writing.write_log(path, dialect, COLUMNS, [READINGS]) == path.stat().st_size
    text = path.read_bytes().decode("utf-8-sig" if dialect.bom else "utf-8")
    assert text.endswith(dialect.newline)
    body = [line for line in text.split(dialect.newline)[:-1] if not line.startswith("#")]
    table = list(csv.reader(io.StringIO("\n".join(body)), delimiter=dialect.delimiter))
    assert len({len(row) for row in table}) == 1
    data = table[2 if dialect.units == "row" else 1 :]
    assert len(data) == 2
    first = len(dialect.stamp_names)
    values = [[float(cell.replace(",", ".")) for cell in row[first : first + 2]] for row in data]
    assert values == [[12.048, 31.2], [-0.5, 102.0]]


def test_preamble_says_simulated(tmp_path):
    writing.write_log(tmp_path / "a.csv", Dialect(), COLUMNS, [READINGS])
    assert (tmp_path / "a.csv").read_text(encoding="utf-8").startswith("# simulated readings")


@settings(max_examples=80, deadline=None)
@given(st.floats(1e-10, 1e7), st.sampled_from("A V W Ohm Hz s H F C degC K/W 1/K 1".split()))
def test_quantities_in_the_files_mean_what_was_meant(value, unit):
    text = quantity(value, unit)
    assert text.startswith('"') and text.endswith('"')
    assert parse_quantity(text.strip('"'), unit) == pytest.approx(value, rel=1e-5)
