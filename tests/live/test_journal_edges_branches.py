"""The journal at its edges: sizes, ages and waits of just so much, and numbers that must agree with each other."""

import errno
import json

import pytest

from phasewright.live import read_journal, write_logs
from phasewright.live.clock import MovedClock
from phasewright.live.journal.disk import Disk
from phasewright.live.journal.line import from_line
from phasewright.live.journal.reading import Follower, LastRecord, last_record, segment_paths, survey
from phasewright.live.journal.writing import RETRY_S, JournalWriter
from phasewright.live.scribe import DirectScribe

SECOND = 1_000_000_000


class Fails(Disk):
    """Writes while `well`, and counts the segments that were asked for."""

    well, made = True, 0

    def write(self, handle, data):
        if not self.well:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(handle, data)

    def make(self, path):
        self.made += 1
        return super().make(path)


def filled(folder, **more):
    writer = JournalWriter(folder, MovedClock(), **more)
    writer.add("reading", "a/b", 1.0, "W")
    writer.sync()
    return writer


def test_a_clock_that_starts_at_any_count_tells_the_wall_time_it_was_given():
    clock = MovedClock(wall_zero_ns=1_700_000_000 * SECOND, start_ns=123 * SECOND)
    assert (clock.monotonic_ns(), clock.wall_ns()) == (123 * SECOND, 1_700_000_000 * SECOND)
    clock.sleep(2.0)
    assert (clock.monotonic_ns(), clock.wall_ns()) == (125 * SECOND, 1_700_000_002 * SECOND)
    clock.set_wall(5)
    assert (clock.monotonic_ns(), clock.wall_ns()) == (125 * SECOND, 5)


def test_a_log_tells_the_wall_time_of_its_readings(tmp_path):
    """1 234 567 890 s after the Unix epoch: 2009-02-13 23:31:30 UTC, as `date -u -d @1234567890` says."""
    clock = MovedClock(wall_zero_ns=1_234_567_890 * SECOND, start_ns=55 * SECOND)
    writer = JournalWriter(tmp_path / "journal", clock)
    writer.add("reading", "a/input_power", 1.5, "W")
    clock.sleep(1.25)
    writer.add("reading", "a/input_power", 2.5, "W")
    writer.close()
    write_logs(read_journal(tmp_path / "journal"), tmp_path)
    lines = (tmp_path / "logs" / "live" / "a-1.csv").read_text(encoding="utf-8").splitlines()
    assert lines[1:] == ["time,input_power [W]", "2009-02-13T23:31:30.000,1.5", "2009-02-13T23:31:31.250,2.5"]


def test_the_first_segment_is_number_one_and_the_end_counts_every_record(tmp_path):
    writer = JournalWriter(tmp_path, MovedClock())
    for value in (1.0, 2.0):
        writer.add("reading", "a/b", value, "W")
    writer.close()
    (path,) = segment_paths(tmp_path)
    assert path.name == "000001.txt"
    *_, last = path.read_bytes().splitlines()
    end = from_line(last)
    assert (end.kind, json.loads(end.text)) == ("end", {"records": survey(tmp_path).records}) and survey(tmp_path).records == 3
    assert last_record(tmp_path) == LastRecord(1, 2)


@pytest.mark.parametrize("less, segments", [(0, 1), (1, 2)])
def test_a_segment_is_left_once_it_is_larger_than_it_may_be(tmp_path, less, segments):
    filled(tmp_path / "plain").abandon()
    (path,) = segment_paths(tmp_path / "plain")
    filled(tmp_path / "journal", segment_bytes=path.stat().st_size - less).abandon()
    assert len(segment_paths(tmp_path / "journal")) == segments


@pytest.mark.parametrize("waited, segments", [(64.0, 1), (64.5, 2)])
def test_a_segment_is_left_once_it_is_older_than_it_may_be(tmp_path, waited, segments):
    clock = MovedClock(start_ns=1000 * SECOND)
    writer = JournalWriter(tmp_path, clock, segment_seconds=64.0)
    clock.sleep(waited)
    writer.add("reading", "a/b", 1.0, "W")
    assert writer.sync()
    writer.abandon()
    assert len(segment_paths(tmp_path)) == segments


@pytest.mark.parametrize("begins", [0, 5000 * SECOND])
def test_a_disk_that_failed_is_left_alone_for_half_a_second(tmp_path, begins):
    clock, disk = MovedClock(start_ns=begins), Fails()
    writer = JournalWriter(tmp_path, clock, disk=disk)
    writer.add("reading", "a/b", 1.0, "W")
    disk.well = False
    assert not writer.flush() and "No space left" in writer.alarm
    disk.well, made = True, disk.made
    clock.sleep(RETRY_S - 0.01)
    assert not writer.flush() and disk.made == made and writer.alarm
    clock.sleep(0.02)
    assert writer.flush() and disk.made == made + 1 and not writer.alarm
    assert writer.close()
    found = survey(tmp_path)
    assert found.records == 3 and not found.missing and len(found.alarms) == 1
    assert found.alarms[0].endswith("1 records written again, 0 given up")


def test_a_follower_takes_no_more_than_it_is_asked_and_leaves_nothing_out(tmp_path):
    writer = JournalWriter(tmp_path, MovedClock(), segment_bytes=1200)
    for index in range(60):
        writer.add("reading", "a/b", float(index), "W")
        writer.sync()
    writer.close()
    follower, seen = Follower(tmp_path), []
    while found := follower.read(400):
        assert len(found) <= 400 // 20
        seen += [item.seq for item in found if item.kind != "head"]
    assert len(segment_paths(tmp_path)) > 2
    assert seen == list(range(61))
    assert follower.read() == []


def test_records_are_synced_every_second_and_timed_from_their_stamps(tmp_path):
    """`docs/how-to/record.md`: written at once, synced every second."""
    clock = MovedClock(start_ns=9000 * SECOND)
    writer = JournalWriter(tmp_path, clock)
    scribe, synced = DirectScribe(writer, clock), []
    for _ in range(8):
        scribe.add("reading", "a/b", 1.0, "W", mono_ns=clock.monotonic_ns())
        clock.sleep(0.25)
        scribe.tick()
        synced.append(writer.synced)
    assert synced == [-1, -1, -1, 3, 3, 3, 3, 7]
    assert scribe.written.count == 8 and scribe.written.worst == pytest.approx(0.25)
    assert scribe.close()
    (written,) = [item.given for item in read_journal(tmp_path).events if item.name == "written"]
    assert written == {"readings": 8, "late_p50": 0.25, "late_p99": 0.25, "worst_late": 0.25}


def test_what_was_taken_is_in_the_file_as_soon_as_it_is_flushed(tmp_path):
    writer = JournalWriter(tmp_path, MovedClock())
    writer.add("reading", "a/b", 1.0, "W")
    assert writer.flush()
    assert survey(tmp_path).records == 1 and writer.synced == -1
    writer.abandon()


def test_the_way_to_the_disk_is_told_to_the_microsecond(tmp_path):
    clock = MovedClock()
    scribe = DirectScribe(JournalWriter(tmp_path, clock), clock)
    scribe.add("reading", "a/b", 1.0, "W", mono_ns=0)
    clock.sleep(0.123456789)
    scribe.tick()
    assert scribe.close()
    (written,) = [item.given for item in read_journal(tmp_path).events if item.name == "written"]
    assert written == {"readings": 1, "late_p50": 0.123457, "late_p99": 0.123457, "worst_late": 0.123457}
