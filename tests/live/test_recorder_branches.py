"""The recorder beside its usual way: drivers that break, beats that fall out, disks that fill, what is done in need."""

import errno
import sys
import time
from dataclasses import replace

import pytest

from phasewright.bench import Connection, Instrument, ReadingSource
from phasewright.live import Bound, demo_scenario, read_journal
from phasewright.live.clock import ClockWatch, MachineClock, MovedClock
from phasewright.live.instruments.driver import Polled, Reading, missing, to_channel
from phasewright.live.journal.disk import Disk
from phasewright.live.journal.writing import JournalWriter
from phasewright.live.load import LoadEnd
from phasewright.live.recorder import Recorder
from phasewright.live.scribe import DirectScribe, ThreadScribe

BENCH = demo_scenario().bench
CHANNEL = "input_power"


def meter(name="meter", period=1.0, must_see=True, channel=CHANNEL):
    return Instrument(name, period=period, connection=Connection("lines", command=("x",)),
                      reading={channel: ReadingSource(channel, ask="p", must_see=must_see)})


class Gives:
    """A driver that gives what `look` returns, and may take its time for it."""

    identity = "invented"

    def __init__(self, clock, look=lambda count: 300.0, takes=0.0, channel=CHANNEL):
        self.clock, self.look, self.takes, self.channel, self.count, self.open_, self.checked = (
            clock, look, takes, channel, 0, False, 0)

    def open(self):
        self.open_ = True

    def close(self):
        self.open_ = False

    def read(self):
        stamp, count = self.clock.monotonic_ns(), self.count
        self.count += 1
        self.clock.sleep(self.takes)
        value = self.look(count)
        return Polled([Reading(self.channel, value, stamp, str(value), "" if value is not None else "silent")])


class Switch:
    """A load that notes what is done with it."""

    def __init__(self, ends=()):
        self.done, self.ends = [], list(ends)

    def start(self):
        self.done.append("start")

    def stop(self):
        self.done.append("stop")

    def poll(self):
        return self.ends.pop(0) if self.ends else None


def recorder_of(folder, clock, drivers, bench=None, threads=False, disk=None, **more):
    bench = bench or replace(BENCH, instruments=tuple(meter(name) for name in drivers))
    writer = JournalWriter(folder / "journal", clock, disk=disk)
    scribe = ThreadScribe(writer, clock) if threads else DirectScribe(writer, clock)
    made = Recorder(bench, drivers, scribe, clock, threads=threads, folder=folder, **more)
    made.open()
    return made


def told(folder):
    return read_journal(folder / "journal")


def test_a_driver_that_breaks_ends_no_other_instruments_record(tmp_path):
    clock = MovedClock()

    def breaks(count):
        raise ZeroDivisionError("x" * 1000)

    made = recorder_of(tmp_path, clock, {"bad": Gives(clock, breaks), "good": Gives(clock)})
    happened = made.advance(10.0)
    good = [item.value for name, item in happened.readings if name == "good"]
    bad = [(item.channel, item.value, item.flag) for name, item in happened.readings if name == "bad"]
    assert good == [300.0] * 11  # at 0, 1 ... 10 s
    assert bad == [(CHANNEL, None, "driver failed: ZeroDivisionError")] * 11
    assert ("driver_failed", {"text": f"bad: ZeroDivisionError: {'x' * 300}"}) in happened.events
    assert made.close()
    assert told(tmp_path).survey.complete


def test_beats_that_fall_out_are_counted_and_not_made_up_for(tmp_path):
    """A look of 2.5 s every second: of every 3 beats 2 fall out, and no look comes sooner than a beat after the last."""
    clock = MovedClock()
    driver = Gives(clock, takes=2.5)
    made = recorder_of(tmp_path, clock, {"meter": driver})
    stamps = [item.stamp_ns * 1e-9 for _, item in made.advance(30.0).readings]
    made.close()
    (pace,) = [item.given for item in told(tmp_path).events if item.name == "pace"]
    assert pace["looks"] == len(stamps) == driver.count
    assert pace["looks"] + pace["skipped"] == pytest.approx(stamps[-1] + 3.0, abs=1.0)
    assert min(b - a for a, b in zip(stamps, stamps[1:], strict=False)) >= 1.0
    assert pace["worst_late"] <= 2.5


