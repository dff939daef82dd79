"""The dry run: a whole plan through the recorder and the guide on the virtual bench, with nobody and nothing at risk."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from phasewright.app.foresee import campaign_of, look_over
from phasewright.app.recording import Guide
from phasewright.app.recording_files import bring_in
from phasewright.app.recording_run import Known, Recorded, learner, record
from phasewright.app.recording_scene import Asked, Frame, Person, RunResult
from phasewright.live import DirectStation, DryRun, MovedClock, RealTimeRun, drivers_of, live_scenario

if TYPE_CHECKING:
    from phasewright.live import Scenario

STEPS = ("10 phases, 210 W", "6 phases, 210 W", "10 phases, 300 W", "6 phases, 300 W", "5 phases, 300 W", "4 phases, 300 W",
         "3 phases, 300 W")
"""Of the demonstration's steps: enough to see where the phases become too few."""


class Stand:
    """Stands in for the person: does at once what the guide asks, and goes on."""

    def __init__(self, told: Callable[[str], None], progress: Callable[[float, str], None]):
        self._told, self._progress = told, progress
        self._share = (0.0, 1.0)
        self._shown = -60.0

    def before(self, asked: Asked) -> str:
        """See `Person`."""
        self._share = ((asked.number - 1) / asked.count, asked.number / asked.count)
        return "go"

    def switch(self, on: bool, load: str) -> bool:
        """See `Person`."""
        return True

    def show(self, frame: Frame) -> None:
        """See `Person`."""
        low, high = self._share
        done = min(frame.elapsed / max(frame.planned, 1.0), 1.0)
        hot = next((line.value.value for line in frame.lines if line.channel == "regulator_temperature" and line.value), None)
        said = "" if hot is None else f", regulator {hot:.0f} °C"
        self._progress(low + (high - low) * done, f"{frame.step}: {frame.phase} {frame.elapsed:.0f} s{said} (simulated)")

    def pressed(self) -> str:
        """See `Person`."""
        return ""

    def tell(self, text: str) -> None:
        """See `Person`."""
        self._told(text)


@dataclass(frozen=True, slots=True)
class DryResult:
    """What a dry run left behind."""

    run: RunResult
    bench: DryRun
    abandoned: tuple[str, ...]


def short_scenario(names: tuple[str, ...] = STEPS) -> Scenario:
    """Return the dry run's scenario with the steps of these names."""
    made = live_scenario()
    return replace(made, steps=tuple(step for step in made.steps if step.name in names))


def dry_run(folder: Path, *, seed: int, scenario: Scenario | None = None, known: Mapping[str, float] | None = None,
            told: Callable[[str], None] = lambda text: None,
            progress: Callable[[float, str], None] = lambda fraction, text: None,
            model: Known | None = None) -> DryResult:
    """Run a plan in `folder` on the virtual bench, through the same transports and the same guide as a real one.

    `model` is asked after each step, and the plan made anew with what it says; None: the plan stays as it was.
    """
    scenario = scenario or short_scenario()
    clock = MovedClock(round(scenario.lab_zero * 1e9))
    folder.mkdir(parents=True, exist_ok=True)
    bench = DryRun(folder, scenario, seed, clock, dict(known or {}))
    try:
        bench.write_files()
        stated, campaign = campaign_of(folder)
        plan = look_over(stated, campaign.steps, None)
        station = DirectStation(stated, bench.fresh(drivers_of(stated, bench.surroundings())), folder, clock,
                                head={"campaign": campaign.name, "bench": stated.fingerprint, "simulated": True},
                                load_of=bench.load_of)
        guide = Guide(stated, campaign, station, Stand(told, progress), set_up=bench.set_up,
                      learn=None if model is None else learner(folder, model))
        try:
            result = guide.run(plan)
        finally:
            station.close()
        _, abandoned = bring_in(folder, stated)
    finally:
        bench.close()
    return DryResult(result, bench, abandoned)


def dry_run_in_real_time(folder: Path, person: Person | None, *, seed: int, model: Known,
                         scenario: Scenario | None = None) -> Recorded:
    """Take `person` (None = the page) through the plan on the virtual bench in real time, the recorder a process of its own.

    What is to be set by hand counts as set once the person says so; the page can be opened beside it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    bench = RealTimeRun(folder, scenario or short_scenario(), seed)
    try:
        bench.write_files()
        return record(folder, person, known=model, may_start=lambda programs: True, set_up=bench.set_up,
                      environment=bench.environment)
    finally:
        bench.close()
