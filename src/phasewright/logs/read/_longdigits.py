"""Many numbers of up to 19 digits at once, as computers print them in full, each the nearest double.

The digits fit one 64-bit word, not one double. Quotient (or product) by the power of ten and what is left of it are
computed in doubles without error (T. J. Dekker, A floating-point technique for extending the available precision,
Numer. Math. 18 (1971) 224-242); the sum rounds to the nearest double unless it lies within the error of the correction
of a midpoint, and then the law reads the cell.
"""

from __future__ import annotations

import numpy as np

from ._blocktools import has
from ._digits import whole_number

_SPLIT = 134217729.0  # 2**27 + 1
_POWERS = 10.0 ** np.arange(23)
_SLACK = 2.0**-50
"""Bound on the relative error of the correction: four roundings of 2**-53 each, doubled."""


def _halves(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return x as the sum of two numbers of 26 bits each, exactly."""
    c = _SPLIT * x
    high = c - (c - x)
    return high, x - high


_POWER_HIGH, _POWER_LOW = _halves(_POWERS)


def read_long(
    data: np.ndarray, words: np.ndarray, start: np.ndarray, stop: np.ndarray, mark: int, marks: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return (values float64 (n,), good) of cells data[start:stop] with up to 19 digits and an exponent.

    `mark` is the byte of the decimal mark, `marks` are the places of all of them, int64 rising.
    """
    negative = data[start] == 45
    start = start + has(data, start, b"+-")
    digits_stop, power, good = _exponents(data, words, start, stop)
    at = np.searchsorted(marks, start)
    point = marks[np.minimum(at, len(marks) - 1)] if len(marks) else np.zeros_like(start)
    pointed = (point >= start) & (point < digits_stop)
    point = np.where(pointed, point, start)
    count = np.where(pointed, point - start, 0)
    good &= count <= 8
    whole, fine = whole_number(words, point, np.where(good, count, 0))
    good &= fine
    begin = np.where(pointed, point + 1, start)
    places = digits_stop - begin
    good &= (places >= 0) & (places <= 19) & (places + count > 0)
    places = np.where(good, places, 0)
    parts = []
    for skip, most in ((0, 8), (8, 8), (16, 3)):
        value, fine = whole_number(words, digits_stop - skip, np.clip(places - skip, 0, most))
        good &= fine
        parts.append(value.astype(np.uint64))
    fraction = parts[0] + parts[1] * np.uint64(10**8) + parts[2] * np.uint64(10**16)
    size = whole.astype(np.float64) * _POWERS[places]
    good &= size < 1.7e19
    # Whole numbers with a leading zero may be octal: the law decides.
    good &= pointed | (data[start] != 48)
    digits = np.where(good, whole, 0).astype(np.uint64) * (np.uint64(10) ** places.astype(np.uint64)) + fraction
    shift = power - np.where(pointed, places, 0)
    good &= np.abs(shift) <= 22
    values, sure = _scaled(digits, np.where(good, shift, 0))
    good &= sure & (values < 9e37)
    np.negative(values, out=values, where=negative)
    return values, good


def _exponents(data, words, start, stop):
    """Return (stop of the digits, exponent, good) of numbers with or without e and one to three digits."""
    digits_stop, power = stop.copy(), np.zeros(len(stop), dtype=np.int64)
    good = np.ones(len(stop), dtype=bool)
    open_ = np.ones(len(stop), dtype=bool)
    for width in (2, 3, 4, 5):
        at = stop - width
        letter = open_ & ((data[at] | 32) == 101) & (at > start)
        if not letter.any():
            continue
        open_ &= ~letter
        sign = data[at + 1]
        signed = letter & ((sign == 43) | (sign == 45))
        count = np.where(letter, width - 1 - signed, 0)
        value, fine = whole_number(words, stop, np.maximum(count, 0))
        good &= ~letter | (fine & (count > 0))
        power = np.where(letter, np.where(signed & (sign == 45), -value, value), power)
        digits_stop = np.where(letter, at, digits_stop)
    return digits_stop, power, good


def _scaled(digits: np.ndarray, shift: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (digits x 10**shift as the nearest double, sure), uint64 (n,) and |shift| at most 22."""
    high = digits.astype(np.float64)
    low = (digits - high.astype(np.uint64)).view(np.int64).astype(np.float64)
    scale = np.abs(shift)
    power, power_high, power_low = _POWERS[scale], _POWER_HIGH[scale], _POWER_LOW[scale]
    down = shift < 0
    first = np.where(down, high / power, high)
    first_high, first_low = _halves(first)
    product = first * power
    error = (
        (first_high * power_high - product) + first_high * power_low + first_low * power_high
    ) + first_low * power_low
    correction = np.where(down, (((high - product) - error) + low) / power, error + low * power)
    value = np.where(down, first, product)
    lower, upper = value + correction * (1 - _SLACK), value + correction * (1 + _SLACK)
    return lower, lower == upper
