"""Long trials of recording: kills, cuts, flipped bits, failing calls, resumed plans, late answers, bounds, load and soak.

Each prints one line with its number; exit 1 when a goal is missed. A goal that is a time is judged as it is said, however busy
the machine; how busy it was stands beside it.
"""

from __future__ import annotations

import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import textwrap
import time
from collections.abc import Callable
from pathlib import Path

from phasewright.app.recording_files import steps_of
from phasewright.bench import Bench, Board, Connection, Cooling, Instrument, Processor, ReadingSource, Regulator
from phasewright.live import Bound, Guard, demo_scenario, nested_bounds, read_journal
from phasewright.live.clock import ClockWatch, MachineClock, MovedClock
from phasewright.live.foremost import be_punctual, go_first
from phasewright.live.instruments.driver import Polled, Reading, Surroundings
from phasewright.live.instruments.scpi import ScpiDriver
from phasewright.live.journal.disk import Disk
from phasewright.live.journal.reading import segment_paths, survey
from phasewright.live.journal.writing import JournalWriter
from phasewright.live.recorder import Recorder
from phasewright.live.scribe import DirectScribe, ThreadScribe
from phasewright.live.standin.scpi_server import ScpiServer

MISSED: list[str] = []

WRITER = textwrap.dedent("""
    import signal, sys
    from pathlib import Path
    from phasewright.live.clock import MachineClock
    from phasewright.live.journal.writing import JournalWriter
    writer = JournalWriter(Path(sys.argv[1]), MachineClock())
    try:
        print("up", flush=True)
        while True:
            for _ in range(10):
                seq = writer.add("reading", "meter/input_power", 1.5 * writer.seq, "W")
            writer.flush()
            sys.stdout.write(f"{seq}\\n"); sys.stdout.flush()
    except KeyboardInterrupt:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        writer.close()
        print("closed", flush=True)
""")
SPAWNER = textwrap.dedent("""
    import os, random, signal, sys, time
    from pathlib import Path
    from phasewright.live.clock import MachineClock
    from phasewright.live.journal.writing import JournalWriter
    place, trials, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    chance = random.Random(seed)
    for trial in range(trials):
        read, write = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(read)
            writer = JournalWriter(place / str(trial), MachineClock())
            while True:
                for _ in range(10):
                    seq = writer.add("reading", "meter/input_power", 1.5 * writer.seq, "W")
                writer.flush()
                os.write(write, b"%d\\n" % seq)
        os.close(write)
        first = os.read(read, 64)
        time.sleep(chance.uniform(0.0, 0.03))
        os.kill(pid, signal.SIGKILL)
        rest = b""
        while data := os.read(read, 65536):
            rest += data
        os.waitpid(pid, 0)
        os.close(read)
        print((first + rest).split()[-1].decode(), flush=True)
""")


def told(name: str, good: bool, text: str) -> None:
    """Print one line, and remember a missed goal."""
    print(f"{name:<34} {'met   ' if good else 'MISSED'}  {text}", flush=True)
    if not good:
        MISSED.append(name)


def values_of(folder: Path) -> tuple[dict, object]:
    """Return every sound record's value by its number, and the survey."""
    values: dict[int, object] = {}
    return values, survey(folder, lambda entry, session: values.setdefault(entry.seq, entry.value))


def kills(place: Path, trials: int = 1000) -> None:
    """R1: killed at a random instant, no acknowledged record is lost and no run unreadable."""
    out = subprocess.run([sys.executable, "-c", SPAWNER, str(place), str(trials), "7"], capture_output=True, text=True,
                         check=True).stdout.split()
    lost = unread = total = 0
    for trial, last in enumerate(out):
        values, found = values_of(place / str(trial))
        total += found.records
        lost += sum(values.get(seq) != 1.5 * seq for seq in range(int(last) + 1)) + len(found.missing)
        unread += found.complete or found.unclosed != [1]
    told("R1 kill at a random instant", len(out) == trials and not lost and not unread,
         f"{trials} kills, {total} records, {lost} acknowledged lost, {unread} kills unseen")


def made(place: Path, count: int, **options: object) -> tuple[Path, bytes, dict]:
    """Write a sound journal; return its segment, its bytes and its values."""
    clock = MovedClock(1_741_079_520_000_000_000)
    writer = JournalWriter(place, clock, **options)
    for index in range(count):
        writer.add("reading", "meter/input_power", 300.0 + 0.1 * index, "W", text=f"{300 + 0.1 * index:.1f}")
        clock.sleep(0.1)
    writer.close()
    path = segment_paths(place)[-1]
    return path, path.read_bytes(), values_of(place)[0]


