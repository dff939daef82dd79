"""From the uncertainty of the parameters to that of every figure of a setting.

First order (JCGM 100:2008, 5.1.2) at the most probable parameters, for figures that can only be positive in their
logarithm. Why not by drawing the parameters: docs/decisions, tangent instead of draws.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from phasewright.model.answering import answer
from phasewright.model.fitting import values_at
from phasewright.model.formula import excess_of
from phasewright.model.records import Fitted, Setting
from phasewright.quantity import Part, Value, value_from_parts

__all__ = ["STEP", "UNITS", "Spread", "moved_scores", "spread_of"]

UNITS = {
    "regulator_temperature": "degC", "regulator_rise": "K",
    "regulator_reading": "degC", "coolant_temperature": "degC",
    "conversion_loss": "W", "path_loss": "W", "loss": "W", "input_power": "W", "package_power": "W",
    "rail_power": "W", "rail_current": "A", "rail_voltage": "V", "input_current": "A", "contact_current": "A",
    "phase_current": "A", "stage_current": "A", "rail_current_peak": "A", "phase_current_peak": "A",
    "stage_current_peak": "A", "delivery_efficiency": "1", "conversion_efficiency": "1", "loop_gain": "1",
    "runaway_current": "A",
}  # fmt: skip
LOGARITHMIC = ("regulator_rise", "conversion_loss", "path_loss", "loop_gain", "runaway_current")
"""Figures whose logarithm is taken as normal. The temperature is coolant plus rise."""
SHARE_SPREAD = 1.0 / math.sqrt(12.0)
"""Standard deviation of a share that lies anywhere between 0 and 1."""
SEED = 20
"""Of the numbers that stand in where no generator is given: the same question gets the same answer."""
STEP = 1e-3
"""Of a standard score, for central differences."""


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Figures of one setting with their joint first-order distribution."""

    point: Mapping[str, float]
    """Most probable value of each figure, in its unit."""
    names: tuple[str, ...]
    slopes: np.ndarray
    """(figures, scores): change per standard score, of the logarithm for `LOGARITHMIC` figures."""
    root: np.ndarray
    """(scores, scores): covariance of the scores = root @ root.T."""

    def deviation(self, name: str) -> float:
        """Return the standard deviation of the figure, or of its logarithm."""
        row = self.slopes[self.names.index(name)] @ self.root
        return float(np.sqrt(row @ row))

    def interval(self, name: str, level: float) -> tuple[float, float]:
        """Return the interval of the figure that holds with probability `level`, in its unit."""
        if name in ("regulator_temperature", "regulator_reading"):
            # A rise is skewed; a coolant that is not known is not, and both may be uncertain.
            low, high = self.interval("regulator_rise", level)
            rise, point = self.point["regulator_rise"], self.point[name]
            more = NormalDist().inv_cdf(0.5 + 0.5 * level) * self.deviation("coolant_temperature")
            if name == "regulator_reading":
                # A rise that is read high was believed too low: what both share is gone from the reading.
                less = self.deviation(name) / max(self.deviation("regulator_temperature"), 1e-9)
                low, high, more = rise + (low - rise) * less, rise + (high - rise) * less, more * min(less, 1.0)
            return point - math.hypot(rise - low, more), point + math.hypot(high - rise, more)
        wide = NormalDist().inv_cdf(0.5 + 0.5 * level) * self.deviation(name)
        point = self.point[name]
        if name in LOGARITHMIC:
            return point * math.exp(-wide), point * math.exp(wide)
        return point - wide, point + wide

    def value(self, name: str) -> Value:
        """Return the figure as a Value; unknown where heat runs away."""
        point, unit = self.point[name], UNITS[name]
        spread = self.deviation(name)
        if not math.isfinite(point) or not math.isfinite(spread):
            return Value(point, unit, kind="extrapolated", reason="heat runs away: there is no settled state")
        u = spread * point if name in LOGARITHMIC else spread
        low, high = self.interval(name, 0.95)
        parts = [Part("model", u)] if u > 0.0 else []
        return replace(value_from_parts(point, unit, parts, kind="extrapolated"), low95=low, high95=high)

    def draw(self, draws: int, generator: np.random.Generator | None = None) -> dict[str, np.ndarray]:
        """Return draws of all figures together, (draws,) each; without `generator` from the same numbers every time."""
        # Figures are fewer than scores: a square root of their own covariance needs fewer numbers.
        root = np.linalg.qr((np.nan_to_num(self.slopes) @ self.root).T, mode="r")
        size = (draws, len(root))
        moved = (_kept_normals(*size) if generator is None else generator.standard_normal(size)) @ root
        found = {}
        for k, name in enumerate(self.names):
            point = self.point[name]
            found[name] = point * np.exp(moved[:, k]) if name in LOGARITHMIC else point + moved[:, k]
        found["regulator_temperature"] = found["coolant_temperature"] + found["regulator_rise"]
        return found


@lru_cache(maxsize=4)
def _kept_normals(draws: int, size: int) -> np.ndarray:
    """Return standard normal numbers (draws, size), drawn once: they cost more than all else of a draw."""
    return np.random.default_rng(SEED).standard_normal((draws, size))


def moved_scores(fitted: Fitted, setting: Setting) -> tuple[np.ndarray, np.ndarray, int]:
    """Return scores at the middle and moved up and down one by one, their root covariance, and whose is the excess.

    Scores (2 size + 1, size): those of the fit, then the excess of a phase count never seen, coolant, share of the
    fullest phase. Root (size, size). The last number says which score the excess of the setting's phase count has.
    """
    count, kept = len(fitted.prior.beliefs), len(fitted.score)
    seen = setting.phase_count in fitted.phase_counts
    size = kept + 3
    middle = np.concatenate([fitted.score, np.zeros(3)])
    moved = middle + STEP * np.concatenate([np.zeros((1, size)), np.eye(size), -np.eye(size)])
    root = np.zeros((size, size))
    root[:kept, :kept] = np.linalg.cholesky(fitted.covariance)
    root[kept:, kept:] = np.eye(3)
    return moved, root, count + fitted.phase_counts.index(setting.phase_count) if seen else kept


def spread_of(fitted: Fitted, setting: Setting) -> Spread:
    """Return every figure of `setting` with the first-order distribution that the parameters give it."""
    count = len(fitted.prior.beliefs)
    moved, root, at = moved_scores(fitted, setting)
    size = len(root)
    share = 0.5 + SHARE_SPREAD * moved[:, -1]
    p = values_at(fitted.prior, moved[:, :count])
    excess = excess_of(p, float(setting.phase_count), fitted.bench.regulator.phase_count, moved[:, at])
    found = answer(fitted, setting, p, excess, moved[:, -2], share)
    names = tuple(found)
    slopes = np.empty((len(names), size))
    with np.errstate(divide="ignore", invalid="ignore"):
        for k, name in enumerate(names):
            row = np.log(found[name]) if name in LOGARITHMIC else found[name]
            slopes[k] = (row[1 : size + 1] - row[size + 1 :]) / (2.0 * STEP)
    return Spread({name: float(found[name][0]) for name in names}, names, slopes, root)
