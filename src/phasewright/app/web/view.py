"""Pages as text: one template engine that escapes everything, and the files that a page fetches."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from phasewright.bench import escape


@dataclass(frozen=True, slots=True)
class Asset:
    """A file of the page's own: style, script, licence."""

    kind: str
    body: bytes
    packed: bytes
    """The same, gzipped."""


_SOURCES = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "door.js": "text/javascript; charset=utf-8",
    "htmx.min.js": "text/javascript; charset=utf-8",
    "htmx.LICENSE.txt": "text/plain; charset=utf-8",
    "mark.svg": "image/svg+xml",
}


@cache
def assets() -> Mapping[str, Asset]:
    """Return every static file by the name under which it is served: a digest stands in it, so it may be kept."""
    from phasewright.report import style_sheet

    found = {}
    for name, kind in _SOURCES.items():
        body = (files("phasewright.app.web") / "static" / name).read_bytes()
        if name == "page.css":
            body = style_sheet().encode("utf-8") + b"\n" + body
        digest = hashlib.sha256(body).hexdigest()[:10]
        found[f"{digest}-{name}"] = Asset(kind, body, gzip.compress(body, 6, mtime=0))
    return found


@cache
def asset_address(name: str) -> str:
    """Return the address of the static file called `name`."""
    return "/static/" + next(key for key in assets() if key.endswith("-" + name))


@cache
def _environment() -> Environment:
    from phasewright.report import typeset

    environment = Environment(
        loader=PackageLoader("phasewright.app.web"), autoescape=True, trim_blocks=True, lstrip_blocks=True,
        undefined=StrictUndefined,
    )  # fmt: skip
    environment.globals["asset"] = asset_address
    environment.filters["told"] = lambda text: typeset(escape(str(text), 400))
    environment.filters["shown"] = lambda text: escape(str(text), 400)
    return environment


def render(template: str, **words: Any) -> str:
    """Return the template filled in; every text is escaped unless it is our own markup."""
    return _environment().get_template(template).render(**words)


def door(status: int, what: str) -> bytes:
    """Return the page that stands where nothing else is shown: the way in (401), or why something is refused."""
    return render("door.html.jinja", status=status, what=what).encode("utf-8")
