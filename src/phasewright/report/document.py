"""The one document that is rendered as HTML and as Markdown: headings, paragraphs, tables, figures, cautions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from phasewright.quantity import Value

Cell = Value | float | int | str | None
"""What stands in a table: a number with uncertainty, a bare number, a text, or nothing."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    name: str
    """Machine name, used in the CSV head together with the unit."""
    title: str
    """What people read, without the unit."""
    unit: str = ""
    """SI unit of the cells; '' for text."""
    kind: str = "text"
    """text | number | value"""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under titled columns. `name` is the stem of its CSV file."""

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    listed: bool = True
    """False: too long to read; only its file is named."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How wide a figure is drawn [px]."""

    width: float = 920.0

    @property
    def narrow(self) -> bool:
        """True on a screen as narrow as a telephone."""
        return self.width < 600.0


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing with its finding, its conditions, a description for those who cannot see it, and its numbers."""

    name: str
    title: str
    """The finding in a few words."""
    subtitle: str
    """Quantity, unit, conditions, how many, and what the interval is."""
    description: str
    draw: Callable[[Layout], Any]
    """Returns a Sketch or a matplotlib Figure."""
    numbers: Table
    """The same numbers as a table and a file."""
    note: str = ""
    """How to read the marks."""
    least: float = 0.0
    """Narrowest sheet that the wide drawing fits on [px]; 0 = any."""


@dataclass(frozen=True, slots=True)
class Heading:
    text: str
    level: int = 2
    anchor: str = ""


@dataclass(frozen=True, slots=True)
class Paragraph:
    text: str
    role: str = ""
    """'' | answer | lead | small"""


@dataclass(frozen=True, slots=True)
class Bullets:
    items: tuple[str, ...]
    role: str = ""


@dataclass(frozen=True, slots=True)
class Formula:
    text: str
    where: str = ""
    """What the letters mean."""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Method:
    """How it was computed: folded away on a screen, printed on paper."""

    title: str
    blocks: tuple[Paragraph | Formula | Bullets, ...]


@dataclass(frozen=True, slots=True)
class Fold:
    """Tables that most readers pass over: folded away on a screen, printed on paper."""

    title: str
    blocks: tuple[Table | Paragraph, ...]


@dataclass(frozen=True, slots=True)
class Caution:
    """What can hurt, why it applies here, and what to do."""

    name: str
    title: str
    why: str
    action: str
    grade: str = "amber"
    """amber | red"""


@dataclass(frozen=True, slots=True)
class Cautions:
    """Cautions that belong to one place."""

    items: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class Answers:
    """Each question with its answer sentence and the section that proves it."""

    items: tuple[tuple[str, str, str], ...]
    """(question, sentence, anchor of its section)"""


@dataclass(frozen=True, slots=True)
class StepCard:
    """One step with its verdict and the reasons for it."""

    name: str
    verdict: str
    settings: str
    place: str
    reasons: tuple[str, ...]
    anchor: str


@dataclass(frozen=True, slots=True)
class Slot:
    """A place that a page fills with its own controls; the guide has none."""

    name: str


Block = Heading | Paragraph | Bullets | Formula | Method | Fold | Cautions | Answers | Table | Figure | StepCard | Slot


@dataclass(frozen=True, slots=True)
class Section:
    """One question with its answer and everything behind it."""

    anchor: str
    question: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Document:
    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    """Short name and text, set beneath the title."""
    banner: str
    """Said on top of every page when the data are simulated, else ''."""
    sections: tuple[Section, ...]
    colophon: tuple[str, ...] = field(default=())

    def figures(self) -> tuple[Figure, ...]:
        """Return every figure in reading order."""
        return tuple(block for section in self.sections for block in section.blocks if isinstance(block, Figure))

    def tables(self) -> tuple[Table, ...]:
        """Return every table in reading order, those behind figures included."""
        found: dict[str, Table] = {}
        for section in self.sections:
            for block in section.blocks:
                for inner in block.blocks if isinstance(block, Fold) else (block,):
                    table = inner.numbers if isinstance(inner, Figure) else inner
                    if isinstance(table, Table):
                        found.setdefault(table.name, table)
        return tuple(found.values())

    def cautions(self) -> tuple[Caution, ...]:
        """Return every caution in reading order."""
        return tuple(
            item
            for section in self.sections
            for block in section.blocks
            if isinstance(block, Cautions)
            for item in block.items
        )
