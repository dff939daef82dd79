"""Brings one log into a campaign: copied unchanged, read, mapped to channels, written into campaign.toml."""

from __future__ import annotations

import hashlib
import math
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from phasewright.bench import (
    BenchFault,
    ChannelSource,
    ColumnTerm,
    Fault,
    Instrument,
    LogEntry,
    LogFault,
    base_channel,
    escape,
)
from phasewright.logs import Fingerprint, ReadReport, Remark, Suggestion, Table, file_hash

PREVIEW = 120
"""Stretches in which a column is shown before it is mapped."""
_UNIT_SHOWN = {"1": "", "degC": "°C", "Ohm": "Ω"}
LARGE = 64 << 20
"""Size of a log [B] from which its columns are read onto the disk instead of into the memory."""


@dataclass(frozen=True, slots=True)
class ColumnLook:
    """One numeric column of a log, as somebody who maps it wants to see it."""

    name: str
    unit: str
    """As in the header, '' = none stated."""
    first: tuple[float, ...]
    """Its first values, NaN = missing."""
    lows: tuple[float, ...]
    """Smallest value in each of equal stretches of rows, NaN = none."""
    highs: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ReadResult:
    """A log brought into the campaign: how it was understood and what it was mapped to."""

    file: str
    log: str
    instrument: str
    instrument_added: bool
    """True when bench.toml gained an [[instrument]] block for it, whose accuracy is still to be stated."""
    report: ReadReport
    suggestions: tuple[Suggestion, ...]
    entry: LogEntry | None
    """What campaign.toml now says; None when nothing was mapped."""
    doubts: tuple[Remark, ...] = ()
    """What a look at the values of the mapped columns found; analysis leaves such readings out or refuses the log."""
    looks: tuple[ColumnLook, ...] = ()
    """Every numeric column, for a person to choose from."""
    first_values: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """By mapped channel its first values, in the channel's unit, NaN = missing, () = it cannot be made."""

    @property
    def lost(self) -> bool:
        """Whether readings were refused on the way, or the file changed meanwhile, so that the log is not whole."""
        return not self.report.complete or any(remark.kind == "refuse" for remark in (*self.report.remarks, *self.doubts))

    def suggested_map(self) -> dict[str, str]:
        """Return channel -> column text of the best suggestion for each channel."""
        best: dict[str, Suggestion] = {}
        for suggestion in self.suggestions:
            if suggestion.score >= 0.5 and suggestion.score > getattr(best.get(suggestion.channel), "score", 0.0):
                best[suggestion.channel] = suggestion
        return {channel: source_text(suggestion.source) for channel, suggestion in best.items()}

    def lines(self) -> list[str]:
        """Return what was read, mapped, refused, repaired, noted and doubted, as lines for the terminal."""
        report = self.report
        size = report.fingerprint.size
        out = [
            f"{escape(self.file, 255)}: {report.row_count} rows, {len(report.columns)} columns, {_size_text(size)}, "
            f"sha256 {report.fingerprint.sha256[:12]}",
            "read",
            f"  as         {report.encoding}, separator {_name_of(report.delimiter)}, decimal mark {report.decimal!r}, "
            f"header in line {report.header_line}",
            f"  time       {', '.join(escape(name) for name in report.time_columns)} as {report.time_format}: "
            f"{report.first_time} to {report.last_time}"
            + (f", in {report.segment_count} stretches" if report.segment_count > 1 else ""),
            *self._mapped_lines(),
        ]
        for title, remarks in self.told():
            out += _remark_lines(title, remarks)
        if self.instrument_added:
            out.append(f"added      instrument {escape(self.instrument)!r} to bench.toml; state its accuracy there")
        if self.entry is None:
            out.append("no column was mapped; say which is which: --map input_power='COLUMN'")
        out.append(self._sum_line())
        return out

    def _mapped_lines(self) -> list[str]:
        """Return the mapped channels with their first values, and the columns that nothing is taken from."""
        from phasewright.logs import column_position

        report = self.report
        out = ["mapped" if self.entry else "mapped     nothing yet"]
        mapped = {source.channel: source for source in self.entry.channels} if self.entry else {}
        used: set[str] = set()
        for channel, source in mapped.items():
            used.update(report.columns[column_position(name, report.columns, self.log, channel)]
                        for term in source.terms for name in term.columns)  # fmt: skip
            out.append(f"  {channel:<24} = {escape(source_text(source))}   {self.first_text(channel)}".rstrip())
        unused = [name for name in report.columns if name not in used and name not in report.time_columns]
        if unused:
            out.append(f"  not used   {', '.join(escape(name) for name in unused)}")
        return out if len(out) > 1 else []

    def first_text(self, channel: str) -> str:
        """Return the first three values of a mapped channel with their unit, '' = there are none."""
        first = [f"{value:.6g}" for value in self.first_values.get(channel, ()) if math.isfinite(value)][:3]
        unit = base_channel(channel).unit
        return f"{', '.join(first)} {_UNIT_SHOWN.get(unit, unit)}".rstrip() if first else ""

    def told(self) -> list[tuple[str, list[Remark]]]:
        """Return (title, remarks in the order of lines) of what was refused, repaired, noted and doubted, if anything."""
        kinds = (("refused", self._said("refuse")), ("repaired", self._said("repair")), ("noted", self._said("note")))
        doubted = ("values that no sensor took, or that contradict each other", self._doubted())
        return [(title, remarks) for title, remarks in (*kinds, doubted) if remarks]

    def _said(self, kind: str) -> list[Remark]:
        """Return what was refused, repaired or noted, in cells and in values; what is only doubted stands apart."""
        values = [remark for remark in self.doubts if remark.kind == kind != "note"]
        return sorted(
            [*(remark for remark in self.report.remarks if remark.kind == kind), *values],
            key=lambda remark: remark.line or 0,
        )

    def _doubted(self) -> list[Remark]:
        return [remark for remark in self.doubts if remark.kind == "note"]

    def _sum_line(self) -> str:
        """Return the counts of all that was said, in one line."""
        said = {"refuse": "refused", "repair": "repaired", "note": "noted"}
        counts = [f"{sum(r.count for r in self._said(kind))} {word}" for kind, word in said.items()]
        doubted = sum(remark.count for remark in self._doubted())
        return f"in all     {self.report.row_count} rows read; {', '.join(counts)}, {doubted} doubted"

    def to_json(self) -> dict[str, object]:
        """Return the result as JSON-safe values."""
        return {
            "file": self.file, "log": self.log, "instrument": self.instrument,
            "instrument_added": self.instrument_added,
            "report": asdict(self.report),
            "doubts": [asdict(remark) for remark in self.doubts],
            "channels": {
                source.channel: source_text(source) for source in (self.entry.channels if self.entry else ())
            },
            "first_values": {
                channel: [value if math.isfinite(value) else None for value in values]
                for channel, values in self.first_values.items()
            },
            "suggestions": [
                {"channel": item.channel, "column": source_text(item.source), "score": item.score, "why": item.why}
                for item in self.suggestions
            ],
        }  # fmt: skip


