"""What if, and what differs: settings that are typed or stepped, steps side by side. Nothing is changed by asking."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from phasewright.app import foresee
from phasewright.app.web import files
from phasewright.app.web.desk import Desk, Study
from phasewright.app.web.shelf import Place
from phasewright.app.web.view import render
from phasewright.bench import Fault, PhasewrightError


@dataclass(frozen=True, slots=True)
class Asked:
    """One typed input of what if."""

    name: str
    label: str
    step: str
    start: str
    """What stepping begins from when nothing is typed."""
    low: str = "0"
    high: str = ""
    """Bounds of stepping; '' = none. What is typed is judged by the model."""
    group: str = ""
    """Inputs of a group stand folded together."""


PROTECTION = "Protections and limits"
INPUTS = (
    Asked("phases", "Phases", "1", "1", "1"),
    Asked("load", "Load, W at the package or A on the rail", "10", "300 W", "1"),
    Asked("coolant", "Coolant", "1", "35 degC", "-50"),
    Asked("fan", "Fan duty", "5", "50 %", "0", "100"),
    Asked("pump", "Pump duty", "5", "50 %", "0", "100"),
    Asked("voltage", "Rail voltage", "0.01", "1.1 V", "0.1"),
    Asked("frequency", "Switching frequency", "50", "500 kHz", "50"),
    Asked("ocp", "OCP of one phase", "5", "60 A", "1", group=PROTECTION),
    Asked("total_ocp", "OCP of the whole regulator", "10", "400 A", "1", group=PROTECTION),
    Asked("warning", "Temperature warning", "5", "100 degC", "1", group=PROTECTION),
    Asked("trip", "Over-temperature protection", "5", "115 degC", "1", group=PROTECTION),
    Asked("power_limit", "Power limit of the package", "10", "300 W", "1", group=PROTECTION),
)
ASKING = frozenset(item.name for item in INPUTS) | {"strip"}
PAIR = frozenset(("a", "b"))
VIEW = ASKING | PAIR | {"step"}
"""What of a campaign's page stands in its address."""
LONGEST = 40
KEPT = 24
"""Answers that are kept, so that a page that is opened again costs nothing."""


def inputs_of(study: Study, query: Mapping[str, str]) -> dict[str, str]:
    """Return what is asked: what the address says, else the fewest phases that held at the heaviest load."""
    given = {item.name: query[item.name][:LONGEST] for item in INPUTS if query.get(item.name)}
    campaign, bench = study.analysis.campaign, study.analysis.bench
    if "load" not in given:
        loads = foresee.campaign_loads(campaign)
        key, value = next(iter(loads[0].items())) if loads else ("package_power", 100.0)
        given["load"] = f"{float(value):g} {'W' if key == 'package_power' else 'A'}"
    if "phases" not in given:
        loads = foresee.campaign_loads(campaign)
        heaviest = loads[0].items() if loads else ()
        held = [
            int(float(item.step.settings["phase_count"])) for item in study.analysis.steps
            if item.verdict == "sustained" and "phase_count" in item.step.settings
            and all(item.step.settings.get(key) == value for key, value in heaviest)
        ]  # fmt: skip
        given["phases"] = str(min(held, default=bench.regulator.phase_count))
    return given


def whatif_html(place: Place, study: Study, query: Mapping[str, str]) -> str:
    """Return the inputs with the answer to what the address asks."""
    given = inputs_of(study, query)
    bench = study.analysis.bench
    inputs = [item for item in INPUTS if item.name != "pump" or bench.cooling.coolant == "liquid"]
    return render("whatif.html.jinja", place=place, inputs=inputs, group=PROTECTION, given=given, ready=study.fitted is not None,
                  why=study.unfitted, most=bench.regulator.phase_count,
                  strip=bool(query.get("strip")),
                  result=_answer(place, study, given, query) if study.fitted is not None else "")  # fmt: skip


def ask(desk: Desk, place: Place, request: Request) -> Response:
    """Answer one setting; the address of the page then says what was asked."""
    study = desk.study(place)
    if study is None or study.fitted is None:
        # What a page that was opened before asks while the campaign is worked out anew.
        return HTMLResponse(render("whatif_later.html.jinja", why=study.unfitted if study else ""))
    given = inputs_of(study, request.query_params)
    answer = HTMLResponse(_answer(place, study, given, request.query_params))
    answer.headers["HX-Replace-Url"] = _page(place, request, ASKING)
    return answer


def _answer(place: Place, study: Study, given: Mapping[str, str], query: Mapping[str, str]) -> str:
    """Return the answer to one setting, and every phase count at its load where that is wished."""
    told = _result(place, study, given)
    return told + (_result(place, study, given, _every_count) if query.get("strip") else "")


def _page(place: Place, request: Request, own: frozenset[str]) -> str:
    """Return the address of the campaign's page: what is asked now of `own`, all else as it stood in the address."""
    from urllib.parse import parse_qsl, urlsplit

    before = urlsplit(request.headers.get("hx-current-url", ""))
    kept = {key: value for key, value in parse_qsl(before.query) if key in VIEW - own}
    asked = {key: value for key, value in request.query_params.items() if value and key in own}
    told = urlencode(kept | asked)
    return f"/campaign/{place.id}" + (f"?{told}" if told else "")


