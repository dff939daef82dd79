"""The invented campaign: made, analyzed and published, from files or through the recorder."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from phasewright.app.jobs.analyzing import analyze
from phasewright.app.jobs.files import write_atomically
from phasewright.app.jobs.foreseeing import known_model
from phasewright.app.jobs.progress import Progress, part_of, quiet
from phasewright.app.jobs.publishing import report

if TYPE_CHECKING:
    from phasewright.app.recording_scene import Person
    from phasewright.bench import Bench, Campaign
    from phasewright.findings import Analysis
    from phasewright.model import Fitted
    from phasewright.report import GuideFiles

DEMO_MARK = "SIMULATED.txt"
"""Stands in every demo folder; says that the data are invented, and lets a demo be made anew there."""

_DEMO_NOTE = """Everything in this folder is simulated.

The board, its parts and every number were invented and computed by the virtual bench of Phasewright.
Nothing here was measured. The command `phasewright demo --again` may replace this folder's contents.
"""


@dataclass(frozen=True, slots=True)
class DemoResult:
    """The invented campaign, its analysis and its guide."""

    folder: Path
    analysis: Analysis
    guide: GuideFiles


def demo(
    folder: str | Path, *, seed: int = 1, again: bool = False, progress: Progress | None = None
) -> DemoResult:
    """Make an invented campaign on the virtual bench, analyze it and write its guide.

    Parameters
    ----------
    folder
        Where the campaign goes. A folder that exists is refused, unless `again` is true and it holds an earlier demo.
    seed
        Seed of every simulated error; the same seed gives the same files.
    """
    from phasewright.live import demo_scenario, make_campaign

    folder = Path(folder)
    progress = progress or quiet
    _clear_for_demo(folder, again)
    progress(0.0, "running the virtual bench (simulated)")
    make_campaign(folder, demo_scenario(), seed)
    write_atomically(folder / DEMO_MARK, _DEMO_NOTE)
    result = analyze(folder, progress=part_of(progress, 0.3, 0.6))
    guide = report(folder, analysis=result, progress=part_of(progress, 0.6, 1.0))
    return DemoResult(folder, result, guide)


def demo_live(
    folder: str | Path, *, seed: int = 1, again: bool = False, told: Callable[[str], None] | None = None,
    person: Person | None = None, progress: Progress | None = None,
) -> DemoResult:
    """Run a whole plan through recorder, analysis and guide on the virtual bench, behind the transports of a real one.

    `told` is called with a sentence for each step that was run. With a `person` the plan is run in real time: the person
    is asked before each step, and the recorder is a process of its own. The other arguments are those of `demo`.
    """
    from phasewright.app.recording_dry import dry_run, dry_run_in_real_time

    folder = Path(folder)
    progress = progress or quiet
    _clear_for_demo(folder, again)
    folder.mkdir(parents=True, exist_ok=True)
    write_atomically(folder / DEMO_MARK, _DEMO_NOTE)

    def known(bench: Bench, campaign: Campaign) -> Fitted:
        return known_model(folder, bench, campaign, True, quiet)

    if person is None:
        dry_run(folder, seed=seed, told=told or (lambda text: None), progress=part_of(progress, 0.0, 0.8), model=known)
    else:
        dry_run_in_real_time(folder, person, seed=seed, model=known)
    result = analyze(folder, progress=part_of(progress, 0.8, 0.9))
    guide = report(folder, analysis=result, progress=part_of(progress, 0.9, 1.0))
    return DemoResult(folder, result, guide)


def _clear_for_demo(folder: Path, again: bool) -> None:
    """Make room for a demo; only a folder that an earlier demo made is ever cleared."""
    from phasewright.app.recording_board import under_way
    from phasewright.bench import BenchFault, Fault, NotReady

    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return
    made_by_demo = folder.is_dir() and (folder / DEMO_MARK).is_file()
    if not (again and made_by_demo):
        mend = "give another folder" + (", or --again to make the demo anew there" if made_by_demo else "")
        raise BenchFault(Fault(str(folder), "the folder exists and is not empty", mend))
    if under_way(folder) is not None:
        raise NotReady(Fault(str(folder), "a run is under way there", f"let it end, or stop it: phasewright record {folder}"))
    for name in ("logs", "derived", "guide", "journal", "simulated-sysfs"):
        shutil.rmtree(folder / name, ignore_errors=True)
    for name in ("bench.toml", "campaign.toml", "thermometer-own-log.csv", DEMO_MARK):
        (folder / name).unlink(missing_ok=True)
