"""The routes: which address shows or does what."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from phasewright.app.web import (
    answers,
    asking,
    bringing,
    clocks,
    designing,
    edges,
    files,
    library,
    live,
    making,
    publishing,
    record,
    shelving,
    undoing,
)
from phasewright.app.web.desk import Desk
from phasewright.app.web.guard import OPEN_PATH, Gate, Guard, Refused
from phasewright.app.web.shelf import Place, Shelf
from phasewright.app.web.view import assets, door
from phasewright.app.web.work import Work, new_failure

LOG = logging.getLogger("phasewright.page")
Handler = Callable[[Request], Awaitable[Response]]


def make_site(shelf: Shelf, gate: Gate) -> tuple[Guard, Desk]:
    """Return the page as an ASGI application, and the desk behind it."""
    desk = Desk(shelf, Work())

    def of_campaign(show: Callable[..., Response]) -> Handler:
        async def handle(request: Request) -> Response:
            place = desk.shelf.find(request.path_params["campaign"])
            if place is None:
                raise HTTPException(404)
            await _take_body(request)
            return await run_in_threadpool(show, desk, place, request)

        return handle

    def of_desk(show: Callable[..., Response]) -> Handler:
        async def handle(request: Request) -> Response:
            await _take_body(request)
            return await run_in_threadpool(show, desk, request)

        return handle

    async def upload(request: Request) -> Response:
        place = desk.shelf.find(request.path_params["campaign"])
        if place is None:
            raise HTTPException(404)
        return await bringing.upload(desk, place, request)

    def logs_page(desk: Desk, place: Place, request: Request) -> Response:
        return bringing.logs_page(desk, place, request, gate.upload_most)

    async def session(request: Request) -> Response:
        await _take_body(request)
        answer = Response(status_code=204)
        answer.set_cookie(gate.cookie, gate.session, httponly=True, samesite="strict", path="/")
        return answer

    campaign = "/campaign/{campaign}"
    routes = [
        Route("/", of_desk(shelving.shelf_page)),
        Route(OPEN_PATH, session, methods=["POST"]),
        Route("/static/{name}", _static),
        Route("/demo", of_desk(shelving.begin_demo), methods=["POST"]),
        Route("/job/{job}", of_desk(shelving.job_state)),
        Route("/job/{job}/cancel", of_desk(shelving.cancel_job), methods=["POST"]),
        Route("/job/{job}/map", of_desk(bringing.map_state)),
        Route("/job/{job}/map", of_desk(bringing.answer_map), methods=["POST"]),
        Route("/library", of_desk(library.library_page)),
        Route("/library/answer", of_desk(library.ask_library)),
        Route("/library/refresh", of_desk(library.refresh), methods=["POST"]),
        Route("/library/{number:int}/{name}.{kind}", of_desk(library.library_file)),
        Route("/new", of_desk(making.new_page)),
        Route("/new", of_desk(making.make_campaign), methods=["POST"]),
        Route(campaign, of_campaign(answers.campaign_page)),
        Route(campaign + "/whatif", of_campaign(asking.ask)),
        Route(campaign + "/whatif/{name}.{kind}", of_campaign(asking.asked_file)),
        Route(campaign + "/pair", of_campaign(asking.pair)),
        Route(campaign + "/pair.csv", of_campaign(asking.pair_file)),
        Route(campaign + "/design", of_campaign(designing.design_part)),
        Route(campaign + "/design", of_campaign(designing.begin_design), methods=["POST"]),
        Route(campaign + "/design/new", of_campaign(designing.begin_catalogue), methods=["POST"]),
        Route(campaign + "/design/text/{file}", of_campaign(designing.save_text), methods=["POST"]),
        Route(campaign + "/design/files/{name}.{kind}", of_campaign(designing.design_file)),
        Route(campaign + "/guide", of_campaign(publishing.guide_page)),
        Route(campaign + "/guide", of_campaign(publishing.begin_guide), methods=["POST"]),
        Route(campaign + "/guide/markdown.zip", of_campaign(publishing.blog_file)),
        Route(campaign + "/guide/files/{name:path}", of_campaign(publishing.guide_file)),
        Route(campaign + "/package", of_campaign(publishing.begin_package), methods=["POST"]),
        Route(campaign + "/package.zip", of_campaign(publishing.package_file)),
        Route(campaign + "/bench", of_campaign(making.bench_page)),
        Route(campaign + "/bench", of_campaign(making.save_bench), methods=["POST"]),
        Route(campaign + "/text/{file}", of_campaign(making.save_text), methods=["POST"]),
        Route(campaign + "/undo", of_campaign(undoing.take_back), methods=["POST"]),
        Route(campaign + "/run", of_campaign(live.run_page)),
        Route(campaign + "/run/now", of_campaign(live.run_now)),
        Route(campaign + "/run/begin", of_campaign(live.begin_run), methods=["POST"]),
        Route(campaign + "/run/say", of_campaign(live.say_word), methods=["POST"]),
        Route(campaign + "/record", of_campaign(record.record_page)),
        Route(campaign + "/record/{what}.{kind}", of_campaign(record.timeline_as_file)),
        Route(campaign + "/timeline", of_campaign(record.timeline)),
        Route(campaign + "/found", of_campaign(making.save_record), methods=["POST"]),
        Route(campaign + "/steps/{number:int}", of_campaign(making.save_step), methods=["POST"]),
        Route(campaign + "/steps/{number:int}/look", of_campaign(edges.look)),
        Route(campaign + "/clocks/{number:int}", of_campaign(clocks.save_clock), methods=["POST"]),
        Route(campaign + "/steps/{number:int}/remove", of_campaign(making.remove_step), methods=["POST"]),
        Route(campaign + "/logs", of_campaign(logs_page)),
        Route(campaign + "/logs", upload, methods=["PUT"]),
        Route(campaign + "/read", of_campaign(bringing.read_again), methods=["POST"]),
        Route(campaign + "/study", of_campaign(answers.begin_study), methods=["POST"]),
        Route(campaign + "/tables/{name}.csv", of_campaign(files.table)),
        Route(campaign + "/figures/{name}.svg", of_campaign(files.figure)),
    ]
    app = Starlette(
        routes=routes,
        middleware=[Middleware(GZipMiddleware, minimum_size=1000, compresslevel=3)],
        exception_handlers={HTTPException: _not_here, Refused: _refused, Exception: _failed},
    )
    def methods(path: str) -> frozenset[str]:
        return frozenset().union(*(route.methods or () for route in routes if route.path_regex.match(path)))

    return Guard(app, gate, door, methods), desk


async def _take_body(request: Request) -> None:
    """Read what a change says, an object of texts whether it is needed or not; the guard has capped it."""
    if request.method == "POST":
        request.scope["phasewright.body"] = await request.body()
        making.given_words(request)


def _static(request: Request) -> Response:
    asset = assets().get(request.path_params["name"])
    if asset is None:
        raise HTTPException(404)
    headers = {"cache-control": "public, max-age=31536000, immutable", "vary": "accept-encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(asset.packed, media_type=asset.kind, headers=headers | {"content-encoding": "gzip"})
    return Response(asset.body, media_type=asset.kind, headers=headers)


async def _not_here(request: Request, error: Any) -> Response:
    what = {
        400: "That is no form of this page: an object of texts is sent.",
        404: "There is nothing at this address. The campaign may have been moved, or the address is not whole.",
    }.get(error.status_code, "That cannot be answered.")
    return HTMLResponse(door(error.status_code, what), error.status_code, headers=error.headers)


async def _refused(request: Request, error: Any) -> Response:
    return HTMLResponse(door(error.status, error.what), error.status, headers={"connection": "close"})


async def _failed(request: Request, error: Exception) -> Response:
    name = new_failure(request.method, request.url.path)
    what = f"Something unforeseen happened. The log of the server tells more under {name}; nothing was changed."
    return HTMLResponse(door(500, what), 500)
