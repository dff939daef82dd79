"""Delays counted in classes, against the quantiles of numpy; and the priority that keeps them small."""

import os
import subprocess
import sys

import numpy as np
import pytest

from phasewright.live.clock import MovedClock
from phasewright.live.journal.disk import Disk
from phasewright.live.journal.writing import JournalWriter
from phasewright.live.lateness import BOUNDS_S, Lateness
from phasewright.live.scribe import MOST_STAMPS, DirectScribe


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("part", [0.01, 0.5, 0.9, 0.99, 1.0])
def test_shares_agree_with_quantiles_to_a_class(seed, part):
    delays = np.random.default_rng(seed).lognormal(-5.0, 1.5, 4000)
    late = Lateness()
    for delay in delays:
        late.take(float(delay))
    exact = float(np.quantile(delays, part, method="inverted_cdf"))
    assert exact <= late.share(part) <= max(1.1 * exact, BOUNDS_S[0]) + 1e-12
    assert late.worst == delays.max() and late.count == 4000


def test_nothing_early_and_beyond_all_classes():
    late = Lateness()
    assert late.share(0.99) == 0.0 and late.worst == 0.0
    late.take(-1.0)
    assert late.share(0.5) == 0.0
    late.take(1000.0, 9)
    assert late.share(0.99) == 1000.0 and late.count == 10


class Full(Disk):
    full = False

    def write(self, handle, data):
        if self.full:
            raise OSError(28, "no space")
        return super().write(handle, data)


def test_the_way_to_the_disk_is_timed_and_a_full_disk_costs_bounded_memory(tmp_path, monkeypatch):
    clock, disk = MovedClock(), Full()
    scribe = DirectScribe(JournalWriter(tmp_path, clock, disk=disk), clock)
    scribe.add("reading", "a/b", 1.0, "W", mono_ns=clock.monotonic_ns())
    clock.sleep(0.25)
    scribe.tick()
    assert scribe.written.count == 1 and scribe.written.worst == pytest.approx(0.25)
    disk.full = True
    monkeypatch.setattr("phasewright.live.scribe.MOST_STAMPS", 5)
    for _ in range(20):
        scribe.add("reading", "a/b", 1.0, "W", mono_ns=clock.monotonic_ns())
        clock.sleep(1.0)
        scribe.tick()
    assert scribe.alarm and scribe.written.count == 1 and len(scribe._stamps) == 5 < MOST_STAMPS
    disk.full = False
    clock.sleep(1.0)
    scribe.tick()
    scribe.tick()
    assert not scribe.alarm and scribe.written.count == 6 and scribe.written.worst > 15.0
    assert scribe.close()


def test_going_first_takes_what_it_is_granted_and_asks_for_no_more():
    said = subprocess.run(
        [sys.executable, "-c", "import gc, os, sys\nfrom phasewright.live.foremost import SWITCH_S, go_first\n"
         "was = os.getpriority(os.PRIO_PROCESS, 0)\n"
         "print(was, go_first(), os.getpriority(os.PRIO_PROCESS, 0), gc.get_freeze_count() > 0, "
         "sys.getswitchinterval() == SWITCH_S)"],
        capture_output=True, text=True, check=True, start_new_session=True).stdout.split()  # fmt: skip
    was, told, now = map(int, said[:3])
    assert told == now <= was and said[3:] == ["True", "True"]
    assert os.getpriority(os.PRIO_PROCESS, 0) >= now


def test_a_system_that_knows_no_priorities_or_grants_none_is_no_fault(monkeypatch):
    from phasewright.live import foremost

    monkeypatch.setattr(foremost.gc, "freeze", lambda: None)
    monkeypatch.setattr(foremost.sys, "setswitchinterval", lambda seconds: None)
    asked = []

    def refused(which, who, value):
        asked.append(value)
        raise PermissionError

    monkeypatch.setattr(foremost.os, "setpriority", refused)
    was = os.getpriority(os.PRIO_PROCESS, 0)
    assert foremost.go_first() == was and asked == [min(foremost.BEFORE_OTHERS, was)]
    monkeypatch.delattr(foremost.os, "setpriority")
    assert foremost.go_first() == 0


def test_a_thread_that_looks_at_an_instrument_is_punctual_where_that_is_granted_and_what_it_starts_is_not():
    said = subprocess.run(
        [sys.executable, "-c", "import os, subprocess, sys, threading\nfrom phasewright.live.foremost import be_punctual\n"
         "found = []\n"
         "def work():\n"
         "    found.append((be_punctual(), os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK == os.SCHED_RR))\n"
         "    found.append(subprocess.run([sys.executable, '-c', 'import os; print(os.sched_getscheduler(0))'], "
         "capture_output=True, text=True).stdout.strip())\n"
         "thread = threading.Thread(target=work)\nthread.start()\nthread.join()\n"
         "print(*found[0], found[1], os.sched_getscheduler(0))"],
        capture_output=True, text=True, check=True).stdout.split()  # fmt: skip
    granted, running, child, rest = said
    assert granted == running and child == rest == str(os.SCHED_OTHER)


@pytest.mark.parametrize("error", [PermissionError, AttributeError])
def test_a_thread_that_is_granted_nothing_goes_on(monkeypatch, error):
    from phasewright.live import foremost

    def refused(*given):
        raise error

    monkeypatch.setattr(foremost.os, "sched_setscheduler", refused, raising=False)
    assert foremost.be_punctual() is False
