"""The recorder: polls every instrument at its own pace, keeps the journal, minds the guard and the load."""

from __future__ import annotations

import queue
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from phasewright.bench import Bench, Instrument, base_channel
from phasewright.live.clock import Clock, ClockWatch
from phasewright.live.guard import Bound, Guard, Stopped, stale_after
from phasewright.live.instruments.driver import Driver, Polled, Reading, missing
from phasewright.live.lateness import Lateness
from phasewright.live.load import Load, LoadEnd
from phasewright.live.scribe import Scribe

LAST_LOOK_S = 0.5
TURN_S = 0.01
"""[s] Readings go from the instruments' threads to the journal so often."""
PERIOD = 1.0
"""[s] Of an instrument that states none."""
SILENT_S = 10.0
"""[s] Without a word from such an instrument its silence goes on record."""


@dataclass(slots=True)
class Pace:
    """How well an instrument keeps its period."""

    looks: int = 0
    skipped: int = 0
    """Looks that fell out because the one before took too long."""
    late: Lateness = field(default_factory=Lateness)
    """Of each look behind its time."""
    began_ns: int = 0
    """When the first look was due."""

    def told(self, now_ns: int) -> dict[str, float]:
        """Return what goes on record: looks, those left out, the rate that was kept [Hz] and how late they were [s]."""
        seconds = max((now_ns - self.began_ns) * 1e-9, 1e-9)
        return {"looks": self.looks, "skipped": self.skipped, "rate": round(self.looks / seconds, 4),
                "late_p50": round(self.late.share(0.5), 6), "late_p99": round(self.late.share(0.99), 6),
                "worst_late": round(self.late.worst, 6)}


@dataclass(slots=True)
class Happened:
    """What has happened since the last time anybody asked."""

    readings: list[tuple[str, Reading]] = field(default_factory=list)
    """(instrument, reading)"""
    events: list[tuple[str, dict]] = field(default_factory=list)
    stopped: Stopped | None = None
    load_end: LoadEnd | None = None
    alarm: str = ""


