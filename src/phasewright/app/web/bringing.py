"""Logs: dropped, sent as a stream, read in the background, mapped by a person, kept."""

from __future__ import annotations

import math
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import anyio
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, Response

from phasewright.app import jobs
from phasewright.app.bring import ColumnLook, ReadResult, place_text, source_text
from phasewright.app.web.desk import Desk
from phasewright.app.web.guard import Refused
from phasewright.app.web.making import given_words
from phasewright.app.web.shelf import BENCH_FILE, CAMPAIGN_FILE, Place, log_file_name
from phasewright.app.web.undoing import last_change, remember, texts_of
from phasewright.app.web.view import render
from phasewright.app.web.work import Cancelled, Job
from phasewright.bench import CHANNELS, ChannelSource, ColumnTerm, base_channel

SPARE = 256 << 20
"""Room that must stay on the disk [byte]."""
MASK = os.umask(0o077)
os.umask(MASK)
"""What this user's files keep from others; a temporary file keeps everything."""
WAITING_MOST = 32
"""Logs of a campaign that may wait for their map at one time; each holds a thread."""
WIDE, TALL = 220.0, 34.0
"""Of the small trace beside a column [px]."""


def logs_page(desk: Desk, place: Place, request: Request, cap: int) -> Response:
    """Show the logs of a campaign, where to drop more, and what is being read."""
    checked = jobs.check(place.folder)
    campaign = checked.campaign
    entries = [
        {"entry": entry, "channels": [(_titled(source.channel), source_text(source)) for source in entry.channels]}
        for entry in (campaign.logs if campaign else ())
    ]
    known = {name for entry in (campaign.logs if campaign else ()) for name in entry.files}
    loose = sorted(f"logs/{path.name}" for path in _log_files(place.folder) if f"logs/{path.name}" not in known)
    under_way = [job for job in desk.work.of(place.id) if job.kind == "read" and job.active]
    reading = [render_job(job) for job in under_way]
    loose = [name for name in loose if f"Reading {name.partition('/')[2]}" not in {job.title for job in under_way}]
    instruments = [item.name for item in checked.bench.instruments] if checked.bench else []
    page = render("logs.html.jinja", place=place, name=campaign.name if campaign else place.name, entries=entries,
                  faults=checked.faults, reading=reading, instruments=instruments, cap=cap, loose=loose,
                  steps=len(campaign.steps) if campaign else 0, undo=last_change(desk, place))  # fmt: skip
    return HTMLResponse(page)


def _titled(channel: str) -> str:
    """Return a channel as people read it: ``rail_current.left`` -> Rail current, left."""
    label = channel.partition(".")[2]
    return base_channel(channel).title + (f", {label}" if label else "")


def _log_files(folder: Path) -> list[Path]:
    try:
        return [path for path in (folder / "logs").iterdir() if path.is_file() and not path.name.startswith(".")]
    except OSError:
        return []


