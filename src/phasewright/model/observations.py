"""What an analysis says that the model can learn from: one row for each steady window."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from phasewright.findings import Analysis, StepFinding
from phasewright.quantity import Value

__all__ = ["CHANNELS", "Steady", "take_steady"]

CHANNELS = ("input_power", "package_power", "rail_current", "rail_voltage")
SHARED = ("/gain", "/offset")
"""Endings of the sources that one instrument's readings share; the model has parameters of its own for them."""


@dataclass(frozen=True, slots=True, eq=False)
class Steady:
    """Steady windows as arrays (steps,); NaN = not known."""

    steps: tuple[str, ...]
    phases: np.ndarray
    mean: dict[str, np.ndarray]
    """By channel: mean reading; besides `CHANNELS` also hot, coolant and input_voltage."""
    u: dict[str, np.ndarray]
    """What is each mean's own: not the instrument's gain and offset, not the load's wander that all channels saw."""
    settled: np.ndarray
    """True where the temperature may be used."""
    peak_ratio: np.ndarray
    """Greatest reading of the input power over its mean, (steps,)."""

    @property
    def count(self) -> int:
        """Number of steps."""
        return len(self.steps)


def hottest(quantities: dict[str, Value] | Iterable, name: str) -> str | None:
    """Return the quantity of the hottest sensor called `name` or ``name.label``; None when there is none."""
    own = [
        key
        for key in quantities
        if (key == name or key.startswith(f"{name}.")) and not key.endswith(("_peak", "_settled"))
    ]
    return max(own, key=lambda key: quantities[key].value, default=None)


def own_u(value: Value, lead: str) -> float:
    """Return the part of `value`'s uncertainty that no other reading shares, in its unit."""
    kept = [part.contribution for part in value.parts if not part.source.endswith(SHARED) and part.source != lead]
    return math.sqrt(math.fsum(item * item for item in kept))


def take_steady(analysis: Analysis) -> Steady:
    """Return the windows of every step that ran with some phases and some load."""
    rows, names = [], []
    for finding in analysis.steps:
        row = _row(finding)
        if row is not None:
            rows.append(row)
            names.append(finding.step.name)
    keys = (*CHANNELS, "hot", "coolant", "input_voltage")

    def column(which: int, key: str) -> np.ndarray:
        return np.array([row[which].get(key, math.nan) for row in rows], dtype=float)

    return Steady(
        tuple(names),
        column(0, "phases"),
        {key: column(0, key) for key in keys},
        {key: column(1, key) for key in keys},
        np.array([bool(row[0]["settled"]) for row in rows], dtype=bool),
        column(0, "peak_ratio"),
    )


def _row(finding: StepFinding) -> tuple[dict[str, float], dict[str, float]] | None:
    quantities = finding.quantities
    if not finding.window.found or finding.verdict == "tripped":
        return None
    phases = (
        quantities["phase_count"].value if "phase_count" in quantities else finding.step.settings.get("phase_count")
    )
    if phases is None or not float(phases) >= 1.0 or abs(float(phases) - round(float(phases))) > 0.02:
        return None
    lead = next((f"{finding.step.name}/{name}/statistics" for name in ("input_power", "package_power", "rail_current")
                 if name in quantities), "")  # fmt: skip
    mean, u = {"phases": float(round(float(phases)))}, {}
    for channel in (*CHANNELS, "input_voltage"):
        if channel in quantities:
            mean[channel] = quantities[channel].value
            u[channel] = own_u(quantities[channel], lead)
    if "rail_current" not in mean and "rail_power" in quantities and "rail_voltage" in mean:
        mean["rail_current"] = quantities["rail_power"].value / mean["rail_voltage"]
        u["rail_current"] = own_u(quantities["rail_power"], lead) / mean["rail_voltage"]
    settled = finding.window.settled
    for key, base in (("hot", "regulator_temperature"), ("coolant", "coolant_temperature")):
        name = hottest(quantities, base) or (hottest(quantities, "ambient_temperature") if key == "coolant" else None)
        if name is None:
            continue
        value = quantities[name]
        if not finding.window.settled and f"{name}_settled" in quantities:
            value, settled = quantities[f"{name}_settled"], True
        mean[key], u[key] = value.value, own_u(value, lead)
    mean["settled"] = settled and "hot" in mean and "coolant" in mean
    if "input_power" in quantities and "input_power_peak" in quantities and quantities["input_power"].value > 0.0:
        mean["peak_ratio"] = quantities["input_power_peak"].value / quantities["input_power"].value
    if not ({"rail_current", "package_power"} & set(mean)):
        return None
    return mean, u
