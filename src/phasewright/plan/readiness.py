"""Whether the wanted steps can be run on the bench, in the order given."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from phasewright.bench import Bench, Campaign, Step
from phasewright.model import Fitted
from phasewright.plan.band import bands_of
from phasewright.plan.cautions import cautions_before
from phasewright.plan.currents import settings_on
from phasewright.plan.dwell import at_idle, cool_down_before, heat_of, hold_for, times_of
from phasewright.plan.forecast import forecast_step, judged_together
from phasewright.plan.gaps import find_gaps
from phasewright.plan.known import check_tolerance, known_of, seed_of
from phasewright.plan.records import READINESS, Conditions, Forecast, PlannedStep, ProtectionBand, Readiness

__all__ = ["as_steps", "assemble", "foresee", "known_of", "preflight", "seed_of", "step_name", "timed"]


def preflight(
    bench: Bench,
    wanted: Campaign | Mapping[str, float | str] | Iterable[Step | Mapping[str, float | str]],
    *,
    fitted: Fitted | None = None,
    tolerance: float = Conditions().tolerance,
    generator: np.random.Generator | None = None,
) -> Readiness:
    """Return for each wanted step whether to go, go with care or leave it, with the numbers and the stop conditions.

    Parameters
    ----------
    bench
        The bench that the steps are to run on.
    wanted
        A campaign, its steps, or settings (SI, as those of a step); one or several, judged in the order given.
    fitted
        The model after what was measured; None: part data alone speak.
    tolerance
        Bound of the relative error of an over-current threshold [1].
    generator
        Draws the model's parameters; None: the same ones every time.
    """
    check_tolerance(tolerance)
    fitted = known_of(bench, fitted)
    bound = wanted.settle_bound if isinstance(wanted, Campaign) else Conditions().settle_bound
    conditions = Conditions(tolerance=tolerance, settle_bound=bound, repeat_first=False)
    forecasts = foresee(fitted, as_steps(wanted), conditions, seed_of(generator))
    return assemble(fitted, timed(fitted, forecasts, conditions), forecasts)


def as_steps(wanted) -> tuple[Step, ...]:
    """Return a campaign's steps, or settings as steps."""
    if isinstance(wanted, Campaign):
        return wanted.steps
    if isinstance(wanted, Mapping):
        wanted = (wanted,)
    steps = []
    for number, item in enumerate(wanted):
        if isinstance(item, Step):
            steps.append(item)
        else:
            settings = dict(item)
            name = str(settings.pop("name", "")) or step_name(settings) or f"step {number + 1}"
            steps.append(Step(name, settings))
    return tuple(steps)


def step_name(settings: Mapping[str, float | str]) -> str:
    """Return what a step of these settings is called: phases, load, coolant."""
    said = []
    if settings.get("phase_count") is not None:
        count = float(settings["phase_count"])
        said.append(f"{count:g} phase{'' if count == 1 else 's'}")
    if settings.get("package_power") is not None:
        said.append(f"{float(settings['package_power']):g} W")
    elif settings.get("rail_current") is not None:
        said.append(f"{float(settings['rail_current']):g} A")
    if settings.get("coolant_temperature") is not None:
        said.append(f"coolant {float(settings['coolant_temperature']):g} °C")
    return ", ".join(said)


def foresee(fitted: Fitted, steps: Iterable[Step], conditions: Conditions, seed: int) -> list[Forecast]:
    """Return the forecast of every step; all are drawn alike, so that they differ by their settings alone."""
    return judged_together([forecast_step(fitted, step, conditions, seed=seed) for step in steps])


def timed(fitted: Fitted, forecasts: Sequence[Forecast], conditions: Conditions) -> tuple[PlannedStep, ...]:
    """Return the steps in the order given with their dwells and cool-downs; what is a no-go leaves no heat behind."""
    bench, times = fitted.bench, times_of(fitted)
    planned, before = [], None
    for forecast in forecasts:
        heat = heat_of(fitted, forecast)
        runnable = forecast.verdict != "no-go"
        wait, why, start = cool_down_before(bench, forecast, heat, before, times) if runnable else (0.0, "", None)
        change = None if heat is None else heat.change(start if start is not None else at_idle(heat, bench))
        hold = hold_for(bench, change, times, conditions.settle_bound)
        dwell, reason = hold.to_settle, f"to settle: {hold.reason}"
        if conditions.decide and hold.to_decide < hold.to_settle:
            dwell = hold.to_decide
            reason = (
                "to decide: twice the longest time constant is seen, so the settled temperature can be extrapolated"
            )
        planned.append(
            PlannedStep(forecast, dwell, hold.to_settle, min(hold.to_decide, hold.to_settle), reason, wait, why,
                        bands=_bands(bench, forecast, conditions))  # fmt: skip
        )
        before = heat if runnable else before
    return tuple(planned)


def _bands(bench: Bench, forecast: Forecast, conditions: Conditions) -> tuple[ProtectionBand, ...]:
    """Return where each threshold may lie for a step; () where nothing is foreseen of it."""
    if forecast.prediction is None:
        return ()
    settings = settings_on(bench, forecast.step.settings)
    return bands_of(bench, settings, forecast.quantities, conditions.tolerance)


def assemble(fitted: Fitted, steps: tuple[PlannedStep, ...], forecasts: Sequence[Forecast]) -> Readiness:
    """Return the readiness of a row of steps. Cautions are those of the steps that may be run, of all when none may."""
    ranks = [READINESS.index(item.forecast.verdict) for item in steps]
    verdict = READINESS[max(ranks, default=2)]
    runnable = [item for item in forecasts if item.verdict != "no-go"]
    return Readiness(
        verdict,
        _sentence(steps),
        steps,
        cautions_before(fitted.bench, runnable or forecasts),
        find_gaps(fitted.bench, forecasts),
        fitted.notes,
        fitted.step_count > 0,
    )


def _sentence(steps: Sequence[PlannedStep]) -> str:
    if not steps:
        return "There is no step to judge."
    if len(steps) == 1:
        forecast = steps[0].forecast
        return f"{steps[0].name}: {forecast.verdict} - {forecast.reasons[0]}."
    said = []
    for verdict in READINESS:
        names = [item.name for item in steps if item.forecast.verdict == verdict]
        if names:
            shown = "; ".join(names[:6]) + (f"; and {len(names) - 6} more" if len(names) > 6 else "")
            said.append(f"{len(names)} {verdict} ({shown})")
    return f"Of {len(steps)} steps, " + ", ".join(said) + "."
