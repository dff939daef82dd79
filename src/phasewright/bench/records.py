"""Records of what stands on the bench. Numbers are SI; temperatures degC; None = not stated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from phasewright.bench.faults import Fault


def _empty() -> Mapping:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Limit:
    """A ceiling with its source."""

    name: str
    """What it is called on charts, e.g. ``power stage rating``."""
    applies_to: str
    """Channel or derived figure it bounds, e.g. ``phase_current``, ``stage_current``, ``contact_current``."""
    value: float
    unit: str
    kind: str
    """rating | protection | absolute_maximum | standard | physics"""
    source: str
    u: float | None = 0.0
    """Standard uncertainty of the ceiling itself; None = unknown."""
    floor: bool = False
    """True: a floor, such as a wished life; the margin is figure less limit."""


@dataclass(frozen=True, slots=True)
class Connector:
    """One 12 V input connector of the board."""

    name: str
    contact_count: int
    """Number of contacts that carry +12 V."""
    contact_rating: float | None = None
    """Continuous current rating of one contact [A]."""
    source: str = ""
    contact_resistance: float | None = None
    """Of one mated contact [Ohm]."""
    temperature_limit: float | None = None
    """Of housing and contacts [degC]."""
    wire_gauge: int | None = None
    """AWG number."""
    wire_count: int | None = None
    """Wires that carry +12 V; None = one for each contact."""
    wire_length: float | None = None
    """One way [m]."""
    wire_temperature_limit: float | None = None
    """Of the insulation [degC]."""


@dataclass(frozen=True, slots=True)
class Copper:
    """One copper run of the board."""

    name: str
    carries: str = "input_current"
    """input_current | rail_current"""
    width: float | None = None
    """At the narrowest place [m]."""
    thickness: float | None = None
    """Of one layer [m]."""
    layer: str = "inner"
    """outer | inner"""
    layer_count: int = 1
    rise_limit: float | None = None
    """Own heating allowed [K]."""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Board:
    name: str
    description: str = ""
    input_voltage: float = 12.0
    """Nominal input voltage [V]."""
    input_resistance: float | None = None
    """Cables, connectors and copper between the meter and the regulator, both ways [Ohm]."""
    input_resistance_u: float | None = None
    other_loads: float | None = None
    """Power that the same input feeds besides the regulator under test [W]."""
    other_loads_u: float | None = None
    connectors: tuple[Connector, ...] = ()
    copper: tuple[Copper, ...] = ()
    service_life: float | None = None
    """Hours of use that parts are wished to last [s]."""
    cycles_per_day: float | None = None
    """Times a day that the load comes and goes [1/day]."""


@dataclass(frozen=True, slots=True)
class Stage:
    """One power stage (both switches and driver), data-sheet figures."""

    name: str = ""
    current_rating: float | None = None
    """Continuous [A]."""
    peak_current_rating: float | None = None
    temperature_limit: float | None = None
    """Absolute maximum junction temperature [degC]."""
    high_side_resistance: float | None = None
    low_side_resistance: float | None = None
    resistance_temperature_coefficient: float | None = None
    """[1/K] at 25 degC."""
    rise_time: float | None = None
    fall_time: float | None = None
    dead_time: float | None = None
    diode_voltage: float | None = None
    gate_charge: float | None = None
    gate_voltage: float | None = None
    output_charge: float | None = None
    recovery_charge: float | None = None
    quiescent_power: float | None = None
    thermal_resistance: float | None = None
    """Junction to case top [K/W]."""
    derating: tuple[tuple[float, float], ...] = ()
    """(temperature degC, continuous current A), temperature rising, current falling."""
    rated_life: float | None = None
    """At rated_life_temperature [s]."""
    rated_life_temperature: float | None = None
    activation_energy_ev: float | None = None
    """[eV]"""
    rated_cycles: int | None = None
    """Temperature cycles borne at rated_swing."""
    rated_swing: float | None = None
    """[K]"""
    cycle_exponent: float | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Inductor:
    name: str = ""
    inductance: float | None = None
    resistance: float | None = None
    """DCR at 25 degC [Ohm]."""
    saturation_current: float | None = None
    current_rating: float | None = None
    temperature_limit: float | None = None
    core_loss: float | None = None
    """Core loss per inductor at the nominal setting [W]."""
    tolerance: float | None = None
    """Bound of the inductance's relative error [1]."""
    source: str = ""


