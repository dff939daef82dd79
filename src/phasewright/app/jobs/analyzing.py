"""From a campaign's logs to its analysis, and what the analysis still wants."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from phasewright.app.jobs.files import write_atomically
from phasewright.app.jobs.json_text import json_text
from phasewright.app.jobs.progress import Progress, part_of, quiet

if TYPE_CHECKING:
    from phasewright.bench import Campaign
    from phasewright.findings import Analysis
    from phasewright.model import Fitted

RESULT = "analysis.json"


def analyze(folder: str | Path, *, strict: bool = False, progress: Progress | None = None) -> Analysis:
    """Turn the campaign's logs into figures with uncertainty, verdicts, comparisons and answers.

    Parsed columns, ``analysis.json`` and the analysis itself are kept in the campaign's ``derived`` folder; while its
    files stay as they are it is not worked out again. `strict` goes through the raw logs anyway.

    Raises
    ------
    BenchFault, LogFault
        With every fault found; nothing is written then.
    """
    from phasewright.app.kept import keep_analysis

    folder = Path(folder)
    progress = progress or quiet
    progress(0.0, "checking the bench and the campaign")
    known = None if strict else _known(folder)
    if known is not None:
        progress(1.0, "analyzed")
        return known
    analysis, before = _work_out(folder, strict, progress)
    text = to_json_text(analysis)
    write_atomically(folder / "derived" / RESULT, text)
    if not strict:
        keep_analysis(folder, analysis, text, before)
    progress(1.0, "analyzed")
    return analysis


def _known(folder: Path) -> Analysis | None:
    """Return the analysis that was kept, with its ``analysis.json`` beside it as it was; None when there is none."""
    from phasewright.app.kept import kept_analysis, text_hash

    kept = kept_analysis(folder)
    if kept is None:
        return None
    place = folder / "derived" / RESULT
    try:
        same = text_hash(place.read_text(encoding="utf-8")) == kept.text_hash
    except (OSError, ValueError):
        same = False
    if not same:
        write_atomically(place, to_json_text(kept.analysis))
    return kept.analysis


def _work_out(folder: Path, strict: bool, progress: Progress) -> tuple[Analysis, dict[str, list[int]]]:
    """Return the analysis, worked out from the logs, and what told each log from others before it was opened."""
    from phasewright.app.foresee import campaign_of
    from phasewright.app.kept import marks_of
    from phasewright.findings import analyze as work_out
    from phasewright.logs import align, find_steps, find_window

    bench, campaign = campaign_of(folder)
    try:
        before = marks_of(folder, tuple(name for entry in campaign.logs for name in entry.files))
    except (OSError, ValueError):
        # A log that is not there is told when it is opened.
        before = {}
    opened = _open_logs(folder, bench, campaign, strict, part_of(progress, 0.02, 0.6))
    progress(0.6, "putting the logs on one clock")
    recording = align(opened, bench, campaign)
    progress(0.75, "finding the steps and their steady windows")
    spans = find_steps(recording, campaign)
    steps = {step.name: step for step in campaign.steps}
    windows = tuple(find_window(recording, span, steps[span.name], bench, campaign, spans=spans) for span in spans)
    analysis = work_out(bench, campaign, recording, spans, windows, progress=part_of(progress, 0.85, 0.98))
    return analysis, before


def answered(analysis: Analysis, fitted: Fitted, *, folder: str | Path | None = None) -> Analysis:
    """Return the analysis with the answers that take a model: where the heat goes, and what another setting would do.

    With the `folder` of the campaign they are kept in its ``derived`` folder, and not asked for again.
    """
    from phasewright.app.kept import keep_answers, kept_answers

    answers = kept_answers(Path(folder), analysis, fitted) if folder is not None else None
    if answers is None:
        from phasewright.report import model_answers

        answers = model_answers(analysis, fitted)
        if folder is not None:
            keep_answers(Path(folder), analysis, fitted, answers)
    return replace(analysis, answers=answers)


def to_json_text(analysis: Analysis, fitted: Fitted | None = None, *, folder: str | Path | None = None) -> str:
    """Return the analysis as the JSON text that ``analyze --json`` prints; with a model, its object is filled.

    For `folder` see `answered`.
    """
    from phasewright.findings import to_json

    found = to_json(analysis)
    if fitted is not None:
        from phasewright.model import model_json

        found = to_json(answered(analysis, fitted, folder=folder), model=model_json(fitted))
    return json_text(found) + "\n"


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
    """Return what would do most for the figures, most first: a clock's place, accuracies, limits that are not stated."""
    from phasewright.findings import unstated_accuracy
    from phasewright.logs import places_text

    found = []
    lost = dict.fromkeys(clock.log for clock in analysis.recording.clocks if clock.status == "ambiguous")
    for log in lost:
        places = places_text(analysis.recording, analysis.campaign, log)
        found.append(
            f"say where the clock of log {log} belongs: under [log.time] of that log in campaign.toml write "
            f'offset = "..."; until then nothing of it is used. It fits at {places or "no place that stands out"}'
        )
    bare = unstated_accuracy(analysis.steps)
    if bare:
        names = ", ".join(name.replace("_", " ") for name in bare)
        found.append(
            f"state in bench.toml how accurate the instruments are ({names}): until then ± ? stands where the interval "
            "belongs"
        )
    if analysis.steps and not lost and not any(step.margins for step in analysis.steps):
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
