"""One reading of one file, from opening to the finished table."""

from __future__ import annotations

import os
import re
import statistics
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import numpy as np

from phasewright.bench import Fault, Instrument, LogEntry, LogFault, escape

from ..records import Fingerprint, ReadReport, Table
from . import _header as header
from . import _layout as layouts
from . import _times as times
from ._block import Block, BlockReader
from ._cells import OpenQuote, joined, split_line
from ._clock import Clock
from ._layout import Found, HeaderBelow, Lines, Wishes
from ._notes import Notes
from ._rows import RowReader, Unread
from ._sink import Sink
from ._source import BLOCK, Source, decode_line
from ._timeplan import OrderUnknown, is_time_name, stated_time_unit

Progress = Callable[[float, str], None]


MOST_READINGS = 4
"""Times that a file is begun again because a cell beyond the sample shows what the sample did not."""


class Reading:
    """Reads one file."""

    def __init__(
        self,
        path: Path,
        entry: LogEntry | None,
        instrument: Instrument | None,
        file: str,
        sink: Sink,
        progress: Progress | None,
    ):
        self.path, self.entry, self.file, self.sink, self.progress = path, entry, file, sink, progress
        self.notes = Notes(file)
        self.wishes = wishes_of(entry, instrument)
        self.zone = entry.zone if entry else ""
        self.source = Source(path, file, entry.encoding if entry else "")
        self.log = entry.name if entry else path.stem

    def run(self, strict: bool) -> Table:
        """Return the table. Raises LogFault."""
        for _ in range(MOST_READINGS):
            try:
                return self._read_once(strict)
            except Unread as proof:
                self.wishes.proofs[proof.column] = (proof.line, proof.cell)
                self.wishes.date_order = ""
                self.sink.restart()
                self.notes = Notes(self.file)
                self.source = Source(self.path, self.file, self.entry.encoding if self.entry else "")
        what = "the way decimals are written changes too often"
        raise LogFault(Fault(self.file, what, 'state decimal = "." or decimal = ","', 1))

    def _read_once(self, strict: bool) -> Table:
        lines = sample_lines(self.source)
        found = self._layout(lines)
        for kind, what, line, mend in found.remarks:
            self.notes.say(kind, what, line, mend=mend)
        self._say_source()
        direction, step = self._direction(lines, found)
        clock = Clock(found.layout.plan, self.zone, self.file, self._say, direction, step)
        rows = RowReader(found.layout, clock, self.sink, self.notes, self.file, frozenset(self.wishes.mapped))
        self._read(rows)
        if not rows.row_count:
            last = rows._next_line if rows._next_line > 0 else found.layout.header_line
            raise LogFault(
                Fault(
                    self.file,
                    f"no data rows after line {max(last, found.layout.header_line)}",
                    "bring a log that holds readings",
                    max(last, 1),
                )
            )
        if direction < 0:
            self.notes.say("repair", "newest row first; turned round", found.layout.first_line)
        clock.finish(rows.line_of)
        table = self._table(rows, clock, found, direction)
        if strict:
            if self.source.changed:
                # What was read may be half a file.
                self.notes.say("refuse", f"the file {self.source.changed} while it was read", 1,
                               mend="read it again when nothing writes to it")  # fmt: skip
            self.notes.raise_strict()
        return table

    def _say(
        self, kind: str, what: str, line: int | None = None, *, mend: str = "", count: int = 1, shown: str = ""
    ) -> None:
        self.notes.say(kind, what, line, mend=mend, count=count, shown=shown)

    def _say_source(self) -> None:
        encoding = self.source.encoding
        if encoding.note:
            self.notes.say(encoding.kind, encoding.note, 1)
        if self.source.line_ends == "\r":
            self.notes.say("repair", "lines end with carriage returns only", 1)

    # ---- layout ----

    def _layout(self, lines: Lines) -> Found:
        begin = 0
        while True:
            rest = [item for item in lines if item[0] >= begin]
            try:
                found = layouts.find_layout(rest, self.wishes, self.file)
                break
            except HeaderBelow as below:
                if below.line <= begin:
                    mend = "state header_line, or header_line = 0 and the channels by position"
                    raise LogFault(Fault(self.file, "no header fits the rows below it", mend, begin)) from None
                begin = below.line
            except OrderUnknown as doubt:
                if self.wishes.date_order:
                    raise
                self.wishes.date_order = self._prove_order(doubt)
        if begin:
            count = sum(number < begin for number, text in lines if text.strip())
            found.remarks.append(
                (
                    "refuse",
                    f"{count} row{'s' if count != 1 else ''} before the header on line {begin} left out: nothing names "
                    f"{'their' if count != 1 else 'its'} columns",
                    1,
                    "state header_line and the channels by position, or bring the part of the log before it",
                )
            )
        return found

    def _prove_order(self, doubt: OrderUnknown) -> str:
        """Return the order of day and month that any row of the file proves. Raises the doubt when none does."""
        found: set[tuple[str, str, str, str]] = set()
        for block in Source(self.path, self.file, self.entry.encoding if self.entry else "", hashing=False).blocks():
            for a, b, c in set(re.findall(rb"(?<![\d/.-])(\d{1,2})[-/](\d{1,2})[-/](\d{4})(?!\d)", block)):
                found.add((a.decode(), b.decode(), c.decode(), "/"))
        order, why = times.order_proof(found)
        if not order:
            raise doubt
        words = "day before the month" if order == "dmy" else "month before the day"
        self.notes.say("note", f"dates read with the {words} ({why})")
        return order

    def _direction(self, lines: Lines, found: Found) -> tuple[int, float]:
        """Return (1, or -1 when the newest row comes first; median step of the sample [ns])."""
        stamps, layout = [], found.layout
        self.digits, self.stamp_zone = 0, ""
        for number, text in lines:
            if number < layout.first_line:
                continue
            try:
                cells = joined(split_line(text, layout.delimiter), layout.comma_fraction)
                stamp = times.read_stamp(tuple(cells[i] for i in layout.plan.fields), layout.plan)
                stamps.append(stamp.ns)
                if stamp.zoned and len(stamps) == 1 and not layout.plan.epoch:
                    self.stamp_zone = _written_zone(cells[layout.plan.fields[-1]])
                self.digits = max(self.digits, _fraction_digits(cells[layout.plan.fields[-1]]))
            except (ValueError, IndexError, OverflowError, OpenQuote, times.Doubt):
                continue
        steps = [b - a for a, b in zip(stamps, stamps[1:], strict=False) if a != b]
        if not steps:
            return 1, 0.0
        backwards = sum(step < 0 for step in steps)
        direction = -1 if backwards >= 2 and backwards > 0.8 * len(steps) else 1
        forward = [step * direction for step in steps if step * direction > 0]
        return direction, float(statistics.median(forward)) if forward else 0.0

    # ---- rows ----

    def _read(self, rows: RowReader) -> None:
        line, done, size = 1, 0, max(self.source.identity.size, 1)
        for index, (data, block) in enumerate(self._parsed(rows)):
            line += rows.accept(data, block, line)
            done += len(data)
            if self.progress is not None and index % 16 == 0:
                self.progress(min(done / size, 1.0), f"reading {self.file}")
        tail = self.source.dropped_tail
        if tail.strip() and not rows.stopped:
            shown = escape(decode_line(tail[:200])[0].strip(), 40)
            rows.pending = None if rows.pending is not None and b'"' in tail else rows.pending
            self.notes.say("repair", "last line has no line end and may be cut: dropped", line, shown=shown)
        if self.source.padding:
            self.notes.say("repair", f"{self.source.padding} zero bytes at the end of the file dropped", line)
        if self.source.changed:
            what = f"the file {self.source.changed} while it was read; {rows.row_count} rows are what was found"
            self.notes.say("note", what, line, mend="read it again when nothing writes to it")
        if self.source.grown:
            self.notes.say(
                "note", "the file grew while it was read; read up to the length that it had at the start", line
            )
        rows.close()
        if self.progress is not None:
            self.progress(1.0, f"read {self.file}")

    def _parsed(self, rows: RowReader):
        """Yield every block of the file with what is plain in it, read ahead on all cores."""
        if self.source.identity.size <= 2 * BLOCK:
            for data in self.source.blocks():
                yield data, rows.block_reader.read(data)
            return
        waiting: deque[tuple[bytes, BlockReader, Future[Block | None]]] = deque()
        workers = max(2, min(4, os.cpu_count() or 2))
        pool = ThreadPoolExecutor(workers, thread_name_prefix="read")
        try:
            for data in self.source.blocks():
                if rows.stopped:
                    continue
                waiting.append((data, rows.block_reader, pool.submit(rows.block_reader.read, data)))
                if len(waiting) > 2 * workers:
                    yield self._next(waiting, rows)
            while waiting:
                yield self._next(waiting, rows)
        finally:
            pool.shutdown(cancel_futures=True)

    @staticmethod
    def _next(waiting: deque, rows: RowReader) -> tuple[bytes, Block | None]:
        data, reader, future = waiting.popleft()
        block = future.result()
        if reader is not rows.block_reader:
            # The layout changed since: what was read ahead does not hold.
            block = rows.block_reader.read(data)
        return data, block

    # ---- table ----

    def _table(self, rows: RowReader, clock: Clock, found: Found, direction: int) -> Table:
        time_ns, columns = self.sink.finish(direction < 0)
        segments = clock.segments()
        starts = np.stack([np.array(rows.start_rows), np.array(rows.start_lines)], axis=1).astype(np.int64)
        if direction < 0:
            count = rows.row_count
            segments = tuple((count - stop, count - start) for start, stop in reversed(segments))
            starts = _turned(starts, count)
        absolute = found.layout.plan.absolute and not clock.relative
        numeric = {name: columns[slot] for name, slot in rows.slots.items()}
        if clock.plan.absolute and (clock.backward_rows or clock.gap_count):
            time_ns, segments = self._by_counter(rows, time_ns, columns, segments, starts, direction)
        unused = [name for name, kind in zip(rows.names, rows.kinds, strict=True) if kind == "text"]
        if unused:
            self.notes.say("note", f"columns that hold words, kept by name only: {escape(', '.join(unused), 200)}")
        if self.wishes.has_map:
            mapped = {header.column_position(ref, rows.names, self.file, "channel") for ref in self.wishes.mapped}
            spare = [n for i, n in enumerate(rows.names) if rows.kinds[i] == "number" and i not in mapped]
            if spare:
                self.notes.say("note", f"columns that no channel is taken from: {escape(', '.join(spare), 200)}")
        encoding = self.source.encoding.name
        if rows.cp1252_lines and not self.source.encoding.codec:
            encoding = "cp1252" if not rows.utf8_lines else "utf-8 and cp1252"
        resolution = self._resolution(found, clock)
        first, last = (int(time_ns[0]), int(time_ns[-1])) if len(time_ns) else (0, 0)
        layout = found.layout
        report = ReadReport(
            fingerprint=Fingerprint(self.file, self.source.read_size, self.source.sha256),
            encoding=encoding, delimiter=layout.delimiter,
            decimal=next((s.decimal for s, k in zip(layout.styles, layout.kinds, strict=True) if k == "number"), "."),
            header_line=layout.header_line, columns=tuple(rows.names), units=tuple(rows.units),
            time_columns=tuple(layout.names[i] for i in layout.plan.fields), time_format=layout.plan.words,
            row_count=rows.row_count, first_time=_shown_time(first, absolute, layout.plan.kind, self.stamp_zone),
            last_time=_shown_time(last, absolute, layout.plan.kind, self.stamp_zone),
            remarks=self.notes.remarks(), fast_path=rows.all_plain,
            reversed=direction < 0, text_columns=tuple(unused),
            segment_count=len(segments), complete=not self.source.changed, zone=self.stamp_zone,
        )  # fmt: skip
        return Table(
            self.log,
            tuple(rows.names),
            tuple(rows.units),
            time_ns,
            absolute,
            numeric,
            segments,
            starts,
            report,
            resolution,
        )

    def _by_counter(self, rows: RowReader, time_ns, columns, segments, starts, direction):
        """Return (times, segments) from a counter that ran on in another column while the clock was set."""
        for name, slot in rows.slots.items():
            position = rows.names.index(name)
            unit = stated_time_unit(name, rows.units[position])
            if unit and is_time_name(name):
                events = clock_events(np.asarray(time_ns), np.asarray(columns[slot]), times.UNIT_NS[unit])
                if events is None:
                    continue
                counted, changes = events
                for row, size in changes[:20]:
                    what = f"clock set by {size / 1e9:+g} s while column {escape(name)!r} counted on"
                    line = _line_at(starts, row, direction)
                    self.notes.say("repair", f"{what}: time taken from that column", line)
                return self.sink.retime(counted), ((0, len(counted)),)
        return time_ns, segments

    def _resolution(self, found: Found, clock: Clock) -> float:
        """Return the smallest step that the stamps can show [s]."""
        plan = found.layout.plan
        unit = times.UNIT_NS.get(plan.unit, times.SECOND) / 1e9 if plan.kind == "number" else 1.0
        written = unit * 10.0**-self.digits if plan.kind != "serial" else 1e-3
        steps = clock.sorted_steps()
        if len(steps) and clock.same > 0.3 * max(clock.rows - 1, 1):
            typical = float(steps[len(steps) // 2]) / 1e9
            self.notes.say(
                "note",
                f"stamps move in steps of {typical:g} s while rows come faster: time is uncertain by half of that",
            )
            return max(written, typical)
        return written


def _shown_time(ns: int, absolute: bool, kind: str, zone: str = "") -> str:
    """Return a moment as the log's own stamps show it, in the zone that they name."""
    if absolute and zone:
        return times.text_of(ns + times.zone_ns(zone), True) + zone
    if absolute or kind not in ("clock", "custom_clock"):
        return times.text_of(ns, absolute)
    day, ns = divmod(ns, times.DAY)
    return times.text_of(ns, True).partition("T")[2] + (f" of day {day + 1}" if day else "")


def _line_at(starts: np.ndarray, row: int, direction: int) -> int:
    """Return the line of a row of the finished table."""
    index = int(np.searchsorted(starts[:, 0], row, side="right")) - 1
    return int(starts[index, 1] + direction * (row - starts[index, 0]))


def clock_events(time_ns: np.ndarray, counter: np.ndarray, unit_ns: int):
    """Return (times by the counter int64 (n,), (row, ns) of each setting of the clock); None if it is no such counter.

    The counter must never go back, and must agree with the clock in all steps but a few.
    """
    if len(counter) < 4 or not np.abs(counter).max() * unit_ns < 2.0**62:
        # Too short, with holes, or beyond what stamps in nanoseconds hold.
        return None
    counted = np.rint(counter * unit_ns).astype(np.int64)
    steps, clock_steps = np.diff(counted), np.diff(time_ns)
    if (steps < 0).any() or not steps.any():
        return None
    apart = clock_steps - steps
    typical = max(float(np.sort(steps)[len(steps) // 2]), 1e6)
    changes = np.flatnonzero(np.abs(apart) > np.maximum(2 * typical, times.SECOND))
    if not len(changes) or len(changes) > max(3, 0.01 * len(steps)):
        return None
    return time_ns[0] + (counted - counted[0]), [(int(row) + 1, int(apart[row])) for row in changes]


def _turned(starts: np.ndarray, count: int) -> np.ndarray:
    """Return the line starts of a table that was turned round; lines then count down."""
    ends = np.append(starts[1:, 0], count)
    rows = count - ends
    lines = starts[:, 1] + (ends - starts[:, 0]) - 1
    return np.stack([rows, lines], axis=1)[::-1].copy()


def _written_zone(text: str) -> str:
    """Return the zone that a stamp names at its end, '' when it is none of the plain forms."""
    match = re.search(r"(?:Z|(?:UTC|GMT)?[+-][0-9]{2}:?[0-9]{2}|UTC|GMT)$", text.strip())
    return match[0] if match else ""


def _fraction_digits(text: str) -> int:
    match = re.search(r"[.,](\d+)(?:\s*[AaPp][Mm])?(?:Z|[+-]\d{2}:?\d{2})?$", text.strip())
    return min(len(match[1]), 9) if match else 0


def sample_lines(source: Source) -> Lines:
    """Return the first whole lines of a file with their numbers, as text."""
    data = source.head
    end = data.rfind(b"\n") + 1
    lines: Lines = []
    pieces = data[:end].split(b"\n")[:-1]
    for number, piece in enumerate(pieces[: layouts.SAMPLE_LINES], 1):
        lines.append((number, decode_line(piece.rstrip(b"\r"))[0]))
    if not lines:
        text = decode_line(data[:200])[0]
        raise LogFault(
            Fault(
                source.file,
                f"one line only, without line end ({escape(text.strip())})",
                "bring a log with one record a line",
                1,
            )
        )
    return lines


def wishes_of(entry: LogEntry | None, instrument: Instrument | None) -> Wishes:
    """Return what a log entry and its instrument state, as the layout finder takes it."""
    period = instrument.period if instrument is not None else None
    if entry is None:
        return Wishes(period=period)
    mapped, units = [], {}
    for source in entry.channels:
        for term in source.terms:
            mapped.extend(term.columns)
            units.update({c: u for c, u in zip(term.columns, term.units, strict=False) if u})
    return Wishes(
        tuple(entry.time_columns),
        entry.time_format,
        entry.delimiter,
        entry.decimal,
        entry.header_line,
        tuple(dict.fromkeys(mapped)),
        units,
        period,
        bool(entry.channels),
    )
