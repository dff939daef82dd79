"""What a limit is: a name, what it needs, a figure, a ceiling, a formula with its source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from phasewright.limits.case import Case
from phasewright.quantity import Value

ADVISES = "advises"


@dataclass(frozen=True, slots=True)
class Rule:
    """One limit that physics works out from a state and the part data of the bench."""

    name: str
    """As on charts."""
    applies_to: str
    """Name of the figure."""
    unit: str
    kind: str
    """rating | protection | absolute_maximum | standard | physics"""
    meaning: str
    """What is held against what, in words."""
    needs: tuple[str, ...]
    """Lines of bench.toml that the figure needs."""
    quantities: tuple[str, ...]
    """Figures of the state that it needs."""
    asks: tuple[str, ...]
    """Lines of bench.toml that the ceiling needs; () = a ceiling of physics."""
    formula: str
    source: str
    figure: Callable[[Case], Value]
    ceiling: Callable[[Case], float | Value]
    """A Value where the ceiling hangs on the state as well."""
    margin: Callable[[Case], Value] | None = None
    """Where ceiling and figure share what they hang on: the margin worked out at once."""
    floor: bool = False
    """True: the figure must not fall below the limit."""
    table: str = ""
    """Table of bench.toml, such as ``board.connector``: one margin for each of its blocks."""
    note: Callable[[Case], str] | None = None
    """What to mind about the figure in this case."""
    applies: Callable[[Case], str] | None = None
    """'' or why the limit says nothing in this case."""
    role: str = ADVISES

    def items(self, case: Case) -> tuple[Any, ...]:
        """Return the blocks that the limit is about; (None,) where it is about the bench as a whole."""
        if not self.table:
            return (None,)
        found: Any = case.bench
        for name in self.table.replace("board.connector", "board.connectors").split("."):
            found = getattr(found, name)
        return tuple(found)
