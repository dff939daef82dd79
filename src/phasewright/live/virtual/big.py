"""A campaign of a wished size, for benchmarks of reading and analysis: long, clean, written in parts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from phasewright.live.virtual import campaign, demo, instruments, writing
from phasewright.live.virtual.instruments import ClockError, Readings
from phasewright.live.virtual.scenario import PlannedStep, Scenario
from phasewright.live.virtual.signals import Signals
from phasewright.live.virtual.truth import Truth, build_truth

ROW = 36.3
"""Mean length of one row of the meter [bytes]."""
SHORTEST = 1500.0
"""A campaign lasts at least so long, or its steps would be too short to judge; smaller sizes get a slower meter [s]."""
ROWS = 400_000
"""Rows of one part."""


def big_campaign(folder: str | Path, size_bytes: int, seed: int) -> Truth:
    """Write a simulated campaign whose logs have about `size_bytes` in all, and return the truth behind it.

    The meter writes up to 1000 rows a second; from about 55 MB on the campaign grows longer instead of denser. The
    same arguments give the same bytes. Raises ValueError below 1 MB and FileExistsError like `make_campaign`.
    """
    if size_bytes < 1_000_000:
        raise ValueError(f"the campaign would be too short (size_bytes = {size_bytes}) - a campaign of benchmark size "
                         "has at least 1000000 bytes - write 1000000 or more")
    scenario = big_scenario(size_bytes)
    logs = campaign.empty_folder(folder)
    run, errors = campaign.run_physics(scenario, seed)
    signals = Signals(run)
    files, ends = {}, {}
    for item in campaign.dated(scenario):
        # Each instrument has its own stream, so that the size of the parts does not matter.
        reading = np.random.default_rng([seed, 2, len(files)])
        parts = instruments.read_in_parts(item, signals, reading, errors, ROWS)
        name = f"{item.log}.{writing.suffix(item.dialect)}"
        kept: list[Readings] = []
        writing.write_log(logs / name, item.dialect, item.columns, _noting(parts, kept))
        files[item.log], ends[item.log] = (f"logs/{name}",), _outline(kept)
    truth = build_truth(scenario, run, signals, ends, errors)
    campaign.write_files(logs.parent, truth, files, seed)
    return truth


def big_scenario(size_bytes: int) -> Scenario:
    """Return the scenario of `big_campaign`: the demonstration's bench, clean instruments, many steps."""
    rows = size_bytes / ROW
    length = max(rows / 1000.0, SHORTEST)
    period = 1.0 / max(round(rows / length), 1)
    count = int(np.clip(length / 200.0, 6, 40))
    dwell = float(int((length - 110.0) / count) - 12)
    counts = (10, 8, 6, 5, 4)
    steps = tuple(
        PlannedStep(f"step {number + 1}: {counts[number % 5]} phases", counts[number % 5],
                    210.0 if number // 5 % 2 else 280.0, dwell, baseline=number == 0, load="all cores")
        for number in range(count))
    meter = demo.power_meter(period=period, clock=ClockError(drift=18.0))
    host = demo.host_log(clock=ClockError(offset=5.2, drift=-9.0))
    probes = demo.thermometer(clock=ClockError(offset=-2.3, drift=30.0))
    return replace(demo.demo_scenario(), name="Benchmark campaign", steps=steps,
                   instruments=(meter, replace(host, dies_with_machine=False), probes), step_time_error=0.0,
                   notes="Simulated campaign of a wished size, for benchmarks.")


def _noting(parts: Iterator[Readings], kept: list[Readings]) -> Iterator[Readings]:
    """Pass the parts on and keep the first and last stamp of each."""
    for part in parts:
        if len(part.stamp):
            kept.append(Readings(part.stamp[[0, -1]], part.end[[0, -1]], {}, ((0, 2),)))
        yield part


def _outline(kept: list[Readings]) -> Readings:
    stamp = np.array([kept[0].stamp[0], kept[-1].stamp[-1]])
    return Readings(stamp, np.array([kept[0].end[0], kept[-1].end[-1]]), {}, ((0, 2),))
