"""How numbers and names are said to people: display units, rounding, titles."""

from __future__ import annotations

import math
from collections.abc import Sequence

from phasewright.bench import CHANNELS, base_channel
from phasewright.quantity import Value
from phasewright.report.escaping import clean

MINUS = "\u2212"
THIN = "\u202f"
"""Narrow no-break space between a number and its unit, and between thousands."""

_DISPLAY: dict[str, tuple[str, float]] = {
    "degC": ("°C", 1.0),
    "Ohm": ("mΩ", 1e3),
    "J": ("kWh", 1.0 / 3.6e6),
    "1": ("", 1.0),
    "%": ("%", 1.0),
    "K/W": ("K/W", 1.0),
    "m3/s": ("l/min", 6e4),
}
_TITLES: dict[str, str] = {
    "loss": "Loss",
    "delivery_efficiency": "Delivery efficiency",
    "conversion_efficiency": "Conversion efficiency",
    "phase_current": "Current per phase",
    "stage_current": "Current per stage",
    "contact_current": "Current per contact",
    "regulator_rise": "Regulator rise",
    "thermal_resistance": "Thermal resistance",
}
_SHARES = ("efficiency", "duty", "share", "probability", "active")


def is_share(name: str) -> bool:
    """Tell whether a dimensionless quantity is said in percent."""
    return any(word in name for word in _SHARES)


def quantity_title(name: str) -> str:
    """Return what people read for a quantity: ``regulator_temperature.left_peak`` -> Regulator temperature, left, peak."""
    stem, peak = (name[: -len("_peak")], ", peak") if name.endswith("_peak") else (name, "")
    base, _, label = stem.partition(".")
    if base in _TITLES:
        title = _TITLES[base]
    elif base in CHANNELS:
        title = base_channel(base).title
    else:
        title = clean(base.replace("_", " ")).capitalize()
    return title + (f", {clean(label)}" if label else "") + peak


def display_unit(unit: str, name: str = "") -> tuple[str, float]:
    """Return the unit that people read and the factor from SI: ``("1", "delivery_efficiency")`` -> ("%", 100)."""
    if unit in ("1", "") and is_share(name):
        return "%", 100.0
    return _DISPLAY.get(unit, (clean(unit, 20), 1.0))


def axis_title(name: str, unit: str) -> str:
    """Return an axis or column title, quantity / unit (division form of NIST SP 811, 7.1)."""
    shown = display_unit(unit, name)[0]
    return f"{quantity_title(name)} / {shown}" if shown else quantity_title(name)


def half_width(value: Value) -> float | None:
    """Return the half-width of the 95 % interval in the value's unit; None where unknown."""
    if value.low95 is None or value.high95 is None:
        return None
    return 0.5 * (value.high95 - value.low95)


def decimals(half: float | None, number: float) -> int:
    """Return how many decimals to print: at most two significant digits of the half-width (GUM 7.2.6)."""
    size = half if half and math.isfinite(half) and half > 0.0 else 0.02 * abs(number)
    if size == 0.0 or not math.isfinite(size):
        return 1
    exponent = math.floor(math.log10(size))
    if round(size / 10.0**exponent, 1) >= 10.0:
        exponent += 1
    return max(0, 1 - exponent) if exponent < 1 else 0


def plain(number: float, places: int) -> str:
    """Return a number with a true minus sign; thousands are parted from 10 000 on."""
    if not math.isfinite(number):
        return "–"
    text = f"{abs(number):,.{places}f}"
    text = text.replace(",", THIN if abs(number) >= 1e4 else "")
    return (MINUS if number < 0 and float(f"{number:.{places}f}") != 0.0 else "") + text


def shared_decimals(values: Sequence[Value], name: str = "") -> int | None:
    """Return the decimals with which a column of values lines up; None where no one number suits them all.

    The widest interval decides, so none shows more than two significant digits; where the narrowest would then vanish
    each value keeps its own.
    """
    known = [(abs(half * display_unit(v.unit, name)[1]), v.value * display_unit(v.unit, name)[1]) for v in values
             if v.kind != "set" and (half := half_width(v)) is not None and half > 0.0]
    if not known:
        return None
    fewest = min(decimals(half, number) for half, number in known)
    return fewest if all(half >= 0.95 * 10.0**-fewest for half, _ in known) else None


def pair_text(value: Value, name: str = "", places: int | None = None) -> tuple[str, str]:
    """Return (number, half-width of the 95 % interval) in display units, '' where the uncertainty is unknown."""
    factor = display_unit(value.unit, name)[1]
    half = half_width(value)
    scaled = None if half is None else abs(half * factor)
    number = value.value * factor
    places = decimals(scaled, number) if places is None else places
    if value.kind == "set" or scaled == 0.0:
        return (plain(number, 0) if number == round(number) else f"{number:g}"), ""
    return plain(number, places), "" if scaled is None else plain(scaled, places)


def number_text(value: Value, name: str = "", *, unit: bool = True) -> str:
    """Return a value for running text: ``412.3 ± 2.1 W``, the ± being the 95 % half-width."""
    number, half = pair_text(value, name)
    sign = display_unit(value.unit, name)[0] if unit else ""
    text = f"{number} ± {half}" if half else number
    return f"{text}{THIN}{sign}" if sign else text


def clock_text(seconds: float) -> str:
    """Return a time on the reference clock as minutes and seconds, ``12:05``; hours when needed."""
    whole = int(round(seconds))
    sign, whole = (MINUS, -whole) if whole < 0 else ("", whole)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{sign}{hours}:{minutes:02d}:{left:02d}" if hours else f"{sign}{minutes}:{left:02d}"


def setting_text(name: str, value: float | str) -> str:
    """Return one setting for people, ``phase count 8`` or ``protection phase current 52 A``."""
    if isinstance(value, str):
        return clean(value, 60)
    title = clean(name.replace("_", " "))
    if name in CHANNELS:
        unit, factor = display_unit(CHANNELS[name].unit, name)
    else:
        unit, factor = _setting_unit(name)
    number = value * factor
    shown = plain(number, 0) if abs(number - round(number)) < 1e-9 else f"{number:.4g}"
    return f"{title} {shown}{THIN}{unit}" if unit else f"{title} {shown}"


def _setting_unit(name: str) -> tuple[str, float]:
    for ending, unit, factor in (("current", "A", 1.0), ("temperature", "°C", 1.0), ("power", "W", 1.0),
                                 ("voltage", "V", 1.0), ("duty", "%", 100.0), ("trip", "°C", 1.0),
                                 ("warning", "°C", 1.0), ("frequency", "kHz", 1e-3)):
        if name.endswith(ending):
            return unit, factor
    return "", 1.0
