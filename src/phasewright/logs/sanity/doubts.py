"""What was found about the values of one log: which readings are none, which are lower bounds, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from phasewright.bench import Fault
from phasewright.logs.records import Remark

NONE = np.zeros((0, 2), dtype=np.int64)
Ranges = np.ndarray
"""int64 (k, 2): first and past-the-last row of stretches, in order, apart from each other."""


@dataclass(frozen=True, slots=True, eq=False)
class Doubts:
    """About the channels of one table. `missing` and `at_least` hold, by channel, the rows concerned as `Ranges`."""

    missing: Mapping[str, Ranges] = field(default_factory=lambda: MappingProxyType({}))
    """Readings that no sensor took: they count as missing."""
    at_least: Mapping[str, Ranges] = field(default_factory=lambda: MappingProxyType({}))
    """Readings that are lower bounds only."""
    remarks: Mapping[str, tuple[Remark, ...]] = field(default_factory=lambda: MappingProxyType({}))
    faults: tuple[Fault, ...] = ()
    """What refuses the log."""


class Gathered:
    """Doubts while they are gathered, by channel."""

    def __init__(self):
        self._missing: dict[str, list[Ranges]] = {}
        self._at_least: dict[str, list[Ranges]] = {}
        self._remarks: dict[str, list[Remark]] = {}
        self.faults: list[Fault] = []

    def say(self, channel: str, remark: Remark) -> None:
        """Put a remark on a channel."""
        self._remarks.setdefault(channel, []).append(remark)

    def drop(self, channel: str, ranges: Ranges, remark: Remark | None) -> None:
        """Take readings of a channel for missing, and say so."""
        self._missing.setdefault(channel, []).append(ranges)
        if remark is not None:
            self.say(channel, remark)

    def bound(self, channel: str, ranges: Ranges, remark: Remark) -> None:
        """Take readings of a channel for lower bounds, and say so."""
        self._at_least.setdefault(channel, []).append(ranges)
        self.say(channel, remark)

    def missing_of(self, channel: str) -> Ranges:
        """Return the readings of a channel that count as missing so far."""
        return merged(self._missing.get(channel, []))

    def done(self) -> Doubts:
        """Return the record."""
        return Doubts(
            MappingProxyType({name: merged(parts) for name, parts in self._missing.items()}),
            MappingProxyType({name: merged(parts) for name, parts in self._at_least.items()}),
            MappingProxyType({name: tuple(dict.fromkeys(said)) for name, said in self._remarks.items()}),
            tuple(self.faults),
        )


def merged(parts: list[Ranges]) -> Ranges:
    """Return stretches from several sources in order, with those that touch put together."""
    every = np.concatenate(parts) if parts else NONE
    every = every[every[:, 1] > every[:, 0]]
    if len(every) < 2:
        return every
    every = every[np.argsort(every[:, 0], kind="stable")]
    reach = np.maximum.accumulate(every[:, 1])
    new = np.concatenate([[True], every[1:, 0] > reach[:-1]])
    first = np.flatnonzero(new)
    return np.column_stack([every[first, 0], reach[np.append(first[1:], len(every)) - 1]])


def rows_to_ranges(rows: np.ndarray) -> Ranges:
    """Return the stretches that rising row numbers make."""
    if not len(rows):
        return NONE
    new = np.concatenate([[True], np.diff(rows) > 1])
    first = np.flatnonzero(new)
    return np.column_stack([rows[first], rows[np.append(first[1:], len(rows)) - 1] + 1])


def count_rows(ranges: Ranges) -> int:
    """Return how many rows the stretches hold."""
    return int((ranges[:, 1] - ranges[:, 0]).sum())
