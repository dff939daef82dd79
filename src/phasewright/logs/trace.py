"""Traces from tables: a channel from one column or a sum of products of columns, in SI."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from phasewright.bench import ChannelSource, ColumnTerm, Fault, Instrument, LogFault, base_channel, escape
from phasewright.quantity import base_unit, convert

from ._names import column_position
from .records import Remark, Table, Trace
from .sanity import Doubts, look_at, unwrap

_PRODUCTS = {
    ("A", "V"): "W", ("A", "Ohm"): "V", ("A", "A", "Ohm"): "W", ("W", "s"): "J", ("A", "V", "s"): "J", ("Hz", "J"): "W",
}  # fmt: skip


Channel = tuple[np.ndarray, tuple[Remark, ...], tuple[tuple[int, int], ...]]
"""Values float64 (n,) of a channel over one table, in the channel's unit, what was said of them, and the (first,
past-the-last) rows of those that are lower bounds only."""


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
        remarks = tuple(dict.fromkeys(remark for part in parts for remark in part[1]))
        unit = base_channel(source.channel).unit
        if unit == "J":
            values, said = unwrap(values, time_ns, segments, source.counter_range)
            remarks += said
        traces.append(Trace(
            source.channel, unit, log, time_ns, values,
            instrument.averaging if instrument else None, instrument.stamp_at if instrument else "unknown",
            segments, absolute, remarks, max((table.stamp_resolution for table in tables), default=0.0),
            tuple((a + base, b + base) for base, part in zip(bases, parts, strict=False) for a, b in part[2]),
        ))  # fmt: skip
    if faults:
        raise LogFault(faults)
    return tuple(traces)


def flagged_channel(table: Table, source: ChannelSource, doubts: Doubts) -> Channel:
    """Return a channel's values without what no sensor measured (`doubts`), and every remark on them.

    Raises LogFault, also for readings that no bench can show.
    """
    values, remarks = channel_values(table, source)
    faults = [fault for fault in doubts.faults if fault.path == source.channel]
    if faults:
        raise LogFault(faults)
    missing = doubts.missing.get(source.channel, ())
    if len(missing):
        # Columns of the table itself are never changed.
        values = np.array(values)
        for first, last in missing:
            values[first:last] = np.nan
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


def channel_values(table: Table, source: ChannelSource) -> Channel:
    """Return (values float64 (n,) in the channel's unit, remarks) of a channel. Raises LogFault."""
    file = table.report.fingerprint.file
    try:
        channel = base_channel(source.channel)
    except KeyError:
        raise LogFault(
            Fault(file, f"unknown channel {escape(source.channel)!r}", "name a channel of the list")
        ) from None
    total, remarks = None, []
    for term in source.terms:
        value, said = _term_values(table, term, source.channel, channel.unit, file)
        remarks.extend(said)
        total = value if total is None else total + value
    if total is None:
        raise LogFault(Fault(file, "channel without columns", "name at least one column", path=source.channel))
    if len(total) and np.isnan(total).all():
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
    return total, tuple(remarks)


def _term_values(table: Table, term: ColumnTerm, name: str, unit: str, file: str):
    remarks: list[Remark] = []
    product, bases = None, []
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
                        f'state it in the map, e.g. units = ["{unit}"]',
                        table.report.header_line or None,
                        path=name,
                    )
                )
            values, from_unit, said = _ratio_scale(name, values, column_name)
            remarks.extend(said)
        try:
            target = unit if single else base_unit(from_unit)
            values = values if from_unit == target else convert(np.asarray(values), from_unit, target)
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
        product = values if product is None else product * values
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
    if term.factor != 1.0:
        product = product * term.factor
    return product, remarks


def _ratio_scale(channel: str, values: np.ndarray, column: str) -> tuple[np.ndarray, str, list[Remark]]:
    """Return the unit of a ratio's column that states none: duties run from 0 to 1 or from 0 to 100."""
    if not channel.partition(".")[0].endswith("_duty"):
        return values, "1", []
    top = float(np.nanmax(values)) if len(values) and not np.isnan(values).all() else 0.0
    if top > 1.5:
        return (
            values,
            "%",
            [Remark("repair", f"no unit stated; taken as percent (highest value {top:g})", column=column)],
        )
    return values, "1", [Remark("note", f"no unit stated; taken as 0 to 1 (highest value {top:g})", column=column)]
