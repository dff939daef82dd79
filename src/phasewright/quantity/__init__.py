"""Numbers with unit and uncertainty.

Takes: numbers, functions, text with a unit.
Gives: Value, propagate, fit_least_squares, parse_quantity, to_text.
May import: nothing of ours.
May touch: nothing.
Asks: is it about numbers as such?
"""

from phasewright.quantity.value import Part, Value

__all__ = ["Part", "Value"]
