"""Numbers with unit and uncertainty.

Takes: numbers, functions, text with a unit.
Gives: Value, propagate, fit_least_squares, parse_quantity, to_text.
May import: nothing of ours.
May touch: nothing.
Asks: is it about numbers as such?
"""

from __future__ import annotations

import typing as _typing

from phasewright.quantity.coverage import coverage_factor
from phasewright.quantity.propagation import (
    correlation,
    difference,
    propagate,
    ratio,
    value_from_parts,
    values_from_covariance,
)
from phasewright.quantity.text import number_text, to_text
from phasewright.quantity.units import base_unit, convert, parse_quantity, unit_symbol
from phasewright.quantity.value import Part, Value

if _typing.TYPE_CHECKING:
    from phasewright.quantity.fitting import Fit, fit_least_squares
    from phasewright.quantity.sampling import monte_carlo
    from phasewright.quantity.series import SeriesMean, effective_count, series_mean
    from phasewright.quantity.timing import TwoWay, delay_bound, rate_bound, two_way_offset
    from phasewright.quantity.wander import Wander, learn_wander

__all__ = [
    "Fit",
    "Part",
    "SeriesMean",
    "TwoWay",
    "Value",
    "Wander",
    "base_unit",
    "convert",
    "correlation",
    "coverage_factor",
    "delay_bound",
    "difference",
    "effective_count",
    "fit_least_squares",
    "learn_wander",
    "monte_carlo",
    "number_text",
    "parse_quantity",
    "propagate",
    "rate_bound",
    "ratio",
    "series_mean",
    "to_text",
    "two_way_offset",
    "unit_symbol",
    "value_from_parts",
    "values_from_covariance",
]

_LATER = {
    "Fit": "fitting",
    "fit_least_squares": "fitting",
    "monte_carlo": "sampling",
    "SeriesMean": "series",
    "effective_count": "series",
    "series_mean": "series",
    "TwoWay": "timing",
    "delay_bound": "timing",
    "rate_bound": "timing",
    "two_way_offset": "timing",
    "Wander": "wander",
    "learn_wander": "wander",
}
"""What needs numpy is loaded when it is first asked for, so that commands which only read text start at once."""


def __getattr__(name: str) -> object:
    if name not in _LATER:
        raise AttributeError(f"phasewright.quantity has no {name!r}")
    from importlib import import_module

    thing = getattr(import_module(f"phasewright.quantity.{_LATER[name]}"), name)
    globals()[name] = thing
    return thing
