"""The fitted model as plain data: facts only. What follows from the bench is made anew from it when read back."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from phasewright.bench import Bench
from phasewright.model.fitting import parameters_of
from phasewright.model.gains import gain_check
from phasewright.model.prior import prior_of
from phasewright.model.records import FORMULA, FORMULA_VERSION, CoolantLaw, Fitted, Residual

__all__ = ["from_dict", "model_json", "to_dict"]

FORMAT = "phasewright-model-1"


def to_dict(fitted: Fitted) -> dict[str, Any]:
    """Return the facts of a fit as nested dicts, lists, strings and numbers, fit for JSON; see `from_dict`."""
    return {
        "format": FORMAT,
        "formula": fitted.formula,
        "formula_version": fitted.formula_version,
        "bench": fitted.bench.fingerprint,
        "names": list(fitted.prior.names),
        "score": fitted.score.tolist(),
        "covariance": fitted.covariance.tolist(),
        "phase_counts": list(fitted.phase_counts),
        "step_count": fitted.step_count,
        "ranges": {name: list(pair) for name, pair in fitted.ranges.items()},
        "coolant": None if fitted.coolant is None else
        [fitted.coolant.temperature, fitted.coolant.slope, fitted.coolant.input_power, fitted.coolant.u],
        "usual_duty": fitted.usual_duty,
        "residuals": [[r.step, r.channel, _number(r.observed), _number(r.fitted), _number(r.u)] for r in fitted.residuals],
        "notes": list(fitted.notes),
        "inputs": dict(fitted.inputs),
    }  # fmt: skip


def from_dict(facts: Mapping[str, Any], bench: Bench) -> Fitted:
    """Return the fit whose facts `to_dict` gave; its prior is made anew from `bench`.

    Raises
    ------
    ValueError
        When the facts are of another format, another version of the formula, or another bench.
    """
    wanted = {"format": FORMAT, "formula": FORMULA, "formula_version": FORMULA_VERSION, "bench": bench.fingerprint}
    for name, value in wanted.items():
        if facts.get(name) != value:
            raise ValueError(f"{name} = {facts.get(name)!r} - {value!r} is needed - fit the model anew")
    prior = prior_of(bench)
    if tuple(facts["names"]) != prior.names:
        raise ValueError(f"names = {facts['names']!r} - the model's parameters are others - fit the model anew")
    score, covariance = np.array(facts["score"], dtype=float), np.array(facts["covariance"], dtype=float)
    size = len(prior.names) + len(facts["phase_counts"])
    if score.shape != (size,) or covariance.shape != (size, size):
        raise ValueError(f"score and covariance of {score.shape} and {covariance.shape} - {size} scores - fit anew")
    return Fitted(
        bench=bench,
        prior=prior,
        score=score,
        covariance=covariance,
        parameters=parameters_of(prior, score, covariance),
        residuals=tuple(Residual(*row[:2], *(math.nan if x is None else float(x) for x in row[2:]))
                        for row in facts["residuals"]),
        phase_counts=tuple(int(count) for count in facts["phase_counts"]),
        step_count=int(facts["step_count"]),
        ranges={name: (float(low), float(high)) for name, (low, high) in facts["ranges"].items()},
        coolant=None if facts["coolant"] is None else CoolantLaw(*map(float, facts["coolant"])),
        usual_duty=None if facts["usual_duty"] is None else float(facts["usual_duty"]),
        notes=tuple(facts["notes"]),
        inputs=dict(facts["inputs"]),
    )  # fmt: skip


def model_json(fitted: Fitted) -> dict[str, Any]:
    """Return what a program wants to know of the model: parameters with uncertainty and what decided each, residuals.

    What is not finite is None.
    """
    return {
        "formula": fitted.formula,
        "formula_version": fitted.formula_version,
        "steps_used": fitted.step_count,
        "phase_counts": list(fitted.phase_counts),
        "parameters": [
            {"name": item.name, "symbol": item.symbol, "unit": item.unit, "value": _number(item.value),
             "u": _number(item.u), "prior_value": _number(item.prior_value), "prior_u": _number(item.prior_u),
             "decided_by": item.decided_by, "at_bound": item.at_bound, "basis": item.basis}
            for item in fitted.parameters
        ],
        "residuals": [
            {"step": item.step, "channel": item.channel, "observed": _number(item.observed),
             "fitted": _number(item.fitted), "u": _number(item.u)}
            for item in fitted.residuals
        ],
        "ranges": {name: [_number(low), _number(high)] for name, (low, high) in fitted.ranges.items()},
        "gains": [
            {"channel": item.channel, "gain": _number(item.gain.value),
             "u": None if item.gain.u is None else _number(item.gain.u), "applies": item.applies,
             "outcome": item.outcome, "sentence": item.sentence}
            for item in gain_check(fitted)
        ],
        "notes": list(fitted.notes),
    }  # fmt: skip


def _number(x: float) -> float | None:
    return float(x) if math.isfinite(x) else None
