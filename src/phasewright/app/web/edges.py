"""The edges of one step and of its window, looked at on the traces while they are typed; nothing is kept by looking."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from phasewright.app import jobs
from phasewright.app.web.desk import Desk
from phasewright.app.web.record import NARROW, Record, drawn
from phasewright.app.web.shelf import Place
from phasewright.app.web.view import render
from phasewright.bench import PhasewrightError, Step, base_channel

WIDE = 1100.0
AROUND = 0.15
"""How much of its length is shown before and behind a step."""
LONGEST = 60
SHOWN = (("input_power", "package_power", "rail_current"), ("regulator_temperature",), ("coolant_temperature",))
"""What is looked at: of each group the first channel that there is."""


def look(desk: Desk, place: Place, request: Request) -> Response:
    """Show where a step and its window would lie with what is typed into its form."""
    record: Record | None = desk.traces.get(place.id)
    if record is None:
        return HTMLResponse(render("look.html.jinja", told="The traces are not open yet.", wrong=(), drawings=(), window=None))
    number = int(request.path_params["number"])
    campaign = jobs.check(place.folder).campaign or record.campaign
    if not 1 <= number <= len(campaign.steps) + 1:
        raise HTTPException(404)
    given = {key: value[:LONGEST] for key, value in request.query_params.items()}
    try:
        step = _typed(campaign.steps[number - 1] if number <= len(campaign.steps) else Step("new step", {}), given)
        span, window = _found(record, replace(campaign, steps=_with(campaign.steps, number, step)), number)
    except PhasewrightError as error:
        return _wrong([f"{fault.what}. {fault.mend}" for fault in error.faults[:3]])
    except ValueError as error:
        return _wrong([str(error)])
    return HTMLResponse(_drawn(desk, place, record, number, span, window))


def _typed(step: Step, given: Mapping[str, str]) -> Step:
    """Return the step with what its form says; raises ValueError for a window's edge that is no time."""
    from phasewright.quantity import parse_quantity

    words = {key: given[key].strip() for key in ("start", "end", "clock") if key in given}
    edges = {
        key: parse_quantity(given[key], "s") if given[key].strip() else None
        for key in ("window_start", "window_end") if key in given
    }  # fmt: skip
    return replace(step, **words, **edges, name=" ".join(given.get("name", step.name).split()) or step.name)


def _with(steps: tuple[Step, ...], number: int, step: Step) -> tuple[Step, ...]:
    return (*steps[: number - 1], step, *steps[number:])


def _found(record: Record, campaign: Any, number: int) -> tuple[Any, Any]:
    """Return the span and the window of one step; raises LogFault for what cannot be found."""
    from phasewright.logs import find_steps, find_window

    spans = find_steps(record.recording, campaign)
    step = campaign.steps[number - 1]
    span = next((item for item in spans if item.name == step.name), None)
    if span is None:
        raise ValueError("this step is not found on the record - give it a name of its own and times within the record")
    return span, find_window(record.recording, span, step, record.bench, campaign, spans=spans)


def _drawn(desk: Desk, place: Place, record: Record, number: int, span: Any, window: Any) -> str:
    from phasewright.report import Draft

    reach = AROUND * (span.end_s - span.start_s)
    first, last = max(span.start_s - reach, record.first_s), min(span.end_s + reach, record.last_s)
    last = max(last, first + 1.0)
    study = desk.study(place)
    steps = study.analysis.steps if study else ()
    draft = Draft(span.start_s, span.end_s, (window.start_s, window.end_s) if window.found else None, number)
    traces = [trace for names in SHOWN if (trace := _first(record, names)) is not None] or record.traces[:2]
    drawings = [drawn(record, traces, steps, first, last, width, draft) for width in (WIDE, NARROW)]
    told = f"From {span.start_s:.1f} s to {span.end_s:.1f} s on the reference clock"
    if span.note:
        told += f" ({span.note})"
    return render("look.html.jinja", told=f"{told}.", wrong=(), drawings=drawings, window=window)


def _first(record: Record, names: tuple[str, ...]) -> Any:
    for name in names:
        for trace in record.traces:
            if base_channel(trace.channel).name == name:
                return trace
    return None


def _wrong(texts: list[str]) -> Response:
    return HTMLResponse(render("look.html.jinja", told="", wrong=texts, drawings=(), window=None))
