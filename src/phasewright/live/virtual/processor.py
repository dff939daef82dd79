"""What the simulated processor must do to take a wished power."""

from __future__ import annotations

import numpy as np

from phasewright.live.virtual.parts import Parts


def dynamic_power(parts: Parts, package_power: float) -> float:
    """Return the dynamic power at the set voltage that makes the package take `package_power` at 65 degC [W]."""
    h = parts.hidden
    core = package_power - h.auxiliary_power
    voltage = 0.5 * (parts.set_voltage + np.sqrt(parts.set_voltage**2 - 4.0 * parts.load_line * core))
    ratio = voltage / parts.set_voltage
    leakage = h.leakage * np.exp(5.0 / h.leakage_temperature) * ratio**h.leakage_voltage
    return float(max((core - leakage) / ratio**2, 0.5))
