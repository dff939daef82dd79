"""Readings a thousand times too large or too small: the header names one unit, the readings are in another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phasewright.bench import ChannelSource, Fault, escape
from phasewright.logs.records import Table
from phasewright.logs.sanity.doubts import Gathered
from phasewright.logs.sanity.survey import Column

# What regulators of processors and graphics processors show at load (100-600 W, 0.5-2 V out, 12-54 V in), wide on both
# sides: (least, typical low, typical high, greatest); common practice, no source.
_AT_LOAD: dict[tuple[str, str], tuple[float, float, float, float]] = {
    ("input", "V"): (3.0, 4.5, 60.0, 400.0),
    ("input", "A"): (0.15, 0.8, 150.0, 400.0),
    ("input", "W"): (3.0, 10.0, 2000.0, 6000.0),
    ("package", "W"): (2.0, 10.0, 2000.0, 6000.0),
    ("rail", "V"): (0.2, 0.35, 3.6, 30.0),
    ("rail", "A"): (1.0, 5.0, 2500.0, 6000.0),
    ("rail", "W"): (2.0, 5.0, 2500.0, 6000.0),
}
GREATEST = {key: bounds[3] for key, bounds in _AT_LOAD.items()}
"""Readings above it no bench shows, by (what of the bench, unit) [unit]."""
_PREFIXES = {1e-3: "m", 1.0: "", 1e3: "k", 1e-6: "u", 1e6: "M"}
_TEMPERATURES = ("regulator", "inductor", "board", "connector", "coolant", "processor", "ambient")


def refuse_slips(
    table: Table, sources: Sequence[ChannelSource], columns: Sequence[Column], gathered: Gathered
) -> None:
    """Refuse columns whose readings no bench can show but could in another unit of the same kind; name that unit."""
    file, line = table.report.fingerprint.file, table.report.header_line or None
    for column in columns:
        unit = _meant_temperature(column) if column.unit == "degC" else _meant_unit(column)
        if unit is None:
            continue
        shown = "°C" if column.unit == "degC" else column.unit
        meant = "thousandths of °C" if unit == _MILLI else unit
        gathered.faults.append(Fault(
            file, f"column {escape(column.name)!r} reaches {column.level(0.95):.4g} {shown}: it looks like {meant}, "
            f"read as {column.written}", f"if so, {_mend(column, unit, sources)}; else map another column", line,
            path=column.channels[0],
        ))  # fmt: skip


_MILLI = "m°C"


def _mend(column: Column, unit: str, sources: Sequence[ChannelSource]) -> str:
    """Return how the map says that a column is in `unit`."""
    name = escape(column.name)
    if unit == _MILLI:
        return f'write {column.channels[0]} = {{ column = "{name}", unit = "degC", factor = 0.001 }}'
    alone = any(
        term.columns and len(term.columns) == 1 and len(source.terms) == 1
        for source in sources
        if source.channel == column.channels[0]
        for term in source.terms
    )
    if alone:
        return f'write {column.channels[0]} = {{ column = "{name}", unit = "{unit}" }} in the map'
    return f'state units = [..., "{unit}", ...] in the product that has {name!r}'


def _meant_unit(column: Column) -> str | None:
    known = _AT_LOAD.get((column.kind, column.unit))
    if known is None:
        return None
    least, low, high, greatest = known
    top = abs(column.level(0.95))
    if not np.isfinite(top) or least <= top <= greatest or not _tells(column, top, least):
        return None
    beyond = column.first[np.abs(column.first) > greatest]
    if len(beyond) and beyond.min() == beyond.max() and np.nanmin(np.abs(column.first)) <= greatest:
        # One and the same reading: a code among readings in the unit that is stated.
        return None
    for factor in (1e-3, 1e3, 1e-6, 1e6):
        if low <= top * factor <= high:
            ratio = factor * column.scale
            for size, prefix in _PREFIXES.items():
                if abs(ratio / size - 1.0) < 1e-6:
                    return prefix + column.unit
    return None


def _tells(column: Column, top: float, least: float) -> bool:
    """Return whether the readings are more than an input that carries nothing, or a machine on standby, shows."""
    change = np.abs(column.second - column.first)
    change = change[np.isfinite(change)]
    if not len(change) or top < 20.0 * float(np.median(change)):
        return False
    return top > least or column.unit == "V" or top > 2.0 * abs(column.level(0.05))


def _meant_temperature(column: Column) -> str | None:
    """Kelvin shows at once; Fahrenheit of a room does, of a warm part it does not."""
    if column.kind not in _TEMPERATURES or column.written != "degC":
        return None
    low, high = column.level(0.02), column.level(0.98)
    if 265.0 <= low and high <= 420.0:
        return "K"
    if column.kind == "ambient" and 50.0 <= low and high <= 113.0:
        return "degF"
    if high > 1500.0 and 5.0 <= low * 1e-3 and high * 1e-3 < 150.0:
        return _MILLI
    return None
