"""The data package: everything that a stranger needs to come to the same numbers, in one zip file.

It is a Data Package after the open Frictionless standard (datapackage.json), and a campaign folder that Phasewright
analyzes as it lies. The same analysis gives the same bytes.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from phasewright.bench import Fault, LogFault
from phasewright.findings import Analysis, to_json
from phasewright.logs import file_hash
from phasewright.report.escaping import csv_text, markdown_text, slug

__all__ = ["Package", "write_package"]

Progress = Callable[[float, str], None]
Columns = Mapping[str, tuple[str, str]]
"""Name: (type after the Table Schema standard, description)."""

STAMP = (1980, 1, 1, 0, 0, 0)
"""Of every file in the zip: the earliest that the format knows, so that the same numbers give the same bytes."""
BLOCK = 1 << 20
SQL_TYPES = {"string": "VARCHAR", "number": "DOUBLE", "integer": "BIGINT", "boolean": "BOOLEAN"}

_NUMBER: dict[str, tuple[str, str]] = {
    "value": ("number", "best estimate, in the unit of the row"),
    "unit": ("string", "SI; temperatures in degC, differences in K"),
    "u": ("number", "standard uncertainty (GUM); empty = not known"),
    "low95": ("number", "lower end of the 95 % coverage interval"),
    "high95": ("number", "upper end of the 95 % coverage interval"),
    "kind": ("string", "measured, derived, extrapolated, set or assumed"),
}
TABLES: dict[str, tuple[str, Columns]] = {
    "steps": (
        "One row for each setting that was held",
        {
            "step": ("string", "name of the step"),
            "verdict": ("string", "sustained, marginal, clamped, tripped, unsettled or unknown"),
            "settled": ("boolean", "whether what remained of every transient was below the stated bound"),
            "start_s": ("number", "begin of the step [s] on the reference clock"),
            "end_s": ("number", "end of the step [s] on the reference clock"),
            "window_start_s": ("number", "begin of the steady window [s]"),
            "window_end_s": ("number", "end of the steady window [s]"),
            "reasons": ("string", "why the verdict"),
        },
    ),
    "quantities": (
        "Every figure of every step",
        {"step": ("string", "name of the step"), "quantity": ("string", "name of the quantity"), **_NUMBER},
    ),
    "margins": (
        "Distance of every step from every limit that could be judged",
        {
            "step": ("string", "name of the step"),
            "limit": ("string", "name of the limit"),
            "limit_value": ("number", "where the limit lies, in the unit of the row"),
            "source": ("string", "where the limit comes from"),
            **_NUMBER,
        },
    ),
    "comparisons": (
        "Every step against the baseline step",
        {
            "step": ("string", "name of the step"),
            "baseline": ("string", "name of the baseline step"),
            "quantity": ("string", "name of the quantity"),
            "what": ("string", "difference or ratio"),
            **_NUMBER,
        },
    ),
    "clocks": (
        "How the clock of each log was put on the reference clock",
        {
            "log": ("string", "name of the log"),
            "status": ("string", "aligned, ambiguous or assumed"),
            "offset_s": ("number", "what is added to the log's stamps [s]"),
            "offset_u_s": ("number", "standard uncertainty of the offset [s]"),
            "drift_ppm": ("number", "rate of the log's clock against the reference [ppm]"),
            "drift_u_ppm": ("number", "standard uncertainty of the rate [ppm]"),
        },
    ),
}


@dataclass(frozen=True, slots=True)
class Package:
    """A data package that was written."""

    file: Path
    size: int
    """[byte]"""
    sha256: str
    files: tuple[str, ...]
    """What is in it, by path."""


def write_package(
    analysis: Analysis,
    folder: Path | str,
    file: Path | str,
    *,
    version: str = "",
    progress: Progress | None = None,
) -> Package:
    """Write the campaign in `folder` with its results as one data package (zip) to `file`.

    Holds the bench and campaign files, the raw logs as they were read, the results as JSON, CSV and Parquet, the guide
    when there is one, a readme, and datapackage.json with the size and SHA-256 of every file. `file` appears when it is
    whole, or not at all.

    Raises
    ------
    LogFault
        When a raw log is no longer the one that was analyzed.
    OSError
        When a file cannot be read or written.
    """
    folder, target = Path(folder), Path(file)
    tell = progress or (lambda fraction, text: None)
    target.parent.mkdir(parents=True, exist_ok=True)
    top = slug(analysis.campaign.name)
    work = Path(tempfile.mkdtemp(prefix=".package.", suffix=".part", dir=target.parent))
    try:
        tell(0.0, "writing results as JSON, CSV and Parquet")
        made = _results(analysis, work, version)
        wanted = [*_sources(analysis, folder), *made]
        part = work / "whole.zip"
        resources = []
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
            for index, (place, path, more) in enumerate(wanted):
                tell(0.1 + 0.85 * index / len(wanted), f"packing {place}")
                size, digest = _pack(archive, f"{top}/{place}", path)
                _check(analysis, place, digest)
                resources.append({"name": place.lower().replace(" ", "-"), "path": place, **more,
                                  "bytes": size, "hash": f"sha256:{digest}"})  # fmt: skip
            _named_apart(resources)
            text = json.dumps(_descriptor(analysis, resources, version), indent=1, ensure_ascii=False) + "\n"
            archive.writestr(_entry(f"{top}/datapackage.json"), text.encode())
        os.replace(part, target)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    tell(1.0, "packed")
    names = tuple([item["path"] for item in resources] + ["datapackage.json"])
    return Package(target, target.stat().st_size, file_hash(target), names)


Wanted = tuple[str, Path, dict[str, Any]]
"""Path in the package, file on the disk, what the descriptor says of it."""


def _sources(analysis: Analysis, folder: Path) -> Iterator[Wanted]:
    """Yield what is taken over as it is: both campaign files, the raw logs, what a design was searched in, the guide."""
    for name in ("bench.toml", "campaign.toml"):
        yield name, folder / name, {"mediatype": "application/toml", "encoding": "utf-8"}
    for name in ("requirement.toml", "catalogue.toml"):
        if (folder / name).is_file():
            yield name, folder / name, {"mediatype": "application/toml", "encoding": "utf-8"}
    for path in sorted((folder / "catalogue").glob("*.csv")):
        yield path.relative_to(folder).as_posix(), path, {"description": "parts that can be bought", "mediatype": "text/csv"}
    for report in sorted(analysis.recording.reports, key=lambda item: item.fingerprint.file):
        name = report.fingerprint.file.replace("\\", "/")
        yield name, folder / name, {"description": "raw log, unchanged", "mediatype": "text/plain"}
    guide = folder / "guide"
    for path in sorted(guide.rglob("*")) if guide.is_dir() else ():
        if path.is_file() and not path.is_symlink():
            yield path.relative_to(folder).as_posix(), path, {"description": "the guide"}


def _check(analysis: Analysis, place: str, digest: str) -> None:
    for report in analysis.recording.reports:
        known = report.fingerprint
        if known.file.replace("\\", "/") == place and known.sha256 != digest:
            what = f"has changed since it was analyzed (sha256 {digest[:12]}, was {known.sha256[:12]})"
            mend = "analyze the campaign again: a package holds the very files that gave its numbers"
            raise LogFault([Fault(place, what, mend)])


def _results(analysis: Analysis, work: Path, version: str) -> list[Wanted]:
    data = to_json(analysis)
    made: list[Wanted] = []

    def put(place: str, content: bytes, more: dict[str, Any]) -> Path:
        path = work / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        made.append((place, path, more))
        return path

    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    put("README.md", _readme(analysis, version).encode(), {"mediatype": "text/markdown", "encoding": "utf-8"})
    put("results/analysis.json", text.encode(), {"mediatype": "application/json", "encoding": "utf-8"})
    rows = {
        "steps": _step_rows(data), "quantities": _quantity_rows(data), "margins": _margin_rows(data),
        "comparisons": _comparison_rows(data), "clocks": _clock_rows(data),
    }  # fmt: skip
    for name, (title, columns) in TABLES.items():
        path = put(f"results/{name}.csv", _csv(columns, rows[name]).encode(), _table_words(title, columns))
        parquet = path.with_suffix(".parquet")
        _write_parquet(path, parquet, columns)
        made.append((f"results/{name}.parquet", parquet, {
            "description": f"{title}; the same rows as results/{name}.csv", "mediatype": "application/vnd.apache.parquet",
        }))  # fmt: skip
    return made


def _step_rows(data: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for step in data["steps"]:
        yield {
            "step": step["name"], "verdict": step["verdict"], "settled": step["settled"], "start_s": step["start_s"],
            "end_s": step["end_s"], "window_start_s": step["window"]["start_s"],
            "window_end_s": step["window"]["end_s"], "reasons": "; ".join(step["reasons"]),
        }  # fmt: skip


def _quantity_rows(data: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for step in data["steps"]:
        for name, value in step["quantities"].items():
            yield {"step": step["name"], "quantity": name, **value}


def _margin_rows(data: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for step in data["steps"]:
        for item in step["margins"]:
            yield {"step": step["name"], "limit": item["limit"], "limit_value": item["limit_value"],
                   "source": item["source"], **item["margin"]}  # fmt: skip


def _comparison_rows(data: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for item in data["comparisons"]:
        for what, values in (("difference", item["differences"]), ("ratio", item["ratios"])):
            for name, value in values.items():
                yield {"step": item["step"], "baseline": item["baseline"], "quantity": name, "what": what, **value}


def _clock_rows(data: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    yield from data["clocks"]


def _csv(columns: Columns, rows: Iterable[Mapping[str, Any]]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in columns])
    return stream.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    # Shortest text that gives the same double back.
    return repr(float(value)) if isinstance(value, int | float) else csv_text(value)


def _write_parquet(source: Path, target: Path, columns: Columns) -> None:
    import duckdb

    types = {name: SQL_TYPES[kind] for name, (kind, _) in columns.items()}
    with duckdb.connect() as base:
        rows = base.read_csv(str(source), header=True, columns=types, delimiter=",", quotechar='"', escapechar='"')
        rows.write_parquet(str(target), compression="zstd")


def _table_words(title: str, columns: Columns) -> dict[str, Any]:
    fields = [{"name": name, "type": kind, "description": words} for name, (kind, words) in columns.items()]
    return {
        "profile": "tabular-data-resource",
        "description": title,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": {"fields": fields, "missingValues": [""]},
    }


def _named_apart(resources: list[dict[str, Any]]) -> None:
    """Make the names of the resources what the standard allows, and each one different."""
    seen: set[str] = set()
    for item in resources:
        name = "".join(c if c.isascii() and (c.isalnum() or c in "-_./") else "-" for c in item["name"]) or "file"
        number = 1
        while (own := name if number == 1 else f"{name}-{number}") in seen:
            number += 1
        seen.add(own)
        item["name"] = own


def _descriptor(analysis: Analysis, resources: list[dict[str, Any]], version: str) -> dict[str, Any]:
    simulated = bool(analysis.bench.simulated or analysis.campaign.simulated)
    return {
        "profile": "data-package",
        "name": slug(analysis.campaign.name),
        "title": analysis.campaign.name,
        "description": ("SIMULATED: nothing here was measured. " if simulated else "")
        + f"Power delivery measured on {analysis.bench.name}, with raw logs, bench, results and method.",
        "keywords": ["voltage regulator", "power delivery", "bench measurement"],
        "resources": resources,
        "phasewright": {"version": version, "format": analysis.format, "simulated": simulated},
    }


def _readme(analysis: Analysis, version: str) -> str:
    simulated = analysis.bench.simulated or analysis.campaign.simulated
    warning = "**Simulated: nothing here was measured.**\n\n" if simulated else ""
    return f"""# {markdown_text(analysis.campaign.name)}

