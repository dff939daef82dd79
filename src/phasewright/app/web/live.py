"""The run at the bench: what the board of a run shows, and the words that are said to it.

The run is a process of its own, and the recorder another: this page only reads the board and puts words on it. It may be
closed, lag or die, and be opened again.
"""

from __future__ import annotations

import hashlib
import math
import time
from collections.abc import Mapping
from typing import Any

from jinja2 import UndefinedError
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from phasewright.app import jobs
from phasewright.app.recording_board import ALWAYS, WORDS_OF, Seen, look, say
from phasewright.app.recording_files import steps_to_run
from phasewright.app.recording_words import by_hand, duration
from phasewright.app.web.desk import Desk
from phasewright.app.web.making import given_words
from phasewright.app.web.shelf import Place
from phasewright.app.web.view import render
from phasewright.bench import Fault, PhasewrightError

WIDE, HIGH = 240.0, 40.0
TAKEN_S = 1.5
"""[s] A word is waited for so long before the page shows what is there."""


NOT_OURS = (KeyError, TypeError, ValueError, AttributeError, UndefinedError)
"""What a board raises that no run of ours wrote."""


def run_page(desk: Desk, place: Place, request: Request) -> Response:
    """Show the run that is under way, or how the last one went and what is left to be run."""
    return HTMLResponse(_page(place, ()))


def run_now(desk: Desk, place: Place, request: Request) -> Response:
    """Answer the page that asks again and again: the moment alone, or all of it where more than numbers has changed."""
    seen = look(place.folder)
    if seen is not None and seen.under_way and request.query_params.get("shape") == shape_of(seen):
        try:
            return HTMLResponse(_moment(seen))
        except NOT_OURS:
            seen = None
    answer = HTMLResponse(_section(place, seen, ()))
    answer.headers["HX-Retarget"] = "#run"
    answer.headers["HX-Reswap"] = "outerHTML"
    return answer


def begin_run(desk: Desk, place: Place, request: Request) -> Response:
    """Begin a run in a process of its own; one that is under way is shown."""
    given_words(request)
    faults: tuple[Fault, ...] = ()
    seen = look(place.folder)
    if seen is None or not seen.under_way:
        try:
            jobs.begin_record(place.folder)
        except PhasewrightError as error:
            faults = error.faults
    return HTMLResponse(_section(place, look(place.folder), faults), 422 if faults else 200)


def say_word(desk: Desk, place: Place, request: Request) -> Response:
    """Say a word to the run that the page shows: an answer to its question, or stop, or next."""
    given = given_words(request)
    word, run = given.get("say", ""), given.get("run", "")
    seen = look(place.folder)
    # A run that is not heard may still listen, and stop is never refused for that.
    if seen is None or seen.state["run"] != run or not (seen.under_way or (seen.lost and word == "stop")):
        return _refused(place, seen, Fault("", "That run is not under way any more", "see what became of it"))
    asked = seen.state["asked"]
    number = None if word in ALWAYS else _whole(given.get("to", ""))
    if word not in ALWAYS and (asked is None or number != asked.get("number") or word not in WORDS_OF.get(asked["kind"], ())):
        return _refused(place, seen, Fault("", "That question has been answered already", "see what is asked now"))
    try:
        say(place.folder, run, word, number)
    except OSError as error:
        return _refused(place, seen, Fault("derived/live", f"the word could not be said ({error.strerror or error})",
                                           "say it at the terminal"))
    before, until = shape_of(seen), time.monotonic() + TAKEN_S
    while time.monotonic() < until and seen is not None and shape_of(seen) == before:
        time.sleep(0.05)
        seen = look(place.folder)
    return HTMLResponse(_section(place, seen, ()))


def _refused(place: Place, seen: Seen | None, fault: Fault) -> Response:
    return HTMLResponse(_section(place, seen, (fault,)), 422)


def _whole(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None


def shape_of(seen: Seen) -> str:
    """Return a digest of all but the numbers that change from second to second."""
    state, frame = seen.state, seen.state.get("frame") or {}
    asked = state.get("asked") or {}
    parts = (state["run"], state["state"], seen.under_way, asked.get("number"), frame.get("step"), frame.get("phase"),
             frame.get("alarm"), len(state.get("told", ())), (state.get("told") or [""])[-1], frame.get("said"))
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:16]


