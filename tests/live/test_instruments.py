"""Drivers against stand-ins: every fault is a missing reading with its reason, and nothing but questions is sent."""

import os
import sys
import time
import types

import pytest

from phasewright.bench import Connection, Instrument, NotReady, ReadingSource
from phasewright.live.clock import MachineClock, MovedClock
from phasewright.live.encoding.pmbus_words import TELEMETRY, to_linear11, to_ulinear16
from phasewright.live.instruments.driver import DriverFault, Surroundings
from phasewright.live.instruments.lines import LinesDriver
from phasewright.live.instruments.pmbus import PmbusDriver
from phasewright.live.instruments.scpi import ScpiDriver, is_allowed
from phasewright.live.instruments.sysfs import HwmonDriver, IioDriver, PowercapDriver
from phasewright.live.instruments.tail import TailDriver
from phasewright.live.instruments_of import SWITCH, drivers_of, kinds
from phasewright.live.standin.pmbus_device import PmbusDevice
from phasewright.live.standin.scpi_server import FAULTS
from phasewright.live.standin.sysfs_tree import SysfsTree


def instrument(kind, address="", readings=None, **connection):
    reading = {channel: ReadingSource(channel, **(ask if isinstance(ask, dict) else {"ask": ask}))
               for channel, ask in (readings or {}).items()}
    return Instrument("meter", connection=Connection(kind, address, **connection), reading=reading)


def values(polled):
    return {item.channel: item.value for item in polled.readings}


def flags(polled):
    return {item.channel: item.flag for item in polled.readings}


# ---- SCPI -----------------------------------------------------------------------------------------------------------

AROUND = Surroundings(MachineClock())
BOTH = {"input_voltage": "READ:VOLT?", "input_current": "READ:CURR?"}


def test_scpi_reads_and_sends_nothing_but_questions(server):
    one = server({"READ:ALL?": "12.04,25500,9.91E37"})
    readings = {"input_voltage": "READ:ALL?", "input_current": {"ask": "READ:ALL?", "item": 2, "unit": "mA"},
                "coolant_temperature": {"ask": "READ:ALL?", "item": 3}, "ambient_temperature": {"ask": "READ:ALL?", "item": 4}}
    driver = ScpiDriver(instrument("scpi", one.address, readings), AROUND)
    driver.open()
    polled = driver.read()
    assert values(polled) == {"input_voltage": 12.04, "input_current": 25.5, "coolant_temperature": None,
                              "ambient_temperature": None}
    assert "9.91E37" in flags(polled)["coolant_temperature"] and "no number 4" in flags(polled)["ambient_temperature"]
    assert all(item.half_width_ns >= 0 for item in polled.readings)
    driver.close()
    assert one.received.count("READ:ALL?") == 1, "each question is asked once a look"
    assert all(is_allowed(line) for line in one.received)


@pytest.mark.parametrize("question", [
    "READ:POW?", "FETC:VOLT:DC?", "MEASURE:CURRENT?", ":read?", "VOLT?", "NUM:VAL?", "FETCH:SCAL:POW? (@101)", "*IDN?"])
def test_questions_that_only_read_are_allowed(question):
    assert is_allowed(question)


@pytest.mark.parametrize("question", [
    "*TST?", "*CAL?", "*ESR?", "CAL:ALL?", "TEST:ALL?", "DIAG?", "STAT:QUES:EVEN?", "READ:POW", "VOLT 12", "*RST", "INIT",
    "READ?;*RST", "READ?\n*RST", "OUTP ON", "OUTP?", "SYST:BEEP?", "CURR:PROT:CLE?", "MEAS:VOLT?;", "", "?", "MMEM:CAT?",
    "READ?\x00", "POWERED?", "VOLT:CAL?", "READ? 1;2"])
