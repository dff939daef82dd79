"""A number with its unit and its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from phasewright.quantity.text import to_text


@dataclass(frozen=True, slots=True)
class Part:
    """What one source of uncertainty adds to a value (one column of the Jacobian, times its standard uncertainty).

    Parts of two values with the same `source` are fully correlated (the same gain error acts on both);
    parts with different sources are independent.
    """

    source: str
    """Unique name, e.g. ``meter/input_power/gain`` or ``step 3/input_power/statistics``.

    Names that differ only after a ``#`` are independent columns of one covariance estimate and share its degrees of
    freedom.
    """
    contribution: float
    """Signed: sensitivity x standard uncertainty, in the unit of the value."""
    shape: str = "normal"
    """normal | rectangular | student"""
    dof: float = float("inf")


@dataclass(frozen=True, slots=True)
class Value:
    """A number, its unit symbol (SI, degC for temperatures), its uncertainty and where it comes from.

    `u` is the standard uncertainty, `low95` and `high95` the 95 % coverage interval; all three are None, with
    `reason` saying why, when the uncertainty is unknown. `parts` is the budget.
    """

    value: float
    unit: str
    u: float | None = None
    low95: float | None = None
    high95: float | None = None
    kind: str = "derived"
    """measured | derived | extrapolated | assumed | set"""
    parts: tuple[Part, ...] = ()
    dof: float = float("inf")
    reason: str = ""

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the value with half its 95 % interval, and where it comes from."""
        told = self.reason if self.u is None and self.reason else f"{self.kind}, 95 %" if self.u else self.kind
        return f"<b>{escape(to_text(self))}</b> ({escape(told)})"