def test_an_instrument_that_is_quick_enough_misses_no_beat(tmp_path):
    clock = MovedClock()
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock, takes=0.4)})
    stamps = [item.stamp_ns for _, item in made.advance(20.0).readings]
    made.close()
    assert stamps == [index * 1_000_000_000 for index in range(21)]
    (pace,) = [item.given for item in told(tmp_path).events if item.name == "pace"]
    assert (pace["looks"], pace["skipped"], pace["worst_late"]) == (21, 0, 0.0)


def test_an_instrument_without_a_period_is_read_once_a_second(tmp_path):
    clock = MovedClock()
    bench = replace(BENCH, instruments=(meter(period=None),))
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)}, bench)
    assert len(made.advance(5.5).readings) == 6
    made.close()


def test_time_passes_to_the_instant_asked_for(tmp_path):
    clock = MovedClock(start_ns=7)
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)})
    for seconds in (0.25, 2.0, 0.0, 0.75):
        before = clock.monotonic_ns()
        made.advance(seconds)
        assert clock.monotonic_ns() - before == round(seconds * 1e9)
    made.close()


def test_a_set_clock_and_a_pause_are_put_on_record_and_told(tmp_path):
    clock = MovedClock()
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)})
    made.advance(1.0)
    clock.set_wall(clock.wall_ns() + 3_600_000_000_000)
    clock.sleep(60.0)
    events = made.advance(1.0).events
    assert [what for what, _ in events[:2]] == ["clock_step", "pause"]
    assert events[0][1]["text"].startswith("the wall clock was set by +3600.000 s")
    made.close()
    assert {"clock_step", "pause"} <= {item.name for item in told(tmp_path).events}


class Fills(Disk):
    full = False

    def write(self, handle, data):
        if self.full:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(handle, data)


def test_a_full_disk_is_told_at_once_and_again_when_it_has_space(tmp_path):
    clock, disk = MovedClock(), Fills()
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)}, disk=disk)
    assert made.advance(2.0).alarm == ""
    disk.full = True
    happened = made.advance(1.0)
    assert happened.alarm == "write failed: No space left on device"
    assert ("disk", {"alarm": happened.alarm}) in happened.events
    later = made.advance(3.0)
    assert later.alarm == happened.alarm and not later.events
    disk.full = False
    healed = made.advance(3.0)
    assert healed.alarm == "" and ("disk", {"alarm": ""}) in healed.events
    assert made.close()
    found = told(tmp_path).survey
    assert not found.missing and found.alarms


@pytest.mark.parametrize(("action", "needed"), [("stop", True), ("hold", False)])
def test_a_stop_calls_for_help_and_a_hold_only_ends_the_load(tmp_path, action, needed):
    clock, ran, load = MovedClock(), [], Switch()
    bench = replace(BENCH, instruments=(meter(),), stop=replace(BENCH.stop, command=("cut", "off")))
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)}, bench, run_stop=ran.append)
    made.start_load(load, "steady", [Bound(CHANNEL, 100.0, "W", action, "asked")])
    happened = made.advance(2.0)
    assert happened.stopped.action == action and load.done == ["start", "stop"]
    assert ran == ([("cut", "off")] if needed else [])
    assert not made.guard.armed and made.load is None
    assert made.advance(5.0).stopped is None, "what was stopped is stopped once"
    made.close()
    names = [item.name for item in told(tmp_path).events]
    assert names.count("stopped") == names.count("load_off") == 1 and ("stop_command" in names) is needed


def test_a_load_by_hand_is_watched_and_its_end_put_on_record(tmp_path):
    clock = MovedClock()
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)})
    made.start_load(None, "by hand", ())
    made.stop_load("enough")
    made.stop_load("again")
    made.close()
    events = [(item.name, item.given) for item in told(tmp_path).events if item.name.startswith("load")]
    assert events == [("load_on", {"load": "by hand", "by_hand": True, "bounds": []}), ("load_off", {"why": "enough"})]


