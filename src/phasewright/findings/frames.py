"""An analysis as a data frame, one row for each quantity of each step."""

from __future__ import annotations

from typing import Any

from phasewright.findings.records import Analysis

__all__ = ["COLUMNS", "to_frame"]

COLUMNS = ("step", "verdict", "quantity", "value", "unit", "u", "low95", "high95", "kind", "reason", "basis")
NUMBERS = ("value", "u", "low95", "high95")
LIBRARIES = ("polars", "pandas")


def to_frame(analysis: Analysis, library: str = "polars") -> Any:
    """Return every quantity of every step as a polars or pandas frame; the unit stands in each row.

    Parameters
    ----------
    library
        ``polars`` (missing numbers are null) or ``pandas`` (missing numbers are NaN).

    Raises
    ------
    ValueError
        When `library` is neither.
    ImportError
        When the library is not installed.
    """
    if library not in LIBRARIES:
        raise ValueError(
            f"unknown library (library = {library!r}) - it is one of {', '.join(LIBRARIES)} - give one of them"
        )
    rows = [
        (
            finding.step.name,
            finding.verdict,
            name,
            value.value,
            value.unit,
            value.u,
            value.low95,
            value.high95,
            value.kind,
            value.reason,
            finding.basis.get(name, ""),
        )
        for finding in analysis.steps
        for name, value in finding.quantities.items()
    ]
    columns = {name: [row[index] for row in rows] for index, name in enumerate(COLUMNS)}
    try:
        if library == "polars":
            import polars

            return polars.DataFrame(
                columns, schema={name: polars.Float64 if name in NUMBERS else polars.String for name in COLUMNS}
            )
        import pandas
    except ImportError as error:
        raise ImportError(
            f"{library} is not installed (library = {library}) - pip install phasewright[frames]"
        ) from error
    frame = pandas.DataFrame(columns, columns=list(COLUMNS))
    return frame.astype(dict.fromkeys(NUMBERS, "float64"))
