"""Opens a log of a campaign: from the store when it is there, from the raw file when it is not."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

import numpy as np

from phasewright.bench import CHANNELS, ChannelSource, Fault, Instrument, LogEntry, LogFault, escape

from .read import VERSION, fault_of, read_log
from .records import OpenedLog, Remark, Table
from .sanity import VERSION as SANITY_VERSION
from .sanity import Doubts, look_at
from .store import Kept, Store
from .trace import Blocks, build_traces, flagged_channel, in_memory

TRACE_VERSION = 3
"""Raised when the same columns would make another trace."""
Progress = Callable[[float, str], None]


def open_log(
    folder: str | Path,
    entry: LogEntry,
    instrument: Instrument | None,
    *,
    strict: bool = False,
    progress: Progress | None = None,
) -> OpenedLog:
    """Return every mapped channel of one log of the campaign in `folder`, and what was read from its files.

    Parsed columns are kept in `derived/` and used again while the raw file and the entry stay the same; raw files are
    never changed. `strict` refuses where reading would mend. Raises LogFault with all faults of the log.
    """
    folder = Path(folder)
    kept, faults = [], []
    for index, file in enumerate(entry.files):
        try:
            share = _share(progress, index, len(entry.files))
            kept.append(_open_kept(folder, file, entry, instrument, strict, share))
        except LogFault as fault:
            faults.extend(fault.faults)
    if not entry.files:
        faults.append(Fault("campaign.toml", f"log {escape(entry.name)!r} names no file", "name at least one", 1))
    if faults:
        raise LogFault(faults)
    places = {id(item.table): item for item in kept if isinstance(item, Kept)}
    looked: dict[int, Doubts] = {}

    def values_of(table: Table, source: ChannelSource):
        def make(gather=in_memory):
            if id(table) not in looked:
                looked[id(table)] = look_at(table, entry.channels)
            return flagged_channel(table, source, looked[id(table)], gather)

        place = places.get(id(table))
        if place is None:
            return make()
        return place.channel(repr((TRACE_VERSION, SANITY_VERSION, source, entry.channels)), make)

    tables = [item.table if isinstance(item, Kept) else item for item in kept]
    traces = build_traces(tables, entry.channels, log=entry.name, instrument=instrument, values_of=values_of)
    said = dict.fromkeys(remark for trace in traces for remark in trace.remarks)
    if strict and (mended := mended_values(said, entry.files[0])):
        raise LogFault(mended)
    return OpenedLog(traces, tuple(table.report for table in tables))


def open_table(
    folder: str | Path,
    file: str,
    entry: LogEntry,
    instrument: Instrument | None = None,
    *,
    strict: bool = False,
    progress: Progress | None = None,
) -> Table:
    """Return the table of one raw file of a campaign (`file` relative to `folder`), kept in `derived/`."""
    opened = _open_kept(Path(folder), file, entry, instrument, strict, progress)
    return opened.table if isinstance(opened, Kept) else opened


@contextmanager
def table_aside(
    folder: str | Path,
    path: str | Path,
    entry: LogEntry,
    instrument: Instrument | None = None,
    *,
    strict: bool = False,
    progress: Progress | None = None,
    file: str = "",
    by_position: bool = False,
) -> Iterator[Table]:
    """Read any log, in the campaign in `folder` or not, with its columns on the disk as long as the block lasts.

    For logs that would fill the memory; `file` is what faults call it, `by_position` as in `read_log`. Nothing stays in
    `derived/`. Raises LogFault.
    """
    sink = Store(Path(folder)).writer()
    try:
        yield read_log(path, entry, instrument=instrument, strict=strict, progress=progress, sink=sink, file=file,
                       by_position=by_position)  # fmt: skip
    finally:
        sink.abandon()


def question_values(table: Table, sources: Sequence[ChannelSource]) -> tuple[Remark, ...]:
    """Return what is mended, refused and doubted in the values of channels made from one table, the gravest first.

    Beside what reading its cells mended (`table.report.remarks`): energy counters that are unwrapped, units taken for
    granted, readings that no sensor took, and columns that cannot be the channels they are mapped to.
    """
    doubts = look_at(table, sources)
    read = set(table.report.remarks)

    def channel(table: Table, source: ChannelSource):
        known = CHANNELS.get(source.channel.partition(".")[0])
        counted = known is not None and known.unit == "J"
        return flagged_channel(table, source, doubts, in_memory if counted else _gone_through)

    said: dict[Remark, None] = {}
    for source in sources:
        try:
            traces = build_traces([table], [source], log=table.log, values_of=channel)
        except LogFault as fault:
            said |= {Remark("refuse", item.what, item.line, mend=item.mend): None for item in fault.faults}
            said |= dict.fromkeys(doubts.remarks.get(source.channel, ()))
            continue
        said |= {remark: None for remark in traces[0].remarks if remark not in read}
    order = {"refuse": 0, "repair": 1, "note": 2}
    return tuple(sorted(said, key=lambda remark: (order[remark.kind], remark.line or 0)))


def _gone_through(count: int, blocks: Blocks) -> np.ndarray:
    """Go through values of which only the remarks are wanted; return (count,) missing ones that take no room."""
    for _ in blocks():
        pass
    return np.broadcast_to(np.nan, (count,))


def mended_values(remarks: Iterable[Remark], file: str) -> list[Fault]:
    """Return what was mended or refused in values, as the faults that strict reading makes of it.

    `file` is the log's first file.
    """
    return [fault_of(remark, remark.file or file) for remark in remarks if remark.kind in ("repair", "refuse")]


def _open_kept(
    folder: Path, file: str, entry: LogEntry, instrument: Instrument | None, strict: bool, progress: Progress | None
) -> Kept | Table:
    """Return a raw file's table, with the place that it is kept in unless it was read strictly."""
    _check_inside(folder, file)
    if strict:
        # Strict reading may refuse what is kept: it goes through the raw file, and keeps nothing of its own.
        return read_log(folder / file, entry, instrument=instrument, strict=True, progress=progress, file=file)
    store = Store(folder)
    settings = _settings(entry, instrument)
    kept = store.find(file, settings)
    if kept is not None:
        return kept
    identity = store.identity(file)
    sink = store.writer()
    table = read_log(folder / file, entry, instrument=instrument, progress=progress, sink=sink, file=file)
    return store.keep(sink, table, settings, identity)


def _check_inside(folder: Path, file: str) -> None:
    path = Path(file)
    if path.is_absolute() or ".." in path.parts:
        raise LogFault(
            Fault(
                "campaign.toml",
                f"log file {escape(file)!r} is outside the campaign folder",
                "copy it into logs/ and name it there",
            )
        )


def _settings(entry: LogEntry, instrument: Instrument | None) -> dict[str, object]:
    """Return all that decides how a file is read, so that what was read otherwise is not taken for it."""
    return {
        "reader": VERSION, "log": entry.name, "channels": [asdict(source) for source in entry.channels],
        "time": entry.time_columns,
        "format": entry.time_format, "zone": entry.zone, "encoding": entry.encoding, "delimiter": entry.delimiter,
        "decimal": entry.decimal, "header": entry.header_line, "period": instrument.period if instrument else None,
    }  # fmt: skip


def _share(progress: Progress | None, index: int, count: int) -> Progress | None:
    if progress is None:
        return None

    def shared(fraction: float, text: str) -> None:
        progress((index + fraction) / count, text)

    return shared
