"""What would be enough, on the page: the requirement by form, the search as a job, its answer with figures and files."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from phasewright.app import jobs
from phasewright.app.web.desk import Desk
from phasewright.app.web.fields import Field, by_field, changed, said_in
from phasewright.app.web.files import block_file
from phasewright.app.web.forms import given_words, mark_of, text_of
from phasewright.app.web.shelf import Place
from phasewright.app.web.undoing import keep, last_change, put, remember, texts_of
from phasewright.app.web.view import render
from phasewright.app.web.work import Cancelled, Job
from phasewright.bench import Fault, PhasewrightError, edited

if TYPE_CHECKING:
    from phasewright.design import Design

WAYS = ("less", "more")
REQUIREMENT, CATALOGUE = "requirement.toml", "catalogue.toml"
GROUPS: tuple[tuple[str, tuple[Field, ...]], ...] = (
    ("What it must do", (
        Field("load.rail_voltage", "Rail voltage", example="1.15 V", required=True, step="0.01", ways=WAYS),
        Field("load.rail_current", "Rail current, continuous", example="240 A", required=True, step="5", ways=WAYS),
        Field("load.rail_current_peak", "Rail current, peak", example="290 A", step="5", ways=WAYS),
        Field("load.load_step", "Greatest load step", example="as on the bench", step="5", ways=WAYS),
        Field("load.tolerance_band", "Band around the load line", "To either side.", "as on the bench", step="1", ways=WAYS),
        Field("load.ripple_limit", "Ripple, peak to peak", example="as on the bench", step="1", ways=WAYS),
    )),
    ("Where it stands", (
        Field("surroundings.coolant", "Coolant", choices=("", "air", "liquid")),
        Field("surroundings.coolant_temperature", "Coolant temperature", example="34 degC", required=True, step="1", ways=WAYS),
        Field("surroundings.temperature_limit", "Hottest stage at most", example="as on the bench", step="1", ways=WAYS),
        Field("surroundings.service_life", "Life", example="20000 h", step="1000", ways=WAYS),
        Field("surroundings.board_area", "Board area", "For stages, inductors, capacitors, connectors.", "110 cm2", step="5",
              ways=WAYS),
    )),
    ("How sure, and what it costs", (
        Field("search.confidence", "Chance that every limit is met", example="95 %", step="1", ways=WAYS),
        Field("cost.hours_per_year", "Hours a year", example="2500", step="100", ways=WAYS),
        Field("cost.years", "Years", example="5", step="1", ways=WAYS),
        Field("cost.price", "Price of energy", example="0.30 EUR/kWh", step="0.01", ways=WAYS),
    )),
)  # fmt: skip
FIELDS = tuple(field for _, fields in GROUPS for field in fields)
_FILES = {"requirement": REQUIREMENT, "catalogue": CATALOGUE}


def design_html(desk: Desk, place: Place, *, given: Mapping[str, str] | None = None, faults: tuple[Fault, ...] = (),
                texts: Mapping[str, str] | None = None, told: str = "") -> str:  # fmt: skip
    """Return the section *What would be enough?*: the form, the search under way, and what was found last."""
    kept = {key: text_of(place, name) for key, name in _FILES.items()}
    ready = all((place.folder / name).is_file() for name in _FILES.values()) or (place.folder / "catalogue").is_dir()
    standing = faults or (_faults(place) if ready else ())
    job = next((item for item in desk.work.of(place.id) if item.kind == "design"), None)
    return render(
        "enough.html.jinja", place=place, ready=ready, groups=GROUPS, fields=FIELDS,
        given=given if given is not None else said_in(kept["requirement"], FIELDS), faults=standing,
        wrong=by_field(standing, FIELDS), texts={**kept, **(texts or {})}, told=told,
        marks={key: mark_of(text) for key, text in kept.items()},
        job=job if job is not None and (job.active or job.state in ("failed", "cancelled")) else None,
        answer=_answer(desk, place) if ready and not standing else "", undo=last_change(desk, place),
    )  # fmt: skip


def _faults(place: Place) -> tuple[Fault, ...]:
    try:
        jobs.design_space(place.folder, measured=False)
    except PhasewrightError as error:
        return error.faults
    return ()


def _answer(desk: Desk, place: Place) -> str:
    """Return what was found for the files as they stand, '' where nothing was; drawn anew only when a file has changed."""
    names = [REQUIREMENT, CATALOGUE, "bench.toml", "derived/design.json"]
    names += sorted(path.relative_to(place.folder).as_posix() for path in (place.folder / "catalogue").glob("*.csv"))
    marks = [(name, *_mark(place, name)) for name in names]
    kept = desk.designs.get(place.id)
    if kept is None or kept[0] != marks:
        design = jobs.kept_design(place.folder)
        kept = desk.designs[place.id] = (marks, _told(place, design) if design is not None else "")
    return kept[1]


def _mark(place: Place, name: str) -> tuple[int, int]:
    try:
        facts = (place.folder / name).stat()
    except OSError:
        return 0, 0
    return facts.st_size, facts.st_mtime_ns


def _told(place: Place, design: Design) -> str:
    from phasewright.report import Figure, blocks_html, design_blocks, inline_figure

    blocks = design_blocks(design)
    drawn = {block.name: inline_figure(block) for block in blocks if isinstance(block, Figure)}
    home = f"/campaign/{place.id}/design/files"
    return blocks_html(
        blocks, drawn, banner=_banner(design), links=lambda name: f"{home}/{name}.csv",
        pictures=lambda name: f"{home}/{name}.svg",
    )  # fmt: skip


def _banner(design: Design) -> str:
    return "Simulated data. Parts and prices of this catalogue are invented." if design.catalogue.simulated else ""


def design_part(desk: Desk, place: Place, request: Request) -> Response:
    """Give the section alone."""
    return HTMLResponse(design_html(desk, place))


def begin_catalogue(desk: Desk, place: Place, request: Request) -> Response:
    """Lay down an invented catalogue and requirement to start from; nothing that is there is touched."""
    before = texts_of(place, _FILES.values())
    try:
        jobs.new_design(place.folder)
    except PhasewrightError as error:
        return HTMLResponse(design_html(desk, place, faults=error.faults), 422)
    remember(desk, place, before, "the catalogue that was laid down")
    return HTMLResponse(design_html(desk, place, told="Laid down. Parts and figures are invented: put your own in."))


def begin_design(desk: Desk, place: Place, request: Request) -> Response:
    """Keep what the form says in requirement.toml and begin the search."""
    given, text = given_words(request), text_of(place, REQUIREMENT)
    if not text:
        raise HTTPException(404)
    try:
        fresh = edited(text, changed(given, FIELDS, said_in(text, FIELDS)))
    except ValueError as error:
        faults = (Fault(REQUIREMENT, str(error), "change it in the text below"),)
        return HTMLResponse(design_html(desk, place, given=given, faults=faults), 422)
    before = texts_of(place, (REQUIREMENT,))
    if fresh != text:
        put(place, REQUIREMENT, fresh)
    faults = _faults(place)
    if faults:
        if fresh != text:
            put(place, REQUIREMENT, text)
        return HTMLResponse(design_html(desk, place, given=given, faults=faults), 422)
    remember(desk, place, before, "the requirement’s form")
    desk.work.begin(place.id, "design", "Searching the catalogue", lambda job: _search(place, job))
    return HTMLResponse(design_html(desk, place))


def _search(place: Place, job: Job) -> Any:
    def stopped() -> bool:
        try:
            job.progress(job.fraction, job.text)
        except Cancelled:
            return True
        return False

    try:
        return jobs.design(place.folder, progress=job.progress, cancelled=stopped).verdict.sentence
    except PhasewrightError:
        if stopped():
            raise Cancelled from None
        raise


def save_text(desk: Desk, place: Place, request: Request) -> Response:
    """Replace the requirement or the catalogue by the text of its field."""
    given, key = given_words(request), request.path_params["file"]
    if key not in _FILES:
        raise HTTPException(404)
    name, text = _FILES[key], given.get("text", "").replace("\r\n", "\n")
    if given.get("mark") != mark_of(text_of(place, name)):
        fault = Fault(name, "the file was changed meanwhile, by another page or editor",
                      "copy your text, load this page again, and put your change in")  # fmt: skip
        return HTMLResponse(design_html(desk, place, faults=(fault,), texts={key: text}), 422)
    keep(desk, place, name, text, f"the text of {name}")
    return HTMLResponse(design_html(desk, place, told=f"Kept as {name}."))


def design_file(desk: Desk, place: Place, request: Request) -> Response:
    """Give a table or figure of the design as a file."""
    from phasewright.report import design_blocks

    found = jobs.kept_design(place.folder)
    if found is None:
        raise HTTPException(404)
    return block_file(design_blocks(found), request.path_params["name"], request.path_params["kind"], _banner(found))
