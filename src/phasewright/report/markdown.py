"""The document as Markdown, its pictures beside it with alternative text."""

from __future__ import annotations

from collections.abc import Callable

from phasewright.report.document import (
    Answers,
    Block,
    Bullets,
    Caution,
    Cautions,
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
from phasewright.report.escaping import markdown_text
from phasewright.report.palette import SIGNS
from phasewright.report.tables import cell_text, head_text, places_of
from phasewright.report.wording import typeset


def safe(text: str) -> str:
    """Return a text as it is set for people, harmless in Markdown."""
    return markdown_text(typeset(text))


def _table(table: Table) -> list[str]:
    if not table.listed:
        return [f"[{safe(table.title)}, {len(table.rows)} rows, as CSV](tables/{table.name}.csv)", ""]
    lines = [f"**{safe(table.title)}**", ""]
    lines.append("| " + " | ".join(safe(head_text(column)) for column in table.columns) + " |")
    lines.append("|" + "|".join(" --- " if column.kind == "text" else " ---: " for column in table.columns) + "|")
    places = [places_of(table, column) for column in table.columns]
    for row in table.rows:
        cells = []
        for cell, column, at in zip(row, table.columns, places, strict=True):
            main, interval = cell_text(cell, column, at)
            cells.append(safe(f"{main} {interval}".strip()))
        lines.append("| " + " | ".join(cells) + " |")
    lines.append("")
    if table.note:
        lines += [safe(table.note), ""]
    return lines + [f"[This table as CSV](tables/{table.name}.csv)", ""]


def _figure(figure: Figure) -> list[str]:
    alt = safe(f"{figure.title}. {figure.description}")
    lines = [f"**{safe(figure.title)}**  ", safe(figure.subtitle) + ".", "", f"![{alt}](figures/{figure.name}.svg)", ""]
    if figure.note:
        lines += [safe(figure.note), ""]
    lines += [f"[As PNG](figures/{figure.name}.png)", ""]
    return lines + _table(figure.numbers)


def _formula(block: Formula) -> list[str]:
    tail = (
        f" ({safe(block.where)}" + (f"; source: {safe(block.source)}" if block.source else "") + ")"
        if block.where
        else ""
    )
    return [f"*{safe(block.text)}*{tail}", ""]


def _card(card: StepCard) -> list[str]:
    lines = [
        f"#### {safe(card.name)}",
        "",
        f"{SIGNS.get(card.verdict, '')} **{safe(card.verdict)}**  ",
        f"{safe(card.settings)}. {safe(card.place)}.",
        "",
    ]
    lines += [f"- {safe(reason)}" for reason in card.reasons]
    return [*lines, ""]


def _caution(block: Caution) -> list[str]:
    return [
        f"> **{block.grade.capitalize()} caution: {safe(block.title)}.** {safe(block.why)} {safe(block.action)}",
        "",
    ]


def _cautions(block: Cautions) -> list[str]:
    return [line for item in block.items for line in _caution(item)]


def _answers(block: Answers) -> list[str]:
    return [*(f"- **{safe(question)}** {safe(sentence)}" for question, sentence, _ in block.items), ""]


def _paragraph(block: Paragraph) -> list[str]:
    text = safe(block.text)
    return [f"**{text}**" if block.role == "answer" else text, ""]


def _bullets(block: Bullets) -> list[str]:
    return [*(f"- {safe(item)}" for item in block.items), ""]


def _heading(block: Heading) -> list[str]:
    return ["#" * block.level + " " + safe(block.text), ""]


def _method(block: Method | Fold) -> list[str]:
    lines = [f"**{safe(block.title)}**", ""]
    for inner in block.blocks:
        lines += _block(inner)
    return lines


_WRITERS: dict[type, Callable[..., list[str]]] = {
    Table: _table,
    Figure: _figure,
    Formula: _formula,
    StepCard: _card,
    Cautions: _cautions,
    Answers: _answers,
    Fold: _method,
    Paragraph: _paragraph,
    Bullets: _bullets,
    Heading: _heading,
    Method: _method,
}


def _block(block: Block) -> list[str]:
    return _WRITERS[type(block)](block)


def markdown_of(document: Document) -> str:
    """Return the document as Markdown; pictures and tables are linked relative to it."""
    lines = [f"# {safe(document.title)}", ""]
    if document.banner:
        lines += [f"> **{safe(document.banner)}**", ""]
    lines += [f"- {safe(name)}: {safe(text)}" for name, text in document.facts] + [""]
    for section in document.sections:
        lines += [f"## {safe(section.question)}", ""]
        for block in section.blocks:
            lines += _block(block)
    lines += ["---", ""] + [safe(line) + "  " for line in document.colophon]
    return "\n".join(lines).rstrip() + "\n"