def test_a_load_that_ends_by_itself_is_watched_no_longer_and_needs_no_ending(tmp_path):
    clock, load = MovedClock(), Switch([None, LoadEnd(3, "e" * 5000, "o" * 5000)])
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)})
    made.start_load(load, "steady", [Bound(CHANNEL, 1000.0, "W", "stop", "asked")])
    happened = made.advance(3.0)
    assert happened.load_end.code == 3 and happened.stopped is None
    made.stop_load("too late")
    assert load.done == ["start"] and not made.guard.armed
    made.close()
    names = [item.name for item in told(tmp_path).events if item.name.startswith("load")]
    assert names == ["load_on", "load_ended"]
    (given,) = [item.given for item in told(tmp_path).events if item.name == "load_ended"]
    assert (given["code"], given["errors"], given["output"]) == (3, "e" * 2000, "o" * 500)


def test_how_a_load_that_was_told_to_end_did_end_is_put_on_record_once(tmp_path):
    clock, load = MovedClock(), Switch([None, None, LoadEnd(-15, "bye")])
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)})
    made.start_load(load, "steady", ())
    made.advance(0.5)
    made.stop_load("enough")
    happened = made.advance(4.0)
    assert happened.load_end is None, "an end that was asked for is no end by itself"
    made.close()
    (gone,) = [item.given for item in told(tmp_path).events if item.name == "load_gone"]
    assert gone == {"code": -15, "errors": "bye"}


def test_the_load_comes_off_before_the_recorder_lets_go(tmp_path):
    clock, load = MovedClock(), Switch()
    drivers = {"meter": Gives(clock)}
    made = recorder_of(tmp_path, clock, drivers)
    assert drivers["meter"].open_
    made.start_load(load, "steady", ())
    assert made.close()
    assert load.done == ["start", "stop"] and not drivers["meter"].open_
    (off,) = [item.given for item in told(tmp_path).events if item.name == "load_off"]
    assert off == {"why": "recording ends"}


@pytest.mark.parametrize("command", [None, "no-such-program-here"])
def test_what_the_bench_file_says_is_done_in_need(tmp_path, command):
    clock = MovedClock()
    words = (sys.executable, "-c", "open('cut', 'w').close()") if command is None else (command,)
    bench = replace(BENCH, instruments=(meter(),), stop=replace(BENCH.stop, command=words))
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)}, bench)
    made.need()
    assert [process.wait(20.0) for process in made.called] == ([0] if command is None else [])
    assert (tmp_path / "cut").exists() is (command is None)
    made.close()
    events = {item.name: item.given for item in told(tmp_path).events}
    assert events["stop_command"] == {"command": list(words)}
    assert events.get("stop_command_failed") == (None if command is None else {"error": "No such file or directory"})


def test_nothing_is_done_in_need_where_nothing_is_said(tmp_path):
    clock = MovedClock()
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)}, replace(BENCH, instruments=(meter(),),
                                                                        stop=replace(BENCH.stop, command=())))
    made.need()
    made.close()
    assert "stop_command" not in {item.name for item in told(tmp_path).events}


def test_only_channels_that_must_be_seen_end_a_run_by_their_silence(tmp_path):
    clock = MovedClock()
    bench = replace(BENCH, instruments=(meter(), meter("room", must_see=False, channel="ambient_temperature")))
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock),
                                         "room": Gives(clock, lambda count: None, channel="ambient_temperature")}, bench)
    made.start_load(None, "by hand", ())
    assert made.advance(20.0).stopped is None
    made.close()


def test_an_instrument_that_is_not_recorded_is_not_waited_for(tmp_path):
    clock = MovedClock()
    bench = replace(BENCH, instruments=(meter(), meter("elsewhere", channel="ambient_temperature")))
    made = recorder_of(tmp_path, clock, {"meter": Gives(clock)}, bench)
    made.start_load(None, "by hand", ())
    assert made.advance(20.0).stopped is None
    made.close()


def test_an_instrument_that_hangs_holds_neither_the_others_nor_the_end_up(tmp_path):
    """By threads and the machine's clock, as in a real run."""
    clock = MachineClock()

    def hangs(count):
        if count:
            time.sleep(5.0)
        return 1.0

    bench = replace(BENCH, instruments=(meter("hangs", 0.05), meter("quick", 0.05)))
    made = recorder_of(tmp_path, clock, {"hangs": Gives(clock, hangs), "quick": Gives(clock)}, bench, threads=True)
    happened = made.advance(0.8)
    counts = {name: sum(item == name for item, _ in happened.readings) for name in made.drivers}
    assert counts["hangs"] == 1 and counts["quick"] > 4
    began = time.monotonic()
    assert made.close()
    assert time.monotonic() - began < 4.0
    assert told(tmp_path).survey.complete


