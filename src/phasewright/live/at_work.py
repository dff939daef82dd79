"""The recorder as a process of its own, and the guide's end of its pipes.

Words come in on standard input and news go out on standard output, one JSON object a line. The end of the input means that
the guide is gone: the load comes off, the cool-down is still recorded, then the journal is closed. News that the guide does
not fetch are dropped; the journal never waits for it.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import IO, cast

from phasewright.bench import Fault, NotReady, PhasewrightError, Step, read_bench
from phasewright.live.clock import Clock, MachineClock
from phasewright.live.foremost import be_punctual, go_first
from phasewright.live.guard import Bound, Stopped
from phasewright.live.instruments.driver import DriverFault, Reading, Surroundings
from phasewright.live.instruments_of import drivers_of
from phasewright.live.journal.writing import JournalWriter
from phasewright.live.load import LoadEnd, ProgramLoad
from phasewright.live.recorder import Happened, Recorder
from phasewright.live.scribe import ThreadScribe
from phasewright.live.standin.bus_socket import DistantBus

_START = "import sys; from pathlib import Path; from phasewright.live.at_work import main; sys.exit(main(Path(sys.argv[1])))"
NEWS_S = 0.25
COOL_DOWN_S = 30.0
"""[s] Recorded after the guide has gone."""
MOST_WAITING = 200
"""News that wait for a guide that does not read; more are dropped."""
GUIDE_SILENCE_S = 10.0
"""[s] A guide that has said nothing for so long hangs or was suspended: nobody would end the load, so it comes off."""
HERE_S = 1.0
"""[s] The guide says so often that it is there."""
LOOK_S = 0.25
"""[s] Whether the recorder has fallen silent is looked at so often."""
LEAVE_S = 5.0
"""[s] A recorder that has said its last word and is still there is killed."""
SILENCE_S = 3.0
"""[s] Without news the recorder is taken to hang: it is killed, and its load ends with it."""


class RecorderGone(Exception):
    """The recorder's process is no more; the text says what is known. Its load has ended with it."""


# ---- the recorder's side --------------------------------------------------------------------------------------------


def _gone(code: int) -> RecorderGone:
    return RecorderGone(f"the recorder has ended with exit code {code}; its load has ended with it")


class _News:
    """Writes news from a thread of its own, and drops what nobody reads."""

    def __init__(self) -> None:
        self._waiting: queue.Queue[str | None] = queue.Queue(MOST_WAITING)
        self.dropped = 0
        self._thread = threading.Thread(target=self._write, daemon=True)
        self._thread.start()

    def put(self, **news: object) -> None:
        try:
            self._waiting.put_nowait(json.dumps(news, default=str))
        except queue.Full:
            self.dropped += 1

    def close(self) -> None:
        try:
            self._waiting.put(None, timeout=1.0)
            self._thread.join(1.0)
        except queue.Full:
            self.dropped += 1

    def _write(self) -> None:
        while (line := self._waiting.get()) is not None:
            try:
                sys.stdout.write(line + "\n")
                sys.stdout.flush()
            except (OSError, ValueError):
                return  # nobody listens any more


