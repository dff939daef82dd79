"""The record: raw traces on one clock, with the steps and windows found on them, and the forms that move both."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from phasewright.app import jobs
from phasewright.app.foresee import campaign_of, identity
from phasewright.app.web import clocks, files, making
from phasewright.app.web.answers import address
from phasewright.app.web.desk import Desk, Study
from phasewright.app.web.shelf import Place
from phasewright.app.web.shelving import progress_html
from phasewright.app.web.view import render
from phasewright.app.web.work import Job

WIDE, NARROW = 1150.0, 350.0
PANELS, NARROW_PANELS = 8, 4
ORDER = (
    "input_power", "package_power", "rail_current", "regulator_temperature", "coolant_temperature", "phase_count",
    "processor_temperature", "rail_voltage", "fan_duty", "protection_active", "ambient_temperature",
)  # fmt: skip
"""Which traces are shown first where there are many."""
Progress = Callable[[float, str], None]
OPEN_MOST = 3
SIMULATED = "Simulated data."
READ = "Raw traces on the clock of the reference log; of every stretch the least and the greatest reading, so that none is lost"
SHORTEST = 1e-3
"""Shortest stretch that is shown [s]."""


@dataclass(slots=True)
class Record:
    """The raw traces of a campaign, opened for the timeline."""

    key: str
    traces: list[Any]
    clocks: tuple[Any, ...]
    reference: str
    origin: str
    simulated: bool
    recording: Any
    """The same readings as means on one clock, from which steps and windows are found."""
    bench: Any
    campaign: Any
    pyramids: dict[str, Any] = field(default_factory=dict)
    first_s: float = 0.0
    last_s: float = 1.0


def record_page(desk: Desk, place: Place, request: Request) -> Response:
    """Show the timeline, and under it the steps."""
    checked = jobs.check(place.folder)
    campaign = checked.campaign
    timeline, key = "", identity(place.folder)
    if campaign is not None and not checked.faults and campaign.logs:
        record = desk.traces.get(place.id)
        if record is not None and record.key == key:
            timeline = timeline_html(desk, place, record, request)
        else:
            job = next((item for item in desk.work.of(place.id) if item.kind == "record"), None)
            if job is None or (not job.active and job.tried != key) or (job.state == "done"):
                job = _begin_record(desk, place)
                job.tried = key
            timeline = progress_html(job, "logs")
    elif campaign is not None and not campaign.logs:
        timeline = render("empty_record.html.jinja", place=place)
    found = desk.traces.get(place.id)
    page = render(
        "record.html.jinja", place=place, name=campaign.name if campaign else place.name, timeline=timeline,
        steps=making.steps_html(desk, place),
        clocks=clocks.clocks_html(place, found.campaign, found.recording) if found is not None and found.key == key else "",
    )  # fmt: skip
    return HTMLResponse(page)


def _begin_record(desk: Desk, place: Place) -> Job:
    """Begin to open the raw traces in the background; a campaign without steps has a record as well."""

    def run(job: Job) -> None:
        key = identity(place.folder)
        record = open_record(place, key, desk.study(place), job.progress)
        desk.traces[place.id] = record
        desk.traces.move_to_end(place.id)
        while len(desk.traces) > OPEN_MOST:
            desk.traces.popitem(last=False)

    return desk.work.begin(place.id, "record", "Opening the record", run)


def timeline(desk: Desk, place: Place, request: Request) -> Response:
    """Answer another stretch of the timeline."""
    record = desk.traces.get(place.id)
    if record is None:
        raise HTTPException(404)
    answer = HTMLResponse(timeline_html(desk, place, record, request))
    first, last = _stretch(record, request)
    answer.headers["HX-Replace-Url"] = address(place, "record", **_view(first, last, _begin(record, request)))
    return answer


def timeline_as_file(desk: Desk, place: Place, request: Request) -> Response:
    """Give the timeline that the address asks for as a drawing or as numbers."""
    from phasewright.report import timeline_file, timeline_points, timeline_table, timeline_title

    record, kind, what = desk.traces.get(place.id), request.path_params["kind"], request.path_params["what"]
    if record is None or (what, kind) not in (("timeline", "svg"), ("timeline", "csv"), ("timeline-points", "csv")):
        raise HTTPException(404)
    first, last = _stretch(record, request)
    panels = _panels(record, record.traces[_begin(record, request) :][:PANELS], first, last, WIDE)
    if kind == "csv":
        table = timeline_points(panels) if what == "timeline-points" else timeline_table(panels)
        return files.block_file((table,), what, "csv", SIMULATED if record.simulated else "")
    study = desk.study(place)
    drawing = timeline_svg_of(panels, study.analysis.steps if study is not None else (), first, last, WIDE)
    banner = SIMULATED if record.simulated else ""
    told = timeline_file(drawing, title=timeline_title(panels, first, last), subtitle=READ, banner=banner)
    return files.download(told, "image/svg+xml", "timeline.svg")


def timeline_html(desk: Desk, place: Place, record: Record, request: Request) -> str:
    """Return the timeline between two moments, with everything that moves it."""
    from phasewright.report import blocks_html, timeline_table, timeline_title

    study = desk.study(place)
    steps = study.analysis.steps if study is not None else ()
    first, last = _stretch(record, request)
    begin = _begin(record, request)
    panels = _panels(record, record.traces[begin:][:PANELS], first, last, WIDE)
    narrow = _panels(record, record.traces[begin:][:NARROW_PANELS], first, last, NARROW)
    drawings = [timeline_svg_of(panels, steps, first, last, WIDE), timeline_svg_of(narrow, steps, first, last, NARROW)]

    def shown(what: str, kind: str) -> str:
        return address(place, "record", f"{what}.{kind}", **_view(first, last, begin))

    numbers = blocks_html((timeline_table(panels),), {}, links=lambda name: shown(name, "csv"))
    length, middle = last - first, 0.5 * (first + last)
    moves = [
        ("ArrowLeft", "←", "Earlier", first - 0.5 * length, last - 0.5 * length),
        ("ArrowRight", "→", "Later", first + 0.5 * length, last + 0.5 * length),
        ("+", "+", "Closer", middle - 0.25 * length, middle + 0.25 * length),
        ("-", "−", "Farther", middle - length, middle + length),
        ("Home", "whole", "The whole record", record.first_s, record.last_s),
    ]
    links = [(key, sign, said, address(place, "timeline", **_view(a, b, begin))) for key, sign, said, a, b in moves]
    spans = [(number, item.step.name, address(place, "timeline", **_view(
        item.span.start_s - 0.1 * (item.span.end_s - item.span.start_s),
        item.span.end_s + 0.1 * (item.span.end_s - item.span.start_s), begin)))
        for number, item in enumerate(steps, 1)]  # fmt: skip
    return render(
        "timeline.html.jinja", place=place, drawings=drawings, links=links, spans=spans, first=_number(first),
        last=_number(last), origin=record.origin, reference=record.reference,
        unsure=any(clocks.on_trace(record.clocks, trace.log)[2] > 1.0 for trace in record.traces),
        more=_left(place, record, first, last, begin, PANELS),
        more_narrow=_left(place, record, first, last, begin, NARROW_PANELS),
        simulated=record.simulated, title=timeline_title(panels, first, last), numbers=numbers, trace=begin, read=READ,
        svg=shown("timeline", "svg"), points=shown("timeline-points", "csv"),
    )  # fmt: skip


def drawn(record: Record, traces: Sequence[Any], steps: Any, first: float, last: float, width: float,
          draft: Any = None) -> str:  # fmt: skip
    """Return traces between two moments [s] of the reference clock as an SVG element `width` [px] wide."""
    return timeline_svg_of(_panels(record, traces, first, last, width), steps, first, last, width, draft)


def timeline_svg_of(panels: Sequence[Any], steps: Any, first: float, last: float, width: float, draft: Any = None) -> str:
    """Return the panels as an SVG element `width` [px] wide."""
    from phasewright.report import Layout, timeline_svg

    return timeline_svg(
        panels, steps, first_s=first, last_s=last, layout=Layout(width), draft=draft,
        title=f"Raw traces from {first:.6g} s to {last:.6g} s on the reference clock",
    )  # fmt: skip


def _panels(record: Record, traces: Sequence[Any], first: float, last: float, width: float) -> list[Any]:
    from phasewright.logs import view_trace
    from phasewright.report import TracePanel

    return [
        TracePanel(trace.channel, trace.unit, trace.log, view_trace(
            trace, record.clocks, record.pyramids[trace.channel], first_s=first, last_s=last, buckets=int(width - 64)),
            *clocks.on_trace(record.clocks, trace.log))
        for trace in traces
    ]  # fmt: skip


def _view(first: float, last: float, begin: int) -> dict[str, str]:
    """Return what of the timeline stands in the address: its stretch and, where it is not the first, its first trace."""
    return {"from": _number(first), "to": _number(last), "trace": str(begin) if begin else ""}


def _begin(record: Record, request: Request) -> int:
    """Return the number of the first trace that is drawn, 0 = the first of all."""
    text = request.query_params.get("trace", "")
    return int(text) if text.isdecimal() and len(text) < 6 and int(text) < len(record.traces) else 0


def _left(place: Place, record: Record, first: float, last: float, begin: int, room: int) -> tuple[list[str], str]:
    """Return the traces for which there is no room, and where the next of them are drawn."""
    drawn_now = range(begin, begin + room)
    left = [trace.channel for index, trace in enumerate(record.traces) if index not in drawn_now]
    following = begin + room if begin + room < len(record.traces) else 0
    return left, address(place, "timeline", **_view(first, last, following))


def _number(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _stretch(record: Record, request: Request) -> tuple[float, float]:
    """Return the stretch that the address asks for, inside the record; the whole one where it asks for none."""
    ends = []
    for key, default in (("from", record.first_s), ("to", record.last_s)):
        try:
            value = float(request.query_params.get(key, "").replace(",", ".").removesuffix("s"))
        except ValueError:
            value = default
        ends.append(value if math.isfinite(value) else default)
    first, last = sorted(ends)
    length = min(max(last - first, SHORTEST), record.last_s - record.first_s)
    first = min(max(first, record.first_s), record.last_s - length)
    return first, first + length


def open_record(place: Place, key: str, study: Study | None, progress: Progress) -> Record:
    """Open every log's traces from the store, put them on one clock, and take the extremes of each."""
    from phasewright.logs import align, build_pyramid, open_log

    if study is not None and study.key == key:
        bench, campaign = study.analysis.bench, study.analysis.campaign
    else:
        study = None
        bench, campaign = campaign_of(place.folder)
    opened = {}
    for index, entry in enumerate(campaign.logs):
        progress(0.6 * index / len(campaign.logs), f"reading {entry.name}")
        opened[entry.name] = open_log(place.folder, entry, bench.instrument(entry.instrument))
    progress(0.6, "putting the logs on one clock")
    recording = study.analysis.recording if study is not None else align(opened, bench, campaign)
    progress(0.8, "taking the extremes of the traces")
    traces = [trace for log in opened.values() for trace in log.traces if len(trace.value)]
    rank = {name: index for index, name in enumerate(ORDER)}
    traces.sort(key=lambda trace: (rank.get(trace.channel.partition(".")[0], len(rank)), trace.channel))
    record = Record(key, traces, recording.clocks, recording.reference, recording.origin,
                    bench.simulated or campaign.simulated, recording, bench, campaign)  # fmt: skip
    record.pyramids = {trace.channel: build_pyramid(trace.value) for trace in traces}
    ends = [
        clock.to_reference(trace.time_ns[[begin, end - 1]])
        for trace in traces for clock in record.clocks
        if clock.log == trace.log and clock.segment < len(trace.segments)
        for begin, end in [trace.segments[clock.segment]] if end > begin
    ]  # fmt: skip
    record.first_s = float(min((pair[0] for pair in ends), default=0.0))
    record.last_s = float(max((pair[1] for pair in ends), default=1.0))
    record.last_s = max(record.last_s, record.first_s + 1.0)
    return record
