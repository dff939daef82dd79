"""The questions that only a fitted model can answer, each in a sentence with its numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from phasewright.findings import Analysis, Answer, Margin
from phasewright.model import Fitted, Prediction
from phasewright.quantity import Value
from phasewright.report.foresight import phases_words
from phasewright.report.outlook import Case, Fewest, Outlook, ask, first_margin, outlook_of
from phasewright.report.series import phase_count
from phasewright.report.wording import THIN, chance_text, number_text, plain

COLDER = 10.0
"""[K] How much colder the coolant is in the answer to what would change things."""
Numbers = dict[str, Value | float | str]
_ASKS_MODEL = "; what more cooling"


def model_answers(analysis: Analysis, fitted: Fitted, *, outlook: Outlook | None = None) -> tuple[Answer, ...]:
    """Return the answers of the analysis, those that a fitted model can better made better.

    Parameters
    ----------
    analysis
        What was found; its other answers are kept as they are.
    fitted
        The model of the same bench.
    outlook
        What was asked of the model already; None: it is asked now.
    """
    outlook = outlook if outlook is not None else outlook_of(analysis, fitted)
    better = {"how hot": _how_hot, "what gives first": _what_gives_first, "what would another": _what_if}
    found = []
    for answer in analysis.answers:
        key = next((start for start in better if answer.question.lower().startswith(start)), None)
        found.append(better[key](outlook, answer) if key is not None else answer)
    return tuple(found)


def _how_hot(outlook: Outlook, answer: Answer) -> Answer:
    """Return the answer with where the heat of the hottest step comes from."""
    name = answer.numbers.get("step")
    pair = next((pair for pair in outlook.steps if pair[0].step.name == name), None)
    if pair is None:
        return answer
    quantities = pair[1].quantities
    if not all(math.isfinite(quantities[key].value) for key in ("loss", "conversion_loss", "path_loss")):
        return answer
    numbers: Numbers = {f"predicted {key}": quantities[key] for key in ("loss", "conversion_loss", "path_loss")}
    text = (
        f"; by the model {number_text(quantities['conversion_loss'])} of the {number_text(quantities['loss'])} lost "
        f"there is heat of the regulator itself and {number_text(quantities['path_loss'])} warms cables and connectors, "
        "the rest is drawn by other loads of the board"
    )
    return replace(answer, sentence=answer.sentence.rstrip(". ") + text + ".", numbers={**answer.numbers, **numbers})


# ---- what gives first, and what would change it ------------------------------------------------------------------


def _what_gives_first(outlook: Outlook, answer: Answer) -> Answer:
    """Return the answer with what one phase more and a colder coolant would change."""
    target = _weakest(outlook)
    start = answer.sentence.partition(_ASKS_MODEL)[0].rstrip(". ")
    if target is None:
        return answer
    case, count, now = target
    first = first_margin(now)
    if first is None:
        return answer
    where = f"{phases_words(count)} at {case.label}"
    numbers: Numbers = {
        "predicted setting": where,
        "predicted limit": first.limit.name,
        "predicted margin": first.margin,
    }
    said = []
    more = next((item for item in case.found if item[0] > count), None)
    if more is not None:
        margin = _same(more[1], first)
        if margin is not None:
            said.append(f"{phases_words(more[0])} would leave {number_text(margin.margin)}")
            numbers["margin with more phases"] = margin.margin
    colder = _colder(outlook, case, count)
    if colder is not None:
        margin = _same(colder, first)
        cooler = now.quantities["regulator_temperature"].value - colder.quantities["regulator_temperature"].value
        if margin is not None and math.isfinite(cooler):
            said.append(
                f"coolant {plain(COLDER, 0)}{THIN}K colder {number_text(margin.margin)}, with the hottest stage "
                f"{plain(cooler, 1)}{THIN}K cooler"
            )
            numbers |= {"margin with colder coolant": margin.margin, "cooler stage [K]": cooler}
    if not said:
        return answer
    text = (
        f"{start}; by the model, {where} leave {number_text(first.margin)} to the {first.limit.name}, "
        f"where {' and '.join(said)}."
    )
    return replace(answer, sentence=text, numbers={**answer.numbers, **numbers})


def _weakest(outlook: Outlook) -> tuple[Case, int, Prediction] | None:
    """Return the measured setting that the model sees least likely to hold: (load, phase count, prediction)."""
    found = []
    for case in outlook.cases:
        tried = {int(count) for f in case.series.findings if (count := phase_count(f)) is not None}
        found += [(case, count, item) for count, item in case.found if count in tried]
    return min(found, key=lambda item: (item[2].probability, _room_of(item[2])), default=None)


def _room_of(prediction: Prediction) -> float:
    first = first_margin(prediction)
    return math.inf if first is None else first.margin.value / abs(first.limit.value or 1.0)


def _same(prediction: Prediction, margin: Margin) -> Margin | None:
    """Return the margin of another prediction to the same limit."""
    key = (margin.limit.name, margin.limit.applies_to, margin.note)
    found = (m for m in prediction.margins if (m.limit.name, m.limit.applies_to, m.note) == key)
    return next((m for m in found if math.isfinite(m.margin.value)), None)


def _colder(outlook: Outlook, case: Case, count: int) -> Prediction | None:
    if case.coolant is None:
        return None
    settings: Mapping[str, float] = {
        "phase_count": count, **case.load, "coolant_temperature": case.coolant - COLDER,
    }  # fmt: skip
    return ask(outlook.fitted, settings)


# ---- what if ------------------------------------------------------------------------------------------------------


def _what_if(outlook: Outlook, answer: Answer) -> Answer:
    """Return what other phase counts and coolants would do at each load."""
    if not outlook.fewest:
        return answer
    numbers: Numbers = {}
    parts = []
    for case in dict.fromkeys(item.case.label for item in outlook.fewest):
        own = [item for item in outlook.fewest if item.case.label == case]
        parts.append(_of_load(own, numbers))
    text = "; ".join(parts)
    bearing = _bears(outlook, numbers)
    text = f"Predicted with 95 %: {text}" + (f"; {bearing}" if bearing else "")
    return replace(answer, sentence=f"{text}.", numbers=numbers)


def _of_load(own: list[Fewest], numbers: Numbers) -> str:
    """Return the fewest phases of one load, how hot they run, and what one fewer would do."""
    middle = own[len(own) // 2]
    case = middle.case
    at = f"at {plain(middle.coolant, 0)}{THIN}°C of coolant"
    if middle.count is None or middle.prediction is None:
        return f"no phase count that is fitted holds {case.label} {at}"
    hot, lost = middle.prediction.quantities["regulator_temperature"], middle.prediction.quantities["loss"]
    numbers |= {
        f"fewest phases, {case.label}": float(middle.count),
        f"regulator temperature, {case.label}": hot,
        f"loss, {case.label}": lost,
    }
    text = (
        f"{case.label} needs {phases_words(middle.count)} {at}, its hottest stage then at {number_text(hot)} and "
        f"{number_text(lost)} lost"
    )
    others = {item.coolant: item.count for item in own if item.count != middle.count}
    if others:
        said = ", ".join(f"{n or 'more than are fitted'} at {plain(t, 0)}{THIN}°C" for t, n in others.items())
        text += f" ({said})"
    fewer = [item for item in case.found if item[0] < middle.count]
    if fewer:
        count, prediction = fewer[-1]
        temperature = prediction.quantities["regulator_temperature"]
        held = f"would hold with a chance of {chance_text(prediction.probability)} only"
        reached = f" at {number_text(temperature)}" if math.isfinite(temperature.value) else " as heat runs away"
        text += f", while {phases_words(count)} {held}{reached}"
        numbers[f"chance of {phases_words(count)}, {case.label}"] = prediction.probability
    return text


def _bears(outlook: Outlook, numbers: Numbers) -> str:
    middle = outlook.coolants[len(outlook.coolants) // 2] if outlook.coolants else None
    own = [item for item in outlook.ceilings if item.coolant == middle]
    if not own:
        return ""
    most = own[-1]
    power, current = (most.prediction.quantities[name].value for name in ("package_power", "rail_current"))
    numbers |= {"greatest package power [W]": power, "greatest rail current [A]": current}
    ended = f", where the {most.limit.limit.name} ends it" if most.limit is not None and not most.beyond else ""
    more = "more than " if most.beyond else ""
    return (
        f"all {phases_words(most.count)} would bear {more}{plain(power, 0)}{THIN}W or {plain(current, 0)}{THIN}A{ended}"
    )
