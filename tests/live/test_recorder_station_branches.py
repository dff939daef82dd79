"""The recorder in one process with its guide, what it says of silence, and what its looks and logs amount to."""

import sys
import threading
from dataclasses import replace

import pytest

from phasewright.bench import Connection, Instrument, ReadingSource, Step
from phasewright.live import Bound, demo_scenario, read_journal, write_logs
from phasewright.live.clock import MachineClock, MovedClock
from phasewright.live.instruments.driver import Polled, Reading
from phasewright.live.journal.export import WrittenLog, changed_logs, channel_sources, stamp_text
from phasewright.live.journal.writing import JournalWriter
from phasewright.live.load import LoadEnd
from phasewright.live.recorder import Pace, Recorder
from phasewright.live.scribe import DirectScribe
from phasewright.live.station import DirectStation

BENCH = demo_scenario().bench
CHANNEL = "input_power"
SECOND = 1_000_000_000


def bench_of(period=1.0, stop=()):
    meter = Instrument("meter", period=period, connection=Connection("lines", command=("x",)),
                       reading={CHANNEL: ReadingSource(CHANNEL, ask="p", must_see=True)})
    return replace(BENCH, instruments=(meter,), stop=replace(BENCH.stop, command=stop))


class Speaks:
    """A driver that gives a reading unless its clock is within `quiet` [s]."""

    identity = "invented"

    def __init__(self, clock, quiet=(0.0, 0.0), value=300.0):
        self.clock, self.quiet, self.value, self.checked, self.done = clock, quiet, value, 0, []

    def open(self):
        self.done.append("open")

    def close(self):
        self.done.append("close")

    def check_settings(self):
        self.checked += 1

    def read(self):
        now = self.clock.monotonic_ns()
        if self.quiet[0] <= now / SECOND < self.quiet[1]:
            return Polled()
        return Polled([Reading(CHANNEL, self.value, now, str(self.value))])


class Switch:
    def __init__(self):
        self.done = []

    def start(self):
        self.done.append("start")

    def stop(self):
        self.done.append("stop")

    def poll(self):
        return None


def recorder_of(folder, clock, driver, period=1.0):
    made = Recorder(bench_of(period), {"meter": driver}, DirectScribe(JournalWriter(folder / "journal", clock), clock), clock,
                    threads=False, folder=folder)
    made.open()
    return made


def station_of(folder, load=None, stop=()):
    clock = MovedClock()
    driver = Speaks(clock)
    made = DirectStation(bench_of(stop=stop), {"meter": driver}, folder, clock, head={"simulated": True},
                         load_of=lambda step: load)
    return made, driver


def events_of(folder, name):
    return [item.given for item in read_journal(folder / "journal").events if item.name == name]


# ---- one process -----------------------------------------------------------------------------------------------------


def test_a_station_in_one_process_records_from_its_opening_to_its_close(tmp_path):
    station, driver = station_of(tmp_path)
    assert driver.done == ["open"]
    assert [item.stamp_ns for _, item in station.advance(2.0).readings] == [0, SECOND, 2 * SECOND]
    station.event("note", text="a word")
    assert station.close() is True
    assert driver.done == ["open", "close"]
    told = read_journal(tmp_path / "journal")
    assert told.survey.complete and told.survey.usable
    assert {item.name: item.given for item in told.events}["note"] == {"text": "a word"}


@pytest.mark.parametrize("settings, name", [({"load": "steady"}, "steady"), ({}, "a step")])
def test_a_station_puts_the_load_of_a_step_on_and_says_whether_a_person_must(tmp_path, settings, name):
    load = Switch()
    station, driver = station_of(tmp_path, load)
    assert station.start_load(Step("a step", settings), (Bound(CHANNEL, 500.0, "W", "hold", "asked"),)) is True
    assert load.done == ["start"] and driver.checked == 1
    station.stop_load("enough")
    assert load.done == ["start", "stop"]
    assert station.close()
    (on,), (off,) = events_of(tmp_path, "load_on"), events_of(tmp_path, "load_off")
    assert on == {"load": name, "by_hand": False, "bounds": [[CHANNEL, 500.0, "W", "hold"]]}
    assert off == {"why": "enough"}
    assert not events_of(tmp_path, "stop_command")


@pytest.mark.parametrize("need", [True, False])
def test_a_load_by_hand_is_told_and_help_is_called_for_in_need_alone(tmp_path, need):
    station, _ = station_of(tmp_path, stop=("cut-the-power",))
    assert station.start_load(Step("a step", {}), ()) is False
    station.stop_load("why", need=need)
    assert station.close()
    assert events_of(tmp_path, "load_on")[0]["by_hand"] is True
    assert events_of(tmp_path, "stop_command") == ([{"command": ["cut-the-power"]}] if need else [])


