"""Records that the limits room hands on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from phasewright.bench import Limit
from phasewright.quantity import Value


def _empty() -> Mapping:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Margin:
    """Distance from a figure to a limit. `margin` = limit - figure (figure - limit for a floor), in the limit's unit."""

    limit: Limit
    figure: Value
    margin: Value
    in_u: float | None
    """Margin in standard uncertainties; None where the uncertainty is unknown."""
    probability: float | None
    """Probability that the limit is not exceeded."""
    note: str = ""
    role: str = "decides"
    """decides: a verdict follows from it | advises: told and ranked, but no verdict follows (docs/decisions)."""

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the limit, the figure and what is left between them."""
        from html import escape

        from phasewright.quantity import to_text

        left = f"{to_text(self.figure)}, margin {to_text(self.margin)}"
        return f"<b>{escape(self.limit.name)}</b> {self.limit.value:g} {escape(self.limit.unit)}: {escape(left)}"


@dataclass(frozen=True, slots=True)
class NotComputable:
    """A figure that the bench or the logs do not allow, and the line to add."""

    name: str
    why: str
    mend: str


@dataclass(frozen=True, slots=True)
class Reading:
    """What physics says of a state where nothing is a ceiling: power of the drivers, what a clean run proves."""

    name: str
    figure: Value
    sentence: str
    source: str


@dataclass(frozen=True, slots=True)
class State:
    """What is known of one settled setting, measured or predicted."""

    quantities: Mapping[str, Value]
    """Figures by name, `<name>_peak` for peaks, `<name>_settled` for what is extrapolated."""
    settings: Mapping[str, float | str] = field(default_factory=_empty)
    """SI, as `Step.settings`."""
    name: str = "state"
    """Of the step; names the parts of an uncertainty that are its own."""
    peak_averaging: Mapping[str, float] = field(default_factory=_empty)
    """Averaging time over which each peak is stated [s]; NaN where it is none."""
    remaining: Mapping[str, float] = field(default_factory=_empty)
    """By channel: bound of what is still to come [K]; infinite while it is not settled. Not named = settled."""
    missing: Mapping[str, NotComputable] = field(default_factory=_empty)
    """By quantity: why it is not known, where that is known."""
    duration: float | None = None
    """Time for which the load was held [s]; None = it was not run."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A state held against every limit."""

    margins: tuple[Margin, ...]
    """Sorted: the one that gives first comes first."""
    missing: tuple[NotComputable, ...]
    """Every limit that could not be judged, with the line to add."""
    readings: tuple[Reading, ...] = ()
    figures: Mapping[str, Value] = field(default_factory=_empty)
    """What was worked out on the way, by name, also where no ceiling is stated."""
