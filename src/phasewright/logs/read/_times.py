"""Stamps: what a column of times is, and one stamp at a time as whole nanoseconds.

Dates are read by explicit layouts only; the order of day and month is proven by the file or stated by the person.
"""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass

SECOND = 1_000_000_000
DAY = 86_400 * SECOND

EPOCH_FIRST_NS, EPOCH_LAST_NS = 631_152_000 * SECOND, 4_102_444_800 * SECOND
"""1990-01-01 and 2100-01-01: numeric stamps that count from 1970 are looked for between them."""

UNIT_NS = {"ns": 1, "us": 1_000, "ms": 1_000_000, "s": SECOND, "min": 60 * SECOND, "h": 3600 * SECOND, "d": DAY}
SERIAL_BASE = dt.date(1899, 12, 30)
"""Day 0 of spreadsheet serial dates (common practice: the 1900 system, which counts 1900 as a leap year)."""
SERIAL_BASE_DAYS = (SERIAL_BASE - dt.date(1970, 1, 1)).days

_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan january januar janvier enero ene janv", "feb february februar fevrier février febrero févr fevr",
            "mar march märz maerz mrz mars marzo mär", "apr april avril abril avr abr", "may mai mayo",
            "jun june juni juin junio", "jul july juli juillet julio juil", "aug august aout août agosto ago",
            "sep sept september septembre septiembre", "oct october oktober octobre octubre okt",
            "nov november novembre noviembre", "dec december dezember decembre décembre diciembre dez déc dic",
        ),
        1,
    )
    for name in names.split()
}  # fmt: skip

_TIME = r"(?P<H>\d{1,2}):(?P<M>[0-5]\d)(?::(?P<S>[0-5]\d|60)(?:[.,](?P<f>\d{1,12}))?)?"
_AMPM = r"(?:\s*(?P<p>[AaPp])\.?\s?[Mm]\.?)?"
_ZONE = r"(?:\s*(?P<z>Z|z|[+-]\d{2}:?\d{2}|[+-]\d{2}|(?:UTC|GMT)(?:[+-]\d{1,2}(?::?\d{2})?)?|[A-Z]{2,5}))?"
CLOCK = re.compile(_TIME + _AMPM + _ZONE, re.ASCII)
DATE = re.compile(
    r"(?P<a>\d{1,4})(?P<s>[-/.]|\. ?| )(?P<b>\d{1,2}|[^\W\d_]{3,10}\.?)(?P=s)(?P<c>\d{2,4})"
    r"|(?P<w>[A-Za-z]{3,9})\.? (?P<wd>\d{1,2}),? (?P<wy>\d{4})"
)
_STAMP = re.compile(
    r"(?P<date>\d{1,4}[-/.].{2,13}?\d{2,4}|[A-Za-z]{3,9}\.? \d{1,2},? \d{4})(?:T|t|,? +|_)(?P<clock>\d{1,2}:\d{2}.*)"
)
_COMPACT = re.compile(
    r"(?P<y>\d{4})(?P<m>\d{2})(?P<d>\d{2})[T _]?(?P<H>\d{2})(?P<M>\d{2})(?P<S>\d{2})"
    r"(?:[.,](?P<f>\d{1,9}))?(?P<z>Z|[+-]\d{2}:?\d{2})?"
)
_HMS = re.compile(
    r"(?:(?P<D>\d{1,5})(?:\.|d\s*| days?,? *))?(?P<H>\d{1,7}):(?P<M>[0-5]\d):(?P<S>[0-5]\d)(?:[.,](?P<f>\d{1,12}))?"
)
_NUMBER = re.compile(r"([+-]?)([0-9]+)(?:\.([0-9]*))?(?:[eE]([+-]?[0-9]{1,2}))?|([+-]?)\.([0-9]+)")

ZERO_ZONES = frozenset(("Z", "z", "UTC", "GMT"))


class Doubt(Exception):
    """A stamp that can be read in more than one way; the words say which."""


