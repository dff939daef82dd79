"""Rounding for print: GUM (JCGM 100:2008) 7.2.6, at most two significant digits of the uncertainty, value to match."""

import math
import re

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from phasewright.quantity import Part, Value, number_text, to_text, value_from_parts

NORMAL95 = 1.959963984540054


def with_half(x, half, unit="W"):
    return value_from_parts(x, unit, [Part("source", half / NORMAL95)])


@pytest.mark.parametrize(
    ("x", "u", "text"),
    [
        # GUM 7.2.6: "if R = 10.057 62 ohm with u = 27 mohm, R should be rounded to 10.058 ohm" (from memory)
        (10.05762, 0.027, "10.058"),
        (100.02147, 0.00035, "100.02147"),
        (412.34, 2.13, "412.3"),
        (1.5, 0.0996, "1.50"),
        (12345.0, 678.0, "12340"),
        (12355.0, 678.0, "12360"),
        (-0.001, 0.3, "0.00"),
        (412.3456789, None, "412.346"),
        (0.000123456789, None, "0.000123457"),
        (1234567.89, None, "1234570"),
        (8.0, 0.0, "8"),
        (0.0, None, "0"),
        (math.nan, 1.0, "-"),
    ],
)
def test_number_is_rounded_to_its_uncertainty(x, u, text):
    assert number_text(x, u) == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (with_half(412.34, 2.1), None, "412.3 ± 2.1 W"),
        (with_half(12345.0, 678.0), None, "12340 ± 680 W"),
        (with_half(0.0024, 2.0e-5, "Ohm"), "mOhm", "2.400 ± 0.020 mΩ"),
        (with_half(3.6e9, 1.06e7, "J"), "kWh", "1000.0 ± 2.9 kWh"),
        (with_half(0.8512, 0.0078, "1"), "%", "85.12 ± 0.78 %"),
        (with_half(35.2, 0.59, "degC"), None, "35.20 ± 0.59 °C"),
        (with_half(35.0, 0.50, "degC"), "degF", "95.00 ± 0.90 °F"),
        (with_half(2.4e-8, 5.9e-10, "F"), None, "(24.00 ± 0.59)e-9 F"),
        (with_half(2.4e-8, 5.9e-10, "F"), "nF", "24.00 ± 0.59 nF"),
        (with_half(1.0e7, 2.0e6), None, "(10.0 ± 2.0)e6 W"),
        (with_half(12.0, 0.5, "EUR"), None, "12.00 ± 0.50 EUR"),
        (value_from_parts(8.0, "1", []), None, "8"),
        (Value(412.3456, "W", reason="the meter has no accuracy stated"), None, "412.3 ± ? W"),
        (Value(5.2, "W", 1.0, 4.1, 7.6), None, "5.2 (-1.1, +2.4) W"),
    ],
)
def test_value_with_interval(value, unit, text):
    assert to_text(value, unit) == text


def test_numpy_numbers_read_the_same():
    value = Value(np.float64(1.25), "W", np.float64(0.1), np.float64(1.05), np.float64(1.45))
    assert to_text(value) == "1.25 ± 0.20 W"


def test_a_unit_of_another_quantity_is_refused():
    with pytest.raises(ValueError, match="do not fit"):
        to_text(with_half(1.0, 0.1), "A")


@settings(deadline=None)
@given(st.floats(-1e9, 1e9), st.floats(1e-9, 1e9))
def test_two_digits_and_a_value_within_half_of_the_last(x, half):
    assume(half > 1e-12 * abs(x))  # the ends of the interval are doubles too
    text = to_text(with_half(x, half))
    found = re.fullmatch(r"\(?(-?[\d.]+) ± ([\d.]+)(?:\)e(-?\d+))? W", text)
    assert found, text
    scale = 10.0 ** int(found.group(3) or 0)
    shown, shown_half = float(found.group(1)) * scale, float(found.group(2)) * scale
    last = 10.0 ** (math.floor(math.log10(half) + 1e-12) - 1)
    assert abs(shown - x) <= 0.5 * last * 10.001 + 1e-12 * abs(x)
    assert shown_half == pytest.approx(half, rel=0.0501)
    digits = found.group(2).replace(".", "").lstrip("0")
    assert len(digits.rstrip("0")) <= 2
