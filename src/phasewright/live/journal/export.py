"""Turns a journal into ordinary logs, one for each instrument, and lists what was done."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from phasewright.live.journal.line import Entry
from phasewright.live.journal.reading import Survey, survey

STAMP = "time"
NOTICE = "made from the journal of phasewright record; deleting it loses nothing"


@dataclass(slots=True)
class Sheet:
    """What one instrument gave in one session: rows by moment."""

    instrument: str
    session: int
    channels: dict[str, str] = field(default_factory=dict)
    """Channel -> unit, in the order of first sight."""
    rows: dict[int, dict[str, float]] = field(default_factory=dict)
    """Monotonic stamp [ns] -> values."""


@dataclass(slots=True)
class Told:
    """One event of the journal."""

    session: int
    mono_ns: int
    wall_ns: int
    name: str
    given: dict


@dataclass(slots=True)
class Chronicle:
    """A whole journal, read back."""

    survey: Survey
    sheets: dict[tuple[str, int], Sheet] = field(default_factory=dict)
    events: list[Told] = field(default_factory=list)
    origins: dict[int, int] = field(default_factory=dict)
    """Session -> wall clock less monotonic clock at its start [ns]: one clock for the whole session."""


def read_journal(folder: Path) -> Chronicle:
    """Read a journal whole; see `survey` for what it may have lost."""
    made = Chronicle(Survey())

    def visit(entry: Entry, session: int) -> None:
        if entry.kind == "head":
            made.origins.setdefault(session, entry.wall_ns - entry.mono_ns)
        elif entry.kind == "event":
            made.events.append(Told(session, entry.mono_ns, entry.wall_ns, entry.name, json.loads(entry.text or "{}")))
        elif entry.kind in ("reading", "missing"):
            made.origins.setdefault(session, entry.wall_ns - entry.mono_ns)
            instrument, _, channel = entry.name.partition("/")
            sheet = made.sheets.setdefault((instrument, session), Sheet(instrument, session))
            sheet.channels.setdefault(channel, entry.unit)
            row = sheet.rows.setdefault(_moment(sheet, entry.mono_ns, channel), {})
            if entry.value is not None:
                row[channel] = entry.value

    made.survey = survey(folder, visit)
    return made


def _moment(sheet: Sheet, mono_ns: int, channel: str) -> int:
    """Readings of one look are asked for one after the other: those within 5 ms of a row's first belong to it.

    A channel that the row has already begins another look, however soon it came: nothing is written over.
    """
    last = next(reversed(sheet.rows), None)
    if last is not None and 0 <= mono_ns - last <= 5_000_000 and channel not in sheet.rows[last]:
        return last
    while channel in sheet.rows.get(mono_ns, ()):
        mono_ns += 1
    return mono_ns


def stamp_text(wall_ns: int) -> str:
    """Return a moment as ISO 8601 in UTC with milliseconds."""
    seconds, rest = divmod(wall_ns, 1_000_000_000)
    moment = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{moment}.{rest // 1_000_000:03d}"


def sheet_text(chronicle: Chronicle, sheet: Sheet) -> Iterator[str]:
    """Yield the lines of one instrument's log."""
    units = [f"{channel} [{unit}]" if unit not in ("", "1") else channel for channel, unit in sheet.channels.items()]
    yield f"# {NOTICE}"
    yield ",".join([STAMP, *units])
    origin = chronicle.origins[sheet.session]
    for mono in sorted(sheet.rows):
        row = sheet.rows[mono]
        cells = ["" if (value := row.get(channel)) is None else f"{value:.9g}" for channel in sheet.channels]
        yield ",".join([stamp_text(mono + origin), *cells])


@dataclass(frozen=True, slots=True)
class WrittenLog:
    """The log of one instrument as files of the campaign."""

    instrument: str
    files: tuple[str, ...]
    """Relative to the campaign folder, one for each session."""
    channels: tuple[str, ...]


def write_logs(chronicle: Chronicle, folder: Path) -> tuple[WrittenLog, ...]:
    """Write the logs of a journal below ``logs/live`` of the campaign `folder`, replacing earlier ones made from it."""
    place = folder / "logs" / "live"
    place.mkdir(parents=True, exist_ok=True)
    found: dict[str, list[str]] = {}
    channels: dict[str, dict[str, str]] = {}
    for (instrument, session), sheet in sorted(chronicle.sheets.items()):
        if not any(sheet.rows.values()):
            continue
        name = f"{_plain(instrument)}-{session}.csv"
        text = "\n".join(sheet_text(chronicle, sheet)) + "\n"
        part = place / f".{name}.part"
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(place / name)
        found.setdefault(instrument, []).append(f"logs/live/{name}")
        channels.setdefault(instrument, {}).update(sheet.channels)
    return tuple(WrittenLog(name, tuple(files), tuple(channels[name])) for name, files in found.items())


def changed_logs(chronicle: Chronicle, folder: Path) -> tuple[str, ...]:
    """Return the logs below ``logs/live`` that are not what the journal says; one that is not there is made again."""
    odd = []
    for (instrument, session), sheet in sorted(chronicle.sheets.items()):
        path = folder / "logs" / "live" / f"{_plain(instrument)}-{session}.csv"
        if not path.exists():
            continue
        text = "\n".join(sheet_text(chronicle, sheet)) + "\n"
        if path.read_bytes() != text.encode("utf-8"):
            odd.append(f"logs/live/{path.name}")
    return tuple(odd)


def _plain(name: str) -> str:
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in name) or "instrument"


def channel_sources(written: WrittenLog) -> dict[str, tuple[tuple[str, ...], ...]]:
    """Return channel -> products of columns of one written log; voltages and currents of connectors make their power."""
    have = set(written.channels)
    found: dict[str, tuple[tuple[str, ...], ...]] = {}
    pairs = [(name, "input_current" + name.removeprefix("input_voltage")) for name in written.channels
             if name.partition(".")[0] == "input_voltage" and "input_current" + name.removeprefix("input_voltage") in have]
    if pairs and "input_power" not in have:
        found["input_power"] = tuple(pairs)
    for name in written.channels:
        if not any(name in pair for pair in pairs) or "input_power" in have:
            found[name] = ((name,),)
    return found
