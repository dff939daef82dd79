"""Formulas of nature and of parts as plain functions on SI numbers.

Takes: SI numbers, arrays.
Gives: SI numbers, arrays; each formula's range.
May import: nothing of ours (numpy only).
May touch: nothing.
Asks: would it be true on any bench?
"""

__all__: list[str] = []
