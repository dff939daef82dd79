"""The thermal cross-check: heat cannot lie, so rise against computed loss finds a wrong power gain."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from phasewright.findings.records import Check, StepFinding
from phasewright.quantity import Part, Value, to_text, value_from_parts

__all__ = ["check_thermal"]

LEAST_STEPS = 6
LEAST_COUNTS = 3
COUPLING_U = 0.02
"""[1] What 2 % of the processor's heat reaching the regulator would shift the gain by."""
WORTH_A_DOUBT = 0.05
"""[1] Departure of the gain from one, beyond its interval and the coupling, that is worth a doubt."""

NEEDS = (
    f"the thermal cross-check needs {LEAST_STEPS} settled steps over {LEAST_COUNTS} phase counts with input power, "
    "delivered power and regulator rise"
)


def check_thermal(findings: Sequence[StepFinding]) -> Check:
    """Fit rise = (a / phases + b) (input power - gain x delivered power) over settled steps and look at the gain.

    The rise over the coolant is in proportion to the heat that the regulator makes. If delivered power reads high by
    a gain, the computed loss is too small in proportion to load, not to heat, and only the right gain makes one
    thermal path fit all steps. Heat that reaches the sensor from the processor shifts the result, so it is a flag
    and never a correction.
    """
    rows = []
    for finding in findings:
        quantities = finding.quantities
        output = quantities.get("rail_power") or quantities.get("package_power")
        needed = [quantities.get(name) for name in ("input_power", "regulator_rise", "phase_count")]
        if not finding.window.settled or output is None or any(value is None for value in needed):
            continue
        power, rise, count = (value for value in needed if value is not None)
        own = math.sqrt(sum(p.contribution**2 for p in rise.parts if not p.source.endswith(("/gain", "/offset"))))
        rows.append((power.value, output.value, rise.value, count.value, max(own, 0.05)))
    if len(rows) < LEAST_STEPS or len({row[3] for row in rows}) < LEAST_COUNTS:
        return Check("thermal", "not checked", f"{NEEDS}; there are {len(rows)} over {len({row[3] for row in rows})}")
    gain = _fit_gain(np.array(rows))
    if gain is None:
        return Check(
            "thermal", "not checked", "the thermal cross-check does not converge: the steps are too much alike"
        )
    which = "rail power" if any("rail_power" in item.quantities for item in findings) else "package power"
    caveat = "a flag only: heat that reaches the sensor from the processor shifts it, 2 % of that heat by 0.02"
    sentence = f"by heat alone, true {which} is {to_text(gain)} times the reading ({len(rows)} settled steps); {caveat}"
    numbers: dict[str, Value | float | str] = {"gain": gain, "steps": float(len(rows))}
    half = 0.5 * (gain.high95 - gain.low95) if gain.low95 is not None and gain.high95 is not None else math.inf
    if abs(gain.value - 1.0) - half > WORTH_A_DOUBT:
        direction = "high" if gain.value < 1.0 else "low"
        return Check("thermal", "doubt", f"{which} seems to read {direction}: {sentence}", numbers)
    return Check("thermal", "passed", sentence, numbers)


def _fit_gain(rows: np.ndarray) -> Value | None:
    """Return true power / reading [1] from rows (n, 5) of input power, delivered power, rise, phases, u of the rise."""
    # scipy's optimizer is loaded only by campaigns that have enough steps for it.
    from phasewright.quantity import fit_least_squares

    power, output, rise, phases, own = rows.T

    def residuals(p: np.ndarray) -> np.ndarray:
        model = (p[0] / phases + p[1]) * (power - p[2] * output)
        return (rise - model) / own

    heat = float(np.mean(power - 0.95 * output))
    scale = float(np.mean(rise)) / heat if heat > 0.0 else 0.1
    start = [0.5 * scale * float(np.mean(phases)), 0.5 * scale, 0.97]
    fit = fit_least_squares(
        residuals, start, names=("stage", "plate", "gain"), low=[0.0, 0.0, 0.3], high=[1e3, 1e2, 1.7]
    )
    if not fit.converged or fit.at_bound[2] or fit.u[2] is None or not math.isfinite(fit.u[2]) or fit.u[2] > 0.2:
        return None
    parts = [
        Part("thermal check/fit", float(fit.u[2]), "student", max(float(fit.dof), 1.0)),
        Part("thermal check/coupling", COUPLING_U),
    ]
    return value_from_parts(float(fit.values[2]), "1", parts)
