"""What other settings would do: fits the model of a campaign, predicts settings, looks a plan over beforehand."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from phasewright.bench import BenchFault, Fault

if TYPE_CHECKING:
    from phasewright.bench import Bench, Campaign
    from phasewright.findings import Analysis
    from phasewright.limits import Fewest, Mend
    from phasewright.model import Ceiling, Fitted, Prediction
    from phasewright.model import Fewest as FewestHeld
    from phasewright.plan import Plan
    from phasewright.quantity import Value

MODEL_FILE = "model.json"
"""In the campaign's derived/ folder: the fit, so that a question asked twice is answered at once."""
OPTIONS = {
    "coolant": ("coolant_temperature", "degC"),
    "voltage": ("rail_voltage", "V"),
    "frequency": ("switching_frequency", "Hz"),
    "fan": ("fan_duty", "1"),
    "pump": ("pump_duty", "1"),
    "ocp": ("protection_phase_current", "A"),
    "total_ocp": ("protection_total_current", "A"),
    "warning": ("protection_temperature_warning", "degC"),
    "trip": ("protection_temperature_trip", "degC"),
    "power_limit": ("power_limit", "W"),
}
"""Option -> (setting of a step, its unit). Every text has its unit: ``90 A``, ``35C``."""


@dataclass(frozen=True, slots=True)
class Enough:
    """The fewest phases over all limits at one load."""

    load_name: str
    """rail_current | package_power"""
    load: float
    """[A] or [W]"""
    fewest: Fewest
    mend: Mend | None
    """The change that would buy most margin at the limit that decides."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """How far a bench reaches: the fewest phases for each load, the greatest load of each phase count."""

    fewest: tuple[tuple[Mapping[str, float | str], FewestHeld], ...]
    """(load [SI] with the rest of its setting, the fewest phases that hold it)."""
    ceilings: tuple[Ceiling, ...]
    refused: tuple[str, ...]
    """Why something could not be foreseen."""


def settings_of(
    phases: str, loads: Iterable[str], options: Mapping[str, str], *, bench: Bench, campaign: Campaign
) -> tuple[dict[str, float | str], ...]:
    """Return the settings [SI] that texts ask for: every phase count at every load.

    `phases` is a list such as ``3``, ``8,6,4`` or ``3-6``, '' = every count that is fitted; a load is ``300 W`` at the
    package or ``250 A`` on the rail, none = the loads of the campaign's steps. BenchFault names every wrong text.
    """
    from phasewright.quantity import parse_quantity

    faults: list[Fault] = []
    counts = _counts(phases, bench.regulator.phase_count, faults)
    wanted: list[dict[str, float | str]] = []
    for text in loads:
        load = _load(text, faults)
        if load:
            wanted.append(load)
    shared: dict[str, float | str] = {}
    for option, text in options.items():
        key, unit = OPTIONS[option]
        try:
            shared[key] = parse_quantity(text, unit)
        except ValueError as error:
            faults.append(_fault(f"--{option.replace('_', '-')}", str(error)))
    if faults:
        raise BenchFault(faults)
    if not wanted:
        wanted = campaign_loads(campaign)
    if not wanted:
        raise BenchFault(Fault("--load", "no load is stated, here or in the campaign's steps", "add --load '300 W'"))
    return tuple({"phase_count": count, **load, **shared} for load in wanted for count in counts)


def campaign_loads(campaign: Campaign) -> list[dict[str, float | str]]:
    """Return the different loads [SI] of a campaign's steps, the heaviest first."""
    found: list[dict[str, float | str]] = []
    for step in campaign.steps:
        load = {key: step.settings[key] for key in ("package_power", "rail_current") if key in step.settings}
        if load and load not in found:
            found.append(load)
    return sorted(found, key=lambda load: -max(float(value) for value in load.values()))


def _counts(text: str, fitted: int, faults: list[Fault]) -> list[int]:
    if not text.strip():
        return list(range(fitted, 0, -1))
    found: list[int] = []
    for word in text.split(","):
        first, dash, last = word.strip().partition("-")
        if not (first.isdecimal() and (last.isdecimal() or not dash)):
            faults.append(Fault("--phases", f"{word.strip()!r} is no phase count", "write 3, or 8,6,4, or 3-6"))
            continue
        low, high = int(first), int(last or first)
        if not 1 <= min(low, high) <= max(low, high) <= fitted:
            faults.append(Fault("--phases", f"{word.strip()!r} is outside 1 to {fitted}, the phases fitted",
                                f"take 1 to {fitted}"))  # fmt: skip
            continue
        found += range(low, high + 1) if low <= high else range(low, high - 1, -1)
    return list(dict.fromkeys(found))


