"""From the checked keys of a file to the records that the other rooms use."""

from __future__ import annotations

import dataclasses
import datetime
import difflib
import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, TypeVar, cast

from pydantic_core import PydanticCustomError

from phasewright.bench._keys import Keys, parse_clock, read_quantity, refused, shown
from phasewright.bench._places import Path
from phasewright.bench.bench_keys import AccuracyKeys, BenchKeys, InstrumentKeys
from phasewright.bench.campaign_keys import CampaignKeys, ChannelKeys, LogKeys, StepKeys
from phasewright.bench.channels import CHANNELS, base_channel
from phasewright.bench.faults import escape
from phasewright.bench.records import (
    Accuracy,
    Bench,
    Board,
    Campaign,
    CapacitorBank,
    ChannelSource,
    ColumnTerm,
    Connection,
    Connector,
    Cooling,
    CoolingPart,
    Copper,
    Cost,
    Inductor,
    Instrument,
    LoadProgram,
    LogEntry,
    Processor,
    Protection,
    ReadingSource,
    Regulator,
    Stage,
    Step,
    StopAction,
)
from phasewright.quantity import base_unit, parse_quantity, unit_symbol

Report = Callable[[Path, str, str], None]
"""Called as report(path, what, mend) for each fault."""

NOT_SETTINGS = frozenset({"name", "start", "end", "duration", "clock", "files", "baseline", "outcome", "note",
                          "window_start", "window_end"})  # fmt: skip
"""Keys of a step that are not settings of the bench."""

T = TypeVar("T")


def _record(kind: type[T], keys: Keys, **more: Any) -> T:
    """Return a record of `kind` from the keys of the same names; keys left out keep the record's default."""
    given = {
        item.name: getattr(keys, item.name)
        for item in dataclasses.fields(cast(Any, kind))
        if item.name not in more and getattr(keys, item.name, None) is not None
    }
    return kind(**given, **more)


def build_bench(keys: BenchKeys, report: Report, file: str = "", fingerprint: str = "") -> Bench:
    """Return the bench that the keys describe; faults that show only here go to `report`."""
    board = _record(
        Board,
        keys.board,
        connectors=tuple(_record(Connector, item) for item in keys.board.connector),
        copper=tuple(_record(Copper, item) for item in keys.board.copper),
    )
    regulator = _record(
        Regulator,
        keys.regulator,
        stage=_record(Stage, keys.regulator.stage),
        inductor=_record(Inductor, keys.regulator.inductor),
        output_capacitors=_record(CapacitorBank, keys.regulator.output_capacitors),
        input_capacitors=_record(CapacitorBank, keys.regulator.input_capacitors),
        protection=_record(Protection, keys.regulator.protection),
    )
    instruments = tuple(
        _record(
            Instrument,
            item,
            accuracy=_accuracies(item.accuracy, ("instrument", index, "accuracy"), report),
            connection=_connection(item, ("instrument", index), report),
            reading=_readings(item, ("instrument", index, "reading"), report),
        )
        for index, item in enumerate(keys.instrument)
    )
    return Bench(
        name=keys.name,
        board=board,
        regulator=regulator,
        processor=_record(Processor, keys.processor),
        cooling=_record(Cooling, keys.cooling, chain=tuple(_record(CoolingPart, item) for item in keys.cooling.part)),
        instruments=instruments,
        loads=tuple(_record(LoadProgram, item) for item in keys.load),
        stop=_record(StopAction, keys.stop),
        simulated=keys.simulated,
        notes=keys.notes,
        file=file,
        fingerprint=fingerprint,
    )


def _connection(keys: InstrumentKeys, path: Path, report: Report) -> Connection | None:
    """Return how an instrument is read live, None when its log is brought in; reports what does not go together."""
    given = keys.connection
    if not given.kind:
        stray = [name for name, value in (("address", given.address), ("command", given.command),
                                          ("reading", keys.reading)) if value]
        if stray:
            report((*path, "connection"), f"{stray[0]} is given, but no kind of connection",
                   'add kind = "scpi", or the kind that it is')
        return _record(Connection, given) if given.model_fields_set else None
    if given.kind == "lines" and not given.command:
        report((*path, "connection"), "a program that prints lines has no command", 'add command = ["my-logger"]')
    if given.kind in ("scpi", "pmbus", "hwmon", "iio", "powercap", "tail") and not given.address:
        report((*path, "connection"), f"a connection of kind {given.kind} has no address",
               "add address; the how-to page on recording shows one for each kind")
    if not keys.reading:
        report((*path, "reading"), "nothing is read over the connection", "add [instrument.reading.CHANNEL] with ask")
    return _record(Connection, given)