def bring_log(
    folder: Path,
    log: Path,
    *,
    name: str,
    instrument: str,
    channel_map: Mapping[str, str] | None,
    choose: Callable[[ReadResult], Mapping[str, str | ChannelSource]] | None,
    strict: bool,
    progress: Callable[[float, str], None],
    append: bool = False,
) -> ReadResult:
    """Do the work of ``jobs.read``; see there."""
    from phasewright.bench import add_instrument, add_log, read_bench, read_campaign
    from phasewright.logs import first_values, mended_values, question_values, suggest_channels

    bench = read_bench(folder / "bench.toml")
    campaign = read_campaign(folder)
    name = name or _log_name(log.stem)
    kept = next((entry for entry in campaign.logs if entry.name == name), None)
    instrument = instrument or (kept.instrument if kept else name)
    known = any(item.name == instrument for item in bench.instruments)
    inside = _inside(folder, log)
    entry = replace(kept, channels=()) if kept else LogEntry(name=name, files=(), instrument=instrument, channels=())
    meter = bench.instrument(instrument) if known else None
    how = {"strict": strict, "progress": progress, "file": inside or log.name, "by_position": bool(channel_map)}
    with _read(folder, log, entry, meter, **how) as table:
        suggestions = tuple(suggest_channels(table))
        file = inside or f"logs/{log.name}"
        looks = _looks(table) if choose else ()
        result = ReadResult(file, name, instrument, not known, table.report, suggestions, None, looks=looks)
        if append and kept:
            channel_map = {source.channel: source for source in kept.channels}
        if channel_map is None:
            channel_map = choose(result) if choose else result.suggested_map()
        channels = _channels(channel_map, table, file)
        if not channels:
            return result
        _refuse_taken(file, table, channels, [log for log in campaign.logs if log.name != name])
        doubts = question_values(table, channels)
        if strict and (mended := mended_values(doubts, file)):
            raise LogFault(mended)
        if inside is None:
            file = _copy_in(folder, log, table.report.fingerprint)
        before = tuple(item for item in kept.files if item != file) if append and kept else ()
        channels = kept.channels if append and kept else channels
        entry = replace(entry, files=(*before, file), instrument=instrument, channels=channels)
        if not known:
            add_instrument(folder, instrument)
        add_log(folder, entry)
        first = {source.channel: first_values(table, source) for source in channels}
        return replace(result, file=file, entry=entry, doubts=doubts, first_values=first)


