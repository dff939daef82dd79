"""Trials of clock alignment on pairs of logs whose clocks are known.

    python benchmarks/trials_align.py [--pairs 200] [--only NAME]

Prints one row a case. The loads, losses and instruments here are made by other formulas than the fit uses: stepped and
fluctuating loads with bursts, a loss with fixed, proportional and square parts that warms up, jittered stamps, lost
readings, coarse steps, gain errors.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np

from phasewright.bench import Campaign, LogEntry
from phasewright.logs import Trace, align

FINE = 0.01
"""Grid of the true load [s]."""


@dataclass(frozen=True)
class Case:
    """One row of the table."""

    name: str
    load: str = "steps"
    """steps | random | square | periodic"""
    length: float = 3600.0
    fast_rate: float = 20.0
    fast_averaging: float | None = None
    """None = its period."""
    period: float = 1.0
    averaging: float = 1.0
    lag: float = 0.0
    jitter: float = 0.04
    stamp_noise: float = 0.0
    stamp_step: float = 0.0
    lost: float = 0.02
    noise: float = 0.5
    resolution: float = 0.1
    gain: float = 0.1
    drift: float = 200.0
    offset: float = 3000.0
    partial: float = 0.0
    """Greatest share of the record by which the two logs miss each other at either end."""
    clock_step: float = 0.0
    tell_averaging: bool = True
    absolute: bool = False
    zone_slip: bool = False
    expect: str = "aligned"
    """aligned | refused"""


TABLE = (
    # The rows of reliability note 6.1: 1200 s of random steps, offset in +-20 s.
    Case("10 Hz instant, 1 Hz instant", "random", 1200, 10, 0.0, averaging=0.0, offset=20, drift=0),
    Case("10 Hz, 1 Hz mean of 1 s", "random", 1200, 10, offset=20, drift=0),
    Case("10 Hz, 1 Hz mean of 1 s, lag 2 s", "random", 1200, 10, lag=2.0, offset=20, drift=0),
    Case("10 Hz, 5 s mean each 5 s", "random", 1200, 10, period=5.0, averaging=5.0, offset=20, drift=0),
    Case("both 1 Hz instant", "random", 1200, 1, 0.0, averaging=0.0, offset=20, drift=0),
    Case("square 60 s, partial overlap", "square", 1200, 10, offset=500, partial=0.4, expect="refused"),
    Case("any period, partial overlap", "periodic", 1200, 10, offset=500, partial=0.4, expect="refused"),
    Case("random, partial overlap", "random", 1200, 10, offset=500, partial=0.4),
    # One hour of a campaign: long steps with idle between, drift up to 200 ppm, gain error up to 10 %.
    Case("1 h, 20 Hz and 1 Hz"),
    Case("1 h, 200 Hz and 1 Hz", fast_rate=200.0),
    Case("1 h, 2 s mean each 1 s", averaging=2.0),
    Case("1 h, 5 s mean each 5 s", period=5.0, averaging=5.0),
    Case("1 h, averaging not stated", tell_averaging=False),
    Case("1 h, lag 0.5 s", lag=0.5),
    Case("1 h, rough stamps", jitter=0.12, stamp_noise=0.05, lost=0.08),
    Case("1 h, whole-second stamps", stamp_step=1.0),
    Case("1 h, coarse and noisy", resolution=1.0, noise=3.0),
    Case("1 h, clock set by 0.8-40 s", clock_step=40.0),
    Case("1 h, calendar clocks, zone slip", absolute=True, zone_slip=True, offset=60.0),
    Case("10 min, 20 Hz and 1 Hz", "random", 600.0),
)


def make_load(generator: np.random.Generator, case: Case) -> np.ndarray:
    """Return the true package power [W] on the fine grid."""
    n = int(case.length / FINE)
    time_s = np.arange(n) * FINE
    if case.load == "square":
        return np.where(time_s % 60.0 < 30.0, 300.0, 100.0)
    if case.load == "periodic":
        # Two to four levels that come again and again, 6 to 20 times over.
        period = case.length / generator.uniform(6.0, 20.0)
        edges = np.sort(generator.uniform(0.0, 1.0, int(generator.integers(1, 4))))
        levels = generator.uniform(60.0, 350.0, len(edges) + 1)
        return levels[np.searchsorted(edges, (time_s % period) / period)]
    power = np.full(n, 55.0)
    at = generator.uniform(5.0, 40.0)
    while at < case.length:
        hold = generator.uniform(60.0, 400.0) if case.load == "steps" else 2.0 + generator.exponential(20.0)
        a, b = int(at / FINE), int(min(at + hold, case.length) / FINE)
        power[a:b] = generator.uniform(80.0, 380.0)
        at += hold + (generator.uniform(5.0, 60.0) if case.load == "steps" else 0.0)
    busy = power > 60.0
    for start in generator.uniform(0.0, case.length, generator.poisson(case.length / 4.0)):
        a, b = int(start / FINE), int((start + generator.exponential(0.6) + 0.05) / FINE)
        power[a:b] += generator.normal(0.0, 14.0) * busy[a]
    wander = np.cumsum(generator.normal(0.0, 0.5, int(case.length / 0.47) + 3))
    wander -= np.linspace(wander[0], wander[-1], len(wander))
    power += busy * np.clip(np.interp(time_s, 0.47 * np.arange(len(wander)), wander), -12.0, 12.0)
    return np.maximum(power, 5.0)


def lose(generator: np.random.Generator, power: np.ndarray) -> np.ndarray:
    """Return the input power [W]: a loss that bends with the load and warms up over minutes."""
    fixed, share, square = generator.uniform(5.0, 20.0), generator.uniform(0.01, 0.06), generator.uniform(1e-4, 4e-4)
    cold = fixed + share * power + square * power**2
    slow = _lag(cold, 120.0)
    return power + cold * (1.0 + 0.1 * (slow - slow[0]) / max(float(np.ptp(slow)), 1.0))


def _lag(value: np.ndarray, constant: float) -> np.ndarray:
    from scipy.signal import lfilter

    keep = np.exp(-FINE / constant)
    return lfilter([1.0 - keep], [1.0, -keep], value, zi=[keep * value[0]])[0]


def read_means(value: np.ndarray, end: np.ndarray, averaging: float) -> np.ndarray:
    """Return means of `value` over the `averaging` [s] before each `end` [s]; values at `end` for 0."""
    knots = np.arange(len(value) + 1) * FINE
    total = np.concatenate([[0.0], np.cumsum(value)]) * FINE
    if averaging == 0.0:
        return value[np.minimum((end / FINE + 1e-6).astype(int), len(value) - 1)]
    return (np.interp(end, knots, total) - np.interp(end - averaging, knots, total)) / averaging


def make_pair(generator: np.random.Generator, case: Case) -> tuple[dict, dict]:
    """Return two opened logs and the truth: clock of the second against the first."""
    power = make_load(generator, case)
    inlet = lose(generator, power)
    seen = _lag(power, case.lag) if case.lag else power
    drift = generator.uniform(-case.drift, case.drift)
    offset = generator.uniform(-case.offset, case.offset)
    cut = generator.uniform(0.0, case.partial, 2) * case.length
    fast_averaging = 1.0 / case.fast_rate if case.fast_averaging is None else case.fast_averaging
    # Half a cell off the grid of the load, so that edges fall evenly between instantaneous readings.
    first = max(fast_averaging, 0.2) + (0.5 * FINE if fast_averaging == 0.0 else 0.0)
    fast = np.arange(first, case.length - cut[0], 1.0 / case.fast_rate)
    meter = read_means(inlet, fast, fast_averaging) + generator.normal(0.0, 0.3, len(fast))
    slow = np.cumsum(np.maximum(case.period + generator.normal(0.0, case.jitter, int(case.length / case.period)), 0.01))
    slow = slow[(slow > case.averaging + cut[1]) & (slow < case.length)]
    host = read_means(seen, slow, case.averaging) * (1.0 + generator.uniform(-case.gain, case.gain))
    host = host + generator.normal(0.0, case.noise, len(slow))
    host = np.round(host / case.resolution) * case.resolution
    keep = generator.random(len(slow)) > case.lost
    slow, host = slow[keep], host[keep]
    stamp = slow + generator.normal(0.0, case.stamp_noise, len(slow)) if case.stamp_noise else slow
    own = (stamp - offset) / (1.0 + drift * 1e-6)
    slip = 3600.0 * generator.integers(-2, 3) if case.zone_slip else 0.0
    own = own + slip
    step, at = 0.0, len(own)
    if case.clock_step:
        step = generator.choice([-1.0, 1.0]) * np.exp(generator.uniform(np.log(0.8), np.log(case.clock_step)))
        at = int(generator.uniform(0.15, 0.85) * len(own))
        own[at:] += step
    if case.stamp_step:
        own = np.floor(own / case.stamp_step) * case.stamp_step
    zero = 1_735_000_000_000_000_000 if case.absolute else 0
    stamps = np.round(own * 1e9).astype(np.int64) + zero
    segments = ((0, len(own)),) if at == len(own) or own[at] >= own[at - 1] else ((0, at), (at, len(own)))
    meter = Trace("input_power", "W", "meter", np.round(fast * 1e9).astype(np.int64) + zero, meter, fast_averaging,
                  "end", ((0, len(fast)),), case.absolute)
    host = Trace("package_power", "W", "host", stamps, host, case.averaging if case.tell_averaging else None, "end",
                 segments, case.absolute)
    logs = {"meter": SimpleNamespace(traces=(meter,), reports=()), "host": SimpleNamespace(traces=(host,), reports=())}
    truth = {"offset": offset, "drift": drift, "slip": slip, "zero": zero, "step": step, "at": at, "first": fast[0]}
    return logs, truth


def run(case: Case, pairs: int, seed: int) -> dict:
    """Align `pairs` pairs of a case and return what came out."""
    entries = (LogEntry("meter", ("meter.csv",), "meter", ()), LogEntry("host", ("host.csv",), "host", ()))
    campaign = Campaign("trial", entries, (), reference_log="meter")
    error, u, drift, drift_u, ratio, exact = [], [], [], [], [], []
    refused = 0
    spent = 0.0
    for k in range(pairs):
        logs, truth = make_pair(np.random.default_rng([seed, k]), case)
        start = time.process_time()
        recording = align(logs, None, campaign)
        spent += time.process_time() - start
        clocks = [c for c in recording.clocks if c.log == "host"]
        if any(c.status != "aligned" for c in clocks):
            refused += 1
            continue
        if case.clock_step:
            stamps = logs["host"].traces[0].time_ns
            cut = int(np.searchsorted(stamps, clocks[-1].zero_ns + clocks[-1].first * 1e9 - 1e6))
            back = len(logs["host"].traces[0].segments) > 1
            exact.append(len(clocks) == 2 and (back or cut == truth["at"]))
        for number, clock in enumerate(clocks[:2]):
            own = clock.pivot + (clock.zero_ns - truth["zero"]) * 1e-9 - truth["slip"] - truth["step"] * number
            true = own * (1 + truth["drift"] * 1e-6) + truth["offset"] - truth["first"] - clock.pivot
            error.append(clock.offset - true)
            u.append(clock.offset_u)
            drift.append(clock.drift - truth["drift"])
            drift_u.append(clock.drift_u)
            ratio.append(clock.peak_ratio)
    return {"refused": refused, "error": np.array(error), "u": np.array(u), "drift": np.array(drift),
            "drift_u": np.array(drift_u), "ratio": np.array(ratio, float), "exact": exact, "time": spent / pairs}


def main() -> None:
    """Run the cases and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    print(f"{'case':34s} refused wrong | bias SD median 95 % [ms] | u [ms] in 95 % | drift median [ppm] in 95 % | "
          "ratio | CPU [s]")
    for case in TABLE:
        if options.only in case.name:
            out = run(replace(case), options.pairs, options.seed)
            print(row(case, out), flush=True)


def row(case: Case, out: dict) -> str:
    """One line of the table."""
    e = out["error"] * 1e3
    if not len(e):
        return f"{case.name:34s} {out['refused']:7d} {0:5d} | all refused" + " " * 64 + f"| {out['time']:.3f}"
    wrong = int(np.sum(np.abs(e) > 1000.0 * max(case.period, 1.0)))
    held = np.mean(np.abs(out["error"]) <= 1.96 * out["u"])
    drift_held = np.mean(np.abs(out["drift"]) <= 1.96 * out["drift_u"])
    said = f" | cut exact {sum(out['exact'])}/{len(out['exact'])}" if out["exact"] else ""
    return (f"{case.name:34s} {out['refused']:7d} {wrong:5d} | {e.mean():+6.1f} {e.std():6.1f} "
            f"{np.median(abs(e)):6.1f} {np.quantile(abs(e), 0.95):6.1f} | {1e3 * np.median(out['u']):6.1f} {held:5.3f} | "
            f"{np.median(abs(out['drift'])):6.2f} {drift_held:5.3f} | {np.nanmax(out['ratio']):4.2f} | "
            f"{out['time']:.3f}{said}")


if __name__ == "__main__":
    main()
