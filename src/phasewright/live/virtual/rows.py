"""Numbers to text, whole columns at a time: digits laid out in byte matrices, blanks squeezed out at the end."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

_ZERO, _MINUS = ord("0"), ord("-")


def _digits(whole: np.ndarray, width: int) -> np.ndarray:
    """Return the decimal digits of non-negative integers as ASCII, (n, width), zeros in front kept."""
    out = np.empty((len(whole), width), dtype=np.uint8)
    rest = whole.astype(np.uint32) if len(whole) == 0 or whole.max() < 2**32 else whole.astype(np.uint64)
    for place in range(width - 1, -1, -1):
        quotient = rest // 10
        out[:, place] = (rest - quotient * 10) + _ZERO
        rest = quotient
    return out


def number_cells(values: np.ndarray, decimals: int, mark: str = ".") -> np.ndarray:
    """Return fixed-point text of `values`, uint8 (n, width); byte 0 is no character, NaN becomes an empty cell."""
    missing = np.isnan(values)
    any_missing = bool(missing.any())
    scaled = np.rint(np.where(missing, 0.0, values) * 10.0**decimals if any_missing else values * 10.0**decimals)
    negative = scaled < 0
    size = np.abs(scaled).astype(np.int64)
    top = int(size.max()) if len(size) else 0
    width = max(len(str(top)), decimals + 1)
    digits = _digits(size, width)
    bound = 10 ** (width - 1)
    for place in range(width - decimals - 1):
        blank = size < bound
        if not blank.any():
            break
        digits[blank, place] = 0
        bound //= 10
    columns = [digits]
    if decimals:
        point = np.full((len(values), 1), ord(mark), dtype=np.uint8)
        columns = [digits[:, : width - decimals], point, digits[:, width - decimals :]]
    if negative.any():
        sign = np.where(negative, _MINUS, 0).astype(np.uint8)[:, None]
        columns.insert(0, sign)
    out = np.concatenate(columns, axis=1)
    if any_missing:
        out[missing] = 0
    return out


def text_cells(words: list[str] | tuple[str, ...], index: np.ndarray) -> np.ndarray:
    """Return the words chosen by `index` (n,), uint8 (n, width)."""
    coded = [word.encode("utf-8") for word in words]
    width = max(len(word) for word in coded)
    table = np.zeros((len(coded), width), dtype=np.uint8)
    for row, word in enumerate(coded):
        table[row, : len(word)] = np.frombuffer(word, dtype=np.uint8)
    return table[index]


_DAY = 86_400_000_000_000


def day_cells(time_ns: np.ndarray, pattern: str) -> np.ndarray:
    """Return the date (UTC) of stamps as text by a strftime `pattern`, uint8 (n, width)."""
    days = time_ns // _DAY
    unique, index = np.unique(days, return_inverse=True)
    start = datetime(1970, 1, 1, tzinfo=UTC)
    return text_cells([(start + timedelta(days=int(day))).strftime(pattern) for day in unique], index)


def clock_cells(time_ns: np.ndarray, decimals: int, mark: str = ".") -> np.ndarray:
    """Return the time of day (UTC) HH:MM:SS with `decimals` (0-9) as text, uint8 (n, width)."""
    part = 10 ** (9 - decimals)
    ticks = (time_ns % _DAY) // part
    per_second = 10**decimals
    seconds = ticks // per_second
    hours, minutes = seconds // 3600, seconds // 60 % 60
    colon = np.full((len(time_ns), 1), ord(":"), dtype=np.uint8)
    columns = [_digits(hours, 2), colon, _digits(minutes, 2), colon, _digits(seconds % 60, 2)]
    if decimals:
        columns += [np.full((len(time_ns), 1), ord(mark), dtype=np.uint8), _digits(ticks % per_second, decimals)]
    return np.concatenate(columns, axis=1)


def literal_cells(text: str, count: int) -> np.ndarray:
    """Return the same text in every row, uint8 (count, width)."""
    return np.tile(np.frombuffer(text.encode("utf-8"), dtype=np.uint8), (count, 1))


def join_cells(cells: list[np.ndarray], delimiter: str, end: str = "\n") -> bytes:
    """Return rows of cells as bytes; blanks (byte 0) vanish."""
    count = len(cells[0])
    if count == 0:
        return b""
    parts = []
    for number, cell in enumerate(cells):
        if number:
            parts.append(literal_cells(delimiter, count))
        parts.append(cell)
    parts.append(literal_cells(end, count))
    flat = np.concatenate(parts, axis=1).reshape(-1)
    return flat[flat != 0].tobytes()
