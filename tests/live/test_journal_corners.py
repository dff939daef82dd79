"""Corners of the journal: what is whole and yet no record, what comes twice or late, what memory cannot hold."""

import errno
import json
import subprocess
import sys
import textwrap
import zlib
from pathlib import Path

import pytest

from phasewright.bench import NotReady
from phasewright.live.clock import MachineClock, MovedClock
from phasewright.live.journal import writing
from phasewright.live.journal.disk import Disk
from phasewright.live.journal.line import Entry, from_line, to_line
from phasewright.live.journal.reading import Follower, entries_of, last_record, segment_paths, survey
from phasewright.live.journal.writing import JournalWriter
from phasewright.live.load import ProgramLoad
from phasewright.live.scribe import ThreadScribe


def sealed(body: bytes) -> bytes:
    return b"~%s%08x" % (body, zlib.crc32(body))


@pytest.mark.parametrize("body", [
    b"1\t2\t3\treading\ta\t1.0\tW\t\t", b"x\t2\t3\treading\ta\t1.0\tW\t\t\t", b"1\t2\t3\tother\ta\t1.0\tW\t\t\t", b"",
    b"1\t2\t3\treading\ta\t1.0\tW\t\tx~y\t",
])
def test_a_sound_checksum_makes_no_record_of_anything_else(body):
    assert from_line(sealed(body)) is None
    assert from_line(sealed(b"1\t2\t3\treading\ta\t1.0\tW\t\t\t")).value == 1.0


def test_records_that_come_twice_or_late_count_once(tmp_path):
    lines = [to_line(Entry(seq, seq, seq, "reading", "a/b", float(seq), "W", "", "")) for seq in range(9)]
    head = to_line(Entry(-1, 0, 0, "head", "head", None, "", "", json.dumps({"session": 1, "next": 0})))
    (tmp_path / "000001.txt").write_bytes(head + b"".join(lines[:3] + lines[7:8]))
    found = survey(tmp_path)
    assert found.missing == [(3, 6)] and found.lost == 4
    seen = []
    (tmp_path / "000002.txt").write_bytes(head + b"".join(lines[5:6] + lines[2:6] + lines[6:9]))
    found = survey(tmp_path, lambda entry, session: seen.append(entry.seq))
    assert not found.missing and found.records == 9
    assert sorted(seq for seq in seen if seq >= 0) == list(range(9))


@pytest.mark.parametrize("letter", ["a", "\\", "~", "\x00", "é", "€", "\ufffd", "\U0001f600"])
def test_no_text_makes_a_line_that_a_reader_does_not_take_in_whole(tmp_path, letter):
    writer = JournalWriter(tmp_path, MovedClock())
    writer.add("reading", "a/b", 1.0, "W", text=200_000 * letter)
    writer.add("reading", "a/b", 2.0, "W")
    writer.close()
    kept = []
    found = survey(tmp_path, lambda entry, session: kept.append((entry.value, entry.text)))
    assert found.complete and found.records == 3 and [value for value, _ in kept if value] == [1.0, 2.0]
    assert set(kept[1][1]) == {letter} and len(kept[1][1]) >= 20_000


def whole(folder):
    """The slow way: every record of every segment."""
    session, seq = 0, -1
    for path in segment_paths(folder):
        for entry, _ in entries_of(path, lambda damage: None):
            seq = max(seq, entry.seq)
            if entry.kind == "head":
                session, seq = max(session, json.loads(entry.text)["session"]), max(seq, json.loads(entry.text)["next"] - 1)
    return session, seq


