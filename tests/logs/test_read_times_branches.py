"""Stamps beside the usual: formats that a person states, against the standard library's own reading of them."""

import datetime as dt

import pytest

from phasewright.logs.read import _times as times
from phasewright.logs.read._times import Doubt, TimePlan, read_stamp

EPOCH = dt.datetime(1970, 1, 1)


def stated(text, pattern):
    kind = "custom" if times.format_has_date(pattern) else "custom_clock"
    return read_stamp((text,), TimePlan(kind, (0,), pattern=pattern, stated=True))


# Expected: datetime.strptime, of the standard library, on the same words.
@pytest.mark.parametrize(("text", "pattern"), [
    ("2026-03-13 10:11:12", "%Y-%m-%d %H:%M:%S"), ("2026-03-13 10:11:12.25", "%Y-%m-%d %H:%M:%S.%f"),
    ("13 Mar 2026 / 10h11", "%d %b %Y / %Hh%M"), ("13 March 2026 10:11", "%d %B %Y %H:%M"),
    ("2026 072 10:11:12", "%Y %j %H:%M:%S"), ("2024 366 23:59:59", "%Y %j %H:%M:%S"),
    ("130326 101112", "%d%m%y %H%M%S"), ("13.03.68 10:11", "%d.%m.%y %H:%M"),
    ("03/13/2026 12:00:01 AM", "%m/%d/%Y %I:%M:%S %p"), ("03/13/2026 12:00:01 PM", "%m/%d/%Y %I:%M:%S %p"),
    ("03/13/2026 01:02:03 pm", "%m/%d/%Y %I:%M:%S %p"), ("03/13/2026 11:02:03 am", "%m/%d/%Y %I:%M:%S %p"),
    ("100% 2026-03-13 10", "100%% %Y-%m-%d %H"), ("2026-02-28T23:59:59", "%Y-%m-%dT%H:%M:%S"),
])
def test_stated_formats_read_as_the_standard_library_reads_them(text, pattern):
    moment = dt.datetime.strptime(text, pattern)
    assert stated(text, pattern).ns == round((moment - EPOCH) / dt.timedelta(microseconds=1)) * 1000


def test_years_of_two_digits_turn_at_seventy():
    """POSIX strptime, %y: 69 to 99 are 1969 to 1999; here the year 69 itself is 2069: no log is older than the epoch."""
    assert stated("13.03.70 10:11", "%d.%m.%y %H:%M").ns == (dt.datetime(1970, 3, 13, 10, 11) - EPOCH).total_seconds() * 1e9
    assert stated("13.03.69 10:11", "%d.%m.%y %H:%M").ns == (dt.datetime(2069, 3, 13, 10, 11) - EPOCH).total_seconds() * 1e9


def test_zones_of_stated_formats_count_as_iso_8601_says():
    for text, pattern in (("2026-03-13 10:11:12+0130", "%Y-%m-%d %H:%M:%S%z"), ("2026-03-13 10:11:12-05:00", "%F %T%z"),
                          ("2026-03-13 10:11:12 UTC", "%F %T %Z"), ("2026-03-13 10:11:12Z", "%F %T%z")):
        found = stated(text, pattern)
        there = dt.datetime.fromisoformat(text.replace(" UTC", "+00:00"))
        assert found.zoned and found.ns == there.timestamp() * 1e9


@pytest.mark.parametrize(("text", "pattern"), [
    ("03/13/2026 13:00:00 PM", "%m/%d/%Y %I:%M:%S %p"), ("03/13/2026 00:00:00 AM", "%m/%d/%Y %I:%M:%S %p"),
    ("2026-03-13 25:00:00", "%Y-%m-%d %H:%M:%S"), ("2026-03-13 10:60:00", "%Y-%m-%d %H:%M:%S"),
    ("2026-03-13 10:00:62", "%Y-%m-%d %H:%M:%S"), ("2026-13-13 10:00:00", "%Y-%m-%d %H:%M:%S"),
    ("2026-02-29 10:00:00", "%Y-%m-%d %H:%M:%S"), ("2025 367 10:00", "%Y %j %H:%M"), ("2025 000 10:00", "%Y %j %H:%M"),
    ("13 Xyz 2026 10:11", "%d %b %Y %H:%M"), ("2026-03-13", "%Y-%m-%d %H:%M"),
])
def test_what_the_standard_library_refuses_is_no_stamp(text, pattern):
    with pytest.raises(ValueError):
        dt.datetime.strptime(text, pattern)
    with pytest.raises(ValueError):
        stated(text, pattern)


def test_only_leap_years_have_a_day_366():
    """ISO 8601:2004, 4.1.3.2: ordinal dates go to 365 in common years."""
    assert stated("2024 366 10:00", "%Y %j %H:%M").ns == (dt.datetime(2024, 12, 31, 10) - EPOCH).total_seconds() * 1e9
    with pytest.raises(ValueError, match="no day of the year"):
        stated("2025 366 10:00", "%Y %j %H:%M")