@contextmanager
def _read(
    folder: Path, log: Path, entry: LogEntry, meter: Instrument | None, **how: Any
) -> Iterator[Table]:
    """Read a log into memory, or beside the campaign where it would fill the memory."""
    from phasewright.logs import read_log, table_aside

    if log.is_file() and log.stat().st_size >= LARGE:
        with table_aside(folder, log, entry, meter, **how) as table:
            yield table
    else:
        yield read_log(log, entry, instrument=meter, **how)


def _refuse_taken(
    file: str, table: Table, channels: tuple[ChannelSource, ...], others: Sequence[LogEntry]
) -> None:
    """Raise LogFault for channels that another log of the campaign holds already."""
    for log in others:
        if file in log.files:
            what = f"this file is log {escape(log.name)!r} of the campaign already"
            mend = (f"bring it in again with --name {escape(log.name)}, or change the name and the instrument of that "
                    "[[log]] in campaign.toml")  # fmt: skip
            raise LogFault(Fault(file, what, mend, 1))
    owners = {source.channel: log.name for log in others for source in log.channels}
    faults = []
    for source in channels:
        if source.channel in owners:
            what = f"{source.channel} is also a channel of log {escape(owners[source.channel])!r}"
            label = re.sub(r"[^a-z0-9_]+", "_", table.log.casefold()).strip("_") or "second"
            mend = f"give it a label: --map {source.channel}.{label}='{escape(source_text(source))}'"
            faults.append(Fault(file, what, mend, table.report.header_line or 1))
    if faults:
        raise LogFault(faults)


def _remark_lines(title: str, remarks: Sequence[Remark]) -> list[str]:
    """Return remarks of one kind line by line: where and how often, which column, what, and the mend."""
    out = [f"{title} ({sum(remark.count for remark in remarks)})"]
    for remark in remarks:
        times = place_text(remark)
        column = f"{escape(remark.column)}: " if remark.column else ""
        mend = f" - {remark.mend}" if remark.mend else ""
        out.append(f"  {times:<24} {column}{remark.what}{mend}")
    return out


def place_text(remark: Remark) -> str:
    """Return where in the log, and how often: ``line 7``, ``3 times from line 7``, ``throughout``."""
    where = f"line {remark.line}" if remark.line else "throughout" if remark.count == 1 else ""
    return f"{remark.count} times" + (f" from {where}" if where else "") if remark.count > 1 else where


def parse_pairs(pairs: tuple[str, ...]) -> dict[str, str]:
    """Return channel -> column text from ``channel=column`` words; BenchFault names every bad one."""
    found: dict[str, str] = {}
    faults = []
    for pair in pairs:
        channel, sign, column = pair.partition("=")
        if not sign or not channel.strip() or not column.strip():
            what = f"{escape(pair)!r} is not CHANNEL=COLUMN"
            faults.append(Fault("--map", what, "write for example --map input_power='Power [W]'"))
        found[channel.strip()] = column.strip()
    if faults:
        raise BenchFault(faults)
    return found


def source_text(source: ChannelSource) -> str:
    """Return where a channel comes from in one line: ``Power`` or ``U1 * I1 + U2 * I2``."""
    parts = []
    for term in source.terms:
        text = " * ".join(term.columns)
        parts.append(text if term.factor == 1 else f"{term.factor:g} * {text}")
    return " + ".join(parts)


def _looks(table: Table) -> tuple[ColumnLook, ...]:
    import numpy as np

    found = []
    for name, unit in zip(table.names, table.units, strict=True):
        values = table.columns.get(name)
        if values is None or not len(values):
            continue
        starts = np.unique(np.linspace(0, len(values), min(PREVIEW, len(values)), endpoint=False).astype(int))
        lows, highs = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
        found.append(ColumnLook(name, unit, tuple(map(float, values[:3])), tuple(map(float, lows)),
                                tuple(map(float, highs))))  # fmt: skip
    return tuple(found)