def _load(text: str, faults: list[Fault]) -> dict[str, float | str]:
    from phasewright.quantity import parse_quantity

    problems = []
    for key, unit in (("package_power", "W"), ("rail_current", "A")):
        try:
            return {key: parse_quantity(text, unit)}
        except ValueError as error:
            problems.append(str(error))
    faults.append(Fault("--load", f"{text!r} is neither a power nor a current", "write '300 W' or '250 A'"))
    return {}


def _fault(place: str, message: str) -> Fault:
    what, _, mend = message.rpartition(" - ")
    return Fault(place, what or message, mend)


def fit(analysis: Analysis, progress: Callable[[float, str], None]) -> Fitted:
    """Return the model of an analyzed campaign; part data alone speak where no step shows a load."""
    from phasewright.bench import NotReady
    from phasewright.model import fit_model, fitted_prior, prior_of

    try:
        return fit_model(analysis, progress=progress)
    except NotReady:
        return fitted_prior(prior_of(analysis.bench))


def identity(folder: Path, bench: str = "", campaign: str = "") -> str:
    """Return a fingerprint of all that decides what an analysis of `folder` says, this version included.

    `bench`, `campaign` = fingerprints of the files that were read; '' = as they are now. Logs count by size and time of
    change: reading a gigabyte to learn that nothing changed would cost more than it saves.
    """
    import hashlib
    from importlib.metadata import version

    said = [f"phasewright {version('phasewright')}"]
    for name, known in (("bench.toml", bench), ("campaign.toml", campaign)):
        try:
            said.append(known or hashlib.sha256((folder / name).read_bytes()).hexdigest())
        except OSError:
            said.append(f"no {name}")
    found = set((folder / "logs").rglob("[!.]*")) | {folder / name for name in _named_logs(folder)}
    for path in sorted(found):
        if path.is_file():
            facts = path.stat()
            said.append(f"{path.relative_to(folder).as_posix()} {facts.st_size} {facts.st_mtime_ns}")
    return hashlib.sha256("\n".join(said).encode("utf-8", "surrogateescape")).hexdigest()


def _named_logs(folder: Path) -> set[str]:
    """Return the log files that campaign.toml names, as far as it can be read: they may lie elsewhere than in logs/."""
    import tomllib

    names: set[str] = set()
    try:
        entries = tomllib.loads((folder / "campaign.toml").read_text(encoding="utf-8")).get("log", [])
        for entry in entries:
            names |= {str(entry["file"])} if "file" in entry else set(map(str, entry.get("files", ())))
    except (OSError, ValueError, TypeError, AttributeError):
        return set()
    return {name for name in names if "\0" not in name and ".." not in Path(name).parts and not Path(name).is_absolute()}


def kept_model(folder: Path, bench: Bench, campaign: Campaign) -> Fitted | None:
    """Return the fit that was kept for exactly these files; None when there is none, or another version made it."""
    from phasewright.model import from_dict

    try:
        kept = json.loads((folder / "derived" / MODEL_FILE).read_text(encoding="utf-8"))
        if kept["made_from"] != identity(folder, bench.fingerprint, campaign.fingerprint):
            return None
        return from_dict(kept["model"], bench)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, IndexError):
        # derived/ may be deleted, cut short or edited at any time: the fit is then made anew.
        return None


def model_text(folder: Path, fitted: Fitted, campaign: Campaign) -> str:
    """Return a fit as the text that `kept_model` reads back."""
    from phasewright.model import to_dict

    made_from = identity(folder, fitted.bench.fingerprint, campaign.fingerprint)
    return json.dumps({"made_from": made_from, "model": to_dict(fitted)}) + "\n"


def predict_settings(
    fitted: Fitted, settings: Iterable[Mapping[str, float | str]], *, every_margin: bool = True
) -> tuple[Prediction, ...]:
    """Return what the model says of each setting, with margins to every limit or to those alone that decide its verdict.

    Faults of all are raised together.
    """
    from phasewright.bench import NotReady
    from phasewright.model import predict, with_every_margin

    found, faults = [], []
    for setting in settings:
        try:
            told = predict(fitted, setting)
            found.append(with_every_margin(fitted, told) if every_margin else told)
        except NotReady as error:
            faults += [fault for fault in error.faults if fault not in faults]
    if faults and not found:
        raise NotReady(faults)
    return tuple(found)


