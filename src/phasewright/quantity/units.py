"""The closed table of units, and reading a number with its unit from text."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, overload

if TYPE_CHECKING:
    import numpy as np


@dataclass(frozen=True, slots=True)
class _Unit:
    """One unit: reading in the base unit = reading x factor + offset."""

    symbol: str
    base: str
    factor: Fraction
    offset: Fraction


_Q = Fraction
_MILLI, _MICRO, _NANO, _PICO = _Q(1, 10**3), _Q(1, 10**6), _Q(1, 10**9), _Q(1, 10**12)
_GALLON_US, _GALLON_IMPERIAL = _Q("0.003785411784"), _Q("0.00454609")  # m3, exact by definition (from memory)
_BTU = _Q("1055.05585262")  # J, International Table (from memory)

# base unit -> rows of (symbol, factor, other spellings, offset). Spellings are compared after `_plain`: micro sign and
# Greek mu read as u, ohm signs as Ohm, degree signs as deg, superscripts as digits. Letters keep their case, because
# mW is not MW; the other-case spellings that people do write, and that mean one thing only, are listed.
_TABLE: dict[str, tuple[tuple, ...]] = {
    "W": (
        ("W", 1, "w watt watts Watt Watts"),
        ("uW", _MICRO, "uw"),
        ("mW", _MILLI, ""),
        ("kW", 1000, "kw KW"),
        ("MW", 10**6, ""),
        ("BTU/h", _BTU / 3600, "Btu/h BTU/hr Btu/hr"),
    ),
    "V": (("V", 1, "v volt volts Volt Volts"), ("uV", _MICRO, "uv"), ("mV", _MILLI, "mv"), ("kV", 1000, "kv KV")),
    "A": (
        ("A", 1, "a amp amps Amp Amps ampere amperes Ampere Amperes"),
        ("nA", _NANO, ""),
        ("uA", _MICRO, "ua"),
        ("mA", _MILLI, "ma"),
        ("kA", 1000, "ka KA"),
    ),
    "Ohm": (
        ("Ohm", 1, "ohm OHM ohms Ohms"),
        ("nOhm", _NANO, "nohm"),
        ("uOhm", _MICRO, "uohm"),
        ("mOhm", _MILLI, "mohm"),
        ("kOhm", 1000, "kohm KOhm"),
        ("MOhm", 10**6, "Mohm"),
    ),
    "degC": (
        ("degC", 1, "C degc DegC deg_C|deg C|celsius|Celsius"),
        ("degF", _Q(5, 9), "F degf DegF deg_F|deg F|fahrenheit|Fahrenheit", _Q(-160, 9)),
        ("K", 1, "kelvin Kelvin", _Q("-273.15")),
    ),
    "K": (("K", 1, "kelvin Kelvin"), ("mK", _MILLI, "")),
    "s": (
        ("s", 1, "sec secs second seconds"),
        ("ns", _NANO, ""),
        ("us", _MICRO, "usec"),
        ("ms", _MILLI, "msec"),
        ("min", 60, "mins minute minutes"),
        ("h", 3600, "hr hrs hour hours"),
        ("d", 86400, "day days"),
    ),
    "Hz": (
        ("Hz", 1, "hz HZ 1/s"),
        ("mHz", _MILLI, ""),
        ("kHz", 1000, "khz KHz KHZ"),
        ("MHz", 10**6, "MHZ Mhz"),
        ("GHz", 10**9, "GHZ Ghz ghz"),
        ("r/min", _Q(1, 60), "rpm RPM Rpm rev/min 1/min"),
    ),
    "H": (("H", 1, "henry"), ("pH", _PICO, ""), ("nH", _NANO, ""), ("uH", _MICRO, ""), ("mH", _MILLI, "")),
    "F": (("F", 1, "farad"), ("pF", _PICO, ""), ("nF", _NANO, ""), ("uF", _MICRO, ""), ("mF", _MILLI, "")),
    "C": (
        ("C", 1, "coulomb A.s|A s"),
        ("pC", _PICO, ""),
        ("nC", _NANO, ""),
        ("uC", _MICRO, ""),
        ("mC", _MILLI, ""),
        ("mAh", _Q("3.6"), ""),
        ("Ah", 3600, "A.h|A h"),
    ),
    "J": (
        ("J", 1, "joule joules W.s Ws|W s"),
        ("nJ", _NANO, ""),
        ("uJ", _MICRO, ""),
        ("mJ", _MILLI, ""),
        ("kJ", 1000, "KJ"),
        ("MJ", 10**6, ""),
        ("mWh", _Q("3.6"), ""),
        ("Wh", 3600, "wh W.h|W h"),
        ("kWh", 3600 * 1000, "kwh KWh KWH kW.h|kW h"),
        ("MWh", 3600 * 10**6, ""),
    ),
    "1": (("1", 1, "- count"), ("%", _Q(1, 100), "percent pct"), ("ppm", _MICRO, "PPM")),
    "K/W": (("K/W", 1, "degC/W C/W"), ("mK/W", _MILLI, "")),
    "W/K": (("W/K", 1, "W/degC W/C"), ("mW/K", _MILLI, "mW/degC")),
    "J/K": (("J/K", 1, "J/degC"), ("kJ/K", 1000, "")),
    "K/s": (("K/s", 1, "degC/s C/s"), ("K/min", _Q(1, 60), "degC/min C/min"), ("K/h", _Q(1, 3600), "degC/h C/h")),
    "1/K": (
        ("1/K", 1, "1/degC"),
        ("%/K", _Q(1, 100), "%/degC %/C"),
        ("ppm/K", _MICRO, "ppm/degC ppm/C"),
    ),
    "m": (("m", 1, "metre metres"), ("um", _MICRO, ""), ("mm", _MILLI, ""), ("cm", _Q(1, 100), "")),
    "m2": (("m2", 1, "m^2"), ("mm2", _MICRO, "mm^2"), ("cm2", _Q(1, 10**4), "cm^2")),
    "kg": (("kg", 1, ""), ("g", _MILLI, "")),
    "m3/s": (
        ("m3/s", 1, "m^3/s"),
        ("m3/h", _Q(1, 3600), "m^3/h"),
        ("L/s", _MILLI, "l/s"),
        ("L/min", _Q(1, 60000), "l/min lpm LPM"),
        ("L/h", _Q(1, 3600000), "l/h lph LPH"),
        ("mL/s", _MICRO, "ml/s"),
        ("mL/min", _Q(1, 60 * 10**6), "ml/min"),
        ("US gal/min", _GALLON_US / 60, "USgal/min USGPM"),
        ("US gal/h", _GALLON_US / 3600, "USgal/h USGPH"),
        ("imp gal/min", _GALLON_IMPERIAL / 60, ""),
    ),
    "kg/s": (("kg/s", 1, ""), ("g/s", _MILLI, ""), ("kg/min", _Q(1, 60), ""), ("kg/h", _Q(1, 3600), "")),
    "A/s": (("A/s", 1, ""), ("A/ms", 1000, ""), ("A/us", 10**6, ""), ("A/ns", 10**9, "")),
    "V/s": (("V/s", 1, ""), ("mV/us", 1000, ""), ("V/ms", 1000, ""), ("V/us", 10**6, ""), ("V/ns", 10**9, "")),
    "W/(m.K)": (("W/(m.K)", 1, "W/m/K W/mK W/m-K W/(mK)|W/(m K)"),),
    "m2.K/W": (("m2.K/W", 1, "|m2 K/W"), ("mm2.K/W", _MICRO, "|mm2 K/W"), ("cm2.K/W", _Q(1, 10**4), "|cm2 K/W")),
    "W/m2": (("W/m2", 1, ""), ("W/cm2", 10**4, "")),
}

# Spellings that people write and that we refuse, with what to write instead.
_REFUSED = {
    "gal/min": "'US gal/min' or 'imp gal/min'",
    "gpm": "'US gal/min' or 'imp gal/min'",
    "GPM": "'US gal/min' or 'imp gal/min'",
    "deg": "'degC' or 'degF'",
    "S": "'s' for seconds",
    "M": "the whole unit, e.g. 'MHz' or 'min'",
    "u": "the whole unit, e.g. 'uH' or 'us'",
    "VA": "'W' if it is true power",
}


def _spellings(symbol: str, others: str) -> list[str]:
    """Return every spelling of a row; words are apart by spaces, a spelling with a space inside stands after a bar."""
    words, *spaced = others.split("|")
    return [symbol, *words.split(), *(item for item in spaced if item)]


def _build() -> tuple[dict[str, tuple[_Unit, ...]], dict[tuple[str, str], _Unit]]:
    by_spelling: dict[str, tuple[_Unit, ...]] = {}
    by_symbol: dict[tuple[str, str], _Unit] = {}
    for base, rows in _TABLE.items():
        for symbol, factor, others, *offset in rows:
            unit = _Unit(symbol, base, Fraction(factor), Fraction(offset[0] if offset else 0))
            by_symbol[base, symbol] = unit
            for spelling in _spellings(symbol, others):
                by_spelling[spelling] = (*by_spelling.get(spelling, ()), unit)
    return by_spelling, by_symbol


_BY_SPELLING, _BY_SYMBOL = _build()

# A spelling alone that could be two things. Celsius stands in log headers, coulombs do not; farads are the symbol F.
_FIRST_CHOICE = {"C": "degC", "F": "F", "K": "K"}
_COLDEST_KELVIN = 50  # below it "K" for a temperature is taken for a difference written by mistake; N2 boils at 77 K

_SIGNS = (
    ("\u00b5", "u"),  # micro sign
    ("\u03bc", "u"),  # Greek mu
    ("\u03a9", "Ohm"),  # Greek omega
    ("\u2126", "Ohm"),  # ohm sign
    ("\u00b0", "deg"),  # degree sign
    ("\u00ba", "deg"),  # ordinal sign, often typed for it
    ("\u02da", "deg"),  # ring above, the same
    ("\u00b7", "."),  # middle dot
    ("\u22c5", "."),  # dot operator
)
_PLAIN = str.maketrans(dict(_SIGNS))
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3}(?![0-9]))?")


def _plain(text: str) -> str:
    """Return a unit's spelling in ASCII where it has one."""
    text = text.translate(_PLAIN)
    if not text.isascii():
        text = unicodedata.normalize("NFKC", text).translate(_PLAIN)
    return " ".join(text.split())


