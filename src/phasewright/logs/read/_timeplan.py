"""Which columns hold the time, and how it is written; found from a sample, refused when it reads two ways."""

from __future__ import annotations

import re
import statistics
from collections.abc import Callable

from phasewright.bench import Fault, LogFault, escape

from . import _header as header
from . import _times as times
from ._numbers import is_missing
from ._times import Doubt, TimePlan

Say = Callable[..., None]
EPOCH_FIRST, EPOCH_LAST = times.EPOCH_FIRST_NS / 1e9, times.EPOCH_LAST_NS / 1e9
SERIAL_FIRST, SERIAL_LAST = 32_874, 73_051  # the same two days as serial dates
_TIME_NAMES = re.compile(
    r"^(?:time.*|.*timestamp|.*time|t|zeit.*|.*zeit|temps|heure|horodatage|tiempo|hora|elapsed.*|epoch.*|unix.*|"
    r"seconds?|"
    r"sekunden?|secondes?|segundos?|ms|milliseconds?|date.*|datum.*|fecha.*|uptime.*|ticks?|clock|.*stamp|s|sec)$"
)
_UNIT_WORDS = {
    "ms": "ms", "msec": "ms", "millis": "ms", "milliseconds": "ms", "millisekunden": "ms", "us": "us", "usec": "us",
    "micros": "us", "microseconds": "us", "ns": "ns", "nanoseconds": "ns", "s": "s", "sec": "s", "secs": "s",
    "seconds": "s", "second": "s", "sekunden": "s", "secondes": "s", "segundos": "s", "min": "min", "minutes": "min",
    "h": "h", "hours": "h", "stunden": "h", "heures": "h",
}  # fmt: skip


def is_time_name(name: str) -> bool:
    """Return True when a column's name says that it holds the time."""
    bare = " ".join(header.split_words(header.split_unit(name)[0]))
    return bool(_TIME_NAMES.match(bare)) or (bool(_TIME_NAMES.match(bare.split(" ")[0])) if bare else False)


def stated_time_unit(name: str, unit: str) -> str:
    """Return the unit of time that a column states, by its unit or in its name; '' if none."""
    if unit in times.UNIT_NS:
        return unit
    for word in header.split_words(name)[::-1]:
        if word in _UNIT_WORDS:
            return _UNIT_WORDS[word]
    return ""


def find_plan(names, units, kinds, columns, line: int, wishes, file: str, say: Say) -> TimePlan:
    """Return how the stamps are read. Raises LogFault when no column holds the time or it reads two ways."""
    return _Planner(names, units, kinds, columns, line, wishes, file, say).find()


