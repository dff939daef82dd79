"""Load steps of finite speed against an ODE solver, and the heat of a wire against a heat balance solved by root."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from phasewright import physics


def drawn_step(seed):
    generator = np.random.default_rng(seed)
    pick = generator.uniform
    return {
        "current_step": pick(10.0, 300.0),
        "load_slew": 10.0 ** pick(7.0, 9.5),
        "slew": 10.0 ** pick(6.8, 8.8),
        "capacitance": 10.0 ** pick(-3.3, -2.0),
        "capacitor_resistance": 10.0 ** pick(-4.2, -3.0),
        "delay": float(generator.choice([0.0, pick(0.0, 2e-6)])),
    }


def solved(step, return_slew, target_change, times):
    """Return the deviation [V] at `times`, charge integrated by scipy's ODE solver between the corners of the current.

    Nothing of the closed form is used: the moment of catching up and the moments of turning back come from events and
    from a root search over the time of full slope.
    """
    ramp = step["current_step"] / step["load_slew"]

    def load(t):
        return step["current_step"] * min(t / ramp, 1.0)

    def run(turn, end, phases_from=None):
        def rate(t, state):
            charge, phases = state
            if t < step["delay"]:
                slope = 0.0
            elif t < turn:
                slope = step["slew"]
            else:
                slope = -return_slew
            return [load(t) - phases, slope]

        corners = sorted({0.0, min(step["delay"], end), min(ramp, end), min(turn, end), end})
        state, found = [0.0, 0.0], []
        for low, high in zip(corners[:-1], corners[1:], strict=True):
            part = solve_ivp(rate, (low, high - 1e-16), state, rtol=1e-9, atol=1e-15, dense_output=True,
                             max_step=(high - low) / 4)
            found.append((low, high, part.sol))
            state = part.y[:, -1]
        return found, state

    def at(found, t):
        for low, high, solution in found:
            if low <= t <= high:
                charge, phases = solution(t)
                return step["capacitor_resistance"] * (load(t) - phases) + charge / step["capacitance"]
        raise ValueError(t)

    def phases_equal(turn):
        """Return (time at which the phases carry the load again after turning back, charge lent then)."""
        carried = step["slew"] * (turn - step["delay"]) - step["current_step"]
        end = turn + max(carried, 0.0) / return_slew
        found, state = run(turn, end)
        return end, state[0], found

    catch = step["delay"] + step["current_step"] / step["slew"]
    wanted = step["capacitance"] * target_change
    far = catch + 4.0 * math.sqrt(max(phases_equal(catch)[1] - wanted, 0.0) / step["slew"]) + 1e-9
    if phases_equal(catch)[1] <= wanted:
        turn = catch
    else:
        turn = brentq(lambda t: phases_equal(t)[1] - wanted, catch, far, xtol=1e-16, rtol=1e-12)
    end, lent, found = phases_equal(turn)
    return np.array([at(found, t) if t < end else lent / step["capacitance"] for t in times])


# Phases that never overtake a load that is still rising: there the phases' slope against the load is their own.
SLOWER = [seed for seed in range(60) if drawn_step(seed)["slew"] < drawn_step(seed)["load_slew"]][:12]


@pytest.mark.parametrize("seed", SLOWER)
def test_deviation_excursion_and_settling_agree_with_an_ode_solver(seed):
    step = drawn_step(seed)
    return_slew, target = 0.3 * step["slew"], 0.2e-3 * step["current_step"]
    end = 3.0 * (step["delay"] + step["current_step"] / step["slew"])
    times = np.linspace(0.0, end, 301)[1:]
    expected = solved(step, return_slew, target, times)
    got = physics.load_step_deviation(times, **{**step, "return_slew": return_slew, "target_change": target})
    assert got == pytest.approx(expected, rel=1e-6, abs=1e-8)
    peak = physics.load_step_excursion(**step)
    assert peak >= expected.max() - 1e-9
    assert peak == pytest.approx(expected.max(), rel=2e-3)
    band = 0.3 * max(peak - target, 1e-3)
    settled = physics.load_step_settling(
        **{**step, "return_slew": return_slew, "target_change": target, "band_width": band}
    )
    outside = times[expected > target + band]
    assert settled == pytest.approx(outside[-1] if outside.size else 0.0, abs=times[1] - times[0] + 1e-12)


def test_phases_that_overtake_a_rising_load_agree_with_a_fine_sum():
    generator = np.random.default_rng(5)
    for _ in range(40):
        load_slew, size = 10.0 ** generator.uniform(7.0, 8.0), generator.uniform(50.0, 200.0)
        slew, delay = load_slew * generator.uniform(1.2, 20.0), generator.uniform(0.1e-6, 0.5e-6)
        capacitance, resistance = 3e-3, 0.4e-3
        time = np.linspace(0.0, delay + size / load_slew, 200_001)
        current = np.minimum(load_slew * time, size) - slew * np.maximum(time - delay, 0.0)
        charge = np.concatenate([[0.0], np.cumsum(0.5 * (current[1:] + current[:-1]) * np.diff(time))])
        past = np.flatnonzero(current < 0.0)
        until = past[0] if past.size else time.size
        peak = (resistance * current + charge / capacitance)[:until].max()
        args = (size, load_slew, slew, capacitance, resistance, delay)
        assert physics.load_step_excursion(*args) == pytest.approx(peak, rel=1e-3, abs=1e-9)
        assert physics.load_step_charge(size, load_slew, slew, delay) == pytest.approx(charge[until - 1], rel=2e-3)


positive = st.floats(0.05, 20.0)


@given(size=positive, slew=positive, capacitance=positive, resistance=positive)
def test_ll_06_a_sudden_step_without_delay_is_the_older_closed_form(size, slew, capacitance, resistance):
    """reference values, LL-06: own derivation, simulated on 2e6 points (see test_published_transient)."""
    args = (10.0 * size, 1e8 * slew, 1e-3 * capacitance, 1e-3 * resistance)
    sudden = physics.load_step_excursion(args[0], math.inf, *args[1:])
    assert sudden == pytest.approx(float(physics.step_excursion(*args)), rel=1e-9)


@given(size=positive, load_slew=positive, slew=positive, delay=st.floats(0.0, 5.0), scale=st.floats(1.1, 4.0))
def test_slower_loads_faster_phases_and_more_capacitance_never_move_the_voltage_more(
    size, load_slew, slew, delay, scale
):
    size, load_slew, slew, delay = 10.0 * size, 1e8 * load_slew, 1e8 * slew, 1e-6 * delay
    first = physics.load_step_excursion(size, load_slew, slew, 3e-3, 0.4e-3, delay)
    for other in (
        physics.load_step_excursion(size, load_slew / scale, slew, 3e-3, 0.4e-3, delay),
        physics.load_step_excursion(size, load_slew, slew * scale, 3e-3, 0.4e-3, delay),
        physics.load_step_excursion(size, load_slew, slew, 3e-3 * scale, 0.4e-3, delay),
        physics.load_step_excursion(size, load_slew, slew, 3e-3, 0.4e-3, delay / scale),
        physics.load_step_excursion(size / scale, load_slew, slew, 3e-3, 0.4e-3, delay),
    ):
        assert other <= first * (1.0 + 1e-9) + 1e-12


@given(charge=positive, slew=positive, return_slew=positive)
def test_recovery_gives_back_just_the_charge(charge, slew, return_slew):
    charge, slew, return_slew = 1e-4 * charge, 1e8 * slew, 1e8 * return_slew
    excess = physics.recovery_current(charge, slew, return_slew)
    duration = physics.recovery_duration(charge, slew, return_slew)
    assert duration == pytest.approx(excess / slew + excess / return_slew)
    assert 0.5 * excess * duration == pytest.approx(charge)  # area of the triangle


@pytest.mark.parametrize(("current", "gauge"), [(4.0, 18), (8.0, 18), (8.333, 16), (12.0, 14)])
def test_wire_rise_solves_its_heat_balance(current, gauge):
    area = math.pi * (float(physics.wire_diameter(gauge)) + 1e-3)

    def balance(rise):
        return current**2 * physics.wire_resistance(gauge, 1.0, 25.0 + rise) - 10.0 * area * rise

    assert physics.wire_rise(current, gauge) == pytest.approx(brentq(balance, 0.0, 500.0), rel=1e-6)


def test_wire_that_gains_resistance_faster_than_heat_leaves_has_no_steady_rise():
    assert physics.wire_rise(200.0, 24) == math.inf
