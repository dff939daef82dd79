"""Numbers in Linux sysfs files: hwmon, iio and powercap.

Source: Linux kernel, Documentation/hwmon/sysfs-interface.rst, Documentation/power/powercap/powercap.rst and
Documentation/ABI/testing/sysfs-bus-iio.
"""

from __future__ import annotations

import re

HWMON = {
    "in": ("V", 1e-3), "curr": ("A", 1e-3), "temp": ("degC", 1e-3), "power": ("W", 1e-6), "energy": ("J", 1e-6),
    "fan": ("Hz", 1.0 / 60.0), "pwm": ("1", 1.0 / 255.0), "freq": ("Hz", 1.0), "humidity": ("1", 1e-5),
}  # fmt: skip
"""Kind of an hwmon file -> (unit, SI value of one count): mV, mA, millidegree, uW, uJ, revolutions a minute."""
IIO = {
    "voltage": ("V", 1e-3), "current": ("A", 1e-3), "power": ("W", 1e-3), "temp": ("degC", 1e-3),
    "resistance": ("Ohm", 1.0),
}  # fmt: skip
"""Kind of an iio channel -> (unit, SI value of one unit after offset and scale): mV, mA, mW, millidegree."""
POWERCAP = {"energy_uj": ("J", 1e-6), "power_uw": ("W", 1e-6), "max_energy_range_uj": ("J", 1e-6)}


def hwmon_unit(file: str) -> tuple[str, float]:
    """Return (unit, SI value of one count) of an hwmon file such as ``temp1_input``; ValueError when it has none."""
    found = re.fullmatch(r"([a-z]+?)(\d+)(?:_(input|average|lowest|highest|max|crit))?", file)
    kind = found[1] if found else ""
    if found is None or kind not in HWMON or (kind != "in" and found[2] == "0"):
        raise ValueError(f"no reading of hwmon is called so (file = {file!r}) - e.g. in0_input, temp1_input - see its folder")
    return HWMON[kind]


def iio_value(raw: float, scale: float = 1.0, offset: float = 0.0) -> float:
    """Return (raw + offset) * scale, in the thousandths that iio uses."""
    return (raw + offset) * scale


def whole_number(text: str) -> int:
    """Return the number in a sysfs file; ValueError when there is none, or more than one."""
    plain = text.strip()
    if not re.fullmatch(r"[-+]?[0-9]{1,19}", plain):
        raise ValueError(f"no whole number (text = {plain[:40]!r}) - a sysfs file holds one - the driver has nothing to say")
    return int(plain)


def decimal_number(text: str) -> float:
    """Return the decimal number in a sysfs file; ValueError when there is none."""
    plain = text.strip()
    if not re.fullmatch(r"[-+]?[0-9]{1,19}(\.[0-9]{1,19})?", plain):
        raise ValueError(f"no number (text = {plain[:40]!r}) - a sysfs file holds one - the driver has nothing to say")
    return float(plain)


def energy_step(before: int, after: int, count_range: int) -> int:
    """Return the counts between two readings of a counter that starts again from 0 at `count_range`.

    Right as long as the counter went round at most once; see `longest_wait`.
    """
    step = after - before
    return step + count_range if step < 0 else step


def longest_wait(count_range: float, power: float) -> float:
    """Return the time in which a counter of `count_range` [J] goes round at `power` [W]; ValueError for power <= 0."""
    if power <= 0.0:
        raise ValueError(f"power (power = {power}) - must be above 0 - give the greatest power that may flow")
    return count_range / power
