"""The duty of what moves the coolant over the regulator's plate: fan in air, pump in liquid."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from phasewright.bench import Bench

if TYPE_CHECKING:
    from phasewright.model.records import Fitted, Setting

__all__ = ["duty_name", "duty_share", "usual_duty"]


def duty_name(bench: Bench) -> str:
    """Return the channel of that duty: fan_duty | pump_duty."""
    return "pump_duty" if bench.cooling.coolant == "liquid" else "fan_duty"


def usual_duty(duty: np.ndarray, weight: np.ndarray) -> float | None:
    """Return the `duty` (n,) at which most of the time was spent [1], `weight` (n,) as long; None = not known.

    Parameters of the way to the coolant are meant at this duty.
    """
    known = np.isfinite(duty) & (duty > 0.0) & (weight > 0.0)
    if not known.any():
        return None
    order = np.argsort(duty[known])
    share = np.cumsum(weight[known][order])
    return float(duty[known][order][np.searchsorted(share, 0.5 * share[-1])])


def duty_share(fitted: Fitted, setting: Setting) -> float:
    """Return the duty of `setting` as a share of the usual one [1]; NaN where either is not known."""
    duty = setting.pump_duty if duty_name(fitted.bench) == "pump_duty" else setting.fan_duty
    return float("nan") if duty is None or fitted.usual_duty is None else duty / fitted.usual_duty
