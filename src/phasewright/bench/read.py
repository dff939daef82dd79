"""Reads bench.toml and campaign.toml; every fault of a file is reported at once."""

from __future__ import annotations

import copy
import difflib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any, TypeVar

from phasewright.bench._places import Path
from phasewright.bench._toml_text import Source, parse_source, path_text, read_source
from phasewright.bench.faults import BenchFault, Fault, escape
from phasewright.bench.records import Bench, Campaign

if TYPE_CHECKING:
    from phasewright.bench._keys import Keys

BENCH_FILE = "bench.toml"
CAMPAIGN_FILE = "campaign.toml"

Report = Callable[[Path, str, str], None]
K = TypeVar("K", bound="Keys")


def read_bench(path: str | FilePath) -> Bench:
    """Return the bench that the file `path` (or the bench.toml of the folder `path`) describes.

    Raises
    ------
    BenchFault
        With every fault of the file.
    """
    bench, source = load_bench(FilePath(path))
    if source.faults or bench is None:
        raise BenchFault(in_order(source.faults))
    return bench


def read_campaign(folder: str | FilePath) -> Campaign:
    """Return the campaign of a folder; its bench.toml, where there is a readable one, is used to check it.

    Raises
    ------
    BenchFault
        With every fault of campaign.toml.
    """
    path = FilePath(folder)
    base = path if path.is_dir() or path.suffix != ".toml" else path.parent
    campaign, source = load_campaign(path, *load_bench(base / BENCH_FILE))
    if source.faults or campaign is None:
        raise BenchFault(in_order(source.faults))
    return campaign


def in_order(faults: list[Fault]) -> tuple[Fault, ...]:
    """Return the faults of one file in the order of its lines."""
    return tuple(sorted(faults, key=lambda fault: (fault.line or 0, fault.column or 0)))


def load_bench(path: FilePath) -> tuple[Bench | None, Source]:
    """Return (bench, source). With faults the bench holds what could be understood, to check other files against."""
    source = read_source(_file(path, BENCH_FILE))
    return _bench_of(source), source


def check_bench_text(text: str, file: str) -> tuple[Fault, ...]:
    """Return every fault of a bench file's text."""
    source = Source(file)
    parse_source(text, source)
    _bench_of(source)
    return in_order(source.faults)


def _bench_of(source: Source) -> Bench | None:
    from phasewright.bench._build import build_bench
    from phasewright.bench.bench_keys import BenchKeys
    from phasewright.bench.checks import check_bench

    keys, report = _check_keys(source, BenchKeys)
    if keys is None:
        return None
    bench = build_bench(keys, report, source.file, source.fingerprint)
    check_bench(bench, report)
    return bench


def load_campaign(path: FilePath, bench: Bench | None, bench_source: Source) -> tuple[Campaign | None, Source]:
    """Return (campaign, source), checked against what could be understood of the bench."""
    source = read_source(_file(path, CAMPAIGN_FILE))
    return _campaign_of(source, bench, [fault.path for fault in bench_source.faults]), source


def check_campaign_text(text: str, file: str) -> tuple[Fault, ...]:
    """Return every fault of a campaign file's text, without looking at a bench."""
    source = Source(file)
    parse_source(text, source)
    _campaign_of(source, None)
    return in_order(source.faults)


def _campaign_of(source: Source, bench: Bench | None, doubtful: Sequence[str] = ()) -> Campaign | None:
    from phasewright.bench._build import build_campaign
    from phasewright.bench.campaign_keys import CampaignKeys
    from phasewright.bench.checks import check_campaign

    keys, report = _check_keys(source, CampaignKeys)
    if keys is None:
        return None
    campaign = build_campaign(keys, report, source.file, source.fingerprint)
    check_campaign(campaign, bench, report, doubtful)
    return campaign


def _file(path: FilePath, name: str) -> FilePath:
    return path / name if path.is_dir() or path.suffix != ".toml" else path


# ---- keys ---------------------------------------------------------------------------------------------------------


def _check_keys(source: Source, model: type[K]) -> tuple[K | None, Report]:
    """Return the keys of the file and where to report further faults.

    What is faulty is reported, then left out or filled with its example, so that the rest can still be checked;
    faults that such a stand-in would cause are not reported.
    """
    from pydantic import ValidationError

    silent: set[Path] = set()

    def report(path: Path, what: str, mend: str) -> None:
        if not any(path[: len(bad)] == bad or bad[: len(path)] == path for bad in silent):
            source.add(path, what, mend)

    if source.raw is None:
        return None, report
    _check_format(source, model, silent)
    raw = copy.deepcopy(source.raw)
    for _ in range(4):
        try:
            return model.model_validate(raw), report
        except ValidationError as error:
            for item in error.errors(include_url=False, include_input=True):
                path = tuple(item["loc"])
                if not any(path[: len(bad)] == bad for bad in silent):
                    _report_key(source, model, path, dict(item))
                silent.add(path)
                _mend_raw(raw, path, model, item["type"] == "missing")
    return None, report


