"""How a table is written never changes what is read: marks, order, encoding, line ends, frills; nor does cutting it."""

import math
import random
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phasewright.bench import LogFault
from phasewright.logs import read_log

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

QUIET = settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
START = 1_773_360_000  # 2026-03-13 00:00:00 UTC


@dataclass(frozen=True)
class Dialect:
    """A way to write the same table."""

    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    ending: str = "\n"
    quoted: bool = False
    trailing: bool = False
    preamble: tuple[str, ...] = ()
    units_row: bool = False
    missing: str = ""
    padded: bool = False
    comments: bool = False
    footer: bool = False
    stamp: str = "iso"


@st.composite
def dialects(draw):
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    return Dialect(
        delimiter=delimiter,
        decimal=draw(st.sampled_from([".", ","])) if delimiter != "," else ".",
        encoding=draw(st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16"])),
        ending=draw(st.sampled_from(["\n", "\r\n", "\r"])),
        quoted=draw(st.booleans()), trailing=draw(st.booleans()),
        preamble=draw(st.sampled_from([(), ("# simulated",), ("bench logger", "serial 17", "")])),
        units_row=draw(st.booleans()), missing=draw(st.sampled_from(["", "NaN", "n/a", "---"])),
        padded=draw(st.booleans()) and delimiter != "\t", comments=draw(st.booleans()), footer=draw(st.booleans()),
        stamp=draw(st.sampled_from(["iso", "blank", "dmy"])),
    )  # fmt: skip


@st.composite
def tables(draw):
    """Return (values by column in W, A and degC; seconds)."""
    count = draw(st.integers(3, 25))
    level = st.one_of(st.none(), st.integers(-99_999, 999_999).map(lambda x: x / 100))
    columns = {}
    for name in ("power", "current", "heat")[: draw(st.integers(1, 3))]:
        values = draw(st.lists(level, min_size=count, max_size=count))
        # A number with decimals in front proves the decimal mark whatever follows.
        columns[name] = [12.25, *values[1:]]
    return columns, [START + i for i in range(count)]


UNITS = {"power": "W", "current": "A", "heat": "°C"}


def written(table, dialect, order=None):
    """Return the bytes of a table in a dialect, its columns in `order`."""
    columns, times = table
    d = dialect
    names = [list(columns)[i] for i in order] if order is not None else list(columns)

    def line(cells):
        cells = [f'"{cell}"' if d.quoted else f" {cell} " if d.padded else cell for cell in cells]
        return d.delimiter.join(cells) + (d.delimiter if d.trailing else "")

    def number(value):
        return d.missing if value is None else f"{value:.2f}".replace(".", d.decimal)

    def stamp(t):
        date, clock = str(np.datetime64(t, "s")).split("T")
        year, month, day = date.split("-")
        return {"iso": f"{date}T{clock}", "blank": f"{date} {clock}", "dmy": f"{day}.{month}.{year} {clock}"}[d.stamp]

    heads = names if d.units_row else [f"{name} [{UNITS[name]}]" for name in names]
    lines = [*d.preamble, line(["time", *heads])]
    if d.units_row:
        lines.append(line(["", *(UNITS[name] for name in names)]))
    for i, t in enumerate(times):
        if d.comments and i == len(times) // 2:
            lines.append("# load was changed here")
        lines.append(line([stamp(t), *(number(columns[name][i]) for name in names)]))
    if d.footer:
        lines.append(line(["Average", *("" for _ in names)]))
    return (d.ending.join(lines) + d.ending).encode(d.encoding)


def read_bytes(path, data):
    path.write_bytes(data)
    return read_log(path)


def expect(table, read):
    columns, times = table
    assert read.time_ns.tolist() == [t * 10**9 for t in times]
    found = {name.partition(" [")[0]: values for name, values in read.columns.items()}
    assert set(found) == set(columns)
    for name, values in columns.items():
        np.testing.assert_array_equal(found[name], [math.nan if v is None else v for v in values])
    units = {name.partition(" [")[0]: unit for name, unit in zip(read.names, read.units, strict=True)}
    assert {name: units[name] for name in columns} == {
        name: {"°C": "degC"}.get(unit, unit) for name, unit in UNITS.items() if name in columns
    }


@QUIET
@given(table=tables(), dialect=dialects(), data=st.data())
def test_any_dialect_gives_the_same_values(tmp_path, table, dialect, data):
    order = data.draw(st.permutations(range(len(table[0]))))
    expect(table, read_bytes(tmp_path / "log.csv", written(table, dialect, order)))


@QUIET
@given(table=tables(), dialect=dialects(), share=st.floats(0.0, 1.0))
def test_a_file_cut_anywhere_invents_nothing(tmp_path, table, dialect, share):
    """The rows of what is left are the first rows of the whole, every value as written."""
    whole = written(table, dialect)
    try:
        read = read_bytes(tmp_path / "log.csv", whole[: int(share * len(whole))])
    except LogFault:
        return
    columns, times = table
    count = len(read.time_ns)
    assert read.time_ns.tolist() == [t * 10**9 for t in times[:count]]
    for name, values in read.columns.items():
        expected = [math.nan if v is None else v for v in columns[name.partition(" [")[0]][:count]]
        np.testing.assert_array_equal(values, expected)


def outcome(path, data):
    """Return what reading gives, comparable: columns and times, or that it was refused."""
    try:
        table = read_bytes(path, data)
    except LogFault:
        return "refused"
    values = {name: np.nan_to_num(column, nan=-1e300).tolist() for name, column in table.columns.items()}
    return table.names, table.units, table.time_ns.tolist(), table.segments, values


@QUIET
@given(seed=st.integers(0, 2**64), ending=st.sampled_from(["\r\n", "\r"]), encoding=st.sampled_from(
    ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]))  # fmt: skip
