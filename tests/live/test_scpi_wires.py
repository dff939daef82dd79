"""SCPI over real serial lines and a real VISA library, and instruments that are set otherwise than they were."""

import os
import pty
import select
import threading
import time
import tty
from dataclasses import replace

import pytest

from phasewright.bench import Connection, Instrument, ReadingSource
from phasewright.live import demo_scenario
from phasewright.live.clock import MachineClock, MovedClock
from phasewright.live.instruments.driver import DriverFault, Surroundings
from phasewright.live.instruments.scpi import ScpiDriver, is_allowed, is_setting
from phasewright.live.standin.scpi_server import FAULTS
from phasewright.live.transport import serial_line


def instrument(kind, address="", readings=None, **connection):
    reading = {channel: ReadingSource(channel, **(ask if isinstance(ask, dict) else {"ask": ask}))
               for channel, ask in (readings or {}).items()}
    return Instrument("meter", connection=Connection(kind, address, **connection), reading=reading)


def values(polled):
    return {item.channel: item.value for item in polled.readings}


def flags(polled):
    return {item.channel: item.flag for item in polled.readings}


AROUND = Surroundings(MachineClock())
BOTH = {"input_voltage": "READ:VOLT?", "input_current": "READ:CURR?"}


def test_a_restart_with_the_same_name_and_other_settings_is_seen_and_counts_for_nothing(server):
    """L06: after a restart the range and the averaging are the maker's; L07: another client changes them in mid-run."""
    answers = {"READ:VOLT?": "12.04", "READ:CURR?": "25.5", "SENS:VOLT:RANG?": "20", "SENS:AVER:COUN?": "100"}
    one, clock = server(answers), MovedClock(start_ns=1)
    asked = ("SENS:VOLT:RANG?", "SENS:AVER:COUN?")
    driver = ScpiDriver(instrument("scpi", one.address, BOTH, settings=asked, timeout=0.3), Surroundings(clock))
    driver.open()
    polled = driver.read()
    assert [what for what, _ in polled.events] == ["instrument_setting", "instrument_setting"]
    assert None not in values(polled).values() and one.received.count("SENS:VOLT:RANG?") == 1
    # The same name, other settings: seen as it comes back, before its first reading counts.
    answers["SENS:AVER:COUN?"] = "1"
    one.hang_up()
    driver.read()
    back = driver.read()
    assert set(values(back).values()) == {None} and "SENS:AVER:COUN? was 100, is 1" in flags(back)["input_voltage"]
    assert [what for what, _ in back.events].count("settings_changed") == 1
    assert [what for what, _ in driver.read().events] == []
    answers["SENS:AVER:COUN?"] = "100"
    clock.sleep(1.1)
    again = driver.read()
    assert [what for what, _ in again.events] == ["settings_back"] and None not in values(again).values()
    # No restart: looked at every ten seconds, and as a step begins.
    answers["SENS:VOLT:RANG?"] = "AUTO"
    clock.sleep(9.0)
    assert None not in values(driver.read()).values()
    driver.check_settings()
    assert "SENS:VOLT:RANG? was 20, is AUTO" in flags(driver.read())["input_current"]
    answers["SENS:VOLT:RANG?"] = "20"
    clock.sleep(1.1)
    driver.read()
    answers["SENS:VOLT:RANG?"] = "2"
    clock.sleep(10.1)
    assert set(values(driver.read()).values()) == {None}
    driver.close()
    assert all(is_allowed(line) or is_setting(line) for line in one.received)


def test_a_step_begins_with_a_look_at_the_settings(server, tmp_path):
    from phasewright.live.journal.writing import JournalWriter
    from phasewright.live.recorder import Recorder
    from phasewright.live.scribe import DirectScribe

    answers = {"READ:VOLT?": "12.04", "READ:CURR?": "25.5", "SENS:VOLT:RANG?": "20"}
    one, clock = server(answers), MovedClock()
    item = instrument("scpi", one.address, BOTH, settings=("SENS:VOLT:RANG?",), timeout=0.3)
    bench = replace(demo_scenario().bench, instruments=(item,))
    recorder = Recorder(bench, {item.name: ScpiDriver(item, Surroundings(clock))},
                        DirectScribe(JournalWriter(tmp_path, clock), clock), clock, threads=False)
    recorder.open()
    recorder.advance(2.0)
    answers["SENS:VOLT:RANG?"] = "2"
    recorder.start_load(None, "by hand", ())
    happened = recorder.advance(5.0)
    assert any(what == "settings_changed" for what, _ in happened.events)
    assert "nobody sees what happens" in happened.stopped.reason  # mixed ranges never share a window: the step is ended
    recorder.close()


@pytest.mark.parametrize("question", [
    "SENS:VOLT:RANG?", "SENSe:AVERage:COUNt?", "CONF?", ":SENS:AVER:STAT?", "FUNC?", "VOLT:RANG:AUTO?", "AVER:COUN?"])
def test_settings_are_asked_for_and_never_made(question):
    assert is_setting(question)
    assert not is_setting(question.rstrip("?") + " 1") and not is_setting(f"{question};*RST")


@pytest.mark.parametrize("question", [
    "STAT:QUES?", "STAT:QUES:EVEN?", "SENS:STAT:EVEN?", "OUTP?", "SYST:ERR:NEXT?", "*ESR?", "SENS:CALI?", "SENS:VOLT:RANG 20",
    "ROUT:CLOS?"])
