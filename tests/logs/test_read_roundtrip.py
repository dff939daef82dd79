"""What was written is what is read, in any dialect; a cut file never gives a value that was not written."""

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phasewright.bench import LogFault
from phasewright.logs import read_log

QUIET = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
DAY_NS = 86_400 * 10**9
START = 1_773_360_000 * 10**9  # 2026-03-13


def write(
    columns, times, *, delimiter=",", decimal=".", encoding="utf-8", ending="\n", order=None, style="iso", bom=False
):
    """Return a table as the bytes of a file. `columns` maps header to values, None = empty cell."""
    names = list(columns) if order is None else [list(columns)[i] for i in order]
    lines = [delimiter.join(["Zeit", *names])]
    for i, t in enumerate(times):
        cells = ["" if columns[n][i] is None else repr(columns[n][i]).replace(".", decimal) for n in names]
        lines.append(delimiter.join([stamp(t, style, decimal), *cells]))
    text = ending.join(lines) + ending
    return ("\ufeff" if bom else "").encode(encoding) + text.encode(encoding)


def stamp(ns, style, decimal):
    whole = np.datetime_as_string(np.datetime64(ns, "ns"), unit="us")
    date, clock = str(whole).split("T")
    year, month, day = date.split("-")
    return {
        "iso": whole, "blank": f"{date} {clock}", "dmy": f"{day}.{month}.{year} {clock.replace('.', decimal)}",
        "epoch": f"{ns // 10**9}{decimal}{ns % 10**9 // 1000:06d}", "epoch_us": str(ns // 1000),
    }[style]  # fmt: skip


numbers = st.one_of(
    st.none(),
    st.floats(-1e6, 1e6).map(lambda x: round(x, 4)),
    st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30),
)


@st.composite
def files(draw):
    count = draw(st.integers(2, 30))
    names = ["Eingang [W]", "U (V)", "Temp °C", "x"][: draw(st.integers(1, 4))]
    columns = {name: draw(st.lists(numbers, min_size=count, max_size=count)) for name in names}
    for name in names:
        # A column of nothing but empty cells proves nothing of its kind; one number does.
        columns[name][0] = 12.25
    steps = draw(st.lists(st.integers(1, 10**7), min_size=count, max_size=count))
    times = (START + 1000 * np.cumsum(steps)).tolist()
    return columns, times


@QUIET
@given(
    table=files(), delimiter=st.sampled_from([",", ";", "\t", "|"]), comma=st.booleans(),
    encoding=st.sampled_from(["utf-8", "cp1252", "utf-16-le", "utf-16-be"]),
    ending=st.sampled_from(["\n", "\r\n", "\r"]),
    style=st.sampled_from(["iso", "blank", "dmy", "epoch", "epoch_us"]), data=st.data(),
)  # fmt: skip
def test_any_dialect_reads_back(tmp_path, table, delimiter, comma, encoding, ending, style, data):
    columns, times = table
    decimal = "," if comma and delimiter != "," else "."
    order = data.draw(st.permutations(range(len(columns))))
    path = tmp_path / "log.csv"
    path.write_bytes(
        write(columns, times, delimiter=delimiter, decimal=decimal, encoding=encoding, ending=ending, style=style,
              order=order, bom=encoding.startswith("utf-16"))
    )  # fmt: skip
    read = read_log(path)
    assert read.time_ns.tolist() == times
    assert set(read.columns) == set(columns)
    for name, values in columns.items():
        expected = [math.nan if v is None else v for v in values]
        np.testing.assert_array_equal(read.columns[name], expected)


@QUIET
@given(table=files(), share=st.floats(0, 1), delimiter=st.sampled_from([",", ";", "\t"]))
def test_a_cut_file_invents_nothing(tmp_path, table, share, delimiter):
    columns, times = table
    whole = write(columns, times, delimiter=delimiter)
    path = tmp_path / "log.csv"
    path.write_bytes(whole[: int(share * len(whole))])
    try:
        read = read_log(path)
    except LogFault:
        return
    count = len(read.time_ns)
    assert read.time_ns.tolist() == times[:count]
    for name, column in read.columns.items():
        assert name in columns, "a name that was cut"
        expected = [math.nan if v is None else v for v in columns[name][:count]]
        np.testing.assert_array_equal(column, expected)