def test_a_load_that_nobody_put_on_is_not_said_to_come_off(tmp_path):
    station, _ = station_of(tmp_path)
    station.stop_load("nothing was on")
    assert station.close()
    assert not events_of(tmp_path, "load_off")


def test_the_end_of_a_load_that_says_so_again_and_again_is_on_record_once(tmp_path):
    load = Switch()
    station, _ = station_of(tmp_path, load)
    station.start_load(Step("a step", {}), ())
    station.stop_load("ends_twice")
    load.poll = lambda: LoadEnd(-15, "bye")
    station.advance(5.0)
    assert station.close()
    assert events_of(tmp_path, "load_gone") == [{"code": -15, "errors": "bye"}]


# ---- silence and looks -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("period, longest", [(1.0, 3.0), (0.5, 2.0), (2.0, 6.0), (None, 10.0)])
def test_silence_goes_on_record_once_with_a_missing_reading_and_its_end_too(tmp_path, period, longest):
    """Stale after three periods or two seconds (`Guard`); ten seconds where no period is stated."""
    clock = MovedClock()
    made = recorder_of(tmp_path, clock, Speaks(clock, (10.0, 40.0)), period)
    every = period or 1.0
    last = max(index * every for index in range(100) if index * every < 10.0)
    happened = made.advance(60.0)
    assert made.close()
    told = [item for item in read_journal(tmp_path / "journal").events if item.name in ("silent", "heard")]
    assert [item.name for item in told] == ["silent", "heard"]
    age = (told[0].mono_ns / SECOND) - last
    assert longest < age <= longest + every
    assert told[0].given == {"text": f"meter: nothing came for {age:.1f} s"}
    assert told[1].mono_ns == 40 * SECOND and told[1].given == {"text": "meter: readings come again"}
    gone = [item for _, item in happened.readings if item.value is None]
    assert [item.flag for item in gone] == [f"nothing came for {age:.1f} s"]


def test_what_a_run_kept_of_its_pace_is_on_record(tmp_path):
    clock = MovedClock()
    made = recorder_of(tmp_path, clock, Speaks(clock), 0.5)
    made.advance(9.75)
    assert made.close()
    (pace,) = events_of(tmp_path, "pace")
    assert pace["looks"] == 20 and pace["skipped"] == 0
    assert pace["rate"] == round(20 / 9.75, 4)


def test_a_pace_that_has_only_begun_is_told_too():
    assert Pace(began_ns=5).told(5)["rate"] == 0.0
    assert Pace(looks=3, began_ns=SECOND).told(3 * SECOND)["rate"] == 1.5


def test_how_late_looks_were_is_told_by_its_median_and_its_worst_hundredth():
    """Against what was put in: 60 looks in time, 38 late by 10 ms, 2 by 0.1234567 s; classes are a tenth wide."""
    pace = Pace(looks=100)
    pace.late.take(0.00005, 60)
    pace.late.take(0.010, 38)
    pace.late.take(0.1234567, 2)
    told = pace.told(SECOND)
    assert 0.0 < told["late_p50"] <= 1e-4
    assert told["late_p99"] == told["worst_late"] == 0.123457


def test_every_thread_that_looks_is_made_punctual(tmp_path):
    clock, made_so = MachineClock(), []
    made = Recorder(bench_of(0.02), {"meter": Speaks(clock)},
                    DirectScribe(JournalWriter(tmp_path / "journal", clock), clock), clock, threads=True, folder=tmp_path,
                    punctual=lambda: made_so.append(threading.current_thread()))
    made.open()
    made.advance(0.1)
    assert made.close()
    assert len(made_so) == 1 and made_so[0] is not threading.current_thread()


def test_what_is_started_in_need_is_out_of_reach_of_keys_in_the_terminal(tmp_path):
    """A session of its own gets no signal of the terminal's (setsid(2))."""
    command = (sys.executable, "-c", "import os; open('session', 'w').write(str(os.getsid(0) == os.getpid()))")
    clock = MovedClock()
    made = Recorder(bench_of(stop=command), {"meter": Speaks(clock)},
                    DirectScribe(JournalWriter(tmp_path / "journal", clock), clock), clock, threads=False, folder=tmp_path)
    made.open()
    made.need()
    assert [process.wait(20.0) for process in made.called] == [0]
    assert made.close()
    assert (tmp_path / "session").read_text(encoding="utf-8") == "True"


def test_the_guard_watches_what_comes_in_threads_too(tmp_path):
    """By threads and the machine's clock, as in a real run."""
    clock, load = MachineClock(), Switch()
    made = Recorder(bench_of(0.02), {"meter": Speaks(clock, value=900.0)},
                    DirectScribe(JournalWriter(tmp_path / "journal", clock), clock), clock, threads=True, folder=tmp_path)
    made.open()
    made.start_load(load, "steady", [Bound(CHANNEL, 500.0, "W", "hold", "asked")])
    stopped = next((item for item in (made.advance(0.2).stopped for _ in range(50)) if item is not None), None)
    assert made.close()
    assert stopped is not None and stopped.action == "hold" and stopped.value == 900.0
    assert load.done == ["start", "stop"]
    assert [item["channel"] for item in events_of(tmp_path, "stopped")] == [CHANNEL]