@dataclass(frozen=True, slots=True)
class CapacitorBank:
    capacitance: float | None = None
    resistance: float | None = None
    """ESR of the whole bank [Ohm]."""
    current_rating: float | None = None
    """RMS ripple current rating of the whole bank [A]."""
    temperature_limit: float | None = None
    life: float | None = None
    """Rated life at temperature_limit [s]."""
    kind: str = ""
    """polymer | electrolytic | ceramic"""
    tolerance: float | None = None
    """Bound of the capacitance's relative error [1]."""
    thermal_resistance: float | None = None
    """From the bank's cores to the board, whole bank [K/W]."""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Protection:
    """Thresholds as set on the regulator. A step may override each."""

    phase_current: float | None = None
    """Per-phase over-current threshold [A]."""
    total_current: float | None = None
    temperature_warning: float | None = None
    temperature_trip: float | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Regulator:
    name: str
    phase_count: int
    """Phases fitted."""
    stages_per_phase: int = 1
    switching_frequency: float | None = None
    rail_voltage: float | None = None
    load_line: float | None = None
    """[Ohm]"""
    stage: Stage = field(default_factory=Stage)
    inductor: Inductor = field(default_factory=Inductor)
    output_capacitors: CapacitorBank = field(default_factory=CapacitorBank)
    input_capacitors: CapacitorBank = field(default_factory=CapacitorBank)
    protection: Protection = field(default_factory=Protection)
    controller_power: float | None = None
    sharing_error: float | None = None
    """Greatest relative excess of one phase's current over the mean, 0.1 = 10 %."""
    tolerance_band: float | None = None
    """How far the rail may stray from its load line, to either side [V]."""
    settling_time: float | None = None
    """Time within which the rail is back in its band after a load step [s]."""
    ripple_limit: float | None = None
    """Output ripple allowed, peak to peak [V]."""
    response_delay: float | None = None
    """From a load step until the phases act [s]."""
    drive_power_limit: float | None = None
    """What the supply of drivers and controller bears [W]."""


@dataclass(frozen=True, slots=True)
class Processor:
    name: str = ""
    kind: str = "processor"
    """processor | graphics"""
    temperature_limit: float | None = None
    power_limit: float | None = None
    """Sustained package power limit [W]."""
    load_step: float | None = None
    """Greatest sudden change of the rail current [A]."""
    load_slew: float | None = None
    """How fast that change is [A/s]; None = at once."""


@dataclass(frozen=True, slots=True)
class CoolingPart:
    """One link of the chain from stage to coolant: pad, plate, block, radiator, heatsink."""

    name: str
    kind: str
    resistance: float | None = None
    """[K/W]; per stage when `shared` is false, for the whole regulator when true."""
    shared: bool = True
    source: str = ""


@dataclass(frozen=True, slots=True)
class Cooling:
    coolant: str = "air"
    """liquid | air"""
    chain: tuple[CoolingPart, ...] = ()
    fan_map: tuple[tuple[float, float], ...] = ()
    """(coolant temperature degC, fan duty 0-1), rising; the fan can do no more at its last point."""
    coolant_limit: float | None = None
    description: str = ""


@dataclass(frozen=True, slots=True)
class Accuracy:
    """What an instrument's maker states for one channel. Shared by every reading of that instrument."""

    gain: float = 0.0
    """Relative bound or uncertainty, 0.005 = 0.5 %."""
    offset: float = 0.0
    """In the channel's unit."""
    resolution: float = 0.0
    """Step of the reading, in the channel's unit."""
    stated_as: str = "limit"
    """limit (rectangular bound) | standard (one standard uncertainty) | expanded (k = 2)"""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Connection:
    """How an instrument is reached live. Nothing is ever written to it but what asks for readings."""

    kind: str
    """scpi | pmbus | hwmon | iio | powercap | lines | tail, or the name of an installed driver"""
    address: str = ""
    command: tuple[str, ...] = ()
    delimiter: str = ""
    timeout: float | None = None
    """Longest wait for an answer [s]."""
    baud: int | None = None
    page: int | None = None
    exclusive: bool = False
    """Nothing else talks to the device, so that its page may be chosen."""
    error_code: bool = True
    """Read with the packet error code."""
    settings: tuple[str, ...] = ()
    """Queries that tell how the instrument is set."""


@dataclass(frozen=True, slots=True)
class ReadingSource:
    """Where one channel comes from when an instrument is read live."""

    channel: str
    ask: str
    """Query, command, file or column, by the kind of the connection."""
    item: int = 1
    """Which of the numbers in the answer, from 1."""
    unit: str = ""
    """Of the number as received; '' = as the standard or the header says, else the channel's own."""
    factor: float | None = None
    number_format: str = ""
    """linear11 | ulinear16 | direct | half | unsigned; '' = as the standard says"""
    m: float | None = None
    b: float | None = None
    r: float | None = None
    sensor: str = ""
    """pt100 | pt1000 | type_k | type_t; '' = the number is the channel itself"""
    must_see: bool = True
    """Whether a run stops when this channel stays away."""