def test_cut_at_every_byte(tmp_path):
    columns = {"a [W]": [100.5, 200.25, 300.125, 400.5], "b [V]": [1.5, 2.5, 3.5, 4.5]}
    times = [START + i * 10**9 for i in range(4)]
    whole = write(columns, times)
    path = tmp_path / "log.csv"
    read_rows = set()
    for size in range(len(whole) + 1):
        path.write_bytes(whole[:size])
        try:
            read = read_log(path)
        except LogFault:
            continue
        count = len(read.time_ns)
        read_rows.add(count)
        assert read.time_ns.tolist() == times[:count]
        assert read.columns["a [W]"].tolist() == columns["a [W]"][:count]
        assert read.columns["b [V]"].tolist() == columns["b [V]"][:count]
    assert read_rows == {1, 2, 3, 4}


@pytest.mark.parametrize("library", ["duckdb", "polars", "pandas"])
def test_a_clean_file_reads_as_general_parsers_read_it(tmp_path, library):
    # The outside check: three general-purpose libraries on a file that none of them has to guess at.
    generator = np.random.default_rng(11)
    columns = {f"c{i}": np.round(generator.normal(50, 20, 3000), i).tolist() for i in range(1, 7)}
    times = [START + i * 10**6 for i in range(3000)]
    path = tmp_path / "log.csv"
    path.write_bytes(write(columns, times, style="blank"))
    read = read_log(path)
    if library == "duckdb":
        import duckdb

        kinds = {"Zeit": "TIMESTAMP", **{name: "DOUBLE" for name in columns}}
        other = duckdb.sql(f"select * from read_csv('{path}', columns = {kinds})").fetchnumpy()
    elif library == "polars":
        import polars

        frame = polars.read_csv(path, try_parse_dates=True)
        other = {name: frame[name].to_numpy() for name in frame.columns}
    else:
        import pandas

        frame = pandas.read_csv(path, parse_dates=["Zeit"])
        other = {name: frame[name].to_numpy() for name in frame.columns}
    assert read.time_ns.tolist() == other["Zeit"].astype("datetime64[ns]").astype(np.int64).tolist()
    for name in columns:
        np.testing.assert_array_equal(read.columns[name], other[name])


# ---- one table in two dialects -------------------------------------------------------------------------------------

PLACES = ("iso", "blank", "dmy", "epoch", "epoch_us", "elapsed", "split", "clock")


@st.composite
def dialects(draw, absolute):
    """Return how a file is written: everything that must not change a value."""
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", "   "]))
    return {
        "delimiter": delimiter,
        "decimal": "." if delimiter == "," else draw(st.sampled_from([".", ","])),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16"])),
        "ending": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "style": draw(st.sampled_from(PLACES[:5] if absolute else PLACES)),
        "quoted": draw(st.booleans()) and delimiter != "   ",
        "preamble": draw(st.integers(0, 4)),
        "unit_row": draw(st.booleans()) and delimiter != "   ",
        "trailing": draw(st.booleans()) and delimiter != "   ",
        "number": draw(st.sampled_from(["repr", "exponent", "plus", "fixed"])),
        "time_at": draw(st.sampled_from([0, 99])),
        "order": draw(st.randoms(use_true_random=False)).sample(range(3), 3),
    }  # fmt: skip


def number_text(value, form):
    """Return exactly `value` in another way of writing it."""
    return {
        "repr": repr(value), "exponent": f"{value:.16e}", "plus": f"{value:+.17g}".replace("e", "E"),
        "fixed": f"{value:.12f}" if float(f"{value:.12f}") == value else repr(value),
    }[form]  # fmt: skip


def spell(table, times, way):
    """Return the bytes of a file that holds `table` (name -> unit, values) in the given way."""
    mark, units = way["decimal"], way["unit_row"]
    head = {"split": ["Date", "Clock time"], "elapsed": ["elapsed [s]"]}.get(way["style"], ["Time"])
    names = [list(table)[i] for i in way["order"]]
    rows = [[name if units else f"{name} [{table[name][0]}]" for name in names]]
    times_of = [head]
    if units:
        rows.append([table[name][0] for name in names])
        times_of.append([""] * len(head))
    for k, ns in enumerate(times):
        cells = [number_text(table[name][1][k], way["number"]).replace(".", mark) for name in names]
        rows.append(cells)
        times_of.append(moments(ns, ns - times[0], way["style"], mark))
    lines = [f"bench record {k}" for k in range(way["preamble"])]
    for place, cells in zip(times_of, rows, strict=True):
        whole = [*place, *cells] if way["time_at"] == 0 else [*cells, *place]
        if way["quoted"]:
            whole = [f'"{cell}"' for cell in whole]
        lines.append(way["delimiter"].join(whole) + (way["delimiter"] if way["trailing"] else ""))
    return (way["ending"].join(lines) + way["ending"]).encode(way["encoding"])


