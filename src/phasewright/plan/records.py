"""Records that the plan room hands on: forecasts of steps, readiness, plans, the band of a protection."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from phasewright.bench import Bench, Step
from phasewright.findings import Margin, NotComputable
from phasewright.model import Prediction
from phasewright.plan.marker import Marker
from phasewright.quantity import Value

READINESS = ("go", "go with care", "no-go")
"""What may be said of a step before it is run, the milder first."""


def _empty() -> Mapping:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Workload:
    """A load to be tried. One of the two numbers is needed; they are meant as this bench's instruments read them."""

    name: str = ""
    package_power: float | None = None
    """[W]"""
    rail_current: float | None = None
    """[A]"""

    def __post_init__(self) -> None:
        if self.package_power is None and self.rail_current is None:
            raise ValueError(
                f"workload {self.name!r} states no load (package_power = None, rail_current = None) - it needs one - "
                "add package_power [W] or rail_current [A]"
            )


@dataclass(frozen=True, slots=True)
class Stop:
    """When to end a step before its time."""

    channel: str
    threshold: float
    unit: str
    action: str
    """stop: take the load off | hold: go no further before the plan has been looked at again"""
    why: str


@dataclass(frozen=True, slots=True, order=True)
class Severity:
    """What steps are ordered by, the first that differs decides."""

    rank: int
    """0 go, 1 go with care, 2 no-go."""
    chance: float
    """Chance to trip in whole hundredths, so that chances that cannot be told apart do not decide."""
    temperature: float
    """Hottest stage [degC]."""
    current_share: float
    """Greatest current over its limit [1]."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is foreseen of one step."""

    step: Step
    phase_count: int
    """As the step states it, else all that are fitted."""
    prediction: Prediction | None
    """None where the step may not be asked for at all; `reasons` then say why."""
    quantities: Mapping[str, Value]
    """As predicted; empty without a prediction."""
    margins: tuple[Margin, ...]
    chance_to_trip: float | None
    """[1], over-current and over-temperature protection and thermal runaway; None: not known, see `reasons`."""
    verdict: str
    """go | go with care | no-go"""
    reasons: tuple[str, ...]
    stops: tuple[Stop, ...]
    severity: Severity
    undecided: bool = False
    """The heat is hardly known; its interval is wide."""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step of a plan: what is foreseen, how long to hold it, and what to wait for before it."""

    forecast: Forecast
    dwell: float
    """How long to hold it [s]."""
    dwell_to_settle: float
    """Until it is settled and can be shown to be [s]."""
    dwell_to_decide: float
    """Until the settled temperature can be extrapolated [s]."""
    dwell_reason: str
    cool_down: float = 0.0
    """Time at idle before it [s]."""
    cool_down_reason: str = ""
    repeats: str = ""
    """Name of the step that this one repeats, to show drift."""
    measured: bool = False
    bands: tuple[ProtectionBand, ...] = ()
    """Where the threshold of each protection may lie; () where nothing is foreseen."""

    @property
    def name(self) -> str:
        """Name of the step."""
        return self.forecast.step.name

    @property
    def runnable(self) -> bool:
        """True unless it is a no-go."""
        return self.forecast.verdict != "no-go"


@dataclass(frozen=True, slots=True)
class PlanCaution:
    """A danger that the planned steps bring, and what to do about it."""

    topic: str
    title: str
    why: str
    action: str
    grade: str = "amber"
    """amber | red"""


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether the steps can be run on this bench, in the order given."""

    verdict: str
    """The severest of the steps."""
    sentence: str
    steps: tuple[PlannedStep, ...]
    cautions: tuple[PlanCaution, ...]
    missing: tuple[NotComputable, ...]
    """What the bench does not let one judge, and the line to add."""
    notes: tuple[str, ...]
    measured: bool
    """False: part data alone speak."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a plan was made with, so that it can be made again when more is known."""

    tolerance: float = 0.05
    """Error of a protection's threshold, as a bound [1]; common practice, no source."""
    settle_bound: float = 1.0
    """Settled means: less than this remains [K]."""
    decide: bool = False
    """Hold each step only until its settled temperature can be extrapolated."""
    repeat_first: bool = True
    """Run the first step again at the end."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Steps from mild to severe, with all that is needed to run them."""

    bench: Bench
    readiness: Readiness
    marker: Marker
    next_step: str
    """Name of the step to run next; '' = none is left that is wise."""
    next_sentence: str
    teaches: str
    """Name of the step that would teach most; '' = none."""
    teaches_sentence: str
    conditions: Conditions = field(default_factory=Conditions)

    @property
    def steps(self) -> tuple[PlannedStep, ...]:
        """The steps in the order in which they are run; those that are no-go come last."""
        return self.readiness.steps

    @property
    def duration(self) -> float:
        """Time that the marker and the steps still to be run take [s]."""
        left = [item for item in self.steps if item.runnable and not item.measured]
        return self.marker.duration + sum(item.cool_down + item.dwell for item in left)


@dataclass(frozen=True, slots=True)
class ProtectionBand:
    """Where the threshold of one protection may lie for one setting and workload."""

    name: str
    """phase_current | total_current | temperature_trip"""
    unit: str
    low: float | None
    """Below this the workload itself trips it; None: not known, see `reasons`."""
    high: float | None
    """Above this it no longer guards the parts; None: not known, see `reasons`."""
    rated: float | None
    """Up to this the parts are rated to bear it without end; None: not stated or not applicable."""
    threshold: float | None
    """As set now; None: not stated."""
    reasons: tuple[str, ...]
    """Where both ends come from."""
    opens: tuple[str, ...] = ()
    """What would open the band when it is empty."""
    sentence: str = ""

    @property
    def empty(self) -> bool:
        """True when no threshold lets the workload run and guards the parts."""
        return self.low is not None and self.high is not None and self.low >= self.high
