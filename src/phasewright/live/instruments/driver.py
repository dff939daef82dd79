"""What a driver is: it opens, reads all its channels at once, closes. It never raises for a missing reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from phasewright.bench import Instrument, ReadingSource, base_channel
from phasewright.live.clock import Clock
from phasewright.live.encoding.answers import Answered
from phasewright.live.encoding.sensors import platinum_temperature, thermocouple_temperature
from phasewright.live.transport.i2c import Bus
from phasewright.quantity import convert


@dataclass(frozen=True, slots=True)
class Reading:
    """One channel, once."""

    channel: str
    value: float | None
    """In the channel's unit; None = missing."""
    stamp_ns: int
    """Monotonic clock [ns]."""
    raw: str = ""
    """As received."""
    flag: str = ""
    """Why it is missing or doubtful."""
    half_width_ns: int = 0
    """The stamp is off by no more than this."""


@dataclass(slots=True)
class Polled:
    """What one look at an instrument gave."""

    readings: list[Reading] = field(default_factory=list)
    events: list[tuple[str, str]] = field(default_factory=list)
    """(what happened, particulars)."""


class DriverFault(Exception):
    """The instrument as described cannot be read at all; the text says why and the mend."""


class Driver(Protocol):
    """One instrument on the wire."""

    identity: str

    def open(self) -> None:
        """Connect; DriverFault where the description is at fault. An instrument that is merely away is no fault."""
        ...

    def read(self) -> Polled:
        """Return every channel once, or whatever came in since the last call; reconnects by itself."""
        ...

    def close(self) -> None:
        """Let go; never fails."""
        ...

    # A driver may also have check_settings(): called as a step begins, it makes the next look ask whether the instrument
    # is still set as it was. Those of other packages may go without.


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What drivers need of the machine; tests and the dry run put stand-ins here."""

    clock: Clock
    folder: Path = Path()
    """Relative paths of addresses start here."""
    root: Path = Path("/sys")
    open_bus: Callable[[int, bool], Bus] | None = None
    """Called as open_bus(number, error_code); None = the machine's own."""


def to_channel(source: ReadingSource, number: float, unit: str = "") -> Answered:
    """Return the channel's value from a number as received; `unit` is what the standard or a header says it is in."""
    value = number * (1.0 if source.factor is None else source.factor)
    own = base_channel(source.channel).unit
    try:
        if source.sensor in ("pt100", "pt1000"):
            return Answered(platinum_temperature(value, 100.0 if source.sensor == "pt100" else 1000.0))
        if source.sensor in ("type_k", "type_t"):
            # The instrument is taken to refer its millivolts to 0 degC.
            return Answered(thermocouple_temperature(value, source.sensor[-1].upper()))
        given = source.unit or unit or own
        return Answered(float(convert(value, given, own)) if given != own else value)
    except ValueError as error:
        return Answered(None, str(error))


def missing(instrument: Instrument, stamp_ns: int, why: str) -> list[Reading]:
    """Return a missing reading for every channel of an instrument."""
    return [Reading(channel, None, stamp_ns, "", why) for channel in instrument.reading]