def _candidates(text: str) -> tuple[_Unit, ...]:
    """Return the units that a spelling can mean, the likeliest first; () if none."""
    plain = _plain(text)
    found = _BY_SPELLING.get(plain, ())
    first = _FIRST_CHOICE.get(plain)
    if first and len(found) > 1:
        found = tuple(sorted(found, key=lambda unit: (unit.symbol != first, unit.base != first)))
    return found


def unit_symbol(text: str) -> str | None:
    """Return the canonical symbol of a unit's spelling ("°C" -> "degC", "mΩ" -> "mOhm"); None if unknown.

    Read alone, "C" is degC, "F" is farad and "K" is kelvin; `convert` and `parse_quantity` go by the wanted unit.
    """
    found = _candidates(text)
    return found[0].symbol if found else None


def base_unit(symbol: str) -> str:
    """Return the SI unit (degC for temperatures) of what `symbol` measures ("mW" -> "W", "%" -> "1", "min" -> "s").

    A base unit is its own base, also where its spelling reads two ways ("C" -> "C"). Raises ValueError for an
    unknown unit.
    """
    plain = _plain(symbol)
    if plain in _TABLE:
        return plain
    return _known(symbol)[0].base


def _known(text: str) -> tuple[_Unit, ...]:
    found = _candidates(text)
    if not found:
        raise ValueError(f"{_unknown(text)} - {_suggestion(text)}")
    return found