@dataclass(frozen=True, slots=True)
class TimePlan:
    """How the stamps of a file are written."""

    kind: str
    """datetime | date+clock | clock | hms | number | serial | custom | custom_clock"""
    fields: tuple[int, ...]
    """Positions of the time columns in a row, first = 0."""
    order: str = "ymd"
    """Order of year, month and day in the date: ymd | dmy | mdy."""
    unit: str = "s"
    """Unit of a numeric stamp."""
    epoch: bool = False
    """Numeric stamp counts from 1970-01-01 UTC."""
    decimal: str = "."
    pattern: str = ""
    """Format as stated by the person, for kind custom."""
    stated: bool = False
    """The person stated the format: two-digit years and the 12-hour clock are then taken as they stand."""

    @property
    def absolute(self) -> bool:
        """True when the stamps name a date."""
        return self.kind in ("datetime", "date+clock", "serial", "custom") or (self.kind == "number" and self.epoch)

    @property
    def words(self) -> str:
        """The format in words, for reports."""
        order = {"ymd": "year-month-day", "dmy": "day-month-year", "mdy": "month-day-year"}[self.order]
        names = {
            "datetime": f"date and time, {order}", "date+clock": f"date column and time column, {order}",
            "clock": "time of day", "hms": "elapsed h:mm:ss", "serial": "spreadsheet serial date (base 1899-12-30)",
            "custom": self.pattern, "custom_clock": self.pattern,
            "number": ("seconds since 1970, in " if self.epoch else "elapsed time in ") + self.unit,
        }  # fmt: skip
        if self.kind == "number" and self.epoch:
            return f"time since 1970-01-01 UTC in {self.unit}"
        return names[self.kind]


@dataclass(frozen=True, slots=True)
class Stamp:
    """One stamp as read: nanoseconds since 1970 (date known), since midnight (time of day) or since the log's zero."""

    ns: int
    zoned: bool = False
    """The stamp names its own zone; ns is then UTC."""
    note: str = ""


def fraction_ns(digits: str | None) -> int:
    """Return a decimal fraction of a second as whole nanoseconds; digits beyond the ninth are cut."""
    return int((digits or "0")[:9].ljust(9, "0"))


def number_ns(text: str, unit: str, decimal: str = ".") -> int | None:
    """Return a numeric stamp in whole nanoseconds, exactly from its digits (cut towards zero); None if it is none."""
    text = text.strip()
    if decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    match = _NUMBER.fullmatch(text)
    if match is None or len(text) > 40:
        return None
    if match[6] is not None:
        sign, whole, fraction, exponent = match[5], "", match[6], 0
    else:
        sign, whole, fraction, exponent = match[1], match[2], match[3] or "", int(match[4] or 0)
    shift = exponent - len(fraction)
    value = int((whole + fraction) or "0") * UNIT_NS[unit]
    value = value * 10**shift if shift >= 0 else value // 10**-shift
    if value >= 2**62:
        return None
    return -value if sign == "-" else value


def day_number(year: int, month: int, day: int) -> int:
    """Return days since 1970-01-01. Raises ValueError for a date that does not exist or that 64 bits cannot hold."""
    if not 1700 <= year <= 2250:
        raise ValueError(f"no year of a log ({year})")
    return (dt.date(year, month, day) - dt.date(1970, 1, 1)).days


def split_date(text: str) -> tuple[str, str, str, str] | None:
    """Return (first, second, third, separator) of a date, month words as numbers; None if it is none."""
    match = DATE.fullmatch(text.strip())
    if match is None:
        return None
    if match["w"]:
        month = _MONTHS.get(match["w"].casefold())
        return (match["wy"], str(month), match["wd"], "word") if month else None
    b, sep = match["b"], match["s"]
    if not b.isdigit():
        month = _MONTHS.get(b.rstrip(".").casefold())
        if month is None:
            return None
        if len(match["a"]) > 2:
            return match["a"], str(month), match["c"], "word"
        return match["c"], str(month), match["a"], "word"
    return match["a"], b, match["c"], sep


