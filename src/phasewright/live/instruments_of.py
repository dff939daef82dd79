"""Finds the driver for each instrument: our own, and those that other packages bring by entry point."""

from __future__ import annotations

import os
from collections.abc import Callable
from importlib.metadata import entry_points

from phasewright.bench import Bench, Fault, Instrument, NotReady, escape
from phasewright.live.instruments.driver import Driver, DriverFault, Surroundings
from phasewright.live.instruments.lines import LinesDriver
from phasewright.live.instruments.pmbus import PmbusDriver
from phasewright.live.instruments.scpi import ScpiDriver
from phasewright.live.instruments.sysfs import HwmonDriver, IioDriver, PowercapDriver
from phasewright.live.instruments.tail import TailDriver

GROUP = "phasewright.drivers"
"""Entry point group: the name is the kind of connection, the object is called with (instrument, surroundings)."""
SWITCH = "PHASEWRIGHT_NO_DRIVERS"
"""Environment variable: set to anything, drivers of other packages stay out."""
OWN: dict[str, Callable[[Instrument, Surroundings], Driver]] = {
    "scpi": ScpiDriver, "pmbus": PmbusDriver, "hwmon": HwmonDriver, "iio": IioDriver, "powercap": PowercapDriver,
    "lines": LinesDriver, "tail": TailDriver,
}  # fmt: skip


def kinds() -> tuple[str, ...]:
    """Return every kind of connection that can be used here."""
    return (*OWN, *sorted(_others()))


def _others() -> dict[str, Callable[[], Callable[[Instrument, Surroundings], Driver]]]:
    if os.environ.get(SWITCH):
        return {}
    # A kind of ours cannot be replaced from outside.
    return {item.name: item.load for item in entry_points(group=GROUP) if item.name not in OWN}


def drivers_of(bench: Bench, surroundings: Surroundings) -> dict[str, Driver]:
    """Return a driver for every instrument with a connection, by name; NotReady with every fault of all of them."""
    found: dict[str, Driver] = {}
    faults = []
    file = bench.file or "bench.toml"
    for item in bench.instruments:
        if item.connection is None or not item.connection.kind:
            continue
        kind = item.connection.kind
        try:
            if kind in OWN:
                found[item.name] = OWN[kind](item, surroundings)
            elif kind in (others := _others()):
                found[item.name] = others[kind]()(item, surroundings)
            else:
                faults.append(Fault(file, f"{item.name}: kind = {escape(kind)!r} is no kind of connection",
                                    f"write one of {', '.join(kinds())}"))
        except DriverFault as error:
            what, _, mend = str(error).rpartition(" - ")
            faults.append(Fault(file, what or str(error), mend))
    if faults:
        raise NotReady(faults)
    if not found:
        raise NotReady(Fault(file, "no instrument has a connection", "add [instrument.connection] to one of them"))
    return found
