"""Reading whole blocks gives what reading cell by cell gives: every value, time, segment, line and remark."""

import math
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phasewright.bench import ChannelSource, ColumnTerm, LogEntry, LogFault
from phasewright.logs import read_log
from phasewright.logs.read import _block, _reading, _source

QUIET = settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)


def outcome(path, entry=None):
    """Return everything that reading a file gives, comparable."""
    try:
        table = read_log(path, entry)
    except LogFault as fault:
        return ("refused", [str(f) for f in fault.faults])
    return (
        table.names, table.units, table.time_ns.tolist(), table.absolute,
        {name: column.view(np.int64)[~np.isnan(column)].tolist() for name, column in table.columns.items()},
        {name: np.isnan(column).tolist() for name, column in table.columns.items()},
        table.segments, table.line_starts.tolist(), sorted(map(str, table.report.remarks)), table.report.encoding,
        table.report.fingerprint, table.stamp_resolution,
    )  # fmt: skip


def both(path, monkeypatch, block=1 << 20, entry=None):
    """Return what reading by blocks of `block` bytes and reading line by line give."""
    with monkeypatch.context() as patch:
        patch.setattr(_source, "BLOCK", block)
        patch.setattr(_reading, "BLOCK", block)
        fast = outcome(path, entry)
    with monkeypatch.context() as patch:
        patch.setattr(_block.BlockReader, "read", lambda self, data: None)
        slow = outcome(path, entry)
    return fast, slow


# ---- random tables in random dialects -----------------------------------------------------------------------------

FORMS = ("{:.3f}", "{:.1f}", "{:d}", "{:g}", "{:.6e}", "{!r}", "{:+.2f}", "{:.12f}", " {:.2f} ", "{:.0f}.", "{:08.3f}")
WORDS = (
    "",
    "NaN",
    "N/A",
    "---",
    "1e400",
    "9.91E37",
    "12 W",
    "0x1F",
    "017",
    "1_000",
    "--5",
    "1.2.3",
    ".",
    "-",
    "+",
    "-.5",
    "5.",
)


OTHERS = ("ampm", "loose", "hms", "short", "trimmed", "compact", "serial", "minutes", "monthname")


@st.composite
def tables(draw):
    """Return (text as bytes, what is expected by column) of a table in a random dialect."""
    generator = random.Random(draw(st.integers(0, 2**32)))
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    comma = draw(st.booleans()) and delimiter != ","
    width = draw(st.integers(1, 5))
    count = draw(st.integers(2, 60))
    stamp = draw(
        st.sampled_from(["iso", "isoZ", "offset", "dmy", "clock", "split", "epoch", "epoch_ms", "s", "ms", *OTHERS])
    )
    quoted = draw(st.booleans())
    ending = draw(st.sampled_from(["\n", "\r\n"]))
    dirt = draw(st.sampled_from([0.0, 0.0, 0.05, 0.3]))
    forms = [draw(st.sampled_from(FORMS)) for _ in range(width)]
    scale = [10.0 ** draw(st.integers(-3, 6)) for _ in range(width)]
    head = {"split": ["Date", "Time"], "s": ["t_s"], "ms": ["t [ms]"]}.get(stamp, ["Time"])
    first, step = draw(st.sampled_from([(82_800_000, 250), (86_390_000, 1000), (32_000_000, 700_000), (0, 1)]))
    lines = [delimiter.join([*head, *(f"col{i} [W]" for i in range(width))])]
    for row in range(count):
        ms = first + row * step
        cells = stamps(stamp, ms)
        for form, size in zip(forms, scale, strict=True):
            if generator.random() < dirt:
                cells.append(generator.choice(WORDS))
                continue
            value = generator.uniform(-1, 1) * size
            cells.append(form.format(int(value)) if "d}" in form else form.format(value))
        if comma:
            cells[len(head) :] = [cell.replace(".", ",") for cell in cells[len(head) :]]
        if quoted and generator.random() < 0.5:
            cells = [f'"{cell}"' for cell in cells]
        lines.append(delimiter.join(cells))
        if generator.random() < dirt / 3:
            lines.append(
                generator.choice(["# note", lines[0], "", delimiter * width, "Average" + delimiter + "1", cells[0]])
            )
    return (ending.join(lines) + ending).encode()


