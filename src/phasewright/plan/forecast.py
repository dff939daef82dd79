"""What is foreseen of one step: currents, temperature, chance to trip, and whether to go."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from statistics import NormalDist
from types import MappingProxyType

import numpy as np

from phasewright.bench import BenchFault, NotReady, Protection, Stage, Step, limits_of
from phasewright.findings import Margin
from phasewright.model import Fitted, Prediction, predict
from phasewright.plan.chances import chance_to_trip, thresholds_of
from phasewright.plan.currents import settings_on
from phasewright.plan.records import READINESS, Conditions, Forecast, Severity
from phasewright.plan.stops import stops_of
from phasewright.quantity import Value, to_text

__all__ = ["forecast_step", "judged_together"]

SEED = 20
CARE_CHANCE, NO_CHANCE = 0.01, 0.25
"""[1] Chance to trip from which a step needs care, and from which it is a no-go; common practice, no source."""
HEAT_CHANCE = 0.10
"""[1] Chance that heat passes an absolute maximum from which a step is a no-go; below, it needs care: it is stopped in
time. Common practice, no source."""
HOTTEST = 400.0
"""[degC] No part works above this; what is predicted there only says that it does not hold."""
GAIN_CARE = 0.5
"""[1] Loop gain of heat and loss at which half of the rise is made by the heat itself."""
SURE = 0.999
"""[1] Probability above which a protection is not named among those that may act."""
ALONE = 0.5
"""[1] Share of the nearest current limit below which the mildest step may be tried although its temperature cannot be
foreseen."""
GO, CARE, NO = READINESS


def forecast_step(fitted: Fitted, step: Step, conditions: Conditions, *, seed: int = SEED) -> Forecast:
    """Return what is foreseen of `step` on the bench of `fitted`; what may not be asked at all is a no-go, with why."""
    bench = fitted.bench
    settings = settings_on(bench, step.settings)
    try:
        limits_of(bench, settings)
        prediction, doubt = _predicted(fitted, settings, seed)
        chance = chance_to_trip(fitted, settings, tolerance=conditions.tolerance, seed=seed)
    except BenchFault as error:
        return _refused(step, settings, (f"beyond what the bench bears: {f.what} - {f.mend}" for f in error.faults))
    except ValueError as error:
        return _refused(step, settings, (f"cannot be judged: {error}",))
    known = bool(thresholds_of(bench, settings)) or chance > CARE_CHANCE
    verdict, reasons = _judge(fitted, settings, prediction, chance, known, doubt)
    temperature = prediction.quantities["regulator_temperature"].value
    return Forecast(
        step,
        int(settings["phase_count"]),
        prediction,
        prediction.quantities,
        prediction.margins,
        chance if known else None,
        verdict,
        reasons,
        stops_of(bench, settings, prediction.quantities, conditions.tolerance),
        Severity(
            READINESS.index(verdict),
            math.floor(100.0 * chance) / 100.0,
            temperature,
            _current_share(prediction.margins),
        ),
        bool(doubt),
        prediction.notes,
    )


def _predicted(fitted: Fitted, settings: Mapping[str, float | str], seed: int) -> tuple[Prediction, tuple[str, ...]]:
    """Return the prediction, and why its temperature is hardly known; () where it is."""
    try:
        return predict(fitted, settings, generator=np.random.default_rng(seed)), ()
    except NotReady as error:
        # Its interval is too wide to be stated as a result, yet wide enough to be safe by.
        prediction = predict(fitted, settings, generator=np.random.default_rng(seed), refuse=False)
        return prediction, tuple(f"{item.what} - {item.mend}" for item in error.faults)


def _refused(step: Step, settings: Mapping[str, float | str], reasons: Iterable[str]) -> Forecast:
    count = settings["phase_count"]
    whole = int(count) if isinstance(count, int | float) and math.isfinite(count) else 0
    severity = Severity(2, 1.0, math.inf, math.inf)
    return Forecast(step, whole, None, MappingProxyType({}), (), None, NO, tuple(reasons), (), severity)


def _current_share(margins: tuple[Margin, ...]) -> float:
    """Return the greatest current over its limit [1]; 0 where no limit on a current is stated."""
    return max((item.figure.value / item.limit.value for item in margins if item.limit.unit == "A"), default=0.0)


# ---- verdict ------------------------------------------------------------------------------------------------------


def _judge(
    fitted: Fitted,
    settings: Mapping[str, float | str],
    prediction: Prediction,
    chance: float,
    known: bool,
    doubt: tuple[str, ...],
) -> tuple[str, tuple[str, ...]]:
    """Return whether to go, and every reason with its numbers; what speaks against comes first.

    Nothing here grows milder when a protection is added: what is not known of protections is said, not judged. What
    asks for care is told only where nothing speaks against.
    """
    against: list[str] = []
    careful: list[str] = []
    guards = _guards_met(fitted, settings, prediction)
    if chance >= CARE_CHANCE:
        likely = [text for holds, text in guards if holds <= SURE] or [text for _, text in guards[:1]]
        text = f"chance to trip {chance_text(chance)}: {'; '.join(likely)}"
        (against if chance >= NO_CHANCE else careful).append(text)
    careful += doubt
    for margin in prediction.margins:
        _judge_margin(margin, against, careful)
    gain = prediction.quantities["loop_gain"]
    if gain.high95 is not None and gain.high95 >= GAIN_CARE:
        careful.append(f"heat feeds itself: each kelvin brings up to {gain.high95:.2f} K more; runaway is at 1")
    careful += _bounds_unknown(fitted.bench.regulator.stage)
    careful += raised_protections(fitted.bench.regulator.protection, settings)
    reasons = list(dict.fromkeys(against or careful))
    if not known:
        reasons.append("no threshold of a protection is stated, so the chance to trip is not known")
    elif chance < CARE_CHANCE:
        reasons.append(f"chance to trip {chance_text(chance)}: {'; '.join(text for _, text in guards)}")
    return (NO if against else CARE if careful else GO), tuple(reasons)


def chance_text(chance: float) -> str:
    """Return a chance as people read it: `under 0.1 %`, `3 %`, `over 99.9 %`."""
    if chance < 0.001:
        return "under 0.1 %"
    if chance > 0.999:
        return "over 99.9 %"
    return f"{100.0 * chance:.1f} %" if chance < 0.1 or chance > 0.9 else f"{100.0 * chance:.0f} %"


def beyond_all_parts(value: Value) -> str:
    """Return a temperature that reaches where no part works, as people read it; '' for any other figure."""
    if value.unit != "degC" or value.low95 is None or value.high95 is None or value.high95 <= HOTTEST:
        return ""
    if value.value > HOTTEST:
        return f"over {HOTTEST:.0f} °C"
    return f"{value.value:.0f} ({value.low95:.0f} to over {HOTTEST:.0f}) °C"


def _figure_text(value: Value) -> str:
    return beyond_all_parts(value) or to_text(value)


def _judge_margin(margin: Margin, against: list[str], careful: list[str]) -> None:
    limit, distance = margin.limit, margin.margin
    tripping = limit.kind == "protection" and not limit.name.endswith(("warning", "limit"))
    if tripping:
        return
    figure = margin.figure
    if distance.low95 is None or distance.high95 is None or figure.low95 is None or figure.high95 is None:
        # Heat that may run away leaves every figure open that follows from it: said once.
        careful.append(distance.reason)
        return
    # The interval of the figure may be lopsided, that of a difference never is: the worse of both counts.
    worst, best = min(distance.low95, limit.value - figure.high95), max(distance.high95, limit.value - figure.low95)
    if worst > 0.0:
        return
    text = f"{_named(margin)} of {_figure_text(figure)} against the {limit.name} at {limit.value:g} {_unit(limit)}"
    if limit.kind == "absolute_maximum":
        # Heat is slow and is watched; a current is there before anybody can stop it.
        slow = limit.unit == "degC" and _chance_above(figure, limit.value) < HEAT_CHANCE
        (careful if slow else against).append(f"may pass an absolute maximum: {text}")
    elif limit.kind == "protection":
        careful.append(f"{'will' if best < 0.0 else 'may'} be held back: {text}")
    elif best < 0.0:
        against.append(f"beyond a rating: {text}")
    else:
        careful.append(f"close to a rating: {text}")


def _chance_above(figure: Value, limit: float) -> float:
    """Return the probability that a figure is above `limit`, by a normal law as wide as its upper half."""
    if figure.high95 is None or figure.high95 <= figure.value:
        return float(figure.value > limit)
    return 1.0 - NormalDist().cdf((limit - figure.value) / (figure.high95 - figure.value) * 1.96)


def _unit(limit) -> str:
    return "°C" if limit.unit == "degC" else limit.unit


def _named(margin: Margin) -> str:
    peak = "peak " if margin.note.startswith("peak") else ""
    return f"{peak}{margin.limit.applies_to.replace('_', ' ')}"


def _guards_met(fitted: Fitted, settings: Mapping[str, float | str], prediction: Prediction) -> list[tuple[float, str]]:
    """Return (probability that it does not act [1], what it sees, in numbers) for each protection, likeliest first."""
    found, quantities = [], prediction.quantities
    count = int(settings["phase_count"])
    rail, hot = quantities["rail_current"], quantities["regulator_temperature"]
    for name, threshold in thresholds_of(fitted.bench, settings).items():
        own = [item for item in prediction.margins if item.limit.kind == "protection" and _guards(item, name)]
        holds = min((item.probability for item in own if item.probability is not None), default=0.0)
        if name == "phase_current":
            text = (
                f"{to_text(rail)} on {count} {'phase' if count == 1 else 'phases'} is "
                f"{to_text(quantities['phase_current'])} a phase, {to_text(quantities['phase_current_peak'])} at the "
                f"peak with ripple and sharing error; protection at {threshold:g} A a phase acts at "
                f"{threshold * count:g} A in total"
            )
        elif name == "total_current":
            text = (
                f"rail current of {to_text(rail)}, {to_text(quantities['rail_current_peak'])} at the peak; protection "
                f"of the whole regulator acts at {threshold:g} A"
            )
        elif math.isfinite(hot.value):
            text = f"hottest stage at {_figure_text(hot)}; over-temperature protection acts at {threshold:g} °C"
        else:
            continue
        found.append((holds, text))
    if hot.u is None:
        found.append((0.0, hot.reason))
    return sorted(found)


def _guards(margin: Margin, threshold: str) -> bool:
    name, applies = margin.limit.name, margin.limit.applies_to
    if threshold == "phase_current":
        return applies == "phase_current"
    if threshold == "total_current":
        return name.endswith("of the regulator")
    return applies == "regulator_temperature" and not name.endswith("warning")


def _bounds_unknown(stage: Stage) -> list[str]:
    """Return what cannot be held against the parts because their ratings are not stated."""
    found = []
    if stage.current_rating is None and stage.peak_current_rating is None:
        found.append("no current rating of the power stages is stated, so currents are not held against the parts")
    if stage.temperature_limit is None:
        found.append("no temperature limit of the power stages is stated, so heat is not held against the parts")
    return found


def raised_protections(protection: Protection, settings: Mapping[str, float | str]) -> list[str]:
    """Return each threshold that a step sets above the bench's, in words."""
    found = []
    for name in ("phase_current", "total_current", "temperature_warning", "temperature_trip"):
        usual, value = getattr(protection, name), settings.get(f"protection_{name}")
        if usual is not None and value is not None and float(value) > usual:
            unit = "A" if name.endswith("current") else "°C"
            found.append(
                f"{name.replace('_', ' ')} protection is raised from {usual:g} to {float(value):g} {unit}: an "
                "independent cut-off is needed"
            )
    return found


def judged_together(forecasts: list[Forecast]) -> list[Forecast]:
    """Return the forecasts, the mildest of them freed when nothing may be run only because heat is hardly known.

    Something has to be measured first, or nothing ever could be; only with currents far below every limit.
    """
    open_ones = [item for item in forecasts if item.undecided and item.prediction is not None]
    if any(item.verdict != NO for item in forecasts) or not open_ones:
        return forecasts
    mildest = min(open_ones, key=lambda item: item.quantities["phase_current_peak"].value)
    share = mildest.severity.current_share
    # Without a rated current of the parts there is nothing to be far below of, whatever the protections.
    rated = any(item.limit.unit == "A" and item.limit.kind != "protection" for item in mildest.margins)
    if not rated or share > ALONE:
        return forecasts
    freed = replace(
        mildest,
        verdict=CARE,
        severity=replace(mildest.severity, rank=1),
        reasons=(
            *mildest.reasons,
            f"currents reach {100 * share:.0f} % of the nearest limit, so it may be tried first: watch the temperature "
            "without a break and stop as stated",
        ),
    )
    return [freed if item is mildest else item for item in forecasts]
