"""The journal survives what disks, kills and clocks do to it (short versions; the long ones are in benchmarks)."""

import os
import random
import signal
import subprocess
import sys
import textwrap
import time

import pytest

from phasewright.bench import NotReady
from phasewright.live.clock import ClockWatch, MovedClock
from phasewright.live.journal.disk import Disk
from phasewright.live.journal.line import Entry, from_line, to_line
from phasewright.live.journal.reading import Follower, segment_paths, survey
from phasewright.live.journal.writing import JournalWriter


def write(folder, count, *, disk=None, clock=None, close=True, **options):
    clock = clock or MovedClock(1_741_079_520_000_000_000)
    writer = JournalWriter(folder, clock, disk=disk, **options)
    for index in range(count):
        writer.add("reading", "meter/input_power", 300.0 + index, "W", text=f"{300 + index}")
        writer.flush()
        clock.sleep(0.1)
        if index % 10 == 9:
            writer.sync()
    if close:
        writer.close()
    else:
        writer.abandon()
    return writer


@pytest.mark.parametrize("text", [
    "", "plain", "tab\there", "two\nlines", "a~b", "back\\slash", "\x00\x07", "µ °C \u202e", "\\x7e",
])
def test_any_text_survives_a_line(text):
    entry = Entry(5, -3, 7, "reading", text, -0.1, "W", text, text)
    line = to_line(entry)
    assert line.count(b"~") == 1 and line.count(b"\n") == 1 and line.isascii()
    assert from_line(line[:-1]) == entry


def test_a_closed_journal_is_complete(tmp_path):
    write(tmp_path, 95)
    found = survey(tmp_path)
    assert found.complete and found.closed and (found.records, found.segments, found.sessions) == (96, 1, 1)


def test_segments_turn_over_and_repeat_the_head(tmp_path):
    write(tmp_path, 200, segment_bytes=2000, head={"bench": "abc"})
    found = survey(tmp_path)
    assert found.complete and found.segments > 5
    assert all(b'"bench": "abc"' in path.read_bytes().splitlines()[0] for path in segment_paths(tmp_path))


def test_every_cut_is_found_and_keeps_what_came_before(tmp_path):
    write(tmp_path, 40)
    path = segment_paths(tmp_path)[0]
    whole = path.read_bytes()
    values = {}
    survey(tmp_path, lambda entry, session: values.setdefault(entry.seq, entry.value))
    first = whole.index(b"\n") + 1
    for size in range(first, len(whole), 7):
        path.write_bytes(whole[:size])
        seen = {}
        found = survey(tmp_path, lambda entry, session, seen=seen: seen.setdefault(entry.seq, entry.value))
        assert not found.complete and found.unclosed == [1]
        assert found.records == whole[:size].count(b"\n") - 1
        assert seen.items() <= values.items()


