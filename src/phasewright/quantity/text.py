"""Numbers as text."""

from __future__ import annotations

import math

from phasewright.quantity.units import convert
from phasewright.quantity.value import Value

_DISPLAY = {"degC": "°C", "1": ""}


def number_text(x: float, u: float | None) -> str:
    """Return `x` rounded to the two significant digits of `u`."""
    if u is None or not math.isfinite(u) or u <= 0:
        return f"{x:.6g}"
    places = 1 - math.floor(math.log10(u))
    return f"{round(x, places):.{max(places, 0)}f}"


def to_text(value: Value, unit: str | None = None) -> str:
    """Return "412.3 ± 2.1 W": the value and half its 95 % interval."""
    shown = unit or value.unit
    x = convert(value.value, value.unit, shown)
    symbol = _DISPLAY.get(shown, shown)
    if value.u is None or value.low95 is None or value.high95 is None:
        return f"{x:.6g} {symbol}".rstrip()
    half = 0.5 * (convert(value.high95, value.unit, shown) - convert(value.low95, value.unit, shown))
    return f"{number_text(x, half)} ± {number_text(half, half)} {symbol}".rstrip()