def test_everything_else_is_refused_before_anything_is_sent(question):
    assert not is_allowed(question)
    with pytest.raises(DriverFault, match="only reads"):
        ScpiDriver(instrument("scpi", "tcp:127.0.0.1:9", {"input_power": question}), AROUND)


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_of_the_wire_is_missing_or_right_never_shifted(server, fault):
    one = server(faults=["", "", fault, ""], late=0.12)
    driver = ScpiDriver(instrument("scpi", one.address, BOTH, timeout=0.06), AROUND)
    driver.open()
    right = {"input_voltage": 12.04, "input_current": 25.5}
    assert values(driver.read()) == right
    hit = driver.read()
    for channel, value in values(hit).items():
        assert value in (None, right[channel])
        assert value is not None or flags(hit)[channel]
    time.sleep(0.15 if fault in ("late", "split") else 0.0)
    until = time.monotonic() + 5.0
    while values(back := driver.read()) != right:
        assert all(value in (None, right[channel]) for channel, value in values(back).items())
        assert time.monotonic() < until, "no reconnection within 5 s"
        time.sleep(0.02)
    driver.close()


def test_late_and_split_answers_are_never_booked_to_another_channel(server):
    """Short version; benchmarks/record_trials.py asks 10 000 times."""
    kinds_ = ["late", "", "split", "", "", "no_end", "twice"]
    one = server(faults=[kinds_[i % len(kinds_)] for i in range(70)], late=0.04)
    driver = ScpiDriver(instrument("scpi", one.address, BOTH, timeout=0.02), AROUND)
    seen = 0
    for look in range(400):
        for channel, value in values(driver.read()).items():
            assert value in (None, {"input_voltage": 12.04, "input_current": 25.5}[channel])
            seen += value is not None
        if look >= 40 and seen > 10:
            break  # a busy machine misses the 20 ms more often: it gets more looks, never fewer
        time.sleep(0.002)
    driver.close()
    assert seen > 10


def test_an_instrument_that_comes_back_is_asked_who_it_is(server):
    one = server()
    driver = ScpiDriver(instrument("scpi", one.address, BOTH, timeout=0.2), AROUND)
    driver.open()
    one.hang_up()
    assert set(values(driver.read()).values()) == {None}
    again = driver.read()
    assert None not in values(again).values() and again.events[0][0] == "connected"
    one.identity = "ANOTHER,ONE"
    one.hang_up()
    driver.read()
    assert "another instrument" in flags(driver.read())["input_voltage"]
    driver.close()


def test_an_unreachable_instrument_is_missing_not_fatal():
    driver = ScpiDriver(instrument("scpi", "tcp:127.0.0.1:1", BOTH), AROUND)
    driver.open()
    assert set(values(driver.read()).values()) == {None}


def test_the_error_queue_is_drained_and_told(server):
    one = server()
    one.errors += ['-350,"Queue overflow"', '-113,"Undefined header"']
    driver = ScpiDriver(instrument("scpi", one.address, BOTH), AROUND)
    polled = driver.read()
    assert [what for what, _ in polled.events] == ["instrument_error", "instrument_error", "connected"]
    assert not one.errors
    driver.close()


def test_a_hostile_identity_is_cut_and_escaped(server):
    one = server(identity="<script>" + "\x1b[2J\u202e" + "A" * 5000)
    driver = ScpiDriver(instrument("scpi", one.address, BOTH), AROUND)
    driver.open()
    assert len(driver.identity) < 300 and driver.identity.isprintable()
    driver.close()


class FakeSerial(types.ModuleType):
    """Stands in for pyserial: a port whose other side is a function."""

    def __init__(self):
        super().__init__("serial")
        self.written, self.stray = [], [b"late\n"]
        self.serial_for_url = lambda *args, **kwargs: self
        self.buffer, self.timeout = b"", 0.0

    @property
    def in_waiting(self):
        return len(self.buffer)

    def read(self, size=1):
        if self.stray:
            return self.stray.pop()
        taken, self.buffer = self.buffer[:size], self.buffer[size:]
        return taken

    def write(self, data):
        self.written.append(data)
        self.buffer += {b"*IDN?\n": b"SIM\n", b"SYST:ERR?\n": b'0,"No error"\n', b"READ:VOLT?\n": b"11.98\r\n"}[data]

    def close(self):
        self.buffer = b""


