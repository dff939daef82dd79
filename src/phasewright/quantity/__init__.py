"""Numbers with unit and uncertainty.

Takes: numbers, functions, text with a unit.
Gives: Value, propagate, fit_least_squares, parse_quantity, to_text.
May import: nothing of ours.
May touch: nothing.
Asks: is it about numbers as such?
"""

from phasewright.quantity.fitting import Fit, fit_least_squares
from phasewright.quantity.propagation import (
    coverage_factor,
    difference,
    propagate,
    ratio,
    value_from_parts,
)
from phasewright.quantity.sampling import monte_carlo
from phasewright.quantity.series import SeriesMean, effective_count, series_mean
from phasewright.quantity.text import number_text, to_text
from phasewright.quantity.units import base_unit, convert, parse_quantity, unit_symbol
from phasewright.quantity.value import Part, Value

__all__ = [
    "Fit",
    "Part",
    "SeriesMean",
    "Value",
    "base_unit",
    "convert",
    "coverage_factor",
    "difference",
    "effective_count",
    "fit_least_squares",
    "monte_carlo",
    "number_text",
    "parse_quantity",
    "propagate",
    "ratio",
    "series_mean",
    "to_text",
    "unit_symbol",
    "value_from_parts",
]