def _readings(keys: InstrumentKeys, path: Path, report: Report) -> Mapping[str, ReadingSource]:
    found = {}
    for name, entry in keys.reading.items():
        if not check_channel(name, (*path, name), report):
            continue
        if entry.number_format == "direct" and entry.m in (None, 0.0):
            report((*path, name), "the direct format has no coefficient m", "add m, b and r from the device's data sheet")
        unit = base_channel(name).unit
        if entry.unit and not entry.sensor:
            symbol = unit_symbol(entry.unit)
            if symbol is None or base_unit(symbol) != base_unit(unit):
                report((*path, name, "unit"), f'unit = {shown(entry.unit)} is no unit of {name}',
                       f"write one that converts to {unit}")
        found[name] = _record(ReadingSource, entry, channel=name)
    return MappingProxyType(found)


def _accuracies(keys: Mapping[str, AccuracyKeys], path: Path, report: Report) -> Mapping[str, Accuracy]:
    found = {}
    for name, entry in keys.items():
        if not check_channel(name, (*path, name), report):
            continue
        unit = base_channel(name).unit
        constant = {}
        for key in ("offset", "resolution"):
            text = getattr(entry, key)
            if text is not None:
                try:
                    constant[key] = _channel_quantity(key, text, unit)
                except PydanticCustomError as error:
                    said = error.context or {}
                    report((*path, name, key), said["what"], said["mend"])
        found[name] = Accuracy(gain=entry.gain or 0.0, stated_as=entry.stated_as, source=entry.source, **constant)
    return MappingProxyType(found)


def _channel_quantity(key: str, text: str, unit: str) -> float:
    """Return an offset or resolution in the channel's unit; a temperature's is a difference.

    Raises PydanticCustomError with what is wrong and the mend.
    """
    wanted = "K" if unit == "degC" else unit
    example = {"W": "0.2 W", "V": "5 mV", "A": "0.1 A", "K": "1 K", "J": "1 J", "1": "1 %", "Hz": "1 MHz"}.get(
        wanted, f"0.1 {wanted}"
    )
    if wanted == "K":
        # On a reading in degC an offset of "1 °C" can only mean a difference.
        text = re.sub(r"(?<=[\d. ])(°\s*C|degC|C)\s*$", "K", text)
    value = read_quantity(key, text, wanted, example)
    if value < 0:
        raise refused(f"{key} = {shown(text)} is below zero", "write how far it may be off, without sign")
    return value


def check_channel(name: str, path: Path, report: Report) -> bool:
    """Return whether `name` is a channel, with or without a label; report it when not."""
    base, dot, label = name.partition(".")
    if base not in CHANNELS:
        near = difflib.get_close_matches(base, CHANNELS, 1, 0.5)
        mend = f"write {near[0]}" if near else "use one of " + ", ".join(CHANNELS)
        report(path, f"{escape(name)} is no known channel", mend)
        return False
    if dot and not re.fullmatch(r"[A-Za-z0-9_-]+", label):
        report(
            path,
            f"channel label {shown(label)} has other signs than letters, digits, _ and -",
            f"write e.g. {base}.left",
        )
        return False
    return True


# ---- campaign -----------------------------------------------------------------------------------------------------


def build_campaign(keys: CampaignKeys, report: Report, file: str = "", fingerprint: str = "") -> Campaign:
    """Return the campaign that the keys describe; faults that show only here go to `report`."""
    steps = _steps(keys.step, report)
    number, currency = keys.cost.price or (None, "")
    return _record(
        Campaign,
        keys,
        logs=tuple(_log(item, index, steps, report) for index, item in enumerate(keys.log)),
        steps=steps,
        cost=_record(Cost, keys.cost, price=number, currency=currency),
        file=file,
        fingerprint=fingerprint,
    )


