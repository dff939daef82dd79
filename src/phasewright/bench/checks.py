"""What must hold between the keys of a file and between the two files."""

from __future__ import annotations

import datetime
import difflib
import re
from collections.abc import Iterable, Sequence

from phasewright.bench._build import Report, is_clock_time
from phasewright.bench._keys import parse_clock
from phasewright.bench._places import Path
from phasewright.bench.channels import CHANNELS, base_channel
from phasewright.bench.faults import escape
from phasewright.bench.maxima import setting_faults
from phasewright.bench.records import Bench, Campaign, ColumnTerm, LogEntry, Step
from phasewright.quantity import convert, parse_quantity, unit_symbol

TIME_WORDS = ("epoch_s", "epoch_ms", "epoch_us", "epoch_ns", "elapsed_s", "elapsed_ms")
_DAY = 86400.0


def check_bench(bench: Bench, report: Report) -> None:
    """Report every fault between the figures of a bench."""
    _unique("board.connector", [item.name for item in bench.board.connectors], ("board", "connector"), report)
    _unique("instrument", [item.name for item in bench.instruments], ("instrument",), report)
    regulator, stage, protection = bench.regulator, bench.regulator.stage, bench.regulator.protection
    rating, peak = stage.current_rating, stage.peak_current_rating
    if rating is not None and peak is not None and rating > peak:
        what = f"current_rating = {rating:g} A is above peak_current_rating = {peak:g} A"
        report(
            ("regulator", "stage", "current_rating"),
            what,
            "the continuous rating is the smaller one; exchange them",
        )
    stated: dict[str, tuple[Path, float | None]] = {
        "rail_voltage": (("regulator", "rail_voltage"), regulator.rail_voltage)
    }
    for key in ("phase_current", "total_current", "temperature_warning", "temperature_trip"):
        stated[f"protection_{key}"] = (("regulator", "protection", key), getattr(protection, key))
    values = {name: value for name, (_, value) in stated.items() if value is not None}
    for name, what, mend in setting_faults(bench, values):
        path = stated[name][0]
        report(path, what.replace(name, str(path[-1]), 1), mend)


def _unique(kind: str, names: Iterable[str], path: Path, report: Report) -> None:
    seen: dict[str, int] = {}
    for index, name in enumerate(names):
        if name in seen:
            what = f'name = "{escape(name)}" is also the name of {kind}[{seen[name] + 1}]'
            report((*path, index, "name"), what, "give each its own name")
        seen.setdefault(name, index)


_INSTRUMENT_NAMES = re.compile(r"instrument(\[\d+\](\.name)?)?")
_BOUNDS_OF_SETTINGS = re.compile(r"board(\.input_voltage)?|regulator(\.phase_count|\.stages_per_phase)?")


def check_campaign(campaign: Campaign, bench: Bench | None, report: Report, doubtful: Sequence[str] = ()) -> None:
    """Report every fault of a campaign.

    `bench` None = what depends on the bench is not checked. `doubtful` holds the paths of faults of the bench: what
    hangs on those keys is not checked either, lest the campaign is blamed for them.
    """
    instruments = [item.name for item in bench.instruments] if bench is not None else []
    named = bench is not None and not any(_INSTRUMENT_NAMES.fullmatch(path) for path in doubtful)
    bounded = bench is not None and not any(_BOUNDS_OF_SETTINGS.fullmatch(path) for path in doubtful)
    logs = [item.name for item in campaign.logs]
    _unique("log", logs, ("log",), report)
    _unique("step", [item.name for item in campaign.steps], ("step",), report)
    if campaign.reference_log:
        _known(campaign.reference_log, logs, "log", ("reference_log",), report)
    owners: dict[str, str] = {}
    for index, log in enumerate(campaign.logs):
        path: Path = ("log", index)
        if named:
            _known(log.instrument, instruments, "instrument", (*path, "instrument"), report)
        _check_dialect(log, path, report)
        for source in log.channels:
            place = (*path, "channels", source.channel)
            if owners.setdefault(source.channel, log.name) != log.name:
                what = f'{source.channel} is also a channel of log "{escape(owners[source.channel])}"'
                report(place, what, f"give one of them a label, e.g. {source.channel}.second")
            for term in source.terms:
                _check_term(term, source.channel, place, report)
    _check_steps(campaign, logs, bench if bounded else None, report)