class Recorder:
    """Everything between the instruments and the journal. `advance` lets time pass."""

    def __init__(self, bench: Bench, drivers: Mapping[str, Driver], scribe: Scribe, clock: Clock, *,
                 threads: bool, folder: Path = Path(), run_stop: Callable[[Sequence[str]], None] | None = None,
                 punctual: Callable[[], object] = lambda: None):
        """`punctual` is called first in each thread that looks at an instrument."""
        self.bench, self.drivers, self.scribe, self.clock = bench, drivers, scribe, clock
        self.guard, self.load = Guard(), None
        self._threads, self._folder, self._run_stop, self._punctual = threads, folder, run_stop, punctual
        self._watch = ClockWatch(clock)
        self._happened = Happened()
        self.pace = {name: Pace() for name in drivers}
        self._due = {name: clock.monotonic_ns() for name in drivers}
        self._polled: queue.SimpleQueue[tuple[str, Polled]] = queue.SimpleQueue()
        self._heard: dict[str, int] = {}
        """When each instrument last gave anything, and be it that a reading is missing [ns]."""
        self._silent: set[str] = set()
        self._closing = threading.Event()
        self._alarm = ""
        self._polling: list[threading.Thread] = []
        self.called: list[subprocess.Popen[bytes]] = []
        """What was started in need."""

    load: Load | None

    def open(self) -> None:
        """Connect to every instrument; DriverFault where a description is at fault."""
        for name, driver in self.drivers.items():
            driver.open()
            item = self._instrument(name)
            self.event("instrument", name=name, identity=driver.identity, period=item.period,
                       channels=list(item.reading), kind=item.connection.kind if item.connection else "")
        # What opening took is nobody's lateness.
        began = self.clock.monotonic_ns()
        for name, pace in self.pace.items():
            self._due[name] = pace.began_ns = self._heard[name] = began
        if self._threads:
            self._polling = [threading.Thread(target=self._poll_for_ever, args=(name,), daemon=True) for name in self.drivers]
            for thread in self._polling:
                thread.start()

    def close(self) -> bool:
        """End the load, let go of every instrument and close the journal; return whether all is on the disk."""
        self.stop_load("recording ends")
        self._closing.set()
        for thread in self._polling:
            # An instrument that hangs in its last look is not waited for; what the others gave last is on record.
            thread.join(LAST_LOOK_S)
        self._drain()
        for name, driver in self.drivers.items():
            self.scribe.event("pace", name=name, **self.pace[name].told(self.clock.monotonic_ns()))
            driver.close()
        return self.scribe.close()

    def event(self, what: str, /, **particulars: object) -> None:
        """Put an event on record."""
        self.scribe.event(what, **particulars)
        self._happened.events.append((what, particulars))

    def advance(self, seconds: float) -> Happened:
        """Let `seconds` pass and return what has happened."""
        until = self.clock.monotonic_ns() + round(seconds * 1e9)
        while True:
            now = self.clock.monotonic_ns()
            if self._threads:
                self._drain()
                self._mind(now)
                if now >= until:
                    break
                self.clock.sleep(min(TURN_S, max((until - now) * 1e-9, 0.0)))
                continue
            due = min(self._due.values())
            if due > until:
                self.clock.sleep(max((until - now) * 1e-9, 0.0))
                self._mind(until)
                break
            self.clock.sleep(max((due - now) * 1e-9, 0.0))
            for name in [item for item, at in self._due.items() if at <= due]:
                self._take(name, self._look(name))
            self._mind(self.clock.monotonic_ns())
        happened, self._happened = self._happened, Happened()
        happened.alarm = self._alarm
        return happened

    def start_load(self, load: Load | None, name: str, bounds: Sequence[Bound]) -> None:
        """Put a load on (None = by hand) and watch from now on."""
        self.load = load
        for driver in self.drivers.values():
            check = getattr(driver, "check_settings", None)
            if check is not None:
                check()
        self.guard.arm(bounds, self._must_see(), self.clock.monotonic_ns())
        self.event("load_on", load=name, by_hand=load is None,
                   bounds=[[item.channel, item.threshold, item.unit, item.action] for item in bounds])
        if load is not None:
            load.start()

    def stop_load(self, why: str) -> None:
        """Take the load off."""
        load, self.load = self.load, None
        if load is not None or self.guard.armed:
            self.event("load_off", why=why)
        self.guard.disarm()
        if load is not None:
            load.stop()
            self._ending = load

    _ending: Load | None = None
    """A load that was told to end and has not said how it did."""

    def _must_see(self) -> dict[str, float | None]:
        return {source.channel: item.period for item in self.bench.instruments if item.name in self.drivers
                for source in item.reading.values() if source.must_see}

    def _instrument(self, name: str) -> Instrument:
        return self.bench.instrument(name)

    def _poll_for_ever(self, name: str) -> None:
        self._punctual()
        while not self._closing.is_set():
            wait = (self._due[name] - self.clock.monotonic_ns()) * 1e-9
            if wait > 0:
                self._closing.wait(wait)
                continue
            self._polled.put((name, self._look(name)))

    def _look(self, name: str) -> Polled:
        pace, period = self.pace[name], round((self._instrument(name).period or PERIOD) * 1e9)
        late = self.clock.monotonic_ns() - self._due[name]
        pace.looks += 1
        pace.late.take(late * 1e-9)
        try:
            polled = self.drivers[name].read()
        except Exception as error:
            # A driver's own fault must not end the recording of the others.
            polled = Polled([Reading(channel, None, self.clock.monotonic_ns(), "", f"driver failed: {type(error).__name__}")
                             for channel in self._instrument(name).reading],
                            [("driver_failed", f"{name}: {type(error).__name__}: {str(error)[:300]}")])
        self._due[name] += period
        behind = (self.clock.monotonic_ns() - self._due[name]) // period
        if behind > 0:
            # No queue grows: beats that were missed are left out, and counted.
            pace.skipped += behind
            self._due[name] += behind * period
        return polled

    def _drain(self) -> None:
        while True:
            try:
                self._take(*self._polled.get_nowait())
            except queue.Empty:
                return

    def _take(self, name: str, polled: Polled) -> None:
        if polled.readings:
            self._heard[name] = self.clock.monotonic_ns()
            if name in self._silent:
                self._silent.discard(name)
                self.event("heard", text=f"{name}: readings come again")
        for item in polled.readings:
            self.scribe.add("missing" if item.value is None else "reading", f"{name}/{item.channel}", item.value,
                            base_channel(item.channel).unit, item.flag, item.raw, item.stamp_ns)
            self.guard.see(item.channel, item.value, item.stamp_ns)
            self._happened.readings.append((name, item))
        for what, text in polled.events:
            self.event(what, text=text)

    def _mind(self, now: int) -> None:
        for said in self._watch.look():
            what, _, text = said.partition(": ")
            self.event(what, text=text)
        self._mind_silence(now)
        stopped = self.guard.check(now)
        if stopped is not None:
            self._stop(stopped)
        if self.load is not None and (ended := self.load.poll()) is not None:
            self.load = None
            self.event("load_ended", code=ended.code, errors=ended.errors[-2000:], output=ended.output[-500:])
            self._happened.load_end = ended
            self.guard.disarm()
        elif self._ending is not None and (ended := self._ending.poll()) is not None:
            self._ending = None
            self.event("load_gone", code=ended.code, errors=ended.errors[-2000:])
        if self.scribe.alarm != self._alarm:
            self._alarm = self.scribe.alarm
            self._happened.events.append(("disk", {"alarm": self._alarm}))
        self.scribe.tick()

    def _mind_silence(self, now: int) -> None:
        """Put the gap on record that an instrument leaves which hangs, or a program that prints no more."""
        for name, at in self._heard.items():
            period = self._instrument(name).period
            if name in self._silent or (now - at) * 1e-9 <= (SILENT_S if period is None else stale_after(period)):
                continue
            said = f"nothing came for {(now - at) * 1e-9:.1f} s"
            self._take(name, Polled(missing(self._instrument(name), now, said), [("silent", f"{name}: {said}")]))
            self._silent.add(name)

    def _stop(self, stopped: Stopped) -> None:
        self.event("stopped", channel=stopped.channel, action=stopped.action, reason=stopped.reason)
        self.stop_load(stopped.reason)
        self._happened.stopped = stopped
        if stopped.action == "stop":
            self.need()

    def need(self) -> None:
        """Do what the bench file says is done in need, beside ending the load."""
        command = self.bench.stop.command
        if not command:
            return
        self.event("stop_command", command=list(command))
        if self._run_stop is not None:
            self._run_stop(command)
            return
        try:
            self.called.append(subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                                                stderr=subprocess.DEVNULL, cwd=self._folder, start_new_session=True))
        except OSError as error:
            self.event("stop_command_failed", error=error.strerror or str(error))
