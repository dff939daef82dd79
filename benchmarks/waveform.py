"""How long exact switching simulation takes, beside scipy's ODE solver on the same circuit in the same run.

    python benchmarks/waveform.py [PERIODS]

scipy gets the equations ready-made (one matrix-vector product, the Jacobian given, one call an interval, so that it
never meets a discontinuity) and every method that suits them is tried at falling tolerances; the fastest that comes
within the stated error of the exact states counts. Times are the least of several runs, machine idle or not.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
from scipy.integrate import solve_ivp

from phasewright.physics import (
    CapacitorBank,
    Circuit,
    LoadProfile,
    Phases,
    VoltageLoop,
    load_step_waveform,
    steady_waveform,
)

EVENTS = 1_000_000
LOOP = VoltageLoop(2.0, 1e5, load_line=0.4e-3)
SCREENED = 3
"""Periods on which methods and tolerances are compared."""
METHODS = ("DOP853", "RK45", "LSODA", "Radau", "BDF")
TOLERANCES = (1e-4, 1e-6, 1e-8, 1e-10, 1e-12)


def board(count: int, dead: bool = False) -> Circuit:
    """An invented regulator, every phase a little different."""
    spread = np.random.default_rng(count)

    def each(value: float, share: float) -> tuple[float, ...]:
        return tuple(value * (1.0 + share * spread.standard_normal(count)))

    phases = Phases(
        count, each(0.22e-6, 0.05), each(0.3e-3, 0.1), each(3e-3, 0.1), each(1e-3, 0.1),
        rising_dead_time=15e-9 * dead, falling_dead_time=10e-9 * dead, diode_voltage=0.8,
    )  # fmt: skip
    return Circuit(
        phases, 12.0, 400e3, (CapacitorBank(2.8e-3, 0.9e-3, 0.2e-9), CapacitorBank(600e-6, 0.1e-3, 20e-12)),
        path_resistance=0.15e-3, path_inductance=30e-12,
        load_banks=(CapacitorBank(200e-6, 0.08e-3, 3e-12), CapacitorBank(10e-6, 1e-3)),
        input_banks=(CapacitorBank(100e-6, 0.4e-3), CapacitorBank(500e-6, 5e-3, 1e-9)),
        source_resistance=5e-3, source_inductance=100e-9,
    )  # fmt: skip


def least(run: Callable[[], object], times: int = 3) -> float:
    """Return the least time of several runs [s]."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        found.append(time.perf_counter() - start)
    return min(found)


def step_load(count: int) -> LoadProfile:
    """A step of 10 A a phase within 0.5 us, and its release."""
    low, high = 15.0 * count, 25.0 * count
    return LoadProfile((10.3e-6, 10.8e-6, 80e-6, 80.5e-6), (low, high, high, low))


def with_scipy(wave, method: str, tolerance: float) -> tuple[float, float]:
    """Return the time for the whole waveform [s] and the worst error of a root energy over the greatest."""
    network = wave._network
    n = network.order
    matrices = [network.at(pattern).matrix for pattern in wave._patterns]
    state, worst = wave._state[0], 0.0
    start = time.perf_counter()
    for k in range(wave.event_count):
        matrix = matrices[wave._number[k]]
        inputs = wave._state[k, n:]
        own, drive = np.ascontiguousarray(matrix[:n, :n]), matrix[:n, n:]
        ramp, level = drive[:, 0] * inputs[1] * network.ramp[0, 1], drive @ inputs
        begin = wave.time[k]
        more = {"jac": own} if method in ("Radau", "BDF") else {"jac": lambda t, x, a=own: a} if method == "LSODA" else {}
        found = solve_ivp(
            lambda t, x, a=own, b=level, r=ramp, t0=begin: a @ x + (b + r * (t - t0)), (begin, wave.time[k + 1]),
            state[:n], method=method, rtol=tolerance, atol=1e-3 * tolerance, **more,
        )  # fmt: skip
        state = found.y[:, -1]
        worst = max(worst, float(np.abs(state - wave._state[k + 1, :n]).max()))
    return time.perf_counter() - start, worst / float(np.abs(wave._state[:, :n]).max())


