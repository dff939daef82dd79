"""`phasewright record`: the plan of a campaign, a recorder in its own process, and a person at the bench."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from phasewright.app.foresee import campaign_of, look_over
from phasewright.app.recording import Guide, Learn
from phasewright.app.recording_board import Board, BoardPerson
from phasewright.app.recording_files import JOURNAL, bring_in, steps_to_run
from phasewright.app.recording_scene import Person, RunResult
from phasewright.bench import Bench, Campaign, Fault, NotReady, PhasewrightError, Step
from phasewright.live import ProcessStation, RecorderGone
from phasewright.model import Fitted
from phasewright.plan import Plan, update_plan

PATIENCE_S, RETRY_S = 40.0, 0.5
"""[s] For which a recorder without a guide is waited for, longer than it records the cool-down; and between two tries."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a run left behind."""

    run: RunResult
    complete: bool
    """Whether all of the record is on the disk."""
    done: tuple[str, ...]
    """Every step that is done by now, earlier sessions' too."""
    abandoned: tuple[str, ...]
    lost: str = ""
    """What became of the recorder, '' = it ended as it should."""


def to_run(folder: Path) -> tuple[Bench, Campaign, tuple[Step, ...]]:
    """Return the bench, the campaign and the steps that are still to be run; a record cut short is brought in first.

    Raises NotReady when there are none.
    """
    bench, campaign = campaign_of(folder)
    if (folder / JOURNAL).is_dir():
        bring_in(folder, bench)
        bench, campaign = campaign_of(folder)
    steps = steps_to_run(folder, campaign)
    if not steps:
        mend = f"add [[step]] blocks, or take them from a plan: phasewright preflight {folder} --phases 8,6,4 --steps"
        raise NotReady(Fault(campaign.file or "campaign.toml", "no step is left to be run", mend))
    return bench, campaign, steps


Known = Callable[[Bench, Campaign], Fitted | None]
"""Returns the model to foresee with."""


def learner(folder: Path, known: Known) -> Learn:
    """Return what makes a plan anew after a step: the record so far is brought in, and the model fitted to it."""

    def learn(plan: Plan, ran: Collection[str]) -> Plan:
        bring_in(folder, plan.bench)
        fitted = known(*campaign_of(folder))
        if fitted is None:
            return plan
        return update_plan(plan, fitted, measured={*ran, *(item.name for item in plan.steps if item.measured)})

    return learn


def record(folder: Path, person: Person | None, *, known: Known,
           may_start: Callable[[tuple[tuple[str, ...], ...]], bool] | None = None,
           set_up: Callable[[Step], None] | None = None, environment: Mapping[str, str] | None = None) -> Recorded:
    """Run what is left of the plan in `folder`, and bring the record in as logs and steps.

    Parameters
    ----------
    person
        At a terminal; None = at the page alone. The page, and any other reader of the board, has a say either way.
    known
        Gives the model to foresee with.
    may_start
        Is asked once, with every program that the bench file starts; None = that is asked on the board.
    set_up, environment
        Of a dry run: told the step that was set by hand; what leads the recorder to the stand-ins.

    Raises
    ------
    BenchFault, NotReady
        Before anything is started.
    """
    board, result = Board(folder, folder.resolve().name), {}
    try:
        at_board = BoardPerson(board, person)
        made = _recorded(folder, at_board, known, may_start or at_board.may_start, set_up, environment or {})
        result = {"steps": [[item.name, item.outcome, item.why] for item in made.run.steps], "left": list(made.run.left),
                  "ended": made.run.ended, "lost": made.lost, "complete": made.complete, "done": list(made.done)}
        return made
    except PhasewrightError as error:
        result = {"faults": [[fault.file, fault.what, fault.mend] for fault in error.faults]}
        raise
    finally:
        board.close(result or {"ended": "the run ended unforeseen; see the terminal, or guide.log beside the board"})


def _recorded(folder: Path, person: BoardPerson, known: Known, may_start: Callable[[tuple[tuple[str, ...], ...]], bool],
              set_up: Callable[[Step], None] | None, environment: Mapping[str, str]) -> Recorded:
    bench, campaign, steps = to_run(folder)
    person.board.put(name=campaign.name, simulated=bench.simulated or campaign.simulated)
    plan: Plan = look_over(bench, steps, known(bench, campaign))
    programs = tuple(item.command for item in bench.loads)
    programs += tuple(item.connection.command for item in bench.instruments if item.connection and item.connection.command)
    programs += (bench.stop.command,) if bench.stop.command else ()
    if programs and not may_start(programs):
        raise NotReady(Fault("bench.toml", "its programs may not be started", "take them out of bench.toml"))
    if plan.readiness.cautions:
        said = [f"  {caution.title}: {caution.action}" for caution in plan.readiness.cautions]
        person.tell("\n".join(["Mind on this bench, with these steps:", *said]))
    station = _station(person, lambda: ProcessStation(
        folder, loads={item.name: item.command for item in bench.loads}, environment=environment))
    guide = Guide(bench, campaign, station, person, set_up=set_up, learn=learner(folder, known))
    result, lost = RunResult(left=tuple(item.name for item in plan.steps if item.runnable)), ""
    try:
        result = guide.run(plan)
    except RecorderGone as error:
        lost = str(error)
        person.tell(f"{lost}. What was recorded is kept: run the command again to go on.")
    finally:
        complete = station.close()
        done, abandoned = bring_in(folder, bench)
    return Recorded(result, complete and not lost, tuple(item.name for item in done), abandoned, lost)


def _station(person: BoardPerson, start: Callable[[], ProcessStation]) -> ProcessStation:
    """Start the recorder; one that still records the cool-down of a run whose guide is gone is waited for."""
    told, until = False, time.monotonic() + PATIENCE_S
    while True:
        try:
            return start()
        except NotReady as error:
            # No guide is at work here, or the board would not be ours.
            at_work = any("another recorder is at work" in fault.what for fault in error.faults)
            if not at_work or time.monotonic() > until or person.pressed() == "stop":
                raise
        if not told:
            told = True
            person.tell("The recorder of a run whose guide is gone still records the cool-down; waiting for it to end.")
        time.sleep(RETRY_S)
