"""The exact simulation beside scipy's ODE solver, on Kirchhoff's equations written out by hand for one circuit."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from phasewright.physics import CapacitorBank, Circuit, LoadProfile, Phases, load_step_waveform, steady_waveform

COUNT = 4
PHASES = Phases(
    COUNT,
    inductance=(0.22e-6, 0.20e-6, 0.25e-6, 0.21e-6),
    inductor_resistance=(0.3e-3, 0.36e-3, 0.28e-3, 0.4e-3),
    high_side_resistance=(3.0e-3, 3.4e-3, 2.7e-3, 3.1e-3),
    low_side_resistance=(1.0e-3, 0.9e-3, 1.2e-3, 1.1e-3),
    phase_shift=(0.0, 0.26, 0.49, 0.75),
    duty_error=(0.0, 0.0005, -0.0003, 0.0),
    rising_dead_time=(12e-9, 15e-9, 10e-9, 18e-9),
    falling_dead_time=8e-9,
    diode_voltage=0.8,
)
BULK, CERAMIC = CapacitorBank(2.8e-3, 0.9e-3, 0.2e-9), CapacitorBank(600e-6, 0.1e-3, 50e-12)
NEAR, DIE = CapacitorBank(200e-6, 0.08e-3, 20e-12), CapacitorBank(10e-6, 1e-3)
INPUT, INPUT_BULK = CapacitorBank(100e-6, 0.4e-3), CapacitorBank(500e-6, 5e-3, 1e-9)
CIRCUIT = Circuit(
    PHASES, 12.0, 400e3, (BULK, CERAMIC), load_line=0.2e-3, path_resistance=0.15e-3, path_inductance=60e-12,
    load_banks=(NEAR, DIE), input_banks=(INPUT, INPUT_BULK), source_resistance=5e-3, source_inductance=100e-9,
)  # fmt: skip
DUTY = 0.106
L, DCR = np.array(PHASES.inductance), np.array(PHASES.inductor_resistance)
HIGH, LOW = np.array(PHASES.high_side_resistance), np.array(PHASES.low_side_resistance)
# phases 4 | path | bulk ceramic near currents | source, input bulk current | six capacitor voltages
WIDTH = COUNT + 4 + 2 + 6


def kirchhoff(t, x, modes, load):
    """Derivative of all currents and voltages; modes: 'H', 'L' or 'D' (low side's diode) a phase."""
    i = x[:COUNT]
    path, bulk, ceramic, near, source, input_bulk = x[COUNT : COUNT + 6]
    v_bulk, v_ceramic, v_near, v_die, v_input, v_input_bulk = x[COUNT + 6 :]
    drawn = sum(i[k] for k in range(COUNT) if modes[k] == "H")
    input_ = v_input + INPUT.capacitor_resistance * (source - input_bulk - drawn)
    die = path - near - load(t)
    at_load = v_die + DIE.capacitor_resistance * die
    push = np.empty(COUNT)
    for k in range(COUNT):
        if modes[k] == "H":
            push[k] = input_ - HIGH[k] * i[k]
        elif modes[k] == "L":
            push[k] = -LOW[k] * i[k]
        else:
            push[k] = -0.8
    push -= DCR * i + CIRCUIT.load_line * i.sum()
    # Only inductances meet at the regulator's output: what flows in flows out, so do the rates of change.
    pulls = [
        (at_load + CIRCUIT.path_resistance * path, CIRCUIT.path_inductance),
        (v_bulk + BULK.capacitor_resistance * bulk, BULK.parasitic_inductance),
        (v_ceramic + CERAMIC.capacitor_resistance * ceramic, CERAMIC.parasitic_inductance),
    ]
    rail = ((push / L).sum() + sum(v / l for v, l in pulls)) / ((1 / L).sum() + sum(1 / l for _, l in pulls))
    change = np.empty(WIDTH)
    change[:COUNT] = (push - rail) / L
    change[COUNT : COUNT + 3] = [(rail - v) / l for v, l in pulls]
    change[COUNT + 3] = (at_load - v_near - NEAR.capacitor_resistance * near) / NEAR.parasitic_inductance
    change[COUNT + 4] = (12.0 - 5e-3 * source - input_) / 100e-9
    change[COUNT + 5] = (input_ - v_input_bulk - 5e-3 * input_bulk) / 1e-9
    change[COUNT + 6 :] = [
        bulk / BULK.capacitance, ceramic / CERAMIC.capacitance, near / NEAR.capacitance, die / DIE.capacitance,
        (source - input_bulk - drawn) / INPUT.capacitance, input_bulk / INPUT_BULK.capacitance,
    ]  # fmt: skip
    return change


def mode_at(k, time):
    after = (time * 400e3 - PHASES.phase_shift[k]) % 1.0
    duty = DUTY + PHASES.duty_error[k]
    if after < duty:
        return "H"
    dead = after < duty + 8e-9 * 400e3 or after >= 1.0 - PHASES.rising_dead_time[k] * 400e3
    return "D" if dead else "L"


def edges(end):
    shift, duty = np.array(PHASES.phase_shift), DUTY + np.array(PHASES.duty_error)
    once = np.concatenate([shift, shift + duty, shift + duty + 8e-9 * 400e3,
                           shift - np.array(PHASES.rising_dead_time) * 400e3]) % 1.0  # fmt: skip
    every = (np.arange(int(end * 400e3) + 1)[:, None] + once).reshape(-1) / 400e3
    return every[(every > 0.0) & (every < end)]


SIGNALS = [("phase_current", k) for k in range(COUNT)] + [
    ("path_current", None), ("output_bank_current", 0), ("output_bank_current", 1), ("load_bank_current", 0),
    ("source_current", None), ("input_bank_current", 1), ("output_bank_voltage", 0), ("output_bank_voltage", 1),
    ("load_bank_voltage", 0), ("load_bank_voltage", 1), ("input_bank_voltage", 0), ("input_bank_voltage", 1),
]  # fmt: skip


def compare(wave, load, corners, end, tolerance):
    x = np.array([wave.sample(signal, 0.0, index) for signal, index in SIGNALS])
    times = np.unique(np.concatenate([[0.0, end], edges(end), corners]))
    times = times[np.concatenate([[True], np.diff(times) > 1e-15])]
    worst = np.zeros(WIDTH)
    size = np.zeros(WIDTH)
    for begin, stop in zip(times[:-1], times[1:], strict=True):
        modes = [mode_at(k, 0.5 * (begin + stop)) for k in range(COUNT)]
        # The solver must not see the corner of the load inside its step.
        slope = (load(stop) - load(begin)) / (stop - begin)
        found = solve_ivp(
            kirchhoff, (begin, stop), x, method="DOP853", rtol=1e-11, atol=1e-12, t_eval=[0.5 * (begin + stop), stop],
            args=(modes, lambda t, a=begin, s=slope: load(a) + s * (t - a)),
        )  # fmt: skip
        x = found.y[:, -1]
        ours = np.array([wave.sample(signal, found.t[0], index) for signal, index in SIGNALS])
        worst = np.maximum(worst, np.abs(found.y[:, 0] - ours))
        size = np.maximum(size, np.abs(ours))
    assert (worst < tolerance * np.maximum(size, 1.0)).all(), worst / size
    assert size.min() > 0.5


def test_steady_state_of_mismatched_phases_comes_back_to_itself():
    wave = steady_waveform(CIRCUIT, 150.0, duty=DUTY)
    compare(wave, lambda t: 150.0, [], wave.time[-1], 1e-9)
    assert wave.event_count == 4 * COUNT


def test_load_step_and_release_of_mismatched_phases():
    corners, currents = (1.1e-6, 1.4e-6, 4.2e-6, 4.25e-6), (150.0, 210.0, 210.0, 140.0)

    def load(t):
        return float(np.interp(t, corners, currents))

    wave = load_step_waveform(CIRCUIT, LoadProfile(corners, currents), 7.5e-6, duty=DUTY)
    assert wave.time[-1] == pytest.approx(7.5e-6)
    compare(wave, load, corners, wave.time[-1], 1e-9)
    seen = wave.extremes("load_voltage")
    # The fixed duty lets the voltage sag on until the release.
    assert seen.low_time == pytest.approx(4.2e-6) and seen.high_time < 1.1e-6
