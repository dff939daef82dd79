"""Many numbers at once: cells of a block of bytes to exact decimal fractions, eight characters a machine word.

A cell is taken only when it is a plain number of at most 16 characters: sign, digits, one decimal mark. Its digits
make a whole number below 2**53 and the power of ten is below 10**16, so that one division gives the nearest double:
the same that reading it character by character gives (W. D. Clinger, How to read floating point numbers accurately,
1990: the exact case). Everything else is left to the law.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

U64 = np.uint64

_ZEROS = U64(0x3030303030303030)
_ONES = U64(0x0101010101010101)
_TOPS = U64(0x8080808080808080)
_NINES = U64(0x7676767676767676)
_8, _16, _32, _56, _64 = U64(8), U64(16), U64(32), U64(56), U64(64)
_MASK8, _MASK16 = U64(0x00FF00FF00FF00FF), U64(0x0000FFFF0000FFFF)
_BY10, _BY100, _BY10000 = U64(2561), U64(6553601), U64(42949672960001)
_E8 = U64(10**8)
POWERS = 10.0 ** np.arange(23)
_EXACT = U64(2**53)
_SIGNS = (43, 45)


@dataclass(slots=True)
class Decimals:
    """Numbers as digits / 10**places, with sign; `good` False = not read."""

    digits: np.ndarray
    """uint64 (n,)"""
    places: np.ndarray | int
    """uint8 (n,), or one number for all"""
    negative: np.ndarray | None
    """bool (n,), None = no minus sign"""
    good: np.ndarray | None
    """bool (n,), None = all"""

    def floats(self) -> np.ndarray:
        """Return the nearest doubles (n,); rubbish where not good."""
        out = self.digits.view(np.int64).astype(np.float64)
        if not isinstance(self.places, int):
            out /= POWERS[self.places]
        elif self.places:
            out /= POWERS[self.places]
        if self.negative is not None:
            np.negative(out, out=out, where=self.negative)
        return out


def words_over(data: np.ndarray) -> np.ndarray:
    """Return the eight bytes that start at every byte of uint8 (n,) as uint64 (n - 7,), little-endian, no copy."""
    return np.ndarray((len(data) - 7,), dtype="<u8", buffer=data.data, strides=(1,))


def _value(word: np.ndarray) -> np.ndarray:
    """Return the number that eight digits (bytes 0 to 9, first digit lowest) make; works in place."""
    word *= _BY10
    word >>= _8
    word &= _MASK8
    word *= _BY100
    word >>= _16
    word &= _MASK16
    word *= _BY10000
    word >>= _32
    return word


def _bad(word: np.ndarray) -> np.ndarray:
    """Return where a word holds a byte that is no digit, bool (n,)."""
    test = word + _NINES
    test |= word
    test &= _TOPS
    return test != 0


def read_decimals(data: np.ndarray, words: np.ndarray, start: np.ndarray, stop: np.ndarray, mark: int) -> Decimals:
    """Return the numbers in cells data[start:stop] (int64 (n,) each, all at least 16 bytes into `data`).

    `mark` is the byte of the decimal mark.
    """
    first = data[start]
    negative = None
    signed = first == 45
    if signed.any():
        negative = signed
    plus = first == 43
    if plus.any():
        signed = signed | plus
        start = start + signed
        first = data[start]
    elif negative is not None:
        start = start + signed
        first = data[start]
    length = stop - start
    longest, shortest = int(length.max()), int(length.min())
    mark_code = mark ^ 0x30
    if longest <= 8:
        digits, places, good = _short(words, stop, length, mark_code, data, start)
    else:
        digits, places, good = _long(words, stop, length, mark_code, data, start)
    if shortest < 2 or longest > 16:
        fine = (length > 0) & (length <= 16)
        if not isinstance(places, int) or places >= 0:
            fine &= (length > 1) | (first != mark)
        good = fine if good is None else good & fine
    # A whole number with a leading zero may be octal: the law decides.
    if isinstance(places, int):
        if places == 0:
            zero = (first == 48) & (length > 1)
            if zero.any():
                good = ~zero if good is None else good & ~zero
    else:
        zero = (first == 48) & (length > 1) & (places == 0)
        if zero.any():
            good = ~zero if good is None else good & ~zero
    return Decimals(digits, places, negative, good)


def _places_of_one(data: np.ndarray, start: np.ndarray, stop: np.ndarray, mark: int) -> int:
    """Return how many digits follow the mark in the middle cell, -1 when it has none."""
    middle = len(start) // 2
    cell = data[int(start[middle]) : int(stop[middle])].tobytes()
    at = cell.rfind(mark)
    return len(cell) - at - 1 if at >= 0 else -1


def _merge(good: np.ndarray | None, bad: np.ndarray) -> np.ndarray | None:
    if not bad.any():
        return good
    return ~bad if good is None else good & ~bad


def _short(words, stop, length, mark_code, data, start):
    """Read cells of at most eight characters from the one word that ends with them."""
    word = words[stop - 8]
    word ^= _ZEROS
    shift = (length << 3).view(U64)
    np.subtract(_64, shift, out=shift)
    word >>= shift
    word <<= shift
    places = _places_of_one(data, start, stop, mark_code ^ 0x30)
    if 0 <= places <= 7:
        at = 8 * (7 - places)
        mark_mask, low_mask = U64(0xFF << at), U64((1 << at) - 1)
        if ((word & mark_mask) == U64(mark_code << at)).all():
            low = word & low_mask
            low <<= _8
            word &= ~(mark_mask | low_mask)
            word |= low
            good = _merge(None, _bad(word))
            return _value(word), places, good
    elif places < 0:
        bad = _bad(word)
        if not bad.any():
            return _value(word), 0, None
    word, found = _without_mark(word, mark_code)
    good = _merge(None, _bad(word))
    return _value(word), found, good


def _without_mark(word: np.ndarray, mark_code: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (digits without the mark, closed up to the end; places behind the mark, uint8; 0 where there is none)."""
    test = word ^ U64(mark_code * 0x0101010101010101)
    marks = test - _ONES
    np.bitwise_not(test, out=test)
    marks &= test
    marks &= _TOPS
    none = marks == 0
    marks &= U64(0) - marks
    marks >>= U64(7)
    low = marks - U64(1)
    places = np.uint8(7) - (np.bitwise_count(low) >> np.uint8(3))
    closed = word & low
    closed <<= _8
    marks *= U64(255)
    marks |= low
    np.bitwise_not(marks, out=marks)
    marks &= word
    closed |= marks
    if none.any():
        closed[none] = word[none]
        places[none] = 0
    return closed, places


