"""What must hold for any numbers: scaling with units, zeros, sums, monotony, inverses, conservation."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from phasewright import physics as p

QUICK = settings(max_examples=60, deadline=None)

duties = st.floats(0.01, 0.99)
counts = st.integers(1, 20)
currents = st.floats(0.1, 500.0)
positive = st.floats(1e-3, 1e3)
factors = st.floats(0.01, 100.0)
temperatures = st.floats(-20.0, 150.0)


# ---- ripple and cancellation ----------------------------------------------------------------------------------------


@given(count=st.integers(2, 24), k=st.integers(1, 23))
@QUICK
def test_ripple_cancels_at_duty_k_over_N(count, k):
    assume(k < count)
    assert abs(p.total_ripple_ratio(k / count, count)) < 1e-12
    assert p.input_capacitor_rms(100.0, k / count, count) < 1e-5


@given(duty=duties, count=counts)
@QUICK
def test_interleaving_never_adds_ripple(duty, count):
    assert 0.0 <= p.total_ripple_ratio(duty, count) <= 1.0 + 1e-12
    assert p.total_ripple_ratio(duty, 1) == pytest.approx(1.0, rel=1e-12)


@given(duty=duties, count=counts)
@QUICK
def test_ripple_is_symmetric_in_duty(duty, count):
    # Turned upside down, the waveform of duty D is that of 1 - D.
    left, right = p.total_ripple_ratio(duty, count), p.total_ripple_ratio(1.0 - duty, count)
    assert left == pytest.approx(right, rel=1e-6, abs=1e-9)


@given(duty=st.floats(0.01, 0.04), count=st.integers(1, 20))
@QUICK
def test_below_one_over_N_every_further_phase_lowers_the_ripple(duty, count):
    assume((count + 1) * duty < 1.0)
    assert p.total_ripple_ratio(duty, count + 1) < p.total_ripple_ratio(duty, count)
    assert p.input_capacitor_rms(100.0, duty, count + 1, 10.0) < p.input_capacitor_rms(100.0, duty, count, 10.0)


@given(load=currents, ripple=currents, duty=duties, count=counts, factor=factors)
@QUICK
def test_currents_scale(load, ripple, duty, count, factor):
    once = p.input_capacitor_rms(load, duty, count, ripple)
    assert p.input_capacitor_rms(factor * load, duty, count, factor * ripple) == pytest.approx(factor * once, rel=1e-9)
    assert p.inductor_rms(factor * load, factor * ripple) == pytest.approx(factor * p.inductor_rms(load, ripple))


@given(load=currents, duty=duties, count=counts)
@QUICK
def test_worst_input_current_bounds_all(load, duty, count):
    assert p.input_capacitor_rms(load, duty, count) <= p.input_capacitor_rms_worst(load, count) * (1 + 1e-12)


@given(current=currents, ripple=currents, duty=duties)
@QUICK
def test_switch_currents_add_up_to_the_inductor(current, ripple, duty):
    both = math.hypot(p.high_side_rms(duty, current, ripple), p.low_side_rms(duty, current, ripple))
    assert both == pytest.approx(p.inductor_rms(current, ripple), rel=1e-12)
    assert p.inductor_peak(current, ripple) - p.inductor_valley(current, ripple) == pytest.approx(ripple, rel=1e-9)


@given(vin=st.floats(5.0, 20.0), ratio=st.floats(0.02, 0.9), inductance=positive, frequency=positive, factor=factors)
@QUICK
def test_ripple_and_inductance_are_inverse_and_scale(vin, ratio, inductance, frequency, factor):
    vout = ratio * vin
    ripple = p.phase_ripple(vin, vout, inductance, frequency)
    assert p.inductance_for_ripple(vin, vout, ripple, frequency) == pytest.approx(inductance, rel=1e-12)
    assert p.phase_ripple(factor * vin, factor * vout, inductance, frequency) == pytest.approx(factor * ripple)
    assert p.phase_ripple(vin, vout, inductance, factor * frequency) == pytest.approx(ripple / factor)


@given(ripple=positive, duty=duties, count=counts, r=st.floats(0.0, 10.0))
@QUICK
def test_output_ripple_lies_between_its_parts_and_their_sum(ripple, duty, count, r):
    # In units of 1 / (N f) and C: only r C against the period matters.
    exact = p.output_ripple(ripple, duty, 1.0 / count, count, 1.0, r)
    capacitive, resistive = p.capacitive_ripple(ripple, 1.0, 1.0 / count, count), ripple * r
    assert exact <= (capacitive + resistive) * (1 + 1e-9)
    assert exact >= resistive * (1 - 1e-9)
    if p.total_ripple_ratio(duty, count) > 1e-9:
        assert exact >= capacitive * (1 - 1e-9)


# ---- losses ---------------------------------------------------------------------------------------------------------


@given(duty=duties, current=currents, ripple=currents, r=positive)
@QUICK
def test_equal_switches_lose_what_one_resistance_loses(duty, current, ripple, r):
    both = p.high_side_loss(duty, current, r, ripple) + p.low_side_loss(duty, current, r, ripple)
    assert both == pytest.approx(p.ohmic_loss(p.inductor_rms(current, ripple), r), rel=1e-12)


@given(current=currents, count=st.integers(1, 30), r=positive)
@QUICK
def test_more_phases_never_lose_more_by_resistance(current, count, r):
    def total(phases):
        return phases * p.ohmic_loss(p.phase_current(current, phases), r)

    assert total(count + 1) < total(count)


@given(current=currents, fixed=positive, r=positive, step=st.floats(0.01, 0.9))
@QUICK
def test_least_loss_phase_count_is_a_least(current, fixed, r, step):
    best = p.least_loss_phase_count(current, fixed, r)

    def loss(n):
        return fixed * n + r * current**2 / n

    assert loss(best) <= loss(best * (1 + step)) and loss(best) <= loss(best * (1 - step))


@given(vin=positive, current=currents, edge=positive, frequency=positive, ripple=st.floats(0.0, 0.2))
@QUICK
def test_overlap_with_equal_edges_does_not_see_the_ripple(vin, current, edge, frequency, ripple):
    plain = p.overlap_loss(vin, current, edge, edge, frequency)
    assert p.overlap_loss(vin, current, edge, edge, frequency, ripple * current) == pytest.approx(plain, rel=1e-9)


def test_overlap_at_light_load_has_no_turn_on_loss():
    assert p.overlap_loss(12.0, 1.0, 10e-9, 10e-9, 4e5, 6.0) == pytest.approx(0.5 * 12.0 * 4.0 * 10e-9 * 4e5)


@given(alpha=st.floats(1.0, 2.2), beta=st.floats(1.6, 3.2), duty=duties)
@QUICK
def test_core_loss_is_symmetric_in_duty_and_least_in_the_middle(alpha, beta, duty):
    ratio = p.triangular_loss_ratio(duty, alpha, beta)
    assert ratio == pytest.approx(p.triangular_loss_ratio(1.0 - duty, alpha, beta), rel=1e-6)
    assert ratio >= p.triangular_loss_ratio(0.5, alpha, beta) * (1 - 1e-12)


def test_flux_that_stands_still_loses_nothing():
    assert p.core_loss_waveform(1.0, 2.0, 1.6, [0.1, 0.1, 0.1], 1e-6) == 0.0
    assert p.core_loss_waveform(1.0, 1.5, 2.5, np.array([[0.0, 0.1], [0.2, 0.2]]), 1e-6)[1] == 0.0


@given(efficiency=st.floats(0.3, 0.99), output=positive)
@QUICK
def test_loss_and_efficiency_say_the_same(efficiency, output):
    taken = output / efficiency
    assert p.loss_of(taken, output) == pytest.approx(p.loss_from_efficiency(output, efficiency), rel=1e-9)
    assert p.delivery_efficiency(output, taken) == pytest.approx(efficiency, rel=1e-12)
    assert p.conversion_efficiency(output, taken + 7.0, 7.0) == pytest.approx(efficiency, rel=1e-9)
    assert p.loss_u(efficiency, 0.01, 0.01) <= p.loss_worst_error(efficiency, 0.01, 0.01)


# ---- copper ---------------------------------------------------------------------------------------------------------


@given(width=st.floats(1e-4, 1e-2), thickness=st.floats(2e-5, 1e-4), rise=st.floats(10.0, 100.0))
@QUICK
def test_trace_current_and_width_are_inverse(width, thickness, rise):
    for layer in ("outer", "inner"):
        current = p.trace_current(width, thickness, rise, layer)
        assert p.trace_width(current, thickness, rise, layer) == pytest.approx(width, rel=1e-9)
    assert p.trace_current(width, thickness, rise, "outer") == pytest.approx(2 * current, rel=1e-12)


@given(r=positive, low=temperatures, high=temperatures)
@QUICK
def test_copper_there_and_back(r, low, high):
    assert p.copper_resistance(p.copper_resistance(r, high, low), low, high) == pytest.approx(r, rel=1e-12)


@given(gauge=st.integers(0, 37))
@QUICK
def test_three_gauges_double_the_resistance_nearly_and_39_make_92(gauge):
    assert p.wire_resistance(gauge + 3, 1.0) / p.wire_resistance(gauge, 1.0) == pytest.approx(92 ** (6 / 39), rel=1e-9)
    assert p.wire_diameter(-3) / p.wire_diameter(36) == pytest.approx(92.0, rel=1e-12)


# ---- transients -----------------------------------------------------------------------------------------------------


@given(step=currents, slew=st.floats(1e6, 1e9), c=st.floats(1e-4, 1e-2), r=st.floats(0.0, 5e-3), factor=factors)
@QUICK
def test_excursion_is_at_least_resistive_and_falls_with_slew(step, slew, c, r, factor):
    excursion = p.step_excursion(step, slew, c, r)
    assert excursion >= r * step * (1 - 1e-12)
    assert p.step_excursion(step, 2 * slew, c, r) <= excursion * (1 + 1e-12)
    assert p.step_excursion(step, slew, c, r + 1e-4) >= excursion * (1 - 1e-12)
    # All times and the capacitance scaled alike leave the voltage alone.
    assert p.step_excursion(step, slew / factor, factor * c, r) == pytest.approx(excursion, rel=1e-9)


@given(step=currents, c=st.floats(1e-4, 1e-2), r=st.floats(0.0, 1e-3), above=st.floats(1.01, 10.0), count=counts)
@QUICK
def test_greatest_inductance_meets_the_limit_and_the_data_sheet_is_safer(step, c, r, above, count):
    limit = above * max(r * step, 1e-3)
    exact = p.greatest_inductance(limit, 1.2, count, c, r, step)
    assert p.step_excursion(step, p.total_slew(1.2, exact, count), c, r) == pytest.approx(limit, rel=1e-9)
    assert p.sizing_inductance(limit, 1.2, count, c, r, step) <= exact * (1 + 1e-12)


@given(inductance=positive, step=currents, c=positive, voltage=st.floats(0.5, 3.0), count=counts)
@QUICK
def test_overshoot_keeps_the_energy(inductance, step, c, voltage, count):
    over = p.overshoot_of(inductance, step, c, voltage, count)
    before = 0.5 * inductance * count * (step / count) ** 2 + 0.5 * c * voltage**2
    assert 0.5 * c * (voltage + over) ** 2 == pytest.approx(before, rel=1e-9)
    assert p.capacitance_for_overshoot(inductance, step, voltage, over, count) == pytest.approx(c, rel=1e-6)
    assert p.charge_capacitance(inductance, step, voltage, over, count) >= c * (1 - 1e-9)


# ---- heat -----------------------------------------------------------------------------------------------------------

ladders = st.lists(st.tuples(st.floats(0.05, 5.0), st.floats(0.01, 100.0)), min_size=1, max_size=6)


@given(ladder=ladders)
@QUICK
def test_foster_of_a_ladder_settles_at_its_resistance_and_starts_at_its_first_capacity(ladder):
    resistances, capacities = map(list, zip(*ladder, strict=True))
    network = p.cauer_to_foster(resistances, capacities)
    assert np.all(network.thermal_resistances >= 0.0) and np.all(network.time_constants > 0.0)
    assert network.thermal_resistances.sum() == pytest.approx(sum(resistances), rel=1e-6)
    slope = (network.thermal_resistances / network.time_constants).sum()
    assert slope == pytest.approx(1.0 / capacities[0], rel=1e-6)


@given(
    steps=st.lists(st.tuples(st.floats(1e-3, 500.0), st.floats(-50.0, 200.0)), min_size=1, max_size=80),
    start=st.floats(0.0, 100.0),
)
@QUICK
def test_history_equals_superposed_steps(steps, start):
    widths, powers = map(list, zip(*steps, strict=True))
    time = np.concatenate([[0.0], np.cumsum(widths)])
    power = np.array([*powers, 0.0])
    resistances, constants = [0.3, 1.2, 0.5], [0.02, 7.0, 400.0]
    expected = np.full(time.size, start * sum(resistances))
    for k, change in enumerate(np.diff(np.concatenate([[start], power[:-1]]))):
        later = time >= time[k]
        expected[later] += p.foster_rise(time[later] - time[k], change, resistances, constants)
    np.testing.assert_allclose(
        p.foster_history(time, power, resistances, constants, start), expected, rtol=1e-9, atol=1e-7
    )


@given(power=positive, paths=st.lists(positive, min_size=1, max_size=6))
@QUICK
def test_split_heat_adds_up_and_meets_at_one_temperature(power, paths):
    parts = p.heat_split(power, paths)
    assert parts.sum() == pytest.approx(power, rel=1e-12)
    np.testing.assert_allclose(parts * np.array(paths), power * p.parallel_thermal(paths), rtol=1e-9)
    assert p.parallel_thermal(paths) <= min(paths) * (1 + 1e-12) <= p.series_thermal(paths) * (1 + 1e-9)


@given(loss=st.floats(1.0, 50.0), alpha=st.floats(0.0, 0.01), r=st.floats(0.01, 5.0), coolant=st.floats(10.0, 60.0))
@QUICK
def test_both_ways_to_settle_agree(loss, alpha, r, coolant):
    linear = p.settle_linear(loss, 25.0, alpha, r, coolant)
    assert linear.gain == pytest.approx(p.loop_gain(loss, alpha, r), rel=1e-12)
    assert (linear.gain < 1.0) == math.isfinite(linear.temperature)
    assume(linear.temperature < 900.0)
    together = p.settle_together(lambda t: loss * (1.0 + alpha * (t - 25.0)), r, coolant)
    assert together.temperature == pytest.approx(linear.temperature, rel=1e-9)
    assert together.loss == pytest.approx(linear.loss, rel=1e-9)
    assert together.temperature - coolant == pytest.approx(r * together.loss, rel=1e-9)
    # A worse path never cools.
    assert p.settle_linear(loss, 25.0, alpha, r * 1.1, coolant).temperature >= linear.temperature


@given(start=st.floats(20.0, 90.0), end=st.floats(20.0, 120.0), tau=st.floats(10.0, 1e3), spacing=st.floats(0.3, 2.0))
@QUICK
def test_final_value_recovers_any_approach(start, end, tau, spacing):
    assume(abs(end - start) > 1.0)
    points = [end + (start - end) * math.exp(-k * spacing) for k in range(3)]
    found = p.final_value(*points, spacing * tau)
    assert found.temperature == pytest.approx(end, abs=1e-6)
    assert found.time_constant == pytest.approx(tau, rel=1e-6)


@given(remaining=st.floats(1e-4, 1.0), tau=positive)
@QUICK
def test_settling_time_is_the_inverse_of_the_approach(remaining, tau):
    fraction = p.approach_fraction(p.settling_time(tau, remaining), tau)
    assert fraction == pytest.approx(1.0 - remaining, abs=1e-9)


# ---- life and claims ------------------------------------------------------------------------------------------------


@given(energy=st.floats(0.1, 1.5), cool=st.floats(0.0, 80.0), more=st.floats(0.5, 60.0), further=st.floats(0.5, 40.0))
@QUICK
def test_arrhenius_factors_chain(energy, cool, more, further):
    warm, hot = cool + more, cool + more + further
    chained = p.arrhenius_factor(energy, cool, warm) * p.arrhenius_factor(energy, warm, hot)
    assert p.arrhenius_factor(energy, cool, hot) == pytest.approx(chained, rel=1e-9)
    assert p.equivalent_activation_energy(p.arrhenius_factor(energy, cool, hot), cool, hot) == pytest.approx(energy)


@given(count=st.integers(1, 400), data=st.data(), confidence=st.floats(0.5, 0.999))
@QUICK
def test_exact_interval_holds_the_share_and_mirrors(count, data, confidence):
    failures = data.draw(st.integers(0, count))
    interval = p.clopper_pearson(failures, count, confidence)
    assert 0.0 <= interval.low <= failures / count <= interval.high <= 1.0
    mirrored = p.clopper_pearson(count - failures, count, confidence)
    assert mirrored.low == pytest.approx(1.0 - interval.high, abs=1e-9)
    one_sided = p.failure_probability_bound(count, (1.0 + confidence) / 2.0, failures)
    assert one_sided == pytest.approx(interval.high, rel=1e-9)


@given(duration=positive, failures=st.integers(0, 50), confidence=st.floats(0.5, 0.99))
@QUICK
def test_longer_clean_runs_and_fewer_failures_prove_more(duration, failures, confidence):
    bound = p.failure_rate_bound(duration, confidence, failures)
    assert p.failure_rate_bound(2 * duration, confidence, failures) == pytest.approx(bound / 2, rel=1e-12)
    assert p.failure_rate_bound(duration, confidence, failures + 1) > bound
    interval = p.mtbf_interval(duration, failures, confidence)
    assert interval.low < interval.high
