"""New campaigns by form, the bench by form or as text, steps; every change can be taken back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from phasewright.app import jobs
from phasewright.app.foresee import identity
from phasewright.app.web.answers import address
from phasewright.app.web.desk import Desk
from phasewright.app.web.fields import (
    BENCH_FIELDS,
    BENCH_GROUPS,
    CAMPAIGN_NAME,
    RECORD_FIELDS,
    STEP_FIELDS,
    by_field,
    changed,
    missing,
    said_in,
)
from phasewright.app.web.forms import given_words, mark_of, text_of
from phasewright.app.web.shelf import BENCH_FILE, CAMPAIGN_FILE, Place
from phasewright.app.web.undoing import keep, last_change
from phasewright.app.web.view import render
from phasewright.bench import Fault, PhasewrightError, edited, file_faults, keep_text, new_text, without_block

_FILES = {"bench": BENCH_FILE, "campaign": CAMPAIGN_FILE}


def new_page(desk: Desk, request: Request) -> Response:
    """Show the form of a new campaign."""
    if desk.shelf.single:
        raise HTTPException(404)
    return HTMLResponse(_new_html({"campaign-name": ""}, ()))


def _new_html(given: Mapping[str, str], faults: tuple[Fault, ...]) -> str:
    return render("new.html.jinja", groups=BENCH_GROUPS, campaign=CAMPAIGN_NAME, given=given, faults=faults,
                  wrong=by_field(faults, BENCH_FIELDS)
                  | ({"campaign-name": found} if (found := _named(faults)) else {}))  # fmt: skip


def _named(faults: tuple[Fault, ...]) -> Fault | None:
    return next((fault for fault in faults if fault.file == CAMPAIGN_FILE), None)


def make_campaign(desk: Desk, request: Request) -> Response:
    """Lay down a campaign folder from the form, both files written."""
    if desk.shelf.single:
        raise HTTPException(404)
    given = given_words(request)
    name = " ".join(given.get("campaign-name", "").split())
    before = said_in(new_text(BENCH_FILE), BENCH_FIELDS)
    bench = edited(new_text(BENCH_FILE), changed(given, BENCH_FIELDS, before))
    campaign = edited(new_text(CAMPAIGN_FILE), {"name": name or "x"})
    faults = missing({"name": name}, (CAMPAIGN_NAME,), CAMPAIGN_FILE) + missing(given, BENCH_FIELDS, BENCH_FILE)
    known = {fault.path for fault in faults}
    faults += tuple(fault for fault in file_faults(BENCH_FILE, bench) if fault.path not in known)
    faults += file_faults(CAMPAIGN_FILE, campaign)
    if faults:
        return HTMLResponse(_new_html(given, faults), 422)
    folder = desk.shelf.free_folder(name)
    jobs.new(folder)
    keep_text(folder, BENCH_FILE, bench)
    keep_text(folder, CAMPAIGN_FILE, campaign)
    place = next(place for place in desk.shelf.places() if place.folder == folder)
    return Response(status_code=204, headers={"HX-Redirect": address(place, "logs")})


# ---- the bench -------------------------------------------------------------------------------------------------------


def bench_page(desk: Desk, place: Place, request: Request) -> Response:
    """Show the bench as a form, and both files as text."""
    return HTMLResponse(_bench_html(desk, place, None, ()))


def _bench_html(desk: Desk, place: Place, given: Mapping[str, str] | None, faults: tuple[Fault, ...],
                texts: Mapping[str, str] | None = None, told: str = "") -> str:  # fmt: skip
    kept = {key: text_of(place, name) for key, name in _FILES.items()}
    checked = jobs.check(place.folder)
    return render(
        "bench.html.jinja", place=place, name=checked.campaign.name if checked.campaign else place.name,
        groups=BENCH_GROUPS, given=given if given is not None else said_in(kept["bench"], BENCH_FIELDS), faults=faults,
        wrong=by_field(faults, BENCH_FIELDS), texts={**kept, **(texts or {})},
        marks={key: mark_of(text) for key, text in kept.items()}, standing=checked.faults, cautions=checked.cautions,
        undo=last_change(desk, place), told=told,
    )  # fmt: skip


def save_bench(desk: Desk, place: Place, request: Request) -> Response:
    """Change lines of bench.toml from the form."""
    given, text = given_words(request), text_of(place, BENCH_FILE)
    try:
        fresh = edited(text, changed(given, BENCH_FIELDS, said_in(text, BENCH_FIELDS)))
    except ValueError as error:
        faults: tuple[Fault, ...] = (Fault(BENCH_FILE, str(error), "change it in the text below"),)
        return HTMLResponse(_bench_html(desk, place, given, faults), 422)
    known = {(fault.path, fault.what) for fault in file_faults(BENCH_FILE, text)}
    faults = tuple(fault for fault in file_faults(BENCH_FILE, fresh) if (fault.path, fault.what) not in known)
    if faults:
        return HTMLResponse(_bench_html(desk, place, given, faults), 422)
    keep(desk, place, BENCH_FILE, fresh, "the bench’s form")
    return HTMLResponse(_bench_html(desk, place, None, (), told="Kept in bench.toml."))


def save_text(desk: Desk, place: Place, request: Request) -> Response:
    """Replace one of the files by the text of its field."""
    given = given_words(request)
    key = request.path_params["file"]
    if key not in _FILES:
        raise HTTPException(404)
    text = given.get("text", "").replace("\r\n", "\n")
    if given.get("mark") != mark_of(text_of(place, _FILES[key])):
        fault = Fault(_FILES[key], "the file was changed meanwhile, by another page or editor",
                      "copy your text, load this page again, and put your change in")  # fmt: skip
        return HTMLResponse(_bench_html(desk, place, None, (fault,), {key: text}), 422)
    keep(desk, place, _FILES[key], text, f"the text of {_FILES[key]}")
    return HTMLResponse(_bench_html(desk, place, None, (), told=f"Kept as {_FILES[key]}."))


# ---- steps -----------------------------------------------------------------------------------------------------------


def steps_html(desk: Desk, place: Place, *, open_step: int = 0, given: Mapping[str, str] | None = None,
               faults: tuple[Fault, ...] = (), told: str = "") -> str:  # fmt: skip
    """Return the steps of the campaign as forms, one that is open with what was typed into it."""
    text = text_of(place, CAMPAIGN_FILE)
    count = _count(text)
    rows = [(number, said_in(text, STEP_FIELDS, ("step", number))) for number in range(1, count + 1)]
    if open_step:
        rows = [(number, dict(given or {}) if number == open_step else said) for number, said in rows]
    extra = dict(given or {}) if open_step == count + 1 else {}
    study = desk.study(place)
    found = {finding.step.name: finding for finding in study.analysis.steps} if study else {}
    stale = study is not None and study.key != identity(place.folder)
    return render(
        "steps_edit.html.jinja", place=place, rows=rows, fields=STEP_FIELDS, record=RECORD_FIELDS,
        said=dict(given or {}) if open_step == -1 else said_in(text, RECORD_FIELDS), extra=extra, count=count,
        open_step=open_step, faults=faults, found=found, told=told, stale=stale,
        now={name: _now(finding) for name, finding in found.items()}, undo=last_change(desk, place),
        wrong=by_field(faults, RECORD_FIELDS if open_step == -1 else STEP_FIELDS,
                       "" if open_step == -1 else f"step[{open_step}]."),
    )  # fmt: skip


def _now(finding: Any) -> dict[str, str]:
    """Return what was found for a step's edges: it stands where nothing is stated, and stepping begins from it."""
    span, window = finding.span, finding.window
    said = {}
    if not finding.step.clock:
        said = {"start": f"{span.start_s:.1f} s", "end": f"{span.end_s:.1f} s"}
    if window.found:
        said |= {"window_start": f"{window.start_s - span.start_s:.1f} s", "window_end": f"{window.end_s - span.start_s:.1f} s"}
    return said