class _Planner:
    def __init__(self, names, units, kinds, columns, line, wishes, file, say):
        self.names, self.units, self.kinds, self.columns = names, units, kinds, columns
        self.line, self.wishes, self.file, self.say = line, wishes, file, say
        self._cells: dict[int, list[str]] = {}

    def fault(self, what: str, mend: str, line: int | None = None) -> LogFault:
        return LogFault(Fault(self.file, what, mend, line or self.line))

    def find(self) -> TimePlan:
        stated = [
            header.column_position(ref, self.names, self.file, "time_columns") for ref in self.wishes.time_columns
        ]
        if self.wishes.time_format:
            return self.stated_plan(stated)
        if stated:
            plan = self.plan_of(stated)
            if plan is None:
                shown = escape(" ".join(self.cells(position)[0] if self.cells(position) else "" for position in stated))
                raise self.fault(f"no time that can be read in the stated column ({shown})", "state time_format")
            return plan
        coarse = None
        for positions in self.candidates():
            try:
                plan = self.plan_of(positions)
            except Coarse as fault:
                coarse = coarse or fault
                continue
            if plan is not None:
                if coarse is not None:
                    what = coarse.faults[0].what
                    self.say("repair", f"{what}: column {escape(self.names[plan.fields[0]])!r} is used", self.line)
                return plan
        if coarse is not None:
            raise coarse
        shown = ", ".join(repr(escape(name, 40)) for name in self.names[:12])
        raise self.fault(f"no time column found among {shown}", "state time_columns and time_format")

    def cells(self, position: int) -> list[str]:
        if position not in self._cells:
            self._cells[position] = [cell.strip() for cell in self.columns[position] if not is_missing(cell)]
        return self._cells[position]

    def candidates(self):
        stamps = [i for i, kind in enumerate(self.kinds) if kind == "stamp"]
        stamps.sort(key=lambda i: not is_time_name(self.names[i]))
        whole = [i for i in stamps if self.looks(i, "datetime")]
        dates = [i for i in stamps if self.looks(i, "date")]
        clocks = [i for i in stamps if self.looks(i, "clock")]
        yield from ([i] for i in whole)
        yield from ([i, j] for i in dates for j in clocks)
        yield from ([i] for i in clocks)
        numeric = [i for i, kind in enumerate(self.kinds) if kind == "number"]
        yield from ([i] for i in numeric if is_time_name(self.names[i]))
        yield from ([i] for i in numeric if header.known_base(self.units[i]) == "s")
        yield from ([i] for i in numeric if self.epoch_unit(i))

    def looks(self, position: int, kind: str) -> bool:
        cells = self.cells(position)[:50]
        if not cells:
            return False
        if kind == "date":
            hits = sum(times.split_date(cell) is not None for cell in cells)
        elif kind == "clock":
            hits = sum(bool(times.CLOCK.fullmatch(cell) or times._HMS.fullmatch(cell)) for cell in cells)
        else:
            hits = sum(bool(times._STAMP.fullmatch(cell) or times._COMPACT.fullmatch(cell)) for cell in cells)
        return hits >= 0.6 * len(cells)

    # ---- one candidate ----

    def plan_of(self, positions: list[int]) -> TimePlan | None:
        first = positions[0]
        if len(positions) == 2:
            a, b = positions
            if self.looks(b, "date") and self.looks(a, "clock"):
                a, b = b, a
            if not (self.looks(a, "date") and self.looks(b, "clock")):
                return None
            self.check_clock(self.cells(b))
            return TimePlan("date+clock", (a, b), self.date_order([cell for cell in self.cells(a)]))
        if len(positions) != 1:
            raise self.fault(f"{len(positions)} time columns stated", "state one, or a date and a time column")
        if self.looks(first, "datetime"):
            cells = self.cells(first)
            if not any(times._COMPACT.fullmatch(cell) for cell in cells[:5]):
                matches = [times._STAMP.fullmatch(cell) for cell in cells]
                dates = [match["date"] for match in matches if match]
                self.check_clock([match["clock"] for match in matches if match])
                return TimePlan("datetime", (first,), self.date_order(dates))
            return TimePlan("datetime", (first,))
        if self.looks(first, "clock"):
            return self.clock_plan(first)
        return self.number_plan(first)

    def date_order(self, dates: list[str]) -> str:
        if self.wishes.date_order:
            return self.wishes.date_order
        parts = {part for part in (times.split_date(text) for text in dict.fromkeys(dates)) if part is not None}
        order, why = times.order_proof(parts)
        if order:
            if order != "ymd" and why:
                words = "day before the month" if order == "dmy" else "month before the day"
                self.say("note", f"dates read with the {words} ({why})")
            return order
        shown = escape(dates[0]) if dates else ""
        if why == "no day above 12":
            raise _OrderUnknown(
                self.fault(
                    f"{shown}: day and month cannot be told apart (no day above 12)",
                    'state time_format, e.g. "%d/%m/%Y %H:%M:%S" or "%m/%d/%Y %H:%M:%S"',
                )
            )
        raise self.fault(f"{shown}: {why}", 'state time_format, e.g. "%d.%m.%y %H:%M:%S"')

    def check_clock(self, clocks: list[str]) -> None:
        """Raise LogFault for zone letters and for the 12-hour clock without AM or PM."""
        hours = []
        for text in clocks:
            match = times.CLOCK.fullmatch(text.strip())
            if match is None:
                continue
            if match["z"]:
                try:
                    times.zone_ns(match["z"])
                except Doubt as doubt:
                    raise self.fault(
                        f"{escape(text)}: {doubt}", "state zone and take the letters off, or log offsets such as +01:00"
                    ) from None
                except ValueError as error:
                    raise self.fault(f"{escape(text)}: {error}", "state zone") from None
            if match["p"]:
                return
            hours.append(int(match["H"]))
        for before, after in zip(hours, hours[1:], strict=False):
            if before == 12 and after == 1 and max(hours) <= 12 and min(hours) >= 1:
                raise self.fault(
                    "time of day goes from 12 to 1: a 12-hour clock without AM or PM",
                    'log with 24 hours, or state time_format, e.g. "%I:%M:%S %p"',
                )

    def clock_plan(self, position: int) -> TimePlan:
        cells = self.cells(position)
        name = " ".join(header.split_words(self.names[position]))
        elapsed = any(
            word in name for word in ("elapsed", "duration", "dauer", "durée", "uptime", "laufzeit", "runtime")
        )
        beyond = any(times.CLOCK.fullmatch(cell) is None for cell in cells)
        start = re.match(r"0+:0?0:0?[0-9]\b", cells[0]) is not None
        if elapsed or beyond or start:
            if all(times._HMS.fullmatch(cell) for cell in cells[:50]):
                return TimePlan("hms", (position,))
        self.check_clock(cells)
        return TimePlan("clock", (position,))

    # ---- numeric stamps ----

    def values(self, position: int) -> list[float]:
        out = []
        for cell in self.cells(position):
            try:
                out.append(float(cell.replace(",", ".")))
            except ValueError:
                continue
        return out

    def epoch_unit(self, position: int) -> str:
        """Return the unit in which a numeric column counts from 1970, '' when its size fits none."""
        values = self.values(position)
        if not values:
            return ""
        middle = statistics.median(values[:5])
        for unit in ("s", "ms", "us", "ns"):
            scale = times.UNIT_NS[unit] / 1e9
            if EPOCH_FIRST <= middle * scale <= EPOCH_LAST and self.spacing(values) * scale <= 7200:
                return unit
        return ""

    @staticmethod
    def spacing(values: list[float]) -> float:
        steps = [abs(b - a) for a, b in zip(values, values[1:], strict=False) if b != a]
        return statistics.median(steps) if steps else 0.0

    def number_plan(self, position: int) -> TimePlan | None:
        values = self.values(position)
        if not values or len(values) < 0.5 * len(self.cells(position)):
            return None
        cells = self.cells(position)
        commas = sum("," in cell for cell in cells)
        decimal = self.wishes.decimal or ("," if commas and not any("." in cell for cell in cells) else ".")
        unit = stated_time_unit(self.names[position], self.units[position])
        epoch = self.epoch_unit(position)
        if epoch and (not unit or unit == epoch):
            self.check_float32(values, epoch)
            if not unit:
                self.say("repair", f"stamps count from 1970 in {epoch}, by their size and spacing")
            return TimePlan("number", (position,), unit=epoch, epoch=True, decimal=decimal)
        if unit:
            return TimePlan("number", (position,), unit=unit, decimal=decimal)
        if self.is_serial(position, values):
            self.say("repair", "spreadsheet serial dates, counted from 1899-12-30")
            return TimePlan("serial", (position,), decimal=decimal)
        return TimePlan("number", (position,), unit=self.elapsed_unit(values, position), decimal=decimal)

    def is_serial(self, position: int, values: list[float]) -> bool:
        if not all(SERIAL_FIRST <= value <= SERIAL_LAST for value in values):
            return False
        step = self.spacing(values)
        words = header.split_words(self.names[position])
        if any(word.startswith(("date", "datum", "fecha", "timestamp", "serial")) for word in words):
            return True
        seconds = step * 86_400
        return 0 < step < 0.05 and abs(seconds - round(seconds, 2)) < 1e-3 * seconds and round(step, 4) != step

    def elapsed_unit(self, values: list[float], position: int) -> str:
        """Return s or ms for an elapsed counter that states no unit. Raises LogFault when both fit."""
        step = self.spacing(values)
        period = self.wishes.period
        if period and step:
            for unit, scale in (("s", 1.0), ("ms", 1e-3)):
                if 0.5 <= step * scale / period <= 2.0:
                    self.say("repair", f"elapsed time taken in {unit}, by the instrument's period")
                    return unit
        if step == 0 or step <= 1:
            self.say("note", f"column {escape(self.names[position])!r} states no unit; taken as seconds by its spacing")
            return "s"
        if step > 60:
            self.say("repair", f"column {escape(self.names[position])!r} states no unit; taken as ms by its spacing")
            return "ms"
        raise self.fault(
            f"elapsed time in steps of {step:g} could be seconds or milliseconds",
            'state time_format = "elapsed_s" or "elapsed_ms"',
        )

    def check_float32(self, values: list[float], unit: str) -> None:
        """Raise LogFault for stamps that went through a 32-bit float: they move in steps of 64 s or more."""
        seconds = [value * times.UNIT_NS[unit] / 1e9 for value in values]
        if len(seconds) >= 8 and all(value % 64 == 0 for value in seconds) and len(set(seconds)) < 0.7 * len(seconds):
            steps = sorted({abs(b - a) for a, b in zip(seconds, seconds[1:], strict=False) if b != a})
            size = f"steps of {steps[0]:g} s" if steps else "no step at all"
            raise _Coarse(
                self.fault(
                    f"stamps were kept as 32-bit floats ({size})",
                    "log them as whole milliseconds or text, or name a second clock in time_columns",
                )
            )

    # ---- stated formats ----

    def stated_plan(self, positions: list[int]) -> TimePlan:
        text = self.wishes.time_format
        if not positions:
            for candidate in self.candidates():
                positions = candidate
                break
        if not positions:
            raise self.fault("time_format is stated, but no time column is found", "state time_columns")
        kind, _, unit = text.partition("_")
        if kind in ("epoch", "elapsed") and unit in times.UNIT_NS:
            cells = self.cells(positions[0])
            decimal = self.wishes.decimal or ("," if any("," in cell for cell in cells) else ".")
            return TimePlan("number", (positions[0],), unit=unit, epoch=kind == "epoch", decimal=decimal, stated=True)
        if text in ("serial", "iso", "clock", "hms"):
            kind = {"serial": "serial", "iso": "datetime", "clock": "clock", "hms": "hms"}[text]
            return TimePlan(kind, (positions[0],), stated=True)
        standard = _standard_plan(text, tuple(positions))
        if standard is not None:
            return standard
        try:
            times.compile_format(text)
        except ValueError as error:
            raise LogFault(
                Fault(
                    self.file,
                    str(error),
                    'use codes such as "%Y-%m-%d %H:%M:%S.%f", or epoch_ms, elapsed_s',
                    1,
                    path="time_format",
                )
            ) from None
        kind = "custom" if times.format_has_date(text) else "custom_clock"
        plan = TimePlan(kind, tuple(positions), pattern=text, stated=True)
        cells = [" ".join(row) for row in zip(*(self.cells(position)[:20] for position in positions), strict=False)]
        for cell in cells[:1]:
            try:
                times._custom(" ".join(cell.split()), text)
            except Doubt as doubt:
                raise self.fault(f"{escape(cell)}: {doubt}", "add %p, or log with 24 hours") from None
            except ValueError:
                raise self.fault(f"stamp {escape(cell)} does not fit {escape(text)}", "mend time_format") from None
        return plan


