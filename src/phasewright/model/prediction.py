"""What any setting would do: temperatures, losses, currents, margins and verdict, each with an interval."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from phasewright.bench import Fault, NotReady, limits_of
from phasewright.limits import Judged, Margin, State, margins_at
from phasewright.model.duty import duty_name
from phasewright.model.judging import judge
from phasewright.model.records import Fitted, Prediction, Setting
from phasewright.model.spreading import Spread, spread_of
from phasewright.quantity import Value

__all__ = ["as_setting", "every_margin", "predict", "state_of_prediction", "with_every_margin"]

DRAWS = 4000
WIDE_TEMPERATURE, WIDE_SHARE = 20.0, 0.6
"""[K] and [1] of the rise: a 95 % half-width beyond both says that the data cannot decide."""
SETTING_KEYS = ("phase_count", "package_power", "rail_current", "rail_voltage", "coolant_temperature",
                "switching_frequency", "fan_duty", "pump_duty")  # fmt: skip
DUTIES = ("fan_duty", "pump_duty")


def as_setting(settings: Mapping[str, float | str] | Setting) -> Setting:
    """Return `settings` (SI, as those of a step) as a Setting; what a step says in words is left out.

    Raises ValueError when no phase count or no load is stated, or a number is impossible.
    """
    if not isinstance(settings, Setting):
        known = {key: float(settings[key]) for key in SETTING_KEYS if settings.get(key) is not None}
        if "phase_count" not in known:
            raise ValueError("no phase count (phase_count = None) - a setting has one - add phase_count")
        protections = {key: float(value) for key, value in settings.items()
                       if key == "power_limit" or key.startswith("protection_")}  # fmt: skip
        count = known.pop("phase_count")
        settings = Setting(int(round(count)), **known, protections=MappingProxyType(protections))
    if settings.package_power is None and settings.rail_current is None:
        raise ValueError(
            "no load (package_power = None, rail_current = None) - a setting has one - add package_power [W] or "
            "rail_current [A]"
        )
    for name in ("package_power", "rail_current", "rail_voltage", "switching_frequency"):
        number = getattr(settings, name)
        if number is not None and not (math.isfinite(number) and number > 0.0):
            raise ValueError(f"impossible setting ({name} = {number}) - it is above 0 - check it")
    for name in DUTIES:
        number = getattr(settings, name)
        if number is not None and not 0.0 <= number <= 1.0:
            raise ValueError(f"impossible setting ({name} = {number}) - it is from 0 to 1 - check it")
    if settings.phase_count < 1:
        raise ValueError(f"impossible setting (phase_count = {settings.phase_count}) - at least one carries - check it")
    return settings


def predict(
    fitted: Fitted,
    settings: Mapping[str, float | str] | Setting,
    *,
    level: float = 0.95,
    draws: int = DRAWS,
    generator: np.random.Generator | None = None,
    refuse: bool = True,
) -> Prediction:
    """Return what `settings` would do once settled, each figure with its interval, margins and a verdict.

    Loads are meant as this bench's instruments read them, figures as they truly are: the difference is what the fit
    knows of the instruments' gains. `level` is the coverage of `Prediction.intervals`. Without `generator` the same
    draws are taken every time. With `refuse` false a temperature that is hardly known is given with its wide interval.

    Raises
    ------
    ValueError
        When the setting states no load or an impossible number.
    BenchFault
        When it is beyond an absolute maximum of the bench.
    NotReady
        When what is known does not decide the temperature, unless `refuse` is false.
    """
    setting = as_setting(settings)
    plain = _plain(setting)
    limits_of(fitted.bench, plain)
    spread = spread_of(fitted, setting)
    if refuse:
        _refuse_undecided(fitted, setting, spread)
    values = {name: spread.value(name) for name in spread.names}
    intervals = {name: spread.interval(name, level) for name in spread.names}
    judged = margins_at(fitted.bench, _state(setting, values), advise=False)
    margins = judged.margins
    drawn = spread.draw(draws, generator)
    away = float(np.mean(drawn["loop_gain"] >= 1.0))
    probability = holding(margins, drawn)
    verdict, reasons = judge(margins, away, probability)
    unjudged = (item for item in judged.missing if item.why.startswith("no "))  # stated, but no figure to hold to it
    notes = [*_notes(fitted, setting), *(f"{item.name} not judged: {item.why}" for item in unjudged)]
    return Prediction(setting, MappingProxyType(values), margins, verdict, probability, reasons, tuple(notes), level,
                      MappingProxyType(intervals))  # fmt: skip


def _plain(setting: Setting) -> dict[str, float | str]:
    duties = {name: getattr(setting, name) for name in DUTIES if getattr(setting, name) is not None}
    return {"phase_count": setting.phase_count, **duties, **setting.protections}


def _state(setting: Setting, values: Mapping[str, Value]) -> State:
    averaging = {name: math.nan for name in values if name.endswith("_peak")}
    settings = _plain(setting)
    if setting.switching_frequency is not None:
        settings["switching_frequency"] = setting.switching_frequency
    return State(values, settings, "prediction", averaging)


def state_of_prediction(prediction: Prediction) -> State:
    """Return a prediction as the limits room takes it, to hold it against another bench."""
    return _state(prediction.setting, prediction.quantities)


def every_margin(fitted: Fitted, prediction: Prediction) -> Judged:
    """Return a prediction held against every limit: those that decide its verdict and those that only advise.

    `Prediction.margins` holds the former alone, because a search asks for hundreds of predictions.
    """
    return margins_at(fitted.bench, state_of_prediction(prediction))


def with_every_margin(fitted: Fitted, prediction: Prediction) -> Prediction:
    """Return the prediction with its margins to every limit; its verdict is the same."""
    judged = every_margin(fitted, prediction)
    return replace(prediction, margins=judged.margins, missing=judged.missing, readings=judged.readings)


def holding(margins: tuple[Margin, ...], drawn: Mapping[str, np.ndarray]) -> float:
    """Return the share of the draws in which every limit holds and nothing runs away [1]."""
    good = drawn["loop_gain"] < 1.0
    for margin in margins:
        name = margin.limit.applies_to
        name = f"{name}_peak" if margin.note.startswith("peak") and f"{name}_peak" in drawn else name
        if name in drawn:
            good = good & (drawn[name] < margin.limit.value)
    return float(np.mean(good))


def _refuse_undecided(fitted: Fitted, setting: Setting, spread: Spread) -> None:
    rise = spread.point["regulator_rise"]
    if not math.isfinite(rise):
        return
    low, high = spread.interval("regulator_rise", 0.95)
    half = 0.5 * (high - low)
    if half > WIDE_TEMPERATURE and half > WIDE_SHARE * rise:
        measured = "what has been measured" if fitted.step_count else "part data alone"
        raise NotReady(
            Fault(
                fitted.bench.file or "bench.toml",
                f"{measured} cannot say how hot {setting.phase_count} phases get (rise of {rise:.0f} K, "
                f"known to ±{half:.0f} K only)",
                "measure one steady step with all phases and one with few, both with regulator and coolant temperature",
            )
        )


def _notes(fitted: Fitted, setting: Setting) -> list[str]:
    notes = []
    if not fitted.step_count:
        notes.append("nothing has been measured on this bench yet: part data alone speak")
    seen = fitted.ranges.get("phase_count")
    if seen and not seen[0] <= setting.phase_count <= seen[1]:
        count = setting.phase_count
        lie = "1 phase lies" if count == 1 else f"{count} phases lie"
        notes.append(f"{lie} outside the {seen[0]:.0f} to {seen[1]:.0f} that were measured")
    if setting.coolant_temperature is None:
        law = fitted.coolant
        notes.append("coolant temperature taken from measured steps" if law is not None
                     else "coolant temperature assumed: state coolant_temperature")  # fmt: skip
        if setting.fan_duty is not None and duty_name(fitted.bench) != "fan_duty":
            notes.append("how warm the coolant gets with that fan is not known: state coolant_temperature")
    acting = duty_name(fitted.bench)
    if getattr(setting, acting) is not None and fitted.usual_duty is None:
        notes.append(f"{acting} was not measured, so it is not known what another one does")
    return notes
