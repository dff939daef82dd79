"""Which of the steps that are wise would teach most about the others."""

from __future__ import annotations

import math
from collections.abc import Sequence

from phasewright.model import Fitted
from phasewright.plan.records import Forecast

__all__ = ["most_taught"]


def most_taught(fitted: Fitted, candidates: Sequence[Forecast], open_steps: Sequence[Forecast]) -> tuple[str, str]:
    """Return the name of the candidate that would teach most, and why in a sentence; '' when there is none."""
    known = [(_half(item), item) for item in candidates if math.isfinite(_half(item))]
    if not known:
        return "", "No step is left whose outcome can be foreseen."
    half, step = max(known, key=lambda pair: pair[0])
    return step.step.name, f"{step.step.name} would teach most: its temperature is known to +-{half:.0f} K only."


def _half(forecast: Forecast) -> float:
    value = forecast.quantities.get("regulator_temperature")
    if value is None or value.low95 is None or value.high95 is None:
        return math.nan
    return 0.5 * (value.high95 - value.low95)