def test_midnight_may_be_written_24_00_and_nothing_later():
    """ISO 8601:2004, 4.2.3: 24:00:00 is the end of the day."""
    assert stated("2026-03-13 24:00:00", "%F %T").ns == (dt.datetime(2026, 3, 14) - EPOCH).total_seconds() * 1e9
    for text in ("24:00:01", "24:01:00", "24:30:00"):
        with pytest.raises(ValueError, match="no time of day"):
            stated(f"2026-03-13 {text}", "%F %T")
        with pytest.raises(ValueError, match="no time of day"):
            times.clock_ns(text)
    with pytest.raises(ValueError, match="no time of day"):
        stated("2026-03-13 24:00:00.5", "%F %T.%f")


def test_a_leap_second_is_held_at_the_end_of_its_minute():
    found = stated("2016-12-31 23:59:60", "%F %T")
    assert found.ns == int((dt.datetime(2017, 1, 1) - EPOCH).total_seconds()) * 10**9 - 1 and "leap second" in found.note
    assert times.clock_ns("23:59:60")[0] == 86_400 * 10**9 - 1


def test_twelve_hours_without_their_half_read_two_ways():
    with pytest.raises(Doubt, match="AM or PM"):
        stated("2026-03-13 10:11:12", "%Y-%m-%d %I:%M:%S")


@pytest.mark.parametrize(("pattern", "why"), [
    ("%Y-%m-%d %Q", "unknown code %Q"), ("%Y-%m-%d %", "unknown code %"), ("%Y-%m-%d", "holds no time of day"),
    ("%Y %Y %H", "time format"),
])
def test_formats_that_cannot_be_meant_are_refused(pattern, why):
    with pytest.raises(ValueError, match=why):
        times.compile_format(pattern)


def test_a_fraction_that_is_stated_may_stay_away():
    assert stated("10:11:12", "%H:%M:%S.%f").ns == stated("10:11:12.000", "%H:%M:%S.%f").ns == 36_672 * 10**9
    assert stated("10:11:12,5", "%H:%M:%S,%f").ns - stated("10:11:12", "%H:%M:%S,%f").ns == 5 * 10**8
    assert stated("f123", "f%S%f").ns == 12 * 10**9 + 3 * 10**8


@pytest.mark.parametrize(("pattern", "dated"), [
    ("%Y-%m-%d %H", True), ("%y%j %H", True), ("%d %b %Y %H", True), ("%m-%d %H", False), ("%Y-%m %H", False),
    ("%Y %H", False), ("%H:%M", False)])
def test_only_year_month_and_day_make_a_date(pattern, dated):
    assert times.format_has_date(pattern) is dated


@pytest.mark.parametrize(("text", "parts"), [
    ("2026-03-13", ("2026", "03", "13", "-")), ("13.03.2026", ("13", "03", "2026", ".")),
    ("13-Mar-2026", ("2026", "3", "13", "word")), ("Mar 13, 2026", ("2026", "3", "13", "word")),
    ("2026-Mar-13", ("2026", "3", "13", "word")),
    ("13-Xyz-2026", None), ("Xyz 13, 2026", None), ("no date", None),
])
def test_dates_are_split_and_words_are_months(text, parts):
    assert times.split_date(text) == parts


@pytest.mark.parametrize(("dates", "order"), [
    ([], ""), (["2026-03-13"], "ymd"), (["13.03.2026"], "dmy"), (["13/03/2026"], "dmy"), (["03/13/2026"], "mdy"),
    (["03/04/2026"], ""), (["12/12/2026"], ""), (["13/03/2026", "03/14/2026"], ""), (["03/13/26"], ""), (["13-Mar-26"], ""),
])
def test_an_order_is_proven_or_stays_open(dates, order):
    assert times.order_proof({times.split_date(text) for text in dates})[0] == order


def test_dates_are_remembered_and_forgotten_without_changing_what_they_say(monkeypatch):
    monkeypatch.setattr(times, "_day_cache", {index: 0 for index in range(10_001)})
    assert times.date_days("2026-03-13", "ymd") == (dt.date(2026, 3, 13) - dt.date(1970, 1, 1)).days
    assert len(times._day_cache) == 1
    assert times.date_days("13/03/2026", "dmy") == times.date_days("03/13/2026", "mdy") == times.date_days("2026-03-13", "ymd")
    with pytest.raises(Doubt, match="two digits"):
        times.date_days("13/03/26", "dmy")
    assert times.date_days("13/03/26", "dmy", True) == times.date_days("2026-03-13", "ymd")
    with pytest.raises(ValueError, match="no date"):
        times.date_days("13/13", "dmy")


@pytest.mark.parametrize(("year", "well"), [(1699, False), (1700, True), (2250, True), (2251, False)])
def test_years_of_no_log_are_refused(year, well):
    if well:
        assert times.day_number(year, 1, 1) == (dt.date(year, 1, 1) - dt.date(1970, 1, 1)).days
    else:
        with pytest.raises(ValueError, match="no year of a log"):
            times.day_number(year, 1, 1)


