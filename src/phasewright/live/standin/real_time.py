"""The dry run in real time: the virtual bench keeps pace with the clock on the wall, and a recorder of its own process
reaches it as it would reach a real one. Loads are programs; what is set by hand is told to the bench by the guide.
"""

from __future__ import annotations

import socketserver
import sys
import threading
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from time import monotonic

from phasewright.live.clock import MachineClock
from phasewright.live.standin.bench import RunningBench
from phasewright.live.standin.bus_socket import BusServer
from phasewright.live.standin.dry_run import DryRun
from phasewright.live.standin.loopback import LoopbackServer
from phasewright.live.virtual.files import text
from phasewright.live.virtual.scenario import Scenario

COUNTER_S, FILES_S, LOG_S = 0.02, 0.2, 1.0
"""[s] The energy counter counts on, the other sensors' files and the thermometer's log are brought up to date, so often."""
LOAD = Path(__file__).with_name("load_program.py")
"""Run by its path and without this package, so that it is up at once."""


class RealTimeRun(DryRun):
    """A dry run in real time; `environment` leads a recorder's process to its stand-ins."""

    def __init__(self, folder: Path, scenario: Scenario, seed: int):
        # A load program is told its power, so every power is a load of its own.
        named = tuple(replace(step, load=f"{step.load}, {step.package_power:g} W") for step in scenario.steps)
        super().__init__(folder, replace(scenario, steps=named), seed, MachineClock())
        self._bus = BusServer(self.device)
        self._loads = _LoadServer(self.bench)
        self._closing = threading.Event()
        self._keeping = threading.Thread(target=self._keep_up, daemon=True)
        self._keeping.start()

    @property
    def environment(self) -> Mapping[str, str]:
        """Return what a recorder's process has to be told."""
        return {"PHASEWRIGHT_SYSFS": str(self.tree.root.resolve()), "PHASEWRIGHT_I2C": self._bus.address}

    def bench_file(self) -> str:
        """Return the bench file, with a program for each load."""
        made = [super().bench_file()]
        host, _, port = self._loads.address.rpartition(":")
        for name, power in {step.load: step.package_power for step in self.scenario.steps}.items():
            command = ", ".join(text(word) for word in (sys.executable, "-I", "-S", str(LOAD), host, port, f"{power:g}"))
            made.append(f"[[load]]\nname = {text(name)}\ncommand = [{command}]\n")
        return "\n".join(made)

    def close(self) -> None:
        """Take the stand-ins away."""
        self._closing.set()
        self._keeping.join(5.0)
        self._loads.close()
        self._bus.close()
        super().close()

    def _keep_up(self) -> None:
        files = log = monotonic()
        while not self._closing.wait(COUNTER_S):
            now = monotonic()
            self._fresh_package()
            if now - files >= FILES_S:
                files = now
                self._fresh_host()
                self._fresh_room()
            if now - log >= LOG_S:
                log = now
                self._fresh_log()


class _LoadServer(LoopbackServer):
    """Holds the load on while a load program is connected, and tells it when the machine goes down."""

    def __init__(self, bench: RunningBench):
        class Turn(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                power = float(self.rfile.readline())
                bench.load_on(power)
                self.connection.settimeout(0.1)
                while True:
                    if bench.load_ended() is not None:
                        self.wfile.write(b"down\n")
                        return
                    try:
                        if not self.connection.recv(100):
                            break
                    except TimeoutError:
                        continue
                    except OSError:
                        break
                bench.load_off()

        super().__init__(Turn)
