"""Trials on means of windows: do the 95 % intervals hold the level that a wandering load has in the long run?

Each try is a campaign of four steps with one kind of load, held for 260 to 430 s, with a creep of up to 1 % while the
bench warms up. Figures come from the last 60 to 250 s of each step. Three methods: the window by itself
(`series_mean`), the held stretch of its own step, and the held stretches of all four (`learn_wander`). The width is
that of the mean interval over 1.96 standard deviations of the true errors: 1 for someone who knows the load.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable

import numpy as np

from phasewright.live.virtual.workload import Fluctuation, activity
from phasewright.quantity import coverage_factor, learn_wander, series_mean

SPACING = 0.5
"""[s]"""
STEPS = 4
LOWEST, HIGHEST = 0.93, 0.97
Made = Callable[[np.random.Generator, int], np.ndarray]


def ar1(generator: np.random.Generator, count: int, memory: float) -> np.ndarray:
    """Return AR(1) noise (count,) of standard deviation 1 whose correlation fades with `memory` [s]."""
    from scipy.signal import lfilter

    keep = float(np.exp(-SPACING / memory))
    noise = generator.standard_normal(count)
    noise[1:] *= np.sqrt(1.0 - keep * keep)
    return lfilter([1.0], [1.0, -keep], noise)


def telegraph(generator: np.random.Generator, count: int, stay: float) -> np.ndarray:
    """Return a load (count,) that switches at random between -1 and 1, staying `stay` [s] in the mean."""
    flips = np.cumsum(generator.random(count) < SPACING / stay) + generator.integers(2)
    return 2.0 * (flips % 2) - 1.0


def workload(generator: np.random.Generator, count: int, moves: Fluctuation) -> np.ndarray:
    """Return the load of the virtual bench (count,), less its level."""
    seconds = int(np.ceil(count * SPACING))
    return activity(seconds, moves, generator).reshape(-1, round(50 * SPACING)).mean(axis=1)[:count] - 1.0


def as_on_random_benches(generator: np.random.Generator) -> Fluctuation:
    """Return how the load of a random campaign moves."""
    return Fluctuation(drift=float(generator.uniform(0.001, 0.005)), drift_time=float(generator.uniform(80.0, 300.0)),
                       code=float(generator.uniform(0.008, 0.03)), burst=float(generator.uniform(0.05, 0.14)),
                       burst_rate=float(generator.uniform(0.05, 0.3)), flutter=float(generator.uniform(0.003, 0.015)))


def fixed(made: Made) -> Callable[[np.random.Generator], Made]:
    """Return a kind of load that moves in the same way in every campaign."""
    return lambda generator: made


def drawn(generator: np.random.Generator) -> Made:
    """Return the load of a random campaign: bursts, code phases and a slow drift of random size."""
    moves = as_on_random_benches(generator)
    return lambda source, count: workload(source, count, moves)


KINDS: dict[str, Callable[[np.random.Generator], Made]] = {
    "white": fixed(lambda g, n: 0.01 * g.standard_normal(n)),
    "AR(1), 2 s": fixed(lambda g, n: 0.01 * ar1(g, n, 2.0)),
    "AR(1), 20 s": fixed(lambda g, n: 0.01 * ar1(g, n, 20.0)),
    "AR(1), 60 s": fixed(lambda g, n: 0.01 * ar1(g, n, 60.0)),
    "AR(1), 150 s": fixed(lambda g, n: 0.01 * ar1(g, n, 150.0)),
    "150 s under white": fixed(lambda g, n: 0.005 * ar1(g, n, 150.0) + 0.02 * g.standard_normal(n)),
    "telegraph, 10 s": fixed(lambda g, n: 0.01 * telegraph(g, n, 10.0)),
    "workload, 0.6 % drift": fixed(lambda g, n: workload(g, n, Fluctuation())),
    "workload, drawn": drawn,
}
WORKLOADS = ("workload, 0.6 % drift", "workload, drawn")
"""What a bench is for: the goal holds on both sides. Elsewhere intervals may hold more, up to `WIDEST`: a drift of 2 %
of the variance that nobody can exclude is allowed for, also where there is none."""
HIDDEN = ("150 s under white",)
"""A slow wander a sixteenth as large (in variance) as white noise: no goal, the figure is shown. Nobody sees it."""
WIDEST = 2.5


def run_campaign(made: Made, generator: np.random.Generator) -> dict[str, list[tuple[float, float]]]:
    """Return (error, half width) of every step of one campaign, by method; relative to the level."""
    records, windows, truths = [], [], []
    for _ in range(STEPS):
        count = int(generator.integers(260, 430) / SPACING)
        at = np.arange(count) * SPACING
        creep = generator.uniform(-0.01, 0.01) * np.exp(-at / generator.uniform(20.0, 120.0))
        length = int(generator.integers(60, 250) / SPACING)
        records.append(1.0 + made(generator, count) + creep)
        windows.append(records[-1][-length:])
        truths.append(1.0 + float(creep[-length:].mean()))
    all_steps = learn_wander(records, SPACING, settling=True)
    found: dict[str, list[tuple[float, float]]] = {"window": [], "step": [], "load": []}
    for record, window, truth in zip(records, windows, truths, strict=True):
        error = float(window.mean()) - truth
        alone = series_mean(window)
        found["window"].append((error, coverage_factor(alone.dof) * alone.u))
        for name, wander in (("step", learn_wander([record], SPACING, settling=True)), ("load", all_steps)):
            u, dof = wander.mean_u(len(window) * SPACING)
            found[name].append((error, coverage_factor(dof) * u))
    return found


def run_kind(name: str, campaigns: int, seed: int) -> dict[str, tuple[float, float]]:
    """Return (share of intervals that hold the truth, width) of one kind of load, by method."""
    tries: dict[str, list[tuple[float, float]]] = {}
    for number in range(campaigns):
        generator = np.random.default_rng([seed, number])
        for method, rows in run_campaign(KINDS[name](generator), generator).items():
            tries.setdefault(method, []).extend(rows)
    result = {}
    for method, rows in tries.items():
        error, half = np.array(rows).T
        result[method] = (float(np.mean(np.abs(error) <= half)), float(half.mean() / (1.96 * error.std())))
    return result


def main() -> int:
    """Print the table; exit 1 when intervals from all steps of a load miss a goal."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--campaigns", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    # Three standard deviations of chance: the steps of one campaign share their spectrum, so they count half.
    chance = 3.0 * np.sqrt(0.95 * 0.05 / (0.5 * STEPS * given.campaigns))
    print(f"{given.campaigns} campaigns of {STEPS} steps; held by 95 % intervals, and their width\n")
    print(f"{'load':<24}{'window alone':>20}{'its own step':>20}{'all steps of the load':>24}")
    missed = False
    for name in KINDS:
        found = run_kind(name, given.campaigns, given.seed)
        cells = [f"{100 * share:.1f} % at {width:.2f}" for share, width in found.values()]
        share, width = found["load"]
        bad = share < LOWEST - chance or width > WIDEST or (name in WORKLOADS and share > HIGHEST + chance)
        bad &= name not in HIDDEN
        missed |= bad
        print(f"{name:<24}{cells[0]:>20}{cells[1]:>20}{cells[2]:>24}{'   MISSED' if bad else ''}", flush=True)
    print(f"\ngoal: {100 * LOWEST:.0f} % or more at a width up to {WIDEST}, workloads {100 * LOWEST:.0f}-"
          f"{100 * HIGHEST:.0f} % (chance allows {100 * chance:.1f} % either way); none for {', '.join(HIDDEN)}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
