"""Many stamps at once: the shapes that logs write, as whole nanoseconds; every other shape is left to the law."""

from __future__ import annotations

import numpy as np

from . import _times as times
from ._blocktools import both, has, stripped, trimmed
from ._digits import U64, Decimals, read_clock, read_decimals, read_fraction, whole_number
from ._times import TimePlan

MOST_DATES = 64
"""Dates in one block; more are left to the reading by line."""
_BASES = {"ns": (1, 0), "us": (1, 3), "ms": (1, 6), "s": (1, 9), "min": (60, 9), "h": (3600, 9), "d": (86_400, 9)}
"""Nanoseconds of a unit as factor x 10**power."""

Found = tuple[np.ndarray | None, np.ndarray | None, bool]
"""Stamps int64 (n,) or None when none can be taken, which are good (bool (n,), None = all), whether they are UTC."""
NONE: Found = (None, None, False)


class StampReader:
    """Reads the stamps of a block under one plan. `data` are the bytes of the block, `words` eight at every byte."""

    def __init__(self, plan: TimePlan):
        self.plan = plan
        self.usable = plan.kind in ("datetime", "date+clock", "clock", "number", "serial", "hms")

    def read(
        self, text: bytes, data: np.ndarray, words: np.ndarray, cells: list[tuple[np.ndarray, np.ndarray]]
    ) -> Found:
        """Return the stamps in the time cells, each (start, stop) int64 (n,)."""
        cells = [trimmed(data, start, stop) for start, stop in cells]
        start, stop = cells[-1]
        match self.plan.kind:
            case "number":
                return (*self._numbers(data, words, start, stop), self.plan.epoch)
            case "serial":
                return (*self._serials(data, words, start, stop), False)
            case "clock":
                return (*self._clocks(data, words, start, stop), False)
            case "hms":
                return (*self._elapsed(data, words, start, stop), False)
            case "date+clock":
                raw, fine = self._clocks(data, words, start, stop)
                date_start, date_stop = cells[0]
                days, dated = self._days(text, words, date_start, date_stop - date_start)
                if raw is None or days is None:
                    return NONE
                return raw + days, both(fine, dated), False
        return self._date_times(text, data, words, start, stop)

    # ---- numbers ----

    def _numbers(self, data, words, start, stop):
        found = read_decimals(data, words, start, stop, ord(self.plan.decimal))
        fine = found.good
        if found.negative is not None:
            fine = both(fine, ~found.negative)
        raw, exact = nanoseconds(found, self.plan.unit)
        fine = both(fine, exact)
        if self.plan.epoch and not self.plan.stated:
            inside = (raw >= times.EPOCH_FIRST_NS) & (raw <= times.EPOCH_LAST_NS)
            if not inside.all():
                fine = both(fine, inside)
        return raw, fine

    def _serials(self, data, words, start, stop):
        found = read_decimals(data, words, start, stop, ord(self.plan.decimal))
        raw, exact = nanoseconds(found, "d")
        fine = both(found.good, exact)
        if found.negative is not None:
            fine = both(fine, ~found.negative)
        raw = raw + times.SERIAL_BASE_DAYS * times.DAY
        milli = (raw + 500_000) // 1_000_000 * 1_000_000
        return np.where(np.abs(raw - milli) < 20_000, milli, raw), fine

    # ---- clocks ----

    def _clocks(self, data, words, start, stop):
        """Return (ns since midnight int64 (n,), good) of H:MM, HH:MM:SS, with a fraction, with AM or PM."""
        middle = len(start) // 2
        fine, half = None, None
        if data[stop[middle] - 1] | 32 == 109:
            start, stop, half, fine = _without_half(data, start, stop)
        short = data[start + 1] == 58
        if short.any():
            start = start - short
        length = stop - start
        shape = int(length[middle])
        same = length == shape
        if shape == 5:
            fine = both(fine, same)
            return self._finish(*self._bare(words, start, short), half, fine)
        if same.all():
            if shape not in (8, *range(10, 19)):
                return None, None
            seconds, good = read_clock(words, start, short if short.any() else None)
            raw, fine = seconds * times.SECOND, both(fine, good)
            if shape > 8:
                pointed = has(data, start + 8, b".,")
                if not pointed.all():
                    fine = both(fine, pointed)
                fraction, good = read_fraction(words, stop, shape - 9)
                raw += fraction
                fine = both(fine, good)
            return self._finish(raw, fine, half, None)
        seconds, good = read_clock(words, start, short if short.any() else None)
        raw, fine = seconds * times.SECOND, both(fine, good)
        count = length - 9
        known = (length == 8) | ((count >= 1) & (count <= 9) & has(data, start + 8, b".,"))
        fraction, good = _fractions(words, stop, np.where(known, np.maximum(count, 0), 0))
        return self._finish(raw + fraction, both(both(fine, known), good), half, None)

    @staticmethod
    def _bare(words, start, short):
        """Read HH:MM."""
        seconds, good = read_clock(words, start, short if short.any() else None, bare=True)
        return seconds * times.SECOND, good

    @staticmethod
    def _finish(raw, fine, half, also):
        """Put a 12-hour clock right."""
        fine = both(fine, also)
        if half is None:
            return raw, fine
        hour = raw // times.UNIT_NS["h"]
        fine = both(fine, (hour >= 1) & (hour <= 12))
        shift = np.where(hour == 12, -12, 0) + np.where(half, 12, 0)
        return raw + shift * times.UNIT_NS["h"], fine

    def _elapsed(self, data, words, start, stop):
        """Return (ns int64 (n,), good) of h:mm:ss with any number of hours up to 8 digits."""
        hours = np.zeros(len(start), dtype=np.int64)
        for count in range(1, 8):
            hours[(hours == 0) & (data[start + count] == 58) & (start + count < stop)] = count
        fine = hours > 0
        colon = start + hours
        value, good = whole_number(words, colon, np.maximum(hours, 1))
        fine &= good
        # Minutes and seconds: read as a clock whose hour is blotted out.
        seconds, good = read_clock(words, colon - 2, None, blot=True)
        if good is not None:
            fine &= good
        length = stop - colon
        count = length - 7
        fine &= (length == 6) | ((count >= 1) & (count <= 9) & has(data, colon + 6, b".,"))
        fraction, good = _fractions(words, stop, np.where(fine, np.maximum(count, 0), 0))
        if good is not None:
            fine &= good
        total = value * 3600 + seconds
        fine &= total <= 2**32
        return np.where(fine, total, 0) * times.SECOND + fraction, fine

    # ---- dates ----

    def _date_times(self, text: bytes, data, words, start, stop) -> Found:
        """Return stamps of a date, T or a blank, and a clock, with Z or an offset."""
        middle = len(start) // 2
        one = text[int(start[middle]) : int(stop[middle])]
        if one[:8].isdigit():
            return self._compact(text, data, words, start, stop)
        tail = b"Z" if one[-1:] == b"Z" else one[-6:] if one[-6:-5] in (b"+", b"-") and len(one) > 22 else b""
        fine, shift = None, 0
        if tail:
            try:
                shift = times.zone_ns(tail.decode("ascii"))
            except (times.Doubt, ValueError, UnicodeDecodeError):
                return NONE
            same = words[stop - 8] >> U64(8 * (8 - len(tail))) == U64(int.from_bytes(tail, "little"))
            if not same.all():
                fine = same
            stop = stop - len(tail)
        width = np.int64(10)
        split = has(data, start + 10, b" T")
        if not split.all():
            width = np.select([has(data, start + k, b" T") for k in (10, 8, 9, 11)], [10, 8, 9, 11], 0)
            fine = both(fine, width > 0)
        raw, good = self._clocks(data, words, start + width + 1, stop)
        if raw is None:
            return NONE
        days, dated = self._days(text, words, start, np.broadcast_to(width, start.shape))
        if days is None:
            return NONE
        raw = raw + (days - shift)
        return raw, both(both(fine, good), dated), bool(tail)

    def _compact(self, text: bytes, data, words, start, stop) -> Found:
        """Return stamps of YYYYMMDDHHMMSS, with or without T or a blank between, and a fraction."""
        apart = has(data, start + 8, b" T_")
        clock = start + 8 + apart
        seconds, good = read_clock(words, clock, None, compact=True)
        raw = seconds * times.SECOND
        length = stop - clock
        count = length - 7
        fine = both(good, (length == 6) | ((count >= 1) & (count <= 9) & has(data, clock + 6, b".,")))
        fraction, good = _fractions(words, stop, np.where(fine, np.maximum(count, 0), 0))
        days, dated = self._days(text, words, start, np.full(len(start), 8), compact=True)
        if days is None:
            return NONE
        return raw + fraction + days, both(both(fine, good), dated), False

    def _days(self, text: bytes, words, start, width, compact: bool = False):
        """Return (days in ns int64 (n,) or one number, good or None) of dates of `width` (8 to 11) characters."""
        fine = None
        known = (width >= 8) & (width <= 11)
        if not known.all():
            fine, width = known, np.where(known, width, 8)
        head = words[start]
        tail = words[start + 8] & ((U64(1) << (8 * (width - 8)).astype(U64)) - U64(1))
        middle = len(start) // 2
        if ((head == head[middle]) & (tail == tail[middle])).all():
            day = self._day_of(text, int(start[middle]), int(width[middle]), compact)
            return (None, None) if day is None else (day, fine)
        # Dates differ: the characters as one number of 16 bytes, each different one read once.
        pairs = np.stack([head, tail], axis=1).view("V16").reshape(-1)
        _, index, inverse = np.unique(pairs, return_index=True, return_inverse=True)
        if len(index) > MOST_DATES:
            return None, None
        found = [self._day_of(text, int(start[i]), int(width[i]), compact) for i in index]
        table = np.array([0 if day is None else day for day in found], dtype=np.int64)
        real = np.array([day is not None for day in found])
        inverse = inverse.reshape(-1)
        if not real.all():
            fine = both(fine, real[inverse])
        return table[inverse], fine

    def _day_of(self, text: bytes, at: int, width: int, compact: bool) -> int | None:
        try:
            date = text[at : at + width].decode("ascii")
            if compact:
                if not date.isdigit():
                    return None
                return times.day_number(int(date[:4]), int(date[4:6]), int(date[6:8])) * times.DAY
            return times.date_days(date, self.plan.order, self.plan.stated) * times.DAY
        except (ValueError, times.Doubt):
            return None


