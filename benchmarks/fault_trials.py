"""L2: every fault of every transport, through driver, recorder and journal, in quick motion.

Each case is a recording of one channel whose right value is known: some seconds of good readings, some of the fault, then the
fault is taken away. It holds when nothing was raised, no value but the right one was ever recorded, the gap stands in the
journal with its reason, and the right value is back within 5 s. tests/live/test_fault_matrix.py runs a share of the cases;
this runs all, and prints one line for each transport. Exit 1 when a case fails or a transport has fewer than 40 faults.
"""

from __future__ import annotations

import errno
import os
import pty
import select
import socket
import sys
import tempfile
import threading
import time
import tty
from dataclasses import dataclass, replace
from pathlib import Path

from phasewright.bench import Connection, Instrument, ReadingSource
from phasewright.live import demo_scenario
from phasewright.live.clock import MovedClock
from phasewright.live.encoding.pmbus_words import to_linear11
from phasewright.live.instruments import sysfs
from phasewright.live.instruments.driver import Surroundings
from phasewright.live.instruments_of import OWN
from phasewright.live.journal.reading import survey
from phasewright.live.journal.writing import JournalWriter
from phasewright.live.recorder import Recorder
from phasewright.live.scribe import DirectScribe
from phasewright.live.standin.pmbus_device import PmbusDevice
from phasewright.live.standin.sysfs_tree import SysfsTree
from phasewright.live.transport import serial_line

LEAST, BACK_S, PERIOD = 40, 5.0, 0.5
TIMEOUT = 0.03
"""[s] Of an answer; real time, while the recorder's clock is moved by hand."""


class Wire:
    """One instrument behind one transport, that can be told to fail. `truth` is the only value it may ever give."""

    kind, address, channel, ask, truth = "", "", "input_voltage", "READ:VOLT?", 12.5
    more: dict = {}

    def __init__(self, place: Path, clock: MovedClock):
        self.place, self.clock, self.fault = place, clock, ""
        self.begin()
        source = ReadingSource(self.channel, self.ask)
        connection = Connection(self.kind, self.address, timeout=TIMEOUT, **self.more)
        self.item = Instrument("x", period=PERIOD, connection=connection, reading={self.channel: source})
        self.driver = OWN[self.kind](self.item, self.surroundings())

    def surroundings(self) -> Surroundings:
        """What the driver sees of the machine."""
        return Surroundings(self.clock, self.place, self.place)

    def begin(self) -> None:
        """Set up."""

    def tick(self) -> None:
        """Called before each look."""

    def hit(self, fault: str) -> None:
        """Put a fault on."""
        self.fault = fault

    def cure(self) -> None:
        """Take it away."""
        self.fault = ""

    def end(self) -> None:
        """Tear down."""


class Looked:
    """A driver whose wire is told of each look."""

    def __init__(self, wire: Wire):
        self._wire, self._driver = wire, wire.driver

    def __getattr__(self, name: str) -> object:
        return getattr(self._driver, name)

    def read(self):
        """See `Driver`."""
        self._wire.tick()
        return self._driver.read()


@dataclass(frozen=True)
class Outcome:
    """What one case showed; `wrong` is '' where it holds."""

    transport: str
    fault: str
    wrong: str


