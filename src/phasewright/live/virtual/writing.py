"""Writes readings as plain delimited text in an invented dialect."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from phasewright.live.virtual import rows
from phasewright.live.virtual.instruments import Column, Dialect, Readings

NOTICE = "simulated readings from a virtual bench; no such bench exists"
_CHUNK = 100_000


def header(dialect: Dialect, columns: Sequence[Column], notice: str = NOTICE) -> str:
    """Return everything in front of the first row."""
    d, lines = dialect, []
    if d.preamble:
        lines.append(f"# {notice}")
    names = list(d.stamp_names)
    for column in columns:
        if d.units == "header" and column.unit:
            names.append(f"{column.name} [{column.unit}]")
        elif d.units == "suffix" and column.unit:
            names.append(f"{column.name}_{column.unit}")
        else:
            names.append(column.name)
    tail = d.delimiter if d.trailing_delimiter else ""
    lines.append(d.delimiter.join(names) + tail)
    if d.units == "row":
        lines.append(d.delimiter.join([""] * len(d.stamp_names) + [column.unit for column in columns]) + tail)
    return ("\ufeff" if d.bom else "") + "".join(line + d.newline for line in lines)


def suffix(dialect: Dialect) -> str:
    """Return the ending of a log file's name."""
    return {",": "csv", "\t": "tsv"}.get(dialect.delimiter, "txt")


def header_names(dialect: Dialect, columns: Sequence[Column]) -> dict[str, str]:
    """Return by column name what stands in the header without the bracketed unit."""
    return {c.name: f"{c.name}_{c.unit}" if dialect.units == "suffix" and c.unit else c.name for c in columns}


def stamp_cells(dialect: Dialect, stamp: np.ndarray) -> list[np.ndarray]:
    """Return the time columns of stamps [ns]."""
    d = dialect
    if d.stamp == "iso":
        joined = [rows.day_cells(stamp, d.date), rows.literal_cells("T", len(stamp)),
                  rows.clock_cells(stamp, d.stamp_decimals)]
        return [np.concatenate(joined, axis=1)]
    if d.stamp == "split":
        return [rows.day_cells(stamp, d.date), rows.clock_cells(stamp, d.stamp_decimals, d.decimal)]
    if d.stamp == "epoch_ms":
        return [rows.number_cells((stamp // 1_000_000).astype(float), 0)]
    return [rows.number_cells(stamp * 1e-9, d.stamp_decimals, d.decimal)]


def write_log(path: Path, dialect: Dialect, columns: Sequence[Column], parts: Iterable[Readings],
              notice: str = NOTICE) -> int:
    """Write the readings of all `parts` as one log file and return its size [bytes]."""
    size = 0
    end = (dialect.delimiter if dialect.trailing_delimiter else "") + dialect.newline
    with path.open("wb") as file:
        size += file.write(header(dialect, columns, notice).encode("utf-8"))
        for readings in parts:
            for first in range(0, len(readings.stamp), _CHUNK):
                part = slice(first, first + _CHUNK)
                cells = stamp_cells(dialect, readings.stamp[part])
                cells += [rows.number_cells(readings.columns[c.name][part], c.decimals, dialect.decimal)
                          for c in columns]
                size += file.write(rows.join_cells(cells, dialect.delimiter, end))
    return size
