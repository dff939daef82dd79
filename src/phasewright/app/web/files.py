"""Tables and figures of a campaign as files."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from phasewright.app.web.desk import Desk, Study
from phasewright.app.web.shelf import Place

if TYPE_CHECKING:
    from phasewright.report import Figure, Table


def _study(desk: Desk, place: Place) -> Study:
    study = desk.study(place)
    if study is None:
        raise HTTPException(404)
    return study


def download(body: str | bytes, kind: str, name: str) -> Response:
    """Return a file to be saved; `name` is one of ours, never a person's."""
    return Response(body, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'})


def table(desk: Desk, place: Place, request: Request) -> Response:
    """Give one table as CSV."""
    study = _study(desk, place)
    return _table(study.tables.get(request.path_params["name"]), study.document.banner)


def figure(desk: Desk, place: Place, request: Request) -> Response:
    """Give one figure as SVG."""
    study = _study(desk, place)
    return _figure(study.figures.get(request.path_params["name"]), study.document.banner)


def block_file(blocks: Iterable[Any], name: str, kind: str, banner: str) -> Response:
    """Give the table or the figure called `name` among `blocks`, folded ones included, as csv or svg."""
    from phasewright.report import Figure, Table

    inner = [part for block in blocks for part in getattr(block, "blocks", (block,))]
    drawn = {block.name: block for block in inner if isinstance(block, Figure)}
    if kind not in ("csv", "svg"):
        raise HTTPException(404)
    if kind == "svg":
        return _figure(drawn.get(name), banner)
    tables = {block.name: block for block in inner if isinstance(block, Table)}
    tables |= {block.numbers.name: block.numbers for block in drawn.values()}
    return _table(tables.get(name), banner)


def _table(found: Table | None, banner: str) -> Response:
    from phasewright.report import csv_of

    if found is None:
        raise HTTPException(404)
    return download(csv_of(found, bool(banner)), "text/csv; charset=utf-8", f"{found.name}.csv")


def _figure(found: Figure | None, banner: str) -> Response:
    from phasewright.report import figure_file

    if found is None:
        raise HTTPException(404)
    return download(figure_file(found, banner), "image/svg+xml", f"{found.name}.svg")
