"""The tables of the guide: the same numbers as in the figures."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence

from phasewright.bench import Limit
from phasewright.findings import Analysis, Margin, StepFinding
from phasewright.quantity import Value
from phasewright.report.document import Cell, Column, Table
from phasewright.report.escaping import clean, csv_text
from phasewright.report.series import load_labels, phase_count
from phasewright.report.wording import display_unit, pair_text, plain, quantity_title, readable, shared_decimals

MAIN = ("input_power", "package_power", "loss", "delivery_efficiency", "phase_current", "regulator_temperature")
"""Quantities of the first table, in this order, where they were found."""

STEP = Column("step", "Step")
PHASES = Column("phase_count", "Phases", "1", "number")
LOAD = Column("load", "Load")
VERDICT = Column("verdict", "Verdict")


def unit_of(analysis: Analysis, name: str) -> str:
    """Return the SI unit of a quantity; '1' where no step has it."""
    for finding in analysis.steps:
        if name in finding.quantities:
            return finding.quantities[name].unit
    return "1"


def present(analysis: Analysis, names: Sequence[str]) -> tuple[str, ...]:
    """Return those of `names` that at least one step has."""
    return tuple(name for name in names if any(name in finding.quantities for finding in analysis.steps))


def step_table(analysis: Analysis, name: str, title: str, quantities: Sequence[str], note: str = "") -> Table:
    """Return one row a step: phase count, load, the quantities with their intervals, the verdict."""
    columns = (
        STEP,
        PHASES,
        LOAD,
        *(Column(q, quantity_title(q), unit_of(analysis, q), "value") for q in quantities),
        VERDICT,
    )
    loads = load_labels(analysis)
    rows = tuple(
        (f.step.name, phase_count(f), loads[f.step.name], *(f.quantities.get(q) for q in quantities), f.verdict)
        for f in analysis.steps
    )
    return Table(name, title, columns, rows, note)


def margin_table(analysis: Analysis) -> Table:
    """Return every margin of every step; one row each, for the file."""
    columns = (
        STEP,
        Column("limit", "Limit"),
        Column("applies_to", "Bounds"),
        Column("limit_value", "Limit at", "", "value"),
        Column("figure", "Found", "", "value"),
        Column("of", "As"),
        Column("margin", "Margin", "", "value"),
        Column("margin_in_u", "Margin / u", "1", "number"),
        Column("probability", "Not exceeded", "1", "number"),
        Column("kind", "Kind"),
        Column("source", "Source"),
    )
    rows = tuple(
        (
            f.step.name,
            m.limit.name,
            quantity_title(m.limit.applies_to),
            limit_value(m.limit),
            m.figure,
            m.note or None,
            m.margin,
            _finite(m.in_u),
            m.probability,
            m.limit.kind.replace("_", " "),
            m.limit.source,
        )
        for f in analysis.steps
        for m in f.margins
    )
    return Table("margins", "Every margin of every step", columns, rows, listed=False)


def limit_value(limit: Limit) -> Value:
    """Return a limit as a value with its own uncertainty."""
    return Value(limit.value, limit.unit, limit.u, _shift(limit, -1), _shift(limit, 1), "set")


def limits_table(analysis: Analysis) -> Table:
    """Return each limit once with its source, and the step that came nearest to it."""
    nearest: dict[tuple, tuple[StepFinding, Margin]] = {}
    for finding in analysis.steps:
        for margin in finding.margins:
            key = (margin.limit.name, margin.limit.applies_to)
            if key not in nearest or margin.margin.value < nearest[key][1].margin.value:
                nearest[key] = (finding, margin)
    ordered = sorted(nearest.values(), key=lambda pair: pair[1].in_u if pair[1].in_u is not None else math.inf)
    rows = tuple(
        (
            m.limit.name,
            quantity_title(m.limit.applies_to),
            limit_value(m.limit),
            m.margin,
            f.step.name,
            m.limit.kind.replace("_", " "),
            m.limit.source,
        )
        for f, m in ordered
    )
    return Table(
        "limits",
        "Every limit, and the step that came nearest",
        (
            Column("limit", "Limit"),
            Column("applies_to", "Bounds"),
            Column("limit_value", "At", "", "value"),
            Column("margin", "Smallest margin", "", "value"),
            STEP,
            Column("kind", "Kind"),
            Column("source", "Source"),
        ),
        rows,
        "In the order in which they would give; value and source as in the step that came nearest. A negative margin "
        "means that the limit is exceeded.",
    )


def _finite(number: float | None) -> float | None:
    return number if number is not None and math.isfinite(number) else None


def _shift(limit: Limit, side: int) -> float | None:
    return None if limit.u is None else limit.value + side * 1.96 * limit.u


def places_of(table: Table, column: Column) -> int | None:
    """Return the decimals that all rows of a value column share; None where their intervals differ too much for one."""
    index = table.columns.index(column)
    values = [row[index] for row in table.rows if isinstance(row[index], Value)]
    return shared_decimals(values, column.name) if column.kind == "value" and column.unit else None


def cell_text(cell: Cell, column: Column, places: int | None = None) -> tuple[str, str]:
    """Return what people read in a cell: (main, interval or '')."""
    if cell is None:
        return "–", ""
    if isinstance(cell, Value):
        if not column.unit:
            cell = readable(cell)
        number, interval = pair_text(cell, column.name, places)
        if not column.unit:
            unit = display_unit(cell.unit, column.name)[0]
            return f"{number} {interval}".strip() + (f"\u00a0{unit}" if unit else ""), ""
        return number, interval
    if isinstance(cell, str):
        return clean(cell), ""
    if isinstance(cell, float) and not math.isfinite(cell):
        return "–", ""
    factor = display_unit(column.unit, column.name)[1] if column.unit else 1.0
    number = cell * factor
    return plain(number, 0 if number == round(number) else 1 if abs(number) < 100 else 0), ""


def head_text(column: Column) -> str:
    """Return a column's head, quantity / unit."""
    unit = display_unit(column.unit, column.name)[0] if column.unit else ""
    return f"{clean(column.title)} /\u00a0{unit}" if unit else clean(column.title)


