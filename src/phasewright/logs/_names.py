"""Column names: cleaned, the unit in them, what their words measure, and which column a reference means."""

from __future__ import annotations

import re
import unicodedata

from phasewright.bench import Fault, LogFault, escape
from phasewright.quantity import base_unit, unit_symbol

INVISIBLE = frozenset(
    "\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000"
    "\u200b\u200c\u200d\u2060\ufeff\u00ad\u200e\u200f"
)
_BRACKETS = re.compile(r"(?P<name>.*?)\s*[\[({<]\s*(?P<unit>[^\[\](){}<>]*?)\s*[\])}>]\s*")
_SLASH = re.compile(r"(?P<name>.*\S)\s*/\s*(?P<unit>[^/\s][^/]*|[^/\s]+/[^/\s]+)")
_IN = re.compile(r"(?P<name>.*\S)(?:\s+in\s+|,\s*|:\s+)(?P<unit>\S+(?: \S+)?)")
_TAIL = re.compile(r"(?P<name>.*\S)(?:[_ ]|(?=[°%]))(?P<unit>(?:[°º] ?)?[^\s_]+)")
ANSI = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b.")

# Plain words of the trade in English, German, French and Spanish, by what they measure; matched as whole words or,
# with a star, as the start or end of a compound.
QUANTITY_WORDS: dict[str, tuple[str, ...]] = {
    "W": ("power", "watt", "watts", "leistung*", "*leistung", "puissance", "potencia", "p", "pin", "pout", "load"),
    "V": ("voltage", "volt", "volts", "spannung*", "*spannung", "tension", "voltaje", "tensión", "u", "v", "vin",
          "vout", "vcore", "vdd", "vbus"),
    "A": ("current", "amp", "amps", "ampere", "amperage", "strom*", "*strom", "courant", "intensité", "corriente",
          "intensidad", "i", "iin", "iout"),
    "degC": ("temperature", "temp", "temps", "tmp", "temperatur*", "*temperatur", "température", "temperatura", "tc",
             "tj", "hotspot", "ambient", "coolant"),
    "s": ("time", "zeit*", "*zeit", "temps", "tiempo", "elapsed", "timestamp", "t", "duration", "dauer", "durée",
          "uptime", "clock", "epoch"),
    "J": ("energy", "energie", "énergie", "energía"),
    "Hz": ("frequency", "frequenz", "fréquence", "frecuencia", "speed", "clock", "fan", "f"),
}  # fmt: skip
_SINGLE = {"W": "W", "w": "W", "V": "V", "v": "V", "A": "A", "a": "A", "C": "degC", "c": "degC", "F": "degC",
           "K": "degC", "s": "s", "h": "s", "J": "J", "d": "s", "min": "s", "us": "s", "S": "s"}  # fmt: skip
_LABELLED = frozenset(
    """phase channel ch bank group rail sensor line zone port slot side type class grade node plane unit module
    string row column probe set test run step part""".split()
)
"""Words that a single letter counts up: phase A, phase B."""
_NO_UNIT_TAIL = frozenset(("1", "x", "-", "count", "k", "R", "m", "g", "H", "kg", "cm", "mm", "um", "m2", "d"))


def clean_name(text: str) -> str:
    """Return a header cell for use as a name: no invisible characters or colour codes, composed, single spaces."""
    text = ANSI.sub("", text)
    text = "".join(
        " " if ch in INVISIBLE and unicodedata.category(ch) == "Zs" else "" if ch in INVISIBLE else ch for ch in text
    )
    return " ".join(unicodedata.normalize("NFC", text).split())


def split_words(name: str) -> list[str]:
    """Return the lower-case words of a name: apart at spaces, signs and inner capitals."""
    name = re.sub(r"(?<=[a-zäöüéè])(?=[A-Z])", " ", unicodedata.normalize("NFC", name))
    return [word for word in re.split(r"[\W_]+", name.casefold()) if word]


def measures(name: str, base: str) -> bool:
    """Return True when a name holds a plain word for what `base` measures."""
    words = split_words(name)
    for pattern in QUANTITY_WORDS.get(base, ()):
        if pattern.endswith("*"):
            if any(word.startswith(pattern[:-1]) for word in words):
                return True
        elif pattern.startswith("*"):
            if any(word.endswith(pattern[1:]) for word in words):
                return True
        elif pattern in words:
            return True
    return False