def cuts(place: Path, count: int = 1000, step: int = 1) -> None:
    """R2: cut at each of the last 65 536 bytes; the prefix comes back, the loss is stated, no value is wrong."""
    path, whole, values = made(place, count)
    wrong = silent = tried = 0
    for size in range(len(whole) - 1, max(len(whole) - 65_536, whole.index(b"\n")), -step):
        os.truncate(path, size)
        if tried % 16 == 0:
            seen, found = values_of(place)
            wrong += not (seen.items() <= values.items()) or found.records != whole.count(b"\n", 0, size) - 1
            silent += found.complete
        else:
            # Between two whole readings the last lines alone can differ.
            tail = whole[max(0, size - 400) : size].split(b"\n")[1:]
            from phasewright.live.journal.line import from_line

            parts = [from_line(line) for line in tail[:-1]]
            wrong += any(item is None or values.get(item.seq, item.value) != item.value for item in parts)
            silent += from_line(tail[-1]) is not None and not tail[-1].startswith(b"~")
        tried += 1
    told("R2 cut at every byte", not wrong and not silent, f"{tried} cuts, {wrong} wrong, {silent} unseen")


def flips(place: Path, trials: int = 10_000) -> None:
    """R3: every single flipped bit is found, and costs one record at most."""
    path, whole, values = made(place, 60)
    chance, unseen, costly, wrong = random.Random(3), 0, 0, 0
    for _ in range(trials):
        bit = chance.randrange(8 * len(whole))
        hurt = bytearray(whole)
        hurt[bit // 8] ^= 1 << bit % 8
        path.write_bytes(bytes(hurt))
        seen, found = values_of(place)
        unseen += found.complete
        costly += found.records < len(values) - 2
        wrong += not (seen.items() <= values.items())
    told("R3 flipped bits", not (unseen or costly or wrong), f"{trials} flips, {unseen} unseen, {costly} cost more than one "
         f"record, {wrong} gave a wrong value")


class Failing(Disk):
    """Lets the n-th call of one kind fail, and some after it."""

    def __init__(self, kind: str, at: int, error: int, lasting: int):
        self.kind, self.at, self.error, self.lasting, self.count, self.hit = kind, at, error, lasting, 0, False

    def turn(self, kind: str) -> None:
        """Count a call."""
        if kind == self.kind:
            self.count += 1
            if self.at <= self.count < self.at + self.lasting:
                self.hit = True
                raise OSError(self.error, os.strerror(self.error))

    def make(self, path):
        """See `Disk`."""
        self.turn("make")
        return super().make(path)

    def write(self, handle, data):
        """See `Disk`."""
        if self.kind == "short" and len(data) > 3:
            self.count += 1
            if self.at <= self.count < self.at + self.lasting:
                self.hit = True
                return super().write(handle, data[: len(data) // 2])
        self.turn("write")
        return super().write(handle, data)

    def sync(self, handle):
        """See `Disk`. A tenth of the syncs is enough for the trial's purpose."""
        self.turn("sync")
        if self.count % 10 == 0:
            super().sync(handle)

    def close(self, handle):
        """See `Disk`."""
        super().close(handle)
        self.turn("close")


def calls(place: Path) -> None:
    """R4, R5: the n-th call fails, n until clean; nothing is lost, nothing reported as done that was not."""
    cases = lost = false = late = 0
    for kind, error in (("write", 28), ("write", 5), ("sync", 5), ("make", 28), ("close", 5), ("short", 0)):
        for lasting in (1, 5):
            for at in range(2, 600):
                cases += 1
                folder, clock = place / f"{kind}{error}{lasting}-{at}", MovedClock()
                disk = Failing(kind, at, error, lasting)
                writer = JournalWriter(folder, clock, disk=disk, segment_bytes=1500)
                for index in range(60):
                    writer.add("reading", "a/b", float(index), "W")
                    was = disk.hit
                    done = writer.sync() if index % 10 == 9 else writer.flush()
                    false += bool(done and index % 10 == 9 and writer.synced != writer.seq - 1)
                    if disk.hit and not was:
                        late += not writer.alarm and kind not in ("close", "short")
                    clock.sleep(0.1)
                closed = writer.close()
                values, found = values_of(folder)
                lost += len(found.missing) + (not closed) + (set(v for v in values.values() if v is not None)
                                                             != set(map(float, range(60))))
                if not disk.hit:
                    break
    told("R4, R5 the n-th call fails", not (lost or false or late),
         f"{cases} cases, {lost} lost something, {false} reported done falsely, {late} raised no alarm at once")


def resumed(place: Path, trials: int = 200, steps: int = 50) -> None:
    """R6: killed in mid-plan again and again; no step is skipped, none run twice after done, none merged half."""
    chance, wrong, kills_ = random.Random(6), 0, 0
    for trial in range(trials):
        folder, clock = place / str(trial), MovedClock(1_741_079_520_000_000_000)
        plan, ran = [f"step {n}" for n in range(steps)], []
        for _ in range(1000):
            told_ = read_journal(folder) if folder.exists() else None
            done = [item.name for item in steps_of(told_)[0]] if told_ else []
            left = [name for name in plan if name not in done]
            if not left:
                break
            writer, budget = JournalWriter(folder, clock), chance.randrange(1, 60)
            for name in left:
                for what in ("step_intent", "step_on", "step_off", "step_done"):
                    if budget <= 0:
                        break
                    given = {"settings": {"phase_count": 4}} if what == "step_intent" else {}
                    writer.event(what, step=name, outcome="ran", **given)
                    writer.flush()
                    clock.sleep(1.0)
                    budget -= 1
                    if what == "step_done":
                        ran.append(name)
                if budget <= 0:
                    break
            writer.abandon()
            kills_ += 1
            path = segment_paths(folder)[-1]
            if chance.random() < 0.5 and budget <= 0:
                # A torn last line: what it said was never acknowledged.
                with path.open("ab") as file:
                    file.write(b"~99\t1\t2\tevent\tstep_done")
        final = steps_of(read_journal(folder))
        wrong += [item.name for item in final[0]] != plan or ran != plan
        wrong += any(item.end_ns <= item.start_ns for item in final[0])
    told("R6 resume", not wrong, f"{trials} plans of {steps} steps, {kills_} kills, {wrong} plans went wrong")


def interrupts(place: Path, trials: int = 40) -> None:
    """R7: keyboard interrupts; no record twice, no lock left behind, the end is written."""
    twice = locked = unclosed = 0
    chance = random.Random(5)
    for trial in range(trials):
        folder = place / str(trial // 20)
        child = subprocess.Popen([sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True)
        if child.stdout.readline().strip() != "up":
            locked += 1
        time.sleep(chance.uniform(0.0, 0.05))
        child.send_signal(signal.SIGINT)
        rest = child.communicate()[0]
        unclosed += "closed" not in rest
        if trial % 20 == 19 or trial == trials - 1:
            seen: list[int] = []
            found = survey(folder, lambda entry, session, seen=seen: seen.append(entry.seq) if entry.seq >= 0 else None)
            twice += len(seen) - len(set(seen)) + len(found.missing)
            unclosed += len(found.unclosed)
    told("R7 keyboard interrupts", not (twice or locked or unclosed),
         f"{trials} interrupts, {twice} records twice or lost, {locked} locks left, {unclosed} ends missing")


def clocks(trials: int = 50) -> None:
    """R11: the wall clock is set, goes back, the machine sleeps; elapsed time stays and every event is seen."""
    chance, wrong = random.Random(11), 0
    for _ in range(trials):
        clock = MovedClock(1_741_079_520_000_000_000)
        watch = ClockWatch(clock)
        start, due = clock.monotonic_ns(), 0
        for _ in range(100):
            clock.sleep(1.0)
            due += 1_000_000_000
            kind = chance.random()
            if kind < 0.05:
                step = chance.choice([3600.0, -3600.0, -1.7e9, 0.6, -0.6])
                clock.set_wall(clock.wall_ns() + round(step * 1e9))
                wrong += not any(text.startswith("clock_step") for text in watch.look())
            elif kind < 0.08:
                clock.sleep(600.0)
                due += 600_000_000_000
                wrong += not any(text.startswith("pause") for text in watch.look())
            else:
                wrong += bool(watch.look())
        wrong += clock.monotonic_ns() - start != due
    told("R11 clocks", not wrong, f"{trials} runs, {wrong} events unseen or made up")


def bench_of(count: int, period: float) -> Bench:
    """Return a bench with `count` channels on eight instruments."""
    names = [f"board_temperature.{n}" for n in range(count)]
    groups = [names[k::8] for k in range(8)]
    instruments = tuple(
        Instrument(f"i{k}", period=period, connection=Connection("sim"),
                   reading={name: ReadingSource(name, "x") for name in group}) for k, group in enumerate(groups))
    return Bench("trial", Board("b"), Regulator("r", 4), Processor(), Cooling(), instruments)


class Fast:
    """A driver that answers at once."""

    identity = "trial"

    def __init__(self, item: Instrument, clock, *, keep: bool = True):
        self.item, self.clock, self.stamps, self.keep = item, clock, [], keep

    def open(self) -> None:
        """See `Driver`."""

    def close(self) -> None:
        """See `Driver`."""

    def read(self) -> Polled:
        """See `Driver`."""
        now = self.clock.monotonic_ns()
        if self.keep:
            self.stamps.append(now)
        return Polled([Reading(name, 25.0 + 1e-9 * now % 1.0, now, "25.0") for name in self.item.reading])


WRITE_S, JITTER_S, BURST = 0.050, 0.020, 20_000
"""What R8 and L4 of the goals say: 99 % written within [s], 99 % of looks late by less than [s], records a second."""


def burdened() -> str:
    """Return how busy the machine is and how this process stands in it: lateness means nothing without."""
    return f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores, niceness {os.getpriority(os.PRIO_PROCESS, 0)}"


def paced(place: Path, count: int, period: float, seconds: float) -> tuple[Recorder, ThreadScribe, JournalWriter]:
    """Record `count` channels on eight instruments in real time, as the recorder's process does."""
    clock, bench = MachineClock(), bench_of(count, period)
    drivers = {item.name: Fast(item, clock, keep=False) for item in bench.instruments}
    writer = JournalWriter(place, clock)
    scribe = ThreadScribe(writer, clock, be_punctual)
    recorder = Recorder(bench, drivers, scribe, clock, threads=True, punctual=be_punctual)
    recorder.open()
    until, since = time.monotonic() + seconds, time.monotonic()
    while time.monotonic() < until:
        recorder.advance(min(0.25, max(until - time.monotonic(), 0.01)))  # as `at_work` does
        if time.monotonic() - since > 300.0:
            since = time.monotonic()
            print(f"  after {seconds - (until - since):.0f} s: {scribe.written.count} readings written, p99 "
                  f"{1e3 * scribe.written.share(0.99):.1f} ms; looks late p99 "
                  f"{1e3 * max(pace.late.share(0.99) for pace in recorder.pace.values()):.1f} ms, "
                  f"{sum(pace.skipped for pace in recorder.pace.values())} left out; {burdened()}", flush=True)
    recorder.close()
    return recorder, scribe, writer


def load(place: Path, seconds: float = 20.0) -> None:
    """R8, L4: 64 channels at 50 Hz, 32 at 10 Hz, and a burst, all in real time and judged on what the goals say."""
    go_first()
    punctual = be_punctual()
    before = burdened() + (", punctual" if punctual else "")
    recorder, scribe, _ = paced(place / "load", 64, 0.02, seconds)
    after, jitter, burst = burdened(), _jitter(place, seconds), _burst(place, seconds)
    if punctual:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    os.setpriority(os.PRIO_PROCESS, 0, 5)  # what follows is no recording, and others want the machine
    found = survey(place / "load")
    looks = sum(pace.looks for pace in recorder.pace.values())
    skipped = sum(pace.skipped for pace in recorder.pace.values())
    lost = 8 * looks - scribe.written.count + found.lost
    share, worst = scribe.written.share(0.99), scribe.written.worst
    told("R8 64 channels at 50 Hz", found.complete and not lost and not skipped and share <= WRITE_S,
         f"{8 * looks} readings in {seconds:g} s ({8 * looks / seconds:.0f} a second), {lost} dropped, {skipped} of "
         f"{looks + skipped} looks left out; written p99 {1e3 * share:.1f} ms, worst {1e3 * worst:.0f} ms; "
         f"{before}, then {after}")
    late = max(pace.late.share(0.99) for pace in recorder.pace.values())
    print(f"{'   their looks':<34}         late p99 {1e3 * late:.1f} ms, worst "
          f"{1e3 * max(pace.late.worst for pace in recorder.pace.values()):.0f} ms (no goal: L4 is at 10 Hz)")
    jitter()
    burst()


def _jitter(place: Path, seconds: float) -> Callable[[], None]:
    span = max(min(seconds, 120.0), 20.0)
    recorder, _, _ = paced(place / "jitter", 32, 0.1, span)
    late = max(pace.late.share(0.99) for pace in recorder.pace.values())
    rate = min(pace.looks for pace in recorder.pace.values()) / span
    busy = burdened()
    return lambda: told(
        "L4 32 channels at 10 Hz", late <= JITTER_S and survey(place / "jitter").complete,
        f"{rate:.3f} looks a second at the least; late p99 {1e3 * late:.1f} ms, worst "
        f"{1e3 * max(pace.late.worst for pace in recorder.pace.values()):.0f} ms; {busy}")


def _burst(place: Path, seconds: float) -> Callable[[], None]:
    span, clock = max(min(seconds, 60.0), 20.0), MachineClock()
    scribe = ThreadScribe(JournalWriter(place / "burst", clock), clock, be_punctual)
    began, count = time.perf_counter(), 0
    while (now := time.perf_counter() - began) < span:
        while count < BURST * now:
            scribe.add("reading", "meter/input_power", 300.0 + count, "W", "", "300.0", clock.monotonic_ns())
            count += 1
        scribe.tick()
        time.sleep(0.01)
    scribe.close()
    busy = burdened()

    def judge() -> None:
        found, share = survey(place / "burst"), scribe.written.share(0.99)
        told("R8 burst", found.complete and found.records == count + 2 and share <= WRITE_S and count >= 0.99 * BURST * span,
             f"{count / span:.0f} readings a second for {span:g} s, {found.lost} dropped; written p99 {1e3 * share:.1f} ms, "
             f"worst {1e3 * scribe.written.worst:.0f} ms; {busy}")

    return judge


def soak(place: Path, hours: float = 1.5) -> None:
    """R9: 32 channels at 10 Hz on a clock that waits for nobody; memory and open files stay where they are."""
    clock, bench = MovedClock(1_741_079_520_000_000_000), bench_of(32, 0.1)
    drivers = {item.name: Fast(item, clock, keep=False) for item in bench.instruments}
    recorder = Recorder(bench, drivers, DirectScribe(JournalWriter(place / "soak", clock), clock, 60.0), clock, threads=False)
    recorder.open()
    recorder.advance(360.0)
    files, memory = len(os.listdir("/proc/self/fd")), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for _ in range(round(hours * 3600 / 10)):
        recorder.advance(10.0)
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory) / 1024
    same = len(os.listdir("/proc/self/fd")) == files
    recorder.close()
    told("R9 soak", grown <= 32 and same,
         f"{hours:g} h in quick motion, {hours * 3600 * 320:.0f} samples: memory +{grown:.1f} MiB, "
         f"open files {'constant' if same else 'grew'}")


def desync(number: int = 10_000) -> None:
    """L1: late and split answers; none is booked to another channel."""
    right = {"input_voltage": 12.04, "input_current": 25.5}
    answers = {"READ:VOLT?": "12.04", "READ:CURR?": "25.5"}
    chance, hurt = random.Random(1), [0]

    def faults():
        while True:
            kind = chance.choice(["late", "split", "", "no_end", "twice"])
            hurt[0] += kind != ""
            yield kind

    server = ScpiServer(answers.get, faults=faults(), late=0.003)
    reading = {name: ReadingSource(name, ask) for name, ask in zip(right, answers, strict=True)}
    item = Instrument("meter", connection=Connection("scpi", server.address, timeout=0.0015), reading=reading)
    driver, wrong, seen = ScpiDriver(item, Surroundings(MachineClock())), 0, 0
    began = time.monotonic()
    while hurt[0] < number and time.monotonic() - began < 150.0:
        for found in driver.read().readings:
            wrong += found.value not in (None, right[found.channel])
            seen += found.value is not None
        driver._lost_at = None
    driver.close()
    server.close()
    told("L1 late and split answers", not wrong and hurt[0] >= min(number, 5000), f"{hurt[0]} hurt answers, {seen} readings, "
         f"{wrong} booked wrongly")


def bounds(number: int = 100_000) -> None:
    """S2: random requests; none above what the parts bear."""
    bench, chance, above = demo_scenario().bench, random.Random(2), 0
    most = {"regulator_temperature": 150.0, "inductor_temperature": 125.0, "coolant_temperature": 50.0}
    channels = [*most, "rail_current"]
    for _ in range(number // 20):
        phases = chance.randint(1, 10)
        asked = [Bound(chance.choice(channels), chance.choice([chance.uniform(-1e4, 1e4), float("inf"), float("nan"), 1e300]), "",
                       chance.choice(["stop", "hold"]), "asked") for _ in range(20)]
        stops = {item.channel: item.threshold for item in nested_bounds(asked, bench, {"phase_count": phases})
                 if item.action == "stop"}
        ceilings = most | {"rail_current": phases * 80.0}
        above += sum(not stops[name] <= value for name, value in ceilings.items())
    told("S2 nested bounds", not above, f"{number} requests, {above} above what the parts bear")


def stale(trials: int = 1000) -> None:
    """S4: a channel falls silent; found within max(3 periods, 2 s), never before."""
    chance, wrong = random.Random(4), 0
    for _ in range(trials):
        period, quiet = chance.choice([0.05, 0.2, 1.0, 3.0]), chance.uniform(3.0, 12.0)
        guard, now, due, last, found = Guard(), 0.0, 0.0, 0.0, None
        guard.arm([], {"input_power": period}, 0)
        while found is None:
            if now >= due:
                due += period
                if now < quiet:
                    guard.see("input_power", 300.0, round(now * 1e9))
                    last = now
            found = guard.check(round(now * 1e9))
            now += 0.05
        longest = max(3 * period, 2.0)
        wrong += not longest - 1e-6 < now - 0.05 - last <= longest + 0.1
    told("S4 stale channels", not wrong, f"{trials} silences, {wrong} found too late or too soon")


LOADED = """
import sys, time
from pathlib import Path
from phasewright.bench import Step, read_bench
from phasewright.live import ProcessStation
folder = Path(sys.argv[1])
bench = read_bench(folder)
station = ProcessStation(folder, loads={item.name: item.command for item in bench.loads})
station.start_load(Step("s", {"load": "steady"}), ())
print(station.process.pid, flush=True)
while True:
    station.advance(0.2)
    if sys.argv[2] == "raise" and (folder / "now").exists():
        raise RuntimeError("by the trial")
    if sys.argv[2] == "close" and (folder / "now").exists():
        station.close()
        break
"""
EXITS = {
    "the guide ends as it should": ("close", "", 2.0), "an exception in the guide": ("raise", "", 2.0),
    "SIGINT to the guide": ("", "guide SIGINT", 2.0), "SIGTERM to the guide": ("", "guide SIGTERM", 2.0),
    "SIGKILL to the guide": ("", "guide SIGKILL", 5.0), "SIGTERM to the recorder": ("", "recorder SIGTERM", 2.0),
    "SIGHUP to the recorder": ("", "recorder SIGHUP", 2.0), "SIGKILL to the recorder": ("", "recorder SIGKILL", 5.0),
    "SIGKILL to the keeper": ("", "keeper SIGKILL", 5.0), "the guide suspended": ("", "guide SIGSTOP", 15.0),
    "the recorder suspended": ("", "recorder SIGSTOP", 5.0),
}
"""How a run may end, whose doing it is, and within how long the load has to be off [s]."""


def alive(pid: int) -> bool:
    """Whether a process runs."""
    try:
        return ") Z" not in Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False


def keeper_of(recorder: int) -> int:
    """Return the process that keeps the load of a recorder."""
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            text = path.read_text()
            if int(text.rpartition(")")[2].split()[1]) == recorder and b"load_keeper" in (path.parent / "cmdline").read_bytes():
                return int(path.parent.name)
        except OSError:
            continue
    raise RuntimeError("no keeper was found")


def exits(place: Path, trials: int = 3) -> None:
    """S3: the load, the only thing that is ever put on, is off after every kind of exit."""
    from phasewright.live.virtual.files import bench_text

    on, worst = 0, {}
    for trial in range(trials):
        for name, (how, whose, longest) in EXITS.items():
            folder = place / f"{trial}-{len(worst)}-{name.replace(' ', '-')}"
            folder.mkdir(parents=True)
            python = sys.executable
            (folder / "load.py").write_text("import os, time\nopen('pid', 'w').write(str(os.getpid()))\ntime.sleep(100)\n")
            (folder / "bench.toml").write_text(bench_text(demo_scenario().bench, ()) + f"""
[[instrument]]
name = "meter"
period = "100 ms"
[instrument.connection]
kind = "lines"
command = ["{python}", "-c", "import time\\nprint('power', flush=True)\\nwhile True: print(1.0, flush=True); time.sleep(0.1)"]
[instrument.reading.input_power]
ask = "power"
[[load]]
name = "steady"
command = ["{python}", "load.py"]
""")
            guide = subprocess.Popen([sys.executable, "-c", LOADED, str(folder), how], stdout=subprocess.PIPE, text=True,
                                     stderr=subprocess.DEVNULL)
            recorder = int(guide.stdout.readline())
            until = time.monotonic() + 20.0
            while not ((folder / "pid").exists() and (folder / "pid").read_text()) and time.monotonic() < until:
                time.sleep(0.02)
            load_pid = int((folder / "pid").read_text())
            time.sleep(0.3)
            (folder / "now").touch()
            began = time.monotonic()
            if whose:
                who, _, number = whose.partition(" ")
                pid = {"guide": guide.pid, "recorder": recorder}.get(who) or keeper_of(recorder)
                os.kill(pid, getattr(signal, number))
            while alive(load_pid) and time.monotonic() - began < longest + 5.0:
                time.sleep(0.01)
            took = time.monotonic() - began
            worst[name] = max(took, worst.get(name, 0.0))
            on += alive(load_pid) or took > longest
            for pid in (guide.pid, recorder):
                for number in (signal.SIGCONT, signal.SIGKILL):
                    try:
                        os.kill(pid, number)
                    except ProcessLookupError:
                        continue
            guide.wait()
            guide.stdout.close()
    told("S3 load off on every exit", not on, f"{trials * len(EXITS)} exits of {len(EXITS)} kinds, {on} too late; slowest: "
         + "; ".join(f"{name} {seconds:.1f} s" for name, seconds in sorted(worst.items(), key=lambda item: -item[1])[:4]))


def transports(place: Path, seeds: int = 4) -> None:
    """L5: a plan through every stand-in transport; efficiency and loss against the bench's truth, known errors declared."""
    from dataclasses import replace
    from datetime import datetime

    from phasewright.app import jobs
    from phasewright.app.recording_dry import dry_run, short_scenario

    made = short_scenario(("10 phases, 300 W", "5 phases, 300 W"))
    errors = {name: 0.0 for name in made.error_names if name.partition("/")[0] not in ("board", "parts")}
    chance, off, relative, steps = random.Random(5), 0.0, 0.0, 0
    for seed in range(seeds):
        known = {"meter/input_power": chance.uniform(-0.01, 0.01), "package/package_power": chance.uniform(-0.03, 0.03),
                 "regulator/rail_current": chance.uniform(-0.04, 0.04)}
        folder = place / str(seed)
        result = dry_run(folder, seed=seed, scenario=replace(made, errors=errors), known=known)
        analysis = jobs.analyze(folder)
        signals = result.bench.bench.signals()
        origin = datetime.fromisoformat(analysis.recording.origin).timestamp() - made.lab_zero
        for step in analysis.steps:
            first, last = step.window.start_s + origin, step.window.end_s + origin
            went_in = float(signals.get("input_power").mean(first, last))
            came_out = float(signals.get("package_power").mean(first, last))
            off = max(off, abs(step.quantities["delivery_efficiency"].value - came_out / went_in))
            relative = max(relative, abs(step.quantities["loss"].value / (went_in - came_out) - 1.0))
            steps += 1
    told("L5 end to end", off <= 0.001 and relative <= 0.01 and steps == 3 * seeds,
         f"{steps} steps of {seeds} benches: efficiency off by {100 * off:.3f} points at most, loss by {100 * relative:.2f} %")


def view(place: Path, looks: int = 200) -> None:
    """R10: the page over a run of 64 channels: first view, updates, points a line; and what ten stalled readers cost."""
    import asyncio

    import httpx

    from phasewright.app.recording_board import TRACED, Board, BoardPerson
    from phasewright.app.recording_scene import Frame, Line
    from phasewright.app.web.guard import Gate
    from phasewright.app.web.shelf import Shelf
    from phasewright.app.web.site import make_site
    from phasewright.live import Follower
    from phasewright.quantity import Part, value_from_parts

    folder = place / "view"
    folder.mkdir()
    (folder / "bench.toml").write_text("x = 1\n")
    (folder / "campaign.toml").write_text('format = "phasewright-campaign-1"\nname = "view"\n')
    value = value_from_parts(300.0, "W", [Part("a", 0.9)], "measured")
    lines = tuple(Line(f"board_temperature.{n}", f"Board temperature {n}", value, 0.1, 400.0, 90.0) for n in range(64))
    board = Board(folder, "view")
    BoardPerson(board).show(Frame(
        "one", 1, 1, "load", 60.0, 120.0, lines, 1.0, 1.0, 10.0, (), "",
        lambda channel, buckets: [(float(k), 20.0, 90.0) for k in range(buckets)]))
    gate = Gate(1)
    site, desk = make_site(Shelf(folder), gate)
    home = f"/campaign/{desk.shelf.places()[0].id}/run"

    async def ask() -> tuple[float, list[float], str]:
        transport = httpx.ASGITransport(app=site)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:1",
                                     headers={"x-phasewright-token": gate.token}) as client:
            began = time.perf_counter()
            text = (await client.get(home)).text
            first, took = time.perf_counter() - began, []
            shape = text.partition("shape=")[2].partition('"')[0]
            for _ in range(looks):
                board.put()
                began = time.perf_counter()
                text = (await client.get(f"{home}/now?shape={shape}")).text
                took.append(time.perf_counter() - began)
            return first, took, text

    first, took, text = asyncio.run(ask())
    board.close({})
    points = max(len(part.partition('"')[0].split()) for part in text.split('points="')[1:])
    late = sorted(took)[int(0.95 * len(took))]
    told("R10 page over 64 channels", first <= 2.0 and late <= 0.25 and points <= 4000 and text.count("<polygon") == TRACED,
         f"first view {1000 * first:.0f} ms, updates p95 {1000 * late:.1f} ms, {points} points a line")

    def lateness(readers: int) -> float:
        clock, bench = MachineClock(), bench_of(64, 0.02)
        drivers = {item.name: Fast(item, clock) for item in bench.instruments}
        spot = place / f"readers-{readers}"
        recorder = Recorder(bench, drivers, ThreadScribe(JournalWriter(spot, clock), clock), clock, threads=True)
        recorder.open()
        stalled = [Follower(spot) for _ in range(readers)]
        for item in stalled:
            item.read(4096)  # begun, and never read on
        recorder.advance(10.0)
        recorder.close()
        gaps = sorted(abs(b - a - 20_000_000) for driver in drivers.values()
                      for a, b in zip(driver.stamps, driver.stamps[1:], strict=False))
        return gaps[int(0.99 * len(gaps))] * 1e-6

    alone, crowded = lateness(0), lateness(10)
    print(f"{'R10 stalled readers (not judged)':<34}         lateness p99 {alone:.2f} ms alone, {crowded:.2f} ms with ten")


def main() -> int:
    """Run all of them, or those that are named; `name=number` runs one longer: `load=3600`, `soak=24`, `exits=25`."""
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        trials = {
            "kills": lambda *n: kills(root / "kills", *n), "cuts": lambda: cuts(root / "cuts"),
            "flips": lambda *n: flips(root / "flips", *n), "calls": lambda: calls(root / "calls"),
            "resumed": lambda *n: resumed(root / "resumed", *n), "interrupts": lambda *n: interrupts(root / "interrupts", *n),
            "clocks": clocks, "load": lambda *n: load(root, *n), "soak": lambda *n: soak(root, *n), "desync": desync,
            "bounds": bounds, "stale": stale, "exits": lambda *n: exits(root / "exits", *n),
            "transports": lambda *n: transports(root / "transports", *n), "view": lambda *n: view(root, *n),
        }  # fmt: skip
        for word in sys.argv[1:] or trials:
            name, _, number = word.partition("=")
            trials[name](*([float(number) if name in ("load", "soak") else int(number)] if number else []))
    print(f"{len(MISSED)} goals missed" + (f": {', '.join(MISSED)}" if MISSED else ""))
    return 1 if MISSED else 0


if __name__ == "__main__":
    sys.exit(main())
