"""What is simulated: phases, capacitor banks, the circuit that they form, and the load it feeds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from phasewright.physics._arguments import refuse

__all__ = ["CapacitorBank", "Circuit", "LoadProfile", "Phases", "each_phase", "require"]

MOST_PHASES = 32


def require(what: str, name: str, value: Any, low: float = -math.inf, *, above: bool = False) -> float:
    """Return `value` as a finite float of at least `low` (or above it); ValueError says which part is impossible."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise refuse(name, repr(value), f"{name} is one number", f"give {name} as a number", what) from None
    if not math.isfinite(number) or number < low or (above and number <= low):
        rule = f"must be finite and {'above' if above else 'at least'} {low:g}" if low > -math.inf else "must be finite"
        raise refuse(name, number, f"{name} {rule}", f"mend {name}", what)
    return number


def each_phase(
    what: str, name: str, value: Any, count: int, low: float = -math.inf, *, above: bool = False
) -> tuple[float, ...]:
    """Return one float a phase from one number for all or a sequence of `count`; ValueError when impossible."""
    if isinstance(value, str) or not hasattr(value, "__len__"):
        return (require(what, name, value, low, above=above),) * count
    if len(value) != count:
        mend = f"give one number for all phases, or {count} of them"
        raise refuse(f"len({name})", len(value), f"{name} has one entry a phase ({count})", mend, what)
    return tuple(require(what, f"{name}[{k}]", item, low, above=above) for k, item in enumerate(value))


@dataclass(frozen=True, slots=True)
class Phases:
    """The phases of a regulator, each with its own parts: one number for all of them, or one a phase.

    Raises ValueError when a part is impossible (inductance not above 0, a resistance below 0, a count that is no
    whole number from 1 to 32, a sequence that has not one entry a phase).
    """

    phase_count: int
    """[1], 1 to 32"""
    inductance: float | Sequence[float]
    """[H]"""
    inductor_resistance: float | Sequence[float] = 0.0
    """[Ohm] winding resistance (DCR)"""
    high_side_resistance: float | Sequence[float] = 0.0
    """[Ohm]"""
    low_side_resistance: float | Sequence[float] = 0.0
    """[Ohm]"""
    phase_shift: float | Sequence[float] | None = None
    """Share of the period by which each phase's turn-on lies after the clock [1]; None spreads them evenly, k / N."""
    duty_error: float | Sequence[float] = 0.0
    """What each phase adds to the duty that it is told [1]."""
    rising_dead_time: float | Sequence[float] = 0.0
    """[s] with both switches off before the high side turns on"""
    falling_dead_time: float | Sequence[float] = 0.0
    """[s] with both switches off after the high side has turned off"""
    diode_voltage: float | Sequence[float] = 0.0
    """[V] forward voltage while both switches are off"""

    def __post_init__(self) -> None:
        what = "impossible phases"
        count = self.phase_count
        if count != int(count) or not 1 <= count <= MOST_PHASES:
            rule = f"phase_count is a whole number from 1 to {MOST_PHASES}"
            raise refuse("phase_count", count, rule, "mend phase_count", what)
        count = int(count)
        object.__setattr__(self, "phase_count", count)
        if self.phase_shift is None:
            object.__setattr__(self, "phase_shift", tuple(k / count for k in range(count)))
        object.__setattr__(self, "inductance", each_phase(what, "inductance", self.inductance, count, 0.0, above=True))
        for name in ("inductor_resistance", "high_side_resistance", "low_side_resistance", "rising_dead_time",
                     "falling_dead_time", "diode_voltage"):  # fmt: skip
            object.__setattr__(self, name, each_phase(what, name, getattr(self, name), count, 0.0))
        for name in ("phase_shift", "duty_error"):
            object.__setattr__(self, name, each_phase(what, name, getattr(self, name), count))


@dataclass(frozen=True, slots=True)
class CapacitorBank:
    """Capacitors of one kind in parallel, as one: whole capacitance, and what lies in series with the whole of it.

    Raises ValueError when a value is impossible.
    """

    capacitance: float
    """[F] of the whole bank, at its voltage"""
    capacitor_resistance: float = 0.0
    """[Ohm] of the whole bank (ESR of one part over the number of parts)"""
    parasitic_inductance: float = 0.0
    """[H] of the whole bank (ESL of one part over the number of parts)"""

    def __post_init__(self) -> None:
        what = "impossible capacitor bank"
        object.__setattr__(self, "capacitance", require(what, "capacitance", self.capacitance, 0.0, above=True))
        for name in ("capacitor_resistance", "parasitic_inductance"):
            object.__setattr__(self, name, require(what, name, getattr(self, name), 0.0))