@pytest.mark.parametrize("hurt", ["", "last head", "last tail", "last all", "last short", "torn", "both heads"])
def test_where_a_journal_stands_is_found_at_its_ends_whatever_was_hit(tmp_path, hurt):
    for _ in range(2):
        writer = JournalWriter(tmp_path, MovedClock(), segment_bytes=30_000)
        for index in range(2000):
            writer.add("reading", "a/b", float(index), "W")
            if index % 100 == 99:
                writer.sync()
        writer.close()
    paths = segment_paths(tmp_path)
    assert len(paths) > 4
    data = paths[-1].read_bytes()
    cut = data.index(b"\n")
    made = {"": data, "last head": b"x" + data[1:], "last tail": data[:-300] + 300 * b"?", "last all": len(data) * b"?",
            "last short": data[: cut + 1], "torn": data[:-20], "both heads": b"x" + data[1:]}[hurt]
    paths[-1].write_bytes(made)
    if hurt == "both heads":
        paths[-2].write_bytes(b"x" + paths[-2].read_bytes()[1:])
    found = last_record(tmp_path)
    assert (found.session, found.seq) == whole(tmp_path)
    again = JournalWriter(tmp_path, MovedClock())
    assert again.session == 3 and again.seq == found.seq + 1
    again.abandon()


def test_a_journal_that_has_grown_long_is_opened_by_its_last_segment_alone(tmp_path, monkeypatch):
    """Hours of readings are not read again before a run goes on."""
    writer = JournalWriter(tmp_path, MovedClock(), segment_bytes=2_000)
    for index in range(1000):
        writer.add("reading", "a/b", float(index), "W")
        writer.sync()
    writer.close()
    paths, opened, plain = segment_paths(tmp_path), [], Path.open
    monkeypatch.setattr(Path, "open", lambda self, *args: opened.append(self) or plain(self, *args))
    assert len(paths) > 20 and last_record(tmp_path).seq == 1000
    assert opened == [paths[-1]]


def test_a_segment_without_a_readable_head_is_told(tmp_path):
    writer = JournalWriter(tmp_path, MovedClock())
    writer.add("reading", "a/b", 1.0, "W")
    writer.close()
    path = segment_paths(tmp_path)[0]
    path.write_bytes(b"\n".join(path.read_bytes().split(b"\n")[1:]))
    found = survey(tmp_path)
    assert found.headless == ["000001.txt"] and found.records == 2 and not found.complete
    odd = to_line(Entry(-1, 0, 0, "head", "head", None, "", "", "no json"))
    (tmp_path / "000002.txt").write_bytes(odd)
    assert survey(tmp_path).headless == ["000001.txt"]
    assert last_record(tmp_path).seq == 1
    assert last_record(tmp_path / "nowhere") is None


def test_a_follower_waits_for_a_journal_that_is_not_there_yet(tmp_path):
    follower = Follower(tmp_path)
    assert follower.read() == []
    JournalWriter(tmp_path, MovedClock()).close()
    assert [entry.kind for entry in follower.read()] == ["head", "end"]
    assert follower.read() == []


class Full(Disk):
    full = False

    def write(self, handle, data):
        if self.full:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(handle, data)


class Takes(Disk):
    """Takes nothing and reports no error."""

    def write(self, handle, data):
        return 0


def test_what_memory_cannot_hold_is_counted_and_shows_as_missing(tmp_path, monkeypatch):
    monkeypatch.setattr(writing, "KEPT_BYTES", 2000)
    disk, clock = Full(), MovedClock()
    writer = JournalWriter(tmp_path, clock, disk=disk)
    for index in range(200):
        disk.full = 20 <= index < 150
        writer.add("reading", "a/b", float(index), "W")
        writer.flush()
        clock.sleep(0.2)
    assert writer.close()
    found = survey(tmp_path)
    assert 80 < found.lost < 130 and not found.complete
    assert any("given up" in text and not text.endswith(" 0 given up") for text in found.alarms)


def test_a_disk_that_takes_nothing_is_refused_at_the_start(tmp_path):
    with pytest.raises(NotReady, match="nothing was taken"):
        JournalWriter(tmp_path, MovedClock(), disk=Takes())


def test_a_disk_that_never_recovers_is_told_at_the_end(tmp_path):
    disk = Full()
    writer = JournalWriter(tmp_path, MovedClock(), disk=disk)
    disk.full = True
    writer.add("reading", "a/b", 1.0, "W")
    assert writer.close() is False
    assert survey(tmp_path).unclosed == [1]


def test_segments_turn_over_by_age_too(tmp_path):
    clock = MovedClock()
    writer = JournalWriter(tmp_path, clock, segment_seconds=60.0)
    for _ in range(5):
        writer.add("reading", "a/b", 1.0, "W")
        clock.sleep(61.0)
        writer.sync()
    writer.close()
    assert survey(tmp_path).segments == 6 and survey(tmp_path).complete