def bounds_of(fitted: Fitted, settings: Iterable[Mapping[str, float | str]]) -> Bounds:
    """Return fewest phases for each load of `settings`, and the greatest load of each of their phase counts."""
    from phasewright.model import fewest_phases, headroom

    wanted = list(settings)
    refused: dict[str, None] = {}
    loads: list[dict[str, float | str]] = []
    for setting in wanted:
        load = {key: value for key, value in setting.items() if key != "phase_count"}
        if load not in loads:
            loads.append(load)
    counts = sorted({int(setting["phase_count"]) for setting in wanted})
    fewest = tuple((load, fewest_phases(fitted, load, refused=refused)[0]) for load in loads)
    ceilings = headroom(fitted, loads[0], counts=counts, voltage=True, refused=refused) if loads else ()
    return Bounds(fewest, ceilings, tuple(refused))


def look_over(bench: Bench, settings: Iterable, fitted: Fitted | None) -> Plan:
    """Return the plan that runs `settings` (or steps) from mild to severe, with what is foreseen of each."""
    from phasewright.plan import order_steps

    run = {item.step for item in fitted.residuals} if fitted is not None else set()
    return order_steps(bench, settings, fitted=fitted, measured=run)


def prediction_json(prediction: Prediction) -> dict[str, object]:
    """Return one prediction as JSON-safe values; what is not finite is None."""
    setting = prediction.setting
    return {
        "setting": {
            "phase_count": setting.phase_count, "package_power": setting.package_power,
            "rail_current": setting.rail_current, "rail_voltage": setting.rail_voltage,
            "coolant_temperature": setting.coolant_temperature, "switching_frequency": setting.switching_frequency,
            "fan_duty": setting.fan_duty, "pump_duty": setting.pump_duty,
            **dict(setting.protections),
        },
        "verdict": prediction.verdict, "probability": _finite(prediction.probability),
        "reasons": list(prediction.reasons), "notes": list(prediction.notes),
        "quantities": {name: value_json(value) for name, value in prediction.quantities.items()},
        "margins": [
            {"limit": item.limit.name, "applies_to": item.limit.applies_to, "figure": value_json(item.figure),
             "margin": value_json(item.margin), "probability": _finite(item.probability), "in_u": _finite(item.in_u),
             "floor": item.limit.floor, "role": item.role}
            for item in prediction.margins
        ],
        "missing": [{"name": item.name, "why": item.why, "mend": item.mend} for item in prediction.missing],
        "readings": [
            {"name": item.name, "figure": value_json(item.figure), "sentence": item.sentence, "source": item.source}
            for item in prediction.readings
        ],
    }  # fmt: skip


def enough_of(bench: Bench, predictions: Iterable[Prediction]) -> tuple[Enough, ...]:
    """Return for each load of `predictions` the fewest phases over all limits, what decides it, and the best mend."""
    from phasewright.limits import fewest_phases, mends_of
    from phasewright.model import state_of_prediction

    loads: dict[tuple[str, float], dict[int, Prediction]] = {}
    for item in predictions:
        name = "rail_current" if item.setting.rail_current is not None else "package_power"
        load = getattr(item.setting, name)
        if load is not None:
            loads.setdefault((name, load), {})[item.setting.phase_count] = item
    found = []
    for (name, load), by_count in loads.items():
        fewest = fewest_phases({count: item.margins for count, item in by_count.items()})
        mends: tuple[Mend, ...] = ()
        if fewest.decides is not None and fewest.decides_at is not None:
            state = state_of_prediction(by_count[fewest.decides_at])
            mends = mends_of(bench, state, target=fewest.decides, most=1)
        found.append(Enough(name, load, fewest, mends[0] if mends else None))
    return tuple(found)


def enough_json(item: Enough) -> dict[str, object]:
    """Return the fewest phases over all limits at one load as JSON-safe values."""
    decides, mend = item.fewest.decides, item.mend
    return {
        item.load_name: item.load, "phase_count": item.fewest.phase_count,
        "decides": None if decides is None else {
            "limit": decides.limit.name, "phase_count": item.fewest.decides_at, "margin": value_json(decides.margin)},
        "mend": None if mend is None else {
            "name": mend.name, "bought": value_json(mend.bought), "note": mend.note},
    }  # fmt: skip


