"""Where the guide and the recorder meet: in one process for a run whose clock waits, in two for a real one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from phasewright.bench import Bench, Step
from phasewright.live.clock import Clock
from phasewright.live.guard import Bound
from phasewright.live.instruments.driver import Driver
from phasewright.live.journal.writing import JournalWriter
from phasewright.live.load import Load
from phasewright.live.recorder import Happened, Recorder
from phasewright.live.scribe import DirectScribe

SYNC_S = 60.0
"""[s] On a clock that waits for nobody a second is no time; a real run syncs every second."""


class Station(Protocol):
    """A recorder at work, as the guide sees it."""

    clock: Clock
    slice_s: float
    """Time after which a person's key is looked for [s]."""
    real_time: bool
    """False: its clock moves only when somebody waits."""

    def advance(self, seconds: float) -> Happened:
        """Let time pass and return what has happened."""
        ...

    def event(self, what: str, /, **particulars: object) -> None:
        """Put an event on record."""
        ...

    def start_load(self, step: Step, bounds: Sequence[Bound]) -> bool:
        """Put the load of a step on and watch; return False when a person has to do it by hand."""
        ...

    def stop_load(self, why: str, *, need: bool = False) -> None:
        """Take the load off; in need do also what the bench file says."""
        ...

    def close(self) -> bool:
        """End the record; return whether all of it is on the disk."""
        ...


class DirectStation:
    """A recorder in this process."""

    slice_s = 1.0
    real_time = False

    def __init__(self, bench: Bench, drivers: dict[str, Driver], folder: Path, clock: Clock, *, head: dict,
                 load_of: Callable[[Step], Load | None]):
        self.clock, self._load_of = clock, load_of
        self.writer = JournalWriter(folder / "journal", clock, head=head)
        self.recorder = Recorder(bench, drivers, DirectScribe(self.writer, clock, SYNC_S), clock, threads=False, folder=folder,
                                 run_stop=lambda command: None)
        self.recorder.open()

    def advance(self, seconds: float) -> Happened:
        """See `Station`."""
        return self.recorder.advance(seconds)

    def event(self, what: str, /, **particulars: object) -> None:
        """See `Station`."""
        self.recorder.event(what, **particulars)

    def start_load(self, step: Step, bounds: Sequence[Bound]) -> bool:
        """See `Station`."""
        load = self._load_of(step)
        self.recorder.start_load(load, str(step.settings.get("load", step.name)), bounds)
        return load is not None

    def stop_load(self, why: str, *, need: bool = False) -> None:
        """See `Station`."""
        self.recorder.stop_load(why)
        if need:
            self.recorder.need()

    def close(self) -> bool:
        """See `Station`."""
        return self.recorder.close()