def _without_half(data, start, stop):
    """Return (start, stop, PM, good) of clocks without their AM or PM and the blank before it."""
    last, letter = data[stop - 1] | 32, data[stop - 2] | 32
    fine = (last == 109) & ((letter == 97) | (letter == 112))
    start, stop = stripped(data, start, stop - 2)
    return start, stop, letter == 112, fine


def _fractions(words, stop, count):
    """Return (ns int64 (n,), good or None) of `count` (0 to 9, each its own) digits before `stop`."""
    if len(count) and (count == count[0]).all() and count[0]:
        return read_fraction(words, stop, int(count[0]))
    value, good = whole_number(words, stop, np.minimum(count, 8))
    nine = count == 9
    if nine.any():
        ahead = (words[stop - 9] & U64(0xFF)).astype(np.int64) - 48
        good &= ~nine | ((ahead >= 0) & (ahead <= 9))
        value = np.where(nine, value + ahead * 10**8, value)
    return value * 10 ** (9 - count), good


def nanoseconds(found: Decimals, unit: str) -> tuple[np.ndarray, np.ndarray | None]:
    """Return (digits / 10**places of `unit` in whole nanoseconds int64 (n,), cut towards zero; good or None = all)."""
    factor, power = _BASES[unit]
    digits = found.digits.view(np.int64)
    places = found.places
    if isinstance(places, int) and places <= power and factor * 10 ** (power - places) <= 10**9:
        scale = factor * 10 ** (power - places)
        if not len(digits) or int(digits.max()) < 2**62 // scale:
            return digits * scale, None
    places = np.broadcast_to(np.asarray(places, dtype=np.int64), digits.shape)
    scales = 10 ** np.minimum(places, 18)
    whole, rest = np.divmod(digits, scales)
    limit = 2**62 // (factor * 10**power)
    fine = (places <= 13) & (whole < limit)
    rest = np.where(fine, rest, 0) * factor
    behind = np.where(
        places >= power, rest // 10 ** np.clip(places - power, 0, 18), rest * 10 ** np.clip(power - places, 0, 18)
    )
    return np.where(fine, whole, 0) * (factor * 10**power) + behind, None if fine.all() else fine