def _count(text: str) -> int:
    import tomllib

    try:
        steps = tomllib.loads(text).get("step", [])
    except tomllib.TOMLDecodeError:
        return 0
    return len(steps) if isinstance(steps, list) else 0


def save_step(desk: Desk, place: Place, request: Request) -> Response:
    """Change one step, or add one behind the last."""
    number = int(request.path_params["number"])
    text = text_of(place, CAMPAIGN_FILE)
    if not 1 <= number <= _count(text) + 1:
        raise HTTPException(404)
    given = given_words(request)
    before = said_in(text, STEP_FIELDS, ("step", number))
    faults = tuple(
        Fault(item.file, item.what, item.mend, path=f"step[{number}].{item.path}")
        for item in missing(given, STEP_FIELDS, CAMPAIGN_FILE)
    )
    what = f"the new step {number}" if number > _count(text) else f"the change of step {number}"
    return _save(desk, place, text, changed(given, STEP_FIELDS, before, f"step.{number}."), faults, number, given, what)


def save_record(desk: Desk, place: Place, request: Request) -> Response:
    """Change how steps and windows are found."""
    text, given = text_of(place, CAMPAIGN_FILE), given_words(request)
    return _save(desk, place, text, changed(given, RECORD_FIELDS, said_in(text, RECORD_FIELDS)), (), -1, given,
                 "how steps are found")  # fmt: skip


def _save(desk: Desk, place: Place, text: str, values: Mapping[str, str | None], faults: tuple[Fault, ...],
          number: int, given: Mapping[str, str], what: str) -> Response:  # fmt: skip
    try:
        fresh = edited(text, values)
    except ValueError as error:
        faults += (Fault(CAMPAIGN_FILE, str(error), "change it in the text on the page Bench"),)
        fresh = text
    known = {(fault.path, fault.what) for fault in file_faults(CAMPAIGN_FILE, text)}
    if not faults:
        faults = tuple(f for f in file_faults(CAMPAIGN_FILE, fresh) if (f.path, f.what) not in known)
    if faults:
        return HTMLResponse(steps_html(desk, place, open_step=number, given=given, faults=faults), 422)
    keep(desk, place, CAMPAIGN_FILE, fresh, what)
    return HTMLResponse(steps_html(desk, place, told="Kept in campaign.toml."))


def remove_step(desk: Desk, place: Place, request: Request) -> Response:
    """Take one step out of the list; it can be taken back."""
    number = int(request.path_params["number"])
    try:
        fresh = without_block(text_of(place, CAMPAIGN_FILE), "step", number)
    except (ValueError, PhasewrightError):
        raise HTTPException(404) from None
    keep(desk, place, CAMPAIGN_FILE, fresh, f"that step {number} was taken out")
    return HTMLResponse(steps_html(desk, place, told="Taken out of campaign.toml."))
