"""The tables of the guide: the same numbers as in the figures."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence

from phasewright.findings import Analysis, StepFinding
from phasewright.quantity import Value
from phasewright.report.document import Cell, Column, Table
from phasewright.report.escaping import clean, csv_text
from phasewright.report.series import load_label, phase_count
from phasewright.report.wording import display_unit, pair_text, plain, quantity_title, shared_decimals

MAIN = ("input_power", "package_power", "loss", "delivery_efficiency", "phase_current", "regulator_temperature",
        "regulator_rise", "coolant_temperature")
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
    columns = (STEP, PHASES, LOAD,
               *(Column(q, quantity_title(q), unit_of(analysis, q), "value") for q in quantities), VERDICT)
    rows = tuple(
        (f.step.name, phase_count(f), load_label(f), *(f.quantities.get(q) for q in quantities), f.verdict)
        for f in analysis.steps
    )
    return Table(name, title, columns, rows, note)


def margin_rows(findings: Sequence[StepFinding]) -> tuple[tuple[Cell, ...], ...]:
    """Return one row a margin of each step, the one that gives first coming first."""
    return tuple(
        (f.step.name, m.limit.name, quantity_title(m.limit.applies_to),
         Value(m.limit.value, m.limit.unit, m.limit.u, _shift(m.limit, -1), _shift(m.limit, 1), "set"),
         m.figure, m.margin, m.in_u, m.limit.kind.replace("_", " "), m.limit.source)
        for f in findings for m in f.margins
    )


def _shift(limit, side: int) -> float | None:
    return None if limit.u is None else limit.value + side * 1.96 * limit.u


def margin_table(analysis: Analysis) -> Table:
    """Return every margin of every step."""
    columns = (STEP, Column("limit", "Limit"), Column("applies_to", "Bounds"), Column("limit_value", "Limit at", "", "value"),
               Column("figure", "Found", "", "value"), Column("margin", "Margin", "", "value"),
               Column("margin_in_u", "Margin / u", "1", "number"), Column("kind", "Kind"), Column("source", "Source"))
    return Table("margins", "Distance to every limit", columns, margin_rows(analysis.steps),
                 "A negative margin means that the limit is exceeded. Margin / u is the margin in standard uncertainties.")


def places_of(table: Table, column: Column) -> int | None:
    """Return the decimals that all rows of a value column share; None where their intervals differ too much for one."""
    index = table.columns.index(column)
    values = [row[index] for row in table.rows if isinstance(row[index], Value)]
    return shared_decimals(values, column.name) if column.kind == "value" and column.unit else None


def cell_text(cell: Cell, column: Column, places: int | None = None) -> tuple[str, str]:
    """Return what people read in a cell: (main, half-width or '')."""
    if cell is None:
        return "–", ""
    if isinstance(cell, Value):
        number, half = pair_text(cell, column.name, places)
        if not column.unit:
            sign = display_unit(cell.unit, column.name)[0]
            return (f"{number} ± {half} {sign}".strip() if half else f"{number} {sign}".strip()), ""
        return number, half
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
    """Return a table as CSV: SI numbers written bare and exactly, units in the head, text made safe for spreadsheets."""
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