def split_unit(name: str) -> tuple[str, str]:
    """Return (bare name, unit symbol) of a header cell; '' when it states no known unit.

    "Power [W]", "Power (W)", "Power / W", "Power in W", "Power, W", "power_W", "Temp °C" all state one. A single
    letter at the end counts only when the name's words measure that ("phase_A" is a phase, not a current).
    """
    for pattern in (_BRACKETS, _SLASH, _IN):
        match = pattern.fullmatch(name)
        if match is not None and match["name"].strip():
            unit = unit_symbol(match["unit"])
            if unit is not None and not (pattern is not _BRACKETS and match["unit"].strip() in _NO_UNIT_TAIL):
                return match["name"].strip(" _"), _fitting(unit, match["unit"].strip(), match["name"])
    match = _TAIL.fullmatch(name)
    if match is not None:
        tail, bare = match["unit"], match["name"]
        unit = unit_symbol(tail)
        if unit is not None and tail not in _NO_UNIT_TAIL and _is_unit_tail(tail, bare):
            return bare.strip(" _"), _fitting(unit, tail, bare)
    if name.startswith("%"):
        return name[1:].strip() or name, "%"
    if measures(name, "Hz") and unit_symbol(name.split()[-1] if name.split() else "") == "r/min":
        return name, "r/min"
    return name, ""


def _is_unit_tail(tail: str, bare: str) -> bool:
    """Return True when a spelling at the end of a name is a unit there and not a label or a word."""
    if tail not in _SINGLE or measures(bare, _SINGLE[tail]):
        return True
    words = split_words(bare)
    return tail in "WVACFJ" and bool(words) and words[-1].rstrip("0123456789") not in _LABELLED


def _fitting(unit: str, written: str, name: str) -> str:
    """Return the reading of a unit that reads two ways which the name's words ask for (F of a temperature is degF)."""
    if written == "F":
        # Farads stand in no log; the symbol of Fahrenheit that people write does.
        return "degF"
    return unit


def skeleton(name: str) -> str:
    """Return a name with letters of other scripts replaced by the Latin letters that they look like."""
    return unicodedata.normalize("NFKC", name).translate(_LOOK_ALIKE).casefold()


_LOOK_ALIKE = str.maketrans(
    "АВЕЅІЈКМНОРСТУХаеоорсухіѕјԁԛԝ" + "ΑΒΕΖΗΙΚΜΝΟΡΤΥΧοινυρτ",
    "ABESIJKMHOPCTYXaeoopcyxisjdqw" + "ABEZHIKMNOPTYXoivupt",
)


def known_base(unit: str) -> str:
    """Return the base of a canonical unit symbol, '' for none."""
    return base_unit(unit) if unit else ""


def column_position(reference: str, names, file: str, what: str, line: int = 1) -> int:
    """Return the field (first = 0) that a reference means: '#3', a name as in the header, or a bare name.

    Raises LogFault when no column, or more than one, answers to it.
    """
    match = re.fullmatch(r"#(\d+)", reference.strip())
    if match is not None:
        position = int(match[1]) - 1
        if 0 <= position < len(names):
            return position
        raise LogFault(Fault(file, f"no column {reference}: there are {len(names)}", "mend the position", line, path=what))
    wanted = clean_name(reference)
    for key in (lambda n: n, lambda n: n.casefold(), lambda n: split_unit(n)[0].casefold(), _plain_key):
        hits = [i for i, name in enumerate(names) if key(name) == key(wanted)]
        if len(hits) == 1:
            return hits[0]
        if len(hits) > 1:
            places = ", ".join(f"#{i + 1} {escape(names[i])!r}" for i in hits)
            raise LogFault(
                Fault(file, f"column {escape(reference)!r} fits several: {places}", "map it by position", line, path=what)
            )
    shown = ", ".join(repr(escape(name, 40)) for name in names[:12]) + (", ..." if len(names) > 12 else "")
    raise LogFault(Fault(file, f"no column {escape(reference)!r}", f"name one of {shown} in the map", line, path=what))


def _plain_key(name: str) -> str:
    return re.sub(r"[\W_]+", "", skeleton(split_unit(name)[0]))
