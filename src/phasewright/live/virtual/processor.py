"""What the simulated processor must do to take a wished power."""

from __future__ import annotations

import numpy as np

from phasewright.live.virtual.parts import Parts


def dynamic_power(parts: Parts, package_power: float) -> float:
    """Return the dynamic power at the set voltage that makes the package take `package_power` at 65 degC [W].

    Raises
    ------
    ValueError
        When the load line cannot carry that much at any voltage.
    """
    h = parts.hidden
    core = package_power - h.auxiliary_power
    carried = parts.set_voltage**2 / (4.0 * parts.load_line) if parts.load_line else np.inf
    if core > carried:
        raise ValueError(
            f"the load line carries {carried:.0f} W at most (package_power = {package_power:g} W, load_line = "
            f"{parts.load_line:g} Ohm, set voltage {parts.set_voltage:g} V) - power must stay below V^2/(4 R) - "
            "choose less power or a smaller load line"
        )
    voltage = 0.5 * (parts.set_voltage + np.sqrt(parts.set_voltage**2 - 4.0 * parts.load_line * core))
    ratio = voltage / parts.set_voltage
    leakage = h.leakage * np.exp(5.0 / h.leakage_temperature) * ratio**h.leakage_voltage
    return float(max((core - leakage) / ratio**2, 0.5))
