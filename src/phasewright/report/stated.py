"""The bench as it was stated: parts, ratings, protections, instruments, channel map."""

from __future__ import annotations

from dataclasses import fields

from phasewright.bench import CHANNELS
from phasewright.findings import Analysis
from phasewright.report.document import Cell, Column, Table
from phasewright.report.escaping import clean
from phasewright.report.wording import THIN, display_unit, quantity_title

_UNITS: tuple[tuple[str, str, float], ...] = (
    ("resistance_temperature_coefficient", "%/K", 100.0),
    ("thermal_resistance", "K/W", 1.0),
    ("switching_frequency", "kHz", 1e-3),
    ("inductance", "nH", 1e9),
    ("capacitance", "µF", 1e6),
    ("load_line", "mΩ", 1e3),
    ("resistance", "mΩ", 1e3),
    ("resistance_u", "mΩ", 1e3),
    ("current_rating", "A", 1.0),
    ("current", "A", 1.0),
    ("temperature_limit", "°C", 1.0),
    ("coolant_limit", "°C", 1.0),
    ("temperature_warning", "°C", 1.0),
    ("temperature_trip", "°C", 1.0),
    ("voltage", "V", 1.0),
    ("charge", "nC", 1e9),
    ("time", "ns", 1e9),
    ("power_limit", "W", 1.0),
    ("power", "W", 1.0),
    ("loss", "W", 1.0),
    ("other_loads", "W", 1.0),
    ("other_loads_u", "W", 1.0),
    ("life", "h", 1.0 / 3600.0),
    ("sharing_error", "%", 100.0),
)


def _stated(name: str, value) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return clean(value)
    for ending, unit, factor in _UNITS:
        if name == ending or name.endswith("_" + ending):
            return f"{value * factor:.6g}{THIN}{unit}"
    return f"{value:.6g}"


def _rows(place: str, record, skip: tuple[str, ...] = ()) -> list[tuple[Cell, ...]]:
    """Return (what, item, stated) for every plain field of a record that is stated."""
    rows = []
    for field in fields(record):
        value = getattr(record, field.name)
        if field.name in skip or value is None or value == "" or not isinstance(value, (str, int, float)):
            continue
        rows.append((place, field.name.replace("_", " "), _stated(field.name, value)))
    return rows


def bench_tables(analysis: Analysis) -> list[Table]:
    """Return the tables that repeat what the bench file states."""
    bench = analysis.bench
    regulator, protection = bench.regulator, bench.regulator.protection
    rows = _rows("board", bench.board)
    for connector in bench.board.connectors:
        rows += _rows("connector", connector)
    rows += (
        _rows("regulator", regulator) + _rows("power stage", regulator.stage) + _rows("inductor", regulator.inductor)
    )
    rows += _rows("output capacitors", regulator.output_capacitors) + _rows(
        "input capacitors", regulator.input_capacitors
    )
    rows += _rows("protection", protection) + _rows("processor", bench.processor) + _rows("cooling", bench.cooling)
    for part in bench.cooling.chain:
        rows.append(
            (
                "cooling chain",
                clean(part.name),
                ", ".join(
                    [clean(part.kind)]
                    + (
                        [f"{part.resistance:.4g}{THIN}K/W {'for all' if part.shared else 'a stage'}"]
                        if part.resistance is not None
                        else ["resistance not stated"]
                    )
                    + ([clean(part.source)] if part.source else [])
                ),
            )
        )
    if bench.cooling.fan_map:
        rows.append(
            ("cooling", "fan map", "; ".join(f"{t:g}{THIN}°C: {100 * d:g}{THIN}%" for t, d in bench.cooling.fan_map))
        )
    parts: dict[str, list[str]] = {}
    for part, what, stated in rows:
        parts.setdefault(str(part), []).append(f"{what} {stated}")
    short = tuple((part, "; ".join(items)) for part, items in parts.items())
    return [
        Table(
            "bench",
            "The bench as stated",
            (Column("part", "Part"), Column("stated", "As stated")),
            short,
            "What is missing was not stated; figures that need it are said to be not computable.",
        ),
        Table(
            "bench-stated",
            "The bench as stated, item by item",
            (Column("part", "Part"), Column("what", "What"), Column("stated", "As stated")),
            tuple(rows),
            listed=False,
        ),
        _instruments(analysis),
        _channels(analysis),
    ]


def _instruments(analysis: Analysis) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for instrument in analysis.bench.instruments:
        known = instrument.accuracy or {"": None}
        for channel, accuracy in known.items():
            said = "not stated"
            if accuracy is not None:
                unit, factor = display_unit(_unit(channel), channel)
                unit = "K" if unit == "°C" else unit
                said = (
                    f"gain {100 * accuracy.gain:.3g}{THIN}%, offset {accuracy.offset * factor:.3g}{THIN}{unit}, "
                    "resolution "
                    f"{accuracy.resolution * factor:.3g}{THIN}{unit}, as {clean(accuracy.stated_as)}"
                    + (f" ({clean(accuracy.source)})" if accuracy.source else "")
                )
            rows.append(
                (
                    clean(instrument.name),
                    clean(instrument.description),
                    instrument.period,
                    instrument.averaging,
                    clean(instrument.stamp_at),
                    quantity_title(channel) if channel else None,
                    said,
                )
            )
    return Table(
        "instruments",
        "Instruments as stated",
        (
            Column("instrument", "Instrument"),
            Column("description", "What it is"),
            Column("period", "Period", "s", "number"),
            Column("averaging", "Averaging", "s", "number"),
            Column("stamp_at", "Stamp marks"),
            Column("channel", "Channel"),
            Column("accuracy", "Accuracy"),
        ),
        tuple(rows),
    )


def _unit(channel: str) -> str:
    base = channel.partition(".")[0]
    return CHANNELS[base].unit if base in CHANNELS else ""


def _channels(analysis: Analysis) -> Table:
    rows = []
    for log in analysis.campaign.logs:
        for source in log.channels:
            terms = " + ".join(
                (f"{term.factor:g} × " if term.factor != 1.0 else "") + " × ".join(clean(c, 80) for c in term.columns)
                for term in source.terms
            )
            rows.append((clean(source.channel), clean(log.name), terms, ", ".join(clean(f) for f in log.files)))
    return Table(
        "channels",
        "Which column became which channel",
        (
            Column("channel", "Channel"),
            Column("log", "Log"),
            Column("from", "Made from columns"),
            Column("files", "Files"),
        ),
        tuple(rows),
    )