def _check_format(source: Source, model: type[Keys], silent: set[Path]) -> None:
    wanted = model.model_fields["format"].default
    raw = source.raw or {}
    found = raw.get("format")
    if found == wanted:
        return
    mend = f'write format = "{wanted}" as the first line'
    if found is None:
        what = "format is missing"
    elif isinstance(found, str) and found.startswith(wanted.rstrip("1")):
        what, mend = f'format = "{escape(found)}" is newer than this program', "use a newer version of phasewright"
    else:
        what = f"format = {escape(repr(found))} is not the format of this file"
    source.add(("format",), what, mend)
    silent.add(("format",))
    source.raw = {**raw, "format": wanted}


def _report_key(source: Source, model: type[Keys], path: Path, item: Mapping[str, Any]) -> None:
    from phasewright.bench._keys import facts, shown
    from phasewright.bench._reference import example_text

    name = path_text(path[-1:]) if path else "the file"
    if item["type"] == "key":
        source.add(path, item["ctx"]["what"], item["ctx"]["mend"])
    elif item["type"] == "extra_forbidden":
        source.add(path, f"unknown key {name}", _nearest(model, path))
    elif item["type"] == "missing":
        owner = _model_at(model, path[:-1])
        example = example_text(facts(owner.model_fields[name])) if owner else '"..."'
        source.add(path, f"{name} is missing", f"add {name} = {example}")
    else:
        value = shown(item.get("input"))
        source.add(
            path,
            f"{name} = {value} cannot be used here ({escape(item['msg'])})",
            "see docs/how-to for this table's keys",
        )


def _model_at(model: type[Keys], path: Path) -> type[Keys] | None:
    """Return the model of the table at `path`; None where the path leads to no table."""
    from phasewright.bench._reference import inner

    for part in path:
        if isinstance(part, str) and part in model.model_fields:
            found = inner(model.model_fields[part].annotation)
            if found is None:
                return None
            model = found
    return model


def _nearest(model: type[Keys], path: Path) -> str:
    """Return the mend for an unknown key: the nearest key of its table, or the table that it belongs in."""
    from phasewright.bench._reference import walk_tables

    name = str(path[-1])
    own = _model_at(model, path[:-1])
    keys = list(own.model_fields) if own is not None else []
    near = difflib.get_close_matches(name, keys, 1, 0.7)
    if near:
        return f"write {near[0]}"
    for head, table in walk_tables(model):
        if name in table.model_fields and table is not own:
            return f"it belongs in {head or 'the top of the file, before any [table]'}"
    near = difflib.get_close_matches(name, keys, 1, 0.4)
    if near:
        return f"write {near[0]}, or take it out"
    return "take it out; this table's keys are " + ", ".join(keys)


def _mend_raw(raw: Any, path: Path, model: type[Keys], missing: bool) -> None:
    """Take the value at `path` out of the raw tables, or put the example there when a needed one is missing."""
    from phasewright.bench._keys import facts
    from phasewright.bench._reference import inner

    holder = raw
    for part in path[:-1]:
        if isinstance(holder, dict) and part not in holder and isinstance(part, str) and "." in part:
            base, _, label = part.partition(".")  # a labelled channel, written as a table in a table
            if isinstance(holder.get(base), dict) and label in holder[base]:
                holder, part = holder[base], label
        try:
            below = holder[part]
        except (KeyError, IndexError, TypeError):
            below = None
        if not isinstance(below, dict | list):
            if missing and isinstance(holder, dict) and inner(model.model_fields.get(str(part), _NO_FIELD).annotation):
                below = holder[part] = {}
            else:
                _take_out(holder, part)
                return
        if isinstance(part, str):
            model = _model_at(model, (part,)) or model
        holder = below
    if missing:
        holder[path[-1]] = facts(model.model_fields[str(path[-1])])["example"]
    else:
        _take_out(holder, path[-1])


class _NO_FIELD:
    annotation = None


def _take_out(holder: Any, part: str | int) -> None:
    if isinstance(holder, dict):
        holder.pop(part, None)
    elif isinstance(holder, list) and isinstance(part, int) and part < len(holder):
        holder[part] = {} if isinstance(holder[part], dict) else holder[part]
