"""The questions of the job, each answered in a sentence with its numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

from phasewright.bench import Bench, Campaign
from phasewright.findings.enough import fewest_over_all, mend_words
from phasewright.findings.records import Answer, Check, Comparison, StepFinding
from phasewright.findings.trustworthiness import answer_trust
from phasewright.findings.verdicts import remaining_text
from phasewright.findings.wording import (
    Numbers,
    fate_of,
    fate_text,
    group_by_load,
    joined_counts,
    load_text,
    money_text,
    named,
    phases_text,
    said,
    series_text,
)
from phasewright.limits import Margin, holds_zero, margin_text, relative
from phasewright.logs import Recording

__all__ = ["QUESTIONS", "answer_questions"]

QUESTIONS = (
    "Which settings hold, and how few phases are enough?",
    "How hot does the regulator run, and where would it settle?",
    "What is wasted, and what does it cost?",
    "What gives first, and what would change that?",
    "What would another load, coolant, phase count or part do?",
    "Can the numbers be trusted?",
)


def answer_questions(
    campaign: Campaign,
    recording: Recording,
    findings: Sequence[StepFinding],
    comparisons: Sequence[Comparison],
    checks: Sequence[Check],
    *,
    bench: Bench | None = None,
) -> tuple[Answer, ...]:
    """Return one answer for each question, in order; what the findings cannot answer says so and what it needs.

    With `bench` changes are tried on it, to say what would buy most margin at the limit that gives first.
    """
    told = (
        _which_hold(findings),
        _how_hot(findings),
        _what_is_wasted(campaign, findings, comparisons),
        _what_gives_first(findings, bench),
        _what_if(),
        answer_trust(recording, findings, checks),
    )
    return tuple(
        Answer(question, sentence, numbers) for question, (sentence, numbers) in zip(QUESTIONS, told, strict=True)
    )


# ---- which settings hold ------------------------------------------------------------------------------------------


def _which_hold(findings: Sequence[StepFinding]) -> tuple[str, Numbers]:
    if not findings:
        return "Not answered: no step was found in the record.", {}
    held = [item for item in findings if item.verdict == "sustained"]
    numbers: Numbers = {"steps": float(len(findings)), "sustained": float(len(held))}
    groups = group_by_load(findings)
    sentences = []
    for index, group in enumerate(groups, start=1):
        sentence, found = _fewest(group)
        more, also = fewest_over_all(group, found.get("fewest phases"))
        found |= also
        sentences.append(f"{sentence}{more}")
        suffix = f" at load {index}" if len(groups) > 1 else ""
        numbers |= {f"{name}{suffix}": number for name, number in found.items()}
        numbers[f"load {index}" if suffix else "load"] = load_text(group)
    text = "; ".join(sentences)
    if len(findings) > 1:
        return f"{len(held)} of {len(findings)} settings held: {text}.", numbers
    return f"{text[0].upper()}{text[1:]}.", numbers


def _fewest(group: list[StepFinding]) -> tuple[str, Numbers]:
    """Return what is said of one load: the fewest phases that held, how far from a limit, and what fewer did."""
    held = [item for item in group if item.verdict == "sustained" and "phase_count" in item.quantities]
    where = f"at {load_text(group)}"
    if not held:
        return f"{where}, nothing tried is shown to hold: {_fates(group)}", {}
    best = min(held, key=lambda item: (item.quantities["phase_count"].value, -_closest(item)))
    count = best.quantities["phase_count"].value
    nearest = _deciding(best)[0]
    fewer = [
        item for item in group if "phase_count" in item.quantities and item.quantities["phase_count"].value < count
    ]
    numbers: Numbers = {"fewest phases": count, "nearest margin": nearest.margin}
    nearest_words = f"(nearest limit: {margin_text(nearest)})"
    if not fewer:
        return f"{where}, {phases_text(best)}, the fewest tried, held {nearest_words}", numbers
    verb = "was" if round(count) == 1 else "were"
    text = f"{where}, {phases_text(best)} {verb} the fewest that held {nearest_words}, while {_fates(fewer)}"
    return text, numbers


def _deciding(finding: StepFinding) -> list[Margin]:
    return [margin for margin in finding.margins if margin.role == "decides"]


def _closest(finding: StepFinding) -> float:
    first = next((margin.in_u for margin in _deciding(finding)), None)
    return math.inf if first is None else first


def _fates(findings: Sequence[StepFinding]) -> str:
    """Return e.g. ``6 and 5 phases were held back and 4 phases tripped``; steps of one count are told apart by name."""
    counts = [phases_text(item) for item in findings]
    by_fate: dict[str, list[StepFinding]] = {}
    for item in findings:
        by_fate.setdefault(fate_of(item), []).append(item)
    words = []
    for fate, items in by_fate.items():
        names = [phases_text(item) if counts.count(phases_text(item)) == 1 else named(item.step.name) for item in items]
        words.append(fate_text(fate, joined_counts(names)))
    return series_text(words) if len(words) < 3 else f"{', '.join(words[:-1])}, and {words[-1]}"


# ---- how hot ------------------------------------------------------------------------------------------------------


def _how_hot(findings: Sequence[StepFinding]) -> tuple[str, Numbers]:
    known = [item for item in findings if "regulator_temperature" in item.quantities and item.verdict != "tripped"]
    if not known:
        return (
            f"Not answered: no regulator temperature lies in any window; "
            f"{_why_missing(findings, 'regulator_temperature') or 'log regulator_temperature next to the power stages'}."
        ), {}
    hottest = max(known, key=_shown_temperature)
    value = hottest.quantities["regulator_temperature"]
    numbers: Numbers = {"step": hottest.step.name, "regulator_temperature": value}
    text = f"The regulator is hottest in {named(hottest.step.name)}: {said(value)}"
    rise = hottest.quantities.get("regulator_rise")
    if rise is not None:
        reference = "room" if "ambient" in hottest.basis["regulator_rise"] else "coolant"
        text += f", {said(rise)} above the {reference}"
        numbers["regulator_rise"] = rise
    text += _settling_words(hottest, numbers)
    resistance = hottest.quantities.get("thermal_resistance")
    if resistance is not None:
        boundary = "conversion" if "conversion" in hottest.basis["thermal_resistance"] else "delivery"
        text += f", which is {said(resistance)} of {boundary} loss"
        numbers["thermal_resistance"] = resistance
    saturated = [named(item.step.name) for item in findings if _is_set(item, "coolant_saturated")]
    if saturated:
        text += f"; the coolant could take no more in {series_text(saturated)}"
        numbers["coolant saturated in"] = series_text(saturated)
    not_told = (
        "how the heat divides between stage, plate and processor is not answered: that takes a fitted thermal model"
    )
    return f"{text}; {not_told}.", numbers


def _is_set(finding: StepFinding, name: str) -> bool:
    return name in finding.quantities and finding.quantities[name].value > 0.5


def _shown_temperature(finding: StepFinding) -> float:
    settled = finding.quantities.get("regulator_temperature_settled")
    return (settled or finding.quantities["regulator_temperature"]).value


def _settling_words(finding: StepFinding, numbers: Numbers) -> str:
    settled = finding.quantities.get("regulator_temperature_settled")
    tests = [item for item in finding.window.settling if item.channel.startswith("regulator_temperature")]
    if settled is not None:
        numbers["regulator_temperature_settled"] = settled
        return f", still moving when the step ended and heading for {said(settled)}"
    if not tests:
        return ""
    numbers["remaining"] = max(item.remaining for item in tests)
    if all(item.settled for item in tests):
        return f", settled to within {remaining_text(tests)}"
    return f", not settled, with up to {remaining_text(tests)} still to come"


def _why_missing(findings: Sequence[StepFinding], *channels: str) -> str:
    """Return why a channel that a log did bring cannot be used, with the mend; '' when none was brought."""
    for channel in channels:
        for finding in findings:
            for item in finding.missing:
                if item.name == channel and "log " in item.why:
                    return f"{channel} is logged, but {item.why}: {item.mend}"
    return ""


# ---- what is wasted -----------------------------------------------------------------------------------------------


def _what_is_wasted(
    campaign: Campaign, findings: Sequence[StepFinding], comparisons: Sequence[Comparison]
) -> tuple[str, Numbers]:
    known = {item.step.name: item for item in findings if "loss" in item.quantities and item.verdict != "tripped"}
    if not known:
        return (
            "Not answered: the loss takes input power and package power in one window; "
            + (_why_missing(findings, "input_power", "package_power")
               or "log input_power at the board's 12 V inputs and package_power from the processor")
            + "."
        ), {}
    comparable = [
        item
        for item in comparisons
        if item.step in known and "input_power" in item.differences and "another load" not in item.reason
    ]
    costly = max(comparable, key=lambda item: item.differences["input_power"].value, default=None)
    step = known[costly.step] if costly else max(known.values(), key=lambda item: item.quantities["loss"].value)
    quantities = step.quantities
    numbers: Numbers = {"step": step.step.name}
    numbers |= {name: quantities[name] for name in ("loss", "input_power", "delivery_efficiency") if name in quantities}
    text = (
        f"In {named(step.step.name)}, {said(quantities['loss'])} of {said(quantities['input_power'])} is lost "
        "between meter and package"
    )
    if "delivery_efficiency" in quantities:
        text += f", a delivery efficiency of {said(quantities['delivery_efficiency'], '%')}"
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
    if holds_zero(extra):
        return f"; its input power cannot be told from that of {named(item.baseline)} ({said(extra)} apart)"
    more = "more" if extra.value >= 0.0 else "less"
    text = f"; it draws {said(extra).removeprefix('-')} {more} than {named(item.baseline)}"
    if item.extra_energy_year is not None:
        numbers["extra energy a year"] = item.extra_energy_year
        text += f", which is {said(item.extra_energy_year, 'kWh').removeprefix('-')}"
        if item.extra_cost_year is not None:
            numbers["extra cost a year"] = item.extra_cost_year
            text += f" or {money_text(item.extra_cost_year).removeprefix('-')}"
        cost = campaign.cost
        text += f" a year at {cost.hours_per_day:g} hours on {cost.days_per_year:g} days"
    delivered, lost = item.differences.get("package_power"), item.differences.get("loss")
    if delivered is not None and lost is not None and delivered.u is not None and not holds_zero(delivered):
        # The processor itself took more or less, so not all of the difference is waste.
        numbers["extra loss"] = lost
        text += f"; of that difference {said(lost)} is loss, the rest reached the package"
    return text


# ---- what gives first, and what if --------------------------------------------------------------------------------


def _what_gives_first(findings: Sequence[StepFinding], bench: Bench | None) -> tuple[str, Numbers]:
    acted = [item for item in findings if item.verdict in ("tripped", "clamped")]
    ran = [(item, item.margins[0]) for item in findings if item.margins and item.verdict != "tripped"]
    numbers: Numbers = {}
    parts = []
    if acted:
        parts.append(
            series_text(f"{fate_text(fate_of(item), named(item.step.name))} ({item.reasons[0]})" for item in acted)
        )
        numbers["tripped or clamped"] = series_text(item.step.name for item in acted)
    if ran:
        finding, margin = min(ran, key=lambda item: _order(item[1]))
        start = "closest to a limit otherwise is" if acted else "closest to a limit is"
        parts.append(f"{start} {named(finding.step.name)}: {margin_text(margin)}")
        numbers |= {"step": finding.step.name, "limit": margin.limit.name, "margin": margin.margin}
        if margin.probability is not None:
            numbers["probability that the limit is kept"] = margin.probability
        if bench is not None:
            words, found = mend_words(bench, finding, margin)
            parts += [words] if words else []
            numbers |= found
    if not parts:
        lost = _why_missing(findings, "rail_current", "regulator_temperature", "input_power")
        why = (
            f"nothing that a limit bears on can be used; {lost}" if lost else
            "no limit is stated that a logged channel could be held against; add ratings and protection thresholds to "
            "bench.toml"
        )
        return f"Not answered: {why}.", {}
    text = "; ".join(parts)
    return (
        f"{text[0].upper()}{text[1:]}; what more cooling, another protection limit, more phases or another voltage "
        "would change is not answered, for that takes a fitted model."
    ), numbers


def _order(margin: Margin) -> tuple[float, float]:
    return (margin.in_u if margin.in_u is not None else math.inf), relative(margin)


def _what_if() -> tuple[str, Numbers]:
    return (
        "Not answered: what another load, coolant, phase count or part would do takes an electro-thermal model fitted "
        "to these steps; until there is one, each step speaks for its own setting only."
    ), {}