def _log(keys: LogKeys, index: int, steps: tuple[Step, ...], report: Report) -> LogEntry:
    path: Path = ("log", index)
    if keys.file and keys.files:
        report((*path, "files"), "file and files are both given", "keep one of them")
    if keys.time.column and keys.time.columns:
        report((*path, "time", "columns"), "column and columns are both given", "keep one of them")
    from_steps = tuple(step.files[keys.name] for step in steps if keys.name in step.files)
    files = keys.files or ((keys.file,) if keys.file else from_steps)
    if not files:
        report(
            path,
            f'log "{escape(keys.name)}" names no file',
            'add file = "logs/..." with its place in the campaign folder',
        )
    elif not from_steps == () and not set(from_steps) <= set(files):
        odd = next(item for item in from_steps if item not in files)
        report(
            (*path, "files"), f"the file {shown(odd)} of a step is not among the files of the log", "add it to files"
        )
    return _record(
        LogEntry,
        keys,
        files=files,
        channels=tuple(
            source
            for name, entry in keys.channels.items()
            if (source := _source(name, entry, (*path, "channels", name), report)) is not None
        ),
        time_columns=keys.time.columns or ((keys.time.column,) if keys.time.column else ()),
        time_format=keys.time.format,
        zone=keys.time.zone,
        shared_clock=keys.time.shared_clock,
        clock_offset=keys.time.offset,
    )


def _source(name: str, keys: ChannelKeys, path: Path, report: Report) -> ChannelSource | None:
    if not check_channel(name, path, report):
        return None
    if bool(keys.column) == bool(keys.sum):
        what = "column and sum are both given" if keys.column else "no column is named"
        report(path, what, f'write {name} = "Column name", or {name} = {{ sum = [["U1", "I1"], ["U2", "I2"]] }}')
        return None
    if keys.counter_range is not None and base_channel(name).unit != "J":
        report((*path, "counter_range"), f"{name} is no energy counter", "state it for input_energy or package_energy")
    if keys.column:
        term = ColumnTerm((keys.column,), (keys.unit,) if keys.unit else (), keys.factor)
        return ChannelSource(name, (term,), keys.counter_range)
    if keys.unit:
        report(
            (*path, "unit"),
            "unit does not go with sum",
            'give units in a product: { columns = ["U1", "I1"], units = ["V", "mA"] }',
        )
    for index, term in enumerate(keys.sum):
        if term.units and len(term.units) != len(term.columns):
            what = f"{len(term.columns)} columns have {len(term.units)} units"
            report((*path, "sum", index), what, 'give one unit for each column, "" where the header says it')
    terms = tuple(ColumnTerm(item.columns, item.units, item.factor * keys.factor) for item in keys.sum)
    return ChannelSource(name, terms, keys.counter_range)


def _steps(keys: tuple[StepKeys, ...], report: Report) -> tuple[Step, ...]:
    steps = []
    for index, item in enumerate(keys):
        path: Path = ("step", index)
        settings = {
            name: getattr(item, name)
            for name in type(item).model_fields
            if name not in NOT_SETTINGS and getattr(item, name) not in (None, "")
        }
        end = _end(item, path, report)
        steps.append(
            _record(Step, item, settings=MappingProxyType(settings), end=end, files=MappingProxyType(item.files))
        )
    return tuple(steps)


def _end(item: StepKeys, path: Path, report: Report) -> str:
    """Return the end of a step, stated or from its duration; '' when neither is given."""
    if item.end and item.duration is not None:
        report((*path, "duration"), "end and duration are both given", "keep one of them")
    if item.end or item.duration is None or not item.start:
        return item.end
    return later(item.start, item.duration)


def is_clock_time(text: str) -> bool:
    """Return whether a step's time is a clock time; else it counts from the first stamp of a log."""
    return ":" in text


def later(text: str, seconds: float) -> str:
    """Return the time that is `seconds` [s] after the step time `text`, written the same way."""
    if not is_clock_time(text):
        return f"{parse_quantity(text, 's') + seconds:.12g} s"
    moment, delta = parse_clock(text), datetime.timedelta(seconds=seconds)
    if isinstance(moment, datetime.datetime):
        return (moment + delta).isoformat()
    # A time of day goes round at midnight; the date here is any date.
    return (datetime.datetime.combine(datetime.date(2000, 1, 1), moment) + delta).time().isoformat()
