"""Records of the design room: parts that can be bought, what is required, and what would be enough."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from phasewright.bench import Bench
from phasewright.limits import Margin, NotComputable
from phasewright.quantity import Value

MONEY = 10_000
"""Prices are counted in whole steps of 1 / MONEY of the currency, so that sums do not depend on their order."""
CHANCE = 10_000
"""Chances of failing are counted in whole steps of 1 / CHANCE, likewise."""


def _empty() -> Mapping:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Controller:
    """What turns the phases."""

    phase_limit: int
    """Phases that it can turn."""
    controller_power: float = 0.5
    """[W]"""
    sharing_error: float = 0.1
    """Greatest relative excess of one phase's current over the mean [1]."""
    response_delay: float = 0.0
    """From a load step until the phases act [s]."""
    drive_power_limit: float | None = None
    """What it feeds to drivers and itself at most [W]."""


@dataclass(frozen=True, slots=True)
class Cooler:
    """What carries the heat away."""

    plate_resistance: float
    """From the plate, or heatsink, to coolant or air, for the heat of the whole regulator [K/W]."""
    pad_resistance: float
    """Pad or paste under one power stage [K/W]."""
    coolant: str = "air"
    """liquid | air"""
    fan_power: float = 0.0
    """What its fan or pump draws [W]."""


@dataclass(frozen=True, slots=True)
class Part:
    """One line of the catalogue."""

    kind: str
    """stage | inductor | capacitor | controller | cooler | connector"""
    name: str
    price: float
    """Of one piece, in the catalogue's currency."""
    figures: Any
    """Data-sheet figures of one piece: Stage, Inductor, CapacitorBank, Controller, Cooler or Connector, by `kind`."""
    area: float = 0.0
    """Board area of one piece [m2]."""
    use: str = "both"
    """Of a capacitor: input | output | both."""
    most: int = 1
    """Pieces side by side at most (capacitors, connectors)."""

    @property
    def money(self) -> int:
        """Price in whole steps of 1 / MONEY of the currency."""
        return round(self.price * MONEY)


@dataclass(frozen=True, slots=True)
class Catalogue:
    """What can be bought, as the user keeps it."""

    currency: str
    stage: tuple[Part, ...]
    inductor: tuple[Part, ...]
    capacitor: tuple[Part, ...]
    controller: tuple[Part, ...]
    cooler: tuple[Part, ...]
    connector: tuple[Part, ...]
    simulated: bool = False
    notes: str = ""
    files: Mapping[str, str] = field(default_factory=_empty)
    """Fingerprint (sha256) of each file."""

    def bank(self, use: str) -> tuple[Part, ...]:
        """Return the capacitors that may be put to `use` (input or output)."""
        return tuple(item for item in self.capacitor if item.use in (use, "both"))


@dataclass(frozen=True, slots=True)
class Requirement:
    """What the regulator must do, and how sure one must be of it. SI, temperatures degC."""

    name: str
    rail_voltage: float
    rail_current: float
    """Continuous [A]."""
    rail_current_peak: float
    coolant_temperature: float
    """Of the coolant, or of the air, that the cooler gives its heat to [degC]."""
    coolant: str = "air"
    input_voltage: float = 12.0
    load_step: float | None = None
    load_slew: float | None = None
    load_line: float | None = None
    tolerance_band: float | None = None
    settling_time: float | None = None
    ripple_limit: float | None = None
    service_life: float | None = None
    """[s]"""
    cycles_per_day: float | None = None
    ambient_temperature: float | None = None
    board_area: float | None = None
    """[m2]"""
    temperature_limit: float | None = None
    """What the hottest stage must not pass when settled [degC]."""
    confidence: float = 0.95
    """Chance that must be assured of meeting every limit [1]."""
    least_chance: float = 0.5
    """Designs less sure than this are not looked at [1]."""
    phase_count_range: tuple[int, int] = (2, 16)
    switching_frequency: tuple[float, ...] = (400e3, 500e3, 600e3, 800e3)
    """Frequencies that are tried [Hz]."""
    hours_per_year: float = 2000.0
    years: float = 5.0
    price: float | None = None
    """Of energy [currency/kWh]."""
    temperature_step: float = 4.0
    """Temperatures closer than this count as alike [K]."""
    loss_step: float = 2.0
    """[W]"""
    chance_step: float = 0.05
    """[1]"""
    simulated: bool = False
    file: str = ""
    fingerprint: str = ""


