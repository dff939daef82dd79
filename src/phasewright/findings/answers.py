"""The questions of the job, each answered in a sentence with its numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

from phasewright.bench import Bench, Campaign
from phasewright.findings.margins import relative
from phasewright.findings.records import Answer, Check, Comparison, Margin, StepFinding
from phasewright.findings.verdicts import margin_text
from phasewright.findings.wording import group_by_load, load_text, money_text, phases_text, said, series_text
from phasewright.logs import Recording
from phasewright.quantity import Value

__all__ = ["QUESTIONS", "answer_questions"]

QUESTIONS = (
    "Which settings hold, and how few phases are enough?",
    "How hot does the regulator run, and where would it settle?",
    "What is wasted, and what does it cost?",
    "What gives first, and what would change that?",
    "What would another load, coolant, phase count or part do?",
    "Can the numbers be trusted?",
)

Numbers = dict[str, Value | float | str]
DID_NOT_HOLD = ("tripped", "clamped", "marginal")


def answer_questions(
    bench: Bench, campaign: Campaign, recording: Recording, findings: Sequence[StepFinding],
    comparisons: Sequence[Comparison], checks: Sequence[Check],
) -> tuple[Answer, ...]:
    """Return one answer for each question, in order; what the findings cannot answer says so and what it needs."""
    told = (
        _which_hold(findings),
        _how_hot(findings),
        _what_is_wasted(campaign, findings, comparisons),
        _what_gives_first(findings),
        _what_if(),
        _trusted(recording, findings, checks),
    )
    return tuple(Answer(question, sentence, numbers) for question, (sentence, numbers) in zip(QUESTIONS, told, strict=True))


# ---- which settings hold ------------------------------------------------------------------------------------------


def _which_hold(findings: Sequence[StepFinding]) -> tuple[str, Numbers]:
    if not findings:
        return "Not answered: no step was found in the record.", {}
    held = [item for item in findings if item.verdict == "sustained"]
    numbers: Numbers = {"steps": float(len(findings)), "sustained": float(len(held))}
    sentences = []
    for index, group in enumerate(group_by_load(findings), start=1):
        sentence, found = _fewest(group)
        sentences.append(sentence)
        for name, number in found.items():
            numbers[f"{name} at load {index}"] = number
        numbers[f"load {index}"] = load_text(group)
    start = f"{len(held)} of {len(findings)} settings held: " if len(findings) > 1 else ""
    text = "; ".join(sentences)
    return f"{start}{text if start else text[0].upper() + text[1:]}.", numbers


def _fewest(group: list[StepFinding]) -> tuple[str, Numbers]:
    held = [item for item in group if item.verdict == "sustained" and "phase_count" in item.quantities]
    where = f"at {load_text(group)}"
    if not held:
        return f"{where} no setting tried is proven to hold ({_verdicts(group)})", {}
    best = min(held, key=lambda item: (item.quantities["phase_count"].value, -_closest(item)))
    count = best.quantities["phase_count"].value
    nearest = best.margins[0]
    text = f"{where} {phases_text(best)} {'is' if count == 1 else 'are'} enough, with {margin_text(nearest)}"
    below = [item for item in group if "phase_count" in item.quantities and item.quantities["phase_count"].value < count]
    text += f"; {_verdicts(below)}" if below else "; fewer were not tried"
    return text, {"fewest phases": count, "nearest margin": nearest.margin}


def _closest(finding: StepFinding) -> float:
    first = finding.margins[0].in_u if finding.margins else None
    return math.inf if first is None else first


def _verdicts(findings: Sequence[StepFinding]) -> str:
    """Return e.g. ``6 phases clamped, 4 phases tripped``; settings of one count are told apart by the step's name."""
    counts = [phases_text(item) for item in findings]
    return ", ".join(
        f"{text if counts.count(text) == 1 else item.step.name} {item.verdict}"
        for text, item in zip(counts, findings, strict=True)
    )


# ---- how hot ------------------------------------------------------------------------------------------------------


