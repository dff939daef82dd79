"""One question to every campaign of the folder: which boards, coolers or days differ for real. Nothing is changed by asking."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from phasewright.app.library import GROUPINGS, KEPT, Answered, Library, answer, question_of
from phasewright.app.web.desk import Desk
from phasewright.app.web.files import block_file
from phasewright.app.web.shelving import refresh as begin
from phasewright.app.web.view import render
from phasewright.bench import PhasewrightError

LONGEST = 80
AT_ONCE = 4
"""Campaigns that are read again before the page is shown; more are read by a job."""
SIMULATED = "Simulated data. Campaigns in this comparison were invented and computed."


@dataclass(frozen=True, slots=True)
class Typed:
    """One typed condition."""

    name: str
    label: str
    example: str


INPUTS = (
    Typed("phases", "Phases", "3, or 3-6"),
    Typed("load", "Load, W at the package or A on the rail", "300 W"),
    Typed("board", "Board, part of its name", "any"),
    Typed("cooler", "Cooler, part of its name", "any"),
    Typed("since", "First day", "2031-03-04, 2031-03 or 2031"),
    Typed("until", "Last day", "any"),
    Typed("baseline", "Compare with", "the one with most campaigns"),
)


def asked_of(query: Mapping[str, str]) -> dict[str, str]:
    """Return what the address asks."""
    names = [item.name for item in INPUTS] + ["quantity", "by"]
    return {name: query[name].strip()[:LONGEST] for name in names if query.get(name, "").strip()}


def library_page(desk: Desk, request: Request) -> Response:
    """Show the form with the answer to what the address asks; begin to look through the folders where they have changed."""
    if desk.shelf.single:
        raise HTTPException(404)
    job = next((item for item in desk.work.of("") if item.kind == "library" and item.active), None)
    with Library(desk.shelf.folder) as library:
        if job is None:
            changed = library.changed()
            if changed > AT_ONCE:
                job = begin(desk)
            elif changed:
                library.refresh()
        asked = asked_of(request.query_params)
        result, names = _result(desk, library, asked)
    page = render(
        "library.html.jinja", folder=desk.shelf.folder, inputs=INPUTS, asked=asked, quantities=_quantities(),
        groupings=GROUPINGS, result=result, job=job, names=names,
    )  # fmt: skip
    return HTMLResponse(page)


def ask_library(desk: Desk, request: Request) -> Response:
    """Answer one question from the index; the address of the page then says what was asked."""
    if desk.shelf.single:
        raise HTTPException(404)
    asked = asked_of(request.query_params)
    with Library(desk.shelf.folder) as library:
        result, _ = _result(desk, library, asked)
    told = HTMLResponse(result)
    told.headers["HX-Replace-Url"] = "/library" + (f"?{urlencode(asked)}" if asked else "")
    return told


def library_file(desk: Desk, request: Request) -> Response:
    """Give a table or the figure of one answered setting as a file."""
    if desk.shelf.single:
        raise HTTPException(404)
    number = request.path_params["number"]
    with Library(desk.shelf.folder) as library:
        try:
            found = answer(library, question_of(**asked_of(request.query_params)))
        except PhasewrightError:
            raise HTTPException(404) from None
    if not 1 <= number <= len(found.settings):
        raise HTTPException(404)
    setting = found.settings[number - 1]
    return block_file(_blocks(setting, number), request.path_params["name"], request.path_params["kind"], _banner(setting))


def refresh(desk: Desk, request: Request) -> Response:
    """Begin to look through the folders."""
    if desk.shelf.single:
        raise HTTPException(404)
    return HTMLResponse(render("job.html.jinja", job=begin(desk), stay="answers"))


def _quantities() -> list[tuple[str, str]]:
    from phasewright.report import quantity_title

    return [(name, quantity_title(name)) for name in KEPT]


def _blocks(setting: Any, number: int) -> tuple[Any, ...]:
    from phasewright.report import library_blocks, setting_name

    return library_blocks(setting.found, setting_name(setting.phase_count, setting.load_name, setting.load),
                          stem=f"library-{number}")  # fmt: skip


def _banner(setting: Any) -> str:
    return SIMULATED if any(item.simulated for item in setting.found.held) else ""


def _result(desk: Desk, library: Library, asked: Mapping[str, str]) -> tuple[str, dict[str, list[str]]]:
    """Return the answer as HTML, and the names that may be typed."""
    from phasewright.report import Figure, blocks_html, inline_figure, setting_name

    try:
        found = answer(library, question_of(**asked))
    except PhasewrightError as error:
        return render("refusal.html.jinja", faults=error.faults), {}
    told = []
    words = urlencode(asked)
    for number, setting in enumerate(found.settings, start=1):
        blocks = _blocks(setting, number)
        drawn = {block.name: inline_figure(block) for block in blocks if isinstance(block, Figure)}
        body = blocks_html(
            blocks, drawn, banner=_banner(setting),
            links=lambda name, at=number: f"/library/{at}/{name}.csv?{words}",
            pictures=lambda name, at=number: f"/library/{at}/{name}.svg?{words}",
        )  # fmt: skip
        told.append((setting_name(setting.phase_count, setting.load_name, setting.load), body))
    stale = library.stale([item.campaign for setting in found.settings for item in setting.found.held][:100])
    offers = [] if asked.get("phases") and asked.get("load") else [
        (setting_name(item.phase_count, item.load_name, item.load), item.steps, urlencode(
            {**asked, "phases": str(item.phase_count), "load": f"{item.load:.0f} {_UNITS[item.load_name]}"}))
        for item in found.offers[:16]
    ]  # fmt: skip
    places = {place.name: place.id for place in desk.shelf.places()} if found.campaigns <= 500 else {}
    links = [(name, places.get(name, ""), state, why.partition("; ")[0]) for name, state, why in found.unused[:12]]
    html = render("library_answer.html.jinja", found=found, told=told, offers=offers, stale=len(stale), unused=links,
                  why=_why_nothing(found))  # fmt: skip
    return html, {"board": [name for name, _ in found.boards], "cooler": [name for name, _ in found.coolers]}


_UNITS = {"package_power": "W", "rail_current": "A"}


def _why_nothing(found: Answered) -> str:
    if found.settings:
        return ""
    if not found.campaigns:
        return "There is no campaign in this folder yet."
    if not found.matching:
        return "No analyzed campaign fits. Leave out a condition, or open the campaigns below, which works them out."
    if not found.offers:
        return "None of these campaigns has held this setting with a known phase count and load."
    return "No two of these campaigns have held one setting with this figure known."
