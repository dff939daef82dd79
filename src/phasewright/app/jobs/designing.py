"""From a catalogue and a requirement to the design that would be enough."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from phasewright.app.jobs.files import write_atomically
from phasewright.app.jobs.foreseeing import known_model
from phasewright.app.jobs.progress import Progress, part_of, quiet

if TYPE_CHECKING:
    from phasewright.bench import Bench
    from phasewright.design import Design, Space
    from phasewright.model import Fitted

CHECKPOINT, KEPT = "design.npz", "design.json"


def new_design(folder: str | Path) -> tuple[Path, ...]:
    """Lay down an invented catalogue.toml and requirement.toml in a folder, and return their paths.

    Raises BenchFault when both are there already or the folder cannot be written.
    """
    from phasewright.design import lay_down_design

    return lay_down_design(folder)


def design(
    folder: str | Path,
    *,
    measured: bool = True,
    draws: int = 10_000,
    questions: bool = True,
    cluster: str = "",
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Design:
    """Search a folder's catalogue for the regulators that would be enough, and say which to build.

    Of a campaign folder what was measured of board and cooling carries over; without a bench.toml priors alone speak.
    A search that was cancelled goes on from where it stopped.

    Parameters
    ----------
    measured
        False: part data alone speak, as before anything was measured.
    draws
        Draws of all tolerances for each design on the front; 0 leaves them out.
    questions
        False leaves out cooling against phases and which assumption would change the choice, which take longest.
    cluster
        Address of a scheduler, or ``local``: who completes the designs; '' = this process.
    cancelled
        Asked now and then; True stops the search and keeps what was found.

    Raises
    ------
    BenchFault
        With every fault of the files.
    NotReady
        When the search was cancelled.
    """
    from phasewright.design import Checkpoint, Design, choose, front_of, rank, search, trades_of, what_changes, workers

    folder, progress = Path(folder), _stopping(progress or quiet, cancelled)
    space = design_space(folder, measured=measured, progress=part_of(progress, 0.0, 0.1))
    place = folder / "derived" / CHECKPOINT
    checkpoint = Checkpoint(lambda: place.read_bytes() if place.is_file() else None, lambda data: _keep(place, data))
    # The shares are about those of the time that each part takes.
    asked = 0.65 if questions else 1.0
    with workers(cluster) as worker:
        found = search(space, worker=worker, progress=part_of(progress, 0.1, 0.15), cancelled=cancelled,
                       checkpoint=checkpoint)  # fmt: skip
        front = front_of(space, found, draws=draws, worker=worker, progress=part_of(progress, 0.15, 0.85 * asked))
    ranking = rank(space, draws=draws)
    verdict = choose(space, front, draws=draws, ranking=ranking, progress=part_of(progress, 0.85 * asked, asked))
    if questions and verdict.chosen is not None:
        verdict = replace(
            verdict, trades=trades_of(space, ranking=ranking, progress=part_of(progress, asked, 0.72)),
            sensitivities=what_changes(space, verdict.chosen, ranking=ranking, progress=part_of(progress, 0.72, 1.0)),
        )  # fmt: skip
    bench = space.bench_for(verdict.chosen.choice) if verdict.chosen is not None else None
    made = Design(space.catalogue, space.requirement, front, verdict, bench)
    _keep_design(folder, made)
    return made


def _stopping(progress: Progress, cancelled: Callable[[], bool] | None) -> Progress:
    """Return a progress callable that ends the work where it is asked to stop."""
    from phasewright.bench import Fault, NotReady

    def told(fraction: float, text: str) -> None:
        if cancelled is not None and cancelled():
            raise NotReady(Fault("design", f"the search for a design was stopped after {100 * fraction:.0f} %",
                                 "run it again: what was searched is kept"))  # fmt: skip
        progress(fraction, text)

    return told


def design_space(folder: Path, *, measured: bool = True, progress: Progress | None = None) -> Space:
    """Return everything that may be chosen in a folder, with what is known beside it; raises BenchFault."""
    from phasewright.bench import BenchFault, read_bench
    from phasewright.design import Space, read_catalogue, read_requirement

    bench: Bench | None = None
    fitted: Fitted | None = None
    if (folder / "bench.toml").is_file():
        bench = read_bench(folder)
    faults: list = []
    catalogue = requirement = None
    try:
        catalogue = read_catalogue(folder)
    except BenchFault as error:
        faults += error.faults
    try:
        requirement = read_requirement(folder, bench, currency=catalogue.currency if catalogue else "EUR")
    except BenchFault as error:
        faults += error.faults
    if faults or catalogue is None or requirement is None:
        raise BenchFault(faults)
    if bench is not None and measured and (folder / "campaign.toml").is_file():
        fitted = _measured(folder, progress or quiet)
    return Space(catalogue, requirement, fitted, bench)


def _measured(folder: Path, progress: Progress) -> Fitted | None:
    """Return the model of the campaign, None where nothing was measured that a design could lean on."""
    from phasewright.app.foresee import campaign_of

    bench, campaign = campaign_of(folder)
    fitted = known_model(folder, bench, campaign, True, progress)
    return fitted if fitted.step_count else None


def kept_design(folder: str | Path) -> Design | None:
    """Return the design that was kept for the folder's files as they stand now, None where there is none."""
    import json

    from phasewright.bench import PhasewrightError
    from phasewright.design import design_from_dict

    place = Path(folder) / "derived" / KEPT
    try:
        found = design_from_dict(json.loads(place.read_text(encoding="utf-8")))
        space = design_space(Path(folder), measured=False)
    except (OSError, ValueError, KeyError, TypeError, PhasewrightError):
        return None
    same = found.requirement == space.requirement and dict(found.catalogue.files) == dict(space.catalogue.files)
    return found if same else None


def _keep_design(folder: Path, made: Design) -> None:
    import json

    from phasewright.design import design_to_dict

    _keep(folder / "derived" / KEPT, json.dumps(design_to_dict(made), allow_nan=False))


def _keep(place: Path, data: str | bytes) -> None:
    with contextlib.suppress(OSError):  # a folder that cannot be written still gets its answer
        write_atomically(place, data)
