"""Plain arithmetic of rail and phase currents, each at its worst: ripple peak, sharing error, threshold error."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from phasewright import physics
from phasewright.bench import Bench

__all__ = ["SHARING", "Phases", "phases_of", "setting_value", "settings_on"]

SHARING, INDUCTANCE, FREQUENCY, RAIL_VOLTAGE = 0.1, 150e-9, 500e3, 1.2
"""Stand-ins where the bench is silent: [1], [H], [Hz], [V]; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Phases:
    """What a setting makes of a rail current, phase by phase."""

    count: int
    stages: int
    """Stages in each phase."""
    ripple: float
    """Of one phase, peak to peak [A]."""
    total_ripple: float
    """Of all phases together, peak to peak [A]."""
    sharing_error: float

    def peak(self, rail_current: float) -> float:
        """Return the greatest moment of the fullest phase [A] at a rail current [A]."""
        return float(physics.greatest_phase_current(rail_current, self.count, self.sharing_error)) + 0.5 * self.ripple

    def rail_current_at(self, phase_peak: float) -> float:
        """Return the rail current [A] at which the fullest phase peaks at `phase_peak` [A]; 0 if ripple alone does."""
        return max(0.0, (phase_peak - 0.5 * self.ripple) * self.count / (1.0 + self.sharing_error))


def settings_on(bench: Bench, settings: Mapping[str, float | str]) -> dict[str, float | str]:
    """Return the settings of a step, completed with what stands on the bench."""
    return {"phase_count": bench.regulator.phase_count, **settings}


def setting_value(settings: Mapping[str, float | str], name: str, otherwise: float | None) -> float | None:
    """Return a numeric setting, or what the bench says."""
    value = settings.get(name)
    return otherwise if value is None else float(value)


def phases_of(bench: Bench, settings: Mapping[str, float | str]) -> Phases:
    """Return how a rail current divides over the phases at `settings` (SI, as those of a step)."""
    regulator = bench.regulator
    count = int(settings.get("phase_count", regulator.phase_count))
    voltage = setting_value(settings, "rail_voltage", regulator.rail_voltage) or RAIL_VOLTAGE
    frequency = setting_value(settings, "switching_frequency", regulator.switching_frequency) or FREQUENCY
    inductance = regulator.inductor.inductance or INDUCTANCE
    supply = bench.board.input_voltage
    return Phases(
        count,
        regulator.stages_per_phase,
        float(physics.phase_ripple(supply, voltage, inductance, frequency)),
        float(physics.total_ripple(supply, voltage, inductance, frequency, count)),
        SHARING if regulator.sharing_error is None else regulator.sharing_error,
    )
