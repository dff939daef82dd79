"""What the guide asks of the fitted model: every measured step again, other phase counts, coolants and loads."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.bench import BenchFault, NotReady
from phasewright.findings import Analysis, StepFinding
from phasewright.model import Ceiling, Fitted, Prediction, fewest_phases, headroom, predict
from phasewright.report.escaping import clean
from phasewright.report.series import Series, group, phase_count

DRAWS = 300
"""Enough to find a way by; the guide asks some hundred times."""
SURE_DRAWS = 4000
"""For a chance that is printed."""
MOST_CASES = 4
MOST_COUNTS = 12
COOLANT_STEP = 10.0
"""[K] between the coolant temperatures that are asked for."""


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
        return clean(self.series.label)


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
        if name.startswith("protection_") or name in ("power_limit", "switching_frequency", "fan_duty", "pump_duty")
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
    """Return the fewest phases that hold."""
    (found,) = fewest_phases(asker.fitted, case.load, (coolant,), counts=counts, refused=asker.refused)
    return Fewest(case, coolant, found.count, found.prediction)


def _ceilings(
    asker: _Asker, cases: Sequence[Case], coolants: Sequence[float], counts: Sequence[int]
) -> Sequence[Ceiling]:
    """Return the ceiling of every phase count at every coolant temperature."""
    name = next((key for case in cases for key in case.load), "package_power")
    heaviest = max((case.load[name] for case in cases if name in case.load), default=0.0)
    if not heaviest > 0.0:
        return ()
    return headroom(asker.fitted, {name: heaviest}, coolants, counts=counts, refused=asker.refused)


def phases_words(count: int) -> str:
    """Return ``1 phase`` or ``3 phases``."""
    return f"{count} phase{'' if count == 1 else 's'}"


def ended_words(ceiling: Ceiling) -> str:
    """Return what ends the load, fit to stand in a sentence."""
    if ceiling.beyond:
        return "nothing asked for"
    return ceiling.ends if ceiling.ends == "thermal runaway" else f"the {clean(ceiling.ends)}"
