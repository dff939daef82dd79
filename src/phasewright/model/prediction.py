"""What any setting would do: temperatures, losses, currents, margins and verdict, each with an interval."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from phasewright.bench import Bench, Fault, NotReady, limits_of
from phasewright.findings import Margin, margins_of
from phasewright.model.causes import causes_of, nominal_frequency, ripple_of
from phasewright.model.fitting import PHASE_SCATTER, values_at
from phasewright.model.formula import Load, State, input_of, load_from_current, load_from_package, settle
from phasewright.model.judging import judge
from phasewright.model.records import Fitted, Prediction, Setting
from phasewright.quantity import Part, Value, value_from_parts

__all__ = ["Answers", "answer", "as_setting", "predict"]

DRAWS = 4000
SEED = 20
"""Of the generator that stands in when none is given: the same question gets the same answer."""
COOLANT = {"liquid": (32.0, 4.0), "air": (26.0, 4.0)}
"""[degC, K] Coolant temperature and its standard uncertainty where nothing says; common practice, no source."""
WIDE_TEMPERATURE, WIDE_SHARE = 20.0, 0.6
"""[K] and [1] of the rise: a 95 % half-width beyond both says that the data cannot decide."""
UNITS = {
    "regulator_temperature": "degC", "regulator_rise": "K", "coolant_temperature": "degC",
    "conversion_loss": "W", "path_loss": "W", "loss": "W", "input_power": "W", "package_power": "W",
    "rail_power": "W", "rail_current": "A", "rail_voltage": "V", "input_current": "A", "contact_current": "A",
    "phase_current": "A", "stage_current": "A", "rail_current_peak": "A", "phase_current_peak": "A",
    "stage_current_peak": "A", "delivery_efficiency": "1", "conversion_efficiency": "1", "loop_gain": "1",
    "runaway_current": "A",
}  # fmt: skip
SETTING_KEYS = ("phase_count", "package_power", "rail_current", "rail_voltage", "coolant_temperature",
                "switching_frequency")  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """Everything the formula says of one setting, arrays (draws,); the last entry is the most probable one."""

    quantities: Mapping[str, np.ndarray]
    state: State
    load: Load


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
) -> Prediction:
    """Return what `settings` would do once settled, each figure with its interval, margins and a verdict.

    Loads are meant as this bench's instruments read them, figures as they truly are: the difference is what the fit
    knows of the instruments' gains. `level` is the coverage of `Prediction.intervals`. Without `generator` the same
    draws are taken every time.

    Raises
    ------
    ValueError
        When the setting states no load or an impossible number.
    BenchFault
        When it is beyond an absolute maximum of the bench.
    NotReady
        When what is known does not decide the temperature.
    """
    setting = as_setting(settings)
    limits = limits_of(fitted.bench, _plain(setting))
    generator = generator if generator is not None else np.random.default_rng(SEED)
    score, excess = draw_scores(fitted, setting.phase_count, draws, generator)
    answers = answer(fitted, setting, score, excess, generator)
    _refuse_undecided(fitted, setting, answers)
    values = {name: _value(name, drawn) for name, drawn in answers.quantities.items()}
    tails = (50.0 * (1.0 - level), 50.0 * (1.0 + level))
    intervals = {name: tuple(float(x) for x in np.percentile(drawn[:-1], tails, method="nearest"))
                 for name, drawn in answers.quantities.items()}  # fmt: skip
    averaging = {name: math.nan for name in values if name.endswith("_peak")}
    margins, unjudged = margins_of(values, limits, peak_averaging=averaging)
    probability = holding(margins, answers)
    verdict, reasons = judge(margins, answers.state.gain[:-1], probability)
    notes = [*_notes(fitted, setting), *(f"{item.name} not judged: {item.why}" for item in unjudged)]
    return Prediction(setting, MappingProxyType(values), margins, verdict, probability, reasons, tuple(notes), level,
                      MappingProxyType(intervals))  # fmt: skip


def _plain(setting: Setting) -> dict[str, float | str]:
    return {"phase_count": setting.phase_count, **setting.protections}


def draw_scores(fitted: Fitted, phases: int, draws: int, generator: np.random.Generator):
    """Return scores (draws + 1, p) and the hottest stage's excess (draws + 1,), the most probable ones last."""
    count = len(fitted.prior.beliefs)
    root = np.linalg.cholesky(fitted.covariance)
    drawn = fitted.score + generator.standard_normal((draws, len(fitted.score))) @ root.T
    drawn = np.concatenate([drawn, fitted.score[None, :]])
    if phases in fitted.phase_counts:
        excess = drawn[:, count + fitted.phase_counts.index(phases)]
    else:
        excess = np.concatenate([generator.standard_normal(draws), [0.0]])
    return drawn[:, :count], PHASE_SCATTER * excess


