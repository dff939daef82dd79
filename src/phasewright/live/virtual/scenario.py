"""A scenario: everything that a simulated campaign is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import MappingProxyType

from phasewright.bench import Bench, Cost
from phasewright.live.virtual.instruments import VirtualInstrument
from phasewright.live.virtual.parts import Hidden, Layout
from phasewright.live.virtual.simulation import Surroundings
from phasewright.live.virtual.workload import Fluctuation

LOT = ("stage_resistance", "inductor_resistance", "overlap", "core", "thermal")
"""What may be off its data sheet for a whole lot of parts."""


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step of the simulated campaign."""

    name: str
    phase_count: int
    package_power: float
    """Package power that the load takes at 65 degC when nothing holds it back [W]."""
    dwell: float
    """[s]"""
    protection_phase_current: float | None = None
    clamps: bool = False
    """Over-current holds the current back instead of shutting down."""
    power_limit: float | None = None
    fan_duty: float | None = None
    baseline: bool = False
    load: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Scenario:
    """A simulated bench, its instruments, and what is done on it. Frozen; the seed is given to `make_campaign`."""

    name: str
    bench: Bench
    """As stated in the bench file; its instruments are replaced by those below."""
    instruments: tuple[VirtualInstrument, ...]
    steps: tuple[PlannedStep, ...]
    hidden: Hidden = Hidden()
    layout: Layout = Layout()
    surroundings: Surroundings = Surroundings()
    fluctuation: Fluctuation = Fluctuation()
    gap: int = 12
    """Idle time between steps [s]."""
    lead: int = 30
    """Idle time before the first step (and before the marker) [s]."""
    tail: int = 25
    """Idle time after the last step [s]."""
    restart: int = 55
    """Time that the machine is dark after a trip [s]."""
    marker: bool = True
    """Three unequal load pulses at the start."""
    period: float | None = None
    """Period of a square load over the whole campaign [s], for tests of ambiguity; None = none."""
    warm_start: bool = True
    """The loop starts as warm as idle makes it, not at room temperature."""
    begin: str = "2025-03-04T09:12:00"
    """Lab time 0 as a date (UTC), invented."""
    step_source: str = "times"
    """times | edges"""
    step_clock: str = ""
    """Log on whose clock the step list was noted; '' = the reference log, as seconds."""
    step_time_error: float = 0.4
    """Standard deviation of the noted step times [s]."""
    tell_outcome: bool = True
    """The step list says what was seen: ran, clamped, tripped."""
    cost: Cost = Cost()
    errors: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    """Normal quantiles that replace drawn ones: ``<instrument>/<channel>/gain``, ``.../offset``, ``board/other_loads``,
    ``board/input_resistance``, ``parts/<name>``."""
    notes: str = ""

    @property
    def reference_log(self) -> str:
        """Name of the log with the fastest input power."""
        power = [i for i in self.instruments if any(c.signal.startswith("input_") for c in i.columns)]
        return min(power or self.instruments, key=lambda item: item.period).log

    @property
    def error_names(self) -> tuple[str, ...]:
        """Name of every systematic error of the scenario, as `errors` takes them."""
        names = [f"{item.name}/{channel}/{kind}" for item in self.instruments for channel in item.accuracy
                 for kind in ("gain", "offset")]
        names += ["board/other_loads", "board/input_resistance"]
        return (*names, *(f"parts/{name}" for name in LOT))

    @property
    def lab_zero(self) -> float:
        """Epoch second of lab time 0."""
        return datetime.fromisoformat(self.begin).replace(tzinfo=UTC).timestamp()
