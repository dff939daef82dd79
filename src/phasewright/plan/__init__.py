"""What to test next: which steps, in which order, for how long, and whether it is wise to begin.

Takes: Bench, steps wanted, Fitted.
Gives: Plan, Readiness (go or no-go with reasons), the usable band of each protection, the start marker.
May import: model, findings, logs, physics, bench, quantity.
May touch: nothing (random generators are passed in).
Asks: is it a step to be run, or a reason not to run it?
"""

from phasewright.plan.band import protection_band
from phasewright.plan.marker import Marker, start_marker
from phasewright.plan.order import matrix, order_steps, update_plan
from phasewright.plan.readiness import preflight
from phasewright.plan.records import (
    READINESS,
    Conditions,
    Forecast,
    Plan,
    PlanCaution,
    PlannedStep,
    ProtectionBand,
    Readiness,
    Severity,
    Stop,
    Workload,
)
from phasewright.plan.rows import ROW_HEADS, PlanRow, plan_rows, plan_steps, plan_text

__all__ = [
    "READINESS",
    "ROW_HEADS",
    "Conditions",
    "Forecast",
    "Marker",
    "Plan",
    "PlanCaution",
    "PlanRow",
    "PlannedStep",
    "ProtectionBand",
    "Readiness",
    "Severity",
    "Stop",
    "Workload",
    "matrix",
    "order_steps",
    "plan_rows",
    "plan_steps",
    "plan_text",
    "preflight",
    "protection_band",
    "start_marker",
    "update_plan",
]
