"""What the guide asks of the fitted model: every measured step again, other phase counts, coolants and loads."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.bench import BenchFault, NotReady
from phasewright.findings import Analysis, Margin, StepFinding
from phasewright.model import Fitted, Prediction, predict
from phasewright.report.series import Series, group, phase_count

DRAWS = 300
"""Enough to find a way by; the guide asks some hundred times."""
SURE_DRAWS = 4000
"""For a chance that is printed."""
LEVEL = 0.95
MOST_CASES = 4
MOST_COUNTS = 12
COOLANT_STEP = 10.0
"""[K] between the coolant temperatures that are asked for."""
MOST_TRIES = 10
FARTHEST = 3.0
"""Times the heaviest measured load, beyond which no load is asked for."""
CLOSE = 0.012
"""Share of a limit at which a load is close enough to the greatest."""
ONE_SIDED = 1.6449
"""Standard uncertainties below a limit at which it is kept with 95 %."""


@dataclass(frozen=True, slots=True)
class Case:
    """One load, as this bench's instruments read it, with the coolant that went with it."""

    series: Series
    load: Mapping[str, float]
    """package_power [W] or rail_current [A]."""
    coolant: float | None
    """[degC], as measured; None where it was not."""
    found: tuple[tuple[int, Prediction], ...]
    """Every phase count that can be foreseen, fewest first."""

    @property
    def label(self) -> str:
        """Short name of the load."""
        return self.series.label


@dataclass(frozen=True, slots=True)
class Fewest:
    """The fewest phases that hold one load at one coolant temperature."""

    case: Case
    coolant: float
    count: int | None
    """None: no phase count that is fitted holds."""
    prediction: Prediction | None
    """Of that count; None where none holds."""


@dataclass(frozen=True, slots=True)
class Ceiling:
    """The greatest load that one phase count holds at one coolant temperature."""

    coolant: float
    count: int
    prediction: Prediction
    """At the greatest load."""
    ends: str
    """What ends it: the name of a limit, thermal runaway, or a load that the load line cannot carry."""
    beyond: bool = False
    """Nothing ended it in the range that was asked for."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """Everything that the guide says from the model."""

    fitted: Fitted
    cases: tuple[Case, ...]
    steps: tuple[tuple[StepFinding, Prediction], ...]
    """Each measured step with what the model says of its setting, load and coolant as measured."""
    coolants: tuple[float, ...]
    fewest: tuple[Fewest, ...]
    ceilings: tuple[Ceiling, ...]
    refused: tuple[str, ...]
    """Why something could not be foreseen."""


class _Asker:
    """Asks the model, remembers why it would not answer."""

    def __init__(self, fitted: Fitted):
        self.fitted = fitted
        self.refused: dict[str, None] = {}

    def ask(self, settings: Mapping[str, float], draws: int = DRAWS) -> Prediction | None:
        """Return the prediction, None where the bench forbids the setting or the data cannot decide."""
        try:
            # A search meets loads that the load line cannot carry; their figures are NaN, which no limit holds.
            with np.errstate(invalid="ignore", divide="ignore"):
                return predict(self.fitted, settings, draws=draws)
        except NotReady as error:
            self.refused |= dict.fromkeys(f"{fault.what} - {fault.mend}" for fault in error.faults)
        except (BenchFault, ValueError) as error:
            self.refused |= dict.fromkeys([str(error)])
        return None


def ask(fitted: Fitted, settings: Mapping[str, float]) -> Prediction | None:
    """Return the prediction, None where the bench forbids the setting or the data cannot decide."""
    return _Asker(fitted).ask(settings, SURE_DRAWS)


def outlook_of(analysis: Analysis, fitted: Fitted) -> Outlook:
    """Return what the model says of the campaign's steps and of the settings around them."""
    asker = _Asker(fitted)
    counts = _counts(analysis)
    cases = tuple(_case(asker, one, counts) for one in _loads(analysis))
    steps = tuple(
        (finding, prediction)
        for finding in analysis.steps
        if (settings := measured_setting(finding)) is not None and (prediction := asker.ask(settings)) is not None
    )
    coolants = coolants_of(analysis)
    apart = _distinct(cases)
    fewest = tuple(_fewest(asker, case, coolant, counts) for case in apart for coolant in coolants)
    ceilings = tuple(_ceilings(asker, cases, coolants, counts))
    return Outlook(fitted, cases, steps, coolants, fewest, ceilings, tuple(asker.refused))