@dataclass(frozen=True, slots=True)
class LoadProgram:
    """A program that loads the processor."""

    name: str
    command: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StopAction:
    """What else is done when a run is stopped in need, beside ending the load."""

    command: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Instrument:
    name: str
    description: str = ""
    period: float | None = None
    """Nominal sampling period [s]."""
    averaging: float | None = None
    """Length over which one reading is averaged [s]; None = unknown."""
    stamp_at: str = "unknown"
    """start | middle | end | unknown: which moment of the averaging the stamp marks."""
    accuracy: Mapping[str, Accuracy] = field(default_factory=_empty)
    """By channel name."""
    connection: Connection | None = None
    """None = its log is brought in afterwards."""
    reading: Mapping[str, ReadingSource] = field(default_factory=_empty)
    """What is read live, by channel name."""


@dataclass(frozen=True, slots=True)
class Bench:
    """Everything on the table."""

    name: str
    board: Board
    regulator: Regulator
    processor: Processor
    cooling: Cooling
    instruments: tuple[Instrument, ...]
    simulated: bool = False
    notes: str = ""
    file: str = ""
    fingerprint: str = ""
    """sha256 of the bench file."""
    loads: tuple[LoadProgram, ...] = ()
    stop: StopAction = field(default_factory=StopAction)

    def instrument(self, name: str) -> Instrument:
        """Return the instrument called `name`; KeyError if it is not on the bench."""
        for item in self.instruments:
            if item.name == name:
                return item
        raise KeyError(name)


# ---- campaign -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ColumnTerm:
    """One product of columns; `units` overrides the header's unit ('' = as in the header)."""

    columns: tuple[str, ...]
    """Column names as in the header, or '#3' for a position (first column is #1)."""
    units: tuple[str, ...] = ()
    factor: float = 1.0


@dataclass(frozen=True, slots=True)
class ChannelSource:
    """A channel as a sum of products of columns of one log."""

    channel: str
    terms: tuple[ColumnTerm, ...]
    counter_range: float | None = None
    """Count at which an energy counter starts again from 0 [J]; None = not stated."""


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One log of the campaign: one instrument's clock, one or more files in order."""

    name: str
    files: tuple[str, ...]
    """Relative to the campaign folder."""
    instrument: str
    channels: tuple[ChannelSource, ...]
    time_columns: tuple[str, ...] = ()
    """Empty = found by the reader; two = date and time of day."""
    time_format: str = ""
    """strptime-like or epoch_s | epoch_ms | epoch_us | epoch_ns | elapsed_s | elapsed_ms; '' = found by the reader."""
    zone: str = ""
    shared_clock: str = ""
    """Logs of the same word were stamped by one and the same clock; '' = each has its own."""
    clock_offset: float | None = None
    """What a person says is to be added to this clock to get the reference clock [s]; None = found."""
    encoding: str = ""
    delimiter: str = ""
    decimal: str = ""
    header_line: int | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One planned setting held for a time."""

    name: str
    settings: Mapping[str, float | str]
    """SI: phase_count, load, package_power, rail_current, protection_phase_current, fan_duty and so on."""
    start: str = ""
    """'' = found from edges; time since the first stamp ('120 s') or clock time, on the log that `clock` names."""
    end: str = ""
    """Written as `start`; '' = where the next step begins, for the last one where the record ends."""
    clock: str = ""
    """'' = the reference log."""
    window_start: float | None = None
    """Time after the start of the step at which its window begins [s]; None = found."""
    window_end: float | None = None
    """Time after the start of the step at which its window ends [s]; None = found."""
    files: Mapping[str, str] = field(default_factory=_empty)
    """log name -> file that holds exactly this step."""
    baseline: bool = False
    outcome: str = ""
    """What the person saw: '' | ran | tripped | clamped | crashed."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Cost:
    hours_per_day: float = 8.0
    days_per_year: float = 365.0
    price: float | None = None
    """Per kWh."""
    currency: str = ""


@dataclass(frozen=True, slots=True)
class Campaign:
    """One investigation: what was done and which files tell of it."""

    name: str
    logs: tuple[LogEntry, ...]
    steps: tuple[Step, ...]
    cost: Cost = field(default_factory=Cost)
    reference_log: str = ""
    """'' = the fastest power log."""
    step_source: str = "times"
    """times | files | edges"""
    settle_bound: float = 1.0
    """Settled means: |slope| x longest time constant is below this [K] at 95 %."""
    window_length: float | None = None
    """Wished length of a steady window [s]; None = found."""
    window_lead: float | None = None
    """Time after the start of a step that no window may use [s]."""
    simulated: bool = False
    notes: str = ""
    file: str = ""
    fingerprint: str = ""


@dataclass(frozen=True, slots=True)
class Checked:
    """Both files of a campaign folder with everything that is wrong or doubtful about them."""

    bench: Bench | None
    """None when bench.toml has faults."""
    campaign: Campaign | None
    """None when campaign.toml, or what it needs of bench.toml, has faults."""
    faults: tuple[Fault, ...]
    cautions: tuple[str, ...]
    """What is allowed but doubtful, what is then not computable, and the line to add."""
