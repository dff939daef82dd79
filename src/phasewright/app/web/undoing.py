"""What a person changed on the page is remembered with what stood there, and can be taken back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from phasewright.app import jobs
from phasewright.app.web.desk import Desk
from phasewright.app.web.forms import mark_of, text_of
from phasewright.app.web.guard import Refused
from phasewright.app.web.shelf import BENCH_FILE, CAMPAIGN_FILE, Place
from phasewright.bench import keep_text

UNDO_MOST = 100


@dataclass(frozen=True, slots=True)
class Change:
    """One change of one or more files of a campaign."""

    what: str
    """Said on the button that takes it back."""
    before: Mapping[str, str | None]
    """By file: its text before; None = there was no such file."""
    after: Mapping[str, str]
    """By file: a mark of the text that the change left."""


def texts_of(place: Place, names: Iterable[str]) -> dict[str, str | None]:
    """Return the texts of files as they stand; None where there is no such file."""
    return {name: text_of(place, name) if (place.folder / name).is_file() else None for name in names}


def keep(desk: Desk, place: Place, name: str, text: str, what: str) -> None:
    """Replace a file of the campaign, and remember what stood there."""
    before = texts_of(place, (name,))
    put(place, name, text)
    remember(desk, place, before, what)


def put(place: Place, name: str, text: str) -> None:
    """Replace a file of the campaign, whole or not at all; raises BenchFault or Refused where it cannot be written."""
    if name in (BENCH_FILE, CAMPAIGN_FILE):
        keep_text(place.folder, name, text)
        return
    try:
        jobs.write_atomically(place.folder / name, text)
    except OSError as error:
        raise Refused(409, f"{name} cannot be written: {error.strerror or 'no reason given'}.") from None


def remember(desk: Desk, place: Place, before: Mapping[str, str | None], what: str) -> None:
    """Remember what stood in files before they were changed; what did not change is left out."""
    now = texts_of(place, before)
    changed = [name for name, text in before.items() if text != now[name]]
    if changed:
        undo = desk.undo.setdefault(place.id, [])
        undo.append(Change(what, {name: before[name] for name in changed}, {name: mark_of(now[name] or "") for name in changed}))
        del undo[:-UNDO_MOST]


def last_change(desk: Desk, place: Place) -> str:
    """Return what would be taken back, '' = nothing."""
    undo = desk.undo.get(place.id)
    return undo[-1].what if undo else ""


def take_back(desk: Desk, place: Place, request: Request) -> Response:
    """Take back the last change of this start; refused where a file was changed by somebody else since."""
    undo = desk.undo.get(place.id)
    if undo:
        change = undo[-1]
        foreign = [name for name, mark in change.after.items() if mark_of(text_of(place, name)) != mark]
        if foreign:
            raise Refused(409, f"{', '.join(foreign)} was changed since by something else; nothing was taken back.")
        for name, text in change.before.items():
            if text is None:
                (place.folder / name).unlink(missing_ok=True)
            else:
                put(place, name, text)
        undo.pop()
    return Response(status_code=204, headers={"HX-Refresh": "true"})
