"""The document as PDF, set by Typst (the optional extra `pdf`): tagged, figures as vectors, tables attached as CSV.

Nothing that people or instruments wrote ever becomes Typst source: the template is a file of ours, and the document
goes to it as data, which it sets as text.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from phasewright.bench import Fault, NotReady
from phasewright.report.document import (
    Answers,
    Block,
    Bullets,
    Cautions,
    Column,
    Document,
    Figure,
    Fold,
    Formula,
    Heading,
    Method,
    Paragraph,
    StepCard,
    Table,
)
from phasewright.report.palette import INKS, SIGNS, VERDICT_INK
from phasewright.report.tables import cell_text, csv_of, head_text, places_of
from phasewright.report.wording import typeset

__all__ = ["PRINT", "can_set_pdf", "pdf_of", "require_pdf"]

PRINT = 760.0
"""Width at which figures are drawn for paper [px]; set on 170 mm, their common text is 7 pt."""
PAGE = 481.89
"""Width of the page between its margins [pt]."""
TALL = 300.0
"""Height from which a figure stands on top or at the foot of a page [pt], so that text fills what it leaves."""
LONGEST_WORD = 30
"""Characters after which a word may break in a line."""

_BREAK = "\u200b"
_SHORT_BANNER = "Simulated data: nothing here was measured."


def can_set_pdf() -> bool:
    """Tell whether what sets a PDF is installed."""
    return find_spec("typst") is not None


def require_pdf() -> None:
    """Raise NotReady, with the mend, where what sets a PDF is not installed."""
    if not can_set_pdf():
        raise NotReady(
            Fault("", "a PDF cannot be set: the package typst is not installed", "pip install 'phasewright[pdf]'")
        )


def pdf_of(document: Document, drawings: Mapping[str, tuple[str, float, float]]) -> bytes:
    """Return the document as a tagged PDF (PDF/UA-1), the same bytes every time.

    Parameters
    ----------
    document
        What to show.
    drawings
        By figure name: the SVG file of the figure drawn in Layout(PRINT), its width and height [px].

    Raises
    ------
    NotReady
        Where the package typst is not installed.
    """
    require_pdf()
    import typst

    told = json.dumps(_told(document, drawings), ensure_ascii=False)
    source = (files("phasewright.report") / "guide.typ").read_bytes()
    return typst.compile(
        source, format="pdf", font_paths=_fonts(typst, told), sys_inputs={"told": told}, pdf_standards=["ua-1"]
    )


def _fonts(typst: Any, text: str) -> Any:
    """Return the fonts to set with: those that come along, so that every machine gives the same page.

    Fonts of the machine are added only where the text holds signs that ours have not.
    """
    import matplotlib
    from matplotlib.ft2font import FT2Font

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    known = FT2Font(str(folder / "DejaVuSans.ttf")).get_charmap()
    foreign = any(ord(sign) not in known for sign in set(text) if sign.isprintable())
    return typst.Fonts(include_system_fonts=foreign, font_paths=[str(folder)])


# ---- the document as plain data ----------------------------------------------------------------------------------------


def _told(document: Document, drawings: Mapping[str, tuple[str, float, float]]) -> dict[str, Any]:
    facts = dict(document.facts)
    return {
        "title": _soft(document.title),
        "head": typeset(document.title if len(document.title) <= 80 else document.title[:78].rstrip() + "…"),
        "author": [],
        "subtitle": "" if document.subtitle == document.title else document.subtitle,
        "banner": document.banner,
        "short-banner": _SHORT_BANNER if document.banner else "",
        "software": facts.get("Computed with", ""),
        "facts": [[name, _soft(text)] for name, text in document.facts],
        "chapters": [
            {"anchor": s.anchor, "question": s.question, "blocks": _blocks(s.blocks, drawings)}
            for s in document.sections
        ],
        "colophon": list(document.colophon),
        "files": [
            {"name": f"{t.name}.csv", "title": t.title, "text": csv_of(t, bool(document.banner))}
            for t in document.tables()
        ],
        "inks": {ink.name: ink.light for ink in INKS.values()},
        "signs": SIGNS,
        "verdicts": VERDICT_INK,
    }


def _soft(text: str) -> str:
    """Return `text` as it is set for people, with places to break inside words that no line could hold."""
    return re.sub(
        rf"\S{{{LONGEST_WORD},}}",
        lambda found: _BREAK.join(found[0][i : i + 12] for i in range(0, len(found[0]), 12)),
        typeset(text),
    )


def _blocks(blocks: Sequence[Block], drawings: Mapping[str, tuple[str, float, float]]) -> list[dict[str, Any]]:
    return [told for block in blocks for told in _block(block, drawings)]


def _block(block: Block, drawings: Mapping[str, tuple[str, float, float]]) -> list[dict[str, Any]]:
    if isinstance(block, Figure):
        return [_figure(block, drawings[block.name])]
    if isinstance(block, Method | Fold):
        kind = "method" if isinstance(block, Method) else "fold"
        inside = _blocks(block.blocks, drawings)
        if inside and block.title.startswith(inside[0].get("title", "\0")):
            inside[0]["title"] = ""
        return [{"b": kind, "title": _soft(block.title), "blocks": inside}]
    writer = _WRITERS.get(type(block))
    return [writer(block)] if writer else []


def _paragraph(block: Paragraph) -> dict[str, Any]:
    role, _, length = block.role.partition(" ")
    return {"b": "paragraph", "role": role, "long": length == "long", "text": _soft(block.text)}


def _bullets(block: Bullets) -> dict[str, Any]:
    return {"b": "bullets", "items": [_soft(item) for item in block.items]}


def _formula(block: Formula) -> dict[str, Any]:
    tail = block.where + (f". Source: {block.source}" if block.where and block.source else "")
    return {"b": "formula", "text": _soft(block.text), "tail": _soft(tail)}


def _heading(block: Heading) -> dict[str, Any]:
    return {"b": "heading", "level": max(2, block.level - 1), "text": _soft(block.text)}


def _cautions(block: Cautions) -> dict[str, Any]:
    return {
        "b": "cautions",
        "items": [
            {"grade": c.grade, "title": f"{c.grade.capitalize()} caution: {c.title}", "text": f"{c.why} {c.action}"}
            for c in block.items
        ],
    }


def _answers(block: Answers) -> dict[str, Any]:
    return {
        "b": "answers",
        "items": [{"question": q, "text": _soft(sentence), "anchor": anchor} for q, sentence, anchor in block.items],
    }


def _card(block: StepCard) -> dict[str, Any]:
    return {
        "b": "card",
        "name": _soft(block.name),
        "verdict": block.verdict,
        "reasons": [_soft(text[:1].upper() + text[1:]) for text in block.reasons],
        "place": _soft(f"{block.settings}. {block.place}."),
    }


def _figure(figure: Figure, drawing: tuple[str, float, float]) -> dict[str, Any]:
    svg, width, height = drawing
    wide = min(1.0, width / PRINT) * PAGE
    return {
        "b": "figure",
        "title": _soft(figure.title),
        "subtitle": _soft(f"{figure.subtitle}."),
        "note": _soft(figure.note),
        "alt": f"{figure.title}. {figure.description}",
        "svg": svg,
        "width": wide,
        "tall": wide * height / width > TALL,
        "table": _table(figure.numbers),
    }


def _table(table: Table) -> dict[str, Any]:
    rows = []
    places = [places_of(table, column) for column in table.columns]
    for row in table.rows if table.listed else ():
        cells = []
        for cell, column, at in zip(row, table.columns, places, strict=True):
            main, interval = cell_text(cell, column, at)
            cells.append([main if _look(column) else _soft(main), interval])
        rows.append(cells)
    return {
        "b": "table",
        "title": table.title,
        "note": _soft(table.note),
        "file": f"{table.name}.csv",
        "listed": table.listed,
        "count": str(len(table.rows)),
        "columns": [_column(column, [row[index] for row in rows]) for index, column in enumerate(table.columns)],
        "rows": rows,
    }


def _look(column: Column) -> str:
    return "mono" if column.name == "sha256" else "verdict" if column.name == "verdict" else ""


def _column(column: Column, cells: list[list[str]]) -> dict[str, Any]:
    """Return a column with its widest texts and words, by which the page shares its width out."""
    kind = column.kind if column.kind == "number" or (column.kind == "value" and column.unit) else "text"
    head, _, unit = head_text(column).partition(" /\u00a0")
    mains = {cell[0] for cell in cells}
    words = {word for main in mains for word in re.split(rf"[ {_BREAK}]", main)}
    return {
        "kind": kind,
        "look": _look(column),
        "head": head,
        "unit": f"/\u00a0{unit}" if unit else "",
        "head-words": _longest(set(head.split(" "))),
        "texts": _longest(mains),
        "words": _longest(words),
        "sides": _longest({cell[1] for cell in cells}),
    }


def _longest(texts: set[str], count: int = 4) -> list[str]:
    return sorted(texts, key=lambda text: (-len(text), text))[:count] or [""]


_WRITERS: dict[type, Callable[[Any], dict[str, Any]]] = {
    Paragraph: _paragraph,
    Bullets: _bullets,
    Formula: _formula,
    Heading: _heading,
    Cautions: _cautions,
    Answers: _answers,
    StepCard: _card,
    Table: _table,
}
