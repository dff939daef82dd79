"""How numbers and names are said to people: display units, rounding, titles."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

from phasewright.bench import CHANNELS, base_channel
from phasewright.limits import figure_title, shown_unit
from phasewright.quantity import Value, convert
from phasewright.report.escaping import clean

MINUS = "\u2212"
THIN = "\u202f"
"""Narrow no-break space between a number and its unit, and between thousands."""

_DISPLAY: dict[str, tuple[str, float]] = {
    "degC": ("°C", 1.0),
    "Ohm": ("mΩ", 1e3),
    "J": ("kWh", 1.0 / 3.6e6),
    "1": ("", 1.0),
    "1/K": ("%/K", 100.0),
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
    "regulator_rise_over_ambient": "Regulator rise over room air",
    "thermal_resistance": "Thermal resistance",
    "path_loss": "Loss in cables and connectors",
    "conversion_loss": "Loss of the regulator",
    "loop_gain": "Heat that heat brings, K for each K",
    "runaway_current": "Rail current at which heat runs away",
}
_SMALL = {
    "output_ripple": ("mV", 1e3), "droop": ("mV", 1e3), "overshoot": ("mV", 1e3), "settling_time": ("µs", 1e6),
}  # fmt: skip
"""Figures that people read in a thousandth or a millionth of the SI unit."""
_SHARES = ("efficiency", "duty", "share", "probability", "active")


def is_share(name: str) -> bool:
    """Tell whether a dimensionless quantity is said in percent."""
    return any(word in name for word in _SHARES)


def quantity_title(name: str) -> str:
    """Return what people read: ``regulator_temperature.left_peak`` -> Regulator temperature, left, peak."""
    stem, peak = name, ""
    for ending, said in (("_peak", ", peak"), ("_settled", ", settled"), ("_greatest", ", greatest")):
        if name.endswith(ending):
            stem, peak = name.removesuffix(ending), said
    base, _, label = stem.partition(".")
    if base in _TITLES:
        title = _TITLES[base]
    elif base in CHANNELS:
        title = base_channel(base).title
    else:
        title = clean(figure_title(base))
        title = title[:1].upper() + title[1:]
    return title + (f", {clean(label)}" if label else "") + peak


def display_unit(unit: str, name: str = "") -> tuple[str, float]:
    """Return the unit that people read and the factor from SI: ``("1", "delivery_efficiency")`` -> ("%", 100)."""
    if unit in ("1", "") and is_share(name) and not name.endswith("_ratio"):
        return "%", 100.0
    if name in _SMALL and unit in ("V", "s"):
        return _SMALL[name]
    if name.endswith("_life") and unit == "s":
        return "h", 1.0 / 3600.0
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
    """Return how many decimals to print: two significant digits of the half-width (GUM 7.2.6 allows at most two).

    Negative where tens or hundreds are the last digits that mean anything. Without an interval: three digits.
    """
    if half is not None and math.isfinite(half) and half > 0.0:
        first = math.floor(math.log10(half))
        if round(half / 10.0**first, 1) >= 10.0:
            first += 1
        return 1 - first
    return max(0, 2 - math.floor(math.log10(abs(number)))) if number and math.isfinite(number) else 1


def plain(number: float, places: int) -> str:
    """Return a number with a true minus sign, thousands parted from 10 000 on; "–" for what is not finite."""
    if not math.isfinite(number):
        return "–"
    rounded = round(number, places)
    text = f"{abs(rounded):,.{max(places, 0)}f}"
    text = text.replace(",", THIN if abs(rounded) >= 1e4 else "")
    return (MINUS if rounded < 0.0 else "") + text


def shared_decimals(values: Sequence[Value], name: str = "") -> int | None:
    """Return the decimals with which a column of values lines up; None where no one number suits them all.

    The widest interval decides, so none shows more than two significant digits; where the narrowest would then lose
    too much each value keeps its own.
    """
    known = [
        (abs(half * display_unit(v.unit, name)[1]), v.value * display_unit(v.unit, name)[1])
        for v in values
        if v.kind != "set" and (half := half_width(v)) is not None and half > 0.0
    ]
    if not known:
        return None
    fewest = min(decimals(half, number) for half, number in known)
    return fewest if all(half >= 3.0 * 10.0**-fewest for half, _ in known) else None


def pair_text(value: Value, name: str = "", places: int | None = None) -> tuple[str, str]:
    """Return (number, interval) in display units: ("412.3", "± 2.1"), the ± being half the 95 % interval.

    An interval that is not symmetric shows both sides; an unknown uncertainty shows "± ?"; an exact value shows none.
    """
    factor = display_unit(value.unit, name)[1]
    number = value.value * factor
    if value.u is None or value.low95 is None or value.high95 is None:
        return plain(number, decimals(None, number)), "" if value.kind == "set" else "± ?"
    low, high = sorted((value.low95 * factor, value.high95 * factor))
    half = 0.5 * (high - low)
    if not half > 0.0:
        return (plain(number, 0) if number == round(number) else f"{number:.6g}".replace("-", MINUS)), ""
    places = decimals(half, number) if places is None else places
    if abs((high - number) - (number - low)) > 0.2 * half:
        return plain(number, places), f"{MINUS}{plain(number - low, places)} +{plain(high - number, places)}"
    return plain(number, places), f"± {plain(half, places)}"


def readable(value: Value) -> Value:
    """Return a voltage or a time in the unit that suits its size (mV, µs, h), for columns of mixed units."""
    unit = shown_unit(value.unit, value.value) if value.unit in ("V", "s") else value.unit
    if unit == value.unit:
        return value
    factor = float(convert(1.0, value.unit, unit))
    u, low, high = (None if n is None else n * factor for n in (value.u, value.low95, value.high95))
    sign = unit.replace("us", "µs")
    return replace(value, value=value.value * factor, unit=sign, u=u, low95=low, high95=high, parts=())


_NAMES = re.compile(r"(?<![\w.\[])[a-z]+(?:_[a-z]+)+\b(?! ?=)(?!\.\w)")
"""Names in a sentence, but not where they are keys to be copied: [instrument.accuracy.rail_current], rail_voltage = ..."""


def in_words(text: str) -> str:
    """Return a sentence with the names of channels and figures as words: ``rail_current`` -> rail current."""
    return _NAMES.sub(lambda m: m[0].replace("_", " ") if m[0] in CHANNELS or m[0] in _TITLES else m[0], text)


def in_percent(value: Value, name: str) -> Value:
    """Return a share in percent, for columns of mixed units; anything else as it is."""
    if value.unit != "1" or not is_share(name):
        return value
    u, low, high = (None if n is None else 100.0 * n for n in (value.u, value.low95, value.high95))
    return replace(value, value=100.0 * value.value, unit="%", u=u, low95=low, high95=high, parts=())


def number_text(value: Value, name: str = "") -> str:
    """Return a value for running text: ``412.3 ± 2.1 W``, the ± being half the 95 % interval, ``± ?`` when unknown."""
    number, interval = pair_text(value, name)
    sign = display_unit(value.unit, name)[0]
    return tie(f"{number} {interval}".strip()) + (f"{THIN}{sign}" if sign else "")


_TIES = re.compile(
    r"(?<=[\d)]) (?=(?:[kmµ]?[WAVΩsJ]|[kM]?Hz|[nµ][HF]|K|min|[hd]|%|°C|degC|K/W|K/h|K/s|kWh|[mu]?Ohm|ppm|l/min|m/s|mm2?|cm2"
    r"|EUR|phases?)(?![\w/]))|(?<=\d) (?=±)|(?<=±) (?=[\d?])"
)
_NEGATIVE = re.compile(r"(?<![\w.,/:\\–−-])-(?=\.?\d)")
_BEFORE_UNIT = re.compile(r"(?<=[\d)])\u202f(?=\D)")


def tie(text: str) -> str:
    """Return a sentence whose numbers keep to their units and intervals when lines break."""
    return _TIES.sub("\u00a0", text)


def typeset(text: str) -> str:
    """Return a sentence as it is set for people: true minus signs, and numbers that keep to their units.

    For what is read, never for what is parsed again: files for programs keep plain hyphens and spaces.
    """
    return _BEFORE_UNIT.sub("\u00a0", _NEGATIVE.sub(MINUS, tie(text)))


def chance_text(chance: float) -> str:
    """Return a chance as people read it: ``under 0.1 %``, ``3.2 %``, ``57 %``, ``over 99.9 %``."""
    if not math.isfinite(chance):
        return "not known"
    if chance < 0.001:
        return "under 0.1 %"
    if chance > 0.999:
        return "over 99.9 %"
    return f"{100.0 * chance:.1f} %" if chance < 0.1 or chance > 0.9 else f"{100.0 * chance:.0f} %"


def time_text(seconds: float) -> str:
    """Return a time as people read it: ``50 s``, ``7 min``, ``6 min 40 s``."""
    if not math.isfinite(seconds):
        return "without end"
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{rest} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


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
    for ending, unit, factor in (
        ("current", "A", 1.0),
        ("temperature", "°C", 1.0),
        ("power", "W", 1.0),
        ("voltage", "V", 1.0),
        ("duty", "%", 100.0),
        ("trip", "°C", 1.0),
        ("warning", "°C", 1.0),
        ("frequency", "kHz", 1e-3),
    ):
        if name.endswith(ending):
            return unit, factor
    return "", 1.0