def test_other_questions_are_no_settings(question):
    assert not is_setting(question)
    with pytest.raises(DriverFault, match="only reads"):
        ScpiDriver(instrument("scpi", "tcp:127.0.0.1:9", {"input_power": "READ:POW?"}, settings=(question,)), AROUND)


class Terminal:
    """A serial instrument on the far side of a real pair of pseudo-terminals; faults as the socket's."""

    def __init__(self, answers, faults=(), late=0.05):
        self.answers, self.faults, self.late, self.received = answers, iter(faults), late, []
        self.done = False
        self.ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self.theirs, self.port = theirs, os.ttyname(theirs)
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _serve(self):
        data = b""
        while not self.done:
            if not select.select([self.ours], [], [], 0.02)[0]:
                continue
            *lines, data = (data + os.read(self.ours, 4096)).split(b"\n")
            for line in lines:
                self._answer(line.decode("ascii"))
        os.close(self.theirs)
        os.close(self.ours)

    def _answer(self, question):
        self.received.append(question)
        fixed = {"*IDN?": "SIMULATED,LINE METER,1,0", "SYST:ERR?": '0,"No error"'}
        if question in fixed:
            os.write(self.ours, fixed[question].encode() + b"\r\n")
            return
        said, fault = self.answers[question].encode(), next(self.faults, "")
        if fault == "mute":
            return
        if fault in ("late", "split"):
            os.write(self.ours, said[:2] if fault == "split" else b"")
            time.sleep(self.late)
            said = said[2:] if fault == "split" else said
        said = {"garbage": b"\xff\x00rub", "twice": said + b"\n" + said, "sentinel": b"9.91E37"}.get(fault, said)
        os.write(self.ours, said + b"\r\n")

    def close(self):
        self.done = True
        self.thread.join()


@pytest.mark.parametrize("fault", ["", "late", "split", "mute", "garbage", "twice", "sentinel"])
def test_a_real_serial_line_through_pyserial(monkeypatch, fault):
    """A pair of pseudo-terminals: the real library, the real system calls; a wrong channel is never booked."""
    monkeypatch.setattr(serial_line, "QUIET", 0.05)
    far = Terminal({"READ:VOLT?": "12.04", "READ:CURR?": "25.5"}, ["", "", fault], late=0.3)
    driver = ScpiDriver(instrument("scpi", f"serial:{far.port}", BOTH, baud=115200, timeout=0.15), AROUND)
    driver.open()
    right = {"input_voltage": 12.04, "input_current": 25.5}
    assert driver.identity == "SIMULATED,LINE METER,1,0" and values(driver.read()) == right
    hit = driver.read()
    assert all(value in (None, right[channel]) and (value is not None or flags(hit)[channel])
               for channel, value in values(hit).items())
    assert (values(hit) == right) == (fault == "")
    until = time.monotonic() + 5.0
    while values(back := driver.read()) != right:
        assert all(value in (None, right[channel]) for channel, value in values(back).items())
        assert time.monotonic() < until, "no reconnection within 5 s"
        time.sleep(0.05)
    driver.close()
    far.close()
    assert all(is_allowed(line) for line in far.received)


def test_a_serial_line_that_is_pulled_out_is_missing_and_comes_back(monkeypatch, tmp_path):
    """L13: the name stays, the device behind it goes and comes again."""
    monkeypatch.setattr(serial_line, "QUIET", 0.02)
    far = Terminal({"READ:VOLT?": "12.04", "READ:CURR?": "25.5"})
    name = tmp_path / "meter"
    name.symlink_to(far.port)
    driver = ScpiDriver(instrument("scpi", f"serial:{name}", BOTH, timeout=0.15), AROUND)
    driver.open()
    assert None not in values(driver.read()).values()
    far.close()
    name.unlink()
    assert set(values(driver.read()).values()) == {None}
    assert set(values(driver.read()).values()) == {None}
    far = Terminal({"READ:VOLT?": "12.05", "READ:CURR?": "25.6"})
    name.symlink_to(far.port)
    until = time.monotonic() + 5.0
    while None in values(back := driver.read()).values():
        assert time.monotonic() < until, "no reconnection within 5 s"
        time.sleep(0.05)
    assert values(back) == {"input_voltage": 12.05, "input_current": 25.6}
    driver.close()
    far.close()


@pytest.mark.parametrize("fault", ["", *FAULTS])
def test_a_real_visa_library_over_a_socket(server, fault):
    """pyvisa with pyvisa-py against the stand-in: a raw socket frames nothing, so late answers must not shift the next."""
    one = server(faults=["", "", fault, ""], late=0.12)
    host, port = one.address.removeprefix("tcp:").split(":")
    driver = ScpiDriver(instrument("scpi", f"visa:TCPIP::{host}::{port}::SOCKET", BOTH, timeout=0.06), AROUND)
    driver.open()
    right = {"input_voltage": 12.04, "input_current": 25.5}
    assert values(driver.read()) == right
    hit = driver.read()
    assert all(value in (None, right[channel]) and (value is not None or flags(hit)[channel])
               for channel, value in values(hit).items())
    time.sleep(0.15 if fault in ("late", "split") else 0.0)
    until = time.monotonic() + 5.0
    while values(back := driver.read()) != right:
        assert all(value in (None, right[channel]) for channel, value in values(back).items())
        assert time.monotonic() < until, "no reconnection within 5 s"
        time.sleep(0.02)
    driver.close()
    assert all(is_allowed(line) for line in one.received)
