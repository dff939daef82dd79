"""Many settings at once, as fast as memory feeds them: the settled state in closed form, without intervals.

At one phase count every figure is a rational function of the rail current, so a table of a dozen numbers by phase
count is all that the parameters have to give; arrays go through it in pieces that stay in the processor's cache.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from phasewright.model.fitting import values_at
from phasewright.model.formula import REFERENCE, excess_of, hottest_phase, load_from_package, phase_losses
from phasewright.model.records import Fitted

__all__ = ["ManyPredictions", "predict_many"]

PIECE = 8192
"""Settings that are worked at in one go: ten arrays of them fill half a megabyte."""


@dataclass(frozen=True, slots=True, eq=False)
class ManyPredictions:
    """What many settings would do once settled; arrays of the settings' common shape, infinite where heat runs away."""

    regulator_temperature: np.ndarray
    """Hottest stage [degC]."""
    conversion_loss: np.ndarray
    """[W]"""
    input_power: np.ndarray
    """At the meter [W]."""
    package_power: np.ndarray
    """[W]"""
    loop_gain: np.ndarray
    """Kelvin that one kelvin more brings [1]; runaway at 1."""

    @property
    def delivery_efficiency(self) -> np.ndarray:
        """Package power over input power [1]."""
        return self.package_power / self.input_power


