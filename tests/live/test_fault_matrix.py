"""L2: faults of every transport through driver, recorder and journal. Short version of benchmarks/fault_trials.py."""

import sys
from pathlib import Path

import pytest

from phasewright.live.transport import serial_line

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

import fault_trials

SHARE = {"TCP socket": 6, "serial line": 10, "VISA": 16, "PMBus": 2, "PMBus behind a page": 3, "hwmon": 3, "iio": 4,
         "powercap": 4, "program that prints": 2, "log that grows": 1}
"""Every so many-th fault is tried here; all of them in the long version."""
ALWAYS = {"decimal comma", "error for an answer", "its company gone", "no end", "dead ENODEV", "dead EIO", "cut off",
          "no connection"}
"""Those that were once not survived."""


def cases():
    for transport, (_, faults) in fault_trials.TRANSPORTS.items():
        for index, fault in enumerate(faults):
            if index % SHARE[transport] == 0 or fault in ALWAYS:
                yield transport, fault


@pytest.mark.parametrize(("transport", "fault"), [*cases()])
def test_a_fault_invents_nothing_is_on_record_and_is_over_when_it_is_over(transport, fault, tmp_path, monkeypatch):
    monkeypatch.setattr(serial_line, "QUIET", serial_line.QUIET)  # put back afterwards
    assert fault_trials.run(transport, fault, tmp_path).wrong == ""


def test_every_transport_has_forty_faults_and_no_fault_twice():
    assert len(fault_trials.TRANSPORTS) >= 6
    for transport, (_, faults) in fault_trials.TRANSPORTS.items():
        assert len(faults) == len(set(faults)) >= fault_trials.LEAST, transport


@pytest.mark.parametrize(("breaks", "transport", "words"), [
    ("value", "hwmon", "invented"), ("silence", "log that grows", "the gap is not on record"), ("return", "PMBus", "not back"),
    ("raise", "TCP socket", "raised ZeroDivisionError")])
def test_the_trial_finds_a_reader_that_fails(tmp_path, monkeypatch, breaks, transport, words):
    """A check that cannot fail proves nothing: each of the four promises is broken on purpose."""
    from phasewright.live.instruments.driver import Polled, Reading
    from phasewright.live.recorder import Recorder

    wire = fault_trials.TRANSPORTS[transport][0]
    fault = "empty" if breaks == "silence" else fault_trials.TRANSPORTS[transport][1][0]
    monkeypatch.setattr(Recorder, "_mind_silence", lambda self, now: None)
    read, hit = fault_trials.Looked.read, []
    monkeypatch.setattr(wire, "hit", lambda self, fault, plain=wire.hit: (hit.append(fault), plain(self, fault)))

    def broken(self):
        polled = read(self)
        if not hit or breaks == "silence":
            return polled
        return Polled([Reading(item.channel, 99.0 if breaks == "value" else None, item.stamp_ns, "", "gone")
                       for item in polled.readings])

    monkeypatch.setattr(fault_trials.Looked, "read", broken)
    if breaks == "raise":
        take = Recorder._take
        monkeypatch.setattr(Recorder, "_take", lambda self, name, polled: 1 / 0 if hit else take(self, name, polled))
    assert words in fault_trials.run(transport, fault, tmp_path).wrong