def _known(name: str, names: list[str], kind: str, path: Path, report: Report) -> None:
    if name in names:
        return
    near = difflib.get_close_matches(name, names, 1, 0.5)
    shown = ", ".join(f'"{escape(item)}"' for item in names[:10]) or "none is described"
    where = " of bench.toml" if kind == "instrument" else ""
    mend = (
        f'write "{escape(near[0])}"'
        if near
        else f"{kind}s{where}: {shown}; name one, or add [[{kind}]]{' there' if where else ''}"
    )
    report(path, f'{path[-1]} = "{escape(name)}" is no {kind}{where}', mend)


def _check_dialect(log: LogEntry, path: Path, report: Report) -> None:
    for column in log.time_columns:
        _check_column(column, (*path, "time"), report)
    if len(log.time_columns) > 2:
        what = f"{len(log.time_columns)} time columns are named"
        report((*path, "time", "columns"), what, "name one column, or the date column and the time-of-day column")
    if log.time_format and "%" not in log.time_format and log.time_format not in TIME_WORDS:
        what = f'format = "{escape(log.time_format)}" is no date format'
        report((*path, "time", "format"), what, 'write e.g. "%Y-%m-%d %H:%M:%S", or one of ' + ", ".join(TIME_WORDS))
    if log.zone and not _is_zone(log.zone):
        what = f'zone = "{escape(log.zone)}" is no time zone'
        report((*path, "time", "zone"), what, 'write "UTC", an offset like "+02:00" or a name like "Europe/Berlin"')
    if log.encoding and not _is_encoding(log.encoding):
        report(
            (*path, "encoding"),
            f'encoding = "{escape(log.encoding)}" is unknown',
            'write e.g. "utf-8", "cp1252", "utf-16"',
        )
    if log.delimiter and (len(log.delimiter) != 1 or log.delimiter.isalnum() or log.delimiter in "\"'\r\n.#+-"):
        what = f'delimiter = "{escape(log.delimiter)}" cannot separate columns'
        report((*path, "delimiter"), what, 'write one sign, e.g. "," or ";" or "\\t"')
    elif log.delimiter and log.delimiter == log.decimal:
        what = f'decimal = "{log.decimal}" is also the delimiter'
        report((*path, "decimal"), what, "write the decimal mark that the numbers in the file have")


def _is_encoding(name: str) -> bool:
    try:
        "a".encode(name)
    except (LookupError, UnicodeError, ValueError):
        return False
    return True


def _is_zone(name: str) -> bool:
    if re.fullmatch(r"UTC|Z|[+-](0\d|1[0-4]):?[0-5]\d", name):
        return True
    if not re.fullmatch(r"[A-Za-z]+(/[A-Za-z0-9_+-]+){1,2}", name):
        return False
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        try:
            ZoneInfo("Europe/London")
        except ZoneInfoNotFoundError:
            return True  # this system has no table of zones to look in
        return False
    return True


def _check_column(column: str, path: Path, report: Report) -> None:
    if not column.strip():
        report(path, "a column name is empty", 'write the name as in the header, or "#3" for the third column')
    elif re.fullmatch(r"#0+", column):
        report(path, f'column "{column}" does not exist', 'the first column is "#1"')


def _check_term(term: ColumnTerm, channel: str, path: Path, report: Report) -> None:
    for column in term.columns:
        _check_column(column, path, report)
    if term.factor == 0:
        report((*path, "factor"), "factor = 0 wipes the channel out", "write the factor, e.g. -1, or leave it out")
    for unit in term.units:
        if unit and unit_symbol(unit) is None:
            report(
                (*path, "unit"),
                f'unit = "{escape(unit)}" is unknown',
                "write the unit's symbol, e.g. W, mA, degC, L/min",
            )
    wanted = base_channel(channel).unit
    if len(term.units) == len(term.columns) == 1 and term.units[0] and unit_symbol(term.units[0]) is not None:
        try:
            convert(1.0, term.units[0], wanted)
        except ValueError:
            what = (
                f'unit = "{escape(term.units[0])}" does not measure {CHANNELS[channel.partition(".")[0]].title.lower()}'
            )
            report((*path, "unit"), what, f"write {wanted} or a multiple of it, or map the column to another channel")


