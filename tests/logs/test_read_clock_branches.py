"""The log's own clock at its edges. Local times against `zoneinfo`; limits as `logs/read/_clock.py` states them."""

import datetime as dt
import zoneinfo

import numpy as np
import pytest

from phasewright.bench import LogFault
from phasewright.logs.read._clock import DAY, HOUR, SECOND, Clock
from phasewright.logs.read._times import TimePlan

NUMBER = TimePlan("number", (0,))
TICKS = TimePlan("number", (0,), unit="ms")
MOMENT = TimePlan("datetime", (0,))
OF_DAY = TimePlan("clock", (0,))
EPOCH_2024 = 1_704_067_200 * SECOND  # 2024-01-01 00:00:00 UTC, as `date -u -d 2024-01-01 +%s` says


class Told:
    """What a clock said."""

    def __init__(self):
        self.said = []

    def __call__(self, kind, what, line=None, column="", mend="", count=1, shown=""):
        self.said.append((kind, what, line, count, shown))

    def of(self, kind):
        return [item[1] for item in self.said if item[0] == kind]


def clock_of(plan=NUMBER, zone="", direction=1, step=0.0):
    told = Told()
    return Clock(plan, zone, "a.csv", told, direction, step), told


def push(clock, stamps, breaks=(), zoned=False):
    return clock.push(np.asarray(stamps, dtype=np.int64), zoned, list(breaks), lambda row: row + 2)


def seconds(*stamps):
    return [round(item * SECOND) for item in stamps]


def test_a_clock_that_only_goes_on_is_left_alone():
    clock, told = clock_of(step=float(SECOND))
    assert list(push(clock, seconds(3, 4, 5))) == seconds(3, 4, 5)
    assert list(push(clock, seconds(6, 7))) == seconds(6, 7)
    assert list(push(clock, [])) == []
    assert (clock.rows, clock.first, clock.last, clock.same) == (5, 3 * SECOND, 7 * SECOND, 0)
    assert clock.segments() == ((0, 5),)
    assert list(clock.sorted_steps()) == [SECOND] * 4
    clock.finish(lambda row: row + 2)
    assert told.said == []


def test_equal_stamps_are_counted_and_kept():
    clock, told = clock_of(step=float(SECOND))
    push(clock, seconds(0, 1, 1, 2))
    push(clock, seconds(2, 3))
    clock.finish(lambda row: row + 2)
    assert [(item[1], item[3]) for item in told.said] == [("rows that carry the same stamp as the row before, all kept", 2)]
    assert len(clock.sorted_steps()) == 3


def test_a_clock_that_stands_is_refused_and_a_lone_row_is_not():
    clock, _ = clock_of()
    push(clock, seconds(5, 5, 5))
    with pytest.raises(LogFault, match="all 3 rows carry the same time stamp"):
        clock.finish(lambda row: row + 2)
    clock, _ = clock_of()
    push(clock, seconds(5))
    clock.finish(lambda row: row + 2)


@pytest.mark.parametrize(("gap", "told_of"), [(5.0, 0), (5.1, 1), (30.0, 1)])
def test_a_gap_is_longer_than_five_periods_or_two_seconds(gap, told_of):
    clock, told = clock_of(step=float(SECOND))
    push(clock, seconds(0, 1, 2, 2 + gap, 3 + gap))
    assert clock.gap_count == told_of
    clock.finish(lambda row: row + 2)
    gaps = [item for item in told.said if "gaps in the record" in item[1]]
    assert gaps == [("note", f"gaps in the record, longest {gap:.4g} s", 5, 1, "")] * told_of


def test_short_periods_have_no_gap_below_two_seconds():
    clock, _ = clock_of(step=0.1 * SECOND)
    assert clock.gap_limit() == 2 * SECOND
    push(clock, seconds(0, 0.1, 2.1, 4.2))
    assert (clock.gap_count, clock.gap_worst, clock.gap_row) == (1, round(2.1 * SECOND), 3)
    assert clock_of()[0].gap_limit() == float("inf")