def enough_text(item: Enough) -> str:
    """Return the fewest phases over all limits at one load as a sentence."""
    from phasewright.limits import margin_text, shown_unit
    from phasewright.quantity import to_text

    fewest, unit = item.fewest, "A" if item.load_name == "rail_current" else "W"
    where = f"At {item.load:.4g} {unit}, over all limits,"
    if fewest.phase_count is None:
        text = f"{where} none of the phase counts asked for is enough"
    else:
        text = f"{where} {fewest.phase_count} phases are the fewest of those asked for"
    if fewest.decides is not None:
        text += f"; with {fewest.decides_at}, {margin_text(fewest.decides)}"
    if item.mend is not None:
        bought = item.mend.bought
        shown = to_text(bought, None if bought.unit == "K" else shown_unit(bought.unit, bought.value))
        note = f" ({item.mend.note})" if item.mend.note else ""
        text += f"; {item.mend.name} would buy most margin there, {shown}{note}"
    return f"{text}."


def bounds_json(bounds: Bounds) -> dict[str, object]:
    """Return how far a bench reaches as JSON-safe values."""
    return {
        "fewest_phases": [
            {**load, "phase_count": found.count,
             "probability": None if found.prediction is None else _finite(found.prediction.probability)}
            for load, found in bounds.fewest
        ],
        "headroom": [
            {"phase_count": item.count, "coolant_temperature": _finite(item.coolant),
             **{name: value_json(item.prediction.quantities[name])
                for name in ("rail_current", "package_power", "regulator_temperature")},
             "voltage_headroom": _finite(item.voltage_headroom), "ends": item.ends, "beyond": item.beyond}
            for item in bounds.ceilings
        ],
        "refused": list(bounds.refused),
    }  # fmt: skip


def plan_json(plan: Plan) -> dict[str, object]:
    """Return a plan as JSON-safe values."""
    return {
        "format": "phasewright-plan-1",
        "verdict": plan.readiness.verdict,
        "sentence": plan.readiness.sentence,
        "next": plan.next_sentence,
        "teaches": plan.teaches_sentence,
        "cautions": [
            {"title": item.title, "why": item.why, "action": item.action, "grade": item.grade, "topic": item.topic}
            for item in plan.readiness.cautions
        ],
        "missing": [{"name": item.name, "why": item.why, "mend": item.mend} for item in plan.readiness.missing],
        "measured": plan.readiness.measured,
        "duration_s": plan.duration,
        "steps": [
            {
                "name": item.name, "settings": dict(item.forecast.step.settings), "verdict": item.forecast.verdict,
                "reasons": list(item.forecast.reasons), "chance_to_trip": item.forecast.chance_to_trip,
                "quantities": {name: value_json(value) for name, value in item.forecast.quantities.items()},
                "dwell_s": item.dwell, "dwell_reason": item.dwell_reason, "cool_down_s": item.cool_down,
                "repeats": item.repeats, "measured": item.measured,
                "stops": [
                    {"channel": stop.channel, "threshold": stop.threshold, "unit": stop.unit, "action": stop.action,
                     "why": stop.why}
                    for stop in item.forecast.stops
                ],
                "bands": [
                    {"name": band.name, "unit": band.unit, "low": _finite(band.low), "high": _finite(band.high),
                     "rated": _finite(band.rated), "threshold": _finite(band.threshold), "sentence": band.sentence}
                    for band in item.bands
                ],
            }
            for item in plan.steps
        ],
        "marker": list(plan.marker.instructions),
    }  # fmt: skip


def value_json(value: Value) -> dict[str, object]:
    """Return a value as JSON-safe numbers; what is not finite is None."""
    return {
        "value": _finite(value.value), "unit": value.unit, "u": _finite(value.u), "low95": _finite(value.low95),
        "high95": _finite(value.high95), "kind": value.kind,
    }  # fmt: skip


def _finite(number: float | None) -> float | None:
    return float(number) if number is not None and math.isfinite(number) else None


def campaign_of(folder: Path) -> tuple[Bench, Campaign]:
    """Return both files of a campaign; BenchFault with every fault of both."""
    from phasewright.bench import check_folder

    checked = check_folder(folder)
    if checked.faults or checked.bench is None or checked.campaign is None:
        raise BenchFault(checked.faults)
    return checked.bench, checked.campaign
