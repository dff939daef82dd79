"""Regulators over PMBus: standard telemetry commands, read only. No scan, no store, no clearing of faults."""

from __future__ import annotations

import errno
import math
from collections import Counter

from phasewright.bench import Instrument, ReadingSource, base_channel, escape
from phasewright.live.encoding import pmbus_words as words
from phasewright.live.encoding.answers import Answered
from phasewright.live.instruments.driver import DriverFault, Polled, Reading, Surroundings, missing, to_channel
from phasewright.live.transport.i2c import PAGE, Bus, LinuxBus, bound_driver

UNITS = {
    "READ_VIN": "V", "READ_IIN": "A", "READ_VCAP": "V", "READ_VOUT": "V", "READ_IOUT": "A",
    "READ_TEMPERATURE_1": "degC", "READ_TEMPERATURE_2": "degC", "READ_TEMPERATURE_3": "degC",
    "READ_FAN_SPEED_1": "rpm", "READ_DUTY_CYCLE": "%", "READ_FREQUENCY": "kHz", "READ_POUT": "W", "READ_PIN": "W",
}  # fmt: skip
FAULTS = 0b1110_0000_0011_1100
"""Bits of STATUS_WORD that say that a protection acts: output, current, input, over-voltage, over-current, input
under-voltage, temperature."""
SAID = {
    errno.ENXIO: "no acknowledge", errno.EREMOTEIO: "no acknowledge", errno.EAGAIN: "lost the bus to another master",
    errno.EBADMSG: "packet error code does not agree", errno.EBUSY: "bus busy", errno.EPROTO: "block of a wrong length",
    errno.ETIMEDOUT: "timeout", errno.EIO: "bus error", errno.EACCES: "no permission for the bus",
}  # fmt: skip
TRIES = 3


