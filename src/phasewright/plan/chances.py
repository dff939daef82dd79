"""The chance that a setting trips a protection or runs away, from the model's own draws."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from phasewright.bench import Bench
from phasewright.model import Fitted, predict

__all__ = ["chance_to_trip", "thresholds_of"]

DRAWS = 2000
NODES = ((-0.7745966692414834, 5.0 / 18.0), (0.0, 8.0 / 18.0), (0.7745966692414834, 5.0 / 18.0))
"""Gauss-Legendre points and weights for the mean over a rectangular bound from -1 to 1 (Abramowitz and Stegun, Table
25.4, n = 3)."""
CURRENTS = ("phase_current", "total_current")


def thresholds_of(bench: Bench, settings: Mapping[str, float | str]) -> dict[str, float]:
    """Return the thresholds that trip, by name: phase_current, total_current [A], temperature_trip [degC]."""
    found = {}
    for name in (*CURRENTS, "temperature_trip"):
        value = settings.get(f"protection_{name}")
        value = getattr(bench.regulator.protection, name) if value is None else float(value)
        if value is not None:
            found[name] = value
    return found


def chance_to_trip(fitted: Fitted, settings: Mapping[str, float | str], *, tolerance: float, seed: int) -> float:
    """Return the probability [1] that a protection trips or heat runs away at `settings`, once settled.

    Peaks count against over-current thresholds. `tolerance` [1] is the bound of the relative error of those thresholds.
    The same `seed` draws the same parameters for every question, so that a further protection never lowers the answer.
    """
    stripped = replace(fitted, bench=_protections_alone(fitted.bench))
    thresholds = thresholds_of(fitted.bench, settings)
    plain = {
        key: value for key, value in settings.items() if key != "power_limit" and not key.startswith("protection_")
    }
    chance = 0.0
    for node, weight in NODES:
        shifted = {
            f"protection_{name}": value * (1.0 + tolerance * node if name in CURRENTS else 1.0)
            for name, value in thresholds.items()
        }
        found = predict(
            stripped, {**plain, **shifted}, draws=DRAWS, generator=np.random.default_rng(seed), refuse=False
        )
        chance += weight * (1.0 - found.probability)
        if not any(name in thresholds for name in CURRENTS):
            return 1.0 - found.probability
    return min(max(chance, 0.0), 1.0)


def _protections_alone(bench: Bench) -> Bench:
    """Return the bench with every limit taken away but those that shut down: what then holds is what does not trip."""
    regulator = bench.regulator
    return replace(
        bench,
        board=replace(
            bench.board, connectors=tuple(replace(item, contact_rating=None) for item in bench.board.connectors)
        ),
        regulator=replace(
            regulator,
            stage=replace(regulator.stage, current_rating=None, peak_current_rating=None, temperature_limit=None),
            inductor=replace(regulator.inductor, saturation_current=None, current_rating=None, temperature_limit=None),
            protection=replace(
                regulator.protection,
                phase_current=None,
                total_current=None,
                temperature_warning=None,
                temperature_trip=None,
            ),
        ),
        processor=replace(bench.processor, temperature_limit=None, power_limit=None),
        cooling=replace(bench.cooling, coolant_limit=None),
    )