def test_serial_line_waits_for_silence_and_then_reads(monkeypatch):
    port = FakeSerial()
    monkeypatch.setitem(sys.modules, "serial", port)
    driver = ScpiDriver(instrument("scpi", "serial:COM3", {"input_voltage": "READ:VOLT?"}, baud=115200), AROUND)
    assert values(driver.read()) == {"input_voltage": 11.98}
    assert not port.stray, "what was late was thrown away before the first question"


def test_visa_frames_messages_and_any_error_of_the_library_is_missing(monkeypatch):
    class Resource:
        timeout, broken, last = 0, False, b""

        def write_raw(self, data):
            self.last = data

        def read_raw(self):
            if self.broken:
                raise AssertionError("library bug")
            return {b"*IDN?\n": b"SIM\n", b"SYST:ERR?\n": b"0\n", b"READ:VOLT?\n": b"12.5\n"}[self.last]

        def close(self):
            pass

    resource = Resource()
    module = types.ModuleType("pyvisa")
    module.ResourceManager = lambda: types.SimpleNamespace(open_resource=lambda *args, **kwargs: resource)
    monkeypatch.setitem(sys.modules, "pyvisa", module)
    driver = ScpiDriver(instrument("scpi", "visa:TCPIP::h::INSTR", {"input_voltage": "READ:VOLT?"}), AROUND)
    assert values(driver.read()) == {"input_voltage": 12.5}
    resource.broken = True
    assert "AssertionError" in flags(driver.read())["input_voltage"]
    resource.broken = False
    assert values(driver.read()) == {"input_voltage": 12.5}


@pytest.mark.parametrize(("module", "address", "extra"), [
    ("serial", "serial:COM3", "phasewright[serial]"), ("pyvisa", "visa:X", "phasewright[visa]")])
def test_an_extra_that_is_not_there_is_named(monkeypatch, module, address, extra):
    monkeypatch.setitem(sys.modules, module, None)
    driver = ScpiDriver(instrument("scpi", address, {"input_voltage": "READ:VOLT?"}), AROUND)
    assert extra in flags(driver.read())["input_voltage"]


# ---- PMBus ----------------------------------------------------------------------------------------------------------

RAIL = {"rail_voltage": "READ_VOUT", "rail_current": "READ_IOUT", "regulator_temperature": "READ_TEMPERATURE_1",
        "protection_active": "STATUS_WORD", "switching_frequency": "READ_FREQUENCY", "fan_speed": "READ_FAN_SPEED_1"}
REGISTERS = {"READ_VOUT": to_ulinear16(1.125, -9), "READ_IOUT": to_linear11(182.5), "READ_TEMPERATURE_1": 0xEAC0,
             "STATUS_WORD": 0x4010, "READ_FREQUENCY": to_linear11(550.0), "READ_FAN_SPEED_1": to_linear11(1500.0)}


def rail(readings=RAIL, registers=REGISTERS, address="i2c:1:0x40", **connection):
    device = PmbusDevice(0x40, registers.get)
    around = Surroundings(MovedClock(), open_bus=lambda number, code: device)
    driver = PmbusDriver(instrument("pmbus", address, readings, **connection), around)
    return driver, device


def test_pmbus_reads_every_standard_quantity_and_writes_nothing():
    driver, device = rail()
    driver.open()
    assert values(driver.read()) == {"rail_voltage": 1.125, "rail_current": 182.5, "regulator_temperature": 88.0,
                                     "protection_active": 1.0, "switching_frequency": 550e3, "fan_speed": 25.0}
    assert device.written == ()
    allowed = set(TELEMETRY.values()) | {0x20}
    assert {command for _, _, command, _ in device.log} <= allowed


@pytest.mark.parametrize("code", [6, 11, 5, 71, 74, 110, 16, 121])
def test_pmbus_errors_are_tried_again_thrice_and_counted_apart(code):
    driver, device = rail({"rail_current": "READ_IOUT"})
    driver.open()
    device.failing = [code, code]
    assert values(driver.read()) == {"rail_current": 182.5}
    device.failing = [code] * 3
    polled = driver.read()
    assert values(polled) == {"rail_current": None} and flags(polled)["rail_current"]
    assert list(driver.errors.values()) == [5]
    assert values(driver.read()) == {"rail_current": 182.5}