def test_line_ends_and_encoding_change_nothing_in_any_text(tmp_path, seed, ending, encoding):
    """Not only sound tables: whatever a text holds, how its lines end and how it is encoded is no part of it."""
    from fuzz_trials import FRAGMENTS

    generator = random.Random(seed)
    mark = generator.choice([",", ";", "\t"])
    parts = [mark.join(["time_s", "power_W", "temp_C"]) + "\n"]
    parts += [f"{i}{mark}{100 + i / 8}{mark}{40 + i}\n" for i in range(generator.randint(3, 20))]
    sound = [f for f in FRAGMENTS if "\r" not in f and "\x00" not in f and f.isascii()]
    for _ in range(generator.choice([0, 1, 3, 8])):
        parts.insert(generator.randint(0, len(parts)), generator.choice(sound))
    text = "".join(parts)
    plain = outcome(tmp_path / "log.csv", text.encode("utf-8"))
    mark = {"utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff"}.get(encoding, b"")
    assert outcome(tmp_path / "log.csv", mark + text.replace("\n", ending).encode(encoding)) == plain


@QUIET
@given(table=tables(), dialect=dialects(), seed=st.integers(0, 2**32))
def test_order_of_columns_changes_nothing_in_damaged_tables(tmp_path, table, dialect, seed):
    """A cell that is no number is missing in its own column, wherever the column stands."""
    generator = random.Random(seed)
    columns, times = table
    columns = {name: list(values) for name, values in columns.items()}
    words = ("0x1F", "1_000", "--5", "1e5e5", "#DIV/0!", "9.91E37")
    for _ in range(3):
        name = generator.choice(list(columns))
        columns[name][generator.randrange(1, len(times))] = generator.choice(words)

    def put(order):
        plain = {n: [v if isinstance(v, float) else None for v in values] for n, values in columns.items()}
        text = written((plain, times), Dialect(delimiter=dialect.delimiter, missing="@"), order).decode()
        cells = {n: [v if isinstance(v, str) else "" for v in values if not isinstance(v, float)] for n, values in
                 columns.items()}  # fmt: skip
        names = [list(columns)[i] for i in order]
        lines = text.split("\n")
        for row in range(1, len(lines) - 1):
            parts = lines[row].split(dialect.delimiter)
            for k, name in enumerate(names, start=1):
                if parts[k] == "@":
                    parts[k] = cells[name].pop(0)
            lines[row] = dialect.delimiter.join(parts)
        return "\n".join(lines).encode()

    order = list(range(len(columns)))
    first = outcome(tmp_path / "log.csv", put(order))
    generator.shuffle(order)
    second = outcome(tmp_path / "log.csv", put(order))
    if isinstance(first, str) or isinstance(second, str):
        assert first == second
        return
    assert first[2:4] == second[2:4]
    assert first[4] == second[4]


def test_a_separator_in_every_line_parts_a_column_of_empty_cells(tmp_path):
    """Found by the trial above: blanks inside names and stamps made `[W]` the name of the only number."""
    text = "time\tpower [W]\t\n2026-03-13 00:00:00\t12.25\t\n"
    text += "".join(f"2026-03-13 00:00:{i:02d}\t\t\n" for i in range(1, 19))
    read = read_bytes(tmp_path / "log.csv", text.encode())
    assert read.names == ("time", "power [W]")
    np.testing.assert_array_equal(read.columns["power [W]"], [12.25] + [math.nan] * 18)