def run(transport: str, fault: str, place: Path) -> Outcome:
    """Run one case in an empty folder."""
    clock = MovedClock(1_741_079_520_000_000_000)
    wire = TRANSPORTS[transport][0](place, clock)
    bench = replace(demo_scenario().bench, instruments=(wire.item,))
    recorder = Recorder(bench, {"x": Looked(wire)}, DirectScribe(JournalWriter(place / "journal", clock), clock, 60.0), clock,
                        threads=False)
    name, marks = f"x/{wire.channel}", []
    try:
        recorder.open()
        good = _values(recorder.advance(4 * PERIOD))
        wire.hit(fault)
        marks.append(clock.monotonic_ns())
        recorder.advance(4.0)
        wire.cure()
        marks.append(clock.monotonic_ns())
        back: list[float] = []
        while not back and (clock.monotonic_ns() - marks[1]) * 1e-9 < BACK_S:
            back = [value for value in _values(recorder.advance(PERIOD)) if value is not None]
    except Exception as error:
        return Outcome(transport, fault, f"raised {type(error).__name__}: {error}")
    finally:
        recorder.close()
        wire.end()
    entries = []
    found = survey(place / "journal", lambda entry, session: entries.append(entry))
    values = {entry.value for entry in entries if entry.kind == "reading" and entry.name == name}
    invented = [value for value in values if abs(value - wire.truth) > 1e-6 * abs(wire.truth)]
    missing = [entry for entry in entries if entry.kind == "missing" and entry.mono_ns >= marks[0]]
    in_fault = [entry for entry in entries if entry.kind == "reading" and marks[0] < entry.mono_ns < marks[1]]
    # A fault that a second try overcomes leaves no gap: then every look gave its reading.
    whole = len(in_fault) >= round(4.0 / PERIOD) - 1
    wrong = "" if wire.truth in [round(value, 6) for value in good if value is not None] else "nothing was read before the fault"
    wrong = wrong or ("" if found.complete else "the journal is not whole")
    wrong = wrong or (f"invented {invented}" if invented else "")
    wrong = wrong or ("" if whole or (missing and all(entry.flag for entry in missing)) else "the gap is not on record")
    return Outcome(transport, fault, wrong or ("" if back else f"not back within {BACK_S:g} s"))


def _values(happened) -> list[float | None]:
    return [reading.value for _, reading in happened.readings]


# ---- three streams with one far side: a TCP socket, a serial line, VISA over a socket -----------------------------------

GOOD = b"12.5\n"
SAYS = {
    "mute": b"", "part": b"12.", "twice": GOOD + GOOD, "echo": b"READ:VOLT?\n" + GOOD, "empty": b"\n", "spaces": b"   \n",
    "prompt": b"SCPI> 12.5\n", "garbage": b"\xff\xfe\x00rub\n", "nul behind": b"12.5\x00\n", "nul before": b"\x0012.5\n",
    "not a number": b"9.91E37\n", "infinite": b"+9.9E+37\n", "minus infinite": b"-9.9E37\n", "overload": b"OVLD\n",
    "OL": b"OL\n",
    "dashes": b"----\n", "nan": b"nan\n", "inf": b"inf\n", "decimal comma": b"12,5\n", "thousands": b"12 500\n",
    "unit": b"12.5 V\n",
    "hex": b"0x0C\n", "underscore": b"1_2\n", "other digits": "١٢\n".encode(), "beyond floats": b"1e400\n",
    "huge block": b"#9999999999\n", "cut block": b"#210abc\n", "block of no length": b"#z12\n",
    "block without end": b"#012.5\n",
    "two megabytes": b"1" * (2 << 20) + b"\n", "carriage return alone": b"12.5\r", "end swapped": b"12.5\n\r",
    "error for an answer": b'-113,"Undefined header"\n', "locked": b"LOCKED\n", "quoted": b'"12.5"\n',
    "two signs": b"--12.5\n",
    "list": b"12.5,13.5,14.5\n", "flow control": b"12\x13.5\n", "question back": b"READ:VOLT?\n",
    "colour": b"\x1b[1m12.5\x1b[0m\n",
}  # fmt: skip
"""What is answered instead, by fault."""
MANNERS = ("late", "split", "hang up", "no connection", "silent from the first", "another instrument", "identity of a megabyte",
           "queue that never empties", "queue of rubbish", "talks unasked", "shifted by one", "greets", "errors in the queue")
"""Faults of behaviour rather than of one answer."""


class Far(Wire):
    """The far side of a stream: `feed` is called with what came in and sends by `send`."""

    kind = "scpi"

    def feed(self, question: bytes, send) -> bool:
        """Answer one question; return whether the connection stays."""
        fault, slow = self.fault, 2.5 * TIMEOUT
        if fault == "silent from the first":
            return True
        if fault == "hang up" and question.startswith(b"READ"):
            return False
        if question == b"*IDN?":
            send({"another instrument": b"OTHER,1\n", "identity of a megabyte": b"I" * (1 << 20) + b"\n"}.get(fault, b"SIM,1\n"))
        elif question == b"SYST:ERR?":
            left = self._errors.pop() if fault == "errors in the queue" and self._errors else b'0,"No error"\n'
            send({"queue that never empties": b'-350,"Queue overflow"\n', "queue of rubbish": b"\x01\x02\n"}.get(fault, left))
        elif fault in SAYS:
            send(SAYS[fault])
        elif fault == "late":
            time.sleep(slow)
            send(GOOD)
        elif fault == "split":
            send(GOOD[:2])
            time.sleep(slow)
            send(GOOD[2:])
        elif fault == "shifted by one":
            self._kept, said = GOOD, self._kept
            send(said)
        elif fault == "errors in the queue":
            self._errors = [b'-113,"Undefined header"\n'] * 3
        elif fault in ("queue that never empties", "queue of rubbish", "another instrument", "identity of a megabyte"):
            return False
        else:
            send(GOOD)
        return True

    _kept, _errors = b"", ()


