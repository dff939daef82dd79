"""Tables and figures of a campaign as files."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from phasewright.app.web.desk import Desk, Study
from phasewright.app.web.shelf import Place


def _study(desk: Desk, place: Place) -> Study:
    study = desk.study(place)
    if study is None:
        raise HTTPException(404)
    return study


def _download(body: str | bytes, kind: str, name: str) -> Response:
    """Return a file to be saved; `name` is one of ours, never a person's."""
    return Response(body, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'})


def table(desk: Desk, place: Place, request: Request) -> Response:
    """Give one table as CSV."""
    from phasewright.report import csv_of

    study = _study(desk, place)
    found = study.tables.get(request.path_params["name"])
    if found is None:
        raise HTTPException(404)
    return _download(csv_of(found, bool(study.document.banner)), "text/csv; charset=utf-8", f"{found.name}.csv")


def figure(desk: Desk, place: Place, request: Request) -> Response:
    """Give one figure as SVG."""
    from phasewright.report import figure_file

    study = _study(desk, place)
    found = study.figures.get(request.path_params["name"])
    if found is None:
        raise HTTPException(404)
    return _download(figure_file(found, study.document.banner), "image/svg+xml", f"{found.name}.svg")
