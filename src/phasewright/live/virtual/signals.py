"""The true signals of a run on lab time, as cumulative integrals: any mean over any interval is two look-ups."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.live.virtual import electrical
from phasewright.live.virtual.simulation import Run
from phasewright.live.virtual.workload import BLOCK, GRID


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """A quantity over lab time from 0: `integral` (n + 1,) at multiples of `dt` [s]; piecewise constant between."""

    dt: float
    integral: np.ndarray

    def at(self, time):
        """Return the integral from 0 to `time` [s]; before and after the record the signal is as at its ends."""
        x = np.asarray(time, dtype=float) / self.dt
        index = np.clip(x.astype(np.int64), 0, len(self.integral) - 2)
        return self.integral[index] + (x - index) * (self.integral[index + 1] - self.integral[index])

    def mean(self, start, end):
        """Return the mean between `start` and `end` [s]; for equal ends the value there."""
        start, end = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
        length = end - start
        instant = length <= 1e-9
        # A hundredth of a step: an instant that still survives the difference of two large integrals.
        start = np.where(instant, end - 0.01 * self.dt, start)
        return (self.at(end) - self.at(start)) / np.where(instant, 0.01 * self.dt, length)


def _signal(values: np.ndarray, dt: float) -> Signal:
    integral = np.zeros(len(values) + 1)
    np.cumsum(values, out=integral[1:])
    integral *= dt
    return Signal(dt, integral)


def _fine(second_values: np.ndarray) -> np.ndarray:
    return np.repeat(second_values, BLOCK)


def lagged(points: np.ndarray, lag: float) -> np.ndarray:
    """Return a first-order lag of `points` at whole seconds, exact for straight lines between them."""
    if lag <= 0 or len(points) < 2:
        return points
    keep = float(np.exp(-1.0 / lag))
    ramp = 1.0 - lag * (1.0 - keep)
    # y[k+1] = keep*y[k] + (1-keep-ramp)*x[k] + ramp*x[k+1]
    drive = (1.0 - keep - ramp) * points[:-1] + ramp * points[1:]
    out = np.empty_like(points)
    last = out[0] = points[0]
    for k, value in enumerate(drive.tolist()):
        last = keep * last + value
        out[k + 1] = last
    return out


class Signals:
    """Every true signal of a run by channel name."""

    def __init__(self, run: Run):
        self.run = run
        self.length = float(len(run.fan))
        self._made: dict[tuple[str, float], Signal] = {}
        self.points = self._slow_points()
        self.steps = {"fan_duty": run.fan, "phase_count": run.phases, "protection_active": run.protected,
                      "alive": run.alive, "phase_current_peak": run.peak}
        self.fine = self._fine_values()

    def _slow_points(self) -> dict[str, np.ndarray]:
        t, nodes = self.run.temperatures, self.run.network.nodes
        stages = t[:, nodes.stage]
        return {
            "regulator_temperature": stages.max(axis=1), "regulator_temperature.mean": stages.mean(axis=1),
            "inductor_temperature": t[:, nodes.inductor].max(axis=1),
            "board_temperature": t[:, nodes.copper].mean(axis=1), "connector_temperature": t[:, nodes.path],
            "coolant_temperature": t[:, nodes.coolant], "processor_temperature": t[:, nodes.die],
            "ambient_temperature": self.run.surroundings.room_at(np.arange(len(t), dtype=float)),
        }

    def _fine_values(self) -> dict[str, np.ndarray]:
        run, parts = self.run, self.run.parts
        h = parts.hidden
        current, voltage = run.current, run.voltage
        loss = _fine(run.total[:, 0]) + current * (_fine(run.total[:, 1]) + current * _fine(run.total[:, 2]))
        # Nothing switches in the dark: samples without current after a trip have no loss either.
        dark = voltage == 0.0
        loss[dark] = 0.0
        rail = voltage * current
        path = _fine(run.constant[:, 2])
        drawn = electrical.input_current(rail + loss + run.other, parts.supply_voltage, h.source_resistance + path)
        meter_voltage = parts.supply_voltage - h.source_resistance * drawn
        share = 0.5 * (1.0 + 0.5 * h.connector_mismatch)
        return {
            "rail_current": current, "rail_voltage": voltage, "rail_power": rail,
            "package_power": rail + run.auxiliary, "regulator_loss": loss, "other_loads": run.other,
            "path_loss": path * drawn * drawn, "input_power": meter_voltage * drawn, "input_current": drawn,
            "input_voltage": meter_voltage, "input_voltage.1": meter_voltage, "input_voltage.2": meter_voltage,
            "input_current.1": share * drawn, "input_current.2": (1.0 - share) * drawn,
        }

    def names(self) -> tuple[str, ...]:
        """Return the names of all true signals."""
        return (*self.fine, *self.points, *self.steps)

    def get(self, name: str, lag: float = 0.0) -> Signal:
        """Return the signal called `name`, seen through a first-order lag [s]; KeyError if there is none."""
        key = (name, lag)
        if key not in self._made:
            if name in self.fine:
                self._made[key] = _signal(self.fine[name], GRID)
            elif name in self.points:
                points = lagged(self.points[name], lag)
                # Finer than the thermal step, so that readings between whole seconds follow the straight line.
                fine = np.interp(np.arange(0.125, len(points) - 1, 0.25), np.arange(len(points)), points)
                self._made[key] = _signal(fine, 0.25)
            else:
                self._made[key] = _signal(self.steps[name].astype(float), 1.0)
        return self._made[key]
