"""Class T of the catalogue: time."""

import datetime as dt

import numpy as np
import pytest

from phasewright.bench import Instrument
from phasewright.logs import read_log

S = 10**9
HOUR = 3600 * S
DAY = 86400 * S


def ns(text):
    """Return ns since 1970 of an ISO text in UTC, by the standard library."""
    moment = dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)
    return int((moment - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)) / dt.timedelta(microseconds=1)) * 1000


def log(stamps, head="time"):
    return f"{head},power_W\n" + "".join(f"{stamp},{100 + i}\n" for i, stamp in enumerate(stamps))


def iso(*seconds, start="2026-03-10T12:00:00"):
    base = dt.datetime.fromisoformat(start)
    return [(base + dt.timedelta(seconds=s)).isoformat(sep=" ") for s in seconds]


def test_T01_clock_goes_back(bad, said):
    table = bad.table(log(iso(*range(10), *range(7, 20))))
    assert table.segments == ((0, 10), (10, 23))
    assert table.columns["power_W"].tolist() == [100.0 + i for i in range(23)]
    assert said(table, "clock step").line == 12


@pytest.mark.parametrize("count", [2, 10])
def test_T02_same_stamp_on_several_rows(bad, count, said):
    table = bad.table(log(iso(*np.repeat(range(8), count).tolist())))
    assert len(table.time_ns) == 8 * count
    assert said(table, "same stamp").count == 8 * (count - 1)


def test_T03_repeated_hour_with_zone(bad, said):
    # Clocks in this zone went back on 2026-10-25 at 03:00 local time to 02:00.
    local = [dt.datetime(2026, 10, 25, 1, 0) + dt.timedelta(minutes=10 * i) for i in range(12)]
    local += [dt.datetime(2026, 10, 25, 2, 0) + dt.timedelta(minutes=10 * i) for i in range(12)]
    table = bad.table(log([t.isoformat(sep=" ") for t in local]), zone="Europe/Berlin")
    assert np.diff(table.time_ns).tolist() == [600 * S] * 23
    assert table.time_ns[0] == ns("2026-10-24T23:00:00")
    assert len(table.segments) == 1
    assert said(table, "repeated hour").line == 14


def test_T03_repeated_hour_without_zone(bad, said):
    local = [dt.datetime(2026, 10, 25, 2, 0) + dt.timedelta(minutes=10 * i) for i in range(6)]
    table = bad.table(log([t.isoformat(sep=" ") for t in local * 2]))
    assert len(table.time_ns) == 12
    assert table.segments == ((0, 6), (6, 12))
    assert "zone" in said(table, "summer time").mend


def test_T04_missing_hour(bad):
    local = ["2026-03-29 01:59:58", "2026-03-29 01:59:59", "2026-03-29 03:00:00", "2026-03-29 03:00:01"]
    table = bad.table(log(local), zone="Europe/Berlin", kind="")
    assert np.diff(table.time_ns).tolist() == [S] * 3
    assert not any("gap" in remark.what for remark in table.report.remarks)


def test_T05_leap_second(bad, said):
    table = bad.table(log(["2016-12-31T23:59:59", "2016-12-31T23:59:60", "2017-01-01T00:00:00", "2017-01-01T00:00:01"]))
    assert (np.diff(table.time_ns) >= 0).all()
    assert len(table.segments) == 1
    assert table.time_ns[2] == ns("2017-01-01T00:00:00")
    assert said(table, "leap second").line == 3


def test_T06_midnight(bad, said):
    table = bad.table(log(["23:59:58", "23:59:59", "00:00:00", "00:00:01"]))
    assert np.diff(table.time_ns).tolist() == [S] * 3
    assert len(table.segments) == 1
    assert not table.absolute
    assert said(table, "midnight").line == 4


def test_T06_two_midnights(bad):
    stamps = [f"{h % 24:02d}:{m:02d}:00" for h in range(20, 20 + 50) for m in range(0, 60, 10)]
    table = bad.table(log(stamps))
    assert np.diff(table.time_ns).tolist() == [600 * S] * (len(stamps) - 1)


def test_T06_gap_of_unknown_days(bad, said):
    table = bad.table(log(["20:00:00", "20:00:01", "20:00:02", "07:00:00", "07:00:01"]), kind="refuse")
    assert table.segments == ((0, 3), (3, 5))
    said(table, "how many days")