def test_pmbus_all_ones_are_missing():
    driver, _ = rail(registers={})
    driver.open()
    assert set(values(driver.read()).values()) == {None}


def test_pmbus_formats_can_be_stated():
    readings = {"input_current": {"ask": "READ_IIN", "number_format": "direct", "m": 807.0, "b": 20475.0, "r": -1.0},
                "input_voltage": {"ask": "READ_VIN", "number_format": "half"},
                "rail_current": {"ask": "READ_IOUT", "factor": 2.0}}
    driver, _ = rail(readings, {"READ_IIN": 3339, "READ_VIN": 0x4A00, "READ_IOUT": to_linear11(90.0)})
    driver.open()
    found = values(driver.read())
    assert found["input_current"] == pytest.approx(16.0037, abs=5e-5)  # ADM1275 data sheet p. 33, example 2
    assert (found["input_voltage"], found["rail_current"]) == (12.0, 180.0)


def test_pmbus_page_is_a_write_and_needs_leave():
    with pytest.raises(DriverFault, match="exclusive = true"):
        rail(page=1)
    driver, device = rail({"rail_current": "READ_IOUT"}, page=0, exclusive=True)
    driver.open()
    assert values(driver.read()) == {"rail_current": 182.5} and set(device.written) == {0x00}
    device.disturb = True
    polled = driver.read()
    assert values(polled) == {"rail_current": None} and polled.events[0][0] == "page_changed"


def test_pmbus_stays_off_a_device_that_the_kernel_holds(tmp_path):
    (tmp_path / "bus/i2c/devices/1-0040/driver").mkdir(parents=True)
    driver = PmbusDriver(instrument("pmbus", "i2c:1:0x40", RAIL),
                         Surroundings(MovedClock(), root=tmp_path, open_bus=lambda number, code: PmbusDevice(0x40, {}.get)))
    with pytest.raises(DriverFault, match="hwmon"):
        driver.open()


@pytest.mark.parametrize("ask", ["CLEAR_FAULTS", "STORE_DEFAULT_ALL", "VOUT_COMMAND", "0x03", "OPERATION", "PAGE", "QUERY", ""])
def test_pmbus_knows_no_other_command(ask):
    with pytest.raises(DriverFault, match="telemetry"):
        rail({"rail_current": ask})


@pytest.mark.parametrize("address", ["i2c:1:0x00", "i2c:1", "i2c:1:0x7f", "1:0x40", "i2c:x:0x40", "i2c:1:all"])
def test_pmbus_addresses_no_broadcast_and_no_guess(address):
    with pytest.raises(DriverFault, match="names no"):
        rail(address=address)


def test_smbus2_is_used_lazily(monkeypatch):
    calls = []

    class SMBus:
        pec = 0

        def __init__(self, number):
            calls.append(number)

        def read_word_data(self, address, command):
            calls.append((address, command, self.pec))
            return REGISTERS["READ_IOUT"]

        def close(self):
            calls.append("closed")

    monkeypatch.setitem(sys.modules, "smbus2", types.SimpleNamespace(SMBus=SMBus))
    driver = PmbusDriver(instrument("pmbus", "i2c:7:0x40", {"rail_current": "READ_IOUT"}), AROUND)
    driver.open()
    assert values(driver.read()) == {"rail_current": 182.5}
    driver.close()
    assert calls == [7, (0x40, 0x8C, 1), "closed"]
    monkeypatch.setitem(sys.modules, "smbus2", None)
    with pytest.raises(DriverFault, match=r"phasewright\[pmbus\]"):
        PmbusDriver(instrument("pmbus", "i2c:7:0x40", {"rail_current": "READ_IOUT"}), AROUND).open()


# ---- Linux files ----------------------------------------------------------------------------------------------------