def _channels(
    channel_map: Mapping[str, str | ChannelSource], table: Table, file: str
) -> tuple[ChannelSource, ...]:
    """Return the channel sources that a map of texts asks for; every unknown channel and column is a fault."""
    from phasewright.bench import CHANNELS

    faults: list[Fault] = []
    sources, line = [], table.report.header_line or 1
    for channel, text in channel_map.items():
        if channel.partition(".")[0] not in CHANNELS:
            mend = f"use one of: {', '.join(CHANNELS)}"
            faults.append(Fault(file, f"channel {escape(channel)!r} is not known", mend, line))
            continue
        if isinstance(text, ChannelSource):
            sources.append(text)
            continue
        terms = _terms(text, table)
        if terms is None:
            mend = f"use one of its columns: {', '.join(escape(name) for name in table.report.columns)}"
            faults.append(Fault(file, f"column {escape(text)!r} for {channel} is not in the log", mend, line))
        else:
            sources.append(ChannelSource(channel, terms))
    if faults:
        raise LogFault(faults)
    return tuple(sources)


def _terms(text: str, table: Table) -> tuple[ColumnTerm, ...] | None:
    """Return the sum of products that `text` means, None when a column is not in the log.

    The whole text is tried as one column first, because names such as ``P+`` or ``U*I`` exist.
    """
    from phasewright.logs import column_position

    def known(column: str) -> bool:
        try:
            column_position(column, table.report.columns, table.log, "--map")
        except LogFault:
            return False
        return True

    if known(text):
        return (ColumnTerm((text,)),)
    terms = tuple(
        ColumnTerm(tuple(factor.strip() for factor in product.split("*"))) for product in text.split("+")
    )
    return terms if all(known(column) for term in terms for column in term.columns) else None


def _log_name(stem: str) -> str:
    name = re.sub(r"[^A-Za-z0-9_-]+", "-", stem).strip("-")
    return name or "log"


def _inside(folder: Path, log: Path) -> str | None:
    """Return the path of `log` relative to the campaign, None when it lies outside."""
    try:
        return log.resolve().relative_to(folder.resolve()).as_posix()
    except ValueError:
        return None


def _copy_in(folder: Path, log: Path, read: Fingerprint) -> str:
    """Copy the bytes of `log` that were read into the campaign's logs folder, and return where they are.

    A log that grows goes in as far as it was read. Another file of that name is never replaced. Raises LogFault for
    it, and for a log that no longer holds what was read.
    """
    target, file = folder / "logs" / log.name, f"logs/{log.name}"
    if target.exists():
        if target.stat().st_size == read.size and file_hash(target) == read.sha256:
            return file
        mend = "rename the new log, or take the old one out of the logs folder yourself"
        raise LogFault(Fault(file, "another file of this name is in the campaign already", mend, 1))
    target.parent.mkdir(exist_ok=True)
    handle, part = tempfile.mkstemp(dir=target.parent, prefix=".", suffix=".part")
    try:
        digest, left = hashlib.sha256(), read.size
        with os.fdopen(handle, "wb") as copy, open(log, "rb") as stream:
            while left > 0 and (data := stream.read(min(left, 1 << 20))):
                digest.update(data)
                copy.write(data)
                left -= len(data)
        if left or digest.hexdigest() != read.sha256:
            mend = "bring it again when nothing writes to it"
            raise LogFault(Fault(log.name, "the log changed between being read and being copied", mend, 1))
        shutil.copystat(log, part)
        os.replace(part, target)
    except OSError as error:
        mend = "see that the log is there and that the disk has room, and bring it again"
        raise LogFault(Fault(file, f"cannot be copied ({error.strerror or error})", mend, 1)) from None
    finally:
        Path(part).unlink(missing_ok=True)
    return file


def _name_of(delimiter: str) -> str:
    names = {",": "comma", ";": "semicolon", "\t": "tab", " ": "space", "|": "bar", "ws": "blanks",
             "ws2": "two blanks or more, or a tab"}  # fmt: skip
    return names.get(delimiter, repr(delimiter))


def _size_text(size: int) -> str:
    for unit in ("B", "kB", "MB"):
        if size < 1000:
            return f"{size:.3g} {unit}"
        size /= 1000
    return f"{size:.3g} GB"
