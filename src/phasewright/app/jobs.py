"""The jobs: what a person asks for, once, in Python. The command line and the page call these and nothing else.

Every job takes a campaign folder and returns a frozen record. Rooms are imported inside the jobs so that
``phasewright --help`` stays quick.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from phasewright.app.bring import ReadResult
    from phasewright.app.foresee import Bounds
    from phasewright.app.recording import Person
    from phasewright.app.recording_files import Verified
    from phasewright.app.recording_run import Recorded
    from phasewright.app.reproduce import Reproduced
    from phasewright.bench import Bench, Campaign, Checked
    from phasewright.findings import Analysis, CampaignComparison
    from phasewright.model import Fitted, Prediction
    from phasewright.plan import Plan
    from phasewright.report import GuideFiles, Package

DEMO_MARK = "SIMULATED.txt"
"""Stands in every demo folder; says that the data are invented, and lets a demo be made anew there."""

_DEMO_NOTE = """Everything in this folder is simulated.

The board, its parts and every number were invented and computed by the virtual bench of Phasewright.
Nothing here was measured. The command `phasewright demo --again` may replace this folder's contents.
"""

Progress = Callable[[float, str], None]
"""Called as progress(fraction 0..1, what is being done)."""

__all__ = ["DemoResult", "NewResult", "analyze", "check", "compare", "demo", "demo_live", "losses", "new", "predict",
           "package",
           "preflight", "read", "record", "report", "verify", "verify_record", "wants"]


@dataclass(frozen=True, slots=True)
class NewResult:
    """A campaign folder laid down."""

    folder: Path
    files: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class DemoResult:
    """The invented campaign, its analysis and its guide."""

    folder: Path
    analysis: Analysis
    guide: GuideFiles


def _quiet(fraction: float, text: str) -> None:
    """Stand in for a progress callable that nobody gave."""


def part_of(progress: Progress, low: float, high: float) -> Progress:
    """Return a progress callable that fills the share from `low` to `high` of `progress`."""
    return lambda fraction, text: progress(low + (high - low) * min(max(fraction, 0.0), 1.0), text)


def write_atomically(path: Path, text: str) -> None:
    """Write `text` to `path` so that a reader sees the old file or the new one, never half of it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def new(folder: str | Path) -> NewResult:
    """Lay down a campaign folder with commented bench.toml and campaign.toml.

    Raises
    ------
    BenchFault
        When the folder already holds a campaign; nothing is overwritten.
    """
    from phasewright.bench import lay_down

    return NewResult(Path(folder), lay_down(Path(folder)))


def check(folder: str | Path) -> Checked:
    """Return both files of the campaign as records, with every fault and caution of both at once."""
    from phasewright.bench import check_folder

    return check_folder(Path(folder))