_STANDARD = re.compile(
    r"(?P<date>%Y-%m-%d|%Y/%m/%d|%Y\.%m\.%d|%F|%d\.%m\.%[Yy]|%d/%m/%[Yy]|%d-%m-%[Yy]|%m/%d/%[Yy]|%m-%d-%[Yy])?"
    r"(?P<apart>[ T])?(?P<clock>%H:%M:%S|%T|%H:%M|%I:%M:%S ?%p|%I:%M ?%p)?(?:[.,]%f)?"
)


def _standard_plan(text: str, positions: tuple[int, ...]) -> TimePlan | None:
    """Return the plan of a stated format that is one of the common ones; None when it is another."""
    match = _STANDARD.fullmatch(text)
    if match is None or not match["clock"] or (match["date"] is None) != (match["apart"] is None):
        return None
    if match["date"] is None:
        return TimePlan("clock", positions, stated=True) if len(positions) == 1 else None
    order = {"Y": "ymd", "F": "ymd", "d": "dmy", "m": "mdy"}[match["date"][1]]
    kind = "datetime" if len(positions) == 1 else "date+clock"
    return TimePlan(kind, positions, order, stated=True)


class _OrderUnknown(LogFault):
    """Day and month cannot be told apart in the sample; a later row may prove it."""

    def __init__(self, fault: LogFault):
        super().__init__(fault.faults)


class _Coarse(LogFault):
    """Stamps are too coarse to use."""

    def __init__(self, fault: LogFault):
        super().__init__(fault.faults)


OrderUnknown = _OrderUnknown
Coarse = _Coarse
