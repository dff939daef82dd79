"""Records that the logs room hands on: traces, read reports, clock maps, recordings, steps, windows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from phasewright.bench import ChannelSource


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing that the reader noticed."""

    kind: str
    """note | repair | refuse"""
    what: str
    line: int | None = None
    column: str = ""
    count: int = 1
    mend: str = ""
    file: str = ""
    """The file that `line` counts in, where a log has several; '' = the only one."""


@dataclass(frozen=True, slots=True)
class Fingerprint:
    file: str
    """Relative to the campaign folder."""
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class ReadReport:
    """What was read from one file, what was repaired, and how it was understood."""

    fingerprint: Fingerprint
    encoding: str
    delimiter: str
    decimal: str
    header_line: int
    columns: tuple[str, ...]
    units: tuple[str, ...]
    """Unit text found for each column, '' = none."""
    time_columns: tuple[str, ...]
    time_format: str
    row_count: int
    first_time: str
    last_time: str
    remarks: tuple[Remark, ...]
    fast_path: bool = False
    reversed: bool = False
    """True when the file held the newest row first and was turned round."""
    text_columns: tuple[str, ...] = ()
    """Columns that hold words, not numbers."""
    segment_count: int = 1
    complete: bool = True
    """False when the file changed while it was read; read it again."""
    zone: str = ""
    """Zone that the stamps name themselves in the first row, such as +02:00 or Z; '' = none."""


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """What one log file holds: stamps and numeric columns, row by row in the order of time.

    `names` are the columns as in the header (``#3`` for a column without a name), in file order; `columns` holds the
    numeric ones, float64 (n,), NaN = missing; columns that hold words are named only. `time_ns` int64 (n,),
    nanoseconds since the Unix epoch when `absolute`, else since the log's own zero; never decreasing inside a
    segment. `segments` are (first, past-the-last) row index pairs. `line_starts` int64 (m, 2): from row [i, 0] on,
    lines count up from [i, 1] (down when the file was newest first).
    """

    log: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    """Canonical unit symbol of each column, '' = none stated."""
    time_ns: np.ndarray
    absolute: bool
    columns: Mapping[str, np.ndarray]
    segments: tuple[tuple[int, int], ...]
    line_starts: np.ndarray
    report: ReadReport
    stamp_resolution: float = 0.0
    """Smallest step that the stamps can show [s]."""

    def line_of(self, row: int) -> int:
        """Return the line of the file (first line = 1) that holds row `row` (first row = 0)."""
        index = int(np.searchsorted(self.line_starts[:, 0], row, side="right")) - 1
        first_row, line = self.line_starts[index]
        step = -1 if self.report.reversed else 1
        return int(line + step * (row - first_row))


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A channel that a log seems to hold, with the reasons. A person confirms it."""

    channel: str
    source: ChannelSource
    score: float
    """0 to 1; below 0.5 = a guess worth showing only when nothing better claims the channel."""
    why: tuple[str, ...]
    first_values: tuple[float, ...] = ()
    """First values of the channel in its own unit, NaN = missing."""


@dataclass(frozen=True, slots=True, eq=False)
class OpenedLog:
    """One log of a campaign, opened: a trace for every mapped channel, and what was read from each file."""

    traces: tuple[Trace, ...]
    reports: tuple[ReadReport, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One channel over time, on the instrument's own clock.

    `time_ns` int64 (n,), nanoseconds since the Unix epoch (absolute clocks) or since the log's own zero;
    never decreasing inside a segment. `value` float64 (n,), SI (degC for temperatures), NaN = missing.
    `segments` are (first, past-the-last) index pairs; the clock may have been set or restarted between them.
    """

    channel: str
    unit: str
    log: str
    time_ns: np.ndarray
    value: np.ndarray
    averaging: float | None
    """[s]; None = unknown"""
    stamp_at: str
    """start | middle | end | unknown"""
    segments: tuple[tuple[int, int], ...]
    absolute: bool = True
    remarks: tuple[Remark, ...] = ()
    stamp_resolution: float = 0.0
    """Smallest step that the stamps can show [s]; several readings share a stamp when it exceeds the period."""
    at_least: tuple[tuple[int, int], ...] = ()
    """(first, past-the-last) index of stretches whose readings are lower bounds only (a saturated sensor)."""

    @property
    def period(self) -> float:
        """Median sampling period [s]; NaN for fewer than two samples."""
        if len(self.time_ns) < 2:
            return float("nan")
        return float(np.median(np.diff(self.time_ns[:100_000]))) * 1e-9