def main(folder: Path) -> int:
    """Record in `folder` until the guide says so or is gone; return 0 when all is on the disk, 3 when not, 4 without start."""
    news, words, clock = _News(), queue.SimpleQueue(), MachineClock()
    threading.Thread(target=_listen, args=(words,), daemon=True).start()
    for number in (signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)):
        signal.signal(number, lambda *_: words.put({"do": "close", "why": "the system asked the recorder to end"}))
    try:
        bench = read_bench(folder)
        drivers = drivers_of(bench, _surroundings(folder, clock))
        head = {"bench": bench.fingerprint, "bench_name": bench.name, "simulated": bench.simulated,
                "process": os.getpid(), "zone": list(time.tzname), "niceness": go_first()}
        writer = JournalWriter(folder / "journal", clock, head=head)
        recorder = Recorder(bench, drivers, ThreadScribe(writer, clock, be_punctual), clock, threads=True, folder=folder,
                            punctual=be_punctual)
        recorder.open()
    except DriverFault as error:
        what, _, mend = str(error).rpartition(" - ")
        news.put(faults=[asdict(Fault("bench.toml", what, mend))])
        news.close()
        return 4
    except PhasewrightError as error:
        news.put(faults=[asdict(fault) for fault in error.faults])
        news.close()
        return 4
    be_punctual()
    news.put(ready=True, session=writer.session)
    leave_at: float | None = None
    why, heard = "", time.monotonic()
    while leave_at is None or time.monotonic() < leave_at:
        happened = recorder.advance(NEWS_S)
        news.put(**_told(happened, clock))
        while not words.empty():
            word, heard = words.get(), time.monotonic()
            if word["do"] == "close":
                why, leave_at = word.get("why", "the guide ended"), 0.0
            elif word["do"] == "gone" and leave_at is None:
                recorder.event("guide_gone")
                recorder.stop_load("the guide is gone")
                recorder.need()
                why, leave_at = "the guide is gone", time.monotonic() + COOL_DOWN_S
            else:
                _obey(recorder, word, folder)
        if recorder.load is not None and time.monotonic() - heard > GUIDE_SILENCE_S:
            recorder.event("guide_silent", seconds=time.monotonic() - heard)
            recorder.stop_load(f"the guide said nothing for {GUIDE_SILENCE_S:g} s")
            recorder.need()
    recorder.event("closing", why=why, news_dropped=news.dropped)
    done = recorder.close()
    news.put(closed=done)
    news.close()
    return 0 if done else 3


def _surroundings(folder: Path, clock: Clock) -> Surroundings:
    """Return the machine as it is; a dry run names another root for the system's files, and a bus of its own."""
    root, bus = Path(os.environ.get("PHASEWRIGHT_SYSFS", "/sys")), os.environ.get("PHASEWRIGHT_I2C", "")
    return Surroundings(clock, folder, root, (lambda number, code: DistantBus(bus)) if bus else None)


def _listen(words: queue.SimpleQueue) -> None:
    # Past the text layer: its lock, held by a thread that waits, would abort the process as it ends.
    rest = b""
    while data := os.read(0, 65536):
        *lines, rest = (rest + data).split(b"\n")
        for line in lines:
            try:
                words.put(json.loads(line))
            except ValueError:
                continue
    words.put({"do": "gone"})


def _obey(recorder: Recorder, word: dict, folder: Path) -> None:
    if word["do"] == "here":
        return
    if word["do"] == "event":
        recorder.event(word["what"], **word["given"])
    elif word["do"] == "load":
        load = ProgramLoad(word["command"], folder) if word["command"] else None
        recorder.start_load(load, word["name"], [Bound(*item) for item in word["bounds"]])
    elif word["do"] == "unload":
        recorder.stop_load(word["why"])
        if word["need"]:
            recorder.need()


def _told(happened: Happened, clock: Clock) -> dict:
    return {
        "now_ns": clock.monotonic_ns(),
        "readings": [[name, item.channel, item.value, item.stamp_ns, item.flag] for name, item in happened.readings],
        "events": happened.events, "alarm": happened.alarm,
        "stopped": asdict(happened.stopped) if happened.stopped else None,
        "load_end": asdict(happened.load_end) if happened.load_end else None,
    }  # fmt: skip


# ---- the guide's side -----------------------------------------------------------------------------------------------