def moments(ns, since, style, mark):
    """Return the time cells of a row."""
    whole = str(np.datetime_as_string(np.datetime64(ns, "ns"), unit="us"))
    date, clock = whole.split("T")
    if style == "elapsed":
        return [f"{since // 10**9}{mark}{since % 10**9 // 1000:06d}"]
    if style == "split":
        return [date, clock.replace(".", mark)]
    if style == "clock":
        return [clock.replace(".", mark)]
    return [stamp(ns, style, mark)]


UNITS = ("W", "V", "degC")


@QUIET
@given(data=st.data())
def test_one_table_in_two_dialects_is_one_table(tmp_path, data):
    """Columns permuted, other decimal mark, separator, quotes, encoding, line ends, header, place and kind of the time."""
    count = data.draw(st.integers(3, 25))
    finite = st.floats(-1e7, 1e7, allow_subnormal=False).map(lambda x: round(x, 6) + 0.0).filter(lambda x: x != int(x))
    table = {
        name: (unit, data.draw(st.lists(finite, min_size=count, max_size=count)))
        for name, unit in zip(("power", "volts", "heat"), UNITS, strict=True)
    }
    steps = data.draw(st.lists(st.integers(1, 10**6), min_size=count, max_size=count))
    times = (START + 3600 * 10**9 + 1000 * np.cumsum(steps)).tolist()
    found = []
    for turn in range(2):
        way = data.draw(dialects(absolute=turn == 0))
        path = tmp_path / f"log{turn}.csv"
        path.write_bytes(spell(table, times, way))
        read = read_log(path)
        assert [t - read.time_ns[0] for t in read.time_ns] == [t - times[0] for t in times], way
        columns = {}
        for position, name in enumerate(read.names):
            for wanted, (unit, values) in table.items():
                if name.startswith(wanted):
                    assert read.units[position] == unit, way
                    np.testing.assert_array_equal(read.columns[name], values, err_msg=str(way))
                    columns[wanted] = np.asarray(read.columns[name]).tobytes()
        found.append(columns)
    assert set(found[0]) == set(table)
    assert found[0] == found[1], "bit by bit"


def test_units_between_blanks_are_not_shifted(tmp_path):
    """The time has no unit, and an empty cell between blanks leaves no trace: no unit is taken rather than a wrong one."""
    path = tmp_path / "log.csv"
    rows = "".join(f"2026-03-13T12:00:0{i}   {i}.5   1.{i}   30.{i}\n" for i in range(9))
    path.write_text("Time   power   volts   heat\n   W   V   degC\n" + rows)
    read = read_log(path)
    assert read.units == ("", "", "", "")
    remark = next(r for r in read.report.remarks if "3 units under 4 names" in r.what)
    assert (remark.kind, remark.line) == ("refuse", 2) and "map" in remark.mend
    assert read.columns["volts"].tolist() == [1 + i / 10 for i in range(9)]


@QUIET
@given(data=st.data(), share=st.floats(0, 1))
def test_a_file_cut_in_any_dialect_invents_nothing(tmp_path, data, share):
    count = data.draw(st.integers(2, 20))
    table = {
        name: (unit, [data.draw(st.integers(0, 999)) + 0.25 for _ in range(count)])
        for name, unit in zip(("power", "volts", "heat"), UNITS, strict=True)
    }
    times = (START + 3600 * 10**9 + 10**9 * np.arange(count)).tolist()
    way = data.draw(dialects(absolute=False))
    whole = spell(table, times, way)
    path = tmp_path / "log.csv"
    path.write_bytes(whole[: int(share * len(whole))])
    try:
        read = read_log(path)
    except LogFault:
        return
    rows = len(read.time_ns)
    assert [t - read.time_ns[0] for t in read.time_ns] == [t - times[0] for t in times[:rows]], way
    for name, column in read.columns.items():
        wanted = next((w for w in table if name.startswith(w)), None)
        assert wanted is not None or name.startswith(("Time", "elapsed", "Clock", "Date")), name
        if wanted is not None:
            kept = column[~np.isnan(column)].tolist()
            # A row that was cut may lack its last cells; what it has was written there.
            assert kept == table[wanted][1][: len(kept)], way
