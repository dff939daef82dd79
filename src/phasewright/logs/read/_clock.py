"""The log's own clock: raw stamps in file order become times that never decrease inside a segment."""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from collections.abc import Callable

import numpy as np

from phasewright.bench import Fault, LogFault, escape

from . import _times as times
from ._times import DAY, SECOND, TimePlan

Say = Callable[..., None]
HOUR = 3600 * SECOND
MOST_STEPS = 200_000
"""Intervals kept for their median and scatter."""
LONG_STEP, MOST_LONG = 2.2, 10_000
"""Intervals longer than so many periods are kept, at most so many, to see whether whole periods fill them."""
MOST_BACKWARD, MOST_BACKWARD_SHARE = 50, 0.005
"""A clock that goes back more often than this many times, plus this share of the rows, is no clock."""
TICK_WRAPS = {"ms": (2**32,), "us": (2**32,), "s": (2**16,), "ns": ()}
"""Ranges of counters by unit [count]: 32-bit ticks, 16-bit seconds."""


class Clock:
    """Takes stamps chunk by chunk and gives times; notes wraps, steps back, restarts, gaps.

    `direction` is -1 for a file with the newest row first.
    """

    def __init__(self, plan: TimePlan, zone: str, file: str, say: Say, direction: int = 1, step: float = 0.0):
        self.plan, self.file, self.say, self.direction = plan, file, say, direction
        self.zone = _Zone(zone, file) if zone else None
        self.step = step
        """Median step of the sample [ns], 0 = unknown."""
        self.offset = 0
        self.last_raw: int | None = None
        self.last: int | None = None
        self.rows = 0
        self.starts: list[int] = [0]
        """First rows of the segments, in file order."""
        self.same = 0
        self.first: int | None = None
        self.changed = False
        self.steps: list[np.ndarray] = []
        self.kept_steps = 0
        self.gap_count, self.gap_worst, self.gap_row = 0, 0, 0
        self.long_steps: list[tuple[int, int]] = []
        """(row, ns) of the intervals longer than two periods, as many as are kept."""
        self.backward_rows: list[int] = []
        self.relative = False
        """The stamps name dates of a clock that was never set: only their differences mean something."""

    def push(self, raw: np.ndarray, zoned: bool, breaks: list[int], line_of: Callable[[int], int]) -> np.ndarray:
        """Return the times of a chunk of raw stamps int64 (n,); `breaks` are rows of the chunk that start a segment."""
        if not len(raw):
            return raw
        base = self.rows
        out = raw if self.zone is None or zoned else self.zone.to_utc(raw, self, base, line_of)
        previous = self.last_raw
        step = np.diff(out, prepend=out[0] if previous is None else np.int64(previous))
        if self.direction < 0:
            step = -step
        self.last_raw = int(out[-1])
        back = np.flatnonzero(step < 0)
        fixed = set(breaks)
        for row in breaks:
            self._start(base + row)
        if self.offset or len(back):
            out, step = self._mend(out, step, back, base, fixed, line_of)
        self._count(out, step, base, fixed)
        if self.first is None and self.plan.absolute and _is_unset(int(out[0])):
            self.relative, self.zero = True, int(out[0])
            date = times.text_of(self.zero, True)[:10]
            self.say("note", f"dates around {date}: the clock was not set, time counts from the first row", line_of(0))
        if self.relative:
            out = out - self.zero
        self.rows += len(raw)
        self.last = int(out[-1])
        if self.first is None:
            self.first = int(out[0])
        return out

    def _start(self, row: int) -> None:
        if row:
            self.starts.append(row)

    def _mend(self, out, step, back, base, fixed, line_of):
        """Unwrap at midnight and at the counter's end; start segments at all other steps back."""
        out = out.copy()
        step = step.copy()
        out += self.offset
        for row in back:
            row = int(row)
            drop = -int(step[row])
            if row in fixed:
                continue
            wrap = self._wrap(int(out[row]) - self.offset, drop)
            if wrap:
                size, words = wrap
                out[row:] += size * self.direction
                self.offset += size * self.direction
                step[row] += size
                self.say("repair", words, line_of(base + row))
                if self.step and step[row] > max(100 * self.step, HOUR):
                    self._start(base + row)
                    fixed.add(row)
                    self.say(
                        "refuse",
                        "a gap across midnight: how many days passed is not in the file",
                        line_of(base + row),
                        mend="log the date with the time",
                    )
                continue
            self._start(base + row)
            fixed.add(row)
            self._check_hours(int(out[row]), drop, line_of(base + row))
            self.backward_rows.append(base + row)
            if len(self.backward_rows) > MOST_BACKWARD + MOST_BACKWARD_SHARE * (base + row):
                raise LogFault(Fault(
                    self.file, f"stamps go back {len(self.backward_rows)} times in {base + row} rows: no running clock",
                    "check time_columns and time_format, or sort the log by its own counter", line_of(base + row),
                ))  # fmt: skip
            self._say_back(int(out[row]), drop, line_of(base + row))
        return out, step

    def _check_hours(self, now: int, drop: int, line: int) -> None:
        """Raise LogFault where a time of day goes from 12 to 1: hours without AM or PM."""
        if self.plan.kind not in ("datetime", "date+clock", "clock") or self.plan.stated:
            return
        if 1 <= now % DAY // HOUR < 2 and 12 <= (now + drop) % DAY // HOUR < 13 and 10.9 * HOUR < drop <= 12 * HOUR:
            raise LogFault(Fault(
                self.file, "time of day goes from 12 to 1: a 12-hour clock without AM or PM",
                'log with 24 hours, or state time_format, e.g. "%I:%M:%S %p"', line,
            ))  # fmt: skip

    def _wrap(self, now: int, drop: int) -> tuple[int, str] | None:
        kind = self.plan.kind
        if kind in ("clock", "custom_clock") and drop > DAY // 2:
            return DAY, "time of day passes midnight; a day added"
        if kind == "number" and not self.plan.epoch:
            scale = times.UNIT_NS[self.plan.unit]
            for count in TICK_WRAPS.get(self.plan.unit, ()):
                size = count * scale
                after = size - drop
                near = self.step * 3 if self.step else size // 1000
                if 0 <= now < size // 20 and 0 < after <= max(near, scale) and now + drop < size:
                    return size, f"counter of {count} {self.plan.unit} wrapped; unwrapped"
        return None

    def _say_back(self, now: int, drop: int, line: int) -> None:
        if not self.plan.absolute and abs(now) <= max(10 * self.step, drop // 20):
            self.say("repair", "counter starts again: new segment, unknown gap before it", line)
        elif self.plan.kind == "datetime" and abs(drop - HOUR) < 0.2 * HOUR and self.zone is None:
            self.say(
                "repair",
                "stamps go back by about an hour (end of summer time, or clock set): new segment",
                line,
                mend='state the zone of the log, e.g. zone = "Europe/Berlin"',
            )
        else:
            self.say("repair", "stamps go back: clock step, new segment", line, shown=f"by {drop / 1e9:g} s")

    def _count(self, out, step, base, fixed) -> None:
        inner = step
        if base == 0:
            inner = step[1:]
        if not len(inner):
            return
        self.same += int(len(inner) - np.count_nonzero(inner))
        # A stamp in 97 keeps the median honest and costs nothing; short files keep all of them.
        sample = inner if self.rows < 100_000 else inner[::97]
        positive = sample[sample > 0]
        if len(positive):
            self.changed = True
            if self.kept_steps < MOST_STEPS:
                self.kept_steps += len(positive)
                self.steps.append(positive.copy())
        limit = self.gap_limit()
        least = LONG_STEP * self.step if self.step and len(self.long_steps) < MOST_LONG else limit
        worst = int(inner.max())
        if worst > min(limit, least):
            rows = np.flatnonzero(step > min(limit, least))
            rows = [int(row) for row in rows if int(row) not in fixed and base + row > 0]
            for row in rows:
                if step[row] > limit:
                    self.gap_count += 1
                    if step[row] > self.gap_worst:
                        self.gap_worst, self.gap_row = int(step[row]), base + row
                if len(self.long_steps) < MOST_LONG:
                    self.long_steps.append((base + row, int(step[row])))

    def gap_limit(self) -> float:
        """Return the step above which the record has a gap [ns]."""
        return max(5 * self.step, 2 * SECOND) if self.step else float("inf")

    def odd_steps(self, steps: np.ndarray) -> list[tuple[int, int]]:
        """Return the (row, ns) of long intervals that no whole number of periods fills; `steps` are all, rising.

        Lost readings leave whole periods; a clock that is set, or a logger that rests, leaves anything. Only a log whose
        readings come evenly can tell.
        """
        period = float(steps[len(steps) // 2])
        spread = float(steps[(len(steps) * 9) // 10] - steps[len(steps) // 10]) / 2.56
        if len(steps) < 30 or not spread < 0.07 * period:
            return []
        slack = 0.2 * period + 3.0 * spread
        return [(row, ns) for row, ns in self.long_steps if abs(ns / period - round(ns / period)) * period > slack]

    # ---- the end ----

    def segments(self) -> tuple[tuple[int, int], ...]:
        """Return (first, past-the-last) rows of the segments, in file order."""
        starts = [row for row in sorted(set(self.starts)) if row < self.rows or row == 0]
        return tuple(zip(starts, [*starts[1:], self.rows], strict=True))

    def sorted_steps(self) -> np.ndarray:
        """Return the intervals between stamps that were kept [ns], int64 (n,), rising."""
        return np.sort(np.concatenate(self.steps)) if self.steps else np.zeros(0, dtype=np.int64)

    def finish(self, line_of: Callable[[int], int]) -> None:
        """Say what the whole clock shows. Raises LogFault when all stamps are the same."""
        if self.rows > 1 and not self.changed and not len(self.starts) > 1:
            raise LogFault(
                Fault(
                    self.file,
                    f"all {self.rows} rows carry the same time stamp",
                    "log a running clock; row order with a stated rate cannot carry time-based results",
                    line_of(0),
                )
            )
        steps = self.sorted_steps()
        if len(steps):
            median, worst = float(steps[len(steps) // 2]), int(steps[-1])
            low, high = int(steps[len(steps) // 20]), int(steps[(len(steps) * 19) // 20])
            if high > 3 * max(low, 1) and len(steps) > 10:
                self.say(
                    "note",
                    f"intervals scatter: median {median / 1e9:.4g} s, worst {max(worst, self.gap_worst) / 1e9:.4g} s",
                )
            odd = self.odd_steps(steps)
            if odd:
                row, longest = max(odd, key=lambda item: item[1])
                self.say(
                    "note",
                    f"readings come every {median / 1e9:.4g} s, but not a whole number of them fits an interval of "
                    f"{longest / 1e9:.4g} s: the clock was set, or the logger rested",
                    line_of(row),
                    count=len(odd),
                )
        if self.gap_count:
            self.say(
                "note",
                f"gaps in the record, longest {self.gap_worst / 1e9:.4g} s",
                line_of(self.gap_row),
                count=self.gap_count,
            )
        if self.same:
            self.say("note", "rows that carry the same stamp as the row before, all kept", count=self.same)


def _is_unset(ns: int) -> bool:
    """Return True for the years in which clocks start that nobody has set, and for years that no log can be from."""
    year = int(np.datetime64(ns, "ns").astype("datetime64[Y]").astype(np.int64)) + 1970
    return year in (1970, 1980, 2000) or not 1980 <= year < 2100


class _Zone:
    """Local time of a named zone, or of a fixed offset, to UTC; the repeated hour is settled by the order of rows."""

    def __init__(self, name: str, file: str):
        self.name, self.fixed = name, None
        self.second = False
        self.last_local: int | None = None
        match = re.fullmatch(r"(?:UTC|GMT)?([+-]\d{1,2})(?::?(\d{2}))?", name)
        if name in times.ZERO_ZONES:
            self.fixed = 0
        elif match is not None:
            hours, minutes = int(match[1]), int(match[2] or 0)
            self.fixed = (abs(hours) * 3600 + minutes * 60) * SECOND * (-1 if match[1][0] == "-" else 1)
        else:
            try:
                self.zone = zoneinfo.ZoneInfo(name)
            except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
                raise LogFault(
                    Fault(
                        file,
                        f"unknown zone ({escape(name)})",
                        'state a zone such as "Europe/Berlin" or "+01:00"',
                        1,
                        path="zone",
                    )
                ) from None

    def to_utc(self, raw: np.ndarray, clock: Clock, base: int, line_of) -> np.ndarray:
        """Return UTC for local times int64 (n,)."""
        if self.fixed is not None:
            return raw - self.fixed
        first, second = self._offsets(raw)
        out = raw - first
        twice = first != second
        if not twice.any() and not self.second:
            self.last_local = int(raw[-1])
            return out
        out = out.copy()
        step = np.diff(raw, prepend=raw[0] if self.last_local is None else np.int64(self.last_local))
        for row in np.flatnonzero(twice | (step < 0)):
            row = int(row)
            if not twice[row]:
                continue
            if step[row] * clock.direction < -20 * 60 * SECOND and not self.second:
                self.second = clock.direction > 0
                clock.say(
                    "repair",
                    f"end of summer time in {self.name}: the repeated hour told apart by the order of rows",
                    line_of(base + row),
                )
            if self.second:
                out[row] = raw[row] - second[row]
        if not twice[-1]:
            self.second = False
        self.last_local = int(raw[-1])
        return out

    def _offsets(self, raw: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the zone's offsets [ns] of local times, for the first and the second passage of a repeated hour."""
        quarter, where = np.unique(raw // (15 * 60 * SECOND), return_inverse=True)
        pairs = np.empty((len(quarter), 2), dtype=np.int64)
        for i, value in enumerate(quarter):
            local = dt.datetime(1970, 1, 1) + dt.timedelta(minutes=15 * int(value))
            for fold in (0, 1):
                offset = local.replace(tzinfo=self.zone, fold=fold).utcoffset()
                pairs[i, fold] = int(offset.total_seconds()) * SECOND if offset is not None else 0
        found = pairs[where.reshape(-1)]
        return found[:, 0], np.minimum(found[:, 0], found[:, 1])