{warning}Everything needed to come to the same numbers from the same raw logs. The package follows the open Data Package
standard: `datapackage.json` lists every file with its size and SHA-256.

- `bench.toml`, `campaign.toml`: what stood on the table, and which settings were held.
- `logs/`: the raw logs, unchanged.
- `requirement.toml`, `catalogue.toml`, `catalogue/`: what a design was searched for and in, when there was one:
  `phasewright design` on the folder gives the same.
- `results/`: every figure with its uncertainty, as JSON, CSV and Parquet.
- `guide/`: the guide with its charts, when it was written.

To check it, with Python 3.11 or newer and Phasewright {version or ""} installed:

    phasewright verify PACKAGE.zip

unpacks it, compares every fingerprint, analyzes the raw logs again and compares every number. Or unpack it and run
`phasewright analyze` on the folder.
"""


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, STAMP)
    entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
    return entry


def _pack(archive: zipfile.ZipFile, name: str, path: Path) -> tuple[int, str]:
    """Add one file; return its size [byte] and SHA-256, both of the very bytes that were packed."""
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as source, archive.open(_entry(name), "w", force_zip64=True) as sink:
        while block := source.read(BLOCK):
            digest.update(block)
            size += len(block)
            sink.write(block)
    return size, digest.hexdigest()
