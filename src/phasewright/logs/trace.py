"""Traces from tables: a channel from one column or a sum of products of columns, in SI."""

from __future__ import annotations

import bisect
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace

import numpy as np

from phasewright.bench import ChannelSource, ColumnTerm, Fault, Instrument, LogFault, base_channel, escape
from phasewright.quantity import base_unit, convert

from ._names import column_position
from .blockwise import Rows, spans
from .records import Remark, Table, Trace
from .sanity import Doubts, look_at, unwrap

_PRODUCTS = {
    ("A", "V"): "W", ("A", "Ohm"): "V", ("A", "A", "Ohm"): "W", ("W", "s"): "J", ("A", "V", "s"): "J", ("Hz", "J"): "W",
}  # fmt: skip


Channel = tuple[np.ndarray, tuple[Remark, ...], tuple[tuple[int, int], ...]]
"""Values float64 (n,) of a channel over one table, in the channel's unit, what was said of them, and the (first,
past-the-last) rows of those that are lower bounds only."""
Blocks = Callable[[], Iterator[np.ndarray]]
"""Begins the values of a channel, block by block; each block holds until the next is asked for."""
Gather = Callable[[int, Blocks], np.ndarray]
"""Puts so many values together, in memory or in a file, and returns them."""


@dataclass(frozen=True, slots=True, eq=False)
class _Recipe:
    """How a channel is made from columns: a sum of products, in SI."""

    terms: tuple[tuple[tuple[tuple[np.ndarray, str, str], ...], float], ...]
    """For each term its columns (values, unit, unit wanted) and its factor."""
    remarks: tuple[Remark, ...]

    @property
    def plain(self) -> np.ndarray | None:
        """The column that the channel is as it stands; None when something is computed."""
        if len(self.terms) == 1 and len(self.terms[0][0]) == 1 and self.terms[0][1] == 1.0:
            values, unit, wanted = self.terms[0][0][0]
            return values if unit == wanted else None
        return None

    def blocks(self, missing: Sequence[tuple[int, int]] = ()) -> Iterator[np.ndarray]:
        """Yield the values block by block, without those in the rows (first, past-the-last) of `missing`."""
        count = len(self.terms[0][0][0][0])
        with ExitStack() as stack:
            terms = [
                ([(stack.enter_context(Rows(values)), unit, wanted) for values, unit, wanted in columns], factor)
                for columns, factor in self.terms
            ]
            for first, last in spans(count):
                total = None
                for columns, factor in terms:
                    product = None
                    for rows, unit, wanted in columns:
                        part = rows.part(first, last)
                        part = part if unit == wanted else convert(part, unit, wanted)
                        product = part if product is None else product * part
                    product = product * factor if factor != 1.0 else product
                    total = product if total is None else total + product
                for a, b in _within(missing, first, last):
                    # Columns of the table itself are never changed.
                    total = np.array(total)
                    total[a:b] = np.nan
                yield total


def _within(ranges: Sequence[tuple[int, int]], first: int, last: int) -> list[tuple[int, int]]:
    """Return the parts of rising `ranges` that lie in rows `first` to `last`, counted from `first`."""
    if not len(ranges):
        return []
    every = np.asarray(ranges)
    a, b = np.searchsorted(every[:, 1], first, side="right"), np.searchsorted(every[:, 0], last)
    return [(max(int(p) - first, 0), min(int(q) - first, last - first)) for p, q in every[a:b]]


def in_memory(count: int, blocks: Blocks) -> np.ndarray:
    """Return the values of `blocks` as one array (count,)."""
    values, at = np.empty(count), 0
    for part in blocks():
        values[at : at + len(part)] = part
        at += len(part)
    return values