def order_proof(dates: set[tuple[str, str, str, str]]) -> tuple[str, str]:
    """Return (order, why) that a file's dates prove: ymd, dmy, mdy; ('', words) when nothing proves it."""
    if not dates:
        return "", "no date found"
    first = next(iter(dates))
    if first[3] == "word" or len(first[0]) == 4:
        return ("ymd", "") if len(first[0]) == 4 else ("", "year of two digits")
    if len(first[2]) != 4:
        return "", "year of two digits"
    if first[3].startswith("."):
        return "dmy", "points between day, month and year"
    day_first = sorted((a, b, c) for a, b, c, _ in dates if int(a) > 12)
    month_first = sorted((a, b, c) for a, b, c, _ in dates if int(b) > 12)
    if day_first and month_first:
        return "", "day and month change places inside the file"
    if day_first:
        return "dmy", "proven by " + "/".join(day_first[0])
    if month_first:
        return "mdy", "proven by " + "/".join(month_first[0])
    return "", "no day above 12"


_day_cache: dict[tuple[str, str, bool], int] = {}


def date_days(text: str, order: str, stated: bool = False) -> int:
    """Return days since 1970 of a date. Raises ValueError when it is none, Doubt when the year has two digits."""
    key = (text, order, stated)
    found = _day_cache.get(key)
    if found is None:
        parts = split_date(text)
        if parts is None:
            raise ValueError(f"no date ({text})")
        if parts[3] == "word" or order == "ymd":
            year, month, day = parts[:3]
        elif order == "dmy":
            day, month, year = parts[:3]
        else:
            month, day, year = parts[:3]
        if len(year) == 2 and stated:
            year = str((2000 if int(year) < 70 else 1900) + int(year))
        if len(year) != 4:
            raise Doubt(f"year of two digits ({text})")
        found = day_number(int(year), int(month), int(day))
        if len(_day_cache) > 10_000:
            _day_cache.clear()
        _day_cache[key] = found
    return found


def clock_ns(text: str, *, stated: bool = False) -> tuple[int, str | None, str]:
    """Return (ns since midnight, zone text or None, note). Raises ValueError when it is no time of day."""
    match = CLOCK.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"no time of day ({text})")
    hour, minute, second = int(match["H"]), int(match["M"]), int(match["S"] or 0)
    note = ""
    if match["p"]:
        if not 1 <= hour <= 12:
            raise ValueError(f"no time of day ({text})")
        hour = hour % 12 + (12 if match["p"] in "Pp" else 0)
    if hour > 24 or (hour == 24 and (minute or second or int(match["f"] or 0))):
        raise ValueError(f"no time of day ({text})")
    if hour == 24:
        note = "24:00:00 read as 00:00 of the next day"
    ns = ((hour * 60 + minute) * 60 + second) * SECOND + fraction_ns(match["f"])
    if second == 60:
        # A POSIX clock has no room for the leap second: it is held at the last nanosecond before it, order kept.
        ns = (hour * 3600 + minute * 60 + 60) * SECOND - 1
        note = "leap second, held at the end of its minute"
    return ns, match["z"], note


def zone_ns(zone: str) -> int:
    """Return a zone offset in ns. Raises Doubt for letters that stand for several zones."""
    if zone in ZERO_ZONES:
        return 0
    body = zone[3:] if zone[:3] in ("UTC", "GMT") else zone
    match = re.fullmatch(r"([+-])(\d{1,2}):?(\d{2})?", body)
    if match is None:
        raise Doubt(f"zone letters {zone} stand for several zones")
    hours, minutes = int(match[2]), int(match[3] or 0)
    if hours > 14 or minutes > 59:
        raise ValueError(f"no zone offset ({zone})")
    total = (hours * 3600 + minutes * 60) * SECOND
    return -total if match[1] == "-" else total