def stamps(kind, ms):
    """Return the time cells of a stamp `ms` milliseconds after the start of a day, 2026-03-13."""
    day, rest = divmod(ms, 86_400_000)
    clock = f"{rest // 3_600_000:02d}:{rest // 60_000 % 60:02d}:{rest // 1000 % 60:02d}.{rest % 1000:03d}"
    date = f"2026-03-{13 + day:02d}"
    epoch = 1_773_360_000_000 + ms
    hour, minute, second = rest // 3_600_000, rest // 60_000 % 60, rest // 1000 % 60
    half = "AM" if hour < 12 else "PM"
    return {
        "iso": [f"{date} {clock}"], "isoZ": [f"{date}T{clock}Z"], "offset": [f"{date}T{clock}+01:00"],
        "dmy": [f"{13 + day:02d}.03.2026 {clock}"], "clock": [clock], "split": [f"{13 + day:02d}/03/2026", clock],
        "epoch": [f"{epoch / 1000:.3f}"], "epoch_ms": [str(epoch)], "s": [f"{ms / 1000:.3f}"], "ms": [str(ms)],
        "ampm": [f"3/{13 + day}/2026 {hour % 12 or 12}:{minute:02d}:{second:02d} {half}"],
        "loose": [f"{13 + day}.3.2026 {hour}:{minute:02d}:{second:02d}"],
        "hms": [f"{ms // 3_600_000}:{minute:02d}:{second:02d}.{rest % 1000:03d}"],
        "short": [f"{hour}:{minute:02d}:{second:02d}.{rest % 1000 // 100}"],
        "trimmed": [f"{date} {clock[:8]}" + clock[8:].rstrip("0").rstrip(".")],
        "compact": [date.replace("-", "") + "T" + clock.replace(":", "")],
        "serial": [f"{46094 + ms / 86_400_000:.10f}"], "minutes": [f"{date} {hour}:{minute:02d}"],
        "monthname": [f"{13 + day}-Mar-2026 {clock}"],
    }[kind]  # fmt: skip


@QUIET
@given(data=tables(), block=st.sampled_from([200, 700, 1 << 20]))
def test_blocks_equal_lines(tmp_path, monkeypatch, data, block):
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    fast, slow = both(path, monkeypatch, block)
    assert fast == slow


@QUIET
@given(data=tables(), seed=st.integers(0, 2**32), block=st.sampled_from([200, 1 << 20]))
def test_blocks_equal_lines_on_damaged_files(tmp_path, monkeypatch, data, seed, block):
    generator = random.Random(seed)
    damaged = bytearray(data)
    for _ in range(generator.randint(1, 6)):
        place = generator.randrange(len(damaged))
        kind = generator.random()
        if kind < 0.4:
            damaged[place] = generator.choice(b"0123456789.,;:-+eE \t\n\r\"#x\x00\xb0\xff/_'")
        elif kind < 0.7:
            del damaged[place : place + generator.randint(1, 12)]
        else:
            damaged[place:place] = bytes(generator.choices(b'0123456789.,;\n"e- ', k=generator.randint(1, 6)))
        if not damaged:
            damaged = bytearray(b"\n")
    path = tmp_path / "log.csv"
    path.write_bytes(bytes(damaged))
    fast, slow = both(path, monkeypatch, block)
    assert fast == slow