class TcpWire(Far):
    """A server on a loopback port that stays the same when it goes and comes back."""

    def begin(self) -> None:
        """See `Wire`."""
        self._peers: set[socket.socket] = set()
        self._listen(0)
        self.port = self._listener.getsockname()[1]
        self.address = self.named()

    def named(self) -> str:
        """Return the address as a bench file states it."""
        return f"tcp:127.0.0.1:{self.port}"

    def _listen(self, port: int) -> None:
        self._listener = socket.create_server(("127.0.0.1", port))
        threading.Thread(target=self._accept, args=(self._listener,), daemon=True).start()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                peer, _ = listener.accept()
            except OSError:
                return
            self._peers.add(peer)
            threading.Thread(target=self._serve, args=(peer,), daemon=True).start()

    def _serve(self, peer: socket.socket) -> None:
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            if self.fault == "greets":
                peer.sendall(b"welcome\n")
            with peer, peer.makefile("rb") as lines:
                for line in lines:
                    if not self.feed(line.strip(), peer.sendall):
                        return
                    if self.fault == "talks unasked":
                        peer.sendall(b"13.5\n")
        except OSError:
            return
        finally:
            self._peers.discard(peer)

    def _drop(self) -> None:
        for peer in list(self._peers):
            try:
                peer.shutdown(socket.SHUT_RDWR)
            except OSError:
                self._peers.discard(peer)

    def _close(self) -> None:
        try:
            self._listener.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass
        self._listener.close()

    def hit(self, fault: str) -> None:
        """See `Wire`."""
        super().hit(fault)
        if fault == "no connection":
            self._close()
        if fault in ("no connection", "greets", "silent from the first", "another instrument", "identity of a megabyte",
                     "queue that never empties", "queue of rubbish"):
            self._drop()

    def cure(self) -> None:
        """See `Wire`."""
        if self.fault == "no connection":
            self._listen(self.port)
        super().cure()

    def end(self) -> None:
        """See `Wire`."""
        self._close()
        self._drop()


class VisaWire(TcpWire):
    """The real VISA library over a socket."""

    def named(self) -> str:
        """See `TcpWire`."""
        return f"visa:TCPIP::127.0.0.1::{self.port}::SOCKET"


class SerialWire(Far):
    """A pair of pseudo-terminals under a name that stays when the device behind it goes and comes back."""

    def begin(self) -> None:
        """See `Wire`."""
        serial_line.QUIET = 0.01
        self._name, self._ours = self.place / "port", None
        self._plug()
        self.address = f"serial:{self._name}"

    def _plug(self) -> None:
        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self._name.symlink_to(os.ttyname(theirs))
        self._ours = ours
        self._thread = threading.Thread(target=self._serve, args=(ours, theirs), daemon=True)
        self._thread.start()

    def _serve(self, ours: int, theirs: int) -> None:
        data = b""
        while self._ours == ours:
            if not select.select([ours], [], [], 0.01)[0]:
                if self.fault == "talks unasked":
                    os.write(ours, b"13.5\n")
                continue
            *lines, data = (data + os.read(ours, 4096)).split(b"\n")
            for line in lines:
                self.feed(line.strip(), lambda said: self._send(ours, said))
        os.close(theirs)
        os.close(ours)

    def _send(self, ours: int, said: bytes) -> None:
        os.set_blocking(ours, False)
        until, fault = time.monotonic() + 0.2, self.fault
        while said and time.monotonic() < until and self.fault == fault:
            try:
                said = said[os.write(ours, said) :]
            except BlockingIOError:
                time.sleep(0.001)

    def _pull(self) -> None:
        self._ours = None
        self._thread.join()
        self._name.unlink()

    def hit(self, fault: str) -> None:
        """See `Wire`."""
        super().hit(fault)
        if fault in ("no connection", "another instrument", "identity of a megabyte", "queue that never empties",
                     "queue of rubbish", "silent from the first", "hang up", "greets"):
            self._pull()
            if fault not in ("no connection", "hang up"):
                self._plug()

    def cure(self) -> None:
        """See `Wire`."""
        super().cure()
        if self._ours is None:
            self._plug()

    def end(self) -> None:
        """See `Wire`."""
        if self._ours is not None:
            self._pull()


