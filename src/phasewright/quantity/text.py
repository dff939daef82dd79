"""Numbers as text, rounded as their uncertainty allows."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import Protocol

from phasewright.quantity.units import convert

_SHOWN = {
    "1": "",
    "degC": "°C",
    "degF": "°F",
    "Ohm": "Ω",
    "nOhm": "nΩ",
    "uOhm": "µΩ",
    "mOhm": "mΩ",
    "kOhm": "kΩ",
    "MOhm": "MΩ",
    "m2": "m²",
    "mm2": "mm²",
    "cm2": "cm²",
    "m3/s": "m³/s",
    "m3/h": "m³/h",
    "W/(m.K)": "W/(m·K)",
    "W/m2": "W/m²",
    "W/cm2": "W/cm²",
}
_MICRO = ("uW", "uV", "uA", "us", "uH", "uF", "uC", "uJ", "um", "A/us", "V/us", "mV/us")
_SHOWN |= {symbol: symbol.replace("u", "µ") for symbol in _MICRO}

_DIGITS = Context(prec=700, rounding=ROUND_HALF_EVEN)  # a double has at most 633 places before and after the point
_MOST_PLACES = 6  # more decimals, or a last digit above the hundreds, are written with a power of ten


def number_text(x: float, u: float | None) -> str:
    """Return `x` rounded to the second significant digit of `u` ("412.34", 2.13 -> "412.3").

    With `u` None or 0 the number keeps six significant digits and loses trailing zeros. Halves go to the even digit, on
    the decimal number that the double prints as. A number that is not finite is shown as "-".
    """
    if not math.isfinite(x):
        return "-"
    if u is None or not math.isfinite(u) or u <= 0.0:
        plain = _fixed(x, 5 - _order(x)) if x else "0"
        return plain.rstrip("0").rstrip(".") if "." in plain else plain
    return _fixed(x, _places(u))


class Figure(Protocol):
    """What is said of a `Value` here; `Value` itself says itself in words and so cannot be imported."""

    @property
    def value(self) -> float: ...
    @property
    def unit(self) -> str: ...
    @property
    def u(self) -> float | None: ...
    @property
    def low95(self) -> float | None: ...
    @property
    def high95(self) -> float | None: ...


def to_text(value: Figure, unit: str | None = None) -> str:
    """Return a value with half its 95 % interval and its unit: "412.3 ± 2.1 W".

    Two significant digits of the interval, and the value rounded to match (GUM 7.2.6 allows at most two). `unit` shows
    it in another unit of the same quantity ("mOhm", "kWh", "%"). An interval that is not symmetric is written with both
    sides: "5.2 (-1.1, +2.4) W". Exact values stand alone; an unknown interval is a question mark after four digits:
    "412.3 ± ? W". Raises ValueError for a unit that does not fit.
    """
    shown = value.unit if unit is None else unit
    x = _converted(value.value, value.unit, shown)
    symbol = _SHOWN.get(shown, shown)
    if value.u is None or value.low95 is None or value.high95 is None:
        return _joined(f"{_unsure(x)} ± ?", symbol)
    low, high = _converted(value.low95, value.unit, shown), _converted(value.high95, value.unit, shown)
    half = 0.5 * (high - low)
    if not half > 0.0:
        return _joined(number_text(x, None), symbol)
    places = _places(half)
    power = 0
    if not -3 <= places <= _MOST_PLACES:
        power = 3 * math.floor(max(_order(half), _order(x) if x else -400) / 3)
        places += power
        x, low, high = (float(Decimal(n).scaleb(-power, _DIGITS)) for n in (x, low, high))
        half = 0.5 * (high - low)
    lopsided = abs((high - x) - (x - low)) > 0.1 * half + 1e-15 * abs(x)  # rounding of the ends is no lop
    if lopsided:
        text = f"{_fixed(x, places)} (-{_fixed(x - low, places)}, +{_fixed(high - x, places)})"
    else:
        text = f"{_fixed(x, places)} ± {_fixed(half, places)}"
    if power:
        text = f"({text})e{power}"
    return _joined(text, symbol)


def _unsure(x: float) -> str:
    """Return four significant digits: what nobody knows the uncertainty of deserves no more."""
    if not math.isfinite(x):
        return "-"
    plain = _fixed(x, 3 - _order(x)) if x else "0"
    return plain.rstrip("0").rstrip(".") if "." in plain else plain


def _converted(x: float, from_unit: str, to_unit: str) -> float:
    return float(x if from_unit == to_unit else convert(x, from_unit, to_unit))


def _joined(number: str, symbol: str) -> str:
    return f"{number} {symbol}" if symbol else number


def _order(x: float) -> int:
    """Return the power of ten of the first digit of `x` (not 0)."""
    return Decimal(repr(abs(float(x)))).adjusted()


def _places(u: float) -> int:
    """Return how many decimals show two significant digits of `u`, after rounding (0.0996 is 0.10)."""
    places = 1 - _order(u)
    rounded = Decimal(repr(float(u))).quantize(Decimal(1).scaleb(-places), context=_DIGITS)
    return places - 1 if rounded.adjusted() > 1 - places else places


def _fixed(x: float, places: int) -> str:
    """Return `x` with `places` decimals, or rounded to tens and hundreds where `places` is negative; no "-0.0"."""
    rounded = Decimal(repr(float(x))).quantize(Decimal(1).scaleb(-places), context=_DIGITS)
    if not rounded:
        rounded = abs(rounded)
    return f"{rounded:f}"
