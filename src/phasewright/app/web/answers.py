"""The page of one campaign: every question, its answer and everything behind it; what is selected stands in the address."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from phasewright.app.foresee import identity
from phasewright.app.web import asking, designing
from phasewright.app.web.desk import Desk, Study
from phasewright.app.web.shelf import Place
from phasewright.app.web.view import render

if TYPE_CHECKING:
    from phasewright.report import Document, Section


def address(place: Place, *parts: str, **query: object) -> str:
    """Return an address below a campaign."""
    told = urlencode({key: value for key, value in query.items() if value not in (None, "")})
    return "/".join((f"/campaign/{place.id}", *parts)) + (f"?{told}" if told else "")


def campaign_page(desk: Desk, place: Place, request: Request) -> Response:
    """Show the campaign; begin to work it out where that has not been done since its files changed."""
    from phasewright.bench import check_folder

    study = desk.study(place)
    key = identity(place.folder)
    job = next((item for item in desk.work.of(place.id) if item.kind == "study"), None)
    if study is not None and study.key == key:
        if request.headers.get("hx-target") == "bench":
            return HTMLResponse(_bench(desk, place, study, request))
        return HTMLResponse(_answered(desk, place, study, request, job))
    checked = check_folder(place.folder)
    if checked.campaign is not None and not checked.campaign.logs and not checked.faults:
        return RedirectResponse(address(place, "logs"), 303)
    if checked.campaign is not None and not checked.campaign.steps and not checked.faults:
        return RedirectResponse(address(place, "record"), 303)
    if not checked.faults and (job is None or not job.active) and (job is None or job.tried != key):
        job = desk.begin_study(place)
        job.tried = key
    page = render(
        "waiting.html.jinja", place=place, job=job, faults=checked.faults,
        name=checked.campaign.name if checked.campaign else place.name,
        simulated=bool(checked.campaign and checked.campaign.simulated),
    )  # fmt: skip
    return HTMLResponse(page)


def _answered(desk: Desk, place: Place, study: Study, request: Request, job: object) -> str:
    query = request.query_params
    number = _number(query.get("step"))
    selected = study.step(number) if number else None
    document = _with_design(study.document)
    sections = [_section(desk, place, study, section, selected, query) for section in document.sections]
    return render(
        "campaign.html.jinja", place=place, study=study, document=document, sections=sections,
        job=job if getattr(job, "active", False) else None, query=query,
    )  # fmt: skip


def _with_design(document: Document) -> Document:
    """Return the document with a place for *What would be enough?* before what is next, or before the trust in it."""
    from phasewright.report import DESIGN_QUESTION, Section, Slot

    sections = [section for section in document.sections if section.anchor != "enough"]
    at = next((n for n, section in enumerate(sections) if section.anchor in ("next", "trust")), len(sections))
    sections.insert(at, Section("enough", DESIGN_QUESTION, (Slot("design"),)))
    return replace(document, sections=tuple(sections))


def _bench(desk: Desk, place: Place, study: Study, request: Request) -> str:
    """Return the section of the bench alone: what another step changes on the page."""
    query = request.query_params
    number = _number(query.get("step"))
    section = next(section for section in study.document.sections if section.anchor == "bench")
    return _section(desk, place, study, section, study.step(number) if number else None, query)


def _number(text: str | None) -> int:
    return int(text) if text and text.isdecimal() and len(text) < 5 else 0


def _section(desk: Desk, place: Place, study: Study, section: Section, selected: object, query: object) -> str:
    """Return a section as HTML: kept where nothing in it depends on the address."""
    from phasewright.report import Figure, Slot, bench_figure, inline_figure, section_html

    if section.anchor not in _LIVE and section.anchor in study.sections:
        return study.sections[section.anchor]
    drawings, slots, shown = study.drawings, {}, ""
    if section.anchor == "bench":
        blocks = []
        for block in section.blocks:
            if isinstance(block, Figure) and block.name == "bench":
                blocks.append(Slot("steps"))
                if selected is not None:
                    block = bench_figure(study.analysis, selected)
                    drawings = {**drawings, "bench": inline_figure(block)}
                shown = str(block.numbers.rows[0][0]) if block.numbers.rows else ""
            blocks.append(block)
        section = replace(section, blocks=tuple(blocks))
        slots["steps"] = _step_strip(place, study, shown, query)
    if section.anchor == "hold":
        section, slots = _ending(section, "pair"), {"pair": asking.pair_html(place, study, query)}
    if section.anchor == "enough":
        slots["design"] = designing.design_html(desk, place)
    if section.anchor == "if":
        section, slots = _ending(section, "ask", first=True), {"ask": asking.whatif_html(place, study, query)}
    told = section_html(
        section, drawings, banner=study.document.banner, slots=slots,
        links=lambda name: address(place, "tables", f"{name}.csv"),
        pictures=lambda name: address(place, "figures", f"{name}.svg"),
    )  # fmt: skip
    if section.anchor not in _LIVE:
        study.sections[section.anchor] = told
    return told


_LIVE = ("bench", "hold", "if", "enough")
"""Sections in which something depends on the address."""


def _ending(section: Section, name: str, *, first: bool = False) -> Section:
    """Return the section with a place for controls behind its blocks, or right behind the first of them."""
    from phasewright.report import Slot

    at = 1 if first else len(section.blocks)
    return replace(section, blocks=(*section.blocks[:at], Slot(name), *section.blocks[at:]))


def _step_strip(place: Place, study: Study, shown: str, query: object) -> str:
    """Return the steps to choose from, each with its verdict; the choice goes into the address."""
    kept = {key: value for key, value in query.items() if key != "step"}
    items = [
        (number, finding, address(place, **kept, step=number) + "#bench", finding.step.name == shown)
        for number, finding in enumerate(study.analysis.steps, start=1)
    ]
    return render("steps.html.jinja", items=items)


def begin_study(desk: Desk, place: Place, request: Request) -> Response:
    """Begin to work the campaign out, again if need be."""
    desk.begin_study(place)
    return Response(status_code=204, headers={"HX-Redirect": address(place)})