# ---- a bus ---------------------------------------------------------------------------------------------------------------

CODES = ("ENXIO", "EREMOTEIO", "EAGAIN", "EBADMSG", "EBUSY", "EPROTO", "ETIMEDOUT", "EIO", "EACCES", "ENODEV", "EOPNOTSUPP",
         "EINVAL", "ENOMEM", "EBADF", "EINTR", "EPERM", "EOVERFLOW", "ESHUTDOWN", "EPIPE", "ENODATA")
OPENING = ("ENOENT", "EACCES", "EBUSY", "ENODEV", "ENXIO", "EMFILE")


class BusWire(Wire):
    """A regulator on a bus whose handle may die, as an adapter's does that is pulled."""

    kind, address, channel, ask, truth = "pmbus", "i2c:1:0x40", "rail_current", "READ_IOUT", 90.0

    def begin(self) -> None:
        """See `Wire`."""
        self._words = {"READ_IOUT": to_linear11(90.0)}
        self._device, self._handle = PmbusDevice(0x40, lambda name: self._words.get(name)), 0
        if self.more:
            self._device.page = 1

    def surroundings(self) -> Surroundings:
        """See `Wire`."""

        def open_bus(number: int, error_code: bool) -> _Handle:
            if self.fault.startswith("open "):
                self._fail(self.fault.removeprefix("open "))
            self._handle += 1
            return _Handle(self, self._handle)

        return Surroundings(self.clock, self.place, self.place, open_bus)

    @staticmethod
    def _fail(name: str) -> None:
        code = getattr(errno, name)
        raise OSError(code, os.strerror(code))

    def turn(self, handle: int) -> None:
        """Fail the transfer of a handle as the fault says."""
        kind, _, name = self.fault.partition(" ")
        if kind == "dead" or (kind == "open" and handle == self._handle):
            self._fail(name if kind == "dead" and handle <= self._died else "ENODEV" if kind == "open" else "ENXIO")
        if handle <= self._died:
            self._fail("ENODEV")  # what was pulled stays dead for its old handle
        if kind == "always":
            self._fail(name)
        self._turns += 1
        if kind == "often" and self._turns % 2:
            self._fail(name)

    _died = _turns = 0

    def hit(self, fault: str) -> None:
        """See `Wire`."""
        super().hit(fault)
        if fault.startswith(("dead", "open")):
            self._died = self._handle
        if fault.startswith("word "):
            self._words["READ_IOUT"] = int(fault.removeprefix("word "), 0)
        elif fault == "unknown command":
            self._words.clear()
        self._device.disturb = fault == "page taken"

    def cure(self) -> None:
        """See `Wire`."""
        super().cure()
        self._words["READ_IOUT"], self._device.disturb = to_linear11(90.0), False


class _Handle:
    def __init__(self, wire: BusWire, number: int):
        self._wire, self._number = wire, number

    def read_byte(self, address: int, command: int) -> int:
        """See `Bus`."""
        self._wire.turn(self._number)
        return self._wire._device.read_byte(address, command)

    def read_word(self, address: int, command: int) -> int:
        """See `Bus`."""
        self._wire.turn(self._number)
        return self._wire._device.read_word(address, command)

    def write_page(self, address: int, page: int) -> None:
        """See `Bus`."""
        self._wire.turn(self._number)
        self._wire._device.write_page(address, page)

    def close(self) -> None:
        """See `Bus`."""


class PagedWire(BusWire):
    """The same behind a page that somebody else may change."""

    more = {"page": 0, "exclusive": True}