def _unknown(text: str) -> str:
    return f"unknown unit ({_shown(text)})"


def _shown(text: object) -> str:
    shown = ascii(text) if not isinstance(text, str) or not text.isprintable() else repr(text)
    return shown if len(shown) <= 60 else shown[:57] + "..."


def _suggestion(text: str, base: str | None = None) -> str:
    """Return the mend for an unknown spelling: what stands for it in the table, by case or by prefix."""
    plain = _plain(text)
    if plain in _REFUSED:
        return f"write {_REFUSED[plain]}"
    close = [s for s, units in _BY_SPELLING.items() if s.casefold() == plain.casefold()]
    if base is not None:
        close = [s for s in close if any(unit.base == base for unit in _BY_SPELLING[s])]
    if close:
        symbols = dict.fromkeys(unit.symbol for s in close for unit in _BY_SPELLING[s] if base in (None, unit.base))
        return "case matters, write " + " or ".join(repr(symbol) for symbol in symbols)
    if base is not None:
        return f"write one of {_symbols(base)}"
    return "write the unit's symbol, e.g. 'W', 'mOhm', 'degC', 'L/min'"


def _symbols(base: str) -> str:
    return ", ".join(row[0] for row in _TABLE[base])


def _meant(text: str, base: str) -> _Unit | None:
    """Return the reading of a spelling that measures the same as `base`; None if there is none."""
    for unit in _candidates(text):
        if unit.base == base:
            return unit
    return None


