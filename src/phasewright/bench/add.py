"""Keeps the description of a log in campaign.toml and of its instrument in bench.toml.

Only the text of the block that is meant is touched.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from phasewright.bench._places import Path as KeyPath
from phasewright.bench._places import Places
from phasewright.bench._toml_text import Source, read_source
from phasewright.bench.faults import BenchFault, Fault
from phasewright.bench.read import BENCH_FILE, CAMPAIGN_FILE, check_bench_text, check_campaign_text, in_order
from phasewright.bench.records import ChannelSource, LogEntry

_ONE_AT_A_TIME = threading.Lock()
"""Logs brought in side by side by one program must not overwrite each other's block."""


def add_log(folder: str | Path, entry: LogEntry) -> None:
    """Add the log `entry` to campaign.toml, or replace the log of that name.

    Comments and order are kept; text outside the log's own block is not touched. The file is replaced whole or not at
    all.

    Raises
    ------
    BenchFault
        When campaign.toml cannot be read as TOML, or with every fault that `entry` would bring into it.
    """
    with _ONE_AT_A_TIME:
        _add_log(Path(folder), entry)


def _add_log(folder: Path, entry: LogEntry) -> None:
    source, places, logs = _open(folder / CAMPAIGN_FILE, "log")
    index = next((i for i, item in enumerate(logs) if item.get("name") == entry.name), len(logs))
    text = places.text
    if index < len(logs):
        start, end = _block(places, index)
        text = text[:start] + _edited(text[start:end], entry) + text[end:]
    else:
        step = _heads(places).get(("step", 0))
        if logs:
            at = _behind(places, ("log", index - 1))
        else:
            at = len(text) if step is None else _above(text, step)
        text = _put_in(text, at, _edited("[[log]]\n", entry))
    _keep(folder / CAMPAIGN_FILE, text, source, check_campaign_text, f"log[{index + 1}]")


def add_instrument(folder: str | Path, name: str) -> None:
    """Add an instrument called `name` to bench.toml, with nothing stated about it; comments and order are kept.

    The file is replaced whole or not at all.

    Raises
    ------
    BenchFault
        When bench.toml cannot be read as TOML, or there is an instrument of that name already.
    """
    import tomlkit

    with _ONE_AT_A_TIME:
        source, places, instruments = _open(Path(folder) / BENCH_FILE, "instrument")
        count, text = len(instruments), places.text
        at = _behind(places, ("instrument", count - 1)) if count else len(text)
        block = f"[[instrument]]\nname = {tomlkit.item(name).as_string()}\n"
        _keep(Path(folder) / BENCH_FILE, _put_in(text, at, block), source, check_bench_text, f"instrument[{count + 1}]")


def _open(path: Path, key: str) -> tuple[Source, Places, list[Any]]:
    """Return (file, places, blocks of `key`).

    Raises BenchFault when the file cannot be read, or `key` is not written in double brackets.
    """
    source = read_source(path)
    if source.raw is None or source.faults or source.places is None:
        raise BenchFault(in_order(source.faults))
    items = source.raw.get(key, [])
    heads = _heads(source.places)
    if not isinstance(items, list) or any((key, index) not in heads for index in range(len(items))):
        what, mend = f"{key} is not a list of [[{key}]] blocks", f"write each {key} under its own [[{key}]] head"
        raise BenchFault(Fault(source.file, what, mend, path=key))
    return source, source.places, items


def _keep(path: Path, text: str, source: Source, check: Callable[[str, str], tuple[Fault, ...]], own: str) -> None:
    """Write the changed text, unless what was put in at `own` is at fault."""
    faults = [item for item in check(text, source.file) if item.path.startswith(own) or not item.path]
    if faults:
        raise BenchFault(faults)
    _replace(path, text.replace("\n", "\r\n") if source.carriage_returns else text)


def _heads(places: Places) -> dict[KeyPath, int]:
    return dict(places.heads)


def _block(places: Places, index: int) -> tuple[int, int]:
    """Return (start, end) of the text of one [[log]] block, without the comments and blank lines that follow it."""
    own = ("log", index)
    start = _heads(places)[own]
    later = [offset for path, offset in places.heads if offset > start and path[:2] != own]
    end = min(later, default=len(places.text))
    last = max(
        (
            place.value_end
            for path, place in places.found.items()
            if path[:2] == own and start <= place.value_end <= end
        ),
        default=start,
    )
    line_end = places.text.find("\n", last)
    return start, len(places.text) if line_end < 0 else line_end + 1


def _behind(places: Places, own: KeyPath) -> int:
    """Return the offset behind the block of `own`, with the comments that belong to it."""
    text, start = places.text, _heads(places)[own]
    later = [offset for path, offset in places.heads if offset > start and path[:2] != own]
    at = _above(text, min(later)) if later else len(text)
    return start + len(text[start:at].rstrip()) + 1


