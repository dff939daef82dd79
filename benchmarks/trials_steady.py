"""Trials of settling on made-up temperatures whose truth is known.

    python benchmarks/trials_steady.py [--trials 1000] [--only slope|coarse|settled|steps]

Four tables: slope tests at the limit under correlated noise; coarse sensors that must not prove small slopes;
extrapolated settled values with one, two and three time constants; whole steps called settled or not.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from phasewright.bench import Bench, Board, Campaign, Cooling, Processor, Regulator, Step
from phasewright.logs import AlignedTrace, Recording, StepSpan, find_window
from phasewright.logs.steady.slope import fit_slope


def correlated(generator: np.random.Generator, count: int, keep: float, spread: float) -> np.ndarray:
    """Return first-order autoregressive noise of standard deviation `spread`."""
    from scipy.signal import lfilter

    drive = generator.normal(0.0, spread * (1.0 - keep**2) ** 0.5, count)
    drive[0] = generator.normal(0.0, spread)
    return lfilter([1.0], [1.0, -keep], drive)


def slope_table(trials: int, seed: int) -> None:
    """Windows of 600 s at 1 Hz, noise of 0.1 K, limit 2 K/h: how often the slope is said to be below the limit."""
    limit = 2.0 / 3600.0
    print("slope test, 600 s, 0.1 K noise, limit 2 K/h: share called steady")
    print("  noise     at 1 x limit  1.25 x  1.5 x  2 x   at zero slope")
    for keep in (0.0, 0.5, 0.9, 0.97):
        row = []
        for factor in (1.0, 1.25, 1.5, 2.0, 0.0):
            hits = 0
            for k in range(trials):
                generator = np.random.default_rng([seed, k, int(100 * keep), int(100 * factor)])
                t = np.arange(600.0)
                line = fit_slope(t, factor * limit * t + correlated(generator, 600, keep, 0.1))
                hits += line.bound() <= limit
            row.append(hits / trials)
        print(f"  AR {keep:4.2f}   {row[0]:10.3f} {row[1]:9.3f} {row[2]:6.3f} {row[3]:6.3f} {row[4]:12.3f}")


def coarse_table(trials: int, seed: int) -> None:
    """1 K sensors with little noise: shares called steady; all must be 0 for windows too short for the limit."""
    print("1 K sensor, noise 0.05 K: share of windows whose slope is said to be below the limit")
    for limit_h, lengths in ((2.0, (600, 1200, 1700)), (1.0, (600, 1800, 3500))):
        for true_h in (0.0, limit_h, 2.0 * limit_h):
            row = []
            for length in lengths:
                hits = 0
                for k in range(trials):
                    generator = np.random.default_rng([seed, k, length, int(10 * true_h)])
                    t = np.arange(float(length))
                    level = generator.uniform(40, 41) + true_h / 3600.0 * t
                    value = np.round(level + generator.normal(0, 0.05, length))
                    hits += fit_slope(t, value, resolution=1.0).bound() <= limit_h / 3600.0
                row.append(f"{length} s {hits / trials:.3f}")
            print(f"  limit {limit_h:g} K/h, true {true_h:g} K/h: " + "   ".join(row))


def make_step(generator: np.random.Generator, parts, length: float, *, noise=0.1, keep=0.0, resolution=0.0, period=1.0,
              load=200.0, gain=0.15, before=0.0):
    """Return a recording with one step from 0 to `length` [s]: power held with fluctuation, and one temperature."""
    t = np.arange(-60.0, length + 30.0, period) + period
    wobble = correlated(generator, len(t), 0.8, 0.02 * load)
    power = np.where((t > 0) & (t <= length), load, 40.0) + wobble
    value = np.full(len(t), 60.0)
    for amplitude, constant in parts:
        # Each part is what a first-order lag makes of the load, so that it dies away again when the load goes.
        held, after = np.clip(t, 0.0, length), np.maximum(t - length, 0.0)
        value += amplitude * (1.0 - (1.0 - np.exp(-held / constant)) * np.exp(-after / constant))
    follow = np.zeros(len(t))
    for k in range(1, len(t)):
        follow[k] = follow[k - 1] + (gain * wobble[k] - follow[k - 1]) * min(period / 8.0, 1.0)
    value = value + follow + correlated(generator, len(t), keep, noise) + before
    if resolution:
        value = np.round(value / resolution) * resolution
    common = {"instrument": "host", "start_s": t - period, "end_s": t, "averaging": period, "time_u": 0.001}
    traces = {
        "input_power": AlignedTrace("input_power", "W", "meter", value=power, **common),
        "regulator_temperature": AlignedTrace("regulator_temperature", "degC", "host", value=value, **common),
    }
    recording = Recording("meter", "", traces, (), ())
    return recording, StepSpan("step", 0.0, length, "times")


def bench() -> Bench:
    """Return a bench with liquid cooling and nothing else stated."""
    return Bench("trial", Board("board"), Regulator("rail", 8), Processor(), Cooling("liquid"), ())


CAMPAIGN = Campaign("trial", (), ())


def settled_table(trials: int, seed: int) -> None:
    """Extrapolated settled values: how often one is given and how often its 95 % interval holds the truth."""
    print("extrapolation, rise of 30 K, 0.1 K noise: time constants, observed in units of the longest; given; "
          "interval holds")
    cases = (
        ("1: 200 s", lambda g: ((-30.0, 200.0),)),
        ("2: 60 s 60 %, 300 s 40 %", lambda g: ((-18.0, 60.0), (-12.0, 300.0))),
        ("2: 50 s 80 %, 400 s 20 %", lambda g: ((-24.0, 50.0), (-6.0, 400.0))),
        ("3: 20, 100, 300 s", lambda g: ((-10.0, 20.0), (-12.0, 100.0), (-8.0, 300.0))),
    )
    for name, make in cases:
        for times in (1.0, 2.0, 3.0, 4.0):
            given = held = 0
            error = []
            for k in range(trials):
                generator = np.random.default_rng([seed, k, int(10 * times)])
                parts = make(generator)
                length = times * max(constant for _, constant in parts)
                recording, span = make_step(generator, parts, length)
                window = find_window(recording, span, Step("step", {}), bench(), CAMPAIGN)
                for item in window.settling:
                    if item.extrapolated is not None:
                        given += 1
                        off = item.extrapolated - 60.0
                        error.append(off)
                        held += abs(off) <= 1.96 * item.extrapolated_u
            said = f"given {given / trials:5.3f}"
            if given:
                said += f"  holds {held / given:5.3f}  bias {np.mean(error):+.2f} K  SD {np.std(error):.2f} K"
            print(f"  {name:28s} {times:.0f} x: {said}")


def steps_table(trials: int, seed: int) -> None:
    """Steps of random length and time constants: share called settled by what truly remains over the window."""
    rows = []
    spent = 0.0
    for k in range(trials):
        generator = np.random.default_rng([seed, k])
        slow = np.exp(generator.uniform(np.log(40.0), np.log(400.0)))
        parts = ((generator.uniform(-15, 5), generator.uniform(5, 25)), (generator.uniform(-25, 10), slow))
        length = generator.uniform(100.0, 900.0)
        resolution = float(generator.choice([0.0, 0.1, 0.25, 1.0]))
        keep = float(generator.choice([0.0, 0.7, 0.9]))
        recording, span = make_step(generator, parts, length, keep=keep, resolution=resolution)
        start = time.process_time()
        window = find_window(recording, span, Step("step", {}), bench(), CAMPAIGN)
        spent += time.process_time() - start
        if window.found:
            middle = sum(
                a * c * (np.exp(-window.start_s / c) - np.exp(-window.end_s / c)) / (window.end_s - window.start_s)
                for a, c in parts)
            last = sum(a * np.exp(-length / c) for a, c in parts)
            rows.append((abs(middle), abs(last), window.settled, resolution))
    print("steps of 100-900 s, slowest time constant 40-400 s not known: share called settled "
          f"({spent / trials:.3f} s each)")
    for low, high in ((0.0, 0.1), (0.1, 0.3), (0.3, 0.7), (0.7, 1.0), (1.0, 1.5), (1.5, 3.0), (3.0, 99.0)):
        for name, which in (("end of the step", 1), ("mean of the window", 0)):
            part = [row for row in rows if low <= row[which] < high]
            if part:
                by = "  ".join(f"{r:g} K {np.mean([x[2] for x in part if x[3] == r]):.2f}"
                               for r in (0.0, 0.1, 0.25, 1.0) if any(x[3] == r for x in part))
                print(f"  {low:.1f}-{high:.1f} K remain at the {name:19s} n {len(part):4d} "
                      f"settled {np.mean([x[2] for x in part]):.3f}  by resolution: {by}")


TABLES = {"slope": slope_table, "coarse": coarse_table, "settled": settled_table, "steps": steps_table}


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    for name, table in TABLES.items():
        if options.only in name:
            table(options.trials if name in ("slope", "coarse") else max(options.trials // 2, 1), options.seed)


if __name__ == "__main__":
    main()