def _long(words, stop, length, mark_code, data, start):
    """Read cells of at most sixteen characters from the two words that end with them."""
    last = words[stop - 8]
    last ^= _ZEROS
    over = np.clip(length, 0, 8)
    shift = (over << 3).view(U64)
    np.subtract(_64, shift, out=shift)
    last >>= shift
    last <<= shift
    front = words[stop - 16]
    front ^= _ZEROS
    over = np.clip(length - 8, 0, 8)
    shift = (over << 3).view(U64)
    np.subtract(_64, shift, out=shift)
    front >>= shift
    front <<= shift
    places = _places_of_one(data, start, stop, mark_code ^ 0x30)
    if 0 <= places <= 7:
        at = 8 * (7 - places)
        mark_mask, low_mask = U64(0xFF << at), U64((1 << at) - 1)
        if ((last & mark_mask) == U64(mark_code << at)).all():
            low = last & low_mask
            low <<= _8
            last &= ~(mark_mask | low_mask)
            last |= low
            last |= front >> _56
            front <<= _8
            return _both(front, last, places)
    closed, found = _without_mark(last, mark_code)
    in_last = _has_mark(last, mark_code)
    closed[in_last] |= front[in_last] >> _56
    moved = front << _8
    other, found_front = _without_mark(front, mark_code)
    in_front = ~in_last & _has_mark(front, mark_code)
    places = np.where(in_last, found, np.where(in_front, found_front + np.uint8(8), np.uint8(0)))
    front = np.where(in_last, moved, other)
    return _both(front, closed, places)


def _has_mark(word: np.ndarray, mark_code: int) -> np.ndarray:
    test = word ^ U64(mark_code * 0x0101010101010101)
    return ((test - _ONES) & ~test & _TOPS) != 0


def _both(front: np.ndarray, last: np.ndarray, places):
    bad = _bad(front)
    bad |= _bad(last)
    digits = _value(front)
    digits *= _E8
    digits += _value(last)
    bad |= digits >= _EXACT
    return digits, places, _merge(None, bad)


_COLONS, _COLON_DIGITS = U64(0x0000FF0000FF0000), U64(0x00000A00000A0000)


def read_clock(
    words: np.ndarray,
    start: np.ndarray,
    short: np.ndarray | None = None,
    *,
    bare: bool = False,
    compact: bool = False,
    blot: bool = False,
) -> tuple[np.ndarray, np.ndarray | None]:
    """Return (seconds since midnight int64 (n,), good or None = all) of HH:MM:SS that start at `start`.

    `short` marks clocks whose hour has one digit (`start` is then one before it), `bare` reads HH:MM, `compact`
    HHMMSS, `blot` only :MM:SS. 24:00:00 and leap seconds are not taken.
    """
    word = words[start]
    if short is not None:
        word = np.where(short, (word & ~U64(0xFF)) | U64(0x30), word)
    if blot:
        word = (word & ~U64(0xFFFF)) | U64(0x3030)
    if bare:
        word = (word & U64(0xFFFFFFFFFF)) | U64(0x30303A0000000000)
    word ^= _ZEROS
    if compact:
        word <<= _16
        bad = _bad(word)
    else:
        bad = (word & _COLONS) != _COLON_DIGITS
        word &= ~_COLONS
        bad |= _bad(word)
    pairs = word * U64(10)
    word >>= _8
    pairs += word
    places = (16, 32, 48) if compact else (0, 24, 48)
    hour, minute, second = ((pairs >> U64(place)) & U64(0xFF) for place in places)
    bad |= (hour > U64(23)) | (minute > U64(59)) | (second > U64(59))
    hour = hour * U64(60)
    hour += minute
    hour *= U64(60)
    hour += second
    return hour.view(np.int64), _merge(None, bad)


def whole_number(words: np.ndarray, stop: np.ndarray, count: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (number int64 (n,), good) of the `count` (0 to 8, each its own) digits before `stop`."""
    word = words[stop - 8]
    word ^= _ZEROS
    shift = (64 - 8 * count).astype(U64)
    word >>= shift
    word <<= shift
    good = ~_bad(word)
    return _value(word).view(np.int64), good


def read_fraction(words: np.ndarray, stop: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray | None]:
    """Return (nanoseconds int64 (n,), good or None) of the `count` (1 to 9) digits before `stop`."""
    word = words[stop - 8]
    word ^= _ZEROS
    if count < 8:
        shift = U64(8 * (8 - count))
        word >>= shift
        word <<= shift
    bad = _bad(word)
    digits = _value(word)
    if count == 9:
        ahead = words[stop - 9] & U64(0xFF)
        ahead -= U64(48)
        bad |= ahead > U64(9)
        digits += ahead * _E8
    else:
        digits *= U64(10 ** (9 - count))
    return digits.view(np.int64), _merge(None, bad)