async def upload(desk: Desk, place: Place, request: Request) -> Response:
    """Take a log as a stream: capped by the guard, written beside its place, moved there when it is whole."""
    if sum(job.kind == "read" and job.active for job in desk.work.of(place.id)) >= WAITING_MOST:
        raise Refused(429, f"{WAITING_MOST} logs wait for their map already. Map or cancel some of them, then send this one.")
    name = log_file_name(request.query_params.get("name", "log"))
    instrument = request.query_params.get("instrument", "")
    logs = place.folder / "logs"
    length = request.headers.get("content-length", "")
    logs.mkdir(exist_ok=True)
    if length.isdecimal() and int(length) + SPARE > shutil.disk_usage(logs).free:
        raise Refused(413, "There is not enough room on the disk for this log. Make room, and send it again.")
    handle, part = tempfile.mkstemp(dir=logs, prefix=".", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            async for piece in request.stream():
                await anyio.to_thread.run_sync(stream.write, piece)
        target = _free_name(logs, name, Path(part))
        os.chmod(part, 0o666 & ~MASK)
        os.replace(part, target)
    except ClientDisconnect:
        Path(part).unlink(missing_ok=True)
        return Response(status_code=400)
    except OSError as error:
        Path(part).unlink(missing_ok=True)
        raise Refused(413, f"The log cannot be written: {error.strerror or 'no reason given'}.") from None
    except BaseException:
        Path(part).unlink(missing_ok=True)
        raise
    job = begin_reading(desk, place, target, instrument, fresh=True)
    return Response(status_code=201, headers={"Location": f"/job/{job.id}/map"})


def _free_name(logs: Path, name: str, part: Path) -> Path:
    """Return where a log goes: another file of that name is never replaced, the same bytes are kept once."""
    import filecmp

    stem, _, ending = name.rpartition(".")
    for number in range(1, 1000):
        target = logs / (name if number == 1 else f"{stem}-{number}.{ending}")
        if not target.exists() or filecmp.cmp(target, part, shallow=False):
            return target
    raise OSError(17, "too many logs of this name")


def begin_reading(desk: Desk, place: Place, log: Path, instrument: str, *, fresh: bool) -> Job:
    """Begin to read a log; it asks for the map when it knows the columns. A fresh one goes again when it is cancelled."""

    def run(job: Job) -> ReadResult:
        before = texts_of(place, (BENCH_FILE, CAMPAIGN_FILE))
        try:
            result = jobs.read(place.folder, log, instrument=instrument, choose=job.ask, progress=job.progress)
        except Cancelled:
            if fresh and f"logs/{log.name}" not in {n for e in _entries(place.folder) for n in e.files}:
                log.unlink(missing_ok=True)
            raise
        remember(desk, place, before, f"the map of {log.name}")
        return result

    return desk.work.begin(place.id, "read", f"Reading {log.name}", run, waits=True)


def _entries(folder: Path) -> tuple[Any, ...]:
    campaign = jobs.check(folder).campaign
    return campaign.logs if campaign else ()


def read_again(desk: Desk, place: Place, request: Request) -> Response:
    """Read a log that lies in the campaign, to map it for the first time or anew."""
    wanted = given_words(request).get("file", "")
    log = next((path for path in _log_files(place.folder) if f"logs/{path.name}" == wanted), None)
    if log is None:
        raise HTTPException(404)
    entry = next((item for item in _entries(place.folder) if wanted in item.files), None)
    job = begin_reading(desk, place, log, entry.instrument if entry else "", fresh=False)
    return HTMLResponse(render_job(job))


# ---- the map ---------------------------------------------------------------------------------------------------------


def map_state(desk: Desk, request: Request) -> Response:
    """Tell how far a log is: reading, asking for its map, kept, or refused."""
    job = desk.work.job(request.path_params["job"])
    if job is None or job.kind != "read":
        raise HTTPException(404)
    answer = HTMLResponse(render_job(job))
    return answer


def render_job(job: Job, given: Mapping[str, str] | None = None, wrong: Mapping[str, str] | None = None) -> str:
    """Return the state of a log that is being read as a piece of a page."""
    state = job.state  # once: the job goes on while this is told
    question: ReadResult | None = job.question
    rows, sums = ([], [])
    if state == "asking" and question is not None:
        rows, sums = _rows(question), _sums(question)
    return render("reading.html.jinja", job=job, state=state, question=question, rows=rows, sums=sums, given=given or {},
                  wrong=wrong or {}, channels=_choices(question), result=job.result, place_text=place_text,
                  source_text=source_text, titled=_titled)  # fmt: skip


def _choices(question: ReadResult | None) -> list[tuple[str, str]]:
    """Return (channel, title) of everything that a column may be; labelled ones that were suggested as well."""
    found = [(name, channel.title) for name, channel in CHANNELS.items()]
    for suggestion in question.suggestions if question else ():
        if suggestion.channel not in CHANNELS and (suggestion.channel, suggestion.channel) not in found:
            base, _, label = suggestion.channel.partition(".")
            if base in CHANNELS:
                found.append((suggestion.channel, f"{CHANNELS[base].title}, {label}"))
    return found


def _rows(question: ReadResult) -> list[dict[str, Any]]:
    """Return one row a column: header, unit, first values, a small trace, and what it seems to be."""
    best = question.suggested_map()
    rows = []
    for index, look in enumerate(question.looks):
        channel = next((name for name, column in best.items() if column == look.name), "")
        hint = next((s for s in question.suggestions if s.channel == channel and source_text(s.source) == look.name), None)
        rows.append({
            "id": f"column-{index}", "look": look, "channel": channel, "why": "; ".join(hint.why) if hint else "",
            "first": ", ".join("none" if not math.isfinite(x) else f"{x:.6g}" for x in look.first),
            "path": small_trace(look), "low": _least(look.lows), "high": _most(look.highs),
        })  # fmt: skip
    return rows


def _sums(question: ReadResult) -> list[dict[str, Any]]:
    """Return the sums of products that were suggested; each may be taken instead of single columns."""
    plain = {look.name for look in question.looks}
    best = question.suggested_map()
    found = []
    for suggestion in question.suggestions:
        text = source_text(suggestion.source)
        if text not in plain:
            found.append({"id": f"sum-{len(found)}", "text": text, "channel": suggestion.channel,
                          "taken": best.get(suggestion.channel) == text, "why": "; ".join(suggestion.why),
                          "source": suggestion.source})  # fmt: skip
    return found


def small_trace(look: ColumnLook) -> str:
    """Return the path of a column's small trace, drawn between the extremes of each stretch; gaps stay open."""
    low, high = _least(look.lows), _most(look.highs)
    if low is None or high is None:
        return ""
    reach = (high - low) or 1.0
    step = WIDE / max(len(look.lows) - 1, 1)
    words, pen = [], False
    for index, (least, most) in enumerate(zip(look.lows, look.highs, strict=True)):
        if not (math.isfinite(least) and math.isfinite(most)):
            pen = False
            continue
        x = index * step
        top = 2 + (TALL - 4) * (1 - (most - low) / reach) if high > low else TALL / 2
        foot = 2 + (TALL - 4) * (1 - (least - low) / reach) if high > low else TALL / 2
        words.append(f"{'L' if pen else 'M'}{x:.1f},{top:.1f}" + (f"V{foot:.1f}" if foot - top > 0.2 else ""))
        pen = True
    return "".join(words)


def _least(values: tuple[float, ...]) -> float | None:
    return min((x for x in values if math.isfinite(x)), default=None)


def _most(values: tuple[float, ...]) -> float | None:
    return max((x for x in values if math.isfinite(x)), default=None)


def answer_map(desk: Desk, request: Request) -> Response:
    """Take the map that a person chose; what is wrong with it is said beside the field."""
    job = desk.work.job(request.path_params["job"])
    if job is None or job.kind != "read":
        raise HTTPException(404)
    question: ReadResult | None = job.question
    if job.state != "asking" or question is None:
        return HTMLResponse(render_job(job))
    given = given_words(request)
    channel_map, wrong = _chosen(question, given)
    if wrong:
        return HTMLResponse(render_job(job, given, wrong), 422)
    job.answer(channel_map)
    return HTMLResponse(render_job(job))


def _chosen(question: ReadResult, given: Mapping[str, str]) -> tuple[dict[str, ChannelSource], dict[str, str]]:
    """Return (channel -> source, what is wrong by the field's id)."""
    from phasewright.quantity import convert, unit_symbol

    found: dict[str, ChannelSource] = {}
    wrong: dict[str, str] = {}
    known = {name for name, _ in _choices(question)}
    for row in _rows(question):
        channel, unit = given.get(row["id"], ""), given.get(f"{row['id']}-unit", "").strip()
        label = given.get(f"{row['id']}-label", "").strip()
        if not channel:
            continue
        if channel not in known:
            wrong[row["id"]] = "This is no channel."
            continue
        if label:
            channel = f"{channel.partition('.')[0]}.{label}"
        look: ColumnLook = row["look"]
        needed = base_channel(channel).unit
        symbol = unit_symbol(unit) if unit else look.unit
        if not symbol and needed != "1":
            wrong[row["id"]] = f"The header states no unit. State it: {needed}, or what the column is in."
        elif symbol is None:
            wrong[row["id"]] = f"{unit!r} is no unit that is known. Write for example {needed}."
        elif symbol:
            try:
                convert(1.0, symbol, needed)
            except ValueError:
                wrong[row["id"]] = f"A column in {symbol} is no {base_channel(channel).title.lower()}, which is in {needed}."
        if channel in found:
            wrong[row["id"]] = "Two columns are the same channel. Give this one a label, such as left."
        name = look.name
        found[channel] = ChannelSource(channel, (ColumnTerm((name,), (symbol,) if unit and symbol else ()),))
    for item in _sums(question):
        if given.get(item["id"]):
            if item["channel"] in found:
                wrong[item["id"]] = "A column above is this channel already. Take one of them."
            found[item["channel"]] = item["source"]
    if not found:
        wrong["map"] = "No column is mapped. Say at least for one which channel it is."
    return found, wrong