@pytest.mark.parametrize("unit, scale", [("s", 1), ("ms", 10**3), ("us", 10**6), ("ns", 10**9)])
def test_T07_epoch_units(bad, unit, scale, said):
    first = 1_772_000_000
    table = bad.table(log([str(first * scale + i * scale // 10) if scale > 1 else str(first + i) for i in range(20)]))
    assert table.absolute
    assert table.time_ns[0] == first * S
    assert table.time_ns[10] == first * S + (S if scale > 1 else 10 * S)
    said(table, f"in {unit}, by their size")


def test_T07_epoch_fraction_is_exact(bad):
    table = bad.table(log([f"1772000000.{i:06d}" for i in range(1, 20)]), kind="")
    assert table.time_ns.tolist() == [1_772_000_000 * S + i * 1000 for i in range(1, 20)]


def test_T07_elapsed_that_could_be_either(bad):
    assert "seconds or milliseconds" in bad.refusal_of(log([i * 5 for i in range(20)]))


def test_T07_the_instrument_settles_it(bad, tmp_path):
    path = bad.file(log([i * 5 for i in range(20)]))
    for period, step in ((5.0, 5 * S), (0.005, 5_000_000)):
        table = read_log(path, instrument=Instrument("meter", period=period))
        assert np.diff(table.time_ns).tolist() == [step] * 19


def test_T08_epoch_changes_unit(bad, said):
    stamps = [1_772_000_000 + i for i in range(10)] + [(1_772_000_010 + i) * 1000 for i in range(10)]
    table = bad.table(log(stamps))
    assert np.diff(table.time_ns).tolist() == [S] * 19
    assert table.segments == ((0, 10), (10, 20))
    assert said(table, "count in ms from here, in s before").line == 12


def test_T09_spreadsheet_serial(bad, said):
    base = dt.datetime(1899, 12, 30)
    table = bad.table(log([f"{46000.5 + i / 86400:.10f}" for i in range(20)]))
    first = base + dt.timedelta(days=46000.5)
    assert table.time_ns[0] == ns(first.isoformat())
    assert np.diff(table.time_ns).tolist() == [S] * 19
    said(table, "1899-12-30")


def test_T10_day_and_month_unknown(bad):
    refusal = bad.refusal(log([f"03/04/2026 12:00:{i:02d}" for i in range(20)]))
    assert "03/04/2026" in refusal and "%d/%m/%Y" in refusal


@pytest.mark.parametrize(
    "late, first", [("13/04/2026 00:00:00", "2026-04-03T12:00:00"), ("03/14/2026 00:00:00", "2026-03-04T12:00:00")]
)
def test_T10_a_later_row_proves_it(bad, late, first):
    table = bad.table(log([*(f"03/04/2026 12:{i // 60:02d}:{i % 60:02d}" for i in range(3000)), late]), kind="note")
    assert table.time_ns[0] == ns(first)


@pytest.mark.parametrize("form, first", [("%d/%m/%Y %H:%M:%S", "2026-04-03"), ("%m/%d/%Y %H:%M:%S", "2026-03-04")])
def test_T10_the_person_states_it(bad, form, first):
    table = bad.table(log([f"03/04/2026 12:00:{i:02d}" for i in range(20)]), kind="", time_format=form)
    assert table.time_ns[0] == ns(first + "T12:00:00")


def test_T11_year_of_two_digits(bad):
    stamps = [f"13.04.26 12:00:{i:02d}" for i in range(20)]
    assert "two digits" in bad.refusal(log(stamps))
    assert bad.table(log(stamps), kind="", time_format="%d.%m.%y %H:%M:%S").time_ns[0] == ns("2026-04-13T12:00:00")


def test_T11_twelve_hours_without_am_or_pm(bad):
    stamps = [f"2026-04-13 {h}:{m:02d}:00" for h in (11, 12, 1, 2) for m in range(0, 60, 10)]
    assert "12-hour" in bad.refusal(log(stamps))


def test_T11_twelve_hours_with_pm(bad):
    stamps = ["2026-04-13 11:59:59 AM", "2026-04-13 12:00:00 PM", "2026-04-13 1:00:00 PM"]
    table = bad.table(log(stamps), kind="")
    assert [int(t) - ns("2026-04-13T00:00:00") for t in table.time_ns] == [43199 * S, 43200 * S, 46800 * S]


def test_T12_end_of_day(bad, said):
    table = bad.table(log(["2026-01-01 23:59:59", "2026-01-01 24:00:00", "2026-01-02 00:00:01"]))
    assert table.time_ns[1] == ns("2026-01-02T00:00:00")
    assert np.diff(table.time_ns).tolist() == [S, S]
    said(table, "24:00:00")


def test_T13_offsets_change(bad):
    table = bad.table(
        log(
            [
                "2026-01-01T12:00:00+01:00",
                "2026-01-01T12:00:01+01:00",
                "2026-01-01T11:00:02Z",
                "2026-01-01T06:00:03-05:00",
            ]
        ),
        kind="",
    )
    assert table.time_ns[0] == ns("2026-01-01T11:00:00")
    assert np.diff(table.time_ns).tolist() == [S] * 3


def test_T13_letters(bad):
    refusal = str(bad.attempt(log([f"2026-01-01 12:00:{i:02d} CST" for i in range(10)])))
    assert "CST" in refusal and "several zones" in refusal


def test_T14_counter_starts_again(bad, said):
    table = bad.table(log([*range(10), *range(10)], head="time_s"))
    assert table.segments == ((0, 10), (10, 20))
    assert said(table, "starts again").line == 12


def test_T15_tick_wraps(bad, said):
    ticks = [(2**32 - 5000 + i * 1000) % 2**32 for i in range(20)]
    table = bad.table(log(ticks, head="time_ms"))
    assert np.diff(table.time_ns).tolist() == [S] * 19
    assert len(table.segments) == 1
    said(table, "wrapped")


def test_T16_sixteen_bit_seconds_wrap(bad, said):
    table = bad.table(log([(65530 + i) % 65536 for i in range(20)], head="time_s"))
    assert np.diff(table.time_ns).tolist() == [S] * 19
    said(table, "wrapped")


@pytest.mark.parametrize("shift", [3600, -3600])
def test_T17_clock_set_while_a_counter_runs_on(bad, shift, said):
    stamps = iso(*range(10), *(i + shift for i in range(10, 30)))
    text = "time,uptime_s,power_W\n" + "".join(f"{t},{5000 + i},{100 + i}\n" for i, t in enumerate(stamps))
    table = bad.table(text)
    assert np.diff(table.time_ns).tolist() == [S] * 29
    assert table.time_ns[0] == ns("2026-03-10T12:00:00")
    assert len(table.segments) == 1
    assert said(table, "uptime_s").line == 12


def test_T18_fast_logger_clock(bad):
    # The reader leaves the stamps as they are; drift is found between clocks (tests/logs, clocks).
    stamps = [f"{i * 1.0002:.4f}" for i in range(3600)]
    table = bad.table(log(stamps, head="time_s"), kind="")
    assert table.time_ns.tolist() == [round(float(s) * 1e4) * 100_000 for s in stamps]


def test_T19_one_stamp_for_all(bad):
    assert "same time stamp" in bad.refusal(log(iso(*[5] * 20)))


def test_T20_gap(bad, said):
    table = bad.table(log(iso(*range(50), *range(650, 700))))
    remark = said(table, "gaps")
    assert (remark.line, remark.count) == (52, 1)
    assert "601 s" in remark.what
    assert len(table.time_ns) == 100


def test_T21_scattered_intervals(bad, said):
    generator = np.random.default_rng(5)
    steps = generator.uniform(0.2, 5.0, 300)
    table = bad.table(log([f"{t:.3f}" for t in np.cumsum(steps)], head="time_s"))
    what = said(table, "intervals scatter").what
    assert "median" in what and "worst" in what


@pytest.mark.parametrize("start", ["1970-01-01T00:00:10", "2000-01-01T00:05:00", "2105-06-01T12:00:00"])
def test_T22_clock_not_set(bad, start, said):
    table = bad.table(log(iso(*range(20), start=start)))
    assert not table.absolute
    assert np.diff(table.time_ns).tolist() == [S] * 19
    said(table, "clock was not set")


def test_T23_newest_first(bad, said):
    table = bad.table(log(iso(*range(30))[::-1]))
    assert np.diff(table.time_ns).tolist() == [S] * 29
    assert table.columns["power_W"].tolist() == [129.0 - i for i in range(30)]
    assert table.line_of(0) == 31
    assert table.line_of(29) == 2
    said(table, "newest row first")


def test_T24_whole_seconds_on_fast_rows(bad, said):
    table = bad.table(log(iso(*np.repeat(range(20), 10).tolist())))
    assert table.stamp_resolution == 1.0
    said(table, "steps of 1 s")


def test_T25_fraction_behind_a_comma(bad, said):
    table = bad.table("time,power_W,temp_C\n" + "".join(f"12:00:0{i // 10},{i % 10},{100 + i},40\n" for i in range(40)))
    assert np.diff(table.time_ns).tolist() == [10**8] * 39
    assert table.columns["power_W"].tolist() == [100.0 + i for i in range(40)]
    assert table.columns["temp_C"].tolist() == [40.0] * 40
    said(table, "behind a comma")


def test_T25_in_a_semicolon_file(bad):
    table = bad.table("time;power_W\n" + "".join(f"12:00:00,{i};{100 + i},5\n" for i in range(10)))
    assert np.diff(table.time_ns).tolist() == [10**8] * 9


def test_T26_epoch_in_single_precision(bad):
    stamps = [int(np.float32(1_772_000_000 + 10 * i)) for i in range(100)]
    assert "32-bit floats" in str(bad.attempt(log(stamps)))


def test_T26_a_second_clock_exists(bad, said):
    stamps = [int(np.float32(1_772_000_000 + 10 * i)) for i in range(100)]
    text = "timestamp,elapsed_s,power_W\n" + "".join(f"{t},{10 * i},{i}\n" for i, t in enumerate(stamps))
    table = bad.table(text)
    assert np.diff(table.time_ns).tolist() == [10 * S] * 99
    said(table, "128 s")


def test_T11_twelve_hours_seen_only_later(bad):
    stamps = [f"2026-04-13 {h}:{m:02d}:{s:02d}" for h in (11, 12, 1) for m in range(60) for s in range(0, 60, 5)]
    assert "12-hour" in bad.refusal(log(stamps))


def test_T01_a_column_that_is_no_clock(bad):
    generator = np.random.default_rng(3)
    result = bad.attempt(log(generator.permutation(2000).tolist(), head="time_s"))
    assert "no running clock" in str(result)