BUS = [*(f"always {name}" for name in CODES), *(f"often {name}" for name in CODES[:8]), *(f"open {name}" for name in OPENING),
       *(f"dead {name}" for name in ("ENODEV", "EIO", "EBADF", "ENXIO", "EREMOTEIO")), "word 0xFFFF", "unknown command"]

# ---- files of the system ---------------------------------------------------------------------------------------------------

RUBBISH = {
    "empty": b"", "line end alone": b"\n", "nan": b"nan", "inf": b"inf", "two numbers": b"25000 25000",
    "two lines": b"25000\n25000",
    "hex": b"0x61A8", "underscore": b"25_000", "minus": b"-", "plus minus": b"+-5", "thirty digits": b"9" * 30,
    "other digits": "٢٥".encode(), "points": b"2.5.0", "nul": b"\x00", "nul behind": b"25000\x00",
    "exponent": b"2.5e4", "word": b"error",
    "n/a": b"N/A", "comma": b"25,0", "unit": b"25000 mC", "long": b"1" * 6000,
    "byte order mark": b"\xef\xbb\xbf25000", "blank": b"   ",
    "high bytes": b"\xff\xfe", "quotes": b'"25000"', "brackets": b"[25000]", "dash": b"--",
}  # fmt: skip
ERRORS = ("ENODATA", "EIO", "EAGAIN", "EBUSY", "ENODEV", "ENXIO", "EACCES", "EPERM", "ETIMEDOUT", "EINVAL", "EREMOTEIO",
          "ENOMEM")
TREE = [*RUBBISH, *(f"open {name}" for name in ERRORS), "file gone", "chip gone", "another chip", "folder for a file",
        "link to nowhere", "link to itself", "all gone", "number changed", "its company gone"]


class TreeWire(Wire):
    """A chip in a tree of files like the system's."""

    kind, address, channel, ask, truth = "hwmon", "sim", "board_temperature", "temp1_input", 25.0
    file, company = "temp1_input", {"temp1_fault": "0"}

    def begin(self) -> None:
        """See `Wire`."""
        self._number = 0
        self._put()

    def _put(self) -> None:
        self.chip = SysfsTree(self.place).chip(self.kind, self._number, "sim", "home")
        for name, text in {**self.company, self.file: self.count()}.items():
            SysfsTree.put(self.chip, name, text)

    def count(self) -> int:
        """What stands in the file now."""
        return 25000

    def tick(self) -> None:
        """See `Wire`."""
        if not self.fault or self.fault in ("number changed", "its company gone"):
            SysfsTree.put(self.chip, self.file, self.count())

    def _empty(self) -> None:
        for path in sorted(self.chip.iterdir()):
            path.unlink() if path.is_symlink() or path.is_file() else path.rmdir()
        self.chip.rmdir()

    def hit(self, fault: str) -> None:
        """See `Wire`."""
        super().hit(fault)
        path = self.chip / self.file
        if fault in RUBBISH:
            path.write_bytes(RUBBISH[fault])
        elif fault in ("file gone", "folder for a file", "link to nowhere", "link to itself"):
            path.unlink()
            if fault == "folder for a file":
                path.mkdir()
            elif fault != "file gone":
                path.symlink_to(self.place / "nowhere" if fault == "link to nowhere" else path)
        elif fault == "another chip":
            SysfsTree.put(self.chip, "name", "other")
            SysfsTree.put(self.chip, self.file, 99_000)
        elif fault in ("chip gone", "number changed", "all gone"):
            self._empty()
            if fault == "number changed":
                self._number = 7
                self._put()
        elif fault == "its company gone":
            for name in self.company:
                (self.chip / name).unlink()
        elif fault.startswith("open "):
            code = getattr(errno, fault.removeprefix("open "))

            def refused(path: Path, read=sysfs.read_text):
                if path.name != self.file:
                    return read(path)
                return "", sysfs.SAID.get(code, os.strerror(code))

            self._read, sysfs.read_text = sysfs.read_text, refused

    _read = None

    def cure(self) -> None:
        """See `Wire`."""
        super().cure()
        self.end()
        path = self.chip / self.file
        if path.is_dir() and not path.is_symlink():
            path.rmdir()
        elif path.is_symlink():
            path.unlink()
        self._put()

    def end(self) -> None:
        """See `Wire`."""
        if self._read is not None:
            sysfs.read_text, self._read = self._read, None


