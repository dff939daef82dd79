"""Simulated instruments: own clock, rate, averaging, stamps, resolution, errors, gaps."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from phasewright.bench import Accuracy
from phasewright.live.virtual.signals import Signals


@dataclass(frozen=True, slots=True)
class Column:
    """One column of an instrument's log."""

    name: str
    signal: str
    """Name of the true signal."""
    unit: str = ""
    channel: str = ""
    """Channel whose stated accuracy holds for the column; '' = exact."""
    scale: float = 1.0
    """Written value = SI value x scale (1000 for mW, 100 for per cent)."""
    decimals: int = 2
    resolution: float = 0.0
    """Step of the reading [SI]; 0 = only the written decimals."""
    noise: float = 0.0
    """Standard deviation from reading to reading [SI]."""
    lag: float = 0.0
    """First-order lag of the sensor [s]."""
    gain_of: str = ""
    """Channel whose gain error acts here when it is not `channel`'s own (the current of a power meter)."""
    offset_share: float = 1.0
    """How much of the channel's offset error acts here, in this column's unit over the channel's."""


@dataclass(frozen=True, slots=True)
class ClockError:
    """An instrument's clock against lab time."""

    offset: float = 0.0
    """Its reading less true time at the start [s]."""
    drift: float = 0.0
    """[ppm]"""
    step_at: float | None = None
    """Lab time at which somebody sets it [s]."""
    step: float = 0.0
    """Amount by which it is set [s]."""
    restart_at: float | None = None
    """Lab time at which logging starts anew, with elapsed time from zero [s]."""


@dataclass(frozen=True, slots=True)
class Dialect:
    """How an instrument writes: invented, plain delimited text."""

    stamp: str = "iso"
    """iso | elapsed_s | epoch_ms | epoch_s | split"""
    stamp_decimals: int = 3
    stamp_names: tuple[str, ...] = ("time",)
    delimiter: str = ","
    decimal: str = "."
    units: str = "header"
    """header (name [unit]) | suffix (name_unit) | row | none"""
    preamble: bool = True
    """Comment lines in front."""
    newline: str = "\n"
    bom: bool = False
    trailing_delimiter: bool = False
    date: str = "%Y-%m-%d"

    @property
    def absolute(self) -> bool:
        """Whether stamps are points in time rather than time since the log's start."""
        return self.stamp != "elapsed_s"


@dataclass(frozen=True, slots=True)
class VirtualInstrument:
    """An instrument on the simulated bench and the log that it writes."""

    name: str
    log: str
    columns: tuple[Column, ...]
    period: float
    """[s]"""
    averaging: float
    """[s]; 0 = instantaneous."""
    stamp_at: str = "end"
    """start | middle | end"""
    accuracy: Mapping[str, Accuracy] = field(default_factory=dict)
    clock: ClockError = ClockError()
    dialect: Dialect = Dialect()
    jitter: float = 0.0
    """Standard deviation of the moment of reading, known to the stamp [s]."""
    stamp_noise: float = 0.0
    """Standard deviation of the stamp itself [s]."""
    start: float = 0.0
    """Lab time of switching on [s]."""
    dies_with_machine: bool = False
    dropout_rate: float = 0.0
    """Lost stretches of 1-5 rows per row."""
    duplicate_rate: float = 0.0
    """Rows written twice, per row."""
    stuck_rate: float = 0.0
    """Stretches of 3-10 repeated values, per row."""
    description: str = ""
    tell_averaging: bool = True
    """Whether the bench file states the averaging time and the stamp."""
    tell_resolution: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What an instrument read. `stamp` (n,) int64 [ns] as written; `end` (n,) lab time of each averaging's end [s]."""

    stamp: np.ndarray
    end: np.ndarray
    columns: dict[str, np.ndarray]
    """By column name, in SI x scale, rounded as written."""
    segments: tuple[tuple[int, int], ...]
    """(first, past-the-last) row between clock steps and restarts."""