@given(
    cells=st.lists(
        st.one_of(
            st.floats(allow_nan=False, allow_infinity=False).map(repr),
            st.floats(-1e6, 1e6).map(lambda x: f"{x:.4f}"),
            st.integers(-(10**18), 10**18).map(str),
            st.decimals(-1000, 1000, places=7).map(str),
            st.from_regex(r"[+-]?[0-9]{0,12}\.?[0-9]{0,12}([eE][+-]?[0-9]{1,3})?", fullmatch=True),
        ),
        min_size=2, max_size=40,
    )
)  # fmt: skip
@QUIET
def test_every_plain_number_is_the_nearest_double(tmp_path, monkeypatch, cells):
    path = tmp_path / "log.csv"
    path.write_text("t_s,v_W\n0,0.5\n" + "".join(f"{i + 1},{cell}\n" for i, cell in enumerate(cells)))
    entry = LogEntry("log", ("log.csv",), "meter", (ChannelSource("input_power", (ColumnTerm(("v_W",)),)),))
    fast, slow = both(path, monkeypatch, entry=entry)
    assert fast == slow
    table = read_log(path, entry)
    for cell, got in zip(cells, table.columns["v_W"][1:], strict=True):
        if math.isnan(got):
            continue
        # Python's own reading of decimals is the reference (correctly rounded).
        assert got == float(cell)
        assert math.copysign(1, got) == math.copysign(1, float(cell))


@pytest.mark.parametrize(
    "kind", ["iso", "isoZ", "offset", "dmy", "clock", "split", "epoch", "epoch_ms", "s", "ms", *OTHERS]
)
def test_sound_tables_take_the_fast_path(tmp_path, kind):
    path = tmp_path / "log.csv"
    step = 60_000 if kind == "minutes" else 1000 if kind in ("ampm", "loose") else 100
    head = {"split": "Date,Time", "s": "t_s", "ms": "t_ms"}.get(kind, "Time")
    values = [f"{i / 7:.3f}" for i in range(3000)]
    lines = [",".join([*stamps(kind, 36_000_000 + step * i), value, f"{-i}"]) for i, value in enumerate(values)]
    path.write_text(f"{head},a_W,b_W\n" + "\n".join(lines) + "\n")
    table = read_log(path)
    assert table.report.fast_path
    assert table.columns["a_W"].tolist() == [float(value) for value in values]
    steps = np.diff(table.time_ns)
    assert np.abs(steps - step * 10**6).max() <= (1e6 if kind == "serial" else 0)


def test_layout_changes_inside_a_block(tmp_path, monkeypatch):
    path = Path(tmp_path / "log.csv")
    text = "t_s,a_W\n" + "".join(f"{i},{i}.5\n" for i in range(40)) + "t_s,b_V,a_W\n"
    text += "".join(f"{i},7,{i}.5\n" for i in range(40, 80)) + "".join(f"{i};8;{i}.5\n" for i in range(80, 120))
    path.write_text(text)
    for block in (60, 300, 1 << 20):
        fast, slow = both(path, monkeypatch, block)
        assert fast == slow
        table = read_log(path)
        assert table.columns["a_W"].tolist() == [i + 0.5 for i in range(120)]
        assert table.segments == ((0, 40), (40, 80), (80, 120))


def test_the_first_decimal_mark_of_the_file_decides_in_blocks_as_well(tmp_path, monkeypatch):
    """Beyond the sample all is whole numbers; then one column shows a comma and, a row later, the one before a point."""
    path = tmp_path / "log.csv"
    rows = [f"{i};{i % 9};{i % 7}\n" for i in range(900)]
    rows[700], rows[701] = "700;3;2,5\n", "701;1.5;4\n"
    path.write_text("t_s;p_W;q_W\n" + "".join(rows))
    fast, slow = both(path, monkeypatch)
    assert fast == slow
    columns = read_log(path).columns
    assert columns["q_W"][700] == 2.5
    assert math.isnan(columns["p_W"][701])