def test_hwmon_reads_by_name_and_finds_its_chip_again(tmp_path):
    tree = SysfsTree(tmp_path)
    tree.put(tree.chip("hwmon", 0, "other"), "temp1_input", 99000)
    chip = tree.chip("hwmon", 1, "simvr", "bus-a")
    for file, count in (("temp1_input", 88500), ("in0_input", 1225), ("curr1_input", 45250), ("power1_input", 55_000_000)):
        tree.put(chip, file, count)
    readings = {"regulator_temperature": "temp1_input", "rail_voltage": "in0_input", "rail_current": "curr1_input",
                "rail_power": "power1_input"}
    driver = HwmonDriver(instrument("hwmon", "simvr", readings), Surroundings(MovedClock(), root=tmp_path))
    driver.open()
    assert values(driver.read()) == {"regulator_temperature": 88.5, "rail_voltage": 1.225, "rail_current": 45.25,
                                     "rail_power": 55.0}
    tree.put(chip, "temp1_fault", 1)
    assert "must not be trusted" in flags(driver.read())["regulator_temperature"]
    # The drivers are loaded anew: the numbers change places.
    os.rename(chip, tmp_path / "class/hwmon/hwmon7")
    tree.put(tree.chip("hwmon", 1, "other"), "temp1_input", 11000)
    assert values(driver.read())["rail_current"] == 45.25
    for rubbish in ("", "nan", "12 13"):
        tree.put(tmp_path / "class/hwmon/hwmon7", "curr1_input", rubbish)
        assert values(driver.read())["rail_current"] is None


def test_two_chips_of_one_name_must_be_told_apart(tmp_path):
    tree = SysfsTree(tmp_path)
    for number in (0, 1):
        tree.put(tree.chip("hwmon", number, "simvr", f"bus-{number}"), "temp1_input", 10_000 * (number + 1))
    around = Surroundings(MovedClock(), root=tmp_path)
    with pytest.raises(DriverFault, match="2 chips"):
        HwmonDriver(instrument("hwmon", "simvr", {"regulator_temperature": "temp1_input"}), around).open()
    driver = HwmonDriver(instrument("hwmon", "simvr@bus-1", {"regulator_temperature": "temp1_input"}), around)
    driver.open()
    assert values(driver.read()) == {"regulator_temperature": 20.0}


def test_iio_applies_scale_and_offset_every_time(tmp_path):
    tree = SysfsTree(tmp_path)
    chip = tree.chip("iio", 0, "simadc")
    for file, text in (("in_voltage0_raw", "2048"), ("in_voltage_scale", "0.5"), ("in_temp_raw", "100"),
                       ("in_temp_offset", "-20"), ("in_temp_scale", "250")):
        tree.put(chip, file, text)
    driver = IioDriver(instrument("iio", "simadc", {"rail_voltage": "in_voltage0", "board_temperature": "in_temp"}),
                       Surroundings(MovedClock(), root=tmp_path))
    driver.open()
    assert values(driver.read()) == {"rail_voltage": 1.024, "board_temperature": 20.0}
    tree.put(chip, "in_voltage_scale", "0.25")
    assert values(driver.read())["rail_voltage"] == 0.512


def test_powercap_counter_gives_power_and_energy_through_its_wrap(tmp_path):
    tree, clock = SysfsTree(tmp_path), MovedClock()
    chip = tree.chip("powercap", 0, "package-0")
    tree.put(chip, "max_energy_range_uj", 262_143_328_850)
    around = Surroundings(clock, root=tmp_path)
    readings = {"package_power": "energy_uj", "package_energy": "energy_uj"}
    driver = PowercapDriver(instrument("powercap", "package-0", readings), around)
    driver.open()
    count, energy = 262_143_000_000 - 500_000_000, []
    for index in range(8):
        tree.put(chip, "energy_uj", count % 262_143_328_850)
        found = values(driver.read())
        assert found["package_power"] == (None if index == 0 else pytest.approx(250.0))
        energy.append(found["package_energy"])
        clock.sleep(1.0)
        count += 250_000_000
    assert energy == pytest.approx([250.0 * index for index in range(8)])
    tree.put(chip, "energy_uj", 0)
    assert flags(driver.read())["package_power"] == "the counter was set back"