def _pair(from_unit: str, to_unit: str) -> tuple[_Unit, _Unit]:
    """Return both units, read so that they measure the same. Raises ValueError if there is no such reading."""
    source, target = _known(from_unit), _known(to_unit)
    for a in source:
        for b in target:
            if a.base == b.base:
                return a, b
    raise ValueError(
        f"units do not fit (from_unit = {from_unit!r}, to_unit = {to_unit!r}) - {source[0].symbol} measures what "
        f"{source[0].base} measures - name one of {_symbols(source[0].base)}"
    )


@overload
def convert(value: float, from_unit: str, to_unit: str) -> float: ...
@overload
def convert(value: np.ndarray, from_unit: str, to_unit: str) -> np.ndarray: ...
def convert(value, from_unit, to_unit):
    """Return `value` (a number or an array of any shape) given in `from_unit` as a number in `to_unit`.

    A unit that reads two ways is read as the other side needs it ("F" to "degC" is Fahrenheit, "F" to "uF" is farad).
    Between K and degC both are temperatures; differences are K on both sides. Raises ValueError for unknown units and
    for units that do not measure the same.
    """
    a, b = _pair(from_unit, to_unit)
    scale = a.factor / b.factor
    shift = (a.offset - b.offset) / b.factor
    out = value
    if scale.numerator != 1:
        out = out * float(scale.numerator)
    if scale.denominator != 1:
        out = out / float(scale.denominator)  # dividing keeps 3 mW = 0.003 W to the last bit; x 0.001 does not
    if shift:
        out = out + float(shift)
    return float(out) if isinstance(out, int) else out