def load_of(p: Mapping[str, np.ndarray], setting: Setting) -> Load:
    """Return the true load of a setting whose numbers are readings of this bench's instruments."""
    voltage = None if setting.rail_voltage is None else setting.rail_voltage / (1.0 + p["rail_voltage_gain"])
    if setting.rail_current is not None:
        true = (setting.rail_current - p["rail_current_offset"]) / (1.0 + p["rail_current_gain"])
        return load_from_current(p, np.maximum(true, 0.0), voltage)
    reading = setting.package_power
    true = (reading - p["package_power_offset"]) / (1.0 + p["package_power_gain"])
    return load_from_package(p, np.maximum(true, 0.0), voltage)


def scaled(bench: Bench, p: Mapping[str, np.ndarray], frequency: float | None) -> dict[str, np.ndarray]:
    """Return the parameters at another switching frequency [Hz]: each term by the share that follows it."""
    p = dict(p)
    if frequency is None:
        return p
    ratio = frequency / nominal_frequency(bench)
    causes, _ = causes_of(bench)
    for term in ("phase_loss", "proportional_loss", "phase_resistance"):
        own = [item for item in causes if item.term == term]
        whole = math.fsum(item.value for item in own)
        # Ripple, and what it heats, falls with the square of the frequency.
        new = math.fsum(item.value * (ratio if item.follows_frequency else ratio**-2 if item.name == "ripple" else 1.0)
                        for item in own)  # fmt: skip
        p[term] = p[term] * (new / whole)
    return p


def answer(fitted: Fitted, setting: Setting, score: np.ndarray, excess: np.ndarray,
           generator: np.random.Generator) -> Answers:  # fmt: skip
    """Return what the formula says of `setting` for every row of `score`."""
    bench, n = fitted.bench, float(setting.phase_count)
    p = scaled(bench, values_at(fitted.prior, score), setting.switching_frequency)
    load = load_of(p, setting)
    coolant = _coolant(fitted, setting, load, generator)
    state = settle(p, n, load, coolant, excess)
    nominal = bench.board.input_voltage
    drawn, path = input_of(p, load, state.loss, nominal)
    rail = load.voltage * load.current
    with np.errstate(divide="ignore", invalid="ignore"):
        found = {
            "regulator_temperature": state.temperature,
            "regulator_rise": state.temperature - coolant,
            "coolant_temperature": coolant,
            "conversion_loss": state.loss,
            "path_loss": path,
            "input_power": drawn,
            "package_power": load.package,
            "loss": drawn - load.package,
            "rail_power": rail,
            "rail_current": load.current,
            "rail_voltage": load.voltage,
            "input_current": drawn / nominal,
            "delivery_efficiency": load.package / drawn,
            "conversion_efficiency": rail / (rail + state.loss),
            "loop_gain": state.gain,
            "runaway_current": load.current / np.sqrt(state.gain),
        }
    found |= _currents(bench, setting, p, load, generator)
    contacts = sum(item.contact_count for item in bench.board.connectors)
    if contacts:
        found["contact_current"] = drawn / nominal / contacts
    shape = excess.shape
    return Answers({name: np.broadcast_to(value, shape) for name, value in found.items()}, state, load)