def test_every_flipped_bit_is_found_and_costs_one_record_at_most(tmp_path):
    write(tmp_path, 60)
    path = segment_paths(tmp_path)[0]
    whole = path.read_bytes()
    values = {}
    survey(tmp_path, lambda entry, session: values.setdefault(entry.seq, entry.value))
    chance = random.Random(4)
    for _ in range(400):
        bit = chance.randrange(8 * len(whole))
        hit = bytearray(whole)
        hit[bit // 8] ^= 1 << bit % 8
        path.write_bytes(bytes(hit))
        seen = {}
        found = survey(tmp_path, lambda entry, session, seen=seen: seen.setdefault(entry.seq, entry.value))
        assert not found.complete
        assert found.records >= 60
        assert seen.items() <= values.items()


class BadDisk(Disk):
    """Lets one call fail, and later ones as long as `until` says."""

    def __init__(self, at, kind, error, lasting=1, short=False):
        self.count, self.at, self.kind, self.error, self.lasting, self.short = 0, at, kind, error, lasting, short
        self.failed = False

    def _turn(self, kind):
        if kind != self.kind:
            return False
        self.count += 1
        hit = self.at <= self.count < self.at + self.lasting
        self.failed |= hit
        return hit

    def make(self, path):
        if self._turn("make"):
            raise OSError(self.error, os.strerror(self.error))
        return super().make(path)

    def write(self, handle, data):
        if self._turn("write"):
            if self.short and len(data) > 3:
                return super().write(handle, data[: len(data) // 2])
            raise OSError(self.error, os.strerror(self.error))
        return super().write(handle, data)

    def sync(self, handle):
        if self._turn("sync"):
            raise OSError(self.error, os.strerror(self.error))
        super().sync(handle)

    def close(self, handle):
        super().close(handle)
        if self._turn("close"):
            raise OSError(self.error, os.strerror(self.error))


@pytest.mark.parametrize(("kind", "error"), [("write", 28), ("sync", 5), ("make", 28), ("close", 5)])
def test_the_nth_call_fails_until_none_is_left(tmp_path, kind, error):
    for at in range(2, 400):
        folder = tmp_path / str(at)
        disk = BadDisk(at, kind, error, lasting=3)
        clock = MovedClock()
        writer = JournalWriter(folder, clock, disk=disk, segment_bytes=1200)
        for index in range(30):
            writer.add("reading", "meter/input_power", float(index), "W")
            writer.flush()
            if index % 10 == 9:
                assert writer.sync() is (writer.synced == writer.seq - 1)
            clock.sleep(0.1)
        for _ in range(20):
            clock.sleep(0.6)
            if writer.sync():
                break
        assert writer.close()
        values = {}
        found = survey(folder, lambda entry, session, values=values: values.setdefault(entry.seq, entry.value))
        assert not found.missing
        numbers = [value for value in values.values() if value is not None]
        assert numbers == sorted(numbers) and set(numbers) == set(map(float, range(30)))
        if not disk.failed:
            break
        if kind != "close":
            assert found.alarms and not found.complete
    else:
        pytest.fail("the calls never ran clean")


def test_a_short_write_is_carried_on(tmp_path):
    write(tmp_path, 30, disk=BadDisk(5, "write", 0, lasting=4, short=True))
    assert survey(tmp_path).complete


def test_a_failed_sync_is_never_reported_as_done(tmp_path):
    clock = MovedClock()
    writer = JournalWriter(tmp_path, clock, disk=BadDisk(2, "sync", 5, lasting=10**6))
    writer.add("reading", "a/b", 1.0, "W")
    for _ in range(20):
        clock.sleep(1.0)
        assert writer.sync() is False
        assert writer.synced == -1 and "sync failed" in writer.alarm or "failed" in writer.alarm
    writer.abandon()


def test_what_cannot_be_written_is_refused_before_the_run(tmp_path):
    with pytest.raises(NotReady, match="before the run"):
        JournalWriter(tmp_path, MovedClock(), disk=BadDisk(1, "write", 28, lasting=9))
    (tmp_path / "file").write_text("")
    with pytest.raises(NotReady, match="no record can be written"):
        JournalWriter(tmp_path / "file" / "journal", MovedClock())


def test_a_second_recorder_is_refused_and_told_who_holds_it(tmp_path):
    writer = JournalWriter(tmp_path, MovedClock())
    with pytest.raises(NotReady, match=f"process {os.getpid()}"):
        JournalWriter(tmp_path, MovedClock())
    writer.close()
    JournalWriter(tmp_path, MovedClock()).close()


KILLED = textwrap.dedent("""
    import sys
    from pathlib import Path
    from phasewright.live.clock import MachineClock
    from phasewright.live.journal.writing import JournalWriter
    writer = JournalWriter(Path(sys.argv[1]), MachineClock())
    while True:
        for _ in range(20):
            seq = writer.add("reading", "meter/input_power", 1.5 * writer.seq, "W")
        writer.flush()
        print(seq, flush=True)
""")


def test_kill_loses_no_acknowledged_record_and_the_next_run_carries_on(tmp_path):
    chance, acknowledged = random.Random(1), -1
    for trial in range(3):
        child = subprocess.Popen([sys.executable, "-c", KILLED, str(tmp_path)], stdout=subprocess.PIPE, text=True)
        line = child.stdout.readline()
        time.sleep(chance.uniform(0.0, 0.15))
        child.send_signal(signal.SIGKILL)
        rest = (line + child.stdout.read()).split()
        child.wait()
        child.stdout.close()
        assert int(rest[0]) > acknowledged
        acknowledged = int(rest[-1])
        seen = {}
        found = survey(tmp_path, lambda entry, session, seen=seen: seen.setdefault(entry.seq, entry.value))
        assert not found.missing
        assert all(seen[seq] == 1.5 * seq for seq in range(acknowledged + 1))
        assert found.unclosed == list(range(1, trial + 2)) and not found.complete


def test_a_follower_sees_every_record_and_the_writer_does_not_see_it(tmp_path):
    clock = MovedClock()
    writer = JournalWriter(tmp_path, clock, segment_bytes=700)
    follower, seen = Follower(tmp_path), []
    for index in range(80):
        writer.add("reading", "a/b", float(index), "W")
        writer.flush()
        if index % 7 == 0:
            seen += [item.value for item in follower.read(300) if item.kind == "reading"]
        if index % 5 == 4:
            writer.sync()
    writer.close()
    while more := follower.read(300):
        seen += [item.value for item in more if item.kind == "reading"]
    assert seen == [float(index) for index in range(80)]


@pytest.mark.parametrize("step", [3600.0, -3600.0, -1.7e9])
def test_a_set_clock_is_recorded_and_elapsed_time_stays(step):
    clock = MovedClock(1_741_079_520_000_000_000)
    watch = ClockWatch(clock)
    clock.sleep(1.0)
    assert watch.look() == ()
    before = clock.monotonic_ns()
    clock.set_wall(clock.wall_ns() + int(step * 1e9))
    clock.sleep(1.0)
    (said,) = watch.look()
    assert said.startswith("clock_step") and f"{step:+.3f} s" in said
    assert clock.monotonic_ns() - before == 1_000_000_000
    clock.sleep(600.0)
    (said,) = watch.look()
    assert said.startswith("pause") and "600.000 s" in said