def parse_quantity(text: str | int | float, unit: str) -> float:
    """Return the number that `text` states, in the base unit `unit` (SI, degC for temperatures).

    "45 A", "300 kHz", "2.4 mOhm", "35 °C", "35C", "0.5 %", "10 min". The unit must be written, except where `unit` is
    "1". Digits are ASCII with a decimal point and no grouping; no infinity, no "nan". A temperature difference
    (`unit` = "K") is written in K. The result is the double nearest to what is written.

    Raises ValueError "what (value) - rule - mend".
    """
    if unit not in _TABLE:
        raise ValueError(f"no base unit (unit = {unit!r}) - a base unit is asked for - pass {base_unit(unit)!r}")
    example = f"'45 {unit}'" if unit != "1" else "'0.45' or '45 %'"
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise ValueError(f"{_shown(text)} is no quantity - a number with its unit is asked for - write {example}")
    if not isinstance(text, str):
        return _bare_number(text, unit, example)
    stripped = text.strip()
    match = _NUMBER.match(stripped)
    if match is None or len(match.group()) > 40:
        raise ValueError(f"{_shown(text)} is no quantity - {_number_rule(stripped)} - write e.g. {example}")
    number, rest = match.group(), stripped[match.end() :]
    if rest[:1].isdigit() or rest[:1] in (",", ".", "_", "'", "’"):
        raise ValueError(f"{_shown(text)} is no quantity - {_number_rule(rest)} - write e.g. {example}")
    name = rest.strip()
    if not name and unit != "1":
        raise ValueError(f"{_shown(text)} has no unit - a number with its unit is asked for - write '{number} {unit}'")
    found = _wanted_unit(text, number, name or "1", unit)
    return _exact(text, number, found)


def _bare_number(number: float, unit: str, example: str) -> float:
    if unit != "1":
        raise ValueError(f"{number} has no unit - a number with its unit is asked for - write '{number} {unit}'")
    if not abs(number) < 1e300:
        raise ValueError(f"{str(number)[:40]} is no quantity - a finite number is asked for - write {example}")
    return float(number)


def _number_rule(text: str) -> str:
    """Return which rule for numbers the text breaks."""
    head = text[:1]
    if head == ",":
        return "the decimal mark is a point, and digits are not grouped"
    if head in ("_", "'", "’"):
        return "digits are not grouped"
    if head in ("−", "–"):
        return "minus is '-'"
    if text.lower().lstrip("+-").startswith(("inf", "nan")):
        return "a finite number is asked for"
    if head.isdigit():
        return "digits are 0 to 9, exponents at most 3 digits"
    return "a number with its unit is asked for"


def _wanted_unit(text: str, number: str, name: str, unit: str) -> _Unit:
    """Return the reading of `name` that measures what `unit` measures. Raises ValueError with the mend."""
    found = _meant(name, unit)
    if found is not None:
        return found
    others = _candidates(name)
    if not others:
        raise ValueError(f"{_shown(text)} has an {_unknown(name)} - {unit} is asked for - {_suggestion(name, unit)}")
    if unit == "K" and others[0].base == "degC":
        mend = f"write '{number} K'" if others[0].symbol == "degC" else "write it in K (9 degF of difference are 5 K)"
        raise ValueError(f"{_shown(text)} is a temperature - a difference of temperatures is asked for - {mend}")
    case = [s for s in _BY_SPELLING if s.casefold() == _plain(name).casefold() and _meant(s, unit)]
    mend = f"case matters, write '{number} {case[0]}'" if case else f"write one of {_symbols(unit)}"
    what = f"{_shown(text)} is in {others[0].symbol}"
    raise ValueError(f"{what} - {unit} or a multiple is asked for - {mend}")


def _exact(text: str, number: str, unit: _Unit) -> float:
    """Return number x factor + offset as the nearest double. Raises ValueError out of the range of doubles."""
    written = Fraction(number)
    if unit.base == "degC" and unit.symbol == "K" and written < _COLDEST_KELVIN:
        raise ValueError(
            f"{_shown(text)} reads as {float(written) - 273.15:.2f} degC - a temperature is asked for, not a "
            f"difference - write it in degC"
        )
    try:
        result = float(written * unit.factor + unit.offset)
    except OverflowError:
        result = math.inf
    if not math.isfinite(result) or (result == 0.0 and written != 0 and not unit.offset):
        raise ValueError(f"{_shown(text)} is out of range - 1e-300 to 1e300 can be kept - write a value that can be")
    if unit.base == "degC" and result < -273.15:
        raise ValueError(f"{_shown(text)} is below absolute zero - temperatures start at -273.15 degC - mend the value")
    return result
