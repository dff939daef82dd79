"""The exact search against looking at every design: a million of one catalogue, and many random small ones.

    python benchmarks/design_trials.py [--spaces 200]

Exit 1 when a front differs, or when the chance that was assured of a design is far above what its draws show.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace

import numpy as np
from design import example, grown

from phasewright.design import Space, chances_of, exhaust, search
from phasewright.design.exact import choice_of

FIGURES = slice(5, 8)
FAR = 0.08
"""[1] What an assured chance of 90 % or more may be above the share of the draws; common practice, no source."""


def million() -> bool:
    """Compare on a million designs; tell the times."""
    space = grown(2, stage=3, inductor=3, controller=2, cooler=3, output=(2, 12), inputs=(2, 10), connector=(2, 2),
                  phases=(7, 9))  # fmt: skip
    start = time.perf_counter()
    found = search(space)
    quick = time.perf_counter() - start
    start = time.perf_counter()
    every = exhaust(space)
    slow = time.perf_counter() - start
    same = np.array_equal(found.rows[:, FIGURES], every.rows[:, FIGURES])
    print(f"{space.combinations} designs: {len(every.rows)} on the front, same: {same}; every one looked at in "
          f"{slow:.2f} s, the search in {quick:.2f} s, {slow / quick:.1f} times faster")  # fmt: skip
    return same and space.combinations >= 1_000_000


def random_space(base: Space, generator: np.random.Generator) -> Space:
    """Return a small space with moved prices, loads and levels."""
    space = grown(int(generator.integers(1 << 30)), stage=int(generator.integers(1, 4)),
                  inductor=int(generator.integers(1, 3)), controller=int(generator.integers(1, 3)),
                  cooler=int(generator.integers(1, 4)), output=(int(generator.integers(1, 3)), 14),
                  inputs=(int(generator.integers(1, 3)), 8), connector=(2, 2),
                  phases=(int(generator.integers(4, 9)), 9))  # fmt: skip
    need = replace(
        space.requirement, rail_current=float(generator.uniform(120.0, 300.0)), rail_current_peak=330.0,
        coolant_temperature=float(generator.uniform(15.0, 75.0)), load_step=float(generator.uniform(20.0, 140.0)),
        temperature_step=float(generator.choice([0.1, 1.0, 4.0])), loss_step=float(generator.choice([0.1, 2.0])),
        chance_step=float(generator.choice([0.001, 0.01, 0.05])), switching_frequency=(400e3, 800e3),
        board_area=None if generator.random() < 0.5 else float(generator.uniform(25e-4, 70e-4)),
    )  # fmt: skip
    return replace(space, requirement=need, life=bool(generator.random() < 0.5))


def many(count: int) -> bool:
    """Compare on random small spaces; hold assured chances against draws."""
    base, generator = example(), np.random.default_rng(5)
    wrong, full, gaps = 0, 0, []
    for _ in range(count):
        space = random_space(base, generator)
        found, every = search(space), exhaust(space)
        full += len(every.rows) > 0
        unit = round(space.requirement.chance_step * 10_000)
        levels = [np.column_stack([item.rows[:, FIGURES], -(-item.rows[:, -1] // unit)]) for item in (found, every)]
        wrong += not np.array_equal(*(np.unique(item, axis=0) for item in levels))
        sure = found.rows[found.rows[:, -1] <= 1000]
        if len(sure):
            row = sure[int(generator.integers(len(sure)))]
            drawn = chances_of(replace(space, life=False), choice_of(space, found.cores, row), draws=4000)
            gaps.append(1.0 - row[-1] / 1e4 - drawn.chance)
    told = np.array(gaps)
    print(f"{count} random spaces, {full} with a front: {wrong} fronts differ")
    print(f"assured chance less share of the draws, {len(told)} designs of 90 % and more: median {np.median(told):+.3f}, "
          f"from {told.min():+.3f} to {told.max():+.3f}")  # fmt: skip
    return wrong == 0 and float(told.max()) < FAR


def main() -> int:
    """Run both; tell whether every front was the same."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spaces", type=int, default=200)
    given = parser.parse_args()
    good = [million(), many(given.spaces)]
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
