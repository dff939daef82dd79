"""The document as one HTML file: no script, nothing fetched, one style sheet allowed by its hash."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, Template
from markupsafe import Markup

from phasewright.report.document import Block, Cell, Column, Document, Figure, Layout, Section, Table
from phasewright.report.palette import INKS, SIGNS, VERDICT_INK, theme_css
from phasewright.report.tables import cell_text, head_text, places_of
from phasewright.report.wording import typeset

WIDE, NARROW = 920.0, 350.0


@cache
def style_sheet() -> str:
    """Return the style sheet with the palette written into it."""
    text = (files("phasewright.report") / "guide.css").read_text(encoding="utf-8")
    lights = "".join(f"--{ink.name}:{ink.light};" for ink in INKS.values())
    darks = "".join(f"--{ink.name}:{ink.dark};" for ink in INKS.values())
    verdicts = "".join(f".v-{word}{{--v:var(--{ink})}}" for word, ink in VERDICT_INK.items())
    return (
        f":root{{{lights}}}@media screen and (prefers-color-scheme:dark){{:root{{{darks}}}}}"
        f"{verdicts}{text}{theme_css()}"
    )


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("phasewright.report", ""),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_typeset,
    )
    environment.tests["block"] = lambda block, name: type(block).__name__ == name
    environment.filters |= {"head": _head, "rows": _rows}
    environment.globals["signs"] = SIGNS
    return environment


def _typeset(shown: object) -> object:
    """Return what a template shows: texts as they are set for people, markup of our own as it is."""
    return typeset(shown) if type(shown) is str else shown


@cache
def _section_template() -> Template:
    return _environment().from_string('{% from "blocks.html.jinja" import question with context %}{{ question(section) }}')


@cache
def _blocks_template() -> Template:
    return _environment().from_string(
        '{% from "blocks.html.jinja" import plain with context %}{% for b in blocks %}{{ plain(b) }}{% endfor %}'
    )


def _cell(cell: Cell, column: Column, places: int | None, first: bool) -> Markup:
    """Return a table cell; a value takes two, number and half-width, so that both line up down the column."""
    if column.name == "verdict" and isinstance(cell, str):
        return Markup('<td class="verdict v-{0}"><span aria-hidden="true">{1}</span> {0}</td>').format(
            cell, SIGNS.get(cell, "")
        )
    main, interval = map(typeset, cell_text(cell, column, places))
    if first:
        return Markup('<th scope="row"{}>{}</th>').format(Markup(' class="tight"') if len(main) <= 28 else "", main)
    if column.kind == "value" and column.unit:
        return Markup('<td class="n">{}</td><td class="u">{}</td>').format(main, interval)
    if column.kind != "text":
        return Markup('<td class="n">{}</td>').format(main)
    look = "mono" if column.name == "sha256" else "tight" if len(main) <= 24 else ""
    return Markup('<td class="{}">{}</td>').format(look, main) if look else Markup("<td>{}</td>").format(main)


def _head(column: Column) -> Markup:
    kind = Markup(' class="n"') if column.kind != "text" else ""
    span = Markup(' colspan="2"') if column.kind == "value" and column.unit else ""
    return Markup('<th scope="col"{}{}>{}</th>').format(kind, span, typeset(head_text(column)))


def _rows(table: Table) -> list[Markup]:
    """Return the rows' cells."""
    places = [places_of(table, column) for column in table.columns]
    return [
        Markup("").join(
            _cell(cell, column, at, index == 0)
            for index, (cell, column, at) in enumerate(zip(row, table.columns, places, strict=True))
        )
        for row in table.rows
    ]


def html_text(
    document: Document, drawings: Mapping[str, tuple[str, str]], *, links: Callable[[Figure], str] | None = None
) -> str:
    """Return the whole page.

    Parameters
    ----------
    document
        What to show; every text in it is escaped.
    drawings
        By figure name: the wide and the narrow drawing, as SVG elements of our own making.
    links
        Gives the address of a figure's CSV beside the page; None = no such files.
    """
    style = style_sheet()
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    return (
        _environment()
        .get_template("guide.html.jinja")
        .render(
            document=document,
            banner=document.banner,
            style=Markup(style),
            policy=policy,
            drawings=_safe(drawings),
            links=links,
            pictures=None,
            slots={},
        )
    )


def section_html(
    section: Section,
    drawings: Mapping[str, tuple[str, str]],
    *,
    banner: str = "",
    links: Callable[[str], str] | None = None,
    pictures: Callable[[str], str] | None = None,
    slots: Mapping[str, str] | None = None,
) -> str:
    """Return one section as the guide shows it, to stand in a page that brings `style_sheet`.

    Parameters
    ----------
    section
        What to show; every text in it is escaped.
    drawings
        By figure name: the wide and the narrow drawing, as `inline_figure` gives them.
    banner
        Said with every figure when the data are simulated, else ''.
    links
        Gives the address of a table's CSV by its name; None = no such files.
    pictures
        Gives the address of a figure's SVG by its name; None = no such files.
    slots
        By the name of a Slot in the section: the markup that stands there; it is not escaped.
    """
    return _section_template().render(
        section=section, banner=banner, drawings=_safe(drawings), links=links, pictures=pictures,
        slots={name: Markup(text) for name, text in (slots or {}).items()},
    )  # fmt: skip


def blocks_html(
    blocks: Sequence[Block],
    drawings: Mapping[str, tuple[str, str]],
    *,
    banner: str = "",
    links: Callable[[str], str] | None = None,
    pictures: Callable[[str], str] | None = None,
) -> str:
    """Return blocks as the guide shows them, without a section around them; for the arguments see `section_html`."""
    return _blocks_template().render(
        blocks=blocks, banner=banner, drawings=_safe(drawings), links=links, pictures=pictures, slots={}
    )


def inline_figure(figure: Figure) -> tuple[str, str]:
    """Return a figure as SVG elements for a page that brings `style_sheet`: (wide, narrow)."""
    from phasewright.report import canvas

    wide = canvas.draw_plate(figure, Layout(WIDE), f"{figure.name}-w-")
    narrow = canvas.draw_plate(figure, Layout(NARROW), f"{figure.name}-n-")
    return wide.inline(), narrow.inline()


def figure_file(figure: Figure, banner: str = "") -> str:
    """Return a figure as a whole SVG file, title and reading note in it, legible on light and dark."""
    from phasewright.report import canvas

    return canvas.draw_plate(figure, Layout(WIDE), f"{figure.name}-w-").standalone(banner)


def _safe(drawings: Mapping[str, tuple[str, str]]) -> dict[str, tuple[Markup, Markup]]:
    return {name: (Markup(wide), Markup(narrow)) for name, (wide, narrow) in drawings.items()}
