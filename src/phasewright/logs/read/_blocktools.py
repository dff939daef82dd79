"""Small steps that the readers of whole blocks share."""

from __future__ import annotations

import numpy as np


def both(a: np.ndarray | None, b: np.ndarray | None) -> np.ndarray | None:
    """Return what is good in both; None stands for all."""
    if a is None:
        return b
    return a if b is None else a & b


def has(data: np.ndarray, place: np.ndarray, marks: bytes) -> np.ndarray:
    """Return where one of a few bytes stands, bool (n,)."""
    found = data[place]
    hit = found == marks[0]
    for mark in marks[1:]:
        hit |= found == mark
    return hit


def stripped(data: np.ndarray, start: np.ndarray, stop: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return cells without blanks and tabs at both ends (64 at most)."""
    for _ in range(64):
        blank = has(data, start, b" \t") & (start < stop)
        if not blank.any():
            break
        start = start + blank
    for _ in range(64):
        blank = has(data, stop - 1, b" \t") & (start < stop)
        if not blank.any():
            break
        stop = stop - blank
    return start, stop


def trimmed(data: np.ndarray, start: np.ndarray, stop: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return cells without blanks at both ends; the usual case, no blanks, costs two looks."""
    if (data[start] <= 32).any() or (data[stop - 1] <= 32).any():
        return stripped(data, start, stop)
    return start, stop


def lines_with(hits: np.ndarray, ends: np.ndarray, good: np.ndarray | None) -> np.ndarray:
    """Return which lines hold a byte that is hit, bool (lines,)."""
    places = np.flatnonzero(hits)
    found = np.diff(np.searchsorted(places, ends), prepend=0) > 0
    return found if good is None else found[good]