def _above(text: str, at: int) -> int:
    """Return `at`, the start of a line, moved up over the comments right above it, which belong to it."""
    while at:
        before = text.rfind("\n", 0, at - 1) + 1
        if not text[before:at].lstrip().startswith("#"):
            break
        at = before
    return at


def _put_in(text: str, at: int, block: str) -> str:
    """Return `text` with `block` put in at `at`, blank lines around it."""
    head, tail = text[:at], text[at:]
    if head and not head.endswith("\n"):
        head += "\n"
    gap = "" if not head or head.endswith("\n\n") else "\n"
    return head + gap + block + ("" if not tail or tail.startswith("\n") else "\n") + tail


def _edited(block: str, entry: LogEntry) -> str:
    """Return the text of a [[log]] block changed to say `entry`."""
    import tomlkit

    document = tomlkit.parse(block)
    log = document["log"][0]
    plain = {
        "name": entry.name,
        "file": entry.files[0] if len(entry.files) == 1 else None,
        "files": list(entry.files) if len(entry.files) != 1 else None,
        "instrument": entry.instrument,
        "encoding": entry.encoding or None,
        "delimiter": entry.delimiter or None,
        "decimal": entry.decimal or None,
        "header_line": entry.header_line,
    }
    _set(log, plain)
    columns = list(entry.time_columns)
    time = {
        "column": columns[0] if len(columns) == 1 else None,
        "columns": columns if len(columns) > 1 else None,
        "format": entry.time_format or None,
        "zone": entry.zone or None,
        "shared_clock": entry.shared_clock or None,
        "offset": None if entry.clock_offset is None else f"{entry.clock_offset:.12g} s",
    }
    if any(item is not None for item in time.values()) and "time" not in log:
        log["time"] = tomlkit.table()
    if "time" in log:
        _set(log["time"], time)
    if "channels" not in log:
        log["channels"] = tomlkit.table()
    _set_channels(log["channels"], entry.channels)
    text = tomlkit.dumps(document)
    return text if text.endswith("\n") else text + "\n"


def _set(table: Any, values: Mapping[str, Any]) -> None:
    """Make `table` say `values`: None takes a key out, what is the same already is left as it is written."""
    for key, value in values.items():
        if value is None:
            if key in table:
                table.remove(key)
        elif key not in table or table[key] != value:
            table[key] = value


def _set_channels(table: Any, channels: tuple[ChannelSource, ...]) -> None:
    wanted = {source.channel: _channel_value(source) for source in channels}
    for name in list(table):
        if name in wanted and table[name] == wanted[name]:
            del wanted[name]
            continue
        if isinstance(table[name], dict):
            for label in list(table[name]):
                # labels written as dotted keys: rail_current.phase_1 = "I1"
                if wanted.get(f"{name}.{label}") == table[name][label]:
                    del wanted[f"{name}.{label}"]
                elif label not in ("column", "unit", "factor", "counter_range", "sum"):
                    table[name].remove(label)
            if table[name] and not {"column", "sum"} & set(table[name]) and name not in wanted:
                continue
        if name not in wanted:
            table.remove(name)
    for name, value in wanted.items():
        table[name] = _inline(value)


def _channel_value(source: ChannelSource) -> str | dict[str, Any]:
    """Return how the file says where a channel comes from."""
    terms = source.terms
    if len(terms) == 1 and len(terms[0].columns) == 1:
        term = terms[0]
        value: dict[str, Any] = {"column": term.columns[0]}
        if term.units and term.units[0]:
            value["unit"] = term.units[0]
        if term.factor != 1:
            value["factor"] = _number(term.factor)
        if source.counter_range is not None:
            value["counter_range"] = f"{source.counter_range:.12g} J"
        return value if len(value) > 1 else term.columns[0]
    products: list[Any] = []
    for term in terms:
        product: dict[str, Any] = {"columns": list(term.columns)}
        if any(term.units):
            product["units"] = list(term.units)
        if term.factor != 1:
            product["factor"] = _number(term.factor)
        products.append(product if len(product) > 1 else list(term.columns))
    if source.counter_range is not None:
        return {"sum": products, "counter_range": f"{source.counter_range:.12g} J"}
    return {"sum": products}


def _number(value: float) -> int | float:
    return int(value) if value == int(value) and abs(value) < 1e15 else value


def _inline(value: Any) -> Any:
    import tomlkit

    if isinstance(value, dict):
        table = tomlkit.inline_table()
        for key, item in value.items():
            table[key] = _inline(item)
        return table
    if isinstance(value, list):
        array = tomlkit.array()
        for item in value:
            array.append(_inline(item))
        return array
    return value


def _replace(path: Path, text: str) -> None:
    """Write `text` so that a reader, also after a power cut, sees the old file or the new one."""
    import tempfile

    mode = path.stat().st_mode & 0o777
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(text.encode("utf-8"))
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, mode)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