@dataclass(frozen=True, slots=True)
class OwnClock:
    """One segment of an instrument's clock: own time = zero + (1 + drift)*(lab - start), both in seconds."""

    start: float
    zero: float
    drift: float

    def own(self, lab):
        """Return the instrument's time [s] at lab time [s]."""
        return self.zero + (1.0 + self.drift * 1e-6) * (np.asarray(lab) - self.start)

    def lab(self, own):
        """Return the lab time [s] at the instrument's time [s]."""
        return self.start + (np.asarray(own) - self.zero) / (1.0 + self.drift * 1e-6)


def normal_share(z: float) -> float:
    """Return the standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def drawn_error(bound: float, stated_as: str, z: float) -> float:
    """Return the error at normal quantile `z` of a stated accuracy `bound`: rectangular for a limit, else normal."""
    if stated_as == "limit":
        return bound * (2.0 * normal_share(z) - 1.0)
    return bound * z * (0.5 if stated_as == "expanded" else 1.0)


def clocks_of(instrument: VirtualInstrument, length: float) -> tuple[tuple[OwnClock, float, float], ...]:
    """Return (clock, from, to) of each segment on lab time; `zero` of an elapsed clock is 0 at its start."""
    c, first = instrument.clock, instrument.start
    zero = first + c.offset if instrument.dialect.absolute else 0.0
    one = OwnClock(first, zero, c.drift)
    if c.step_at is not None and first < c.step_at < length:
        two = OwnClock(c.step_at, float(one.own(c.step_at)) + c.step, c.drift)
        return (one, first, c.step_at), (two, c.step_at, length)
    if c.restart_at is not None and first < c.restart_at < length:
        again = float(one.own(c.restart_at)) if instrument.dialect.absolute else 0.0
        return (one, first, c.restart_at - 4.0), (OwnClock(c.restart_at, again, c.drift), c.restart_at, length)
    return ((one, first, length),)


def read(instrument: VirtualInstrument, signals: Signals, generator: np.random.Generator,
         errors: Mapping[str, float]) -> Readings:
    """Return what `instrument` reads of `signals`.

    `errors` holds the normal quantile of every ``instrument/channel/gain`` and ``.../offset``.
    """
    stamps, ends, segments, rows = [], [], [], 0
    for clock, first, last in clocks_of(instrument, signals.length):
        end = _moments(instrument, clock, first, last, generator)
        end = end[_present(instrument, signals, end, generator)]
        stamps.append(_stamps(instrument, clock, end, generator))
        ends.append(end)
        segments.append((rows, rows + len(end)))
        rows += len(end)
    end = np.concatenate(ends)
    stamp = np.concatenate(stamps)
    length = instrument.averaging / (1.0 + instrument.clock.drift * 1e-6)
    start = np.maximum(end - length, 0.0) if length > 0 else end
    columns = {column.name: _column(instrument, column, signals, start, end, generator, errors)
               for column in instrument.columns}
    made = Readings(stamp, end, columns, tuple(segments))
    if instrument.stuck_rate:
        _stick(made, instrument.stuck_rate, generator)
    return _duplicate(made, instrument.duplicate_rate, generator) if instrument.duplicate_rate else made


def read_in_parts(instrument: VirtualInstrument, signals: Signals, generator: np.random.Generator,
                  errors: Mapping[str, float], size: int) -> Iterator[Readings]:
    """Yield what an instrument without jitter, gaps or clock steps reads, `size` rows at a time."""
    (clock, first, last), = clocks_of(instrument, signals.length)
    own_first = float(clock.own(first))
    count = int((float(clock.own(last)) - own_first) / instrument.period)
    length = instrument.averaging / (1.0 + instrument.clock.drift * 1e-6)
    skipped = int(np.ceil(instrument.averaging / instrument.period)) - 1
    for begin in range(1 + max(skipped, 0), count + 1, size):
        end = clock.lab(own_first + instrument.period * np.arange(begin, min(begin + size, count + 1)))
        stamp = _stamps(instrument, clock, end, generator)
        columns = {column.name: _column(instrument, column, signals, end - length, end, generator, errors)
                   for column in instrument.columns}
        yield Readings(stamp, end, columns, ((0, len(end)),))


def _moments(instrument, clock: OwnClock, first: float, last: float, generator) -> np.ndarray:
    own_first, own_last = float(clock.own(first)), float(clock.own(last))
    count = int((own_last - own_first) / instrument.period)
    own = own_first + instrument.period * np.arange(1, count + 1)
    if instrument.jitter:
        own += np.clip(generator.normal(0.0, instrument.jitter, count), -0.45 * instrument.period,
                       0.45 * instrument.period)
    end = clock.lab(own)
    return end[(end >= instrument.averaging - 1e-9) & (end <= last)]


def _present(instrument, signals: Signals, end: np.ndarray, generator) -> np.ndarray:
    keep = np.ones(len(end), dtype=bool)
    if instrument.dies_with_machine:
        alive = signals.steps["alive"]
        keep &= alive[np.minimum(end.astype(int), len(alive) - 1)] > 0
        # A reading whose averaging began before the machine was up does not exist.
        keep &= alive[np.maximum((end - instrument.averaging).astype(int), 0)] > 0
    if instrument.dropout_rate and len(end):
        count = generator.poisson(instrument.dropout_rate * len(end))
        for begin in generator.integers(0, len(end), count):
            keep[begin : begin + generator.integers(1, 6)] = False
    return keep


def _stamps(instrument, clock: OwnClock, end: np.ndarray, generator) -> np.ndarray:
    shift = {"start": 1.0, "middle": 0.5, "end": 0.0}[instrument.stamp_at] * instrument.averaging
    own = clock.own(end) - shift
    if instrument.stamp_noise:
        own = own + generator.normal(0.0, instrument.stamp_noise, len(own))
    tick = 10 ** (9 - instrument.dialect.stamp_decimals) if instrument.dialect.stamp != "epoch_ms" else 1_000_000
    if instrument.dialect.stamp == "epoch_s" and instrument.dialect.stamp_decimals == 0:
        tick = 1_000_000_000
    stamp = np.rint(own * (1e9 / tick)).astype(np.int64) * tick
    return np.maximum.accumulate(stamp) if len(stamp) else stamp


def _column(instrument, column: Column, signals: Signals, start, end, generator, errors) -> np.ndarray:
    value = signals.get(column.signal, column.lag).mean(start, end)
    gain = offset = 0.0
    stated = instrument.accuracy.get(column.channel or column.gain_of)
    if stated is not None:
        place = f"{instrument.name}/{column.channel or column.gain_of}"
        gain = drawn_error(stated.gain, stated.stated_as, errors.get(f"{place}/gain", 0.0))
        offset = drawn_error(stated.offset, stated.stated_as, errors.get(f"{place}/offset", 0.0))
    value = value * (1.0 + gain) + offset * column.offset_share
    if column.noise:
        value = value + column.noise * generator.standard_normal(len(value))
    if column.resolution:
        value = np.rint(value / column.resolution) * column.resolution
    scaled = value * column.scale
    return np.round(scaled, column.decimals)


def _stick(made: Readings, rate: float, generator) -> None:
    n = len(made.stamp)
    for begin in generator.integers(0, max(n - 12, 1), generator.poisson(rate * n)):
        until = begin + generator.integers(3, 11)
        for values in made.columns.values():
            values[begin:until] = values[begin]


def _duplicate(made: Readings, rate: float, generator) -> Readings:
    n = len(made.stamp)
    twice = np.sort(generator.choice(n, size=min(generator.poisson(rate * n), n), replace=False))
    index = np.sort(np.concatenate([np.arange(n), twice]))
    moved = tuple((int(np.searchsorted(index, a)), int(np.searchsorted(index, b))) for a, b in made.segments)
    return Readings(made.stamp[index], made.end[index], {k: v[index] for k, v in made.columns.items()}, moved)
