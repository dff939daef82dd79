"""What leaves the bench: the guide, the data package and its proof, the comparison of campaigns."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from phasewright.app.jobs.analyzing import analyze
from phasewright.app.jobs.designing import kept_design
from phasewright.app.jobs.files import refuse_unwritable
from phasewright.app.jobs.foreseeing import model
from phasewright.app.jobs.progress import Progress, part_of, quiet

if TYPE_CHECKING:
    from phasewright.app.library import Answered
    from phasewright.app.reproduce import Reproduced
    from phasewright.findings import Analysis, CampaignComparison
    from phasewright.report import GuideFiles, Package


def report(
    folder: str | Path, *, analysis: Analysis | None = None, pdf: bool = False, progress: Progress | None = None
) -> GuideFiles:
    """Write the guide of the campaign (HTML, and Markdown with its pictures) into its ``guide`` folder.

    A design that was searched for the files as they stand adds what would be enough. `pdf` sets it as PDF too;
    raises NotReady where what that takes is not installed.
    """
    from importlib.metadata import version

    from phasewright.app.foresee import look_over
    from phasewright.report import write_guide

    progress = progress or quiet
    refuse_unwritable(Path(folder) / "guide")
    if analysis is None:
        analysis = analyze(folder, progress=part_of(progress, 0.0, 0.5))
    fitted = model(folder, analysis=analysis, progress=part_of(progress, 0.5, 0.6))
    plan = look_over(analysis.bench, analysis.campaign.steps, fitted) if analysis.campaign.steps else None
    return write_guide(
        analysis, Path(folder) / "guide", fitted=fitted, plan=plan, design=kept_design(folder), pdf=pdf,
        version=version("phasewright"), progress=part_of(progress, 0.65, 1.0),
    )


def require_pdf() -> None:
    """Raise NotReady, with the mend, where what sets a PDF is not installed."""
    from phasewright.report import require_pdf

    require_pdf()


def package(
    folder: str | Path, *, analysis: Analysis | None = None, progress: Progress | None = None
) -> Package:
    """Write one zip file from which a stranger comes to the same numbers: NAME-package.zip in the campaign's folder.

    An open Data Package: bench, campaign, raw logs unchanged, results as JSON, CSV and Parquet, and the guide when it
    has been written.
    """
    from importlib.metadata import version

    from phasewright.report import write_package

    folder, progress = Path(folder), progress or quiet
    if analysis is None:
        analysis = analyze(folder, progress=part_of(progress, 0.0, 0.5))
    target = folder / f"{folder.resolve().name or 'campaign'}-package.zip"
    return write_package(
        analysis, folder, target, version=version("phasewright"), progress=part_of(progress, 0.5, 1.0)
    )


def verify(package: str | Path, *, progress: Progress | None = None) -> Reproduced:
    """Prove a data package: compare every fingerprint, analyze its raw logs again, compare every number.

    The package itself is not changed; the work is done on a copy. Raises LogFault when it is none.
    """
    from phasewright.app.reproduce import reproduce
    from phasewright.findings import to_json

    return reproduce(Path(package), lambda folder: to_json(analyze(folder)), progress or quiet)


def compare(
    folders: Sequence[str | Path], *, same_instruments: bool = False, progress: Progress | None = None
) -> CampaignComparison:
    """Compare campaigns with the first one, setting by setting, and tell real differences from noise.

    `same_instruments` says that instruments of one name are the same, so that their errors cancel. Raises BenchFault,
    LogFault for campaigns at fault, ValueError for fewer than two.
    """
    from dataclasses import replace

    from phasewright.bench import BenchFault, LogFault
    from phasewright.findings import compare_campaigns

    progress = progress or quiet
    share = 1.0 / max(len(folders), 1)
    analyses, faults = [], []
    for index, folder in enumerate(folders):
        try:
            analyses.append(analyze(folder, progress=part_of(progress, share * index, share * (index + 1))))
        except (BenchFault, LogFault) as error:
            faults += [replace(fault, file=(Path(folder) / fault.file).as_posix()) for fault in error.faults]
    if faults:
        raise BenchFault(faults)
    return compare_campaigns(analyses, _told_apart(folders), same_instruments=same_instruments)


def compare_library(
    folder: str | Path, *, phases: str = "", load: str = "", board: str = "", cooler: str = "", since: str = "",
    until: str = "", by: str = "board", quantity: str = "loss", baseline: str = "", progress: Progress | None = None,
) -> Answered:
    """Put one question to every analyzed campaign below `folder`: which boards, coolers or days differ for real.

    Parameters
    ----------
    phases, load
        The setting: ``3``, ``8,6`` or ``3-6``; ``300 W`` at the package or ``250 A`` on the rail. '' leaves it open:
        then the setting that was held most often is answered, and the others are offered.
    board, cooler
        Part of the name, in any case; '' = any.
    since, until
        First and last day, as far as they are known: ``2031-03-04``, ``2031-03``, ``2031``.
    by
        What is compared: board, cooler, day or campaign.
    quantity
        Name of the figure, such as ``loss`` or ``regulator_rise``.
    baseline
        Board, cooler, day or campaign with which the others are compared; '' = the one with most campaigns.

    Raises
    ------
    BenchFault
        With every text that is wrong.
    """
    from phasewright.app.library import Library, answer, question_of
    from phasewright.bench import BenchFault, Fault

    question = question_of(phases=phases, load=load, board=board, cooler=cooler, since=since, until=until, by=by,
                           quantity=quantity, baseline=baseline)  # fmt: skip
    if not Path(folder).is_dir():
        raise BenchFault(Fault(str(folder), "there is no such folder", "give the folder that holds the campaigns"))
    with Library(folder) as library:
        library.refresh(progress)
        return answer(library, question)


def _told_apart(folders: Sequence[str | Path]) -> list[str]:
    """Return a short name for each folder: its last part, or as much of its path as tells it from the others."""
    paths = [Path(folder).resolve() for folder in folders]
    names = []
    for path in paths:
        depth = 1
        while depth < len(path.parts) and sum(p.parts[-depth:] == path.parts[-depth:] for p in paths) > 1:
            depth += 1
        names.append("/".join(path.parts[-depth:]))
    return names