def test_what_an_instrument_gives_last_is_on_record(tmp_path):
    """A look that is under way as recording ends is waited for: every look has its record."""
    clock = MachineClock()
    driver = Speaks(clock)
    plain, looks = driver.read, []

    def slow():
        looks.append(plain())
        clock.sleep(0.2)
        return looks[-1]

    driver.read = slow
    made = Recorder(bench_of(0.05), {"meter": driver}, DirectScribe(JournalWriter(tmp_path / "journal", clock), clock), clock,
                    threads=True, folder=tmp_path)
    made.open()
    made.advance(0.5)
    assert made.close()
    (sheet,) = read_journal(tmp_path / "journal").sheets.values()
    assert len(sheet.rows) == len(looks) == events_of(tmp_path, "pace")[0]["looks"]


def test_a_look_that_takes_just_its_period_skips_no_beat(tmp_path):
    clock = MovedClock()
    driver = Speaks(clock)
    plain = driver.read

    def slow():
        found = plain()
        clock.sleep(1.0)
        return found

    driver.read = slow
    made = recorder_of(tmp_path, clock, driver)
    stamps = [item.stamp_ns for _, item in made.advance(5.0).readings]
    made.close()
    assert stamps == [index * SECOND for index in range(len(stamps))]
    assert events_of(tmp_path, "pace")[0]["skipped"] == 0


# ---- logs ------------------------------------------------------------------------------------------------------------


def test_a_log_that_was_changed_by_a_letter_is_named(tmp_path):
    writer = JournalWriter(tmp_path / "journal", MovedClock())
    for name in ("a", "b"):
        writer.add("reading", f"{name}/input_power", 1.5, "W")
    writer.close()
    told = read_journal(tmp_path / "journal")
    write_logs(told, tmp_path)
    assert changed_logs(told, tmp_path) == ()
    path = tmp_path / "logs" / "live" / "b-1.csv"
    path.write_bytes(path.read_bytes().replace(b"1.5", b"1.6"))
    assert changed_logs(told, tmp_path) == ("logs/live/b-1.csv",)
    (tmp_path / "logs" / "live" / "a-1.csv").unlink()  # `NOTICE`: deleting it loses nothing
    assert changed_logs(told, tmp_path) == ("logs/live/b-1.csv",)


def test_readings_of_one_look_share_a_row_for_five_milliseconds(tmp_path):
    writer = JournalWriter(tmp_path / "journal", MovedClock())
    for channel, at in (("x", 0), ("y", 5_000_000), ("z", 5_000_001), ("x", 6_000_000), ("y", 20_000_000), ("x", 19_999_999)):
        writer.add("reading", f"m/{channel}", 1.0, "W", mono_ns=at)
    writer.close()
    (sheet,) = read_journal(tmp_path / "journal").sheets.values()
    assert {at: sorted(row) for at, row in sheet.rows.items()} == {
        0: ["x", "y"], 5_000_001: ["x", "z"], 20_000_000: ["y"], 19_999_999: ["x"]}


@pytest.mark.parametrize("wall_ns, text", [(0, "1970-01-01T00:00:00.000"), (1_234_567_890_987_654_321, "2009-02-13T23:31:30.987"),
                                           (-1_000_000, "1969-12-31T23:59:59.999")])
def test_moments_are_written_in_utc_to_the_millisecond(wall_ns, text):
    """1 234 567 890 s after the Unix epoch: 2009-02-13 23:31:30 UTC, as `date -u -d @1234567890` says."""
    assert stamp_text(wall_ns) == text


@pytest.mark.parametrize("channels, expected", [
    (("input_voltage", "input_current"), {"input_power": (("input_voltage", "input_current"),)}),
    (("input_voltage.a", "input_current.a", "input_voltage.b", "input_current.b"),
     {"input_power": (("input_voltage.a", "input_current.a"), ("input_voltage.b", "input_current.b"))}),
    (("input_voltage.a", "input_current.b"),
     {"input_voltage.a": (("input_voltage.a",),), "input_current.b": (("input_current.b",),)}),
    (("input_voltage", "input_current", "input_power"),
     {name: ((name,),) for name in ("input_voltage", "input_current", "input_power")}),
    (("input_voltage", "input_current", "ambient_temperature"),
     {"input_power": (("input_voltage", "input_current"),), "ambient_temperature": (("ambient_temperature",),)}),
])
def test_voltages_and_currents_of_connectors_make_their_power_where_it_was_not_measured(channels, expected):
    """Power is voltage times current: the definition of the watt."""
    assert channel_sources(WrittenLog("m", (), channels)) == expected