def predict_many(
    fitted: Fitted,
    phase_count: np.ndarray | int,
    rail_current: np.ndarray | float | None = None,
    *,
    package_power: np.ndarray | float | None = None,
    coolant_temperature: np.ndarray | float,
    workers: int | None = None,
) -> ManyPredictions:
    """Return the most probable settled state of many settings, arrays of any shapes that go together.

    Parameters
    ----------
    fitted
        The model.
    phase_count
        Phases that are on [1], whole numbers from 1 to those fitted.
    rail_current
        As this bench's instrument reads it [A].
    package_power
        As this bench's instrument reads it [W]; one of both is given.
    coolant_temperature
        [degC]
    workers
        Threads; None = one for each core.

    Raises
    ------
    ValueError
        When both or none of the loads are given, or a phase count is not fitted.
    """
    if (rail_current is None) == (package_power is None):
        raise ValueError("one load (rail_current, package_power) - either is needed, not both - give one of them")
    count = np.asarray(phase_count)
    fitted_count = fitted.bench.regulator.phase_count
    if count.size and (count.min() < 1 or count.max() > fitted_count):
        raise ValueError(f"phase_count from {count.min()} to {count.max()} - {fitted_count} are fitted - take 1 to "
                         f"{fitted_count}")  # fmt: skip
    given = package_power if rail_current is None else rail_current
    shape = np.broadcast_shapes(count.shape, np.shape(given), np.shape(coolant_temperature))
    p = {name: float(value) for name, value in values_at(fitted.prior, fitted.score).items()}
    table = _table(fitted, p)
    load = _flat(given, shape, float)
    inputs = (_flat(count.astype(np.intp), shape, np.intp), load, _flat(coolant_temperature, shape, float))
    total = int(np.prod(shape, dtype=np.int64))
    found = ManyPredictions(*(np.empty(shape) for _ in range(5)))
    flat = [getattr(found, name).reshape(-1) for name in ManyPredictions.__slots__]
    voltage = fitted.bench.board.input_voltage
    channel = "rail_current" if package_power is None else "package_power"

    def work(share: tuple[int, int]) -> None:
        for first in range(share[0], share[1], PIECE):
            part = slice(first, min(first + PIECE, share[1]))
            own = [item if item.size == 1 else item[part] for item in inputs]
            _piece(table, p, channel, voltage, own, [item[part] for item in flat])

    threads = max(1, min(workers or os.cpu_count() or 1, -(-total // (4 * PIECE))))
    bounds = np.linspace(0, total, threads + 1).astype(int).tolist()
    shares = list(zip(bounds[:-1], bounds[1:], strict=True))
    with np.errstate(divide="ignore", invalid="ignore"):
        if threads == 1:
            work(shares[0])
        else:
            with ThreadPoolExecutor(threads) as pool:
                list(pool.map(_quietly(work), shares))
    return found


def _quietly(work):
    """Return `work` with warnings off in its own thread."""

    def quiet(share: tuple[int, int]) -> None:
        with np.errstate(divide="ignore", invalid="ignore"):
            work(share)

    return quiet


def _flat(values, shape: tuple[int, ...], kind) -> np.ndarray:
    """Return one number, or all of them in a row."""
    values = np.asarray(values, dtype=kind)
    return values.reshape(1) if values.size == 1 else np.ascontiguousarray(np.broadcast_to(values, shape)).reshape(-1)


def _table(fitted: Fitted, p: dict[str, float]) -> np.ndarray:
    """Return (8, phases + 1): of losses and rise without growth the parts by I^0, I and I^2; of their growth by I^2."""
    counts = np.arange(1.0, fitted.bench.regulator.phase_count + 1.0)
    scatter = np.zeros(len(counts))
    for k, count in enumerate(fitted.phase_counts):
        if 1 <= count <= len(counts):
            scatter[count - 1] = fitted.score[len(fitted.prior.beliefs) + k]
    excess = excess_of(p, counts, fitted.bench.regulator.phase_count, scatter)

    def loss(current: float) -> np.ndarray:
        return phase_losses(p, counts, current)[0] + p["board_loss"] + p["path_resistance"] * current**2

    def rise(current: float) -> np.ndarray:
        return p["plate_rise"] * loss(current) + p["stage_rise"] * hottest_phase(p, counts, current, excess)[0]

    growth = phase_losses(p, counts, 1.0)[1]
    gain = p["plate_rise"] * growth + p["stage_rise"] * hottest_phase(p, counts, 1.0, excess)[1]
    rows = [*_powers(loss), *_powers(rise), growth, gain]
    # Row 0 of a lookup by phase count is never asked for.
    return np.concatenate([np.zeros((8, 1)), np.array(rows)], axis=1)


def _powers(function) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the parts of a quadratic by I^0, I and I^2."""
    none, one, two = function(0.0), function(1.0), function(2.0)
    square = 0.5 * (two - 2.0 * one + none)
    return none, one - none - square, square


def _piece(
    table: np.ndarray, p: dict[str, float], channel: str, voltage: float, given: list[np.ndarray], out: list[np.ndarray]
) -> None:
    """Fill `out` (temperature, loss, input, package, gain) for one piece of settings."""
    count, read, coolant = given
    temperature, loss, drawn, package, gain = out
    true = (read - p[f"{channel}_offset"]) * (1.0 / (1.0 + p[f"{channel}_gain"]))
    np.maximum(true, 0.0, out=true)
    if channel == "rail_current":
        current = true
        rail = (p["rail_setpoint"] - p["load_line"] * current) * current
    else:
        load = load_from_package(p, true)
        current, rail = load.current, load.voltage * load.current
    np.add(rail, p["other_rails"], out=package)
    if channel == "package_power":
        package[...] = true
    c0, c1, c2, r0, r1, r2, growth, push = table[:, count]
    square = current * current
    np.multiply(push, square, out=gain)
    # Where it would settle if the loss stayed as at the reference temperature, and then with its growth.
    np.multiply(r2, square, out=temperature)
    temperature += r1 * current
    temperature += r0 + coolant
    temperature += p["package_rise"] * package
    temperature -= REFERENCE
    temperature /= 1.0 - gain
    np.multiply(growth * temperature + c2, square, out=loss)
    loss += c1 * current
    loss += c0
    temperature += REFERENCE
    away = gain >= 1.0
    if away.any():
        temperature[away] = np.inf
        loss[away] = np.inf
    beyond = rail + loss
    beyond += p["other_power"]
    ratio = 4.0 * p["supply_resistance"] / (voltage * voltage)
    np.multiply(beyond, -ratio, out=drawn)
    drawn += 1.0
    np.sqrt(drawn, out=drawn)
    drawn += 1.0
    np.divide(beyond, drawn, out=drawn)
    drawn *= 2.0