def read_stamp(cells: tuple[str, ...], plan: TimePlan) -> Stamp:
    """Return the stamp of a row from its time cells.

    Raises ValueError when the cells hold no stamp of the plan, Doubt when they hold one that reads two ways.
    """
    text = cells[0].strip()
    if plan.kind == "number":
        ns = number_ns(text, plan.unit, plan.decimal)
        if plan.epoch and not plan.stated and (ns is None or not EPOCH_FIRST_NS <= ns <= EPOCH_LAST_NS):
            return _other_epoch_unit(text, plan)
        if ns is None:
            raise ValueError(f"no number ({text})")
        return Stamp(ns, zoned=plan.epoch)
    if plan.kind == "datetime":
        compact = _COMPACT.fullmatch(text)
        if compact is not None:
            days = day_number(int(compact["y"]), int(compact["m"]), int(compact["d"]))
            if int(compact["H"]) > 23 or int(compact["M"]) > 59 or int(compact["S"]) > 59:
                raise ValueError(f"no time of day ({text})")
            seconds = int(compact["H"]) * 3600 + int(compact["M"]) * 60 + int(compact["S"])
            return _zoned(days * DAY + seconds * SECOND + fraction_ns(compact["f"]), compact["z"], "")
        match = _STAMP.fullmatch(text)
        if match is None:
            raise ValueError(f"no date and time ({text})")
        clock, zone, note = clock_ns(match["clock"])
        return _zoned(date_days(match["date"], plan.order, plan.stated) * DAY + clock, zone, note)
    if plan.kind == "date+clock":
        clock, zone, note = clock_ns(cells[1])
        return _zoned(date_days(text, plan.order, plan.stated) * DAY + clock, zone, note)
    if plan.kind == "clock":
        clock, _zone, note = clock_ns(text)
        return Stamp(clock, note=note)
    if plan.kind == "hms":
        return Stamp(hms_ns(text))
    if plan.kind == "serial":
        ns = number_ns(text, "d", plan.decimal)
        if ns is None:
            raise ValueError(f"no serial date ({text})")
        # Serial dates carry about a microsecond; whole milliseconds are what was meant when they are that near.
        return Stamp(_nearest(ns + SERIAL_BASE_DAYS * DAY))
    return _custom(" ".join(cell.strip() for cell in cells), plan.pattern)


def _other_epoch_unit(text: str, plan: TimePlan) -> Stamp:
    """Return a stamp whose size fits another unit than the file began with. Raises ValueError if it fits none."""
    for unit in ("s", "ms", "us", "ns"):
        ns = number_ns(text, unit, plan.decimal)
        if ns is not None and EPOCH_FIRST_NS <= ns <= EPOCH_LAST_NS:
            return Stamp(ns, zoned=True, note=f"stamps count in {unit} from here, in {plan.unit} before")
    raise ValueError(f"no time since 1970 in {plan.unit} ({text})")


def _nearest(ns: int) -> int:
    milli = (ns + 500_000) // 1_000_000 * 1_000_000
    return milli if abs(ns - milli) < 20_000 else ns


def hms_ns(text: str) -> int:
    """Return an elapsed time written h:mm:ss (days before it allowed) in ns. Raises ValueError if it is none."""
    match = _HMS.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"no elapsed time ({text})")
    seconds = (int(match["D"] or 0) * 24 + int(match["H"])) * 3600 + int(match["M"]) * 60 + int(match["S"])
    if seconds > 2**32:
        raise ValueError(f"no elapsed time ({text})")
    return seconds * SECOND + fraction_ns(match["f"])


def _zoned(ns: int, zone: str | None, note: str) -> Stamp:
    if zone is None:
        return Stamp(ns, note=note)
    return Stamp(ns - zone_ns(zone), zoned=True, note=note)


# ---- formats that a person states ---------------------------------------------------------------------------------

_CODES = {
    "Y": r"(?P<Y>\d{4})", "y": r"(?P<y>\d{2})", "m": r"(?P<m>\d{1,2})", "d": r"(?P<d>\d{1,2})", "H": r"(?P<H>\d{1,2})",
    "I": r"(?P<I>\d{1,2})", "M": r"(?P<M>\d{1,2})", "S": r"(?P<S>\d{1,2})", "f": r"(?P<f>\d{1,9})",
    "b": r"(?P<b>[^\W\d_]{3,10}\.?)", "B": r"(?P<b>[^\W\d_]{3,10})", "p": r"(?P<p>[AaPp]\.?[Mm]\.?)",
    "j": r"(?P<j>\d{1,3})",
    "z": r"(?P<z>Z|[+-]\d{2}:?\d{2})", "Z": r"(?P<z>Z|UTC|GMT|[+-]\d{2}:?\d{2})", "%": "%",
    "T": r"(?P<H>\d{1,2}):(?P<M>\d{2}):(?P<S>\d{2})", "F": r"(?P<Y>\d{4})-(?P<m>\d{2})-(?P<d>\d{2})",
}  # fmt: skip
_compiled: dict[str, re.Pattern[str]] = {}