def beside_scipy(periods: int) -> None:
    """Print scipy's fastest way to a given error on a few periods, then both on the same long run."""
    print("A load step of 6 unlike phases with parasitic inductances, beside scipy.integrate.solve_ivp")
    circuit, load = board(6), LoadProfile((1.1e-6, 1.6e-6), (90.0, 150.0))
    wave = load_step_waveform(circuit, load, SCREENED * circuit.period, duty=0.105)
    tried = []
    for method in METHODS:
        for tolerance in TOLERANCES:
            if method in ("BDF", "RK45") and tolerance < 1e-9:
                continue
            spent, error = with_scipy(wave, method, tolerance)
            tried.append((spent, error, method, tolerance))
            print(f"    {method:7s} rtol {tolerance:.0e}: {1e3 * spent / wave.event_count:8.3f} ms an event, "
                  f"error {error:.1e}", flush=True)  # fmt: skip

    def whole() -> object:
        return load_step_waveform(circuit, load, periods * circuit.period, duty=0.105)

    ours, wave = least(whole, 5), whole()
    print(f"  {wave.event_count} events, exact: {1e3 * ours:.1f} ms, equations and steady state included")
    for bound in (1e-6, 1e-9, 1e-12):
        good = [item for item in tried if item[1] <= bound]
        if not good:
            print(f"  error {bound:.0e}: scipy did not get there")
            continue
        _, _, method, tolerance = min(good)
        spent, error = with_scipy(wave, method, tolerance)
        print(f"  error at most {bound:.0e}: {method} rtol {tolerance:.0e} takes {spent:.2f} s (error {error:.1e}, "
              f"equations given): exact is {spent / ours:.0f} times faster", flush=True)  # fmt: skip


def million() -> None:
    """Print how long a million events take."""
    print("A million events at a fixed duty with a load step and its release, all states kept")
    print("  phases  events   total s   of it equations and steady state s   states MB   closed loop us an event")
    for count in (1, 4, 8, 16):
        circuit = board(count)
        duration = EVENTS / (2 * count) * circuit.period
        spent = least(lambda c=circuit, d=duration, n=count: load_step_waveform(c, step_load(n), d, duty=0.105))
        ready = least(lambda c=circuit, n=count: load_step_waveform(c, step_load(n), 1e-4, duty=0.105))
        wave = load_step_waveform(circuit, step_load(count), duration, duty=0.105)
        short, long = (
            least(lambda c=circuit, n=count, d=d: load_step_waveform(c, step_load(n), d, duty=0.105, loop=LOOP), 2)
            for d in (1e-4, 2e-3)
        )
        events = 1.9e-3 / circuit.period * 2 * count
        print(f"  {count:6d} {wave.event_count:8d} {spent:8.3f} {ready:24.3f} {wave._state.nbytes / 1e6:26.0f} "
              f"{1e6 * (long - short) / events:16.1f}")  # fmt: skip
        del wave


def looking() -> None:
    """Print what the answers cost once the waveform is there."""
    print("Answers from a waveform of 8 phases, 100 us, load step")
    circuit = board(8)
    wave = load_step_waveform(circuit, step_load(8), 100e-6, duty=0.105)
    time_ = np.linspace(0.0, wave.time[-1], 10_000)
    for name, run in (
        ("steady state, duty told", lambda: steady_waveform(circuit, 150.0, duty=0.105)),
        ("steady state, voltage told", lambda: steady_waveform(circuit, 150.0, load_voltage=1.2)),
        ("10 000 samples", lambda: wave.sample("load_voltage", time_)),
        ("extremes", lambda: wave.extremes("load_voltage")),
        ("effective value", lambda: wave.rms("output_bank_current", 0)),
        ("energy balance", wave.energy_balance),
    ):
        print(f"  {name:28s} {1e3 * least(run):8.1f} ms")


if __name__ == "__main__":
    million()
    looking()
    beside_scipy(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