@dataclass(frozen=True, slots=True)
class Choice:
    """One design: a part of each kind, how many, and how fast it switches."""

    phase_count: int
    switching_frequency: float
    """[Hz]"""
    stage: str
    inductor: str
    output_capacitor: str
    output_count: int
    input_capacitor: str
    input_count: int
    controller: str
    cooler: str
    connector: str
    connector_count: int


@dataclass(frozen=True, slots=True)
class Chances:
    """Share of the draws of all tolerances together in which every limit holds."""

    chance: float
    low95: float
    """Clopper-Pearson, for the number of draws."""
    high95: float
    draws: int
    first_to_fail: tuple[tuple[str, float], ...] = ()
    """(limit, share of the draws in which it fails), the most frequent first."""


@dataclass(frozen=True, slots=True)
class Member:
    """One design on the front, or beside it."""

    choice: Choice
    cost: float
    """Of all parts, in the catalogue's currency."""
    regulator_temperature: float
    """Hottest stage, settled [degC]."""
    conversion_loss: float
    """[W]"""
    chance: float
    """Assured chance of meeting every limit: one less the sum of the chances of failing, whatever their dependence."""
    energy_cost: float | None
    """Of the loss over the life, in the catalogue's currency; None = no price of energy."""
    margins: tuple[Margin, ...] = ()
    """To every limit, by the limits room; the one that gives first comes first."""
    missing: tuple[NotComputable, ...] = ()
    quantities: Mapping[str, Value] = field(default_factory=_empty)
    """Every figure that the model foresees, of a design that was judged."""
    chances: Chances | None = None
    fails: tuple[str, ...] = ()
    """Of a design that was not chosen: why, with numbers."""

    @property
    def total_cost(self) -> float:
        """Parts and energy over the life, in the catalogue's currency."""
        return self.cost + (self.energy_cost or 0.0)


@dataclass(frozen=True, slots=True)
class Method:
    """How the front was found and how much of the work each way took."""

    combinations: int
    """Designs that the catalogue allows."""
    cores: int
    """Choices of phases, frequency, stage, inductor and controller."""
    cores_bounded: int
    """Of these, ruled out by bounds."""
    pairs: int
    """Core with cooler: here loss and temperature settle together."""
    pairs_bounded: int
    """Of these, ruled out by bounds."""
    merged: int
    """Pairs whose banks and connectors were merged front by front."""
    evaluated: int
    """Designs whose four figures were worked out one by one."""
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class Front:
    """Designs of which none is at least as good as another in cost, temperature, loss and chance."""

    members: tuple[Member, ...]
    """Cheapest first."""
    method: Method
    currency: str
    requirement: Requirement
    carried: tuple[str, ...] = ()
    """What comes from measurement, what from the catalogue."""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Purchase:
    """What a dearer design buys over a cheaper one, one step after the other."""

    kind: str
    """What is bought: chance | temperature | loss"""
    before: Member
    after: Member
    bought: float
    """[1], [K] or [W], by `kind`; above 0 is better."""
    each: float
    """Money for one percent, kelvin or watt, in the catalogue's currency."""
    sentence: str


@dataclass(frozen=True, slots=True)
class Trade:
    """The cheapest design that is enough with one thing held: cooling against phases."""

    held: str
    """What is held: phase count or cooler."""
    member: Member | None
    """None: nothing is enough with it."""
    sentence: str


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """One assumption moved over its interval, all else as assumed."""

    name: str
    unit: str
    value: float
    low: float
    high: float
    changes: bool
    """Whether another design would be chosen somewhere in the interval."""
    changes_at: float | None
    """Nearest value at which it would."""
    sentence: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The design to build and the reasons."""

    chosen: Member | None
    """None = nothing is enough."""
    cheapest: Member | None
    """The cheapest to buy of those that are enough; the chosen one is the cheapest over its life."""
    sentence: str
    neighbours: tuple[Member, ...] = ()
    """The chosen design with one part changed: why each was not chosen."""
    purchases: tuple[Purchase, ...] = ()
    trades: tuple[Trade, ...] = ()
    sensitivities: tuple[Sensitivity, ...] = ()


@dataclass(frozen=True, slots=True)
class Design:
    """Everything that a search for a design found."""

    catalogue: Catalogue
    requirement: Requirement
    front: Front
    verdict: Verdict
    bench: Bench | None = None
    """As it would stand with the chosen design."""