class ProcessStation:
    """A recorder in a process of its own; see `Station`."""

    slice_s = 0.2
    real_time = True

    def __init__(self, folder: Path, *, loads: dict[str, tuple[str, ...]], patience: float = 30.0,
                 environment: Mapping[str, str] | None = None):
        """Start it and wait until it has opened every instrument; `environment` is added to this process's own.

        Raises NotReady with what it refuses.
        """
        self.clock: Clock = MachineClock()
        self._loads = loads
        # A session of its own, so that Ctrl-C in the terminal reaches the guide alone.
        self.process = subprocess.Popen([sys.executable, "-c", _START, str(folder)],
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True,
                                        creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),  # Windows
                                        env={**os.environ, **(environment or {})})
        self._news: queue.SimpleQueue[dict] = queue.SimpleQueue()
        threading.Thread(target=self._listen, args=(self.process,), daemon=True).start()
        self.closed: bool | None = None
        self._heard = self._looked = self._here = time.monotonic()
        first = self._next(patience)
        if first is None or "ready" not in first:
            self._kill()
            faults = [Fault(**item) for item in (first or {}).get("faults", [])]
            raise NotReady(faults or Fault(str(folder), "the recorder does not start", "see what it printed"))
        self.session = int(first["session"])

    def _listen(self, process: subprocess.Popen[str]) -> None:
        with cast(IO[str], process.stdout) as stream:
            for line in stream:
                self._news.put(json.loads(line))
        self._news.put({"gone": process.wait()})

    def _next(self, seconds: float) -> dict | None:
        try:
            found = self._news.get(timeout=max(seconds, 0.0))
        except queue.Empty:
            return None
        self._heard = time.monotonic()
        return found

    def advance(self, seconds: float) -> Happened:
        """See `Station`. Raises RecorderGone when the process has ended or hangs."""
        total, until = Happened(), time.monotonic() + seconds
        if time.monotonic() - self._looked > 1.0:
            self._heard = time.monotonic()  # nobody listened meanwhile: that was not the recorder's silence
        if time.monotonic() - self._here >= HERE_S:
            self._here = time.monotonic()
            self._say(do="here")
        while (left := until - time.monotonic()) > 0 or not self._news.empty():
            news = self._next(min(left, LOOK_S))
            if news is None:
                if time.monotonic() - self._heard > SILENCE_S:
                    self._kill()
                    raise RecorderGone(f"the recorder said nothing for {SILENCE_S:g} s and was ended, its load with it")
                continue
            if "gone" in news:
                raise _gone(news["gone"])
            self._take(total, news)
        self._looked = time.monotonic()
        return total

    def _take(self, total: Happened, news: dict) -> None:
        if "closed" in news:
            self.closed = bool(news["closed"])
            return
        total.readings += [(name, Reading(channel, value, stamp, "", flag))
                           for name, channel, value, stamp, flag in news["readings"]]
        total.events += [(what, given) for what, given in news["events"]]
        total.alarm = news["alarm"]
        total.stopped = Stopped(**news["stopped"]) if news["stopped"] else total.stopped
        total.load_end = LoadEnd(**news["load_end"]) if news["load_end"] else total.load_end

    def _say(self, **word: object) -> None:
        try:
            stdin = cast(IO[str], self.process.stdin)
            stdin.write(json.dumps(word) + "\n")
            stdin.flush()
        except (OSError, ValueError):
            self._hang_up()
            try:
                raise _gone(self.process.wait(1.0)) from None
            except subprocess.TimeoutExpired:
                raise RecorderGone("the recorder listens no more; its load has ended with it") from None

    def event(self, what: str, /, **particulars: object) -> None:
        """See `Station`."""
        self._say(do="event", what=what, given=particulars)

    def start_load(self, step: Step, bounds: Sequence[Bound]) -> bool:
        """See `Station`."""
        name = str(step.settings.get("load", step.name))
        command = self._loads.get(name, ())
        self._say(do="load", name=name, command=list(command),
                  bounds=[[item.channel, item.threshold, item.unit, item.action, item.why] for item in bounds])
        return bool(command)

    def stop_load(self, why: str, *, need: bool = False) -> None:
        """See `Station`."""
        self._say(do="unload", why=why, need=need)

    def close(self) -> bool:
        """See `Station`."""
        try:
            self._say(do="close")
            until = time.monotonic() + 30.0
            while time.monotonic() < until and self.closed is None:
                news = self._next(0.5)
                if news is not None and "gone" in news:
                    break
                if news is not None:
                    self._take(Happened(), news)
        except RecorderGone:
            self.closed = False
        self._hang_up()
        try:
            self.process.wait(LEAVE_S)
        except subprocess.TimeoutExpired:
            self._kill()
        return bool(self.closed)

    def _hang_up(self) -> None:
        try:
            cast(IO[str], self.process.stdin).close()
        except OSError:
            return  # what was still to be said reaches nobody any more

    def _kill(self) -> None:
        self._hang_up()
        self.process.kill()
        self.process.wait()