def _study(desk: Desk, place: Place) -> Study:
    study = desk.study(place)
    if study is None or study.fitted is None:
        raise HTTPException(404)
    return study


def _settings(study: Study, given: Mapping[str, str], phases: str) -> tuple[Any, ...]:
    options = {key: text for key, text in given.items() if key not in ("phases", "load")}
    return foresee.settings_of(
        phases, (given["load"],), options, bench=study.analysis.bench, campaign=study.analysis.campaign
    )


def _asked(study: Study, given: Mapping[str, str]) -> tuple[Any, ...]:
    """Return the blocks that answer one setting; raises PhasewrightError or ValueError for what cannot be answered."""
    from phasewright.report import prediction_blocks

    settings = _settings(study, given, given["phases"])
    return prediction_blocks(foresee.predict_settings(study.fitted, settings[:1])[0])


def _every_count(study: Study, given: Mapping[str, str]) -> tuple[Any, ...]:
    """Return the figure of every phase count at the load that is asked; raises as `_asked`."""
    from phasewright.report import strip_figure

    return (strip_figure(foresee.predict_settings(study.fitted, _settings(study, given, ""), every_margin=False)),)


def _result(place: Place, study: Study, given: Mapping[str, str], blocks_of: Callable[..., Any] = _asked) -> str:
    """Return an answer as HTML, each figure with its numbers and its files; or why there is none."""
    from phasewright.report import blocks_html

    key = (blocks_of.__name__, urlencode(sorted(given.items())))
    if key in study.asked:
        return study.asked[key]
    try:
        blocks = blocks_of(study, given)
    except PhasewrightError as error:
        return _refusal(error.faults)
    except ValueError as error:
        return _refusal((Fault("", str(error), ""),))
    asked = urlencode(given)
    while len(study.asked) >= KEPT:
        study.asked.pop(next(iter(study.asked)), None)
    study.asked[key] = blocks_html(
        blocks, _drawn(blocks), banner=study.document.banner,
        links=lambda name: f"/campaign/{place.id}/whatif/{name}.csv?{asked}",
        pictures=lambda name: f"/campaign/{place.id}/whatif/{name}.svg?{asked}",
    )  # fmt: skip
    return study.asked[key]


def _refusal(faults: tuple[Fault, ...]) -> str:
    return render("refusal.html.jinja", faults=faults)


def _drawn(blocks: Any) -> dict[str, tuple[str, str]]:
    from phasewright.report import Figure, inline_figure

    return {block.name: inline_figure(block) for block in blocks if isinstance(block, Figure)}


def asked_file(desk: Desk, place: Place, request: Request) -> Response:
    """Give a table or a figure of an answer as a file; the address says what was asked."""
    study = _study(desk, place)
    name, kind = request.path_params["name"], request.path_params["kind"]
    given = inputs_of(study, request.query_params)
    try:
        blocks = (_every_count if name == "asked-phases" else _asked)(study, given)
    except (PhasewrightError, ValueError):
        raise HTTPException(404) from None
    return files.block_file(blocks, name, kind, study.document.banner)


# ---- two steps -------------------------------------------------------------------------------------------------------


def pair_html(place: Place, study: Study, query: Mapping[str, str]) -> str:
    """Return the choice of two steps, and what differs between them."""
    from phasewright.report import blocks_html, pair_table

    first, second = _pair(study, query)
    result = ""
    if first and second:
        link = f"/campaign/{place.id}/pair.csv?a={first}&b={second}"
        table = pair_table(study.analysis.steps[first - 1], study.analysis.steps[second - 1])
        result = blocks_html((table,), {}, banner=study.document.banner, links=lambda name: link)
    names = [(number, item.step.name) for number, item in enumerate(study.analysis.steps, start=1)]
    return render("pair.html.jinja", place=place, names=names, first=first, second=second, result=result)


def _pair(study: Study, query: Mapping[str, str]) -> tuple[int, int]:
    """Return the numbers of the two steps: those of the address, else the baseline and the last that held."""
    steps = study.analysis.steps
    numbers = [int(query.get(key, "")) if query.get(key, "").isdecimal() else 0 for key in ("a", "b")]
    first, second = (number if 1 <= number <= len(steps) else 0 for number in numbers)
    if len(steps) < 2:
        return 0, 0
    baseline = next((n for n, item in enumerate(steps, 1) if item.step.baseline), 1)
    first = first or baseline
    held = [n for n, item in enumerate(steps, 1) if item.verdict == "sustained" and n != first]
    return first, second or (held[-1] if held else 2 if first == 1 else 1)


def pair(desk: Desk, place: Place, request: Request) -> Response:
    """Answer what differs between two steps."""
    study = desk.study(place)
    if study is None:
        raise HTTPException(404)
    answer = HTMLResponse(pair_html(place, study, request.query_params))
    answer.headers["HX-Replace-Url"] = _page(place, request, PAIR)
    return answer


def pair_file(desk: Desk, place: Place, request: Request) -> Response:
    """Give what differs between two steps as CSV."""
    from phasewright.report import pair_table

    study = desk.study(place)
    first, second = _pair(study, request.query_params) if study else (0, 0)
    if study is None or not (first and second):
        raise HTTPException(404)
    table = pair_table(study.analysis.steps[first - 1], study.analysis.steps[second - 1])
    return files.block_file((table,), "pair", "csv", study.document.banner)
