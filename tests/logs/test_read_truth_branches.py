"""Logs written by the standard library's own formatting, read back: every stamp and every number, in every common form.

Stamps are compared with the whole nanoseconds that were formatted, numbers with `float(text)`, the nearest double.
"""

import datetime as dt
import math
import random

import numpy as np
import pytest

from phasewright.logs import read_log

ROWS = 400
BEGIN = 1_713_525_000  # 2024-04-19 11:10:00 UTC, as `date -u -d @1713525000` says
UTC = dt.UTC


def moment(ns):
    return dt.datetime.fromtimestamp(ns // 10**9, UTC)


def behind(ns, places):
    return f"{ns % 10**9:09d}"[:places]


def spelled(pattern, places=0, mark=".", zone=""):
    def write(ns):
        return moment(ns).strftime(pattern) + (mark + behind(ns, places) if places else "") + zone
    return write


def count(unit, places=0):
    def write(ns):
        whole, rest = divmod(ns, unit)
        return str(whole) + (f".{rest * 10**places // unit:0{places}d}" if places else "")
    return write


def elapsed(ns):
    seconds = ns // 10**9 - BEGIN
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{behind(ns, 3)}"


ISO = "%Y-%m-%dT%H:%M:%S"
STAMPS = {
    # name: (header, writer, finest step [ns], what is taken off [s])
    "iso": ("time", spelled(ISO), 10**9, 0), "iso-3": ("time", spelled(ISO, 3), 10**6, 0),
    "iso-6": ("time", spelled(ISO, 6), 10**3, 0), "iso-9": ("time", spelled(ISO, 9), 1, 0),
    "iso-z": ("time", spelled(ISO, 3, zone="Z"), 10**6, 0), "iso-1": ("time", spelled(ISO, 1), 10**8, 0),
    "iso-ahead": ("time", spelled(ISO, 3, zone="+02:00"), 10**6, 2 * 3600),
    "iso-behind": ("time", spelled(ISO, 0, zone="-03:30"), 10**9, -12_600),
    "blank": ("time", spelled("%Y-%m-%d %H:%M:%S", 4), 10**5, 0), "slashes": ("time", spelled("%Y/%m/%d %H:%M:%S", 3), 10**6, 0),
    "dots": ("time", spelled("%d.%m.%Y %H:%M:%S", 3), 10**6, 0), "half-days": ("time", spelled("%m/%d/%Y %I:%M:%S %p"), 10**9, 0),
    "month": ("time", spelled("%d-%b-%Y %H:%M:%S", 2), 10**7, 0), "compact": ("time", spelled("%Y%m%dT%H%M%S", 3), 10**6, 0),
    "two": ("date,time", spelled("%Y-%m-%d,%H:%M:%S", 3), 10**6, 0),
    "epoch": ("time [s]", count(10**9), 10**9, 0), "epoch-3": ("time [s]", count(10**9, 3), 10**6, 0),
    "epoch-9": ("time [s]", count(10**9, 9), 1, 0), "epoch-ms": ("time [ms]", count(10**6), 10**6, 0),
    "epoch-us": ("time [us]", count(10**3), 10**3, 0), "epoch-ns": ("time [ns]", count(1), 1, 0),
    "elapsed": ("time", elapsed, 10**6, BEGIN), "hours": ("elapsed", elapsed, 10**6, BEGIN),
}


def stamps_of(step, chance):
    steps = [max(step, 250_000_000 // step * step + chance.randrange(-3, 4) * step) for _ in range(ROWS)]
    return [BEGIN * 10**9 + int(item) for item in np.cumsum(np.asarray(steps, dtype=np.int64))]


NUMBERS = {
    "whole": lambda chance: str(chance.randrange(-3000, 30_000)),
    "one": lambda chance: f"{chance.uniform(-5.0, 500.0):.1f}", "two": lambda chance: f"{chance.uniform(0.0, 99.0):.2f}",
    "six": lambda chance: f"{chance.gauss(0.0, 50.0):.6f}", "nine": lambda chance: f"{chance.uniform(10.0, 13.0):.9f}",
    "full": lambda chance: repr(chance.gauss(0.0, 1.0) * 10.0 ** chance.randrange(-3, 9)),
    "exponent": lambda chance: f"{chance.gauss(0.0, 1.0) * 10.0 ** chance.randrange(-12, 12):.{chance.randrange(1, 9)}e}",
    "seldom": lambda chance: "" if chance.random() < 0.3 else f"{chance.uniform(1.0, 2.0):.4f}",
    "signed": lambda chance: f"{chance.gauss(0.0, 3.0):+.2f}", "small": lambda chance: f".{chance.randrange(1000, 9999)}",
    "words": lambda chance: chance.choice(["NaN", "1.25", "-2.5"]),
}


def number(text):
    return float(text) if text not in ("", "NaN") else math.nan


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("name", STAMPS)
def test_every_stamp_is_read_to_its_last_digit(tmp_path, name, line_end):
    head, write, step, off = STAMPS[name]
    chance = random.Random(name)
    stamps = stamps_of(step, chance)
    values = [f"{chance.uniform(0.0, 500.0):.3f}1" for _ in stamps]
    path = tmp_path / "a.csv"
    lines = [f"{head},power [W]", *(f"{write(ns)},{value}" for ns, value in zip(stamps, values, strict=True))]
    path.write_text(line_end.join([*lines, ""]), encoding="utf-8", newline="")
    table = read_log(path)
    assert table.time_ns.tolist() == [ns - off * 10**9 for ns in stamps]
    assert table.columns["power [W]"].tolist() == [float(text) for text in values]
    assert table.absolute is (off != BEGIN) and table.segments == ((0, ROWS),)
    assert [table.line_of(row) for row in (0, 1, ROWS - 1)] == [2, 3, ROWS + 1]


@pytest.mark.parametrize("quoted", [False, True])
@pytest.mark.parametrize(("delimiter", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", ".")])
def test_every_number_is_the_nearest_double(tmp_path, delimiter, decimal, quoted):
    chance = random.Random(f"{delimiter}{decimal}")
    texts = {name: [write(chance) for _ in range(ROWS)] for name, write in NUMBERS.items()}
    rows = [[f"{0.25 * row:.2f}", *(texts[name][row] for name in NUMBERS)] for row in range(ROWS)]

    def cell(text):
        text = text.replace(".", decimal)
        return f'"{text}"' if quoted and text else text

    path = tmp_path / "a.csv"
    lines = [delimiter.join(["time [s]", *NUMBERS]), *(delimiter.join(map(cell, row)) for row in rows)]
    path.write_text("\n".join([*lines, ""]), encoding="utf-8", newline="")
    table = read_log(path)
    assert table.time_ns.tolist() == [250_000_000 * row for row in range(ROWS)]
    for name in NUMBERS:
        np.testing.assert_array_equal(table.columns[name], [number(text) for text in texts[name]], err_msg=name)
    assert not [remark for remark in table.report.remarks if remark.kind == "refuse"]


@pytest.mark.parametrize("place", [1, 7, ROWS // 2, ROWS - 1])
def test_a_row_that_is_hurt_costs_no_other_row(tmp_path, place):
    """One row cut short: it alone is left out or missing, with its line."""
    lines = [f"{row},{row * 1.5:.1f},{row % 3}" for row in range(ROWS)]
    lines[place] = lines[place].rpartition(",")[0]
    path = tmp_path / "a.csv"
    path.write_text("\n".join(["time [s],power [W],state", *lines, ""]), encoding="utf-8")
    table = read_log(path)
    seconds = (table.time_ns // 10**9).tolist()
    assert [row for row in range(ROWS) if row != place] == [row for row in seconds if row != place]
    values = table.columns["power [W]"]
    assert all(values[index] == row * 1.5 for index, row in enumerate(seconds) if row != place)
    (remark,) = [item for item in table.report.remarks if item.kind == "repair"]
    assert remark.line == place + 2 and remark.count == 1