def _how_hot(findings: Sequence[StepFinding]) -> tuple[str, Numbers]:
    known = [item for item in findings if "regulator_temperature" in item.quantities and item.verdict != "tripped"]
    if not known:
        return "Not answered: no regulator temperature lies in any window; log regulator_temperature next to the power stages.", {}
    hottest = max(known, key=_shown_temperature)
    value = hottest.quantities["regulator_temperature"]
    numbers: Numbers = {"step": hottest.step.name, "regulator_temperature": value}
    text = f"The regulator is hottest in {hottest.step.name}: {said(value)}"
    rise = hottest.quantities.get("regulator_rise")
    if rise is not None:
        reference = "room" if "ambient" in hottest.basis["regulator_rise"] else "coolant"
        text += f", {said(rise)} above the {reference}"
        numbers["regulator_rise"] = rise
    text += _settling_words(hottest, numbers)
    resistance = hottest.quantities.get("thermal_resistance")
    if resistance is not None:
        boundary = "conversion" if "conversion" in hottest.basis["thermal_resistance"] else "delivery"
        text += f"; that is {said(resistance)} of {boundary} loss"
        numbers["thermal_resistance"] = resistance
    text += "; how that heat divides between stage, plate and processor takes a fitted thermal model, and none has been fitted"
    return f"{text}.", numbers


def _shown_temperature(finding: StepFinding) -> float:
    settled = finding.quantities.get("regulator_temperature_settled")
    return (settled or finding.quantities["regulator_temperature"]).value


def _settling_words(finding: StepFinding, numbers: Numbers) -> str:
    settled = finding.quantities.get("regulator_temperature_settled")
    tests = [item for item in finding.window.settling if item.channel.startswith("regulator_temperature")]
    if settled is not None:
        numbers["regulator_temperature_settled"] = settled
        return f", still rising when the step ended, and it would settle at {said(settled)}"
    if not tests:
        return ""
    remaining = max(item.remaining for item in tests)
    numbers["remaining"] = remaining
    if all(item.settled for item in tests):
        return f", settled to within {remaining:.2g} K"
    return f", and it had not settled: up to {remaining:.2g} K were still to come"


# ---- what is wasted -----------------------------------------------------------------------------------------------


def _what_is_wasted(
    campaign: Campaign, findings: Sequence[StepFinding], comparisons: Sequence[Comparison]
) -> tuple[str, Numbers]:
    known = {item.step.name: item for item in findings if "loss" in item.quantities}
    if not known:
        return (
            "Not answered: the loss takes input power and package power in one window; log both (input_power at the board's "
            "12 V inputs, package_power from the processor)."
        ), {}
    comparable = [item for item in comparisons if item.step in known and "input_power" in item.differences and "another load" not in item.reason]
    costly = max(comparable, key=lambda item: item.differences["input_power"].value, default=None)
    step = known[costly.step] if costly else max(known.values(), key=lambda item: item.quantities["loss"].value)
    numbers: Numbers = {"step": step.step.name}
    quantities = step.quantities
    text = (
        f"In {step.step.name} {said(quantities['loss'])} of {said(quantities['input_power'])} is lost between meter and package, "
        f"a delivery efficiency of {said(quantities['delivery_efficiency'], '%')}"
    )
    for name in ("loss", "input_power", "delivery_efficiency"):
        numbers[name] = quantities[name]
    conversion = quantities.get("conversion_loss")
    if conversion is not None:
        text += f"; the regulator by itself loses {said(conversion)}"
        numbers["conversion_loss"] = conversion
    if costly is not None:
        text += _extra_words(campaign, costly, numbers)
    return f"{text}.", numbers


def _extra_words(campaign: Campaign, item: Comparison, numbers: Numbers) -> str:
    extra = item.differences["input_power"]
    numbers |= {"baseline": item.baseline, "extra input power": extra}
    sure = extra.low95 is not None and extra.high95 is not None and not extra.low95 <= 0.0 <= extra.high95
    if extra.u is not None and not sure:
        return f"; against {item.baseline} the input power differs by {said(extra)}, no difference that can be told from zero"
    text = f"; against {item.baseline} it draws {said(extra)} more at the input"
    if item.extra_energy_year is None:
        return text
    numbers["extra energy a year"] = item.extra_energy_year
    text += f", which is {said(item.extra_energy_year, 'kWh')}"
    if item.extra_cost_year is not None:
        numbers["extra cost a year"] = item.extra_cost_year
        text += f" and {money_text(item.extra_cost_year)}"
    cost = campaign.cost
    return f"{text} a year at {cost.hours_per_day:g} hours a day on {cost.days_per_year:g} days"