@dataclass(frozen=True, slots=True)
class Circuit:
    """A multiphase buck regulator from its supply to its load.

    The supply feeds the input banks and the high sides through its source impedance; without banks and impedance the
    input voltage stands still. The phases feed the output banks; the board path leads to the load with its own banks.
    Without path the load sits on the regulator's output. `load_line` acts as a resistance common to all phases that
    makes no heat, as an ideal regulator positions its voltage; it shares nothing out between phases.

    Raises ValueError when a value is impossible, when nothing at the output could take a ripple current, or when only
    inductances are to take the switched input current.
    """

    phases: Phases
    input_voltage: float
    """[V] of the supply"""
    switching_frequency: float
    """[Hz] of one phase"""
    output_banks: tuple[CapacitorBank, ...]
    load_line: float = 0.0
    """[Ohm]"""
    path_resistance: float = 0.0
    """[Ohm] out and back between regulator and load"""
    path_inductance: float = 0.0
    """[H] out and back between regulator and load"""
    load_banks: tuple[CapacitorBank, ...] = ()
    input_banks: tuple[CapacitorBank, ...] = ()
    source_resistance: float = 0.0
    """[Ohm] between supply and input banks"""
    source_inductance: float = 0.0
    """[H] between supply and input banks"""

    def __post_init__(self) -> None:
        what = "impossible circuit"
        for name in ("input_voltage", "switching_frequency"):
            object.__setattr__(self, name, require(what, name, getattr(self, name), 0.0, above=True))
        for name in ("load_line", "path_resistance", "path_inductance", "source_resistance", "source_inductance"):
            object.__setattr__(self, name, require(what, name, getattr(self, name), 0.0))
        for name in ("output_banks", "load_banks", "input_banks"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        if not self.output_banks and (not self.load_banks or self.has_path):
            mend = "add a CapacitorBank to output_banks"
            raise refuse("output_banks", "()", "capacitors take the ripple of the phases", mend, what)
        if self.input_banks and all(bank.parasitic_inductance > 0.0 for bank in self.input_banks):
            rule = "the switched input current jumps, so one input bank has no inductance"
            raise refuse("parasitic_inductance", "above 0 in all input_banks", rule, "set that of one bank to 0", what)
        if not self.input_banks and self.source_inductance > 0.0:
            rule = "the switched input current jumps, so an inductive supply needs an input bank"
            raise refuse("source_inductance", self.source_inductance, rule, "add a bank to input_banks", what)
        if self.input_banks and self.source_resistance == 0.0 and self.source_inductance == 0.0:
            rule = "banks beside a supply without impedance carry nothing"
            raise refuse("source_resistance", 0.0, rule, "state the supply's resistance or inductance", what)

    @property
    def period(self) -> float:
        """Time after which the clock repeats [s]."""
        return 1.0 / self.switching_frequency

    @property
    def has_path(self) -> bool:
        """True when something lies between the regulator's output and the load."""
        return self.path_resistance > 0.0 or self.path_inductance > 0.0


@dataclass(frozen=True, slots=True)
class LoadProfile:
    """Load current as straight lines between corners; before the first and after the last corner it stands still.

    Two corners at one time make a jump. Raises ValueError when the corners are not in order or not finite.
    """

    time: tuple[float, ...]
    """[s] corners, in order"""
    current: tuple[float, ...]
    """[A] at the corners"""

    def __post_init__(self) -> None:
        what = "impossible load profile"
        time = tuple(require(what, f"time[{k}]", item, 0.0) for k, item in enumerate(self.time))
        current = tuple(require(what, f"current[{k}]", item) for k, item in enumerate(self.current))
        object.__setattr__(self, "time", time)
        object.__setattr__(self, "current", current)
        if not time or len(time) != len(current):
            rule = f"every corner has a time and a current ({len(current)} currents)"
            raise refuse("len(time)", len(time), rule, "give both for every corner", what)
        for k in range(1, len(time)):
            if time[k] < time[k - 1]:
                rule = f"corners are in order of time (time[{k - 1}] = {time[k - 1]:g} s)"
                raise refuse(f"time[{k}]", time[k], rule, "sort the corners", what)