def _page(place: Place, faults: tuple[Fault, ...]) -> str:
    checked, seen = jobs.check(place.folder), look(place.folder)
    simulated = bool((checked.bench and checked.bench.simulated) or (checked.campaign and checked.campaign.simulated))
    return render("live.html.jinja", place=place, name=checked.campaign.name if checked.campaign else place.name,
                  simulated=simulated, section=_section(place, seen, faults))  # fmt: skip


def _section(place: Place, seen: Seen | None, faults: tuple[Fault, ...]) -> str:
    if seen is not None and seen.under_way:
        try:
            return render("live_run.html.jinja", place=place, state=seen.state, shape=shape_of(seen), moment=_moment(seen),
                          faults=faults)  # fmt: skip
        except NOT_OURS:
            # The board is a file in the campaign's folder: what is not as our own runs write it is not shown.
            seen = None
    checked = jobs.check(place.folder)
    left: tuple = ()
    if checked.campaign is not None:
        try:
            left = tuple((step.name, by_hand(step.settings)) for step in steps_to_run(place.folder, checked.campaign))
        except PhasewrightError:
            left = ()
    wired = checked.bench is not None and any(item.connection is not None and item.connection.kind
                                              for item in checked.bench.instruments)  # fmt: skip
    words = {"place": place, "left": left, "wired": wired, "standing": checked.faults, "faults": faults}
    try:
        return render("live_rest.html.jinja", last=None if seen is None else _last(seen), **words)
    except NOT_OURS:
        return render("live_rest.html.jinja", last=None, **words)


def _last(seen: Seen) -> Mapping[str, Any] | None:
    """Return how the last run ended, such that the page can show it."""
    if seen.lost:
        return {"silent": "a long time" if seen.age > 3600.0 else duration(seen.age), "run": seen.state["run"],
                "steps": seen.state["steps"]}
    result = seen.state["result"] or {}
    steps = result.get("steps", [])
    sound = isinstance(steps, list) and all(isinstance(item, list) and len(item) == 3 for item in steps)
    return result if sound and isinstance(result.get("done", []), list) and isinstance(result.get("faults", []), list) else None


def _moment(seen: Seen) -> str:
    frame = seen.state.get("frame")
    if not isinstance(frame, dict):
        return render("live_moment.html.jinja", frame=None, lines=(), age=seen.age)
    lines = [{**line, "svg": course(line.get("course") or (), line.get("bound"))} for line in frame["lines"]]
    return render("live_moment.html.jinja", frame=frame, lines=lines, age=seen.age)


def course(points: Any, bound: Any) -> dict[str, str] | None:
    """Return the drawing of a channel's course since the phase began; None where there is nothing to draw.

    The band runs from the lowest to the highest reading of each stretch, so that no extreme is lost.
    """
    known = [(float(t), float(low), float(high)) for t, low, high in points if math.isfinite(low) and math.isfinite(high)]
    if len(known) < 2:
        return None
    first, last = known[0][0], known[-1][0]
    low, high = min(item[1] for item in known), max(item[2] for item in known)
    near = isinstance(bound, int | float) and math.isfinite(bound) and bound - high <= 1.5 * (high - low)
    top = max(high, float(bound)) if near else high
    room = max(top - low, 1e-9 * max(abs(top), 1.0))

    def x(t: float) -> str:
        return f"{(t - first) / max(last - first, 1e-9) * WIDE:.1f}"

    def y(value: float) -> str:
        return f"{2.0 + (top - value) / room * (HIGH - 4.0):.1f}"

    band = [f"{x(t)},{y(up)}" for t, _, up in known] + [f"{x(t)},{y(down)}" for t, down, _ in reversed(known)]
    return {"band": " ".join(band), "bound": y(float(bound)) if near else "", "low": f"{low:.4g}", "high": f"{high:.4g}",
            "seconds": f"{last - first:.0f}"}