def build_traces(
    tables: Sequence[Table],
    sources: Sequence[ChannelSource],
    *,
    log: str,
    instrument: Instrument | None = None,
    values_of: Callable[[Table, ChannelSource], Channel] | None = None,
) -> tuple[Trace, ...]:
    """Return one trace for every channel source, over all tables (files) of one log in order.

    Tables on an absolute clock that go on where the last one ended share a segment. `values_of` takes the place of
    `flagged_channel` where its results are kept. Raises LogFault with every column that is not there, holds words, or
    does not measure what the channel needs.
    """
    time_ns, segments, absolute = _joined_time(tables)
    if values_of is None:
        looked = {id(table): look_at(table, sources) for table in tables}
        values_of = lambda table, source: flagged_channel(table, source, looked[id(table)])  # noqa: E731
    bases = np.cumsum([0, *(len(table.time_ns) for table in tables)]).tolist()
    traces, faults = [], []
    for source in sources:
        try:
            parts = [values_of(table, source) for table in tables]
        except LogFault as fault:
            faults.extend(fault.faults)
            continue
        values = parts[0][0] if len(parts) == 1 else np.concatenate([part[0] for part in parts])
        remarks = tuple(dict.fromkeys(
            _of_file(remark, table, tables) for table, part in zip(tables, parts, strict=True) for remark in part[1]
        ))  # fmt: skip
        unit = base_channel(source.channel).unit
        if unit == "J":
            place = lambda row: _place_of(row, tables, bases)  # noqa: E731
            values, said = unwrap(values, time_ns, segments, source.counter_range, place)
            columns = ", ".join(c for term in source.terms for c in term.columns)
            remarks += tuple(replace(remark, column=columns) for remark in said)
        traces.append(Trace(
            source.channel, unit, log, time_ns, values,
            instrument.averaging if instrument else None, instrument.stamp_at if instrument else "unknown",
            segments, absolute, remarks, max((table.stamp_resolution for table in tables), default=0.0),
            tuple((a + base, b + base) for base, part in zip(bases, parts, strict=False) for a, b in part[2]),
        ))  # fmt: skip
    if faults:
        raise LogFault(faults)
    return tuple(traces)


def _of_file(remark: Remark, table: Table, tables: Sequence[Table]) -> Remark:
    """Return a remark with the file that its line counts in, where a log has several files."""
    if len(tables) == 1 or remark.line is None:
        return remark
    return replace(remark, file=table.report.fingerprint.file)


def _place_of(row: int, tables: Sequence[Table], bases: Sequence[int]) -> tuple[str, int]:
    """Return file ('' = the only one) and line of a row of the joined tables, of which each begins at a base."""
    index = bisect.bisect_right(bases, row, hi=len(tables)) - 1
    file = tables[index].report.fingerprint.file if len(tables) > 1 else ""
    return file, tables[index].line_of(row - bases[index])


def flagged_channel(
    table: Table, source: ChannelSource, doubts: Doubts, gather: Gather = in_memory
) -> Channel:
    """Return a channel's values without what no sensor measured (`doubts`), and every remark on them.

    `gather` puts together what is no column as it stands. Raises LogFault, also for readings that no bench can show.
    """
    recipe = _recipe_of(table, source)
    faults = [fault for fault in doubts.faults if fault.path == source.channel]
    if faults:
        raise LogFault(faults)
    missing = doubts.missing.get(source.channel, ())
    values = recipe.plain
    if values is None or len(missing):
        values = gather(len(table.time_ns), lambda: recipe.blocks(missing))
    remarks = recipe.remarks
    file = table.report.fingerprint.file
    used = {table.names[column_position(c, table.names, file, "")] for term in source.terms for c in term.columns}
    read = tuple(remark for remark in table.report.remarks if remark.column in used)
    at_least = tuple((int(a), int(b)) for a, b in doubts.at_least.get(source.channel, ()))
    return values, (*read, *remarks, *doubts.remarks.get(source.channel, ())), at_least


def _joined_time(tables: Sequence[Table]) -> tuple[np.ndarray, tuple[tuple[int, int], ...], bool]:
    if len(tables) == 1:
        return tables[0].time_ns, tables[0].segments, tables[0].absolute
    absolute = all(table.absolute for table in tables)
    segments: list[tuple[int, int]] = []
    base, last = 0, None
    for table in tables:
        for index, (start, stop) in enumerate(table.segments):
            begins = int(table.time_ns[start]) if stop > start else 0
            if index == 0 and segments and absolute and last is not None and begins >= last:
                segments[-1] = (segments[-1][0], base + stop)
            else:
                segments.append((base + start, base + stop))
        base += len(table.time_ns)
        last = int(table.time_ns[-1]) if len(table.time_ns) else last
    return np.concatenate([table.time_ns for table in tables]), tuple(segments), absolute


def channel_values(table: Table, source: ChannelSource) -> tuple[np.ndarray, tuple[Remark, ...]]:
    """Return (values float64 (n,) in the channel's unit, remarks) of a channel. Raises LogFault."""
    recipe = _recipe_of(table, source)
    values = recipe.plain
    return in_memory(len(table.time_ns), recipe.blocks) if values is None else values, recipe.remarks


