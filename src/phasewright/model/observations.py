"""What an analysis says that the model can learn from: one row for each steady window."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from phasewright.findings import Analysis, StepFinding
from phasewright.model.duty import duty_name
from phasewright.model.record import Grid
from phasewright.quantity import Value

__all__ = ["CHANNELS", "Steady", "take_steady", "with_balances"]

CHANNELS = ("input_power", "package_power", "rail_current", "rail_voltage")
SHARED = ("/gain", "/offset")
"""Endings of the sources that one instrument's readings share; the model has parameters of its own for them."""


@dataclass(frozen=True, slots=True, eq=False)
class Steady:
    """Steady windows as arrays (steps,); NaN = not known."""

    steps: tuple[str, ...]
    phases: np.ndarray
    mean: dict[str, np.ndarray]
    """By channel: mean reading; besides `CHANNELS` also hot, coolant, input_voltage and duty (of fan or pump)."""
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
        row = _row(finding, duty_name(analysis.bench))
        if row is not None:
            rows.append(row)
            names.append(finding.step.name)
    keys = (*CHANNELS, "hot", "coolant", "input_voltage", "duty")

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


def _row(finding: StepFinding, duty: str) -> tuple[dict[str, float], dict[str, float]] | None:
    quantities = finding.quantities
    if not finding.window.found or finding.verdict == "tripped":
        return None
    phases = (
        quantities["phase_count"].value if "phase_count" in quantities else finding.step.settings.get("phase_count")
    )
    if phases is None or not float(phases) >= 1.0 or abs(float(phases) - round(float(phases))) > 0.02:
        return None
    known = quantities[duty].value if duty in quantities else finding.step.settings.get(duty)
    lead = next((f"{finding.step.name}/{name}/statistics" for name in ("input_power", "package_power", "rail_current")
                 if name in quantities), "")  # fmt: skip
    mean, u = {"phases": float(round(float(phases)))}, {}
    if known is not None:
        mean["duty"] = float(known)
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


def with_balances(steady: Steady, grid: Grid) -> Steady:
    """Return `steady` with the power balances of what no window covers: idle between steps, steps without a window.

    Idle tells what is drawn at hardly any load, and so keeps offsets and fixed losses apart from gains.
    """
    blocks = [block for first, past in grid.stretches for block in _blocks(grid, first, past)]
    rows = [row for block in blocks if (row := _balance(grid, block)) is not None]
    if not rows:
        return steady

    def joined(old: np.ndarray, key: str, which: int) -> np.ndarray:
        return np.concatenate([old, [row[which].get(key, math.nan) for row in rows]])

    return Steady(
        (*steady.steps, *("" for _ in rows)),
        joined(steady.phases, "phases", 0),
        {key: joined(old, key, 0) for key, old in steady.mean.items()},
        {key: joined(old, key, 1) for key, old in steady.u.items()},
        np.concatenate([steady.settled, np.zeros(len(rows), dtype=bool)]),
        joined(steady.peak_ratio, "none", 0),
    )


IDLE_EDGE = 2
"""Cells beside an edge of the load that are left out of a balance."""
LEAST_CELLS = 3
UNEVEN = 0.25
"""[1] Relative scatter of the load beyond which its mean square is not the square of its mean."""


def _blocks(grid: Grid, first: int, past: int) -> list[slice]:
    """Return the runs of cells of one stretch that belong to no step, without their ends."""
    free = grid.planned[first:past] < 0
    change = np.flatnonzero(np.diff(np.concatenate([[False], free, [False]]).astype(int)))
    runs = zip(change[::2].tolist(), change[1::2].tolist(), strict=True)
    return [slice(first + a + IDLE_EDGE, first + b - IDLE_EDGE) for a, b in runs
            if b - a >= 2 * IDLE_EDGE + LEAST_CELLS]  # fmt: skip


def _balance(grid: Grid, block: slice) -> tuple[dict[str, float], dict[str, float]] | None:
    drawn = grid.drawn[block]
    load = grid.current[block] if np.isfinite(grid.current[block]).all() else grid.package[block]
    phases = grid.phases[block]
    if not np.isfinite(drawn).all() or np.ptp(phases) > 0.0 or load.std() > UNEVEN * load.mean():
        return None
    # Clocks that are off by a few hundredths of a second show in a mean of few cells.
    own = 0.2 + 0.1 * float(drawn.std()) / math.sqrt(drawn.size)
    mean = {"phases": float(phases[0])} | {
        name: float(np.average(values[block], weights=grid.width[block]))
        for name, values in (
            ("input_power", grid.drawn),
            ("rail_current", grid.current),
            ("rail_voltage", grid.voltage),
            ("package_power", grid.package),
            ("hot", grid.hot),
            ("coolant", grid.coolant),
            ("duty", grid.duty),
        )
    }
    return mean, {"input_power": own, "package_power": own, "rail_current": 0.0}