def test_the_longest_of_several_gaps_is_told_with_its_row_across_chunks():
    clock, told = clock_of(step=float(SECOND))
    push(clock, seconds(0, 1, 11))
    push(clock, seconds(41, 42))
    push(clock, seconds(62, 63))
    clock.finish(lambda row: row + 2)
    (gap,) = [item for item in told.said if "gaps" in item[1]]
    assert gap == ("note", "gaps in the record, longest 30 s", 5, 3, "")


def test_a_file_with_its_newest_row_first_is_measured_backwards():
    clock, told = clock_of(direction=-1, step=float(SECOND))
    assert list(push(clock, seconds(9, 8, 7))) == seconds(9, 8, 7)
    push(clock, seconds(6, 1))
    assert (clock.gap_count, clock.backward_rows, clock.segments()) == (0, [], ((0, 5),))
    assert list(clock.sorted_steps()) == seconds(1, 1, 1, 5)
    clock, _ = clock_of(MOMENT, direction=-1, step=float(SECOND))
    push(clock, [EPOCH_2024 + item for item in seconds(9, 8, 12)])
    assert clock.backward_rows == [2]


# ---- midnight, and counters that wrap --------------------------------------------------------------------------------


def test_a_time_of_day_that_passes_midnight_gets_a_day():
    clock, told = clock_of(OF_DAY, step=float(SECOND))
    out = push(clock, seconds(86_398, 86_399, 0, 1))
    assert list(out) == seconds(86_398, 86_399, 86_400, 86_401)
    assert list(push(clock, seconds(2))) == seconds(86_402)
    assert told.of("repair") == ["time of day passes midnight; a day added"] and told.said[0][2] == 4
    assert clock.segments() == ((0, 5),)


def test_two_midnights_are_two_days():
    clock, _ = clock_of(OF_DAY, step=float(HOUR))
    out = push(clock, [hour % 24 * HOUR for hour in range(50)])
    assert list(out) == [hour * HOUR for hour in range(50)]


@pytest.mark.parametrize(("drop", "wraps"), [(11.0, False), (13.0, True)])
def test_half_a_day_back_is_a_clock_set_and_more_is_midnight(drop, wraps):
    clock, told = clock_of(OF_DAY, step=float(SECOND))
    push(clock, [20 * HOUR, round((20 - drop) * HOUR)])
    assert clock.offset == (DAY if wraps else 0)
    assert told.of("repair")[0].startswith("time of day passes" if wraps else "stamps go back")