class IioWire(TreeWire):
    """The same of the other sensor tree: the reading is made of three files."""

    kind, ask, file, company = "iio", "in_temp", "in_temp_raw", {"in_temp_scale": "0.5", "in_temp_offset": "0"}

    def count(self) -> int:
        """See `TreeWire`."""
        return 50_000


class CounterWire(TreeWire):
    """An energy counter; power is the right value over every gap too."""

    kind, channel, ask, truth = "powercap", "package_power", "energy_uj", 100.0
    file, company = "energy_uj", {"max_energy_range_uj": str(10**12)}

    def count(self) -> int:
        """See `TreeWire`."""
        return 10**9 + round((self.clock.monotonic_ns()) * 100.0 / 1000.0)

    def hit(self, fault: str) -> None:
        """See `Wire`."""
        super().hit(fault)
        if fault == "another chip":
            SysfsTree.put(self.chip, self.file, 5)


# ---- rows: a program that prints, a log that grows ----------------------------------------------------------------------

ROWS = {
    "empty": b"", "comment": b"# pause\n", "word": b"1;error\n", "overload": b"1;OL\n", "sentinel": b"1;9.91E37\n",
    "nan": b"1;nan\n",
    "too short": b"1\n", "empty cell": b"1;\n", "other delimiter": b"1,12.5\n", "unit": b"1;12.5 W\n", "hex": b"1;0x0C\n",
    "underscore": b"1;1_2\n", "other digits": "1;١٢\n".encode(), "beyond floats": b"1;1e400\n", "nul": b"1;\x00\n",
    "nul behind": b"1;12.5\x00\n",
    "high bytes": b"1;\xff\xfe\n", "no end": b"1;12", "very long": b"1;" + b"9" * 150_000 + b"\n", "blank": b"   \n",
    "delimiters alone": b";;;\n", "dashes": b"1;----\n", "minus": b"1;-\n", "two signs": b"1;--12.5\n",
    "colour": b"1;\x1b[1m12.5\n",
    "inf": b"1;inf\n", "minus infinite": b"1;-9.9E37\n", "error text": b"Traceback (most recent call last):\n",
    "prompt": b"> \n",
    "thousands": b"1;12 500\n", "points": b"1;1.2.5\n", "quotes within": b'1;1"2.5\n', "n/a": b"1;N/A\n",
    "null": b"1;null\n",
    "brackets": b"1;(12.5)\n", "percent": b"1;12.5%\n", "exponent alone": b"1;e5\n", "time for a number": b"1;12:50\n",
}  # fmt: skip
HEADER = b"t;P [W]\n"


class RowsWire(Wire):
    """What a printing program and a growing log have in common."""

    channel, ask, truth = "input_power", "P", 12.5
    more = {"delimiter": ";"}

    def row(self) -> bytes:
        """What comes at this look."""
        return ROWS.get(self.fault, b"1;12.5\n")


class LinesWire(RowsWire):
    """A real program: it passes on what is written into a named pipe, and can be ended."""

    kind = "lines"

    def begin(self) -> None:
        """See `Wire`."""
        self._pipe = self.place / "pipe"
        os.mkfifo(self._pipe)
        self._program = self.place / "program"
        self._program.symlink_to("/bin/cat")
        self._end, self._process = None, None
        self.more = {**RowsWire.more, "command": (str(self._program), str(self._pipe))}

    def tick(self) -> None:
        """See `Wire`."""
        process = self.driver._process
        if process is None or (self.fault == "exits" and process.poll() is None and self._process is not process):
            return
        if process is not self._process and process.poll() is None:
            self._process = process
            if self._end is not None:
                os.close(self._end)
            self._end = os.open(self._pipe, os.O_WRONLY)
            self._write(HEADER)
            if self.fault in ("ends", "killed", "cannot be started"):
                self._stop()
                return
        if process.poll() is None and self.fault not in ("ends", "killed", "cannot be started"):
            self._write(b"P;t\n12.5;1\n" if self.fault == "columns swapped" else self.row())
            if self.fault == "flood":
                self._write(b"1;12.5\n" * 3000)
            until = time.monotonic() + (0.004 if not self.row().endswith(b"\n") or self.fault in ROWS else 1.0)
            while self.driver._waiting.empty() and time.monotonic() < until:
                time.sleep(0.0005)

    def _write(self, data: bytes) -> None:
        try:
            while data:
                data = data[os.write(self._end, data) :]
        except BrokenPipeError:
            return

    def _stop(self) -> None:
        process = self.driver._process
        if self.fault == "ends":
            os.close(self._end)
            self._end = None
        else:
            process.kill()
        process.wait(5.0)

    def hit(self, fault: str) -> None:
        """See `Wire`."""
        super().hit(fault)
        if fault in ("ends", "killed", "cannot be started"):
            if fault == "cannot be started":
                self._program.unlink()
            self._stop()

    def cure(self) -> None:
        """See `Wire`."""
        if self.fault == "cannot be started":
            self._program.symlink_to("/bin/cat")
        if self.fault == "no end" and self._end is not None:
            self._write(b"\n")
        if self.fault == "columns swapped":
            self._write(HEADER)
        super().cure()

    def end(self) -> None:
        """See `Wire`."""
        if self._end is not None:
            os.close(self._end)


