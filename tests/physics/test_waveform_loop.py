"""The sampled voltage loop: beside scipy with the same controller written by hand, textbook transfer function, margins."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from phasewright.physics import (
    CapacitorBank,
    Circuit,
    LoadProfile,
    Phases,
    VoltageLoop,
    load_step_excursion,
    load_step_response,
    load_step_waveform,
    steady_waveform,
    total_slew,
    tuned_loop,
)
from phasewright.physics.waveform.tuning import duty_response, loop_gain_of

VIN, F, L, DCR, ON, LOW, C, ESR = 12.0, 400e3, 0.3e-6, 0.4e-3, 2.5e-3, 1.2e-3, 1.5e-3, 0.7e-3
TWO = Circuit(Phases(2, L, DCR, ON, LOW), VIN, F, (CapacitorBank(C, ESR),))


@pytest.mark.parametrize("delay_turns", [0, 1])
def test_two_phases_under_control_beside_scipy(delay_turns):
    """Plant, pulses and controller once more, by hand: a step that drives the duty to both of its ends."""
    loop = VoltageLoop(8.0, 3e5, 6e-6, 0.3e-6, 0.6e-3, 0.0, 0.6, delay_turns)
    corners, currents = (6.3e-6, 6.8e-6, 31e-6, 31.1e-6), (40.0, 90.0, 90.0, 30.0)
    wave = load_step_waveform(TWO, LoadProfile(corners, currents), 60e-6, duty=0.105, loop=loop)

    def load(t):
        return float(np.interp(t, corners, currents))

    x = np.array([wave.sample("phase_current", 0.0, 0), wave.sample("phase_current", 0.0, 1),
                  wave.sample("output_bank_voltage", 0.0, 0)])  # fmt: skip
    turn = 0.5 / F

    def rail(t, x):
        return x[2] + ESR * (x[0] + x[1] - load(t))

    def rates(t, x, on):
        v = rail(t, x)
        switch = [VIN - ON * x[k] if on[k] else -LOW * x[k] for k in range(2)]
        return [(switch[k] - DCR * x[k] - v) / L for k in range(2)] + [(x[0] + x[1] - load(t)) / C]

    # The steady state is symmetric: what is measured before phase 0 turns on is the same before phase 1 does.
    steady = steady_waveform(TWO, 40.0, duty=0.105)
    before = [steady.sample("phase_current", 2.5e-6 - 1e-18, k) for k in range(2)]
    at_rest = rail(0.0, [*before, steady.sample("output_bank_voltage", 2.5e-6 - 1e-18, 0)]) + 0.6e-3 * sum(before)
    offs = [math.inf, math.inf]
    on = [False, False]
    errors, integral, last, slope = [0.0] * delay_turns, 0.0, 0.0, 0.0
    time, worst, ends = 0.0, 0.0, set()
    for number in range(48):
        phase = number % 2
        now = number * turn
        measured = rail(now, x) + 0.6e-3 * (x[0] + x[1])
        errors.append(at_rest - measured)
        error = errors[number]
        slope += turn / (0.3e-6 + turn) * ((error - last) / turn - slope)
        last = error
        more = 3e5 * error * turn
        wanted = 0.105 + 8.0 * error + 6e-6 * slope + integral + more
        duty = min(max(wanted, 0.0), 0.6)
        if duty == wanted or (wanted > 0.6 and more < 0) or (wanted < 0.0 and more > 0):
            integral += more
        ends.add(duty if duty in (0.0, 0.6) else None)
        on[phase] = duty > 0.0
        offs[phase] = now + duty / F if on[phase] else math.inf
        stops = sorted({t for t in (*offs, *corners, now + turn) if now < t <= now + turn})
        for stop in stops:
            if stop - time > 1e-16:
                found = solve_ivp(rates, (time, stop), x, method="DOP853", rtol=1e-11, atol=1e-12, args=(tuple(on),))
                x = found.y[:, -1]
                time = stop
            for k in range(2):
                if offs[k] == stop:
                    on[k], offs[k] = False, math.inf
            ours = [wave.sample("phase_current", stop, 0), wave.sample("phase_current", stop, 1),
                    wave.sample("output_bank_voltage", stop, 0)]  # fmt: skip
            worst = max(worst, float(np.abs(x - ours).max()))
    assert ends == {0.0, 0.6, None}
    assert worst < 1e-7  # of 60 A; a loop hands on every error of the solver


def test_response_to_duty_is_the_textbook_one():
    """Vin (1 + s r C) / (1 + s (R + r) C + s^2 L C), phases in parallel (Erickson & Maksimovic, ch. 8; from memory)."""
    duty = 0.105
    small = Circuit(Phases(4, 50e-6, DCR, LOW, LOW), VIN, F, (CapacitorBank(C, ESR),))
    frequency = np.geomspace(10.0, 5e5, 60)
    found = duty_response(steady_waveform(small, 60.0, duty=duty), 0.0, frequency)
    s = 2j * np.pi * frequency
    series, coil = (DCR + LOW) / 4, 50e-6 / 4
    expected = VIN * (1 + s * ESR * C) / (1 + s * (series + ESR) * C + s**2 * coil * C)
    np.testing.assert_allclose(found, expected, rtol=1e-9)


@given(
    count=st.integers(1, 12), coil=st.floats(0.1e-6, 0.5e-6), capacitance=st.floats(0.5e-3, 8e-3),
    esr=st.floats(0.1e-3, 1e-3), load_line=st.sampled_from([0.0, 0.3e-3, 1e-3]), margin=st.floats(30.0, 65.0),
)  # fmt: skip
@settings(max_examples=6, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
def test_tuned_loops_have_their_margin(count, coil, capacitance, esr, load_line, margin):
    circuit = Circuit(Phases(count, coil, 0.3e-3, 3e-3, 1e-3), VIN, F, (CapacitorBank(capacitance, esr),))
    loop = tuned_loop(circuit, 20.0 * count, 1.1, load_line=load_line, phase_margin=margin)
    steady = steady_waveform(circuit, 20.0 * count, load_voltage=1.1)
    frequency = np.geomspace(100.0, count * F / 2, 5_000)
    gain = loop_gain_of(steady, loop, frequency)
    last = np.flatnonzero(np.abs(gain) > 1.0)[-1]
    assert math.degrees(np.angle(-gain[last])) > 0.85 * margin
    # Where the resistances of bank and load line make the gain flat, it may touch 1 once more a little above.
    assert frequency[last] <= F / 5 * 1.3
    # And it holds still: a small step dies away, currents that circulate between phases (72 us and more) with it.
    load = LoadProfile((2e-6, 2.1e-6), (20.0 * count, 22.0 * count))
    wave = load_step_waveform(circuit, load, max(60.0 / frequency[last], 1.5e-3), load_voltage=1.1, loop=loop)
    tail = wave.extremes("load_voltage", start=wave.time[-1] - 1 / F)
    # Near a zero of the cancelled ripple a little more duty makes much more ripple, so the new steady state is the rule.
    ripple = steady.extremes("phase_current", 0).swing
    settled = steady_waveform(circuit, 22.0 * count, load_voltage=1.1 - load_line * 2.0 * count)
    assert tail.swing < 1.1 * settled.extremes("load_voltage").swing + 0.02 * (load_line + esr) * ripple + 2e-5
    level = 1.1 - load_line * 2.0 * count
    # Samples fold ripple back; what the calibration at the start misses of it is a fraction of one phase's ripple.
    slack = 2e-5 + 0.2 * (load_line + esr) * ripple
    assert wave.mean("load_voltage", start=wave.time[-1] - 1 / F) == pytest.approx(level, abs=slack)


def test_too_much_gain_oscillates():
    """Beyond the gain margin that the loop gain tells, the simulation does not come to rest; below it, it does."""
    circuit = Circuit(Phases(3, 0.22e-6, 0.3e-3, 3e-3, 1e-3), VIN, F, (CapacitorBank(3e-3, 0.3e-3),))
    loop = tuned_loop(circuit, 60.0, 1.1)
    steady = steady_waveform(circuit, 60.0, load_voltage=1.1)
    frequency = np.geomspace(F / 20, F / 2 * 3, 5_000)
    gain = loop_gain_of(steady, loop, frequency)
    turning = np.flatnonzero((gain.imag[:-1] < 0) & (gain.imag[1:] >= 0) & (gain.real[:-1] < 0))[0]
    limit = 1.0 / abs(gain[turning])
    assert limit > 1.5
    swings = []
    for factor in (0.9 * limit, 1.1 * limit):
        more = dataclasses.replace(
            loop, proportional_gain=loop.proportional_gain * factor, integral_gain=loop.integral_gain * factor,
            derivative_gain=loop.derivative_gain * factor,
        )  # fmt: skip
        wave = load_step_waveform(circuit, LoadProfile((2e-6, 2.1e-6), (60.0, 63.0)), 0.6e-3, load_voltage=1.1, loop=more)
        swings.append(wave.extremes("total_current", start=0.5e-3).swing)
    quiet = steady.extremes("total_current").swing
    assert swings[0] < 1.1 * quiet and swings[1] > 2.0 * quiet


SIX = Circuit(Phases(6, 0.22e-6, 0.3e-3, 3e-3, 1e-3), VIN, F, (CapacitorBank(4e-3, 0.5e-3),))
STEP = {"set_voltage": 1.2, "low_current": 50.0, "high_current": 150.0, "load_slew": 1e9, "load_line": 0.5e-3}


def test_response_obeys_the_closed_forms_for_saturated_phases():
    """No controller beats phases that act at once and flat out; one that may take its time ends on the load line."""
    answer = load_step_response(SIX, **STEP, band_width=20e-3)
    up, down = total_slew(VIN - 1.1, 0.22e-6, 6), total_slew(1.2, 0.22e-6, 6)
    ripple = steady_waveform(SIX, 50.0, load_voltage=1.175).extremes("load_voltage").swing
    assert answer.droop > load_step_excursion(100.0, 1e9, up, 4e-3, 0.5e-3) - ripple
    assert answer.overshoot > load_step_excursion(100.0, 1e9, down, 4e-3, 0.5e-3) - ripple
    late = 1.0 / F  # a turn, its delay and the time to the edge are shorter than a period
    assert answer.droop < 2.0 * load_step_excursion(100.0, 1e9, up / 3, 4e-3, 0.5e-3, late)
    assert answer.droop_beyond == pytest.approx(answer.droop - 50e-3, abs=1e-3)
    assert 1e-6 < answer.droop_settling < 50e-6 and 1e-6 < answer.overshoot_settling < 50e-6
    at_end = answer.time > answer.release_time - 5e-6
    before_release = at_end & (answer.time < answer.release_time)
    assert answer.load_voltage[before_release].mean() == pytest.approx(1.125, abs=1e-3)
    assert answer.load_voltage.min() >= 1.175 - answer.droop - 1e-9
    assert answer.load_current[0] == 50.0 and answer.load_current[before_release].min() == 150.0


def test_settling_is_when_the_samples_last_leave_the_band():
    answer = load_step_response(SIX, **STEP, band_width=15e-3, sample_count=20_001)
    within = np.abs(answer.load_voltage - 1.125) <= 7.5e-3
    stretch = (answer.time > 0.0) & (answer.time < answer.release_time)
    last = answer.time[stretch & ~within].max()
    assert answer.droop_settling == pytest.approx(last, abs=0.5e-6)
    never = load_step_response(SIX, **STEP, band_width=0.1e-3)
    assert never.droop_settling == math.inf
    assert math.isnan(load_step_response(SIX, **STEP).droop_settling)


def test_more_capacitance_droops_less_and_faster_loads_droop_no_less():
    def droop(circuit=SIX, **more):
        return load_step_response(circuit, **{**STEP, **more}).droop

    banks = [dataclasses.replace(SIX, output_banks=(CapacitorBank(c, 0.5e-3),)) for c in (2e-3, 4e-3, 8e-3)]
    found = [droop(circuit) for circuit in banks]
    assert found == sorted(found, reverse=True) and found[0] > 1.2 * found[2]
    slews = [droop(load_slew=slew) for slew in (2e6, 20e6, 1e9)]
    assert slews == sorted(slews) and slews[2] > 1.1 * slews[0]


@pytest.mark.parametrize("more, said", [
    ({"high_current": 40.0}, "high_current = 40"),
    ({"load_slew": 0.0}, "load_slew = 0"),
    ({"load_slew": 1e5}, "duration"),
    ({"bandwidth": 250e3}, "bandwidth = 250000"),
    ({"band_width": -1.0}, "band_width = -1"),
    ({"sample_count": 1}, "sample_count = 1"),
])  # fmt: skip
def test_impossible_steps_are_refused(more, said):
    with pytest.raises(ValueError, match=said) as caught:
        load_step_response(SIX, **{**STEP, **more})
    assert str(caught.value).count(" - ") == 2


def test_one_load_line_only():
    twice = dataclasses.replace(SIX, load_line=0.5e-3)
    with pytest.raises(ValueError, match="load line"):
        load_step_response(twice, **STEP)
    with pytest.raises(ValueError, match="load line"):
        load_step_waveform(twice, LoadProfile((0.0,), (50.0,)), 1e-5, duty=0.1, loop=VoltageLoop(1.0, load_line=1e-3))
    with pytest.raises(ValueError, match="phase_margin"):
        tuned_loop(SIX, 50.0, 1.2, phase_margin=89.0)
