"""How long an exact search takes: a catalogue of 1e12 designs, draws on its whole front, a cluster of one and two.

Run `make bench` for the times, or name what to run: `python benchmarks/design.py search cluster`.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

import phasewright.design
from phasewright.design import (
    Space,
    exhaust,
    front_of,
    read_catalogue,
    read_requirement,
    search,
    workers,
)

TEMPLATES = Path(phasewright.design.__file__).parent / "templates"


def example() -> Space:
    """Return the shipped example."""
    return Space(read_catalogue(TEMPLATES), read_requirement(TEMPLATES))


def grown(seed: int = 1, *, stage=16, inductor=16, controller=6, cooler=20, output=(14, 22), inputs=(8, 15),
          connector=(4, 6), phases=(5, 16)) -> Space:  # fmt: skip
    """Return a space of about 1e12 designs: parts around those of the example, better ones dearer."""
    base, generator = example(), np.random.default_rng(seed)
    own = base.catalogue

    def varied(parts, count, most=None, **moved):
        made = []
        for k in range(count):
            part = parts[k % len(parts)]
            shift = generator.uniform(-0.25, 0.25)
            figures = part.figures
            changes = {}
            for key, power in moved.items():
                value = getattr(figures, key)
                if value is not None:
                    # A better part is dearer, by and large.
                    better = value * np.exp(power * shift + 0.05 * generator.standard_normal())
                    changes[key] = round(better) if isinstance(value, int) else float(better)
            price = round(float(part.price * np.exp(1.2 * shift + 0.1 * generator.standard_normal())), 4)
            made.append(replace(part, name=f"{part.name} {k + 1}", price=price, figures=replace(figures, **changes),
                                most=most or part.most))  # fmt: skip
        return tuple(made)

    liquid = [item for item in own.cooler if item.figures.coolant == "liquid"]
    capacitors = (
        *(replace(item, use="output") for item in varied(own.bank("output"), output[0], output[1], resistance=-1.0)),
        *(replace(item, use="input", name=f"in {item.name}")
          for item in varied(own.bank("input"), inputs[0], inputs[1], resistance=-1.0)),
    )  # fmt: skip
    catalogue = replace(
        own,
        stage=varied(own.stage, stage, high_side_resistance=-1.0, low_side_resistance=-1.0, thermal_resistance=-0.5),
        inductor=varied(own.inductor, inductor, resistance=-1.0, core_loss=-0.7, saturation_current=0.3),
        controller=varied(own.controller[1:], controller, response_delay=-1.0, controller_power=-0.3),
        cooler=varied(liquid, cooler, plate_resistance=-1.5, pad_resistance=-1.0),
        capacitor=capacitors, connector=varied(own.connector, connector[0], connector[1]),
    )  # fmt: skip
    return Space(catalogue, replace(base.requirement, phase_count_range=phases))


def time_search() -> None:
    """Tell how long the exact front of 1e12 designs takes, and the draws on each of its members."""
    space = grown()
    start = time.perf_counter()
    found = search(space)
    took = time.perf_counter() - start
    print(f"search: {space.combinations:.3g} designs in {took:.2f} s; {len(found.rows)} on the front")
    print(f"  {found.method.sentence}")
    start = time.perf_counter()
    front = front_of(space, found)
    print(f"draws: 10,000 on each of {len(front.members)} members in {time.perf_counter() - start:.2f} s")


def time_brute_force() -> None:
    """Tell how much longer looking at every design takes; both must find the same front.

    Looking at every design shares what can be shared: limits of banks are worked out once for each core, and only the
    sums are made one by one.
    """
    space = grown(2, stage=6, inductor=6, controller=2, cooler=6, output=(3, 16), inputs=(2, 10), connector=(2, 4),
                  phases=(6, 11))  # fmt: skip
    search(grown(2, stage=2, inductor=2, controller=2, cooler=2))  # all is loaded
    start = time.perf_counter()
    found = search(space)
    quick = time.perf_counter() - start
    start = time.perf_counter()
    every = exhaust(space)
    slow = time.perf_counter() - start
    same = np.array_equal(found.rows[:, 5:8], every.rows[:, 5:8])
    print(f"brute force: {space.combinations:.3g} designs in {slow:.2f} s, the search {quick:.2f} s "
          f"({slow / quick:.0f} times faster); same front: {same}")  # fmt: skip


def time_cluster() -> None:
    """Tell what a cluster costs and gains, for the search and for the draws: one worker against none, two against one.

    On paper beyond: the bounds (about 3/4 of a search) are worked out by who asks, so a cluster gains on the rest and on
    the draws; these are shares of 8 designs, 0.15 s each, so w workers take (members / 8 w) x 0.15 s.
    """
    space = grown(3, stage=10, inductor=10, controller=4)
    search(space)  # all is loaded
    start = time.perf_counter()
    alone = search(space)
    middle = time.perf_counter()
    front = front_of(space, alone)
    here = (middle - start, time.perf_counter() - middle)
    print(f"cluster: {space.combinations:.3g} designs here: search {here[0]:.2f} s, draws on {len(alone.rows)} members "
          f"{here[1]:.2f} s")  # fmt: skip
    for count in (1, 2):
        with workers("local", count=count) as worker:
            small = grown(3, stage=2, inductor=2)
            front_of(small, search(small, worker=worker), draws=10, worker=worker)  # all is loaded
            start = time.perf_counter()
            found = search(space, worker=worker)
            middle = time.perf_counter()
            again = front_of(space, found, worker=worker)
            took = (middle - start, time.perf_counter() - middle)
        same = np.array_equal(found.rows, alone.rows) and again == front
        print(f"  {count} worker{'s' if count > 1 else ''}: search {took[0]:.2f} s ({took[0] / here[0]:.2f} times), draws "
              f"{took[1]:.2f} s ({took[1] / here[1]:.2f} times); same to the last bit: {same}")  # fmt: skip


PARTS = {"search": time_search, "brute": time_brute_force, "cluster": time_cluster}


def main() -> int:
    """Run what is named, or all."""
    for name in sys.argv[1:] or PARTS:
        PARTS[name]()
    return 0


if __name__ == "__main__":
    sys.exit(main())
