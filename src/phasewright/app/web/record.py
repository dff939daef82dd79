"""The record: raw traces on one clock, with the steps and windows found on them, and the forms that move both."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from phasewright.app import jobs
from phasewright.app.web import making
from phasewright.app.web.desk import Desk
from phasewright.app.web.shelf import Place
from phasewright.app.web.view import render


def record_page(desk: Desk, place: Place, request: Request) -> Response:
    """Show the timeline, and under it the steps."""
    checked = jobs.check(place.folder)
    name = checked.campaign.name if checked.campaign else place.name
    return HTMLResponse(render("record.html.jinja", place=place, name=name, timeline="",
                               steps=making.steps_html(desk, place)))  # fmt: skip
