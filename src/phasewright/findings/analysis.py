"""From steady windows to an analysis: the door of the findings room."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from phasewright.bench import Bench, Campaign, Step
from phasewright.findings.answers import answer_questions
from phasewright.findings.checks import check_readings
from phasewright.findings.comparisons import compare_steps
from phasewright.findings.derivations import derive_figures
from phasewright.findings.figures import Source, lead_channel, measure_step, sources_of
from phasewright.findings.holding import Case, unexplained_shortfall
from phasewright.findings.incidents import Incident, find_incident, machine_stamps
from phasewright.findings.margins import judge_limits
from phasewright.findings.notes import gather_notes
from phasewright.findings.records import Analysis, StepFinding
from phasewright.findings.verdicts import judge_step
from phasewright.findings.wanders import wanders_of
from phasewright.limits import NotComputable
from phasewright.logs import Recording, StepSpan, Window
from phasewright.quantity import Wander

__all__ = ["analyze"]


def analyze(
    bench: Bench,
    campaign: Campaign,
    recording: Recording,
    spans: Sequence[StepSpan],
    windows: Sequence[Window],
    *,
    progress: Callable[[float, str], None] | None = None,
) -> Analysis:
    """Return what a campaign says: figures with uncertainty, margins, verdicts, comparisons, checks and answers.

    Parameters
    ----------
    spans, windows
        One of each for every step found, in the same order; their names are names of steps of `campaign`.
    progress
        Called as progress(fraction, text).

    Raises
    ------
    ValueError
        When spans and windows do not belong together or name a step that the campaign does not have.
    """
    steps = {step.name: step for step in campaign.steps}
    _refuse_mismatch(steps, spans, windows)
    sources, lost = sources_of(bench, campaign, recording)
    stamps = machine_stamps(sources)
    incidents, kept = [], []
    for span, window in zip(spans, windows, strict=True):
        until = min((other.start_s for other in spans if other.start_s > span.start_s), default=math.inf)
        incident = find_incident(sources, stamps, span, steps[span.name], until)
        incidents.append(incident)
        kept.append(_spoiled(window, incident, steps[span.name]))
    lead = lead_channel(sources)
    wanders: Sequence[Wander | None] = [None] * len(spans)
    if lead is not None:
        wanders = wanders_of(campaign, sources[lead].trace, [steps[span.name] for span in spans], kept)
    findings: list[StepFinding] = []
    notes: list[str] = []
    for index, (span, window) in enumerate(zip(spans, kept, strict=True)):
        if progress is not None:
            progress(index / max(len(spans), 1), f"working out {span.name}")
        finding, said = _find_step(
            bench, sources, lost, incidents[index], span, steps[span.name], window, wanders[index]
        )
        findings.append(finding)
        notes += said
    comparisons = compare_steps(campaign, findings)
    checks = check_readings(bench, sources, findings)
    told = gather_notes(bench, campaign, recording, findings, checks, notes)
    answers = answer_questions(campaign, recording, findings, comparisons, checks, bench=bench)
    if progress is not None:
        progress(1.0, "findings worked out")
    return Analysis(bench, campaign, recording, tuple(findings), comparisons, answers, told, checks=checks)


def _refuse_mismatch(steps: Mapping[str, object], spans: Sequence[StepSpan], windows: Sequence[Window]) -> None:
    if [span.name for span in spans] != [window.step for window in windows]:
        raise ValueError(
            f"spans and windows differ (spans = {[span.name for span in spans]}, "
            f"windows = {[window.step for window in windows]}) - "
            "each step has one span and one window, in the same order - find a window for every span"
        )
    unknown = [span.name for span in spans if span.name not in steps]
    if unknown:
        raise ValueError(
            f"steps that the campaign does not have (spans = {unknown}) - every span is a step of the campaign - "
            "find the steps with this campaign"
        )


def _find_step(
    bench: Bench,
    sources: Mapping[str, Source],
    lost: Mapping[str, NotComputable],
    incident: Incident | None,
    span: StepSpan,
    step: Step,
    window: Window,
    wander: Wander | None,
) -> tuple[StepFinding, list[str]]:
    """Return the finding of one step and what is to be noted about it."""
    sheet = measure_step(bench, sources, lost, span, step, window, wander)
    derive_figures(sheet, bench, step, window)
    tripped = incident is not None and incident.tripped or step.outcome in ("tripped", "crashed")
    judged = judge_limits(bench, step, span, window, sheet, ran=not tripped)
    deciding = tuple(margin for margin in judged.margins if margin.role == "decides")
    case = Case(bench, step, span, window, sheet, deciding, sources, incident)
    verdict = judge_step(case)
    notes = list(sheet.notes)
    if incident is not None and not incident.tripped:
        notes.append(f"doubt: {step.name}: {incident.sentence}")
    if verdict.word not in ("clamped", "tripped"):
        short = unexplained_shortfall(case)
        notes += [f"doubt: {step.name}: {short}"] if short else []
    finding = StepFinding(
        step,
        span,
        window,
        MappingProxyType(sheet.quantities),
        MappingProxyType(sheet.peak_averaging),
        judged.margins,
        verdict.word,
        verdict.reasons,
        (*sheet.missing.values(), *judged.missing),
        MappingProxyType(sheet.basis),
        judged.readings,
    )
    return finding, notes


def _spoiled(window: Window, incident: Incident | None, step: Step) -> Window:
    """Return the window, or none when power went down inside it: a mean over load and idle says nothing of either."""
    if incident is None or not window.found or incident.at_s >= window.end_s:
        return window
    if not (incident.tripped or incident.load_ended or step.outcome in ("tripped", "crashed")):
        return window
    return replace(
        window,
        end_s=window.start_s,
        found=False,
        settled=False,
        reasons=(incident.sentence,),
        discarded=(*window.discarded, (window.start_s, window.end_s, incident.sentence)),
    )
