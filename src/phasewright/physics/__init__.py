"""Formulas of nature and of parts as plain functions on SI numbers.

Takes: SI numbers, arrays.
Gives: SI numbers, arrays; each formula's range.
May import: nothing of ours (numpy only).
May touch: nothing.
Asks: would it be true on any bench?
"""

from phasewright.physics.connectors import contact_current, contact_heat, contact_power
from phasewright.physics.delivery import (
    conversion_efficiency,
    delivery_efficiency,
    extra_input_power,
    loss_from_efficiency,
    loss_of,
    loss_ratio,
    loss_u,
    loss_worst_error,
)
from phasewright.physics.energy import cost_of, energy_per_year
from phasewright.physics.sharing import greatest_phase_current, phase_current, total_protection
from phasewright.physics.thermal import thermal_resistance
from phasewright.physics.validity import Bound, Formula, formula, out_of_range

__all__ = [
    "Bound",
    "Formula",
    "contact_current",
    "contact_heat",
    "contact_power",
    "conversion_efficiency",
    "cost_of",
    "delivery_efficiency",
    "energy_per_year",
    "extra_input_power",
    "formula",
    "greatest_phase_current",
    "loss_from_efficiency",
    "loss_of",
    "loss_ratio",
    "loss_u",
    "loss_worst_error",
    "out_of_range",
    "phase_current",
    "thermal_resistance",
    "total_protection",
]
