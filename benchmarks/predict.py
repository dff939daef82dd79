"""Arrays of settings a second: the model's `predict_many` beside the same closed form written plainly in numpy.

Both say the same to rounding; the plain one makes a new array for every operation and works on the whole at once.
"""

from __future__ import annotations

import argparse
import os
import time

import numpy as np

from phasewright.live import demo_scenario
from phasewright.model import fitted_prior, predict, predict_many, prior_of
from phasewright.model.fitting import values_at
from phasewright.model.formula import excess_of, input_of, load_from_current, settle


def plain(fitted, count, current, coolant) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return temperature [degC], loss [W] and input power [W], straight from the formula."""
    p = {name: float(value) for name, value in values_at(fitted.prior, fitted.score).items()}
    load = load_from_current(p, np.maximum((current - p["rail_current_offset"]) / (1.0 + p["rail_current_gain"]), 0.0))
    state = settle(p, count, load, coolant, excess_of(p, count, fitted.bench.regulator.phase_count, 0.0))
    return state.temperature, state.loss, input_of(p, load, state.loss, fitted.bench.board.input_voltage)[0]


def best_of(work, repeats: int = 5) -> float:
    """Return the shortest time of several runs [s]."""
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return min(times)


def main() -> None:
    """Print one table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--settings", type=int, default=4_000_000)
    size = parser.parse_args().settings
    fitted = fitted_prior(prior_of(demo_scenario().bench))
    generator = np.random.default_rng(1)
    count = generator.integers(1, fitted.bench.regulator.phase_count + 1, size)
    current, coolant = generator.uniform(10.0, 250.0, size), generator.uniform(20.0, 45.0, size)
    ours = predict_many(fitted, count, current, coolant_temperature=coolant)
    temperature, loss, drawn = plain(fitted, count, current, coolant)
    known = np.isfinite(temperature)
    apart = max(np.max(np.abs(a[known] - b[known])) for a, b in ((ours.regulator_temperature, temperature),
                (ours.conversion_loss, loss), (ours.input_power, drawn)))  # fmt: skip
    print(f"{size:,} settings, {os.cpu_count()} cores, load average {os.getloadavg()[0]:.1f}; apart by at most {apart:.1e}")
    rows = [
        ("plain numpy", lambda: plain(fitted, count, current, coolant)),
        ("predict_many, 1 thread", lambda: predict_many(fitted, count, current, coolant_temperature=coolant, workers=1)),
        ("predict_many", lambda: predict_many(fitted, count, current, coolant_temperature=coolant)),
        ("predict_many, package power",
         lambda: predict_many(fitted, count, package_power=current, coolant_temperature=coolant)),
        ("predict_many, one phase count", lambda: predict_many(fitted, 5, current, coolant_temperature=30.0)),
    ]  # fmt: skip
    for name, work in rows:
        print(f"{name:<34}{size / best_of(work) / 1e6:>8.1f} million settings/s")
    setting = {"phase_count": 4, "package_power": 250.0, "coolant_temperature": 35.0}
    print(f"{'predict, with intervals and verdict':<34}{1e3 * best_of(lambda: predict(fitted, setting)):>8.1f} ms")


if __name__ == "__main__":
    main()
