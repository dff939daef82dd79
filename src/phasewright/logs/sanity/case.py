"""A recording under question: what is known of it, and what is found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from phasewright.bench import Accuracy, Bench, Campaign, Fault, escape
from phasewright.logs.records import AlignedTrace, Recording, Remark
from phasewright.logs.sanity.levels import Levels, lay_levels

_DIVISOR = {"limit": 3.0**0.5, "standard": 1.0, "expanded": 2.0}
_USUAL = {"package": (0.03, 1.0), "rail": (0.03, 1.0), "input": (0.01, 0.5)}
"""Standard uncertainties of gain and offset where nothing is stated; common practice, no source."""


class Case:
    """What the questions are put to, and their answers."""

    def __init__(self, recording: Recording, bench: Bench, campaign: Campaign):
        self.recording, self.bench, self.campaign = recording, bench, campaign
        self.levels: Levels = lay_levels(recording)
        self.faults: list[Fault] = []
        self._remarks: dict[str, list[Remark]] = {}
        self._missing: dict[str, list[tuple[float, float]]] = {}

    def say(self, key: str, remark: Remark) -> None:
        """Put a remark on a channel."""
        self._remarks.setdefault(key, []).append(remark)

    def drop(self, key: str, spans: list[tuple[float, float]]) -> None:
        """Take the readings of a channel within `spans` [s] for missing."""
        self._missing.setdefault(key, []).extend(spans)

    def refuse(self, key: str, what: str, mend: str) -> None:
        """Refuse the log that a channel comes from."""
        file, line = self.place(key)
        self.faults.append(Fault(file, what, mend, line, path=key))

    def place(self, key: str) -> tuple[str, int]:
        """Return file and line of the header that names the channel's column."""
        log = self.recording.traces[key].log
        files = next((entry.files for entry in self.campaign.logs if entry.name == log), ())
        report = next((r for r in self.recording.reports if r.fingerprint.file in files), None)
        return (report.fingerprint.file, report.header_line or 1) if report else (self.campaign.file or log, 1)

    def column(self, key: str) -> str:
        """Return the column or columns that a channel is made from, as the map names them."""
        trace = self.recording.traces[key]
        for entry in self.campaign.logs:
            for source in entry.channels:
                if entry.name == trace.log and source.channel in (key, key.removesuffix(f".{entry.name}")):
                    return ", ".join(escape(name) for term in source.terms for name in term.columns)
        return key

    def accuracy_u(self, key: str) -> tuple[float, float]:
        """Return the standard uncertainty of gain [1] and offset [unit] of a channel, stated or usual."""
        trace = self.recording.traces.get(key)
        stated = _stated(self.bench, trace.instrument if trace else "", key)
        if stated is not None and (stated.gain or stated.offset):
            return stated.gain / _DIVISOR[stated.stated_as], stated.offset / _DIVISOR[stated.stated_as]
        return _USUAL.get(key.partition("_")[0], (0.0, 1.0))

    @property
    def touched(self) -> bool:
        """Whether anything was found so far."""
        return bool(self._remarks or self._missing)

    def answered(self) -> Recording:
        """Return the recording with remarks on its channels and what is no reading taken for missing."""
        traces = dict(self.recording.traces)
        for key in {*self._remarks, *self._missing}:
            trace = traces[key]
            said = tuple(dict.fromkeys((*trace.remarks, *self._remarks.get(key, ()))))
            traces[key] = replace(_without(trace, self._missing.get(key, [])), remarks=said)
        return replace(self.recording, traces=traces)


def _stated(bench: Bench, instrument: str, key: str) -> Accuracy | None:
    for item in bench.instruments:
        if item.name == instrument:
            return item.accuracy.get(key) or item.accuracy.get(key.partition(".")[0])
    return None


def _without(trace: AlignedTrace, spans: list[tuple[float, float]]) -> AlignedTrace:
    if not spans:
        return trace
    value = np.array(trace.value)
    low, high = (None if a is None else np.array(a) for a in (trace.low, trace.high))
    for start, end in spans:
        inside = (trace.end_s > start - 1e-6) & (trace.start_s < end + 1e-6)
        for column in (value, low, high):
            if column is not None:
                column[inside] = np.nan
    return replace(trace, value=value, low=low, high=high)


def bounds_on_clock(
    recording: Recording, rows: Mapping[str, tuple[tuple[int, int], ...]], stamps: Mapping[str, np.ndarray]
) -> Recording:
    """Return the recording with stretches of lower bounds, given as `rows` of each channel's `stamps` [ns]."""
    traces = dict(recording.traces)
    for key, ranges in rows.items():
        trace = traces[key]
        clocks = [clock for clock in recording.clocks if clock.log == trace.log and clock.status != "ambiguous"]
        if not clocks:
            continue
        spans = []
        for first, past in ranges:
            ends = stamps[key][[first, past - 1]]
            own = (ends[0] - clocks[0].zero_ns) * 1e-9
            clock = next((c for c in clocks if not (own < c.first or own > c.last)), clocks[-1])
            start, end = clock.to_reference(ends)
            spans.append((float(start - trace.averaging), float(end + trace.averaging)))
        traces[key] = replace(trace, at_least=tuple(spans))
    return replace(recording, traces=traces)


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time in words."""

    start: float
    end: float

    def __str__(self) -> str:
        return f"{self.start:.0f} s to {self.end:.0f} s"


def spans_text(spans: list[tuple[float, float]]) -> str:
    """Return e.g. ``from 310 s to 420 s and in 2 more stretches``."""
    more = f" and in {len(spans) - 1} more stretch{'es' if len(spans) > 2 else ''}" if len(spans) > 1 else ""
    return f"from {Span(*spans[0])}{more}"
