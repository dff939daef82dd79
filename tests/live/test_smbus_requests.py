"""PMBus through the real smbus2: what it asks of the kernel, byte by byte, read as the kernel reads it.

The layout and the numbers are those of Linux, include/uapi/linux/i2c-dev.h and include/uapi/linux/i2c.h:
``struct i2c_smbus_ioctl_data {__u8 read_write; __u8 command; __u32 size; union i2c_smbus_data *data;}``. They are written down
here anew, not taken from the library. The system call alone is replaced; benchmarks/bus_trials.py replaces it behind the C
library too, in a process that knows nothing of it.
"""

import ctypes
import errno
import os
import struct

import pytest
import smbus2.smbus2

from phasewright.bench import Connection, Instrument, ReadingSource
from phasewright.live import MovedClock, Surroundings
from phasewright.live.encoding.pmbus_words import TELEMETRY, to_linear11, to_ulinear16
from phasewright.live.instruments.pmbus import PmbusDriver

SLAVE, SLAVE_FORCE, FUNCS, RDWR, PEC, SMBUS = 0x0703, 0x0706, 0x0705, 0x0707, 0x0708, 0x0720
READ, WRITE = 1, 0
BYTE_DATA, WORD_DATA = 2, 3
FUNC_PEC, FUNC_BYTE_DATA, FUNC_WORD_DATA = 0x8, 0x00180000, 0x00600000
HANDLE = 7_777


class Kernel:
    """One adapter with one device; `registers` holds its words and bytes."""

    def __init__(self, registers, address=0x40):
        self.registers, self.address = registers, address
        self.log, self.opened, self.closed, self.failing = [], [], 0, []
        self.chosen, self.pec, self.page = None, 0, 0

    def open(self, path, flags, *more, **words):
        if not str(path).startswith("/dev/i2c-"):
            return self.plain_open(path, flags, *more, **words)
        self.opened.append((path, flags))
        return HANDLE

    def close(self, handle):
        if handle != HANDLE:
            self.plain_close(handle)
            return
        self.closed += 1

    def ioctl(self, handle, request, argument=0, *more):
        assert handle == HANDLE
        if request == FUNCS:
            ctypes.memmove(ctypes.addressof(argument), struct.pack("@L", FUNC_PEC | FUNC_BYTE_DATA | FUNC_WORD_DATA), 8)
        elif request == SLAVE:
            assert 0x08 <= argument <= 0x77
            self.chosen = argument
        elif request == PEC:
            self.pec = argument
        elif request == SMBUS:
            self._transfer(ctypes.string_at(ctypes.addressof(argument), 16))
        else:
            raise AssertionError(f"no request that a reader makes: {request:#06x}")
        return 0

    def _transfer(self, raw):
        # Two bytes, two of padding, a 32-bit size, a 64-bit pointer: as a 64-bit kernel lays it out.
        way, command, size, pointer = struct.unpack("@BBxxIQ", raw)
        self.log.append((way, command, size, self.chosen, self.pec))
        code = self.failing.pop(0) if self.failing else 0
        if self.chosen != self.address:
            code = errno.ENXIO
        if code:
            raise OSError(code, os.strerror(code))
        if way == WRITE:
            assert (command, size) == (0x00, BYTE_DATA), "only a page may be written"
            self.page = ctypes.string_at(pointer, 1)[0]
            return
        found = self.page if command == 0x00 else self.registers.get(command)
        data = {BYTE_DATA: struct.pack("@B", 0xFF if found is None else found & 0xFF),
                WORD_DATA: struct.pack("@H", 0xFFFF if found is None else found)}[size]
        ctypes.memmove(pointer, data, len(data))


@pytest.fixture
def kernel(monkeypatch):
    made = Kernel({TELEMETRY["READ_IOUT"]: to_linear11(90.0), TELEMETRY["READ_VOUT"]: to_ulinear16(1.2, -9), 0x20: 0x17})
    made.plain_open, made.plain_close = os.open, os.close
    monkeypatch.setattr(smbus2.smbus2, "ioctl", made.ioctl)
    monkeypatch.setattr(os, "open", made.open)
    monkeypatch.setattr(os, "close", made.close)
    return made


def driver_of(**more):
    asked = {"rail_current": "READ_IOUT", "rail_voltage": "READ_VOUT"}
    reading = {channel: ReadingSource(channel, ask) for channel, ask in asked.items()}
    item = Instrument("regulator", connection=Connection("pmbus", "i2c:4:0x40", **more), reading=reading)
    return PmbusDriver(item, Surroundings(MovedClock()))


def values(polled):
    return [None if item.value is None else round(item.value, 3) for item in polled.readings]


@pytest.mark.parametrize("checked", [True, False])
def test_a_look_is_these_requests_and_no_others(kernel, checked):
    driver = driver_of(error_code=checked)
    driver.open()
    assert values(driver.read()) == [90.0, 1.199]
    assert kernel.opened == [("/dev/i2c-4", os.O_RDWR)]
    # Read current as a word; read how the voltage is coded as a byte, then the voltage as a word: all by reading alone.
    asked = [(way, command, size) for way, command, size, _, _ in kernel.log]
    assert sorted(asked) == sorted([(READ, 0x8C, WORD_DATA), (READ, 0x20, BYTE_DATA), (READ, 0x8B, WORD_DATA)])
    assert {address for *_, address, _ in kernel.log} == {0x40} and {pec for *_, pec in kernel.log} == {int(checked)}
    driver.close()
    assert kernel.closed == 1


def test_a_page_is_the_only_byte_that_is_ever_written(kernel):
    driver = driver_of(page=3, exclusive=True)
    driver.open()
    assert values(driver.read()) == [90.0, 1.199]
    assert [(command, size) for way, command, size, *_ in kernel.log if way == WRITE] == [(0x00, BYTE_DATA)] and kernel.page == 3
    assert {command for way, command, *_ in kernel.log if way == READ} == {0x00, 0x20, 0x8B, 0x8C}


@pytest.mark.parametrize("code", ["ENXIO", "EREMOTEIO", "EAGAIN", "EBADMSG", "EBUSY", "EPROTO", "ETIMEDOUT", "EIO", "ENODEV"])
def test_errors_of_the_kernel_come_through_the_library_as_missing_readings(kernel, code):
    driver = driver_of()
    driver.open()
    assert values(driver.read()) == [90.0, 1.199]
    kernel.failing = [getattr(errno, code)] * 3
    hit = driver.read().readings
    assert hit[0].value is None and hit[0].flag and hit[1].value is not None
    kernel.failing = [getattr(errno, code)] * 99
    assert values(driver.read()) == [None, None] and kernel.closed == 1
    kernel.failing = []
    assert values(driver.read()) == [90.0, 1.199] and len(kernel.opened) == 2  # opened anew


def test_a_device_that_is_away_and_a_command_that_it_does_not_know(kernel):
    kernel.address = 0x41
    driver = driver_of()
    driver.open()
    assert {item.flag.partition(" (")[0] for item in driver.read().readings} >= {"no acknowledge"}
    kernel.address = 0x40
    del kernel.registers[TELEMETRY["READ_IOUT"]]
    assert "all ones" in driver.read().readings[0].flag
