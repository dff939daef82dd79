"""Run the plan at the bench, and prove what was recorded there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from phasewright.app.jobs.foreseeing import known_model
from phasewright.app.jobs.progress import Progress, quiet

if TYPE_CHECKING:
    from phasewright.app.recording import Person
    from phasewright.app.recording_files import Verified
    from phasewright.app.recording_run import Recorded
    from phasewright.bench import Bench, Campaign
    from phasewright.model import Fitted


def record(
    folder: str | Path, person: Person, *, may_start: Callable[[tuple[tuple[str, ...], ...]], bool], measured: bool = True,
    progress: Progress | None = None,
) -> Recorded:
    """Take `person` through what is left of the campaign's plan at the bench, recording all of it.

    Parameters
    ----------
    person
        Is told what to set by hand, shown every moment, and asked before each step.
    may_start
        Asked once, with every program that the bench file starts (loads, loggers, what is done in need).
    measured
        False: foresee from part data alone, even when steps have been run.

    Raises
    ------
    BenchFault, NotReady
        Before anything is started; an instrument that is merely away is no fault.
    """
    from phasewright.app.recording_run import record as run

    def known(bench: Bench, campaign: Campaign) -> Fitted:
        return known_model(Path(folder), bench, campaign, measured, progress or quiet)

    return run(Path(folder), person, known=known, may_start=may_start)


def verify_record(folder: str | Path) -> Verified:
    """Read every record of a campaign's journal again, and compare its logs with what was read from them.

    Raises NotReady where there is neither a journal nor a log.
    """
    from phasewright.app.recording_files import verify_folder

    return verify_folder(Path(folder))