def read(
    folder: str | Path,
    log: str | Path,
    *,
    name: str = "",
    instrument: str = "",
    channel_map: Mapping[str, str] | None = None,
    choose: Callable[[ReadResult], Mapping[str, str]] | None = None,
    append: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> ReadResult:
    """Bring one log into the campaign: copy it unchanged, read it, map its columns to channels, keep the map.

    Parameters
    ----------
    folder
        Campaign folder.
    log
        The log file; a file outside the campaign is copied into its ``logs`` folder, byte for byte.
    name
        What the log is called in campaign.toml; '' = the file's stem.
    instrument
        Instrument on the bench that wrote it; '' = the log's name. An instrument that is not on the bench is added
        to bench.toml with nothing stated about its accuracy.
    channel_map
        Channel name -> column name (or ``#3``, or a product ``U1 * I1 + U2 * I2`` of column names).
        None = take the suggestions.
    choose
        Called with the result so far to let a person confirm or change the map.
    append
        Take the file as a further one of the log that is called `name`, with the map that the log has.
    strict
        Refuse instead of repairing.

    Raises
    ------
    LogFault
        When the file cannot be read as it stands.
    BenchFault
        When the campaign's own files are at fault.
    """
    from phasewright.app.bring import bring_log

    return bring_log(
        Path(folder), Path(log), name=name, instrument=instrument, channel_map=channel_map, choose=choose,
        strict=strict, progress=progress or _quiet, append=append,
    )


def analyze(folder: str | Path, *, strict: bool = False, progress: Progress | None = None) -> Analysis:
    """Turn the campaign's logs into figures with uncertainty, verdicts, comparisons and answers.

    Parsed columns and ``analysis.json`` are kept in the campaign's ``derived`` folder.

    Raises
    ------
    BenchFault, LogFault
        With every fault found; nothing is written then.
    """
    from phasewright.app.foresee import campaign_of
    from phasewright.findings import analyze as work_out
    from phasewright.logs import align, find_steps, find_window

    folder = Path(folder)
    progress = progress or _quiet
    progress(0.0, "checking the bench and the campaign")
    bench, campaign = campaign_of(folder)
    opened = _open_logs(folder, bench, campaign, strict, part_of(progress, 0.02, 0.6))
    progress(0.6, "putting the logs on one clock")
    recording = align(opened, bench, campaign)
    progress(0.75, "finding the steps and their steady windows")
    spans = find_steps(recording, campaign)
    steps = {step.name: step for step in campaign.steps}
    windows = tuple(find_window(recording, span, steps[span.name], bench, campaign) for span in spans)
    analysis = work_out(bench, campaign, recording, spans, windows, progress=part_of(progress, 0.85, 0.98))
    write_atomically(folder / "derived" / "analysis.json", to_json_text(analysis))
    progress(1.0, "analyzed")
    return analysis


def report(
    folder: str | Path, *, analysis: Analysis | None = None, progress: Progress | None = None
) -> GuideFiles:
    """Write the guide of the campaign (HTML, and Markdown with its pictures) into its ``guide`` folder."""
    from importlib.metadata import version

    from phasewright.app.foresee import look_over
    from phasewright.report import write_guide

    progress = progress or _quiet
    _refuse_unwritable(Path(folder) / "guide")
    if analysis is None:
        analysis = analyze(folder, progress=part_of(progress, 0.0, 0.5))
    fitted = model(folder, analysis=analysis, progress=part_of(progress, 0.5, 0.6))
    plan = look_over(analysis.bench, analysis.campaign.steps, fitted) if analysis.campaign.steps else None
    return write_guide(
        analysis, Path(folder) / "guide", fitted=fitted, plan=plan, version=version("phasewright"),
        progress=part_of(progress, 0.65, 1.0),
    )


def package(
    folder: str | Path, *, analysis: Analysis | None = None, progress: Progress | None = None
) -> Package:
    """Write one zip file from which a stranger comes to the same numbers: NAME-package.zip in the campaign's folder.

    An open Data Package: bench, campaign, raw logs unchanged, results as JSON, CSV and Parquet, and the guide when it
    has been written.
    """
    from importlib.metadata import version

    from phasewright.report import write_package

    folder, progress = Path(folder), progress or _quiet
    if analysis is None:
        analysis = analyze(folder, progress=part_of(progress, 0.0, 0.5))
    target = folder / f"{folder.resolve().name or 'campaign'}-package.zip"
    return write_package(
        analysis, folder, target, version=version("phasewright"), progress=part_of(progress, 0.5, 1.0)
    )


def compare(
    folders: Sequence[str | Path], *, same_instruments: bool = False, progress: Progress | None = None
) -> CampaignComparison:
    """Compare campaigns with the first one, setting by setting, and tell real differences from noise.

    `same_instruments` says that instruments of one name are the same, so that their errors cancel. Raises BenchFault,
    LogFault for campaigns at fault, ValueError for fewer than two.
    """
    from phasewright.findings import compare_campaigns

    progress = progress or _quiet
    share = 1.0 / max(len(folders), 1)
    analyses = [
        analyze(folder, progress=part_of(progress, share * index, share * (index + 1)))
        for index, folder in enumerate(folders)
    ]
    return compare_campaigns(analyses, _told_apart(folders), same_instruments=same_instruments)


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


def verify(package: str | Path, *, progress: Progress | None = None) -> Reproduced:
    """Prove a data package: compare every fingerprint, analyze its raw logs again, compare every number.

    The package itself is not changed; the work is done on a copy. Raises LogFault when it is none.
    """
    from phasewright.app.reproduce import reproduce
    from phasewright.findings import to_json

    return reproduce(Path(package), lambda folder: to_json(analyze(folder)), progress or _quiet)


def predict(
    folder: str | Path,
    *,
    phases: str = "",
    loads: Sequence[str] = (),
    options: Mapping[str, str] | None = None,
    measured: bool = True,
    progress: Progress | None = None,
) -> tuple[Prediction, ...]:
    """Predict settings of the campaign's bench: temperatures, loss, currents, margins, verdict with probability.

    Parameters
    ----------
    phases
        Phase counts, ``3`` or ``8,6,4`` or ``3-6``; '' = every count that is fitted.
    loads
        ``300 W`` at the package or ``250 A`` on the rail; none = the loads of the campaign's steps.
    options
        Texts with unit by name: coolant, voltage, frequency, ocp, total_ocp, warning, trip, power_limit.
    measured
        False: part data alone speak, as before anything was measured.

    Raises
    ------
    BenchFault
        With every text that is wrong.
    NotReady
        Where what is measured and stated cannot decide; says which further step would help most.
    """
    from phasewright.app.foresee import campaign_of, predict_settings, settings_of

    bench, campaign = campaign_of(Path(folder))
    settings = settings_of(phases, loads, options or {}, bench=bench, campaign=campaign)
    return predict_settings(_known(Path(folder), bench, campaign, measured, progress or _quiet), settings)


def preflight(
    folder: str | Path,
    *,
    phases: str = "",
    loads: Sequence[str] = (),
    options: Mapping[str, str] | None = None,
    measured: bool = True,
    progress: Progress | None = None,
) -> Plan:
    """Look a plan over before it is run: order from mild to severe, what each step would do, what would trip.

    Without `phases`, `loads` and `options` the campaign's own steps are looked over; for the arguments see `predict`.
    Raises BenchFault and NotReady like `predict`.
    """
    from phasewright.app.foresee import campaign_of, look_over, settings_of

    bench, campaign = campaign_of(Path(folder))
    wanted = campaign.steps
    if phases or loads or options or not wanted:
        wanted = settings_of(phases, loads, options or {}, bench=bench, campaign=campaign)
    return look_over(bench, wanted, _known(Path(folder), bench, campaign, measured, progress or _quiet))


def _known(folder: Path, bench: Bench, campaign: Campaign, measured: bool, progress: Progress) -> Fitted:
    """Return the model of the campaign after what was measured, or of its part data alone."""
    from phasewright.app.foresee import kept_model
    from phasewright.model import fitted_prior, prior_of

    if not measured or not campaign.logs:
        return fitted_prior(prior_of(bench))
    kept = kept_model(folder, bench, campaign)
    if kept is not None:
        return kept
    analysis = analyze(folder, progress=part_of(progress, 0.0, 0.7))
    return model(folder, analysis=analysis, progress=part_of(progress, 0.7, 1.0))


def model(folder: str | Path, *, analysis: Analysis | None = None, progress: Progress | None = None) -> Fitted:
    """Return the electro-thermal model of the campaign, fitted to what was measured, and keep it in ``derived``.

    Part data alone speak where no step shows a load. A fit that was made from the same files is taken as it is.
    """
    from phasewright.app.foresee import MODEL_FILE, campaign_of, fit, kept_model, model_text

    folder, progress = Path(folder), progress or _quiet
    if analysis is None:
        bench, campaign = campaign_of(folder)
        kept = kept_model(folder, bench, campaign)
        if kept is not None:
            return kept
        analysis = analyze(folder, progress=part_of(progress, 0.0, 0.7))
    kept = kept_model(folder, analysis.bench, analysis.campaign)
    if kept is not None:
        return kept
    progress(0.7, "fitting the electro-thermal model")
    fitted = fit(analysis, part_of(progress, 0.7, 1.0))
    with contextlib.suppress(OSError):
        # What is kept only saves time.
        write_atomically(folder / "derived" / MODEL_FILE, model_text(folder, fitted, analysis.campaign))
    return fitted


def bounds(
    folder: str | Path,
    *,
    phases: str = "",
    loads: Sequence[str] = (),
    options: Mapping[str, str] | None = None,
    measured: bool = True,
    progress: Progress | None = None,
) -> Bounds:
    """Say how far the campaign's bench reaches: fewest phases for each load, greatest load of each phase count.

    For the arguments see `predict`; without `phases` the greatest load is given for every count. Raises BenchFault.
    """
    from phasewright.app.foresee import bounds_of, campaign_of, settings_of

    bench, campaign = campaign_of(Path(folder))
    settings = settings_of(phases, loads, options or {}, bench=bench, campaign=campaign)
    return bounds_of(_known(Path(folder), bench, campaign, measured, progress or _quiet), settings)


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
    progress = progress or _quiet
    _clear_for_demo(folder, again)
    progress(0.0, "running the virtual bench (simulated)")
    make_campaign(folder, demo_scenario(), seed)
    write_atomically(folder / DEMO_MARK, _DEMO_NOTE)
    result = analyze(folder, progress=part_of(progress, 0.3, 0.6))
    guide = report(folder, analysis=result, progress=part_of(progress, 0.6, 1.0))
    return DemoResult(folder, result, guide)


def demo_live(
    folder: str | Path, *, seed: int = 1, again: bool = False, told: Callable[[str], None] | None = None,
    progress: Progress | None = None,
) -> DemoResult:
    """Run a whole plan through recorder, analysis and guide on the virtual bench, behind the transports of a real one.

    `told` is called with a sentence for each step that was run; the other arguments are those of `demo`.
    """
    from phasewright.app.recording_dry import dry_run

    folder = Path(folder)
    progress = progress or _quiet
    _clear_for_demo(folder, again)
    folder.mkdir(parents=True, exist_ok=True)
    write_atomically(folder / DEMO_MARK, _DEMO_NOTE)
    dry_run(folder, seed=seed, told=told or (lambda text: None), progress=part_of(progress, 0.0, 0.8))
    result = analyze(folder, progress=part_of(progress, 0.8, 0.9))
    guide = report(folder, analysis=result, progress=part_of(progress, 0.9, 1.0))
    return DemoResult(folder, result, guide)


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
        return _known(Path(folder), bench, campaign, measured, progress or _quiet)

    return run(Path(folder), person, known=known, may_start=may_start)


def verify_record(folder: str | Path) -> Verified:
    """Read every record of a campaign's journal again, and compare its logs with what was read from them.

    Raises NotReady where there is neither a journal nor a log.
    """
    from phasewright.app.recording_files import verify_folder

    return verify_folder(Path(folder))


def answered(analysis: Analysis, fitted: Fitted) -> Analysis:
    """Return the analysis with the answers that take a model: where the heat goes, and what another setting would do."""
    from phasewright.report import model_answers

    return replace(analysis, answers=model_answers(analysis, fitted))


def to_json_text(analysis: Analysis, fitted: Fitted | None = None) -> str:
    """Return the analysis as the JSON text that ``analyze --json`` prints; with a model, its object is filled."""
    from phasewright.findings import to_json

    found = to_json(analysis)
    if fitted is not None:
        from phasewright.model import model_json

        found = to_json(answered(analysis, fitted), model=model_json(fitted))
    return json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def losses(analysis: Analysis) -> tuple[str, ...]:
    """Return what was lost on the way: rows dropped while reading, ambiguous clocks, steps without a verdict."""
    lost = [
        f"{report.fingerprint.file}: {remark.what}"
        for report in analysis.recording.reports
        for remark in report.remarks
        if remark.kind == "refuse"
    ]
    lost += [
        f"{key}: {remark.what}"
        for key, trace in analysis.recording.traces.items() for remark in trace.remarks if remark.kind == "refuse"
    ]
    lost += [
        f"log {clock.log}: the clock is {clock.status}" for clock in analysis.recording.clocks
        if clock.status == "ambiguous"
    ]
    lost += [
        f"step {step.step.name}: {'; '.join(step.reasons)}" for step in analysis.steps if step.verdict == "unknown"
    ]
    return tuple(lost)


def wants(analysis: Analysis) -> tuple[str, ...]:
    """Return what would do most for the figures, most first: accuracy where none is stated, limits where none are."""
    from phasewright.findings import unstated_accuracy

    found = []
    bare = unstated_accuracy(analysis.steps)
    if bare:
        names = ", ".join(name.replace("_", " ") for name in bare)
        found.append(
            f"state in bench.toml how accurate the instruments are ({names}): until then ± ? stands where the interval "
            "belongs"
        )
    if analysis.steps and not any(step.margins for step in analysis.steps):
        found.append("add ratings and protection thresholds to bench.toml: until then no step gets a verdict")
    return tuple(found)


def _open_logs(folder: Path, bench: Any, campaign: Campaign, strict: bool, progress: Progress) -> dict[str, Any]:
    """Open every log of the campaign; the faults of all of them are raised together."""
    from phasewright.bench import Fault, LogFault
    from phasewright.logs import open_log

    faults: list[Fault] = []
    if not campaign.logs:
        faults.append(Fault(
            campaign.file, "the campaign has no logs", f"bring one in: phasewright read {folder} YOUR-LOG.csv"
        ))
    opened: dict[str, Any] = {}
    total = sum(_size(folder / name) for entry in campaign.logs for name in entry.files) or 1
    done = 0
    for entry in campaign.logs:
        size = sum(_size(folder / name) for name in entry.files)
        part = part_of(progress, done / total, (done + size) / total)
        part(0.0, f"reading {entry.name}")
        try:
            opened[entry.name] = open_log(
                folder, entry, bench.instrument(entry.instrument), strict=strict, progress=part
            )
        except LogFault as error:
            faults += error.faults
        done += size
    if faults:
        raise LogFault(faults)
    return opened


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _refuse_unwritable(folder: Path) -> None:
    """Refuse, before any work is done, a folder that cannot be written into."""
    from phasewright.bench import BenchFault, Fault

    if folder.exists() and not folder.is_dir():
        raise BenchFault(Fault(str(folder), "a file stands where the folder should be", "move it away", 1))
    inside = folder if folder.exists() else folder.parent
    if inside.exists() and not os.access(inside, os.W_OK):
        raise BenchFault(Fault(str(inside), "the folder cannot be written into", "grant write permission", 1))


def _clear_for_demo(folder: Path, again: bool) -> None:
    """Make room for a demo; only a folder that an earlier demo made is ever cleared."""
    from phasewright.bench import BenchFault, Fault

    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return
    made_by_demo = folder.is_dir() and (folder / DEMO_MARK).is_file()
    if not (again and made_by_demo):
        mend = "give another folder" + (", or --again to make the demo anew there" if made_by_demo else "")
        raise BenchFault(Fault(str(folder), "the folder exists and is not empty", mend))
    for name in ("logs", "derived", "guide", "journal", "simulated-sysfs"):
        shutil.rmtree(folder / name, ignore_errors=True)
    for name in ("bench.toml", "campaign.toml", DEMO_MARK):
        (folder / name).unlink(missing_ok=True)

