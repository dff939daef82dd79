"""How long to hold a step, and whether to cool down before it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from phasewright.bench import Bench
from phasewright.model import Fitted
from phasewright.plan.currents import settings_on
from phasewright.plan.records import Forecast
from phasewright.plan.stops import stop_temperature

__all__ = ["Heat", "Hold", "cool_down_before", "heat_of", "hold_for", "times_of"]

PATHS = ("stage", "plate", "package", "coolant")
COOLANT = {"liquid": (240.0, 0.02), "air": (60.0, 0.0)}
"""Time constant [s] of the coolant and its rise [K] for each watt that the processor takes; common practice, no
source."""
WINDOW = 60.0
"""[s] Shortest window that figures are taken from; common practice, no source."""
RESOLUTION = 1.0
"""[K] Of a regulator sensor that states none."""
CONSTANTS_TO_DECIDE = 2.0
"""Longest time constants that have to be seen before a settled value may be extrapolated: from fewer, one exponential
fits the start of two and claims far too much."""
ROUND = 10.0
"""[s] Times are rounded up to whole tens."""
COOLANT_REACHED = 0.5
"""[K]"""


@dataclass(frozen=True, slots=True)
class Heat:
    """What each path adds to the hottest stage once settled [K]; of the coolant, its temperature [degC]."""

    stage: float
    plate: float
    package: float
    coolant: float
    set_coolant: bool
    """The coolant temperature is set by the step."""

    def change(self, before: Heat) -> dict[str, float]:
        """Return what each path has to change by, coming from `before` [K]."""
        return {path: getattr(self, path) - getattr(before, path) for path in PATHS}


@dataclass(frozen=True, slots=True)
class Hold:
    """How long to hold a step [s], and why."""

    to_settle: float
    to_decide: float
    reason: str


def times_of(fitted: Fitted) -> dict[str, float]:
    """Return the time constant of each path [s], one standard uncertainty above what is believed."""
    known = {item.name: item.value + item.u for item in fitted.parameters}
    times = {path: known.get(f"{path}_time", 60.0) for path in PATHS[:3]}
    return times | {"coolant": COOLANT.get(fitted.bench.cooling.coolant, COOLANT["air"])[0]}


def heat_of(fitted: Fitted, forecast: Forecast) -> Heat | None:
    """Return where the heat of a step stands once settled; None where it cannot be foreseen."""
    if forecast.prediction is None:
        return None
    quantities = forecast.quantities
    loss, package = quantities["conversion_loss"].value, quantities["package_power"].value
    if not math.isfinite(loss):
        return None
    settings = settings_on(fitted.bench, forecast.step.settings)
    is_set = settings.get("coolant_temperature") is not None
    plate = fitted.parameter("plate_rise").value * loss
    behind = fitted.parameter("package_rise").value * package
    coolant = quantities["coolant_temperature"].value
    if not is_set and fitted.coolant is None:
        # Nothing says how the coolant follows the load, so the common slope stands in for its change.
        coolant += COOLANT.get(fitted.bench.cooling.coolant, COOLANT["air"])[1] * package
    return Heat(quantities["regulator_rise"].value - plate - behind, plate, behind, coolant, is_set)


def at_idle(heat: Heat, bench: Bench) -> Heat:
    """Return where heat stands after a long time at idle, before the step of `heat`."""
    drop = 0.0 if heat.set_coolant else 200.0 * COOLANT.get(bench.cooling.coolant, COOLANT["air"])[1]
    return Heat(0.0, 0.0, 0.0, heat.coolant - drop, heat.set_coolant)


def resolution_of(bench: Bench) -> float:
    """Return the resolution of the regulator's temperature [K]."""
    stated = [
        accuracy.resolution
        for item in bench.instruments
        for name, accuracy in item.accuracy.items()
        if name.partition(".")[0] == "regulator_temperature" and accuracy.resolution > 0.0
    ]
    return min(stated, default=RESOLUTION)