@dataclass(frozen=True, slots=True)
class ClockMap:
    """Puts one log's clock (one segment of it) on the reference clock.

    reference time [s] = t + offset + drift*1e-6*(t - pivot), t = seconds on the log's own clock since `zero_ns`
    (the same zero for every log when all clocks are absolute, else each log's first stamp).
    """

    log: str
    segment: int
    reference: str
    status: str
    """reference | aligned | ambiguous | assumed"""
    zero_ns: int
    offset: float
    offset_u: float | None
    drift: float = 0.0
    """[ppm]"""
    drift_u: float | None = None
    pivot: float = 0.0
    averaging: float | None = None
    averaging_u: float | None = None
    peak_ratio: float | None = None
    candidates: tuple[tuple[float, float], ...] = ()
    """(offset s, score) of every candidate when ambiguous."""
    pair: tuple[str, str] = ("", "")
    """The two channels that were compared (reference, this log)."""
    overlap: float = 0.0
    """Length of the common record [s]."""
    note: str = ""
    first: float = float("nan")
    """First moment that this map holds for, seconds on the log's own clock (as `pivot`); NaN = no bound."""
    last: float = float("nan")
    """Last moment that this map holds for."""

    def to_reference(self, time_ns: np.ndarray) -> np.ndarray:
        """Return reference-clock seconds, float64, for stamps `time_ns` of this log."""
        t = (np.asarray(time_ns) - self.zero_ns) * 1e-9
        return t + self.offset + self.drift * 1e-6 * (t - self.pivot)


@dataclass(frozen=True, slots=True, eq=False)
class AlignedTrace:
    """One channel on the reference clock: interval means.

    `end_s` float64 (n,) is the end of each reading's averaging interval [s] on the reference clock,
    `start_s` its start (equal to end_s for instantaneous readings); `value` NaN = missing.
    """

    channel: str
    unit: str
    log: str
    instrument: str
    start_s: np.ndarray
    end_s: np.ndarray
    value: np.ndarray
    averaging: float
    time_u: float
    """Standard uncertainty of its placement on the reference clock [s]."""
    low: np.ndarray | None = None
    """Smallest raw sample inside each interval, (n,); None when every value is one raw sample."""
    high: np.ndarray | None = None
    """Greatest raw sample inside each interval, (n,)."""
    raw_averaging: float | None = None
    """Averaging time of one raw sample [s], which `low` and `high` refer to; None = unknown."""
    segments: tuple[tuple[int, int], ...] = ()
    remarks: tuple[Remark, ...] = ()
    at_least: tuple[tuple[float, float], ...] = ()
    """(from, to) [s] of stretches whose readings are lower bounds only (a saturated sensor)."""

    @property
    def middle_s(self) -> np.ndarray:
        """Middle of each reading's interval [s], reference clock."""
        return 0.5 * (self.start_s + self.end_s)


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Recording:
    """All logs of a campaign on one clock. Zero of the clock = first stamp of the reference log."""

    reference: str
    origin: str
    """Absolute time of the clock's zero, ISO 8601, '' when the reference clock is not absolute."""
    traces: Mapping[str, AlignedTrace]
    clocks: tuple[ClockMap, ...]
    reports: tuple[ReadReport, ...]
    remarks: tuple[Remark, ...] = ()
    file_spans: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """By file: first and last stamp on the reference clock [s]; only files that have a place on it."""


@dataclass(frozen=True, slots=True)
class StepSpan:
    """Where a planned step is found on the reference clock."""

    name: str
    start_s: float
    end_s: float
    found_from: str
    """times | files | edges"""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Settling:
    """What remains of one channel's transient in a step, and whether that is little enough."""

    channel: str
    slope: float
    """[unit/s]"""
    slope_u: float
    """Standard error corrected for autocorrelation (and for resolution)."""
    time_constant: float
    """Longest time constant that the bench may have, with 95 % [s]."""
    remaining: float
    """What remained on average over the window is less than this, with 95 % [unit]."""
    bound: float
    settled: bool
    """Whether surely (99 %) less than `bound` remains at the window's end."""
    reason: str
    extrapolated: float | None = None
    """Settled value where extrapolation is allowed, else None."""
    extrapolated_u: float | None = None


@dataclass(frozen=True, slots=True)
class Window:
    """The part of a step from which figures are taken."""

    step: str
    start_s: float
    end_s: float
    settled: bool
    settling: tuple[Settling, ...]
    reasons: tuple[str, ...]
    found: bool = True
    """False: the step is too short or empty for any window; start_s == end_s."""
    discarded: tuple[tuple[float, float, str], ...] = ()
    """(start, end, why) of the parts of the step that were left out."""
    remarks: tuple[str, ...] = field(default=())