class PmbusDriver:
    """One device on one bus."""

    def __init__(self, instrument: Instrument, surroundings: Surroundings):
        connection = instrument.connection
        parts = connection.address.split(":") if connection else []
        try:
            if len(parts) != 3 or parts[0] != "i2c":
                raise ValueError
            self._number, self._address = int(parts[1]), int(parts[2], 0)
            if not 0x08 <= self._address <= 0x77 or self._number < 0:
                raise ValueError
        except ValueError:
            raise DriverFault(f"{instrument.name}: address = {escape(connection.address if connection else '')!r} names no "
                              "device - write i2c:BUS:0xADDRESS, e.g. i2c:1:0x40") from None
        for source in instrument.reading.values():
            if source.ask not in words.TELEMETRY:
                raise DriverFault(f"{instrument.name}: ask = {escape(source.ask)!r} is no telemetry command of the "
                                  f"standard - one of {', '.join(words.TELEMETRY)}")
        if connection is None or (connection.page is not None and not connection.exclusive):
            raise DriverFault(f"{instrument.name}: page is given, and to choose it is a write - add exclusive = true when "
                              "nothing else talks to the device, or read it through hwmon")
        self.instrument, self.identity = instrument, f"PMBus device at bus {self._number}, address {self._address:#04x}"
        self.errors: Counter[str] = Counter()
        """How often the bus failed, by what it said."""
        self._page, self._error_code = connection.page, connection.error_code
        self._around, self._bus = surroundings, None
        self._mode: words.VoutMode | None = None

    _bus: Bus | None

    def open(self) -> None:
        """See `Driver`."""
        driver = bound_driver(self._around.root, self._number, self._address)
        if driver:
            raise DriverFault(f"{self.instrument.name}: the kernel's driver {escape(driver)} holds this device - read it "
                              'through it: kind = "hwmon"')
        self._connect()

    def _connect(self) -> str:
        try:
            make = self._around.open_bus or (lambda number, code: LinuxBus(number, error_code=code))
            self._bus = make(self._number, self._error_code)
        except ImportError:
            raise DriverFault(f"{self.instrument.name}: PMBus needs smbus2 - pip install phasewright[pmbus]") from None
        except OSError as error:
            return f"bus {self._number} cannot be opened ({error.strerror or error})"
        return ""

    def close(self) -> None:
        """See `Driver`."""
        bus, self._bus = self._bus, None
        if bus is not None:
            try:
                bus.close()
            except OSError:
                return  # nothing is left to close

    def read(self) -> Polled:
        """See `Driver`."""
        self._answered = False
        polled = self._look()
        if not self._answered:
            self.close()  # an adapter that was pulled is dead to its old handle, however often it is asked
        return polled

    _answered = False
    """Whether anything was read in this look."""

    def _look(self) -> Polled:
        polled, clock = Polled(), self._around.clock
        if self._bus is None:
            why = self._connect()
            if why:
                polled.readings = missing(self.instrument, clock.monotonic_ns(), why)
                return polled
        if self._page is not None:
            why = self._choose_page()
            if why:
                polled.readings = missing(self.instrument, clock.monotonic_ns(), why)
                return polled
        for source in self.instrument.reading.values():
            before = clock.monotonic_ns()
            found, raw = self._one(source)
            after = clock.monotonic_ns()
            polled.readings.append(Reading(source.channel, found.value, (before + after) // 2, raw, found.missing,
                                           (after - before) // 2))
        if self._page is not None:
            page = self._tried(PAGE, 8)
            if page[0] != self._page:
                # Whoever changed it may have done so before any of the reads.
                polled.readings = missing(self.instrument, clock.monotonic_ns(), "the page was changed meanwhile")
                polled.events.append(("page_changed", self.instrument.name))
        return polled

    def _choose_page(self) -> str:
        try:
            if self._bus is not None:
                self._bus.write_page(self._address, self._page or 0)
        except OSError as error:
            return self._count(error)
        page, why = self._tried(PAGE, 8)
        return why or ("" if page == self._page else "the page cannot be chosen")

    def _tried(self, command: int, width: int) -> tuple[int | None, str]:
        """Return (word, '') or (None, why); reads do no harm, so they are tried again."""
        why = "not connected"
        for attempt in range(TRIES):
            try:
                if self._bus is not None:
                    read = self._bus.read_byte if width == 8 else self._bus.read_word
                    found = read(self._address, command)
                    self._answered = True
                    return found, ""
            except OSError as error:
                why = self._count(error)
                self._around.clock.sleep(0.001 * 2**attempt)
        return None, why

    def _count(self, error: OSError) -> str:
        said = SAID.get(error.errno or 0, error.strerror or "bus error")
        self.errors[said] += 1
        return said

    def _one(self, source: ReadingSource) -> tuple[Answered, str]:
        command = words.TELEMETRY[source.ask]
        width = 8 if command in words.BYTE_WIDE else 16
        word, why = self._tried(command, width)
        if word is None:
            return Answered(None, why), ""
        raw = f"{word:0{width // 4}X}h"
        if words.is_absent(word, width):
            return Answered(None, "all ones: nobody drives the lines, or the command is unknown"), raw
        if source.ask.startswith("STATUS_"):
            set_bits = word & FAULTS if source.ask == "STATUS_WORD" else word
            names = words.status_names(source.ask, word) if source.ask in words.STATUS_BITS else ()
            return Answered(float(bool(set_bits))), f"{raw} {', '.join(names)}".strip()
        try:
            number = self._decoded(source, word)
        except ValueError as error:
            return Answered(None, str(error)), raw
        if not math.isfinite(number):
            return Answered(None, "not a number, or infinite"), raw
        unit = UNITS.get(source.ask, "")
        if unit == "rpm":
            number, unit = number / 60.0, "Hz"
        if base_channel(source.channel).unit == "1" and unit != "%":
            unit = "1"
        return to_channel(source, number, unit), raw

    def _decoded(self, source: ReadingSource, word: int) -> float:
        kind = source.number_format
        exponent = 0
        if source.ask == "READ_VOUT" and kind in ("", "ulinear16"):
            mode = self._vout_mode()
            exponent, kind = mode.exponent, kind or {"linear": "ulinear16"}.get(mode.kind, mode.kind)
        kind = kind or "linear11"
        if kind == "linear11":
            return words.linear11(word)
        if kind == "ulinear16":
            return words.ulinear16(word, exponent)
        if kind == "half":
            return words.half(word)
        if kind == "unsigned":
            return float(word)
        if kind == "direct":
            return words.direct(word, *self._coefficients(source))
        raise ValueError(f"output voltage is coded as {kind} - the code table is the processor maker's own - state "
                         "number_format, or read it elsewhere")

    def _coefficients(self, source: ReadingSource) -> tuple[float, float, int]:
        if not source.m:
            raise ValueError("the direct format has no coefficient m - add m, b and r from the device's data sheet")
        return source.m, source.b or 0.0, int(source.r or 0)

    def _vout_mode(self) -> words.VoutMode:
        if self._mode is None or self._page is not None:
            byte, why = self._tried(words.VOUT_MODE, 8)
            if byte is None or words.is_absent(byte, 8):
                raise ValueError(f"VOUT_MODE cannot be read ({why or 'all ones'}) - it says how the voltage is coded")
            self._mode = words.vout_mode(byte)
        return self._mode
