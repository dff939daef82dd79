"""The list of campaigns, and the jobs in hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from phasewright.app import jobs
from phasewright.app.library import INDEX_FILE, Library, marks_of
from phasewright.app.web.desk import Desk
from phasewright.app.web.shelf import Place
from phasewright.app.web.view import render
from phasewright.app.web.work import Job

AT_ONCE = 40
"""Campaigns that are read to show the list; what the index knows need not be read."""


@dataclass(frozen=True, slots=True)
class Listed:
    """What the list says of one campaign."""

    place: Place
    name: str
    board: str
    logs: int
    steps: int
    faults: int
    simulated: bool
    seen: bool = True
    """False: its files were not looked at yet."""


def shelf_page(desk: Desk, request: Request) -> Response:
    """Show every campaign of the folder."""
    if desk.shelf.single:
        return RedirectResponse(f"/campaign/{desk.shelf.places()[0].id}", 303)
    job = next((item for item in desk.work.of("") if item.active and item.kind == "demo"), None)
    page = render("shelf.html.jinja", folder=desk.shelf.folder, items=_all_listed(desk), single=desk.shelf.single, job=job)
    return HTMLResponse(page)


def _all_listed(desk: Desk) -> list[Listed]:
    """Return every campaign: from the library's index where it still holds, else as its files say.

    Of many that the index does not know only the first are looked at now; a job looks at the rest.
    """
    places = desk.shelf.places()
    known: dict[str, Any] = {}
    if len(places) > AT_ONCE or (desk.shelf.folder / INDEX_FILE).is_file():
        with Library(desk.shelf.folder) as library:
            known = library.summaries()
    found, left = [], AT_ONCE
    for place in places:
        kept = known.get(place.name)
        if kept is not None and kept[0] == marks_of(place.folder):
            _, name, board, logs, steps, faults, simulated = kept
            found.append(Listed(place, name or place.name, board, logs, steps, faults, simulated))
        elif left:
            left -= 1
            found.append(_listed(place))
        else:
            found.append(Listed(place, place.name, "", 0, 0, 0, False, seen=False))
    if any(not item.seen for item in found):
        refresh(desk)
    return found


def refresh(desk: Desk) -> Job:
    """Begin to look through the folders in the background."""

    def run(job: Job) -> Any:
        with Library(desk.shelf.folder) as library:
            return library.refresh(job.progress)

    return desk.work.begin("", "library", "Looking through the campaigns", run)


def _listed(place: Place) -> Listed:
    checked = jobs.check(place.folder)
    bench, campaign = checked.bench, checked.campaign
    return Listed(
        place, campaign.name if campaign else place.name, bench.board.name if bench else "",
        len(campaign.logs) if campaign else 0, len(campaign.steps) if campaign else 0, len(checked.faults),
        bool((bench and bench.simulated) or (campaign and campaign.simulated)),
    )  # fmt: skip


def begin_demo(desk: Desk, request: Request) -> Response:
    """Begin to make the simulated demo in a folder of its own."""
    if desk.shelf.single:
        raise HTTPException(404)

    def run(job: Job) -> Any:
        return jobs.demo(desk.shelf.free_folder("demo"), progress=job.progress).folder.name

    job = desk.work.begin("", "demo", "Making the simulated demo", run)
    return HTMLResponse(progress_html(job, "open"))


def progress_html(job: Job, stay: str) -> str:
    """Return how far a job is, as a piece of a page that asks again by itself."""
    return render("job.html.jinja", job=job, stay=stay)


def job_state(desk: Desk, request: Request) -> Response:
    """Tell how far a job is; once it has ended the page that waits for it moves on."""
    job = desk.work.job(request.path_params["job"])
    if job is None:
        raise HTTPException(404)
    stay = request.query_params.get("stay", "")
    answer = HTMLResponse(progress_html(job, stay if stay in ("open", "answers", "here", "logs", "guide") else ""))
    if job.active and job.state != "asking":
        return answer
    if job.state == "failed" or job.state == "cancelled":
        return answer
    if stay == "open" and job.state == "done":
        made = next((place for place in desk.shelf.places() if place.name == job.result), None)
        if made is not None:
            answer.headers["HX-Redirect"] = f"/campaign/{made.id}"
    elif stay in ("answers", "logs", "guide"):
        answer.headers["HX-Refresh"] = "true"
    return answer


def cancel_job(desk: Desk, request: Request) -> Response:
    """Ask a job to end."""
    job = desk.work.job(request.path_params["job"])
    if job is None:
        raise HTTPException(404)
    job.cancel()
    return HTMLResponse(progress_html(job, ""))
