"""The last question of the job: can the numbers be trusted, and can somebody else check them?"""

from __future__ import annotations

from collections.abc import Sequence

from phasewright.findings.records import Check, StepFinding
from phasewright.findings.wording import Numbers, series_text
from phasewright.logs import Recording

__all__ = ["answer_trust", "unstated_accuracy"]


def answer_trust(recording: Recording, findings: Sequence[StepFinding], checks: Sequence[Check]) -> tuple[str, Numbers]:
    """Return what clocks, settling, the checks of the readings and the fingerprints say, in one sentence."""
    doubts = [check for check in checks if check.outcome == "doubt"]
    passed = [check for check in checks if check.outcome == "passed"]
    settled = [item for item in findings if item.window.found and item.window.settled]
    numbers: Numbers = {
        "doubts": float(len(doubts)),
        "checks passed": float(len(passed)),
        "settled steps": float(len(settled)),
        "steps": float(len(findings)),
    }
    files = len({report.fingerprint.file for report in recording.reports})
    numbers["files"] = float(files)
    unsure = any(clock.status in ("ambiguous", "assumed") for clock in recording.clocks)
    bare, known = unstated_accuracy(findings), _stated(findings)
    numbers["quantities without an interval"] = float(len(bare))
    lead = "With doubts" if doubts or unsure else "Yes, within the intervals stated"
    lead = "Not yet" if bare and not known else lead
    parts = [
        *_interval_words(bare, known),
        _clock_words(recording, numbers),
        f"{len(settled)} of {len(findings)} steps are settled",
        _check_words(doubts, passed),
    ]
    if files:
        parts.append(
            f"the {files} raw files are listed with fingerprints"
            if files > 1
            else "the raw file is listed with its fingerprint"
        )
    return f"{lead}: {series_text(parts)}.", numbers


def unstated_accuracy(steps: Sequence[StepFinding]) -> tuple[str, ...]:
    """Return the measured quantities that have an interval in no step, because no accuracy is stated for them."""
    known = _measured(steps, stated=True)
    return tuple(name for name in _measured(steps, stated=False) if name not in known)


def _stated(findings: Sequence[StepFinding]) -> tuple[str, ...]:
    # What is known without any statement about an instrument proves no instrument.
    assumed = ("package_power", "phase_count", "error_count")
    return tuple(name for name in _measured(findings, stated=True) if name not in assumed)


def _measured(findings: Sequence[StepFinding], *, stated: bool) -> dict[str, None]:
    return {
        name: None
        for finding in findings
        for name, value in finding.quantities.items()
        if value.kind == "measured" and not name.endswith("_peak") and (value.u is not None) is stated
    }


def _interval_words(bare: Sequence[str], known: Sequence[str]) -> list[str]:
    if not bare:
        return []
    names = series_text(name.replace("_", " ") for name in bare)
    what = "no measured figure" if not known else "no figure that rests on these"
    return [f"the accuracy of {names} is not stated in bench.toml, so {what} has an interval (± ?)"]


def _check_words(doubts: Sequence[Check], passed: Sequence[Check]) -> str:
    if doubts:
        names = series_text(check.name for check in doubts)
        verb = "raises" if len(doubts) == 1 else "raise"
        return f"{len(doubts)} of {len(doubts) + len(passed)} checks of the readings {verb} a doubt ({names})"
    if passed:
        return f"none of {len(passed)} checks of the readings against each other raises a doubt"
    return "too little is logged to check the readings against each other"


def _clock_words(recording: Recording, numbers: Numbers) -> str:
    others = [clock for clock in recording.clocks if clock.status != "reference"]
    if not others:
        return "there is one log and so one clock"
    aligned = sorted({clock.log for clock in others if clock.status == "aligned"})
    ambiguous = sorted({clock.log for clock in others if clock.status == "ambiguous"})
    assumed = sorted({clock.log for clock in others if clock.status == "assumed"})
    numbers["clocks aligned"] = float(len(aligned))
    numbers["clocks"] = float(len({clock.log for clock in others}))
    words = []
    if aligned:
        known = [clock.offset_u for clock in others if clock.status == "aligned" and clock.offset_u is not None]
        subject, verb = ("clocks", "are") if len(aligned) > 1 else ("clock", "is")
        text = f"the {subject} of {series_text(aligned)} {verb} aligned"
        if known:
            numbers["greatest clock uncertainty [s]"] = 1.96 * max(known)
            text += f" within {1.96 * max(known):.2g} s at 95 %"
        words.append(text)
    if ambiguous:
        words.append(f"the clock of {series_text(ambiguous)} is ambiguous, so its readings are not used")
    if assumed:
        words.append(f"the clock of {series_text(assumed)} is taken as it stands, which nothing confirms")
    return series_text(words)