def _bare(number: float | int | None) -> str:
    if number is None or (isinstance(number, float) and not math.isfinite(number)):
        return ""
    return repr(int(number)) if float(number).is_integer() and abs(number) < 1e15 else repr(float(number))


def csv_of(table: Table, simulated: bool) -> str:
    """Return a table as CSV: SI numbers bare and exact, units in the head, text made safe for spreadsheets."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    head: list[str] = []
    for column in table.columns:
        stem = f"{column.name}_{column.unit.replace('/', '_per_')}" if column.unit not in ("", "1") else column.name
        if column.kind == "value":
            head += [stem, f"{stem}_u", f"{stem}_low95", f"{stem}_high95", f"{column.name}_kind"]
            head += [] if column.unit else [f"{column.name}_unit"]
        else:
            head.append(stem)
    writer.writerow([csv_text(name) for name in head] + (["data"] if simulated else []))
    for row in table.rows:
        fields: list[str] = []
        for cell, column in zip(row, table.columns, strict=True):
            if column.kind == "value":
                fields += _value_fields(cell, column)
            elif isinstance(cell, str):
                fields.append(csv_text(cell))
            else:
                fields.append(_bare(cell if not isinstance(cell, Value) else cell.value))
        writer.writerow(fields + (["simulated"] if simulated else []))
    return stream.getvalue()


def _value_fields(cell: Cell, column: Column) -> list[str]:
    extra = [] if column.unit else [csv_text(cell.unit) if isinstance(cell, Value) else ""]
    if isinstance(cell, Value):
        return [_bare(cell.value), _bare(cell.u), _bare(cell.low95), _bare(cell.high95), csv_text(cell.kind), *extra]
    return [_bare(cell) if isinstance(cell, (int, float)) else "", "", "", "", "", *extra]