# ---- what gives first ---------------------------------------------------------------------------------------------


def _what_gives_first(findings: Sequence[StepFinding]) -> tuple[str, Numbers]:
    acted = [item for item in findings if item.verdict in ("tripped", "clamped")]
    ran = [(item, item.margins[0]) for item in findings if item.margins and item.verdict != "tripped"]
    numbers: Numbers = {}
    parts = []
    if acted:
        parts.append("; ".join(f"{item.step.name} was {item.verdict}: {item.reasons[0]}" for item in acted))
        numbers["tripped or clamped"] = series_text(item.step.name for item in acted)
    if ran:
        finding, margin = min(ran, key=lambda item: _order(item[1]))
        parts.append(f"closest to a limit is {finding.step.name}, with {margin_text(margin)}")
        numbers |= {"step": finding.step.name, "limit": margin.limit.name, "margin": margin.margin}
        if margin.probability is not None:
            numbers["probability"] = margin.probability
    if not parts:
        return "Not answered: no limit is stated that a logged channel could be held against; add ratings and thresholds to bench.toml.", {}
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}; what cooling, protection, phases or voltage would change takes a fitted model, and none has been fitted.", numbers


def _order(margin: Margin) -> tuple[float, float]:
    return (margin.in_u if margin.in_u is not None else math.inf), relative(margin)


# ---- what if, and trust -------------------------------------------------------------------------------------------


def _what_if() -> tuple[str, Numbers]:
    return (
        "Not answered: what another load, coolant, phase count or part would do takes an electro-thermal model fitted to "
        "these steps, and none has been fitted; each step above answers for its own setting only."
    ), {}


def _trusted(recording: Recording, findings: Sequence[StepFinding], checks: Sequence[Check]) -> tuple[str, Numbers]:
    doubts = [check for check in checks if check.outcome == "doubt"]
    passed = [check for check in checks if check.outcome == "passed"]
    settled = [item for item in findings if item.window.found and item.window.settled]
    numbers: Numbers = {
        "doubts": float(len(doubts)), "checks passed": float(len(passed)),
        "settled steps": float(len(settled)), "steps": float(len(findings)),
    }
    clocks = _clock_words(recording, numbers)
    windows = f"{len(settled)} of {len(findings)} steps are settled"
    if doubts:
        sensors = f"{len(doubts)} of {len(doubts) + len(passed)} checks of the readings raise a doubt ({series_text(check.name for check in doubts)})"
    elif passed:
        sensors = f"none of {len(passed)} checks of the readings raises a doubt"
    else:
        sensors = "too little is logged to check the readings against each other"
    files = len({report.fingerprint.file for report in recording.reports})
    numbers["files"] = float(files)
    published = f"; {files} raw file{'s are' if files != 1 else ' is'} listed with fingerprints, so that anyone can check" if files else ""
    lead = "With doubts" if doubts or "ambiguous" in clocks else "Within the stated intervals, yes"
    return f"{lead}: {clocks}, {windows}, and {sensors}{published}.", numbers


def _clock_words(recording: Recording, numbers: Numbers) -> str:
    others = [clock for clock in recording.clocks if clock.status != "reference"]
    if not others:
        return "one log, so one clock"
    aligned = [clock for clock in others if clock.status == "aligned"]
    ambiguous = sorted({clock.log for clock in others if clock.status == "ambiguous"})
    assumed = sorted({clock.log for clock in others if clock.status == "assumed"})
    numbers["clocks aligned"] = float(len(aligned))
    numbers["clocks"] = float(len(others))
    words = []
    if aligned:
        known = [clock.offset_u for clock in aligned if clock.offset_u is not None]
        text = f"{len(aligned)} of {len(others)} clocks {'is' if len(aligned) == 1 else 'are'} aligned"
        if known:
            numbers["greatest clock uncertainty"] = 2.0 * max(known)
            text += f", each within {2.0 * max(known):.2g} s at 95 %"
        words.append(text)
    if ambiguous:
        words.append(f"the clock of {series_text(ambiguous)} is ambiguous and its readings are not used")
    if assumed:
        words.append(f"the clock of {series_text(assumed)} is taken as it stands")
    return ", ".join(words)
