"""Every way in which a wire fails: a missing reading with its reason, never a crash, never a made-up value, and back again."""

import errno
import os
import sys
import types
from pathlib import Path

import pytest

from phasewright.bench import Connection, Instrument, ReadingSource
from phasewright.live import MovedClock, Surroundings
from phasewright.live.clock import MachineClock
from phasewright.live.encoding.pmbus_words import to_linear11
from phasewright.live.instruments.pmbus import PmbusDriver
from phasewright.live.instruments.scpi import ScpiDriver
from phasewright.live.instruments.sysfs import HwmonDriver, IioDriver, PowercapDriver
from phasewright.live.instruments.tail import TailDriver
from phasewright.live.standin.pmbus_device import PmbusDevice
from phasewright.live.standin.sysfs_tree import SysfsTree


def item(kind, address, channel, ask, **more):
    reading = {channel: ReadingSource(channel, ask)}
    return Instrument("x", connection=Connection(kind, address, timeout=0.02, **more), reading=reading)


def one(driver):
    (reading,) = driver.read().readings
    assert reading.value is not None or reading.flag, "a missing reading says why"
    return reading


class Line(types.ModuleType):
    """A serial port, or a VISA resource, that can be told to fail."""

    GOOD = {b"*IDN?\n": b"SIM\n", b"SYST:ERR?\n": b'0,"No error"\n', b"READ:VOLT?\n": b"12.5\n"}

    def __init__(self):
        super().__init__("serial")
        self.fault, self.buffer, self.timeout = "", b"", 0.0
        self.serial_for_url = lambda *args, **kwargs: self
        self.ResourceManager = lambda: types.SimpleNamespace(open_resource=lambda *args, **kwargs: self)

    @property
    def in_waiting(self):
        if self.fault == "pulled":
            raise OSError(errno.EIO, "device disconnected")
        return len(self.buffer)

    def read(self, size=1):
        taken, self.buffer = self.buffer[:size], self.buffer[size:]
        return taken

    def write(self, data):
        if self.fault == "write fails":
            raise OSError(errno.EIO, "write timeout")
        said = self.GOOD[data]
        if data.startswith(b"READ"):
            said = {"silent": b"", "part": b"12.", "garbage": b"\xff\x00\xfe\n", "twice": said + said, "word": b"OVLD\n",
                    "sentinel": b"9.91E37\n", "empty": b"\n", "echo": data + said, "endless": b"1" * (2 << 20),
                    "block": b"#9999999999\n", "locale": b"12,5,x\n"}.get(self.fault, said)
        self.buffer += said

    def write_raw(self, data):
        self.last = data
        if self.fault == "write fails":
            raise OSError(errno.EIO, "write timeout")

    def read_raw(self):
        kinds = {"silent": TimeoutError, "assertion": AssertionError, "pulled": OSError, "unicode": UnicodeError,
                 "runtime": RuntimeError, "key": KeyError}
        if self.last.startswith(b"READ") and self.fault in kinds:
            raise kinds[self.fault]("library")
        if self.last.startswith(b"READ"):
            return {"part": b"12.", "garbage": b"\xff\x00\n", "word": b"OVLD\n", "sentinel": b"9.91E37\n", "empty": b"\n",
                    "block": b"#9999999999\n", "cut block": b"#210abc\n", "endless": b"1" * (2 << 20)}.get(
                        self.fault, self.GOOD[self.last])
        return self.GOOD[self.last]

    def close(self):
        self.buffer = b""


STREAM = ["silent", "part", "garbage", "twice", "word", "sentinel", "empty", "echo", "endless", "block", "pulled", "write fails"]
MESSAGES = ["silent", "assertion", "pulled", "unicode", "runtime", "key", "part", "garbage", "word", "sentinel", "empty", "block",
            "cut block", "endless", "write fails"]


@pytest.mark.parametrize(("module", "address", "fault"),
                         [("serial", "serial:/dev/x", fault) for fault in STREAM]
                         + [("pyvisa", "visa:USB::1", fault) for fault in MESSAGES])
def test_serial_lines_and_visa(monkeypatch, module, address, fault):
    line, clock = Line(), MachineClock()
    monkeypatch.setitem(sys.modules, module, line)
    driver = ScpiDriver(item("scpi", address, "input_voltage", "READ:VOLT?"), Surroundings(clock))
    assert one(driver).value == 12.5
    line.fault = fault
    assert one(driver).value is None
    line.fault = ""
    driver._lost_at = None  # without the second's wait between attempts
    assert one(driver).value == 12.5


