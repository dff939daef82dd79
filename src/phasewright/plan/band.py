"""Where the threshold of a protection may lie: above what the workload asks for, below what the parts bear."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from phasewright.bench import Bench, limits_of
from phasewright.model import Fitted, predict
from phasewright.plan.chances import thresholds_of
from phasewright.plan.currents import Phases, phases_of, settings_on
from phasewright.plan.known import check_tolerance, known_of, seed_of
from phasewright.plan.records import Conditions, ProtectionBand, Workload
from phasewright.plan.stops import GUARD
from phasewright.quantity import Value

__all__ = ["bands_of", "protection_band"]

JUNCTION = 1.2
"""[K/W] Junction to case where the stage states none; common practice, no source."""


def protection_band(
    bench: Bench,
    setting: Mapping[str, float | str],
    workload: Workload,
    *,
    fitted: Fitted | None = None,
    tolerance: float = Conditions().tolerance,
    generator: np.random.Generator | None = None,
) -> tuple[ProtectionBand, ...]:
    """Return the usable band for the threshold of each protection, for one workload at one setting.

    The lower end is what the workload asks for at its worst: upper 95 % end of its peak, ripple, sharing error, and a
    threshold that acts too early by `tolerance` [1]. The upper end is what stage and inductor bear at their worst:
    absolute maximum and saturation, a threshold that acts too late, and a peak that rides half a ripple above the mean
    that it may watch. No upper end is ever above an absolute maximum of the bench. Where the band is empty, `opens`
    says what would open it.

    Raises
    ------
    BenchFault
        When the setting is beyond an absolute maximum of the bench.
    """
    check_tolerance(tolerance)
    fitted = known_of(bench, fitted)
    load = {"package_power": workload.package_power, "rail_current": workload.rail_current}
    settings = settings_on(bench, {key: value for key, value in {**setting, **load}.items() if value is not None})
    limits_of(bench, settings)
    # The current is asked of the bench as a whole; what the protections would do to it is not.
    plain = {key: value for key, value in settings.items() if not key.startswith("protection_")}
    found = predict(fitted, plain, generator=np.random.default_rng(seed_of(generator)), refuse=False)
    return bands_of(bench, settings, found.quantities, tolerance)


def bands_of(
    bench: Bench, settings: Mapping[str, float | str], quantities: Mapping[str, Value], tolerance: float
) -> tuple[ProtectionBand, ...]:
    """Return the same for a setting of which the `quantities` are foreseen already."""
    phases = phases_of(bench, settings)
    asked = _asked_for(quantities, phases)
    return (
        _phase_band(bench, settings, phases, asked, tolerance),
        _total_band(bench, settings, phases, asked, tolerance),
        _temperature_band(bench, settings, phases, asked),
    )


class _Asked:
    """What a workload asks for at its worst: peak rail current [A], hottest stage [degC], loss of a stage [W]."""

    def __init__(self, peak: float, temperature: float | None, stage_loss: float | None, basis: str):
        self.peak, self.temperature, self.stage_loss, self.basis = peak, temperature, stage_loss, basis


def _asked_for(found: Mapping[str, Value], phases: Phases) -> _Asked:
    rail, hot, loss = found["rail_current_peak"], found["regulator_temperature"], found["conversion_loss"]
    count = float(phases.count * phases.stages)
    return _Asked(
        rail.high95 if rail.high95 is not None else rail.value,
        hot.high95,
        None if loss.high95 is None else loss.high95 / count,
        "upper 95 % end of what is foreseen",
    )


def _parts_bear(bench: Bench, phases: Phases) -> list[tuple[float, str]]:
    """Return the peak currents of a phase that must never be passed [A], with their names."""
    stage, inductor = bench.regulator.stage, bench.regulator.inductor
    found = []
    if stage.peak_current_rating is not None:
        many = f" x {phases.stages} stages" if phases.stages > 1 else ""
        found.append(
            (
                stage.peak_current_rating * phases.stages,
                f"the stages' absolute maximum of {stage.peak_current_rating:g} A{many}",
            )
        )
    if inductor.saturation_current is not None:
        found.append((inductor.saturation_current, f"the inductor's saturation at {inductor.saturation_current:g} A"))
    return found


def _rated_mean(bench: Bench, phases: Phases) -> float | None:
    stage, inductor = bench.regulator.stage.current_rating, bench.regulator.inductor.current_rating
    found = [x for x in (None if stage is None else stage * phases.stages, inductor) if x is not None]
    return min(found, default=None)


def _phase_band(bench: Bench, settings, phases: Phases, asked: _Asked, tolerance: float) -> ProtectionBand:
    worst = phases.peak(asked.peak)
    low = worst / (1.0 - tolerance)
    reasons = [
        f"below {low:.3g} A the workload itself may trip it: {asked.peak:.3g} A on the rail ({asked.basis}) on "
        f"{phases.count} phases, {100 * phases.sharing_error:.3g} % sharing error, {0.5 * phases.ripple:.2g} A "
        "of ripple "
        f"peak, {100 * tolerance:g} % threshold error"
    ]
    bounds = _parts_bear(bench, phases)
    high = None
    if bounds:
        bound, name = min(bounds)
        high = max(0.0, (bound - 0.5 * phases.ripple) / (1.0 + tolerance))
        reasons.append(
            f"above {high:.3g} A it no longer guards the parts: {name}, less {0.5 * phases.ripple:.2g} A of "
            f"ripple peak and {100 * tolerance:g} % threshold error"
        )
    else:
        reasons.append(
            "no upper end: neither the stages' absolute maximum nor the inductor's saturation is stated - add "
            'peak_current_rating = "90 A" under [regulator.stage]'
        )
    rated = _rated_mean(bench, phases)
    if rated is not None:
        rated = rated / (1.0 + tolerance) if high is None else min(rated / (1.0 + tolerance), high)
    band = ProtectionBand(
        "phase_current", "A", low, high, rated, thresholds_of(bench, settings).get("phase_current"), tuple(reasons)
    )
    opens = _openings(bench, settings, phases, asked, tolerance, high) if high is not None and band.empty else ()
    return _said(replace(band, opens=opens))


def _openings(bench: Bench, settings, phases: Phases, asked: _Asked, tolerance: float, high: float) -> tuple[str, ...]:
    """Return what would open an empty band of the phases: more phases, less load, parts that bear more."""
    found = []
    for count in range(phases.count + 1, bench.regulator.phase_count + 1):
        more = phases_of(bench, {**settings, "phase_count": count})
        if more.peak(asked.peak) / (1.0 - tolerance) < high:
            found.append(f"{count} phases or more at this load")
            break
    bearable = phases.rail_current_at(high * (1.0 - tolerance))
    if bearable > 0.0:
        share = bearable / asked.peak
        found.append(
            f"a load below {bearable:.3g} A at its peak ({100 * share:.0f} % of this one) on {phases.count} phases"
        )
    needed = phases.peak(asked.peak) / (1.0 - tolerance) * (1.0 + tolerance) + 0.5 * phases.ripple
    found.append(f"stages and inductors that bear more than {needed:.3g} A a phase")
    return tuple(found)


def _total_band(bench: Bench, settings, phases: Phases, asked: _Asked, tolerance: float) -> ProtectionBand:
    low = (asked.peak + 0.5 * phases.total_ripple) / (1.0 - tolerance)
    reasons = [
        f"below {low:.4g} A the workload itself may trip it: {asked.peak:.3g} A on the rail ({asked.basis}), "
        f"{0.5 * phases.total_ripple:.2g} A of ripple peak left by interleaving, {100 * tolerance:g} % threshold "
        "error"
    ]
    bounds = _parts_bear(bench, phases)
    high = rated = None
    if bounds:
        bound, name = min(bounds)
        high = phases.rail_current_at(bound) / (1.0 + tolerance)
        reasons.append(
            f"above {high:.4g} A the fullest of {phases.count} phases may pass {name}, with "
            f"{100 * phases.sharing_error:.3g} % sharing error, ripple and {100 * tolerance:g} % threshold error"
        )
    else:
        reasons.append("no upper end: neither the stages' absolute maximum nor the inductor's saturation is stated")
    mean = _rated_mean(bench, phases)
    if mean is not None:
        rated = mean * phases.count / (1.0 + phases.sharing_error) / (1.0 + tolerance)
        rated = rated if high is None else min(rated, high)
    band = ProtectionBand(
        "total_current", "A", low, high, rated, thresholds_of(bench, settings).get("total_current"), tuple(reasons)
    )
    opens = _total_openings(bench, settings, phases, asked, tolerance) if band.empty else ()
    return _said(replace(band, opens=opens))


def _total_openings(bench: Bench, settings, phases: Phases, asked: _Asked, tolerance: float) -> tuple[str, ...]:
    bound = min(_parts_bear(bench, phases))[0]
    found = []
    for count in range(phases.count + 1, bench.regulator.phase_count + 1):
        more = phases_of(bench, {**settings, "phase_count": count})
        low = (asked.peak + 0.5 * more.total_ripple) / (1.0 - tolerance)
        if low < more.rail_current_at(bound) / (1.0 + tolerance):
            found.append(f"{count} phases or more at this load")
            break
    bearable = phases.rail_current_at(bound) / (1.0 + tolerance) * (1.0 - tolerance) - 0.5 * phases.total_ripple
    if bearable > 0.0:
        found.append(f"a load below {bearable:.3g} A at its peak on {phases.count} phases")
    return tuple(found)


def _temperature_band(bench: Bench, settings, phases: Phases, asked: _Asked) -> ProtectionBand:
    stage = bench.regulator.stage
    low = high = None
    reasons = []
    if asked.temperature is not None and math.isfinite(asked.temperature):
        low = asked.temperature + GUARD
        reasons.append(
            f"below {low:.0f} °C the workload itself may trip it: up to {asked.temperature:.0f} °C "
            f"({asked.basis}) and {GUARD:g} K for the sensor"
        )
    else:
        reasons.append("no lower end: how hot the workload makes the stages cannot be foreseen")
    if stage.temperature_limit is not None:
        resistance = JUNCTION if stage.thermal_resistance is None else stage.thermal_resistance
        loss = asked.stage_loss if asked.stage_loss is not None and math.isfinite(asked.stage_loss) else None
        inside = 0.0 if loss is None else resistance * loss
        high = stage.temperature_limit - inside - GUARD
        if loss is None:
            reasons.append(
                "how much hotter the junction is than the sensor cannot be foreseen, so nothing is taken off"
            )
        reasons.append(
            f"above {high:.0f} °C it no longer guards the stages: absolute maximum of "
            f"{stage.temperature_limit:g} °C, less {inside:.0f} K by which the junction may be hotter than the "
            f"sensor, less {GUARD:g} K for the sensor"
        )
    else:
        reasons.append(
            'no upper end: the stages\' absolute maximum is not stated - add temperature_limit = "150 degC" '
            "under [regulator.stage]"
        )
    band = ProtectionBand(
        "temperature_trip",
        "degC",
        low,
        high,
        None,
        thresholds_of(bench, settings).get("temperature_trip"),
        tuple(reasons),
    )
    opens = ("more phases", "less load", "colder coolant or a shorter heat path") if band.empty else ()
    return _said(replace(band, opens=opens))


def _said(band: ProtectionBand) -> ProtectionBand:
    """Return the band with its sentence."""
    name, unit = band.name.replace("_", " "), "°C" if band.unit == "degC" else band.unit
    if band.empty:
        text = (
            f"No threshold for {name} fits: the workload needs {band.low:.3g} {unit}, the parts allow "
            f"{band.high:.3g} {unit}."
        )
        text += f" What would open it: {'; '.join(band.opens)}." if band.opens else ""
        return replace(band, sentence=text)
    ends = {
        (True, True): "",
        (False, True): f"{name} up to {_end(band.high)} {unit}",
        (True, False): f"{name} from {_end(band.low)} {unit}",
        (False, False): f"{name}: neither end is known",
    }[band.low is not None, band.high is not None]
    text = ends or f"{name} from {_end(band.low)} to {_end(band.high)} {unit}"
    if band.threshold is not None:
        inside = (band.low is None or band.low <= band.threshold) and (band.high is None or band.threshold <= band.high)
        side = "inside" if inside else "too low" if band.low is not None and band.threshold < band.low else "too high"
        text += f"; set to {band.threshold:g} {unit}: {side}"
    if band.rated is not None and (band.low is None or band.rated >= band.low):
        text += f"; up to {_end(band.rated)} {unit} the parts are rated to bear it without end"
    return replace(band, sentence=f"{text[:1].upper()}{text[1:]}.")


def _end(value: float | None) -> str:
    return "-" if value is None else f"{value:.3g}"
