"""What a run shows and asks: the moment, the step that is to be set by hand, and whoever sits at the bench."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from phasewright.bench import CHANNELS
from phasewright.live import Bound, SoFar
from phasewright.plan import PlannedStep

if TYPE_CHECKING:
    from phasewright.logs import Window
    from phasewright.quantity import Value

SHOWN = (
    "input_power", "package_power", "rail_current", "rail_voltage", "regulator_temperature", "inductor_temperature",
    "coolant_temperature", "processor_temperature", "ambient_temperature", "protection_active", "error_count",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """One channel on show."""

    channel: str
    title: str
    value: Value | None
    """Mean of the last ten seconds with its interval; None = nothing was read lately."""
    age: float
    """[s] since the last reading."""
    bound: float | None
    """Where the step ends; None = not bounded."""
    margin: float | None
    """Bound less the upper end of the interval, in the channel's unit."""
    trouble: str = ""
    """Why the last reading is missing."""
    ends: str = ""
    """What happens at the bound, and whose limit it is."""


@dataclass(frozen=True, slots=True)
class Frame:
    """What is on show at one moment."""

    step: str
    number: int
    count: int
    phase: str
    """asking | idle | load | cool-down | learning"""
    elapsed: float
    """[s] in this phase."""
    planned: float
    """[s] that the plan gives it."""
    lines: tuple[Line, ...]
    remaining: float | None
    """[K] of the transients that may still remain, at 95 %; None = not judged yet."""
    bound: float
    """[K] below which the step counts as settled."""
    to_settle: float | None
    """[s] until it is settled, as it looks now; None = cannot be said."""
    said: tuple[str, ...]
    """What happened lately."""
    alarm: str
    """What is wrong with the disk."""
    history: Callable[[str, int], list[tuple[float, float, float]]] = lambda channel, buckets: []
    """Given a channel and a number of buckets, returns (seconds since the phase began, lowest, highest) of each."""


@dataclass(frozen=True, slots=True)
class StepRun:
    """How one step went."""

    name: str
    outcome: str
    """ran | clamped | tripped | crashed | stopped | skipped"""
    why: str
    seconds: float
    settled: bool = False


@dataclass(frozen=True, slots=True)
class Asked:
    """A step that a person is asked to set by hand."""

    planned: PlannedStep
    number: int
    count: int
    command: tuple[str, ...]
    """Program that is the load; () = it is put on by hand."""
    advice: tuple[str, ...]
    """What the plan says now: whether this step is wise, and which one would teach most."""
    ran: tuple[StepRun, ...] = ()
    left: tuple[str, ...] = ()
    """Names of the steps that come after it."""


class Person(Protocol):
    """Whoever sits at the bench, or stands in for them."""

    def before(self, asked: Asked) -> str:
        """Tell what to set by hand and what is foreseen; return go | skip | end, or '' to be asked again in a moment."""
        ...

    def switch(self, on: bool, load: str) -> bool:
        """Ask for the load to be put on or taken off by hand; return whether it was, False = to be asked again."""
        ...

    def show(self, frame: Frame) -> None:
        """Show a moment."""
        ...

    def pressed(self) -> str:
        """Return stop | next | '' without waiting."""
        ...

    def tell(self, text: str) -> None:
        """Say something that stays."""
        ...


@dataclass(slots=True)
class RunResult:
    """How a plan went."""

    steps: list[StepRun] = field(default_factory=list)
    left: tuple[str, ...] = ()
    """Steps that were not run."""
    ended: str = ""
    """Why the run ended before the plan did, '' = it did not."""


def by_channel(bounds: tuple[Bound, ...]) -> dict[str, tuple[Bound, ...]]:
    """Return the bounds of each channel, the one that it meets first in front."""
    found: dict[str, list[Bound]] = {}
    for bound in sorted(bounds, key=lambda item: item.threshold):
        found.setdefault(bound.channel, []).append(bound)
    return {channel: tuple(items) for channel, items in found.items()}


def _ends(bounds: tuple[Bound, ...]) -> str:
    """Return what happens at each bound of a channel, and whose limit it is."""
    said = [f"{item.action}: {item.why}" for item in bounds[:1]]
    for item in bounds[1:]:
        unit = "°C" if item.unit == "degC" else item.unit
        said.append(f"{item.action} at {item.threshold:.4g} {unit}: {item.why}")
    return "; ".join(said)


def _place(channel: str) -> tuple[int, str]:
    base = channel.partition(".")[0]
    return SHOWN.index(base) if base in SHOWN else len(SHOWN), channel


def latest(so_far: SoFar, channel: str, now: float, since: float = -math.inf) -> tuple[Value | None, float]:
    """Return (mean of the last readings, age of the last one [s]) of a channel, seen or not; see `SoFar.latest`."""
    try:
        return so_far.latest(channel, now, since)
    except KeyError:
        return None, math.inf


def lines_of(so_far: SoFar, now: float, began: float, bounds: Mapping[str, tuple[Bound, ...]]) -> tuple[Line, ...]:
    """Return every channel seen so far as it is shown; `began` is when the phase did [s]."""
    lines = []
    for channel in sorted(so_far.channels(), key=_place):
        base, _, label = channel.partition(".")
        value, age = latest(so_far, channel, now, began)
        nested = bounds.get(base, ())
        bound = nested[0] if nested else None
        margin = None
        if bound is not None and value is not None:
            margin = bound.threshold - (value.high95 if value.high95 is not None else value.value)
        title = CHANNELS[base].title + (f" {label}" if label else "")
        lines.append(Line(channel, title, value, age, None if bound is None else bound.threshold, margin,
                          so_far.flag(channel), _ends(nested)))
    return tuple(lines)


def still_to_come(window: Window | None) -> tuple[float | None, float | None]:
    """Return (what may remain of the transients [K], time until they are settled [s]), None where it cannot be said."""
    if window is None or not window.settling:
        return None, None
    moving = [part for part in window.settling if not part.settled and math.isfinite(part.remaining)]
    remaining = max((part.remaining for part in window.settling if math.isfinite(part.remaining)), default=None)
    waits = [part.time_constant * math.log(part.remaining / part.bound) for part in moving
             if part.remaining > part.bound and math.isfinite(part.time_constant)]
    return remaining, max(waits, default=None)