class TailWire(RowsWire):
    """A log that grows, and what happens to logs."""

    kind, address = "tail", "a.csv"

    def begin(self) -> None:
        """See `Wire`."""
        self.log = self.place / "a.csv"
        self.log.write_bytes(HEADER)

    def tick(self) -> None:
        """See `Wire`."""
        if self.fault in ("gone", "folder for a file", "link to nowhere", "link to itself"):
            return
        if self.fault == "cut off":
            self.log.write_bytes(HEADER)
            return
        with self.log.open("ab") as file:
            file.write(self.row())

    def hit(self, fault: str) -> None:
        """See `Wire`."""
        super().hit(fault)
        if fault in ("gone", "folder for a file", "link to nowhere", "link to itself", "begun anew", "moved away"):
            self.log.rename(self.place / "old.csv")
        if fault == "folder for a file":
            self.log.mkdir()
        elif fault.startswith("link"):
            self.log.symlink_to(self.place / "nowhere" if fault == "link to nowhere" else self.log)
        elif fault in ("begun anew", "moved away"):
            self.log.write_bytes(HEADER if fault == "begun anew" else b"P [W];t\n12.5;1\n" + HEADER)

    def cure(self) -> None:
        """See `Wire`."""
        if self.fault == "folder for a file":
            self.log.rmdir()
        elif self.fault.startswith("link"):
            self.log.unlink()
        if self.fault == "no end":
            with self.log.open("ab") as file:
                file.write(b"\n")
        if not self.log.exists():
            self.log.write_bytes(HEADER)
        super().cure()


STREAM = [*SAYS, *MANNERS]
TRANSPORTS: dict[str, tuple[type[Wire], list[str]]] = {
    "TCP socket": (TcpWire, STREAM), "serial line": (SerialWire, STREAM), "VISA": (VisaWire, STREAM),
    "PMBus": (BusWire, BUS),
    "PMBus behind a page": (PagedWire, [*BUS, "page taken"]), "hwmon": (TreeWire, TREE), "iio": (IioWire, TREE),
    "powercap": (CounterWire, TREE), "program that prints": (LinesWire, [*ROWS, "ends", "killed", "cannot be started",
                                                                         "columns swapped", "flood"]),
    "log that grows": (TailWire, [*ROWS, "gone", "folder for a file", "link to nowhere", "link to itself", "begun anew",
                                  "moved away", "cut off"]),
}  # fmt: skip
"""Transport -> (its wire, its faults)."""


def main() -> int:
    """Run every case, or those of the transports that are named."""
    bad = 0
    for transport in sys.argv[1:] or TRANSPORTS:
        began, found = time.perf_counter(), []
        with tempfile.TemporaryDirectory() as place:
            for index, fault in enumerate(TRANSPORTS[transport][1]):
                (Path(place) / str(index)).mkdir()
                found.append(run(transport, fault, Path(place) / str(index)))
        wrong = [item for item in found if item.wrong]
        good = not wrong and len(found) >= LEAST
        bad += not good
        print(f"L2 {transport:<22} {'met   ' if good else 'MISSED'}  {len(found)} faults, {len(wrong)} wrong, "
              f"{time.perf_counter() - began:.0f} s", flush=True)
        for item in wrong:
            print(f"   {item.fault}: {item.wrong}", flush=True)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