def test_a_cell_with_marks_that_prove_nothing_costs_no_more_than_itself(tmp_path, monkeypatch):
    """One such cell among whole numbers once refused the whole file: 'the way decimals are written changes'."""
    path = tmp_path / "log.csv"
    path.write_text("t_s;p_W\n0;1\n1;2\n2;1.2.3\n3;4\n")
    fast, slow = both(path, monkeypatch)
    assert fast == slow
    np.testing.assert_array_equal(read_log(path).columns["p_W"], [1.0, 2.0, math.nan, 4.0])


def test_map_by_position_forces_numbers(tmp_path, monkeypatch):
    path = tmp_path / "log.csv"
    path.write_text("t_s,a_W\n" + "".join(f"{i},{'off' if i % 3 else i}\n" for i in range(40)))
    source = ChannelSource("input_power", (ColumnTerm(("#2",)),))
    entry = LogEntry("log", ("log.csv",), "meter", (source,))
    fast, slow = both(path, monkeypatch, entry=entry)
    assert fast == slow
    column = read_log(path, entry).columns["a_W"]
    assert column[~np.isnan(column)].tolist() == [float(i) for i in range(0, 40, 3)]


SPELLINGS = ("utf-8", "cp1252", "both")


@st.composite
def worded(draw):
    """Return a table with units in cells, words beyond ASCII, blanks between columns."""
    generator = random.Random(draw(st.integers(0, 2**32)))
    delimiter = draw(st.sampled_from([",", ";", "\t", "   ", " ", "  \t"]))
    blank = delimiter.strip() == ""
    unit = draw(st.sampled_from(["°C", "W", "mW", "%", "A"]))
    other = draw(st.sampled_from([unit, "W", "mW", ""]))
    dirt = draw(st.sampled_from([0.0, 0.02, 0.2]))
    spelling = draw(st.sampled_from(SPELLINGS))
    form = draw(st.sampled_from(["{:.2f}", "{:d}", "{!r}", "{:.4e}"]))
    apart = "" if blank else draw(st.sampled_from(["", " ", "  "]))
    lines = [delimiter.join(["Time", "a", "b", "wort"])]
    for row in range(draw(st.integers(2, 40))):
        value = generator.uniform(-100, 1000)
        text = form.format(int(value)) if "d}" in form else form.format(value)
        tail = other if generator.random() < dirt else unit
        word = generator.choice(["gut", "Lüfter", "°", "naïve"]) if generator.random() < 0.5 else "ok"
        cell = f"{text}{apart}{tail}" if generator.random() >= dirt else generator.choice(["n/a", "12", "", "3m", "x"])
        cells = [stamps("isoZ", 1000 * row)[0], cell or "-", repr(generator.uniform(0, 1)), word]
        if generator.random() < dirt:
            cells = cells[: generator.randint(1, 4)]
        lines.append(delimiter.join(cells))
    encoded = []
    for index, line in enumerate(lines):
        codec = "utf-8" if spelling == "utf-8" or (spelling == "both" and index < 12) else "cp1252"
        encoded.append(line.encode(codec))
    return b"\n".join(encoded) + b"\n"


@QUIET
@given(data=worded(), block=st.sampled_from([150, 600, 1 << 20]))
def test_blocks_equal_lines_with_words_and_units(tmp_path, monkeypatch, data, block):
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    fast, slow = both(path, monkeypatch, block)
    assert fast == slow


@QUIET
@given(
    numbers=st.lists(
        st.one_of(
            st.floats(allow_nan=False, allow_infinity=False),
            st.floats(1e-20, 1e20),
            st.floats(0.0009, 1000).map(lambda x: -x),
            st.integers(0, 2**64).map(float),
        ),
        min_size=20, max_size=60,
    )
)  # fmt: skip
def test_numbers_printed_in_full_read_back(tmp_path, numbers):
    path = tmp_path / "log.csv"
    path.write_text("t_s,v_W\n" + "".join(f"{i},{x!r}\n" for i, x in enumerate([0.5, *numbers])))
    got = read_log(path).columns["v_W"].tolist()[1:]
    for x, y in zip(numbers, got, strict=True):
        assert x == y or (math.isnan(y) and abs(x) >= 9.8e37)
