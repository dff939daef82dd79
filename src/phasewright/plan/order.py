"""From the wanted settings to steps in order from mild to severe, and the plan again after each measured step."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from phasewright.bench import Bench, Step
from phasewright.model import Fitted
from phasewright.plan.forecast import chance_text, forecast_step
from phasewright.plan.marker import start_marker
from phasewright.plan.readiness import (
    as_steps,
    assemble,
    check_tolerance,
    foresee,
    known_of,
    seed_of,
    step_name,
    timed,
)
from phasewright.plan.records import Conditions, Forecast, Plan, PlannedStep, Readiness, Workload
from phasewright.plan.teaching import most_taught

__all__ = ["matrix", "order_steps", "update_plan"]

AGAIN = ", again"
MILDER = (1.0, 0.8, 0.6, 0.4, 0.2)
"""Shares of a load that are tried, on all phases, when no wanted step is wise."""


def matrix(
    bench: Bench,
    phase_counts: Iterable[int],
    loads: Iterable[Workload],
    coolants: Iterable[float | None] = (None,),
    *,
    settings: Mapping[str, float | str] | None = None,
) -> tuple[Step, ...]:
    """Return one step for each combination; not yet in an order to run them, see `order_steps`.

    Parameters
    ----------
    bench
        The bench that the steps are meant for; a phase count that it does not have is an error.
    phase_counts
        Numbers of phases that carry current.
    loads
        Workloads to be tried.
    coolants
        Coolant temperatures [degC]; None: as it comes.
    settings
        What all steps share (SI, as those of a step): protection thresholds, rail voltage, fan duty.

    Raises
    ------
    ValueError
        When a phase count is not fitted on the bench, or nothing is wanted.
    """
    phase_counts, loads, coolants = list(phase_counts), list(loads), list(coolants)
    if not (phase_counts and loads and coolants):
        raise ValueError(
            f"nothing is wanted ({len(phase_counts)} phase counts, {len(loads)} loads, {len(coolants)} coolants) - "
            "a plan needs one of each - add what is missing"
        )
    fitted = bench.regulator.phase_count
    beyond = [count for count in phase_counts if count != int(count) or not 1 <= count <= fitted]
    if beyond:
        raise ValueError(
            f"impossible phase count (phase_counts = {beyond}) - {fitted} phases are fitted - take 1 to {fitted}"
        )
    shared = dict(settings or {})
    steps = []
    for load in loads:
        for coolant in coolants:
            for count in dict.fromkeys(int(n) for n in phase_counts):
                wished: dict[str, float | str | None] = {
                    **shared,
                    "phase_count": count,
                    "load": load.name,
                    "package_power": load.package_power,
                    "rail_current": load.rail_current,
                    "coolant_temperature": coolant,
                }
                own = {key: value for key, value in wished.items() if value is not None and value != ""}
                steps.append(Step(step_name(own), own))
    return _named_apart(steps)


def _named_apart(steps: Sequence[Step]) -> tuple[Step, ...]:
    """Return the steps, those of one name told apart by their load and, where that is not enough, by a number."""

    def twice(found: Sequence[Step]) -> set[str]:
        names = [step.name for step in found]
        return {name for name in names if names.count(name) > 1}

    again = twice(steps)
    steps = [
        replace(step, name=f"{step.name}, {step.settings['load']}")
        if step.name in again and step.settings.get("load")
        else step
        for step in steps
    ]
    again = twice(steps)
    seen: dict[str, int] = {}
    kept = []
    for step in steps:
        seen[step.name] = seen.get(step.name, 0) + 1
        kept.append(replace(step, name=f"{step.name} ({seen[step.name]})") if step.name in again else step)
    return tuple(kept)


def order_steps(
    bench: Bench,
    wanted: Iterable[Step | Mapping[str, float | str]],
    *,
    fitted: Fitted | None = None,
    measured: Collection[str] = (),
    conditions: Conditions | None = None,
    generator: np.random.Generator | None = None,
) -> Plan:
    """Return the plan that runs the wanted steps from mild to severe.

    Each step has the time to hold it and what to wait for before it. The first step, or the one marked as baseline, is
    repeated at the end, so that drift shows; steps that are a no-go stand last, are not run, and say why. `fitted` is
    the model after what was measured, None: part data alone speak; steps named in `measured` have been run and stand
    first. Without `generator` the same draws are taken every time.
    """
    conditions = conditions or Conditions()
    check_tolerance(conditions.tolerance)
    fitted = known_of(bench, fitted)
    steps = _with_baseline(_named_apart(as_steps(wanted)))
    seed = seed_of(generator)
    forecasts = foresee(fitted, steps, conditions, seed)
    done = [item for item in forecasts if item.step.name in measured]
    left = [item for item in forecasts if item.step.name not in measured]
    rows = [replace(item, measured=True) for item in timed(fitted, done, conditions)]
    return _with_advice(fitted, _arranged(fitted, left, conditions, rows, seed), conditions, before=None)


def update_plan(
    plan: Plan,
    fitted: Fitted,
    *,
    measured: Collection[str] | None = None,
    generator: np.random.Generator | None = None,
) -> Plan:
    """Return the plan again with what is known now: is the next step still wise, and which would teach most?

    `measured` names the steps that have been run; None: those that `fitted` was made from. They stay where they are;
    the others are foreseen and ordered anew.
    """
    if measured is None:
        measured = {item.step for item in fitted.residuals}
    done = [replace(item, measured=True) for item in plan.steps if item.name in measured]
    left = [item.forecast.step for item in plan.steps if item.name not in measured and not item.repeats]
    fitted = known_of(plan.bench, fitted)
    seed = seed_of(generator)
    forecasts = foresee(fitted, left, plan.conditions, seed)
    readiness = _arranged(fitted, forecasts, plan.conditions, done, seed)
    return _with_advice(fitted, readiness, plan.conditions, before=plan)


def _with_baseline(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    return (
        steps
        if sum(step.baseline for step in steps) <= 1
        else tuple(
            replace(step, baseline=step.baseline and not any(other.baseline for other in steps[:index]))
            for index, step in enumerate(steps)
        )
    )


def _arranged(
    fitted: Fitted, forecasts: Sequence[Forecast], conditions: Conditions, done: Sequence[PlannedStep], seed: int
) -> Readiness:
    """Return measured steps, then runnable ones from mild to severe, the first again, then what is not to be run."""
    ordered = sorted(forecasts, key=lambda item: item.severity)
    run = [item for item in ordered if item.verdict != "no-go"]
    left_out = [item for item in ordered if item.verdict == "no-go"]
    done, run, left_out = _with_baseline_marked(done, run, left_out)
    opening = [item.forecast.step for item in done] + [item.step for item in run]
    again = _again(opening, [item.step for item in left_out]) if conditions.repeat_first else None
    repeat = [] if again is None else [forecast_step(fitted, again, conditions, seed=seed)]
    rows = timed(fitted, [*(item.forecast for item in done), *run, *repeat, *left_out], conditions)
    fresh = list(rows[len(done) :])
    if again is not None:
        name = again.name.removesuffix(AGAIN)
        fresh[len(run)] = replace(fresh[len(run)], repeats=name)
    return assemble(fitted, (*done, *fresh), [*run, *repeat, *left_out] or [item.forecast for item in done])


def _with_baseline_marked(
    done: Sequence[PlannedStep], run: Sequence[Forecast], left_out: Sequence[Forecast]
) -> tuple[list[PlannedStep], list[Forecast], list[Forecast]]:
    """Return all three with the first step marked as the baseline when none that is run is."""
    done, run, left_out = list(done), list(run), list(left_out)
    if any(item.step.baseline for item in [*(item.forecast for item in done), *run]) or not (done or run):
        return done, run, left_out
    if done:
        done[0] = replace(done[0], forecast=_as_baseline(done[0].forecast, True))
    else:
        run[0] = _as_baseline(run[0], True)
    return done, run, [_as_baseline(item, False) for item in left_out]


def _as_baseline(forecast: Forecast, is_baseline: bool) -> Forecast:
    return replace(forecast, step=replace(forecast.step, baseline=is_baseline))


def _again(opening: Sequence[Step], left_out: Sequence[Step]) -> Step | None:
    """Return the baseline once more, to be run last; None where nothing is to be compared or it is there already."""
    if len(opening) < 2:
        return None
    first = next(step for step in opening if step.baseline)
    name = f"{first.name}{AGAIN}"
    if any(step.name == name for step in (*opening, *left_out)):
        return None
    return replace(first, name=name, baseline=False, start="", end="", note="")


def _with_advice(
    fitted: Fitted,
    readiness: Readiness,
    conditions: Conditions,
    before: Plan | None,
) -> Plan:
    left = [item for item in readiness.steps if not item.measured]
    runnable = [item for item in left if item.runnable]
    first = next((item for item in readiness.steps if item.runnable), None)
    load = "the load of the first step" if first is None else _load_text(first.forecast.step)
    name, sentence = _next(left, runnable, before)
    if left and not runnable:
        sentence += _milder(fitted, left[0].forecast.step, conditions)
    teaches, why = most_taught(
        fitted,
        [item.forecast for item in runnable if not item.repeats],
        [item.forecast for item in left if not item.repeats],
    )
    return Plan(fitted.bench, readiness, start_marker(load), name, sentence, teaches, why, conditions)


def _milder(fitted: Fitted, step: Step, conditions: Conditions) -> str:
    """Return in a sentence which share of the mildest step's load might be run on all phases; '' when none is found."""
    for share in MILDER:
        settings = {**step.settings, "phase_count": fitted.bench.regulator.phase_count}
        for key in ("package_power", "rail_current"):
            if isinstance(settings.get(key), int | float):
                settings[key] = round(share * float(settings[key]), 1)
        found = forecast_step(fitted, replace(step, settings=settings), conditions)
        if found.verdict != "no-go":
            return f" Begin with a milder one: {step_name(settings)} is a {found.verdict}."
    return ""


