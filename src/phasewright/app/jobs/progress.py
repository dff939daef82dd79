"""Progress of a job, told to whoever waits for it."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float, str], None]
"""Called as progress(fraction 0..1, what is being done)."""


def quiet(fraction: float, text: str) -> None:
    """Stand in for a progress callable that nobody gave."""


def part_of(progress: Progress, low: float, high: float) -> Progress:
    """Return a progress callable that fills the share from `low` to `high` of `progress`."""
    return lambda fraction, text: progress(low + (high - low) * min(max(fraction, 0.0), 1.0), text)
