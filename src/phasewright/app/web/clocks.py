"""The clocks: what is known of each, said on the traces, and the form that settles what only a person knows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from phasewright.app import jobs
from phasewright.app.web import undoing
from phasewright.app.web.desk import Desk
from phasewright.app.web.forms import given_words
from phasewright.app.web.shelf import CAMPAIGN_FILE, Place
from phasewright.app.web.view import render
from phasewright.bench import PhasewrightError, add_log

SIGNS = {"reference": "●", "aligned": "●", "ambiguous": "▲", "assumed": "▲"}
TWO_SIDED = 1.96
"""Half-width of a 95 % interval in standard uncertainties."""


def on_trace(maps: Sequence[Any], log: str) -> tuple[str, bool, float, tuple[float, ...]]:
    """Return what a trace of `log` says of its clock: (words, doubtful, 95 % half-width [s], moments it began anew [s])."""
    own = [item for item in maps if item.log == log]
    if not own:
        return "no place on the reference clock", True, 0.0, ()
    breaks = tuple(
        float(item.first + item.offset + item.drift * 1e-6 * (item.first - item.pivot))
        for item in own[1:] if math.isfinite(item.first)
    )  # fmt: skip
    states = {item.status for item in own}
    if "ambiguous" in states:
        return f"clock ambiguous, {max(len(item.candidates) for item in own)} places fit", True, 0.0, breaks
    if states == {"reference"}:
        return "reference clock", False, 0.0, breaks
    known = [TWO_SIDED * item.offset_u for item in own if item.offset_u is not None]
    if "assumed" in states:
        reach = max(known, default=0.0) if len(known) == len(own) else 0.0
        return (f"clock assumed, ±{_short(reach)}" if reach else "clock assumed, nothing supports it"), True, reach, breaks
    reach = max(known, default=0.0)
    return f"clock ±{_short(reach)}", False, reach, breaks


def _short(seconds: float) -> str:
    """Return a half-width with two digits: ``15 ms``, ``0.12 s``, ``59 s``."""
    if seconds < 0.0995:
        return f"{max(1e3 * seconds, 0.1):.2g} ms"
    return f"{seconds:.2g} s" if seconds < 99.5 else f"{seconds:.0f} s"


def clocks_html(place: Place, campaign: Any, recording: Any) -> str:
    """Return every log's clock with what is known of it; those that follow the reference can be set by hand."""
    rows = []
    for number, entry in enumerate(campaign.logs, start=1):
        own = [item for item in recording.clocks if item.log == entry.name]
        rows.append({
            "number": number, "entry": entry, "maps": own, "told": [_told(item) for item in own],
            "doubtful": any(item.status in ("ambiguous", "assumed") for item in own) or not own,
            "sign": SIGNS.get(own[0].status if own else "ambiguous", "▲"),
            "stated": "" if entry.clock_offset is None else f"{entry.clock_offset:.12g} s",
            "found": f"{own[0].offset:.3f} s" if own and math.isfinite(own[0].offset) else "",
            "candidates": [(f"{offset:.3f} s", f"{score:.2f}") for item in own for offset, score in item.candidates],
        })  # fmt: skip
    return render("clocks.html.jinja", place=place, rows=rows, reference=recording.reference)


def _told(clock: Any) -> str:
    """Return the clock's place in words."""
    if clock.status == "reference":
        return "all times are on this clock"
    if clock.status == "ambiguous":
        return f"ambiguous: {len(clock.candidates)} places fit nearly alike" if clock.candidates else "ambiguous"
    text = f"{clock.status}, {clock.offset:+.3f} s"
    text += f" ± {_short(TWO_SIDED * clock.offset_u)}" if clock.offset_u is not None else ", uncertainty not known"
    if clock.drift_u is not None and clock.drift_u > 0.0:
        text += f", drift {clock.drift:+.1f} ± {TWO_SIDED * clock.drift_u:.1f} ppm"
    return text.replace("-", "−")


def save_clock(desk: Desk, place: Place, request: Request) -> Response:
    """Keep what a person says is to be added to one log's clock; nothing said = it is found."""
    from phasewright.quantity import parse_quantity

    text = " ".join(given_words(request).get("offset", "").replace("−", "-").split())
    number, campaign = int(request.path_params["number"]), jobs.check(place.folder).campaign
    if campaign is None or not 1 <= number <= len(campaign.logs):
        raise HTTPException(404)
    try:
        offset = parse_quantity(text, "s") if text else None
        if offset is not None and abs(offset) > 1e4 * 86400.0:
            raise ValueError(f"{text} is beyond 10000 d - no log lies that far from the other - state what is to be added")
    except ValueError as error:
        return _refused(str(error))
    before = undoing.texts_of(place, (CAMPAIGN_FILE,))
    try:
        add_log(place.folder, replace(campaign.logs[number - 1], clock_offset=offset))
    except PhasewrightError as error:
        return _refused("; ".join(f"{fault.what} - {fault.mend}" for fault in error.faults))
    undoing.remember(desk, place, before, f"the clock of {campaign.logs[number - 1].name}")
    return Response(status_code=204, headers={"HX-Refresh": "true"})


def _refused(what: str) -> Response:
    return HTMLResponse(render("wrong.html.jinja", what=what), 422)