@pytest.mark.parametrize("answer", ["12,5", "1_2", "١٢", "0x10", "12 V", "--", "1e400", "NAN", "+9.9E37", "-9.9E37", "inf"])
def test_what_looks_like_a_number_and_is_none(monkeypatch, answer):
    line = Line()
    line.GOOD = {**Line.GOOD, b"READ:VOLT?\n": answer.encode() + b"\n"}
    monkeypatch.setitem(sys.modules, "serial", line)
    driver = ScpiDriver(item("scpi", "serial:x", "input_voltage", "READ:VOLT?"), Surroundings(MachineClock()))
    found = one(driver)
    # A comma parts numbers in SCPI, so "12,5" is two of them and never twelve and a half.
    assert found.value == (12.0 if answer == "12,5" else None)


BUS = [errno.ENXIO, errno.EREMOTEIO, errno.EAGAIN, errno.EBADMSG, errno.EBUSY, errno.EPROTO, errno.ETIMEDOUT, errno.EIO,
       errno.EACCES, errno.ENODEV, errno.EOPNOTSUPP]


@pytest.mark.parametrize("code", BUS)
def test_the_bus(code):
    device = PmbusDevice(0x40, {"READ_IOUT": to_linear11(90.0)}.get)
    driver = PmbusDriver(item("pmbus", "i2c:1:0x40", "rail_current", "READ_IOUT"),
                         Surroundings(MovedClock(), open_bus=lambda number, code: device))
    driver.open()
    assert one(driver).value == 90.0
    device.failing = [code] * 3
    assert one(driver).value is None
    assert one(driver).value == 90.0 and device.written == ()


@pytest.mark.parametrize("code", [errno.ENOENT, errno.EACCES])
def test_a_bus_that_cannot_be_opened_may_come_later(code):
    device, away = PmbusDevice(0x40, {"READ_IOUT": to_linear11(90.0)}.get), [True]

    def open_bus(number, error_code):
        if away[0]:
            raise OSError(code, os.strerror(code))
        return device

    driver = PmbusDriver(item("pmbus", "i2c:1:0x40", "rail_current", "READ_IOUT"), Surroundings(MovedClock(), open_bus=open_bus))
    driver.open()
    assert one(driver).value is None
    away[0] = False
    assert one(driver).value == 90.0


FILES = ["", "nan", "12 13", "0x10", "1_0", "-", "9" * 30, "٣", "12.5.1", "\x00"]


@pytest.mark.parametrize("rubbish", FILES)
@pytest.mark.parametrize("kind", ["hwmon", "iio", "powercap"])
def test_sensor_files_with_rubbish(tmp_path, kind, rubbish):
    tree, clock = SysfsTree(tmp_path), MovedClock()
    chip = tree.chip(kind, 0, "sim")
    file, channel, ask, driver_of = {
        "hwmon": ("temp1_input", "board_temperature", "temp1_input", HwmonDriver),
        "iio": ("in_temp_raw", "board_temperature", "in_temp", IioDriver),
        "powercap": ("energy_uj", "package_energy", "energy_uj", PowercapDriver)}[kind]
    tree.put(chip, "max_energy_range_uj", 10**9)
    tree.put(chip, file, 25000)
    driver = driver_of(item(kind, "sim", channel, ask), Surroundings(clock, root=tmp_path))
    driver.open()
    assert one(driver).value in (25.0, 0.0)
    clock.sleep(1.0)
    (chip / file).write_text(rubbish + "\n", encoding="utf-8")
    assert one(driver).value is None
    (chip / file).unlink()
    assert "gone" in one(driver).flag
    (chip / "name").unlink()
    assert "no chip called sim" in one(driver).flag
    clock.sleep(1.0)
    SysfsTree(tmp_path).chip(kind, 0, "sim")
    tree.put(chip, file, 25000)
    assert one(driver).value in (25.0, 0.0)


@pytest.mark.parametrize("row", ["x", "", ";;", "1;2;3;4;5;6", "nan;nan", "\x00\x00", "1", "#", "1;9.91E37", "1;OL"])
def test_rows_of_another_logger(tmp_path, row):
    log = tmp_path / "a.csv"
    log.write_text("t;P [W]\n")
    driver = TailDriver(item("tail", "a.csv", "input_power", "P"), Surroundings(MovedClock(), tmp_path))
    driver.open()
    with log.open("a") as file:
        file.write(f"{row}\n2;5,5\n")
    values = [reading.value for reading in driver.read().readings]
    assert values[-1] == 5.5 and set(values[:-1]) <= {None, 2.0} and (2.0 not in values or row.startswith("1;2"))


def test_the_frozen_journal_still_opens():
    """One frozen example of the released format, phasewright-journal-1."""
    from phasewright.live import read_journal

    found = read_journal(Path(__file__).parents[1] / "frozen" / "journal-1")
    assert found.survey.complete and found.survey.records == 7
    sheet = found.sheets["meter", 1]
    assert sheet.channels == {"input_power": "W", "coolant_temperature": "degC"}
    assert [row for row in sheet.rows.values()] == [{"input_power": 301.25, "coolant_temperature": 33.5}, {"input_power": 302.5}]
    assert [event.name for event in found.events] == ["step_on", "step_off"]