def test_a_file_without_permission_says_how_to_grant_it(tmp_path, monkeypatch):
    from phasewright.live.instruments import sysfs

    monkeypatch.setattr(sysfs.Path, "open", lambda *args: (_ for _ in ()).throw(PermissionError(13, "no")))
    assert "grant read permission" in sysfs.read_text(tmp_path / "energy_uj")[1]


# ---- lines and growing logs -----------------------------------------------------------------------------------------

PRINTS = """
import sys, time
print("# made by a simulated logger"); print("time;P [mW];T [degF]")
for i in range(3):
    print(f"{i};{1000 * i},5;212", flush=True)
sys.stdout.write("4;9"); sys.stdout.flush()
"""


def test_lines_of_a_program_are_read_with_header_units_and_decimal_commas(tmp_path):
    driver = LinesDriver(instrument("lines", readings={"input_power": "P", "coolant_temperature": "T"},
                                    command=(sys.executable, "-c", PRINTS)), Surroundings(MachineClock(), tmp_path))
    driver.open()
    seen, events, until = [], [], time.monotonic() + 10
    while not events and time.monotonic() < until:
        polled = driver.read()
        seen += polled.readings
        events += polled.events
        time.sleep(0.02)
    driver.close()
    power = [item.value for item in seen if item.channel == "input_power" and not item.flag]
    assert power == pytest.approx([0.0005, 1.0005, 2.0005]), "the torn last line is no reading"
    assert [item.value for item in seen if item.channel == "coolant_temperature" and not item.flag] == pytest.approx([100.0] * 3)
    assert events == [("program_ended", "meter: exit code 0")]


def test_a_program_that_is_not_there_is_refused(tmp_path):
    driver = LinesDriver(instrument("lines", readings={"input_power": "#2"}, command=("no-such-logger-here",)),
                         Surroundings(MachineClock(), tmp_path))
    with pytest.raises(DriverFault, match="cannot be started"):
        driver.open()


def test_a_growing_log_is_followed_through_rotation_and_truncation(tmp_path):
    log = tmp_path / "other.csv"
    log.write_text("t,P\n0,1.0\n1,2.0\n2,3.")
    driver = TailDriver(instrument("tail", "other.csv", {"input_power": "P"}), Surroundings(MovedClock(), tmp_path))
    driver.open()

    def grow(text, mode="a"):
        with log.open(mode) as file:
            file.write(text)
        polled = driver.read()
        return list(values(polled).values()) and [item.value for item in polled.readings], [what for what, _ in polled.events]

    assert grow("") == ([], [])
    assert grow("0\n3,4.0\n") == ([3.0, 4.0], [])
    assert grow("4,x\n") == ([None], [])
    assert grow("t,P\n0,9.0\n", "w") == ([9.0], ["log_truncated"])
    os.rename(log, tmp_path / "other.1")
    assert flags(driver.read()) == {"input_power": "the log cannot be read (No such file or directory)"}
    assert grow("P;t\n7,5;0\n", "w") == ([7.5], ["log_rotated"])


def test_kinds_of_other_packages_join_and_can_be_kept_out(monkeypatch):
    from phasewright.bench import Bench, Board, Cooling, Processor, Regulator
    from phasewright.live import instruments_of

    class Entry:
        name = "sim-bus"

        @staticmethod
        def load():
            return lambda item, around: ("driver", item.name)

    monkeypatch.setattr(instruments_of, "entry_points", lambda group: [Entry] if group == "phasewright.drivers" else [])
    assert "sim-bus" in kinds()
    bench = Bench("b", Board("b"), Regulator("r", 4), Processor(), Cooling(), (instrument("sim-bus", "x", BOTH),))
    assert drivers_of(bench, AROUND) == {"meter": ("driver", "meter")}
    monkeypatch.setenv(SWITCH, "1")
    assert "sim-bus" not in kinds()
    with pytest.raises(NotReady, match="no kind of connection"):
        drivers_of(bench, AROUND)
