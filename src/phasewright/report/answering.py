"""The questions that only a fitted model can answer, each in a sentence with its numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from phasewright.findings import Analysis, Answer, Margin
from phasewright.model import Fitted, Prediction, first_margin, gain_check
from phasewright.quantity import Value
from phasewright.report.outlook import (
    Case,
    Fewest,
    Outlook,
    ask,
    ended_words,
    outlook_of,
    phases_words,
)
from phasewright.report.parameters import now
from phasewright.report.series import phase_count
from phasewright.report.wording import THIN, chance_text, number_text, plain

COLDER = 10.0
"""[K] How much colder the coolant is in the answer to what would change things."""
Numbers = dict[str, Value | float | str]
_ASKS_MODEL = "; what more cooling"
_ASKS_THERMAL = "; how the heat divides"
_TRUSTED = "Yes, within the intervals stated: "


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
    better = {"how hot": _how_hot, "what gives first": _what_gives_first, "what would another": _what_if,
              "can ": _trusted}  # fmt: skip
    found = []
    for answer in analysis.answers:
        key = next((start for start in better if answer.question.lower().startswith(start)), None)
        found.append(better[key](outlook, answer) if key is not None else answer)
    return tuple(found)


def _trusted(outlook: Outlook, answer: Answer) -> Answer:
    """Return the answer with what heat and input power say of the gains of package power and rail current."""
    checks = gain_check(outlook.fitted)
    flags = [item for item in checks if item.outcome in ("reads high", "reads low")]
    agree = [item.channel.replace("_", " ") for item in checks if item.outcome == "agrees"]
    numbers: Numbers = {f"gain of {item.channel}": item.gain for item in (*flags, *(c for c in checks if c.outcome == "agrees"))}
    start = answer.sentence.rstrip(". ")
    if flags:
        doubt = f"{'one doubt' if len(flags) == 1 else f'{len(flags)} doubts'} by the model"
        start = start.replace(_TRUSTED, f"Yes, within the intervals stated and but for {doubt}: ", 1)
    said = [item.sentence for item in flags]
    if agree:
        said.append(f"by heat and input power the gain of {' and '.join(agree)} agrees")
    return replace(answer, sentence="; ".join([start, *said]) + ".", numbers={**answer.numbers, **numbers})


def _how_hot(outlook: Outlook, answer: Answer) -> Answer:
    """Return the answer with how the rise of the hottest step divides, and where its loss is."""
    name = answer.numbers.get("step")
    pair = next((pair for pair in outlook.steps if pair[0].step.name == name), None)
    parts = _rise_parts(outlook.fitted, pair[1]) if pair is not None else {}
    if pair is None or not parts:
        return answer
    quantities = pair[1].quantities
    numbers: Numbers = {f"predicted {key}": quantities[key] for key in ("regulator_rise", "conversion_loss")}
    numbers |= {f"rise by the {key}": value for key, value in parts.items()}
    start = answer.sentence.partition(_ASKS_THERMAL)[0].rstrip(". ")
    said = ", ".join(f"{number_text(value)} by the {key}" for key, value in parts.items())
    text = (
        f"{start}; by the model the settled rise there is {number_text(quantities['regulator_rise'])}, made {said}, "
        f"from {number_text(quantities['conversion_loss'])} of heat in the regulator."
    )
    return replace(answer, sentence=text, numbers={**answer.numbers, **numbers})


def _rise_parts(fitted: Fitted, prediction: Prediction) -> dict[str, Value]:
    """Return what stage, plate and package each add to the rise [K]; {} where it cannot be said."""
    quantities = prediction.quantities
    rise = quantities["regulator_rise"]
    known = {item.name: item for item in fitted.parameters}
    if not math.isfinite(rise.value) or not {"plate_rise", "package_rise"} <= set(known):
        return {}
    loss, package = quantities["conversion_loss"].value, quantities["package_power"].value
    plate, coupled = now(fitted, known["plate_rise"]), now(fitted, known["package_rise"])
    parts = {"plate": _times(plate, loss), "package": _times(coupled, package)}
    stage = rise.value - sum(value.value for value in parts.values())
    if any(value.u is None for value in (rise, *parts.values())):
        return {}
    # What plate and package have less the stage has more: their sum is known far better than each of them.
    u = math.sqrt(sum((value.u or 0.0) ** 2 for value in (rise, *parts.values())))
    return {"stage": Value(stage, "K", u, stage - 1.96 * u, stage + 1.96 * u, "extrapolated"), **parts}


def _times(value: Value, power: float) -> Value:
    """Return a thermal resistance [K/W] times a power [W], as a rise [K]."""
    low, high = (None if end is None else end * power for end in (value.low95, value.high95))
    return Value(value.value * power, "K", (value.u or 0.0) * power, low, high, "extrapolated")


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
    text = f"{start}; by the model, {where} would be {_side(first)} the {first.limit.name}"
    more = next((item for item in case.found if item[0] > count), None)
    eased = _same(more[1], first) if more is not None else None
    if more is not None and eased is not None:
        text += f", {phases_words(more[0])} {_side(eased)} it"
        numbers["margin with more phases"] = eased.margin
    colder = _colder(outlook, case, count)
    eased = _same(colder, first) if colder is not None else None
    if colder is not None and eased is not None:
        cooler = _hottest(now) - _hottest(colder)
        numbers |= {"margin with colder coolant": eased.margin, "cooler stage [K]": cooler}
        small = abs(eased.margin.value - first.margin.value) < 0.1 * (first.margin.u or 0.0)
        text += f"; coolant {plain(COLDER, 0)}{THIN}K colder would cool the hottest stage by {plain(cooler, 1)}{THIN}K"
        text += " and "
        text += "leave that as it is" if small else f"put it {_side(eased)} that limit"
    return replace(answer, sentence=f"{text}.", numbers={**answer.numbers, **numbers})


def _hottest(prediction: Prediction) -> float:
    """Return the predicted temperature of the hottest stage [degC]."""
    return prediction.quantities["regulator_temperature"].value


def _side(margin: Margin) -> str:
    """Return ``4.1 ± 4.6 A beyond`` or ``19.8 ± 3.5 A below``."""
    value = margin.margin
    if value.value >= 0.0:
        return f"{number_text(value)} below"
    low, high = (None if end is None else -end for end in (value.high95, value.low95))
    return f"{number_text(Value(-value.value, value.unit, value.u, low, high, value.kind))} beyond"


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
        parts.append(_of_load(outlook, own, numbers))
    text = "; ".join(parts)
    bearing = _bears(outlook, numbers)
    text = f"At 95 %, {text}" + (f"; {bearing}" if bearing else "")
    return replace(answer, sentence=f"{text}.", numbers=numbers)


def _of_load(outlook: Outlook, own: list[Fewest], numbers: Numbers) -> str:
    """Return the fewest phases of one load, how hot they run, and what one fewer would do."""
    middle = own[len(own) // 2]
    case = middle.case
    at = f"at {plain(middle.coolant, 0)}{THIN}°C of coolant"
    if case.found and all(not prediction.margins for _, prediction in case.found):
        return f"how few phases hold {case.label} cannot be said, because no limit is stated in bench.toml"
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
    fewer = [count for count, _ in case.found if count < middle.count]
    prediction = None
    if fewer:
        settings = {"phase_count": fewer[-1], **case.load, "coolant_temperature": middle.coolant}
        prediction = ask(outlook.fitted, settings)
    if prediction is not None:
        count, temperature = fewer[-1], prediction.quantities["regulator_temperature"]
        chance = chance_text(prediction.probability)
        if math.isfinite(temperature.value):
            reached = number_text(temperature)
            text += f", while {phases_words(count)} would reach {reached} and hold with a chance of {chance}"
        else:
            text += f", while with {phases_words(count)} heat would run away"
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
    ended = "" if most.beyond else f", where {ended_words(most)} ends it"
    more = "more than " if most.beyond else ""
    return (
        f"all {phases_words(most.count)} would bear {more}{plain(power, 0)}{THIN}W or {plain(current, 0)}{THIN}A{ended}"
    )