def _recipe_of(table: Table, source: ChannelSource) -> _Recipe:
    """Return how a channel is made. Raises LogFault with what its columns do not hold or measure."""
    file = table.report.fingerprint.file
    try:
        channel = base_channel(source.channel)
    except KeyError:
        raise LogFault(
            Fault(file, f"unknown channel {escape(source.channel)!r}", "name a channel of the list")
        ) from None
    terms, remarks = [], []
    for term in source.terms:
        columns, said = _term_columns(table, term, source.channel, channel.unit, file)
        remarks.extend(said)
        terms.append((columns, term.factor))
    if not terms:
        raise LogFault(Fault(file, "channel without columns", "name at least one column", path=source.channel))
    recipe = _Recipe(tuple(terms), tuple(remarks))
    if len(table.time_ns) and all(np.isnan(part).all() for part in recipe.blocks()):
        shown = ", ".join(escape(c) for term in source.terms for c in term.columns)
        raise LogFault(
            Fault(
                file,
                f"no number in column {shown}",
                "name a column that holds readings",
                table.line_of(0),
                path=source.channel,
            )
        )
    return recipe


def _term_columns(table: Table, term: ColumnTerm, name: str, unit: str, file: str):
    """Return the (values, unit, unit wanted) of every column of a term, and remarks. Raises LogFault."""
    remarks: list[Remark] = []
    columns, bases = [], []
    units = (*term.units, *[""] * (len(term.columns) - len(term.units)))
    single = len(term.columns) == 1
    for column, stated in zip(term.columns, units, strict=True):
        column_name = table.names[column_position(column, table.names, file, name)]
        values = table.columns.get(column_name)
        if values is None:
            raise LogFault(
                Fault(
                    file,
                    f"column {escape(column_name)!r} holds words, not numbers",
                    "map a numeric column",
                    table.report.header_line or None,
                    path=name,
                )
            )
        from_unit = stated or table.units[table.names.index(column_name)]
        if not from_unit:
            if unit != "1":
                raise LogFault(
                    Fault(
                        file,
                        f"column {escape(column_name)!r} states no unit",
                        f'state it in the map: unit = "{unit}", in a sum units = ["{unit}"]' if single else
                        'state the units in the map, one for each column of the product, e.g. units = ["V", "A"]',
                        table.report.header_line or None,
                        path=name,
                    )
                )
            from_unit, said = _ratio_unit(name, values, column_name, table.report.header_line or 1)
            remarks.extend(said)
        try:
            target = unit if single else base_unit(from_unit)
            convert(0.0, from_unit, target)
        except ValueError:
            raise LogFault(
                Fault(
                    file,
                    f"column {escape(column_name)!r} is in {from_unit}, channel {name} needs {unit}",
                    "map another column, or state its unit",
                    table.report.header_line or None,
                    path=name,
                )
            ) from None
        bases.append(target)
        columns.append((values, from_unit, target))
    if not single:
        found = tuple(sorted(base for base in bases if base != "1"))
        measured = _PRODUCTS.get(found, found[0] if len(found) == 1 else "1" if not found else "")
        if measured != unit:
            raise LogFault(
                Fault(
                    file,
                    f"{' x '.join(bases)} of columns {', '.join(escape(c) for c in term.columns)} is no {unit}",
                    "map columns whose product is what the channel measures",
                    table.report.header_line or None,
                    path=name,
                )
            )
    return tuple(columns), remarks


def _ratio_unit(channel: str, values: np.ndarray, column: str, line: int) -> tuple[str, list[Remark]]:
    """Return the unit of a ratio's column that states none: duties run from 0 to 1 or from 0 to 100."""
    if not channel.partition(".")[0].endswith("_duty"):
        return "1", []
    with Rows(values) as rows:
        tops = [float(np.fmax.reduce(rows.part(first, last))) for first, last in spans(len(values))]
    top = float(np.fmax.reduce(tops)) if tops else 0.0
    top = 0.0 if np.isnan(top) else top
    if top > 1.5:
        return "%", [Remark("repair", f"no unit stated; taken as percent (highest value {top:g})", line, column)]
    return "1", [Remark("note", f"no unit stated; taken as 0 to 1 (highest value {top:g})", line, column)]