def test_the_thread_writes_all_that_it_was_given_in_order(tmp_path):
    clock = MachineClock()
    scribe = ThreadScribe(JournalWriter(tmp_path, clock), clock)
    for index in range(500):
        scribe.add("reading", "a/b", float(index), "W")
        if index % 50 == 0:
            scribe.event("mark", at=index)
            scribe.tick()
    assert scribe.close() and scribe.alarm == ""
    values = []
    found = survey(tmp_path, lambda entry, session: values.append(entry.value) if entry.kind == "reading" else None)
    assert found.complete and values == [float(index) for index in range(500)]


def test_a_load_that_cannot_be_started_says_so(tmp_path):
    import time

    load = ProgramLoad(["no-such-load-here"], tmp_path)
    load.stop()
    load.start()
    until = time.monotonic() + 10.0
    while (ended := load.poll()) is None and time.monotonic() < until:
        time.sleep(0.02)
    assert ended.code is None and "cannot be started" in ended.errors
    load.stop()


def test_a_load_whose_keeper_is_killed_is_killed_and_says_so(tmp_path):
    import os
    import signal
    import sys
    import time

    load = ProgramLoad([sys.executable, "-c", "import os, time; open('pid', 'w').write(str(os.getpid())); time.sleep(60)"],
                       tmp_path)
    load.start()
    until = time.monotonic() + 10.0
    while not ((tmp_path / "pid").exists() and (tmp_path / "pid").read_text()) and time.monotonic() < until:
        time.sleep(0.02)
    pid = int((tmp_path / "pid").read_text())
    load._keeper.send_signal(signal.SIGKILL)
    while (ended := load.poll()) is None and time.monotonic() < until:
        time.sleep(0.02)
    assert ended.code is None and "its keeper was killed" in ended.errors
    with pytest.raises(ProcessLookupError):
        while time.monotonic() < until:
            os.kill(pid, 0)
            time.sleep(0.02)


def test_looks_that_come_at_once_are_rows_of_their_own(tmp_path):
    """Several lines of a growing log come in one look and share its stamp; none is written over."""
    from phasewright.live import read_journal

    writer = JournalWriter(tmp_path, MovedClock())
    for index in range(3):
        for channel in ("input_power", "coolant_temperature"):
            writer.add("reading", f"log/{channel}", float(index), "W", mono_ns=1_000_000)
    writer.close()
    (sheet,) = read_journal(tmp_path).sheets.values()
    assert list(sheet.rows.values()) == [{"input_power": float(n), "coolant_temperature": float(n)} for n in range(3)]


INTERRUPTED = textwrap.dedent("""
    import os, signal, sys
    from pathlib import Path
    from phasewright.live.clock import MovedClock
    from phasewright.live.journal.disk import Disk
    from phasewright.live.journal.writing import JournalWriter

    class Interrupting(Disk):
        def write(self, handle, data):
            taken = super().write(handle, data[:37])
            os.kill(os.getpid(), signal.SIGINT)
            return taken

    writer = JournalWriter(Path(sys.argv[1]), MovedClock())
    writer._disk = Interrupting()
    try:
        for number in range(5):
            writer.add("reading", "meter/input_power", float(number), "W")
        try:
            writer.flush()
        except KeyboardInterrupt:
            print("interrupted", flush=True)
        writer.add("reading", "meter/input_power", 5.0, "W")
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        writer.close()
""")


def test_an_interrupt_amid_a_write_comes_when_the_write_is_done(tmp_path):
    """R7: no record twice and none lost, though the interrupt falls between a write and the note of it."""
    done = subprocess.run([sys.executable, "-c", INTERRUPTED, str(tmp_path)], capture_output=True, text=True, timeout=60)
    assert done.stdout == "interrupted\n", done.stderr
    seen = []
    found = survey(tmp_path, lambda entry, session: seen.append((entry.seq, entry.value)) if entry.kind == "reading" else None)
    assert seen == [(number, float(number)) for number in range(6)]
    assert found.complete
