"""What is foreseen of one step: currents, temperature, chance to trip, and whether to go."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from phasewright.bench import BenchFault, NotReady, Step, limits_of
from phasewright.findings import Margin, margins_of
from phasewright.model import Fitted, Prediction, predict
from phasewright.plan.chances import chance_to_trip, thresholds_of
from phasewright.plan.currents import load_current, phases_of, settings_on
from phasewright.plan.records import READINESS, Conditions, Forecast, Severity, Stop
from phasewright.plan.stops import stops_of
from phasewright.quantity import Value, to_text

__all__ = ["forecast_step", "judged_together"]

SEED = 20
CARE_CHANCE, NO_CHANCE = 0.01, 0.25
"""[1] Chance to trip from which a step needs care, and from which it is a no-go; common practice, no source."""
GAIN_CARE = 0.5
"""[1] Loop gain of heat and loss at which half of the rise is made by the heat itself."""
PEAK_EXCESS = 0.25
"""[1] Peak over mean of a load where no prediction says, less one; common practice, no source."""
ALONE = 0.5
"""[1] Share of the nearest current limit below which the mildest step may be tried although its temperature cannot be
foreseen."""
GO, CARE, NO = READINESS


def forecast_step(fitted: Fitted, step: Step, conditions: Conditions, *, seed: int = SEED) -> Forecast:
    """Return what is foreseen of `step` on the bench of `fitted`; what cannot be foreseen is a no-go that says why."""
    settings = settings_on(fitted.bench, step.settings)
    try:
        limits_of(fitted.bench, settings)
        prediction = predict(fitted, settings, generator=np.random.default_rng(seed))
        chance = chance_to_trip(fitted, settings, tolerance=conditions.tolerance, seed=seed)
    except BenchFault as error:
        reasons = tuple(f"beyond what the bench bears: {item.what} - {item.mend}" for item in error.faults)
        return _unforeseen(fitted, step, settings, conditions, reasons, beyond=True)
    except NotReady as error:
        reasons = tuple(f"{item.what} - {item.mend}" for item in error.faults)
        return _unforeseen(fitted, step, settings, conditions, reasons)
    except ValueError as error:
        return _unforeseen(fitted, step, settings, conditions, (f"cannot be judged: {error}",), beyond=True)
    thresholds = thresholds_of(fitted.bench, settings)
    known = bool(thresholds) or chance > CARE_CHANCE
    verdict, reasons = _judge(fitted, settings, prediction, chance, known)
    stops = stops_of(fitted.bench, settings, prediction.quantities, conditions.tolerance)
    severity = Severity(
        READINESS.index(verdict),
        math.floor(100.0 * chance) / 100.0,
        prediction.quantities["regulator_temperature"].value,
        _current_share(prediction.margins),
    )
    return Forecast(
        step,
        int(settings["phase_count"]),
        prediction,
        prediction.quantities,
        prediction.margins,
        chance if known else None,
        verdict,
        reasons,
        stops,
        severity,
        prediction.notes,
    )


def _unforeseen(
    fitted: Fitted,
    step: Step,
    settings: Mapping[str, float | str],
    conditions: Conditions,
    reasons: tuple[str, ...],
    *,
    beyond: bool = False,
) -> Forecast:
    """Return a no-go, with currents by plain arithmetic unless the step is `beyond` what may be asked at all."""
    bench = fitted.bench
    quantities: dict[str, Value] = {}
    margins: tuple[Margin, ...] = ()
    stops: tuple[Stop, ...] = ()
    count = settings["phase_count"]
    whole = int(count) if isinstance(count, int | float) and math.isfinite(count) else 0
    current = load_current(bench, settings) if not beyond else None
    if current is not None:
        quantities = _plain_currents(phases_of(bench, settings), current)
        averaging = {name: math.nan for name in quantities if name.endswith("_peak")}
        margins, _ = margins_of(quantities, limits_of(bench, settings), peak_averaging=averaging)
        reasons = (*reasons, *_beyond_by_arithmetic(margins))
        stops = stops_of(bench, settings, quantities, conditions.tolerance)
    severity = Severity(2, 1.0, math.inf, _current_share(margins) if margins else math.inf)
    return Forecast(step, whole, None, MappingProxyType(quantities), margins, None, NO, reasons, stops, severity)


def _plain_currents(phases, current: float) -> dict[str, Value]:
    why = "plain arithmetic from the load as set, nothing predicted"
    peak = current * (1.0 + PEAK_EXCESS)
    fullest = phases.peak(peak)
    found = {
        "rail_current": current,
        "rail_current_peak": peak + 0.5 * phases.total_ripple,
        "phase_current": current / phases.count,
        "phase_current_peak": fullest,
        "stage_current": current / phases.count / phases.stages,
        "stage_current_peak": fullest / phases.stages,
    }
    return {name: Value(value, "A", kind="assumed", reason=why) for name, value in found.items()}


def _beyond_by_arithmetic(margins: tuple[Margin, ...]) -> tuple[str, ...]:
    return tuple(
        f"{_named(item)} of about {item.figure.value:.3g} A is above the {item.limit.name} at {item.limit.value:g} A"
        for item in margins
        if item.limit.unit == "A" and item.margin.value <= 0.0
    )


def _current_share(margins: tuple[Margin, ...]) -> float:
    """Return the greatest current over its limit [1]; 0 where no limit on a current is stated."""
    return max((item.figure.value / item.limit.value for item in margins if item.limit.unit == "A"), default=0.0)


# ---- verdict ------------------------------------------------------------------------------------------------------


def _judge(
    fitted: Fitted, settings: Mapping[str, float | str], prediction: Prediction, chance: float, known: bool
) -> tuple[str, tuple[str, ...]]:
    """Return whether to go, and every reason with its numbers; what speaks against comes first.

    Nothing here grows milder when a protection is added: what is not known of protections is said, not judged.
    """
    against: list[str] = []
    careful: list[str] = []
    if chance >= CARE_CHANCE:
        text = f"chance to trip {chance_text(chance)}: {'; '.join(_tripping(fitted, settings, prediction))}"
        (against if chance >= NO_CHANCE else careful).append(text)
    for margin in prediction.margins:
        _judge_margin(margin, against, careful)
    gain = prediction.quantities["loop_gain"]
    if gain.high95 is not None and gain.high95 >= GAIN_CARE:
        careful.append(f"heat feeds itself: each kelvin brings up to {gain.high95:.2f} K more; runaway is at 1")
    careful += _bounds_unknown(fitted.bench.regulator.stage)
    careful += _raised(fitted.bench.regulator.protection, settings)
    reasons = [*dict.fromkeys(against), *dict.fromkeys(careful)]
    if not known:
        reasons.append("no threshold of a protection is stated, so the chance to trip is not known")
    elif not reasons:
        reasons.append(f"chance to trip {chance_text(chance)}; {'; '.join(prediction.reasons)}")
    return (NO if against else CARE if careful else GO), tuple(reasons)


def chance_text(chance: float) -> str:
    """Return a chance as people read it: `under 0.1 %`, `3 %`, `over 99.9 %`."""
    if chance < 0.001:
        return "under 0.1 %"
    if chance > 0.999:
        return "over 99.9 %"
    return f"{100.0 * chance:.1f} %" if chance < 0.1 or chance > 0.9 else f"{100.0 * chance:.0f} %"


def _judge_margin(margin: Margin, against: list[str], careful: list[str]) -> None:
    limit, distance = margin.limit, margin.margin
    tripping = limit.kind == "protection" and not limit.name.endswith(("warning", "limit"))
    if tripping:
        return
    if distance.low95 is None or distance.high95 is None:
        # Heat that may run away leaves every figure open that follows from it: said once.
        careful.append(distance.reason)
        return
    text = f"{_named(margin)} of {to_text(margin.figure)} against the {limit.name} at {limit.value:g} {_unit(limit)}"
    if distance.low95 > 0.0:
        return
    if limit.kind == "absolute_maximum":
        against.append(f"may pass an absolute maximum: {text}")
    elif limit.kind == "protection":
        careful.append(f"{'will' if distance.high95 < 0.0 else 'may'} be held back: {text}")
    elif distance.high95 < 0.0:
        against.append(f"beyond a rating: {text}")
    else:
        careful.append(f"close to a rating: {text}")


def _unit(limit) -> str:
    return "°C" if limit.unit == "degC" else limit.unit


def _named(margin: Margin) -> str:
    peak = "peak " if margin.note.startswith("peak") else ""
    return f"{peak}{margin.limit.applies_to.replace('_', ' ')}"


def _tripping(fitted: Fitted, settings: Mapping[str, float | str], prediction: Prediction) -> list[str]:
    """Return what may trip, each with its numbers, the likeliest first."""
    found, quantities = [], prediction.quantities
    count, thresholds = int(settings["phase_count"]), thresholds_of(fitted.bench, settings)
    for name, threshold in thresholds.items():
        own = [item for item in prediction.margins if item.limit.kind == "protection" and _guards(item, name)]
        worst = min((item.probability for item in own if item.probability is not None), default=0.0)
        if worst > 0.999:
            continue
        if name == "phase_current":
            text = (
                f"{to_text(quantities['rail_current'])} on {count} {'phase' if count == 1 else 'phases'} is "
                f"{to_text(quantities['phase_current'])}"
                f" a phase, {to_text(quantities['phase_current_peak'])} at the peak with ripple and sharing error; "
                f"protection at {threshold:g} A a phase acts at {threshold * count:g} A in total"
            )
        elif name == "total_current":
            text = (
                f"rail current of {to_text(quantities['rail_current'])}, "
                f"{to_text(quantities['rail_current_peak'])} at the peak; over-current protection of the regulator "
                f"acts at {threshold:g} A"
            )
        elif math.isfinite(quantities["regulator_temperature"].value):
            text = (
                f"hottest stage at {to_text(quantities['regulator_temperature'])}; over-temperature protection acts "
                f"at {threshold:g} °C"
            )
        else:
            continue
        found.append((worst, text))
    if quantities["regulator_temperature"].u is None:
        found.append((0.5, quantities["regulator_temperature"].reason))
    return [text for _, text in sorted(found)] or ["several protections together"]


def _guards(margin: Margin, threshold: str) -> bool:
    name, applies = margin.limit.name, margin.limit.applies_to
    if threshold == "phase_current":
        return applies == "phase_current"
    if threshold == "total_current":
        return name.endswith("of the regulator")
    return applies == "regulator_temperature" and not name.endswith("warning")


def _bounds_unknown(stage) -> list[str]:
    """Return what cannot be held against the parts because their ratings are not stated."""
    found = []
    if stage.current_rating is None and stage.peak_current_rating is None:
        found.append("no current rating of the power stages is stated, so currents are not held against the parts")
    if stage.temperature_limit is None:
        found.append("no temperature limit of the power stages is stated, so heat is not held against the parts")
    return found


def _raised(protection, settings: Mapping[str, float | str]) -> list[str]:
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
    """Return the forecasts, the mildest of them freed when the heat of none can be foreseen.

    Something has to be measured first; it is the step with the smallest currents, and only when these are far below
    every limit.
    """
    open_ones = [
        item
        for item in forecasts
        if item.prediction is None and any(margin.limit.kind != "protection" for margin in item.margins)
    ]
    if any(item.prediction is not None for item in forecasts) or not open_ones:
        return forecasts
    mildest = min(open_ones, key=lambda item: item.quantities["phase_current_peak"].value)
    if mildest.severity.current_share > ALONE:
        return forecasts
    share = mildest.severity.current_share
    freed = replace(
        mildest,
        verdict=CARE,
        severity=replace(mildest.severity, rank=1),
        reasons=(
            *mildest.reasons,
            f"currents reach {100 * share:.0f} % of the nearest limit, so it may be tried first: "
            "watch the temperature without a break and stop as stated",
        ),
    )
    return [freed if item is mildest else item for item in forecasts]