def _currents(bench: Bench, setting: Setting, p, load: Load, generator) -> dict[str, np.ndarray]:
    """Return phase and stage currents: means as if phases shared alike, peaks with ripple and sharing error."""
    n, stages = float(setting.phase_count), bench.regulator.stages_per_phase
    mean = load.current / n
    peak = load.current * (1.0 + p["peak_excess"])
    # The fullest phase carries between nothing and the stated bound more than the mean.
    share = generator.uniform(0.0, bench.regulator.sharing_error or 0.1, np.shape(load.current))
    share[-1] = 0.5 * (bench.regulator.sharing_error or 0.1)
    phase = peak / n * (1.0 + share) + 0.5 * ripple_of(bench, setting.switching_frequency)
    return {"phase_current": mean, "stage_current": mean / stages, "rail_current_peak": peak,
            "phase_current_peak": phase, "stage_current_peak": phase / stages}  # fmt: skip


def _coolant(fitted: Fitted, setting: Setting, load: Load, generator: np.random.Generator):
    if setting.coolant_temperature is not None:
        return np.full(np.shape(load.current), float(setting.coolant_temperature))
    noise = generator.standard_normal(np.shape(load.current))
    noise[-1] = 0.0
    law = fitted.coolant
    if law is None:
        middle, u = COOLANT.get(fitted.bench.cooling.coolant, COOLANT["air"])
        return middle + u * noise
    # Input power is a tenth or so above package power; the law's own uncertainty covers what is left.
    return law.temperature + law.slope * (1.12 * load.package - law.input_power) + law.u * noise


def _value(name: str, drawn: np.ndarray) -> Value:
    """Return the figure with its 95 % interval; unknown where some draws run away."""
    point, others = float(drawn[-1]), drawn[:-1]
    unit = UNITS[name]
    if not math.isfinite(point) or not np.all(np.isfinite(others)):
        share = float(np.mean(~np.isfinite(others)))
        reason = f"thermal runaway is possible (probability {share:.2g})"
        return Value(point, unit, kind="extrapolated", reason=reason)
    low, high = (float(x) for x in np.quantile(others, (0.025, 0.975)))
    u = float(others.std())
    parts = [Part("model", u)] if u > 0.0 else []
    return replace(value_from_parts(point, unit, parts, kind="extrapolated"), low95=low, high95=high)


def holding(margins: tuple[Margin, ...], answers: Answers) -> float:
    """Return the share of the draws in which every limit holds and nothing runs away [1]."""
    good = np.isfinite(answers.state.temperature[:-1])
    for margin in margins:
        name = margin.limit.applies_to
        peak = f"{name}_peak"
        name = peak if margin.note.startswith("peak") and peak in answers.quantities else name
        if name in answers.quantities:
            good = good & (answers.quantities[name][:-1] < margin.limit.value)
    return float(np.mean(good))


def _refuse_undecided(fitted: Fitted, setting: Setting, answers: Answers) -> None:
    rise = answers.quantities["regulator_rise"]
    kept = rise[:-1][np.isfinite(rise[:-1])]
    if kept.size < 0.5 * rise.size:
        return
    low, high = np.quantile(kept, (0.025, 0.975))
    half = 0.5 * float(high - low)
    if half > WIDE_TEMPERATURE and half > WIDE_SHARE * float(np.median(kept)):
        measured = "what has been measured" if fitted.step_count else "part data alone"
        raise NotReady(
            Fault(
                fitted.bench.file or "bench.toml",
                f"{measured} cannot say how hot {setting.phase_count} phases get (rise of {np.median(kept):.0f} K, "
                f"known to +-{half:.0f} K only)",
                "measure one steady step with all phases and one with few, both with regulator and coolant temperature",
            )
        )


def _notes(fitted: Fitted, setting: Setting) -> list[str]:
    notes = []
    if not fitted.step_count:
        notes.append("nothing has been measured on this bench yet: part data alone speak")
    seen = fitted.ranges.get("phase_count")
    if seen and not seen[0] <= setting.phase_count <= seen[1]:
        notes.append(f"{setting.phase_count} phases lie outside the {seen[0]:.0f} to {seen[1]:.0f} that were measured")
    if setting.coolant_temperature is None:
        law = fitted.coolant
        notes.append("coolant temperature taken from measured steps" if law is not None
                     else "coolant temperature assumed: state coolant_temperature")  # fmt: skip
    return notes