def compile_format(pattern: str) -> re.Pattern[str]:
    """Return the expression for a strptime-like format. Raises ValueError for codes that are not known."""
    found = _compiled.get(pattern)
    if found is not None:
        return found
    parts, i = [], 0
    while i < len(pattern):
        ch = pattern[i]
        if ch == "%":
            code = pattern[i + 1 : i + 2]
            if code not in _CODES:
                raise ValueError(f"unknown code %{code} in time format {pattern!r}")
            if code == "f" and parts and parts[-1] in (re.escape("."), re.escape(",")):
                mark = parts.pop()
                parts.append(rf"(?:{mark}{_CODES['f']})?")
            else:
                parts.append(_CODES[code])
            i += 2
        elif ch.isspace():
            parts.append(r"\s+")
            i += 1
        else:
            parts.append(re.escape(ch))
            i += 1
    try:
        found = re.compile("".join(parts))
    except re.error as error:
        raise ValueError(f"time format {pattern!r}: {error}") from error
    if not {"H", "I", "S"} & set(found.groupindex):
        raise ValueError(f"time format {pattern!r} holds no time of day")
    _compiled[pattern] = found
    return found


def format_has_date(pattern: str) -> bool:
    """Return True when a format names year, month and day, so that its stamps are absolute."""
    groups = set(compile_format(pattern).groupindex)
    return bool({"Y", "y"} & groups and ({"j"} & groups or ({"m", "b"} & groups and "d" in groups)))


def _custom(text: str, pattern: str) -> Stamp:
    match = compile_format(pattern).fullmatch(text)
    if match is None:
        raise ValueError(f"does not fit {pattern} ({text})")
    got = match.groupdict()
    hour = int(got.get("H") or 0)
    if got.get("I"):
        if not got.get("p"):
            raise Doubt("12-hour clock without AM or PM")
        hour = int(got["I"])
        if not 1 <= hour <= 12:
            raise ValueError(f"no time of day ({text})")
    if got.get("p"):
        hour = hour % 12 + (12 if got["p"][0] in "Pp" else 0)
    minute, second, note = int(got.get("M") or 0), int(got.get("S") or 0), ""
    if hour > 24 or minute > 59 or second > 60 or (hour == 24 and (minute or second or int(got.get("f") or 0))):
        raise ValueError(f"no time of day ({text})")
    ns = ((hour * 60 + minute) * 60 + second) * SECOND + fraction_ns(got.get("f"))
    if second == 60:
        ns, note = (hour * 3600 + minute * 60 + 60) * SECOND - 1, "leap second, held at the end of its minute"
    if format_has_date(pattern):
        year = int(got.get("Y") or 0)
        if not year:
            short = int(got["y"])
            year = (2000 if short < 70 else 1900) + short
        if got.get("j"):
            if not 1 <= int(got["j"]) <= 365 + calendar.isleap(year):
                raise ValueError(f"no day of the year ({text})")
            days = day_number(year, 1, 1) + int(got["j"]) - 1
        else:
            month = int(got["m"]) if got.get("m") else _MONTHS.get((got["b"] or "").rstrip(".").casefold(), 0)
            days = day_number(year, month, int(got["d"]))
        ns += days * DAY
    return _zoned(ns, got.get("z"), note)


def text_of(ns: int, absolute: bool) -> str:
    """Return a time for people: ISO 8601 to the millisecond or finer, or seconds since the log's zero."""
    whole, rest = divmod(ns, SECOND)
    fraction = f"{rest:09d}".rstrip("0")
    if not absolute:
        return f"{whole}{'.' + fraction if fraction else ''} s"
    try:
        moment = dt.datetime(1970, 1, 1) + dt.timedelta(seconds=whole)
    except OverflowError:
        return f"{whole} s"
    return moment.isoformat(timespec="seconds") + ("." + fraction if fraction else "")