def hold_for(bench: Bench, change: Mapping[str, float] | None, times: Mapping[str, float], bound: float) -> Hold:
    """Return how long to hold a step whose paths have to `change` [K]; None: not known by how much.

    Settled: what remains, judged as time constant x slope, is below half of `bound` [K], the other half being left to
    the sensor, whose steps of a resolution q hide a slope of q / window.
    """
    moving = {path: abs(delta) for path, delta in (change or {}).items() if abs(delta) > 0.05 * bound}
    longest = max((times[path] for path in moving), default=max(times[path] for path in PATHS[:3]))
    if change is None:
        slowest = max(times.values())
        to_settle, longest = 5.0 * slowest, slowest
        why = f"five times the longest time constant of {slowest:.0f} s, as its heat cannot be foreseen"
    else:

        def remaining(time: float) -> float:
            return sum(longest / times[path] * delta * math.exp(-time / times[path]) for path, delta in moving.items())

        to_settle = time_until(lambda time: remaining(time) <= 0.5 * bound, longest)
        slowest_path = max(moving, key=lambda path: times[path], default="")
        why = (
            f"{sum(moving.values()):.0f} K to go, the slowest through the {slowest_path} with about {longest:.0f} s"
            if moving
            else "hardly any change of temperature"
        )
    # How the coolant drifts shows on its own, finer sensor.
    own = max((times[path] for path in moving if path != "coolant"), default=max(times[path] for path in PATHS[:3]))
    window = max(WINDOW, 2.0 * own * resolution_of(bench) / bound)
    seen = (
        f"then {window:.0f} s in which a sensor of {resolution_of(bench):g} K can show that less than "
        f"{bound:g} K is left"
    )
    return Hold(
        tens(to_settle + window),
        tens(max(CONSTANTS_TO_DECIDE * longest, WINDOW)),
        f"{why}; {seen}",
    )


def tens(time: float) -> float:
    """Return a time rounded up to whole tens of seconds [s]."""
    return ROUND * math.ceil(time / ROUND - 1e-9)


def time_until(reached: Callable[[float], bool], scale: float) -> float:
    """Return the first time [s] at which a condition that stays true once reached holds."""
    if reached(0.0):
        return 0.0
    high = scale
    while not reached(high) and high < 1e6:
        high *= 2.0
    low = 0.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


def cool_down_before(
    bench: Bench, forecast: Forecast, heat: Heat | None, before: Heat | None, times: Mapping[str, float]
) -> tuple[float, str, Heat | None]:
    """Return (time at idle before a step [s], why, where the heat then stands).

    Needed where the coolant has to get colder, and where heat left in plate and package on top of the step's own quick
    heat would pass the temperature at which the step is stopped.
    """
    if heat is None or before is None:
        return 0.0, "", before
    time, why = 0.0, ""
    if heat.set_coolant and abs(before.coolant - heat.coolant) > COOLANT_REACHED:
        gap = abs(before.coolant - heat.coolant)
        time = times["coolant"] * math.log(gap / COOLANT_REACHED)
        why = f"until the coolant is at {heat.coolant:g} °C"
    stop = stop_temperature(bench, settings_on(bench, forecast.step.settings))
    if stop is not None:
        settled = heat.coolant + heat.stage + heat.plate + heat.package
        room = stop[0] - settled

        def excess(after: float) -> float:
            plate = before.plate * math.exp(-after / times["plate"]) - heat.plate
            package = before.package * math.exp(-after / times["package"]) - heat.package
            return max(plate, 0.0) + max(package, 0.0)

        if room > 0.0 and excess(0.0) > room:
            needed = time_until(lambda after: excess(after) <= room, max(times["plate"], times["package"]))
            if needed > time:
                time, why = needed, f"heat left in plate and package would carry it past {stop[0]:.0f} °C at its start"
    if not time:
        return 0.0, "", before
    time = tens(time)
    left = {path: getattr(before, path) * math.exp(-time / times[path]) for path in PATHS[:3]}
    coolant = heat.coolant if heat.set_coolant else before.coolant
    return time, why, Heat(**left, coolant=coolant, set_coolant=heat.set_coolant)
