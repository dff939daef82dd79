"""An analysis as plain JSON data, for programs; described in docs/reference/analysis-json.md."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from phasewright.findings.records import Analysis, Answer, Comparison, StepFinding
from phasewright.logs import ClockMap, Settling, Window
from phasewright.quantity import Value

__all__ = ["analysis_schema", "to_json"]

NO_MODEL = "doubt: no electro-thermal model has been fitted, so nothing is predicted"
STATUS = {"reference": "aligned"}
"""The reference is on its own clock by definition."""


def to_json(analysis: Analysis, *, model: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Return the analysis as nested dicts, lists, strings, numbers, bools and None, keys always in the same order.

    Times in seconds on the reference clock, everything else SI with degrees Celsius. What is not known, not finite or
    not computable is None, never NaN. `model` stands as it is under its name; None: a note says that there is none.
    """
    notes = [*analysis.notes, *([NO_MODEL] if model is None else [])]
    return {
        "format": analysis.format,
        "campaign": _campaign(analysis),
        "clocks": [_clock(clock) for clock in analysis.recording.clocks],
        "steps": [_step(finding) for finding in analysis.steps],
        "comparisons": [_comparison(item) for item in analysis.comparisons],
        "model": None if model is None else dict(model),
        "answers": [_answer(item) for item in analysis.answers],
        "notes": [_note(text) for text in notes],
    }


def analysis_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of what `to_json` returns."""
    import json
    from importlib.resources import files

    return json.loads(files("phasewright.findings").joinpath("analysis.schema.json").read_text(encoding="utf-8"))


def _number(x: float | None) -> float | None:
    """Return a finite float or None."""
    if x is None or not math.isfinite(x):
        return None
    return float(x)


def _campaign(analysis: Analysis) -> dict[str, Any]:
    campaign, bench, recording = analysis.campaign, analysis.bench, analysis.recording
    return {
        "name": campaign.name,
        "simulated": bool(campaign.simulated or bench.simulated),
        "fingerprint": campaign.fingerprint,
        "bench": {"name": bench.name, "fingerprint": bench.fingerprint},
        "reference_log": recording.reference,
        "origin": recording.origin,
        "cost": {
            "hours_per_day": _number(campaign.cost.hours_per_day),
            "days_per_year": _number(campaign.cost.days_per_year),
            "price": _number(campaign.cost.price),
            "currency": campaign.cost.currency,
        },
        "files": [
            {"file": item.fingerprint.file, "size": int(item.fingerprint.size), "sha256": item.fingerprint.sha256}
            for item in recording.reports
        ],
    }


def _clock(clock: ClockMap) -> dict[str, Any]:
    return {
        "log": clock.log,
        "segment": int(clock.segment),
        "reference": clock.reference,
        "offset_s": _number(clock.offset),
        "offset_u_s": _number(clock.offset_u),
        "drift_ppm": _number(clock.drift),
        "drift_u_ppm": _number(clock.drift_u),
        "averaging_s": _number(clock.averaging),
        "peak_ratio": _number(clock.peak_ratio),
        "status": STATUS.get(clock.status, clock.status),
        "candidates": [{"offset_s": _number(offset), "score": _number(score)} for offset, score in clock.candidates],
        "note": clock.note,
    }


def _value(value: Value, basis: str = "") -> dict[str, Any]:
    return {
        "value": _number(value.value),
        "unit": value.unit,
        "u": _number(value.u),
        "low95": _number(value.low95),
        "high95": _number(value.high95),
        "kind": value.kind,
        "reason": value.reason,
        "basis": basis,
    }


def _settling(item: Settling) -> dict[str, Any]:
    return {
        "channel": item.channel,
        "slope": _number(item.slope),
        "slope_u": _number(item.slope_u),
        "time_constant_s": _number(item.time_constant),
        "remaining": _number(item.remaining),
        "bound": _number(item.bound),
        "settled": bool(item.settled),
        "reason": item.reason,
        "extrapolated": _number(item.extrapolated),
        "extrapolated_u": _number(item.extrapolated_u),
    }


def _window(window: Window) -> dict[str, Any]:
    return {
        "found": bool(window.found),
        "start_s": _number(window.start_s) if window.found else None,
        "end_s": _number(window.end_s) if window.found else None,
        "settling": [_settling(item) for item in window.settling],
        "reasons": list(window.reasons),
        "discarded": [
            {"start_s": _number(start), "end_s": _number(end), "why": why} for start, end, why in window.discarded
        ],
    }


def _step(finding: StepFinding) -> dict[str, Any]:
    return {
        "name": finding.step.name,
        "settings": {key: _setting(finding.step.settings[key]) for key in sorted(finding.step.settings)},
        "start_s": _number(finding.span.start_s),
        "end_s": _number(finding.span.end_s),
        "window": _window(finding.window),
        "settled": bool(finding.window.found and finding.window.settled),
        "verdict": finding.verdict,
        "reasons": list(finding.reasons),
        "quantities": {
            name: _value(finding.quantities[name], finding.basis.get(name, "")) for name in sorted(finding.quantities)
        },
        "peak_averaging_s": {name: _number(finding.peak_averaging[name]) for name in sorted(finding.peak_averaging)},
        "margins": [
            {
                "limit": margin.limit.name,
                "applies_to": margin.limit.applies_to,
                "kind": margin.limit.kind,
                "source": margin.limit.source,
                "limit_value": _number(margin.limit.value),
                "figure": _value(margin.figure, margin.note),
                "margin": _value(margin.margin),
                "in_u": _number(margin.in_u),
                "probability": _number(margin.probability),
                "floor": bool(margin.limit.floor),
                "role": margin.role,
            }
            for margin in finding.margins
        ],
        "missing": [{"name": item.name, "why": item.why, "mend": item.mend} for item in finding.missing],
        "readings": [
            {"name": item.name, "figure": _value(item.figure), "sentence": item.sentence, "source": item.source}
            for item in finding.readings
        ],
    }


def _setting(item: float | str) -> float | str | None:
    return item if isinstance(item, str) else _number(float(item))


def _values(values: Mapping[str, Value]) -> dict[str, Any]:
    return {name: _value(values[name]) for name in sorted(values)}


def _comparison(item: Comparison) -> dict[str, Any]:
    return {
        "step": item.step,
        "baseline": item.baseline,
        "reason": item.reason,
        "differences": _values(item.differences),
        "ratios": _values(item.ratios),
        "extra_energy_year": None if item.extra_energy_year is None else _value(item.extra_energy_year),
        "extra_cost_year": None if item.extra_cost_year is None else _value(item.extra_cost_year),
    }


def _answer(item: Answer) -> dict[str, Any]:
    numbers = {name: _answer_number(item.numbers[name]) for name in sorted(item.numbers)}
    return {"question": item.question, "sentence": item.sentence, "numbers": numbers}


def _answer_number(item: Value | float | str) -> Any:
    if isinstance(item, Value):
        return _value(item)
    return item if isinstance(item, str) else _number(float(item))


def _note(text: str) -> dict[str, str]:
    kind, found, rest = text.partition(": ")
    known = found and kind in ("repair", "caution", "doubt")
    return {"kind": kind if known else "caution", "text": rest if known else text}