def test_the_machine_without_a_clock_that_counts_sleep_is_read_by_its_plain_one():
    class Plain(MachineClock):
        _through_sleep = None

    before, now, after = time.monotonic_ns(), Plain().monotonic_ns(), time.monotonic_ns()
    assert before <= now <= after


def test_the_machines_clock_counts_sleep_where_the_system_tells():
    """CLOCK_BOOTTIME: as CLOCK_MONOTONIC, and also includes any time that the system is suspended (clock_gettime(2))."""
    if not hasattr(time, "CLOCK_BOOTTIME"):
        assert MachineClock._through_sleep is None
        return
    before = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    now = MachineClock().monotonic_ns()
    assert before <= now <= time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def test_waiting_for_no_time_or_less_returns_and_waiting_for_some_waits():
    clock = MachineClock()
    clock.sleep(0.0)
    clock.sleep(-1.0)
    before = time.monotonic_ns()
    clock.sleep(0.05)
    assert time.monotonic_ns() - before >= 49_000_000
    moved = MovedClock(5, 3)
    moved.sleep(-1.0)
    assert (moved.monotonic_ns(), moved.wall_ns()) == (3, 5)
    moved.sleep(1.5)
    assert (moved.monotonic_ns(), moved.wall_ns()) == (1_500_000_003, 1_500_000_005)


@pytest.mark.parametrize(("ahead", "waited", "said"), [
    (0.5, 1.0, ()), (0.51, 1.0, ("clock_step",)), (-0.51, 1.0, ("clock_step",)), (0.0, 5.0, ()), (0.0, 5.01, ("pause",)),
    (9.0, 9.0, ("clock_step", "pause")),
])
def test_clocks_are_told_of_from_half_a_second_and_five_seconds_on(ahead, waited, said):
    clock = MovedClock(10**18)
    watch = ClockWatch(clock)
    for _ in range(2):  # the second time by what was seen the first time
        clock.sleep(waited)
        clock.set_wall(clock.wall_ns() + round(ahead * 1e9))
        assert tuple(text.partition(":")[0] for text in watch.look()) == said


# Rows of IEC 60751 (platinum, 100 Ohm at 0 degC) and of the ITS-90 table of type K, as in tests/live/test_number_formats.
@pytest.mark.parametrize(("channel", "stated", "number", "value"), [
    ("coolant_temperature", {"sensor": "pt100"}, 138.51, 100.0),
    ("coolant_temperature", {"sensor": "pt1000"}, 1385.1, 100.0),
    ("coolant_temperature", {"sensor": "type_k"}, 4.096, 100.0),
    ("coolant_temperature", {"sensor": "type_t"}, 4.279, 100.0),
    ("input_current", {"unit": "mA"}, 2500.0, 2.5),
    ("input_current", {"unit": "mA", "factor": 2.0}, 2500.0, 5.0),
    ("input_current", {"factor": 0.0}, 2500.0, 0.0),
    ("input_current", {}, 2.5, 2.5),
])
def test_what_was_received_becomes_the_channels_value(channel, stated, number, value):
    found = to_channel(ReadingSource(channel, ask="x", **stated), number)
    assert found.value == pytest.approx(value, abs=0.05 if "temperature" in channel else 1e-12) and found.missing == ""


def test_a_unit_said_by_a_header_gives_way_to_the_stated_one():
    assert to_channel(ReadingSource("input_current", ask="x"), 3.0, "mA").value == pytest.approx(0.003)
    assert to_channel(ReadingSource("input_current", ask="x", unit="A"), 3.0, "mA").value == 3.0


@pytest.mark.parametrize("stated", [{"sensor": "pt100"}, {"sensor": "type_k"}, {"unit": "W"}])
def test_what_cannot_be_converted_is_missing_with_its_reason(stated):
    found = to_channel(ReadingSource("coolant_temperature", ask="x", **stated), -5000.0)
    assert found.value is None and len(found.missing) > 20


def test_every_channel_of_an_instrument_is_missing_for_the_same_reason():
    assert missing(meter(), 7, "timeout") == [Reading(CHANNEL, None, 7, "", "timeout")]
