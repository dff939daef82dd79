"""A library of 5,000 invented campaigns: making the index, asking it, and looking for changes, as times in one run."""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from phasewright.app.library import Entry, Library, answer, question_of
from phasewright.app.library.entries import Step

COUNT = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
BOARDS = [f"Invented board {letter}{number}" for letter in "ABCDEFGH" for number in range(10)]
COOLERS = ("tower with one fan", "tower with two fans", "loop with one radiator", "loop with two radiators", "bare sink")
REPEATS = 15


def entry(number: int, generator: np.random.Generator) -> Entry:
    """Return one invented campaign of 13 steps."""
    board, cooler = number % len(BOARDS), int(generator.integers(len(COOLERS)))
    steps = []
    for index in range(13):
        phases, load = (10, 8, 6, 5, 4, 3, 2)[index % 7], (210.0, 300.0)[index // 7]
        loss = 8.0 + 0.1 * board + 0.002 * load**2 / phases + float(generator.normal(0.0, 0.4))
        told = {
            "loss": (loss, "W", 0.9), "input_power": (load + loss, "W", 1.2), "package_power": (load, "W", 9.0),
            "delivery_efficiency": (load / (load + loss), "1", 0.02), "phase_current": (load / phases, "A", 0.8),
            "regulator_temperature": (40.0 + loss + 3 * cooler, "degC", 0.8), "regulator_rise": (10.0 + loss, "K", 0.9),
            "coolant_temperature": (30.0 + cooler, "degC", 0.2), "rail_power": (load, "W", 4.0),
            "thermal_resistance": (0.8, "K/W", 0.1), "ambient_temperature": (22.0, "degC", 0.2),
        }  # fmt: skip
        figures = {
            name: {"value": x, "unit": unit, "u": u, "low95": x - 1.96 * u, "high95": x + 1.96 * u, "kind": "derived"}
            for name, (x, unit, u) in told.items()
        }  # fmt: skip
        steps.append(Step(f"{phases} phases, {load:.0f} W", "sustained", "all cores",
                          float(phases), load, None, figures))  # fmt: skip
    day = f"{2030 + number % 4}-{1 + number % 12:02d}-{1 + number % 28:02d}"
    return Entry(f"shelf-{number % 50}/campaign-{number}", "ready", "", f"Campaign {number}", BOARDS[board], COOLERS[cooler],
                 "liquid", day, 10, True, tuple(steps))  # fmt: skip


def main() -> int:
    """Print the times; 100 ms for a query is the goal."""
    generator = np.random.default_rng(5)
    worst = 0.0
    with tempfile.TemporaryDirectory() as folder, Library(Path(folder)) as library:
        began = time.perf_counter()
        with library.writing():
            for number in range(COUNT):
                library.put(entry(number, generator), "", "")
        print(f"{COUNT} campaigns put into the index: {time.perf_counter() - began:.1f} s, "
              f"{(Path(folder) / '.phasewright-library.sqlite').stat().st_size / 1e6:.0f} MB")
        asked = {
            "3 phases at 300 W": {"phases": "3", "load": "300 W"},
            "3 phases at 300 W, one board": {"phases": "3", "load": "300 W", "board": "board c4"},
            "3 phases at 210 W by cooler, rise": {"phases": "3", "load": "210 W", "by": "cooler", "quantity": "regulator_rise"},
            "one year, by day": {"phases": "4", "load": "210 W", "by": "day", "since": "2031", "until": "2031"},
            "nothing given": {},
        }  # fmt: skip
        for title, words in asked.items():
            times = []
            for _ in range(REPEATS):
                began = time.perf_counter()
                found = answer(library, question_of(**words))
                times.append(time.perf_counter() - began)
            held = sum(len(setting.found.held) for setting in found.settings)
            worst = max(worst, statistics.median(times))
            print(f"{title:36s} {1e3 * statistics.median(times):7.1f} ms  ({held} figures of {found.matching} campaigns)")
    print(f"slowest: {1e3 * worst:.0f} ms; goal 100 ms")
    return 0


if __name__ == "__main__":
    sys.exit(main())