def measured_setting(finding: StepFinding) -> dict[str, float] | None:
    """Return the setting of a step with load and coolant as measured; None where load or phase count is not known."""
    count = phase_count(finding)
    load = _load_of(finding)
    if count is None or not load:
        return None
    settings = {"phase_count": count, **load}
    if "coolant_temperature" in finding.quantities:
        settings["coolant_temperature"] = finding.quantities["coolant_temperature"].value
    settings |= {
        name: float(value)
        for name, value in finding.step.settings.items()
        if name.startswith("protection_") or name in ("power_limit", "switching_frequency")
    }
    return settings


def _load_of(finding: StepFinding) -> dict[str, float]:
    for name in ("rail_current", "package_power"):
        value = finding.quantities.get(name)
        if value is not None and value.value > 0.0 and math.isfinite(value.value):
            return {name: value.value}
    return {}


def _counts(analysis: Analysis) -> tuple[int, ...]:
    """Return the phase counts to ask for: from one fewer than was tried to all, thinned where they are many."""
    tried = {int(count) for f in analysis.steps if (count := phase_count(f)) is not None}
    fitted = analysis.bench.regulator.phase_count
    counts = list(range(max(1, min(tried, default=1) - 1), fitted + 1))
    if len(counts) > MOST_COUNTS:
        stride = -(-len(counts) // MOST_COUNTS)
        counts = sorted({*counts[::stride], counts[-1], *(c for c in tried if c <= fitted)})
    return tuple(counts)


def _loads(analysis: Analysis) -> Sequence[Series]:
    """Return the groups of steps with a measured load, the heaviest ones where they are many."""
    known = [one for one in group(analysis) if any(_load_of(f) for f in one.findings)]
    return known[-MOST_CASES:]


def _case(asker: _Asker, one: Series, counts: Sequence[int]) -> Case:
    known = [f for f in one.findings if _load_of(f)]
    name = "package_power" if all("package_power" in f.quantities for f in known) else "rail_current"
    loads = [f.quantities[name].value for f in known if name in f.quantities]
    coolants = [f.quantities["coolant_temperature"].value for f in known if "coolant_temperature" in f.quantities]
    load = {name: sum(loads) / len(loads)}
    coolant = sum(coolants) / len(coolants) if coolants else None
    shared = {"coolant_temperature": coolant} if coolant is not None else {}
    found = [(count, asker.ask({"phase_count": count, **load, **shared})) for count in counts]
    return Case(one, load, coolant, tuple((count, item) for count, item in found if item is not None))


def _distinct(cases: Sequence[Case]) -> list[Case]:
    """Return the cases that differ in load; those that differ in cooling alone are asked for once."""
    kept: list[Case] = []
    for case in cases:
        if not any(
            case.load.keys() == other.load.keys()
            and all(abs(case.load[name] - other.load[name]) < 0.03 * other.load[name] for name in case.load)
            for other in kept
        ):
            kept.append(case)
    return kept


def coolants_of(analysis: Analysis) -> tuple[float, ...]:
    """Return three coolant temperatures around those measured, in round numbers below the coolant's limit [degC]."""
    cooling = analysis.bench.cooling
    known = [f.quantities["coolant_temperature"].value for f in analysis.steps if "coolant_temperature" in f.quantities]
    middle = sum(known) / len(known) if known else 35.0 if cooling.coolant == "liquid" else 25.0
    nearest = 5.0 * round(middle / 5.0)
    limit = cooling.coolant_limit if cooling.coolant_limit is not None else math.inf
    wanted = (nearest - COOLANT_STEP, nearest, nearest + COOLANT_STEP)
    return tuple(number for number in wanted if number < limit - 2.0)


def _fewest(asker: _Asker, case: Case, coolant: float, counts: Sequence[int]) -> Fewest:
    """Return the fewest phases that hold; more phases never hold worse here, so halving finds them."""

    def asked(index: int, draws: int = DRAWS) -> Prediction | None:
        return asker.ask({"phase_count": counts[index], **case.load, "coolant_temperature": coolant}, draws)

    low, high = 0, len(counts)
    while low < high:
        middle = (low + high) // 2
        if holds(asked(middle)):
            high = middle
        else:
            low = middle + 1
    # Few draws have shown the way; enough of them decide, one phase count up or down.
    for index in range(max(high - 1, 0), len(counts)):
        found = asked(index, SURE_DRAWS)
        if holds(found):
            return Fewest(case, coolant, counts[index], found)
    return Fewest(case, coolant, None, None)


def holds(prediction: Prediction | None) -> bool:
    """Tell whether every limit that is known holds with 95 %."""
    return prediction is not None and prediction.probability >= LEVEL and prediction.verdict != "unknown"


def _ceilings(
    asker: _Asker, cases: Sequence[Case], coolants: Sequence[float], counts: Sequence[int]
) -> Iterator[Ceiling]:
    """Yield the ceiling of every phase count at every coolant temperature; each search starts from its neighbour."""
    name = next((key for case in cases for key in case.load), "package_power")
    heaviest = max((case.load[name] for case in cases if name in case.load), default=0.0)
    before: dict[int, float] = {}
    for coolant in coolants if heaviest > 0.0 else ():
        guess = heaviest
        for count in counts:
            found = _ceiling(asker, name, coolant, count, before.get(count, guess), FARTHEST * heaviest)
            if found is not None:
                guess = before[count] = getattr(found.prediction.setting, name)
                yield found


def _ceiling(asker: _Asker, name: str, coolant: float, count: int, guess: float, farthest: float) -> Ceiling | None:
    """Return the greatest load [unit of `name`] that holds with 95 %, to one part in a hundred of the limit.

    None where no load was found that holds. The room is nearly straight in the load, so secants find its end.
    """
    low, high = (0.0, 1.0), (farthest, math.nan)
    best, ends = None, ""
    tried = min(guess, farthest)
    for _ in range(MOST_TRIES):
        found = asker.ask({"phase_count": count, name: tried, "coolant_temperature": coolant})
        if found is None:
            return None
        room = _room(found)
        if room > 0.0:
            best, low = found, (tried, room)
            if room < CLOSE or tried >= farthest:
                return Ceiling(coolant, count, found, _end_of(found), tried >= farthest)
        else:
            high, ends = (tried, room), _end_of(found)
        if math.isnan(high[1]):
            # Nothing above has been tried yet: as if the room shrank in proportion to the load.
            tried = min(low[0] / max(1.0 - low[1], 0.2) * 1.004, farthest)
        else:
            share = low[1] / (low[1] - high[1]) if math.isfinite(high[1]) else 0.5
            tried = low[0] + min(max(share - 0.004, 0.05), 0.95) * (high[0] - low[0])
    return Ceiling(coolant, count, best, ends or _end_of(best)) if best is not None else None


def _bearing(prediction: Prediction) -> list[Margin]:
    """Return the margins that say what the regulator bears; what the processor allows itself is no part of it."""
    return [margin for margin in prediction.margins if margin.limit.applies_to != "package_power"]


def _left(margin: Margin) -> float:
    """Return the room that a margin leaves with 95 %, as a share of its limit [1]."""
    return (margin.margin.value - ONE_SIDED * (margin.margin.u or 0.0)) / abs(margin.limit.value or 1.0)


def _room(prediction: Prediction) -> float:
    """Return the smallest room to a limit or to runaway with 95 %, as a share [1]; negative where one does not hold."""
    rooms = [_room_to_runaway(prediction)]
    for margin in _bearing(prediction):
        if not math.isfinite(margin.margin.value):
            return -1.0
        rooms.append(_left(margin))
    return max(min(rooms), -1.0)


def _room_to_runaway(prediction: Prediction) -> float:
    """Return how far the loop gain of heat is from 1 with 95 % [1]; -1 where that cannot be said."""
    gain = prediction.quantities["loop_gain"]
    return 1.0 - (gain.high95 if gain.high95 is not None else gain.value) if math.isfinite(gain.value) else -1.0


def _end_of(prediction: Prediction) -> str:
    """Return what ends the load, in words."""
    if not math.isfinite(prediction.quantities["rail_current"].value):
        return "load line"
    first = first_margin(prediction)
    finite = all(math.isfinite(margin.margin.value) for margin in _bearing(prediction))
    if first is None or not finite or _room_to_runaway(prediction) < _left(first):
        return "thermal runaway"
    return first.limit.name


def first_margin(prediction: Prediction) -> Margin | None:
    """Return the margin with least room; None where no limit is stated, so that runaway alone ends the load."""
    return min(_bearing(prediction), key=_left, default=None)