# ---- steps --------------------------------------------------------------------------------------------------------


def _check_steps(campaign: Campaign, logs: list[str], bench: Bench | None, report: Report) -> None:
    baselines = [index for index, step in enumerate(campaign.steps) if step.baseline]
    for index in baselines[1:]:
        what = f"step[{baselines[0] + 1}] is the baseline already"
        report(("step", index, "baseline"), what, "take baseline = true out of all but one step")
    for index, step in enumerate(campaign.steps):
        path: Path = ("step", index)
        if step.clock:
            _known(step.clock, logs, "log", (*path, "clock"), report)
        for name in step.files:
            _known(name, logs, "log", (*path, "files", name), report)
        if bench is not None:
            for key, what, mend in setting_faults(bench, step.settings):
                report((*path, key), what, mend)
    if campaign.step_source == "files":
        for index, step in enumerate(campaign.steps):
            if not step.files:
                mend = 'add files = { meter = "logs/..." }, or say step_source = "times"'
                report(("step", index), f'step "{escape(step.name)}" names no files', mend)
    elif campaign.step_source == "times" and (campaign.logs or any(step.start for step in campaign.steps)):
        # Steps without any time and without a log are a plan that is still to be run.
        _check_times(campaign.steps, campaign.reference_log, report)


def _check_times(steps: tuple[Step, ...], reference: str, report: Report) -> None:
    before: tuple[str, float, str] | None = None
    for index, step in enumerate(steps):
        path: Path = ("step", index)
        clock = "" if step.clock == reference else step.clock
        if not step.start:
            mend = 'add start = "120 s" or start = "14:05:30", or say step_source = "edges" or "files"'
            report(path, f'step "{escape(step.name)}" has no start', mend)
            before = None
            continue
        kind, start = _seconds(step.start, clock)
        if before is not None and before[0] == kind:
            start = _past_midnight(kind, start, before[1])
            if start < before[1] - 1e-9:
                what = f'start = "{escape(step.start)}" is before "{escape(before[2])}" of the step before it'
                report((*path, "start"), what, "put the steps in order of time and let none overlap")
        before = (kind, start, step.start)
        if step.end:
            end_kind, end = _seconds(step.end, clock)
            if end_kind != kind:
                what = f'start = "{escape(step.start)}" and end = "{escape(step.end)}" are not written the same way'
                report((*path, "end"), what, "write both as seconds, or both as clock times")
                continue
            end = _past_midnight(kind, end, start)
            if end <= start:
                what = f'end = "{escape(step.end)}" is not after start = "{escape(step.start)}"'
                report((*path, "end"), what, "write a later end, or a duration")
            before = (kind, max(start, end), step.end)


def _seconds(text: str, clock: str) -> tuple[str, float]:
    """Return (which kind of time on which clock, seconds) so that times of the same kind can be compared."""
    if not is_clock_time(text):
        return f"elapsed {clock}", parse_quantity(text, "s")
    moment = parse_clock(text)
    if isinstance(moment, datetime.datetime):
        return f"date {clock}", (moment - datetime.datetime(1970, 1, 1)).total_seconds()
    return f"day {clock}", moment.hour * 3600 + moment.minute * 60 + moment.second + moment.microsecond * 1e-6


def _past_midnight(clock: str, seconds: float, before: float) -> float:
    """Return a time of day moved to the following day where that puts it less than half a day after `before`."""
    if not clock.startswith("day ") or seconds >= before:
        return seconds
    moved = seconds + _DAY * (before // _DAY)
    if moved < before:
        moved += _DAY
    return moved if moved - before < _DAY / 2 else seconds + _DAY * (before // _DAY)
