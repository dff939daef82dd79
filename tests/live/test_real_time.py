"""The dry run in real time: a recorder of its own process, real sockets, a bus, a sysfs tree, a log and load programs."""

import os
import threading
import time

import pytest

from phasewright.app import jobs, recording
from phasewright.app.recording_dry import Stand, dry_run_in_real_time, short_scenario
from phasewright.app.recording_files import verify_folder
from phasewright.live import MovedClock, RealTimeRun, read_journal
from phasewright.live.encoding.pmbus_words import TELEMETRY
from phasewright.live.instruments.scpi import is_allowed, is_setting
from phasewright.live.standin.bus_socket import BusServer, DistantBus
from phasewright.live.standin.pmbus_device import PmbusDevice
from phasewright.live.standin.real_time import LOAD

HOLD = 4.5


class Quick(Stand):
    """Goes on after a few seconds of load."""

    phase, elapsed = "", 0.0

    def show(self, frame):
        self.phase, self.elapsed = frame.phase, frame.elapsed

    def pressed(self):
        return "next" if self.phase == "load" and self.elapsed > HOLD else ""


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder, told, kept = tmp_path_factory.mktemp("real") / "campaign", [], {}
    patch = pytest.MonkeyPatch()
    patch.setattr(recording, "IDLE", 1.5)
    patch.setattr(RealTimeRun, "close", lambda self, close=RealTimeRun.close: (kept.update(bench=self), close(self)))
    try:
        done = dry_run_in_real_time(
            folder, Quick(told.append, lambda fraction, text: None), seed=4, scenario=short_scenario(("10 phases, 300 W",)),
            model=lambda bench, campaign: jobs.known_model(folder, bench, campaign, True, lambda fraction, text: None))
    finally:
        patch.undo()
    return folder, done, kept["bench"], told


def test_a_step_is_run_through_every_transport_while_the_clock_on_the_wall_goes(run):
    folder, done, bench, _ = run
    assert [(item.name, item.outcome) for item in done.run.steps] == [("10 phases, 300 W", "ran")]
    assert done.complete and verify_folder(folder).exit_code == 0
    told = read_journal(folder / "journal")
    assert {name for name, _ in told.sheets} == {"meter", "regulator", "package", "host", "thermometer", "room"}
    on, off = (next(item.mono_ns for item in told.events if item.name == name) for name in ("step_on", "step_off"))
    assert HOLD <= (off - on) * 1e-9 < 60.0
    # The load was a program: its power came on with it and went off with it.
    power = {moment: row["package_power"] for moment, row in told.sheets["package", 1].rows.items() if "package_power" in row}
    held = [value for moment, value in power.items() if on < moment < off]
    before = [value for moment, value in power.items() if moment < on]
    assert max(held) > 250.0 and max(before) < 100.0


def test_nothing_was_written_outside_the_allowed_reads(run):
    """S1, S7: the byte logs of the stand-ins, with the recorder in another process."""
    bench = run[2]
    assert {line for line in bench.server.received if not (is_allowed(line) or is_setting(line))} == set()
    assert bench.device.written == () and len(bench.device.log) > 20
    assert {command for _, _, command, _ in bench.device.log} <= set(TELEMETRY.values()) | {0x20}


def test_a_load_program_that_is_killed_takes_its_load_with_it_and_hears_of_a_trip(tmp_path):
    import subprocess
    import sys

    bench = RealTimeRun(tmp_path, short_scenario(("10 phases, 300 W",)), 1)
    host, port = bench._loads.address.split(":")
    command = [sys.executable, "-I", "-S", str(LOAD), host, port, "200"]
    one = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert one.stdout.readline().startswith("simulated load of 200 W is on")
    wait_for(lambda: bench.bench._activity is not None)
    one.kill()
    one.communicate()
    wait_for(lambda: bench.bench._activity is None)
    two = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    wait_for(lambda: bench.bench._activity is not None)
    from phasewright.live.load import LoadEnd

    with bench.bench._lock:
        bench.bench._end = LoadEnd(-9, "simulated")
    assert "went down under the load" in two.communicate(timeout=10.0)[1] and two.returncode == 1
    bench.close()


def wait_for(what, seconds=10.0):
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "it never happened"
        time.sleep(0.02)


def test_a_bus_in_another_process_is_a_bus_with_its_errors():
    device = PmbusDevice(0x40, lambda name: {"READ_IOUT": 0xE320}.get(name))
    server = BusServer(device)
    bus = DistantBus(server.address)
    assert bus.read_word(0x40, TELEMETRY["READ_IOUT"]) == 0xE320 and bus.read_byte(0x40, 0x20) == 0x17
    for code in (6, 11, 74, 110):
        device.failing = [code]
        with pytest.raises(OSError) as caught:
            bus.read_word(0x40, TELEMETRY["READ_IOUT"])
        assert caught.value.errno == code
    with pytest.raises(OSError):
        bus.read_word(0x41, TELEMETRY["READ_IOUT"])
    bus.write_page(0x40, 1)
    assert device.written == (0,) and device.page == 1
    bus._socket.sendall(b"format 1 2\nword x y\n\n")
    assert [bus._lines.readline() for _ in range(3)] == [b"!22\n"] * 3
    server.close()
    bus.close()
    with pytest.raises(OSError):
        DistantBus(server.address)


def test_the_bench_gives_the_same_numbers_to_any_thread(tmp_path):
    from phasewright.live import DryRun

    def course(folder):
        bench = DryRun(folder, short_scenario(("10 phases, 300 W",)), 1, clock := MovedClock())
        bench.bench.load_on(300.0)
        clock.sleep(3.0)
        found = bench._meter("READ:ALL?")
        bench.close()
        return found

    first = tmp_path / "a"
    second = tmp_path / "b"
    first.mkdir(), second.mkdir()
    made = []
    thread = threading.Thread(target=lambda: made.append(course(second)))
    thread.start()
    thread.join()
    assert course(first) == made[0] and os.listdir(first) == os.listdir(second)