@pytest.mark.parametrize(("text", "hours"), [("12:00 AM", 0), ("12:00 PM", 12), ("1:00 PM", 13), ("11:00 am", 11),
                                            ("0:00 AM", None), ("13:00 PM", None), ("25:00", None), ("24:00", 24)])
def test_twelve_hour_clocks(text, hours):
    if hours is None:
        with pytest.raises(ValueError, match="no time of day"):
            times.clock_ns(text)
    else:
        assert times.clock_ns(text)[0] == hours * 3600 * 10**9


@pytest.mark.parametrize(("zone", "hours"), [("Z", 0.0), ("+01:30", 1.5), ("-0500", -5.0), ("UTC+2", 2.0), ("GMT-3", -3.0),
                                            ("+14:00", 14.0), ("+15:00", None), ("+01:60", None), ("+01:59", 1 + 59 / 60)])
def test_offsets_of_zones(zone, hours):
    if hours is None:
        with pytest.raises(ValueError, match="no zone offset"):
            times.zone_ns(zone)
    else:
        assert times.zone_ns(zone) == round(hours * 3600) * 10**9


def test_letters_of_zones_stand_for_several():
    with pytest.raises(Doubt, match="several zones"):
        times.zone_ns("CST")


@pytest.mark.parametrize(("text", "unit", "decimal", "ns"), [
    ("1.5", "s", ".", 1_500_000_000), ("1,5", "s", ",", 1_500_000_000), ("1.5", "s", ",", None), ("-2", "ms", ".", -2_000_000),
    ("1e-9", "s", ".", 1), ("1e-10", "s", ".", 0), ("1.5e3", "us", ".", 1_500_000), (".5", "s", ".", 500_000_000),
    ("5.", "s", ".", 5_000_000_000), ("4611686018.427387903", "s", ".", 2**62 - 1), ("4611686018.427387904", "s", ".", None),
    ("x", "s", ".", None), ("1" + "0" * 40, "ns", ".", None), ("0." + "0" * 38, "s", ".", 0), ("0." + "0" * 39, "s", ".", None),
])
def test_numbers_of_time_are_exact_to_the_nanosecond(text, unit, decimal, ns):
    assert times.number_ns(text, unit, decimal) == ns


def test_elapsed_times_and_serial_dates():
    assert times.hms_ns("1:02:03.5") == 3_723_500_000_000
    assert times.hms_ns("2 days 1:02:03") == times.hms_ns("2.1:02:03") == (2 * 86_400 + 3_723) * 10**9
    with pytest.raises(ValueError, match="no elapsed time"):
        times.hms_ns("1:2")
    serial = TimePlan("serial", (0,))
    # Serial date 25569 is 1970-01-01 where day 0 is 1899-12-30 (OpenDocument 1.2, part 2, 4.11.3).
    assert read_stamp(("25569",), serial).ns == 0 and read_stamp(("25569.5",), serial).ns == 43_200 * 10**9
    with pytest.raises(ValueError, match="no serial date"):
        read_stamp(("x",), serial)


def test_compact_stamps_hold_times_of_day_that_exist():
    plan = TimePlan("datetime", (0,))
    assert read_stamp(("20260313T101112Z",), plan).ns == dt.datetime(2026, 3, 13, 10, 11, 12, tzinfo=dt.UTC).timestamp() * 1e9
    assert read_stamp(("20260313T235959Z",), plan).zoned
    for text in ("20260313T241112Z", "20260313T106012Z", "20260313T101160Z"):
        with pytest.raises(ValueError, match="no time of day"):
            read_stamp((text,), plan)
    with pytest.raises(ValueError, match="no date and time"):
        read_stamp(("soon",), plan)


def test_a_stamp_is_shown_as_it_was_meant():
    assert times.text_of(1_500_000_000, False) == "1.5 s" and times.text_of(2_000_000_000, False) == "2 s"
    assert times.text_of(0, True) == "1970-01-01T00:00:00" and times.text_of(1, True) == "1970-01-01T00:00:00.000000001"
    assert times.text_of(10**30, True) == f"{10**21} s"


def test_plans_say_what_they_are():
    assert TimePlan("number", (0,), unit="ms", epoch=True).words == "time since 1970-01-01 UTC in ms"
    assert TimePlan("number", (0,), unit="ms").words == "elapsed time in ms"
    assert TimePlan("datetime", (0,), "dmy").words == "date and time, day-month-year"
    assert [TimePlan(kind, (0,)).absolute for kind in ("datetime", "date+clock", "serial", "custom", "clock", "hms", "number",
                                                       "custom_clock")] == [True] * 4 + [False] * 4
    assert TimePlan("number", (0,), epoch=True).absolute and not TimePlan("clock", (0,), epoch=True).absolute