def test_a_gap_across_midnight_is_refused_for_no_file_says_how_many_days_it_took():
    clock, told = clock_of(OF_DAY, step=float(SECOND))
    push(clock, [23 * HOUR, 5 * HOUR])
    assert told.of("refuse") == ["a gap across midnight: how many days passed is not in the file"]
    assert clock.segments() == ((0, 1), (1, 2))
    clock, told = clock_of(OF_DAY, step=float(SECOND))
    push(clock, [23 * HOUR + HOUR // 2, HOUR // 2])  # an hour: not more than it
    assert told.of("refuse") == []


def test_a_counter_of_32_bits_in_milliseconds_is_unwrapped():
    """2^32 ms are 49.7 days: what 32-bit tick counters give."""
    clock, told = clock_of(TICKS, step=100e6)
    ms = 1_000_000
    top = 2**32 - 100
    out = push(clock, [(top - 100) * ms, top * ms, 0, 100 * ms])
    assert list(np.diff(out)) == [100 * ms] * 3
    assert told.of("repair") == ["counter of 4294967296 ms wrapped; unwrapped"]


@pytest.mark.parametrize("after", [400, 5000])
def test_a_counter_that_comes_back_too_late_has_started_again(after):
    ms = 1_000_000
    clock, told = clock_of(TICKS, step=100e6)
    push(clock, [(2**32 - after) * ms, 0])
    assert told.of("repair") == ["counter starts again: new segment, unknown gap before it"]
    assert clock.segments() == ((0, 1), (1, 2))


def test_a_counter_that_starts_again_from_near_nothing_is_told_from_one_that_steps_back():
    clock, told = clock_of(step=float(SECOND))
    push(clock, seconds(1000, 1001, 1))
    assert told.of("repair") == ["counter starts again: new segment, unknown gap before it"]
    clock, told = clock_of(step=float(SECOND))
    push(clock, seconds(1000, 1001, 900))
    assert told.said == [("repair", "stamps go back: clock step, new segment", 4, 1, "by 101 s")]


@pytest.mark.parametrize(("hours", "summer"), [(1.0, True), (0.85, True), (1.15, True), (0.75, False), (1.25, False),
                                               (2.0, False)])
def test_about_an_hour_back_may_be_the_end_of_summer_time(hours, summer):
    clock, told = clock_of(MOMENT, step=float(SECOND))
    push(clock, [EPOCH_2024, round(EPOCH_2024 - hours * HOUR)])
    assert ("end of summer time" in told.of("repair")[0]) is summer


def test_a_clock_that_goes_back_and_back_is_none():
    """At most 50 times and one in 200 rows."""
    def stamps(count):
        return [EPOCH_2024 + (row // 2 * 10 - row % 2 * 20) * SECOND for row in range(2 * count)]

    clock, _ = clock_of(MOMENT)
    push(clock, stamps(50))
    assert len(clock.backward_rows) == 50 and len(clock.segments()) == 51
    clock, _ = clock_of(MOMENT)
    with pytest.raises(LogFault, match="stamps go back 51 times in 101 rows: no running clock"):
        push(clock, stamps(60))


def test_a_break_that_is_known_is_neither_a_gap_nor_told_again():
    clock, told = clock_of(step=float(SECOND))
    push(clock, seconds(100, 101, 0, 1), breaks=[2])
    assert clock.segments() == ((0, 2), (2, 4)) and told.said == []
    push(clock, seconds(50, 51), breaks=[0])
    assert clock.segments() == ((0, 2), (2, 4), (4, 6)) and clock.gap_count == 0


@pytest.mark.parametrize(("before", "after", "well"), [("12:59:59", "01:00:00", False), ("12:30:00", "01:00:00", False),
                                                     ("13:00:00", "01:00:00", True), ("12:59:59", "02:00:00", True),
                                                     ("11:59:59", "01:00:00", True)])
def test_a_day_of_twelve_hours_without_its_halves_is_refused(before, after, well):
    def ns(text):
        hours, minutes, rest = map(int, text.split(":"))
        return EPOCH_2024 + (hours * 3600 + minutes * 60 + rest) * SECOND

    clock, _ = clock_of(MOMENT, step=float(SECOND))
    if well:
        push(clock, [ns(before), ns(after)])
        assert clock.backward_rows == [1]
    else:
        with pytest.raises(LogFault, match="12-hour clock without AM or PM"):
            push(clock, [ns(before), ns(after)])
        stated = clock_of(TimePlan("datetime", (0,), stated=True), step=float(SECOND))[0]
        push(stated, [ns(before), ns(after)])
        assert stated.backward_rows == [1]


# ---- clocks that were never set, and zones ---------------------------------------------------------------------------


@pytest.mark.parametrize(("year", "unset"), [(1970, True), (1979, True), (1980, True), (1981, False), (2000, True), (2001, False),
                                            (2024, False), (2099, False), (2100, True)])
def test_years_in_which_clocks_start_are_no_dates(year, unset):
    begin = int(dt.datetime(year, 1, 1, tzinfo=dt.UTC).timestamp()) * SECOND
    clock, told = clock_of(MOMENT, step=float(SECOND))
    out = push(clock, [begin + 5 * SECOND, begin + 6 * SECOND])
    assert clock.relative is unset
    assert list(out) == (seconds(0, 1) if unset else [begin + 5 * SECOND, begin + 6 * SECOND])
    if unset:
        words = f"dates around {year}-01-01: the clock was not set, time counts from the first row"
        assert told.said == [("note", words, 2, 1, "")]
        assert list(push(clock, [begin + 7 * SECOND])) == seconds(2)


@pytest.mark.parametrize(("zone", "hours"), [("UTC", 0), ("+01:00", 1), ("-05", -5), ("UTC+5:30", 5.5), ("GMT-3:30", -3.5)])
def test_fixed_offsets_are_taken_off(zone, hours):
    clock, _ = clock_of(MOMENT, zone)
    assert list(push(clock, [EPOCH_2024])) == [EPOCH_2024 - round(hours * HOUR)]
    clock, _ = clock_of(MOMENT, zone)
    assert list(push(clock, [EPOCH_2024], zoned=True)) == [EPOCH_2024]


@pytest.mark.parametrize(("name", "minutes"), [("Europe/Berlin", 20), ("America/New_York", 20), ("Australia/Lord_Howe", 5),
                                               ("Asia/Kathmandu", 20)])
def test_local_times_agree_with_the_zone_data_through_a_change(name, minutes):
    """Each row against `zoneinfo` of the standard library, both passages of the repeated hour in the order of rows."""
    zone, utc = zoneinfo.ZoneInfo(name), dt.datetime(2023, 1, 1, tzinfo=dt.UTC)
    moments = [utc + dt.timedelta(minutes=minutes * step) for step in range(26_300)]
    local = [int(item.astimezone(zone).replace(tzinfo=dt.UTC).timestamp()) * SECOND for item in moments]
    expected = [int(item.timestamp()) * SECOND for item in moments]
    clock, told = clock_of(MOMENT, name, step=minutes * 60.0 * SECOND)
    out = np.concatenate([push(clock, local[at:at + 1000]) for at in range(0, len(local), 1000)])
    assert out.tolist() == expected
    changes = sum("end of summer time" in what for what in told.of("repair"))
    assert changes == (0 if name == "Asia/Kathmandu" else 1)


# ---- what the whole clock shows --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("odd", "told_of"), [(10.0, 0), (10.5, 1)])
def test_an_interval_that_whole_periods_do_not_fill_is_told(odd, told_of):
    clock, told = clock_of(step=float(SECOND))
    stamps = [*range(40), *(39 + odd + step for step in range(40))]
    push(clock, seconds(*stamps))
    clock.finish(lambda row: row + 2)
    found = [item for item in told.said if "not a whole number of them" in item[1]]
    assert [(item[1], item[2], item[3]) for item in found] == [
        ("readings come every 1 s, but not a whole number of them fits an interval of 10.5 s: the clock was set, or the logger "
         "rested", 42, 1)] * told_of


@pytest.mark.parametrize(("long", "told_of"), [(3.0, 0), (3.5, 1)])
def test_intervals_that_scatter_more_than_threefold_are_told(long, told_of):
    clock, told = clock_of(step=float(SECOND))
    steps = [1.0, long] * 10
    push(clock, seconds(*np.cumsum([0.0, *steps])))
    clock.finish(lambda row: row + 2)
    assert sum("intervals scatter" in item for item in told.of("note")) == told_of


@pytest.mark.parametrize("size", [1, 2, 3])
def test_the_repeated_hour_is_told_apart_wherever_a_block_of_rows_ends(size):
    zone, begin = zoneinfo.ZoneInfo("Europe/Berlin"), dt.datetime(2023, 10, 28, 23, 0, tzinfo=dt.UTC)
    moments = [begin + dt.timedelta(minutes=10 * step) for step in range(36)]
    local = [int(item.astimezone(zone).replace(tzinfo=dt.UTC).timestamp()) * SECOND for item in moments]
    clock, told = clock_of(MOMENT, "Europe/Berlin", step=600.0 * SECOND)
    out = np.concatenate([push(clock, local[at:at + size]) for at in range(0, len(local), size)])
    assert out.tolist() == [int(item.timestamp()) * SECOND for item in moments]
    assert len(told.of("repair")) == 1 and clock.backward_rows == []


def test_local_times_that_were_left_out_in_spring_count_by_the_offset_before():
    """PEP 495: in a gap, fold 0 is the offset before it."""
    zone, gap = zoneinfo.ZoneInfo("Europe/Berlin"), dt.datetime(2023, 3, 26, 2, 30)
    clock, _ = clock_of(MOMENT, "Europe/Berlin")
    local = int(gap.replace(tzinfo=dt.UTC).timestamp())
    assert push(clock, seconds(local)).tolist() == seconds(gap.replace(tzinfo=zone, fold=0).timestamp())
