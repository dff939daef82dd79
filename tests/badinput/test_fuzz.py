"""Whatever the bytes are: a table or a refusal that says where and how to mend it, never anything else."""

import random

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from phasewright.bench import LogEntry, LogFault
from phasewright.logs import read_log, suggest_channels

QUIET = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

FRAGMENTS = (
    "time", "t_s", "Date", "Zeit [s]", "power_W", "Temp °C", "U1 [V]", "p", "#", "//", ";", ",", "\t", "|", " ", "  ",
    "\n", "\n", "\n", "\r\n", "\r", '"', '""', "'", "0", "1", "12", "100.5", "1,5", "1.234", "1e400", "-", "--", "NaN",
    "N/A", "2026-03-13", "2026-03-13 12:00:00", "2026-03-13T12:00:01.5Z", "13.03.2026 12:00:02", "03/04/2026", "12:00:03",
    "11:59:59 PM", "24:00:00", "23:59:60", "1772000000", "1772000000123", "46000.5", "9.91E37", "0x1F", "017", "1_000",
    "45 °C", "3m", "True", "#DIV/0!", "1-Mar", "Average", "Min", "\x00", "\x1b[31m", "\u202e", "\u00a0", "−5", "１２",
    "(", ")", "[", "]", "{", "}", "<", "=", "%", "+", ".", "..", "e5", "inf", "x" * 50, "9" * 30, "\ufeff", "é",
)  # fmt: skip


def attempt(path, entry=None):
    """Read a file; return the table or None when it is refused in due form."""
    try:
        table = read_log(path, entry)
    except LogFault as fault:
        assert fault.faults
        for item in fault.faults:
            assert item.what and item.mend and item.line is not None and item.line >= 1
            assert str(item).isprintable()
        return None
    assert len(table.time_ns) == table.report.row_count > 0
    assert all(len(column) == table.report.row_count for column in table.columns.values())
    assert table.segments[0][0] == 0 and table.segments[-1][1] == table.report.row_count
    for (_, stop), (start, _) in zip(table.segments, table.segments[1:], strict=False):
        assert stop == start
    for start, stop in table.segments:
        assert (table.time_ns[start + 1 : stop] >= table.time_ns[start : stop - 1]).all()
    for row in range(0, table.report.row_count, 7):
        assert table.line_of(row) >= 1
    suggest_channels(table)
    return table


def soup(seed):
    """Return a random file: half a sound table, half anything."""
    generator = random.Random(seed)
    parts = []
    if generator.random() < 0.7:
        mark = generator.choice([",", ";", "\t", " "])
        parts.append(mark.join(["time", "power_W", "temp_C"]) + "\n")
        kind = generator.randrange(4)
        for i in range(generator.randint(2, 30)):
            stamp = (f"{i}", f"2026-03-13T12:00:{i:02d}", f"12:00:{i:02d}", f"{1772000000 + i}")[kind]
            parts.append(mark.join([stamp, f"{generator.uniform(0, 500):.2f}", f"{generator.randint(20, 90)}"]) + "\n")
    for _ in range(generator.choice([0, 1, 2, 4, 8, 40])):
        parts.insert(generator.randint(0, len(parts)), generator.choice(FRAGMENTS))
    data = "".join(parts).encode(generator.choice(["utf-8", "utf-8", "cp1252", "utf-16", "utf-8"]), errors="replace")
    if generator.random() < 0.3:
        cut = generator.randint(0, len(data))
        data = data[:cut] + generator.randbytes(generator.randint(0, 9)) + data[cut + generator.randint(0, 5) :]
    return data


@QUIET
@given(seed=st.integers(0, 2**64))
def test_soup_of_fragments(tmp_path, seed):
    path = tmp_path / "log.csv"
    path.write_bytes(soup(seed))
    attempt(path)


@QUIET
@given(data=st.binary(max_size=400))
@example(data=b"\xff\xfe")
@example(data=b"\n" * 50)
@example(data=b",\n" * 20)
@example(data=b'"\n')
def test_any_bytes(tmp_path, data):
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    attempt(path)


@QUIET
@given(
    seed=st.integers(0, 2**64), delimiter=st.sampled_from(["", ",", ";", "tab", "||", "x"]),
    decimal=st.sampled_from(["", ".", ","]), header_line=st.sampled_from([None, 0, 1, 3, 500]),
    zone=st.sampled_from(["", "Europe/Berlin", "+05:30", "Nowhere/Land", "UTC"]),
    encoding=st.sampled_from(["", "utf-8", "cp1252", "utf-16", "no-such", "rot13", "idna", "utf-32"]),
    time_format=st.sampled_from(["", "epoch_s", "elapsed_ms", "%H:%M:%S", "%Y-%m-%dT%H:%M:%S", "%q", "%I:%M", "serial", "("]),
    time_columns=st.sampled_from([(), ("time",), ("#1",), ("#2", "#1"), ("#99",), ("a", "b", "c")]),
)  # fmt: skip
def test_any_statement(tmp_path, seed, **stated):
    path = tmp_path / "log.csv"
    path.write_bytes(soup(seed))
    attempt(path, LogEntry("log", ("log.csv",), "meter", (), **stated))
