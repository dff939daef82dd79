"""What a reader must know beside the figures: repairs, cautions, doubts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from phasewright.bench import Bench, Campaign
from phasewright.findings.records import Check, StepFinding
from phasewright.logs import Recording, places_text

__all__ = ["gather_notes"]

_ABOUT_READINGS = (
    "missing", "rows that carry the same stamp", "gaps in the record", "intervals scatter", "stamps move", "the file ",
    "dates around",
)  # fmt: skip
"""How notes of the reader begin that bear on the figures; the others tell how the text is written."""


def gather_notes(
    bench: Bench,
    campaign: Campaign,
    recording: Recording,
    findings: Sequence[StepFinding],
    checks: Sequence[Check],
    said: Iterable[str],
) -> tuple[str, ...]:
    """Return every note once; each begins with its kind: repair, caution or doubt."""
    notes = []
    if bench.simulated or campaign.simulated:
        notes.append("caution: the data of this campaign are simulated")
    notes += [f"doubt: {check.sentence}" for check in checks if check.outcome == "doubt"]
    notes += said
    notes += _clock_notes(recording, campaign)
    notes += _accuracy_notes(findings)
    notes += _reference_notes(findings)
    for finding in findings:
        notes += [f"caution: {finding.step.name}: {text}" for text in finding.window.remarks]
        if finding.span.note:
            notes.append(f"caution: {finding.step.name}: {finding.span.note}")
    for report in recording.reports:
        for remark in report.remarks:
            kind = {"repair": "repair", "refuse": "caution"}.get(remark.kind)
            if kind is None and remark.what.startswith(_ABOUT_READINGS):
                kind = "caution"
            if kind:
                count = f" ({remark.count} times)" if remark.count > 1 else ""
                place = f"{report.fingerprint.file}:{remark.line}" if remark.line else report.fingerprint.file
                notes.append(f"{kind}: {place}: {remark.what}{count}")
    notes += _channel_notes(recording)
    for remark in recording.remarks:
        kind = "repair" if remark.kind == "repair" else "caution"
        notes.append(f"{kind}: {remark.what}")
    return tuple(dict.fromkeys(notes))


def _channel_notes(recording: Recording) -> Iterable[str]:
    """Yield what the look at the values found, channels of one log with the same words together."""
    told: dict[tuple[str, str, str], list[str]] = {}
    for key, trace in recording.traces.items():
        for remark in trace.remarks:
            count = f" ({remark.count} times)" if remark.count > 1 else ""
            kind = "repair" if remark.kind == "repair" else "caution"
            told.setdefault((kind, trace.log, remark.what + count), []).append(key)
    for (kind, log, words), keys in told.items():
        yield f"{kind}: {', '.join(dict.fromkeys(keys))} (log {log}): {words}"


def _clock_notes(recording: Recording, campaign: Campaign) -> Iterable[str]:
    told = set()
    for clock in recording.clocks:
        if clock.status == "ambiguous" and clock.log not in told:
            told.add(clock.log)
            places = places_text(recording, campaign, clock.log)
            fits = f"fits in several places: {places}" if places else f"is not found ({clock.note})"
            yield (
                f"doubt: the clock of log {clock.log} {fits}; its readings are not used: write the right offset under "
                "[log.time] of that log in campaign.toml, or log a load that does not repeat"
            )
        elif clock.status == "assumed":
            why = f": {clock.note}" if clock.note else ""
            yield f"caution: the clock of log {clock.log} is taken as it stands, nothing confirms it{why}"


def _accuracy_notes(findings: Sequence[StepFinding]) -> Iterable[str]:
    reasons: dict[str, None] = {}
    for finding in findings:
        for value in finding.quantities.values():
            if value.u is None and value.reason and value.kind != "derived":
                reasons.setdefault(value.reason)
    yield from (f"caution: {reason}" for reason in reasons)
    bases = {text for finding in findings for name, text in finding.basis.items() if name.startswith("package_")}
    if any("not stated: 3 %" in text for text in bases):
        yield (
            "caution: package power is taken to be known within 3 % and 1 W (standard uncertainty), because its "
            "accuracy is not stated; a gain error of the processor's reading looks just like a loss in proportion to "
            "load"
        )


def _reference_notes(findings: Sequence[StepFinding]) -> Iterable[str]:
    references = {finding.basis["regulator_rise"] for finding in findings if "regulator_rise" in finding.basis}
    yield from (f"caution: regulator_rise is {text}" for text in sorted(references))