def _load_text(step: Step) -> str:
    """Return in words what the marker switches."""
    stated = step.settings.get("load") or ", ".join(
        f"{float(step.settings[key]):g} {unit}"
        for key, unit in (("package_power", "W"), ("rail_current", "A"))
        if step.settings.get(key) is not None
    )
    return f"the load of the first step ({stated})" if stated else "the load of the first step"


def _next(left: Sequence[PlannedStep], runnable: Sequence[PlannedStep], before: Plan | None) -> tuple[str, str]:
    """Return the name of the step to run next and whether that is still wise."""
    if not left:
        return "", "Every step has been measured."
    was = {} if before is None else {item.name: item for item in before.steps}
    fallen = [item for item in left if not item.runnable and item.name in was and was[item.name].runnable]
    lost = ""
    if fallen:
        lost = f" No longer wise: {'; '.join(f'{item.name} ({item.forecast.reasons[0]})' for item in fallen[:3])}."
    if not runnable:
        return "", f"None of the {len(left)} steps left is wise: {left[0].name} - {left[0].forecast.reasons[0]}.{lost}"
    following = runnable[0]
    forecast = following.forecast
    chance = "not known" if forecast.chance_to_trip is None else chance_text(forecast.chance_to_trip)
    still = "still " if before is not None and following.name == before.next_step else ""
    said = f"Next: {following.name}, {still}{forecast.verdict}, chance to trip {chance}"
    temperature = forecast.quantities.get("regulator_temperature")
    if temperature is not None and temperature.low95 is not None:
        said += f", hottest stage {temperature.low95:.0f} to {temperature.high95:.0f} °C at 95 %"
    return following.name, f"{said}.{lost}"
