"""Rows MB-01 to MB-26 of the reference values: duty, ripple, cancellation, capacitor currents, and traps T-2, T-6 to
T-10. Data sheets by their numbers; `own` marks a closed form that is confirmed here by a sum of shifted waveforms.
"""

import math

import numpy as np
import pytest

from phasewright.physics import (
    capacitive_ripple,
    dcr_sense_capacitance,
    dcr_sense_resistance,
    duty_ideal,
    duty_with_drops,
    esl_ripple,
    esr_limit,
    high_side_rms,
    inductance_for_output_ripple,
    inductance_for_ripple,
    inductor_peak,
    inductor_rms,
    input_capacitor_rms,
    input_capacitor_rms_worst,
    input_ripple,
    low_side_rms,
    output_ripple,
    phase_ripple,
    ripple_factor,
    ripple_rms,
    total_ripple,
    total_ripple_ratio,
)

COUNTS = (1, 2, 3, 4, 5, 6, 7, 8, 10, 12)


def near(expected, tolerance):
    return pytest.approx(expected, abs=tolerance, rel=0)


# ---- brute force: N shifted waveforms, exact on each straight piece ------------------------------------------------


def pieces(duty, count):
    """Start and length of every piece of one period (of length 1) between two switching edges."""
    edges = np.sort(np.concatenate([np.arange(count) / count, (np.arange(count) / count + duty) % 1.0]))
    edges = np.unique(edges)
    return edges, np.diff(np.append(edges, edges[0] + 1.0))


def phase_shape(duty, at):
    """Triangular inductor ripple of one phase with peak-to-peak 1 and mean 0, at moments of the period."""
    x = np.asarray(at) % 1.0
    return np.where(x < duty, x / duty - 0.5, 0.5 - (x - duty) / (1.0 - duty))


def summed_ripple(duty, count):
    edges, _ = pieces(duty, count)
    total = sum(phase_shape(duty, edges - k / count) for k in range(count))
    return total.max() - total.min()


def input_rms(load, duty, count, ripple):
    """RMS of the high-side current sum without its mean; straight within each piece, so Simpson's rule is exact."""
    edges, lengths = pieces(duty, count)
    square = mean = 0.0
    for start, length in zip(edges, lengths, strict=True):
        if length == 0.0:
            continue
        inside = start + length * np.array([1e-9, 0.5, 1.0 - 1e-9])
        current = np.zeros(3)
        for k in range(count):
            on = ((inside - k / count) % 1.0) < duty
            current += on * (load / count + ripple * phase_shape(duty, inside - k / count))
        weight = np.array([1.0, 4.0, 1.0]) / 6.0 * length
        square += weight @ current**2
        mean += weight @ current
    return math.sqrt(max(square - mean**2, 0.0))


GRID = [(d, n) for n in (1, 2, 3, 4, 5, 6, 8, 11) for d in (0.03, 0.08, 0.1, 0.125, 0.21, 0.36, 0.5, 0.77, 0.95)]


@pytest.mark.parametrize(("duty", "count"), GRID)
def test_MB_09_total_ripple_equals_sum_of_shifted_waveforms(duty, count):
    assert total_ripple_ratio(duty, count) == near(summed_ripple(duty, count), 1e-12)


@pytest.mark.parametrize(("duty", "count"), GRID)
@pytest.mark.parametrize("ripple", [0.0, 7.0, 40.0])
def test_MB_17_MB_19_input_rms_equals_sum_of_shifted_waveforms(duty, count, ripple):
    expected = input_rms(36.0, duty, count, ripple)
    assert input_capacitor_rms(36.0, duty, count, ripple) == near(expected, 1e-6)


@pytest.mark.parametrize(("duty", "count"), [(0.1, 1), (0.1, 4), (0.3, 2), (0.3, 5), (0.5, 3), (0.9, 4)])
def test_input_ripple_equals_sum_of_shifted_waveforms(duty, count):
    edges, lengths = pieces(duty, count)
    level = sum((((edges + lengths / 2 - k / count) % 1.0) < duty) for k in range(count)) * 100.0 / count
    charge = np.cumsum((level - 100.0 * duty) * lengths) / 400e3
    expected = (charge.max() - charge.min()) / 100e-6
    assert input_ripple(100.0, duty, count, 400e3, 100e-6) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("duty", "count"), [(0.1, 1), (0.1, 4), (0.3, 1), (0.3, 2), (0.5, 1), (0.47, 5)])
@pytest.mark.parametrize("time_constant", [0.0, 0.02, 0.2, 1.0])
def test_MB_15_output_ripple_equals_integrated_waveform(duty, count, time_constant):
    frequency, capacitance = 400e3, 1e-3
    resistance = time_constant / (count * frequency) / capacitance
    moments = np.linspace(0.0, 1.0 / count, 40001)
    total = sum(phase_shape(duty, moments - k / count) for k in range(count))
    total = total - np.trapezoid(total, moments) * count
    middle = (total[1:] + total[:-1]) / 2
    charge = np.concatenate([[0.0], np.cumsum(middle * np.diff(moments))]) / frequency
    voltage = resistance * total + charge / capacitance
    peak_to_peak = total.max() - total.min()
    computed = output_ripple(peak_to_peak, duty, frequency, count, capacitance, resistance)
    assert computed == pytest.approx(voltage.max() - voltage.min(), rel=2e-4)
    if resistance == 0.0:
        assert computed == pytest.approx(capacitive_ripple(peak_to_peak, capacitance, frequency, count), rel=1e-12)


def test_esl_ripple_is_the_step_of_total_slope_at_one_edge():
    # One edge changes one inductor's voltage by V_in, whatever the others do: slope before and after, by waveform.
    vin, inductance, frequency, duty = 12.0, 0.22e-6, 400e3, 0.1
    ripple = phase_ripple(vin, duty * vin, inductance, frequency)
    for count in (1, 3, 4):
        tiny = 1e-7
        total = [sum(phase_shape(duty, x - k / count) for k in range(count)) * ripple for x in (-tiny, 0.0, tiny)]
        step = (total[2] - 2 * total[1] + total[0]) / tiny * frequency
        assert esl_ripple(vin, inductance, 20e-12) == pytest.approx(20e-12 * step, rel=1e-6)


# ---- the rows -------------------------------------------------------------------------------------------------------


def test_MB_01_duty_with_drops():
    assert duty_with_drops(12.0, 1.2, 20.0, 3e-3, 1e-3, 0.5e-3) == near(0.102843, 1e-6)
    assert duty_ideal(12.0, 1.2) == near(0.1, 1e-12)
    # Both sides of the balance that it solves: D (Vin - I R_HS) - (1 - D) I R_LS - I DCR = Vo.
    d = duty_with_drops(12.0, 1.2, 20.0, 3e-3, 1e-3, 0.5e-3)
    assert d * (12.0 - 20.0 * 3e-3) - (1 - d) * 20.0 * 1e-3 - 20.0 * 0.5e-3 == near(1.2, 1e-12)


def test_MB_02_SLUS660H_p43_phase_ripple():
    assert phase_ripple(13.2, 1.5, 1e-6, 500e3) == near(2.6591, 0.005)
    assert round(phase_ripple(13.2, 1.5, 1e-6, 500e3), 2) == 2.66


def test_MB_03_SLUS660H_p43_inductance():
    assert inductance_for_ripple(13.2, 1.5, 0.15 * 20.0, 500e3) == pytest.approx(0.88636e-6, rel=1e-5)
    assert inductance_for_ripple(13.2, 1.5, 3.0, 500e3) == pytest.approx(0.89e-6, rel=0.005)


def test_MB_04_SLUS930B_p51_inductance():
    assert inductance_for_ripple(14.0, 1.2, 0.30 * 20.0, 300e3) == pytest.approx(609.5e-9, rel=0.002)


def test_MB_05_SLUS930B_p52_eq37_phase_ripple():
    assert phase_ripple(14.0, 1.2, 750e-9, 300e3) == near(4.8762, 0.005)


def test_MB_06_SLUS930B_p52_eq38_39_rms_and_peak():
    assert inductor_rms(20.0, 4.88) == near(20.05, 0.005)
    assert inductor_peak(20.0, 4.88) == near(22.44, 0.005)


def test_MB_07_ADP3162_p10_eq18_19_switch_rms():
    assert high_side_rms(0.36, 14.0, 5.8) == near(8.460, 0.0005)
    assert low_side_rms(0.36, 14.0, 5.8) == near(11.280, 0.0005)
    assert high_side_rms(0.36, 14.0, 5.8) == near(8.5, 0.05)
    assert low_side_rms(0.36, 14.0, 5.8) == near(11.3, 0.05)


def test_MB_08_ADP2102_p21_ripple_rms():
    assert ripple_rms(phase_ripple(4.2, 1.8, 2.2e-6, 3e6)) == pytest.approx(44.98e-3, rel=0.0005)
    assert ripple_rms(phase_ripple(4.2, 1.8, 2.2e-6, 3e6)) == pytest.approx(45e-3, rel=0.005)


def test_MB_09_cancellation_at_duty_one_tenth():
    expected = [1, 0.888889, 0.777778, 0.666667, 0.555556, 0.444444, 0.333333, 0.222222, 0, 0.148148]
    np.testing.assert_allclose(total_ripple_ratio(0.1, COUNTS), expected, rtol=0, atol=1e-6)


@pytest.mark.parametrize(
    ("count", "duty"), [(4, 0.25), (4, 0.5), (4, 0.75), (6, 1 / 6), (6, 1 / 3), (8, 0.125), (10, 0.1)]
)
def test_MB_10_zeros_of_the_total_ripple(count, duty):
    assert abs(total_ripple_ratio(duty, count)) < 1e-12


def product_form(duty, count):
    """SLUS660H Eq. 57 and SLUU195 Eq. 6, as printed, normalised to V_o / (L f)."""
    above = math.prod(abs(i - count * duty) for i in range(1, count + 1))
    return above / math.prod(abs(i - count * duty) + 1.0 for i in range(1, count))


@pytest.mark.parametrize(
    ("count", "duty", "expected"),
    [(2, 0.3, 0.4), (3, 0.4, 0.133333), (4, 0.3, 0.133333), (5, 0.47, 0.0968085), (8, 0.1, 0.2)],
)
def test_MB_11_SLUS660H_eq57_product_form(count, duty, expected):
    assert product_form(duty, count) == near(expected, 1e-6)
    assert ripple_factor(duty, count) == near(expected, 1e-6)


@pytest.mark.parametrize("count", range(1, 13))
def test_MB_11_product_form_equals_ours_everywhere(count):
    duties = np.linspace(0.013, 0.987, 101)
    printed = [product_form(d, count) for d in duties]
    np.testing.assert_allclose(ripple_factor(duties, count), printed, rtol=1e-10, atol=1e-12)


def test_MB_12_SLUS660H_p54_four_phase_ripple():
    # The inductance is not in the text that was read; 0.8 uH reproduces the printed current.
    duty = 1.8 / 13.2
    assert ripple_factor(duty, 4) == near(0.4545, 0.00005)
    assert round(ripple_factor(duty, 4), 3) == 0.455
    assert total_ripple(13.2, 1.8, 0.8e-6, 650e3, 4) == near(1.573, 0.001)


def test_MB_13_ISL6316_p12_eq1_2_total_ripple():
    assert total_ripple(12.0, 1.2, 0.22e-6, 400e3, 4) == near(8.1818, 1e-4)
    assert total_ripple(12.0, 1.2, 0.22e-6, 400e3, 4) == pytest.approx(
        (12.0 - 4 * 1.2) * 1.2 / (0.22e-6 * 400e3 * 12.0), rel=1e-12
    )
    assert phase_ripple(12.0, 1.2, 0.22e-6, 400e3) == near(12.2727, 1e-4)


def test_MB_14_output_ripple_over_phase_count():
    expected = [12.2727, 10.9091, 9.5455, 8.1818, 6.8182, 5.4545, 4.0909, 2.7273, 0, 1.8182]
    np.testing.assert_allclose(total_ripple(12.0, 1.2, 0.22e-6, 400e3, COUNTS), expected, rtol=0, atol=1e-3)


def test_MB_15_and_T_2_capacitive_ripple_has_N_times_the_frequency():
    physical = capacitive_ripple(1.573, 356e-6, 650e3, 4)
    assert physical == pytest.approx(212.4e-6, rel=3e-4)
    # The source prints 850 uV: its own convention, the frequency of one phase.
    printed = capacitive_ripple(1.573, 356e-6, 650e3, 1)
    assert printed == pytest.approx(849.7e-6, rel=1e-4)
    assert physical != pytest.approx(850e-6, rel=0.5)


def test_MB_16_and_T_2_second_example():
    assert capacitive_ripple(4.374, 1.32e-3, 500e3, 1) == pytest.approx(828.4e-6, rel=0.001)
    assert capacitive_ripple(4.374, 1.32e-3, 500e3, 2) == pytest.approx(414.2e-6, rel=0.001)


def test_MB_17_ADP3180_p17_eq34_input_rms():
    assert input_capacitor_rms(65.0, 0.125, 3) == near(10.4893, 0.00005)
    assert input_capacitor_rms(65.0, 0.125, 3) == near(10.5, 0.02)
    assert input_capacitor_rms(65.0, 0.125, 3) == pytest.approx(0.125 * 65 * math.sqrt(1 / (3 * 0.125) - 1), rel=1e-12)


def test_MB_18_NCP5314_p20_worst_case():
    assert input_capacitor_rms(1.0, 0.125, 4) == near(0.125, 1e-12)
    assert input_capacitor_rms_worst(1.0, 4) == near(0.125, 1e-12)
    for duty in (0.06, 0.19):
        assert input_capacitor_rms(1.0, duty, 4) == near(0.10677, 0.000005)
        assert input_capacitor_rms(1.0, duty, 4) == near(0.10, 0.007)
    duties = np.linspace(0.001, 0.999, 1999)
    for count in (1, 2, 3, 6):
        assert input_capacitor_rms(1.0, duties, count).max() == pytest.approx(0.5 / count, rel=1e-4)


def test_MB_19_ISL6366_p38_eq49_51_with_ripple():
    assert input_capacitor_rms(36.0, 0.125, 3, 7.0) == near(5.94, 0.01)
    assert input_capacitor_rms(36.0, 0.125, 1, 7.0) == near(11.93, 0.01)
    # The vendor family prints 5.9 and 11.9 (from memory).
    assert round(input_capacitor_rms(36.0, 0.125, 3, 7.0), 1) == 5.9
    assert round(input_capacitor_rms(36.0, 0.125, 1, 7.0), 1) == 11.9


def test_MB_21_LM2743_SNVS276G_p19_single_phase():
    assert input_capacitor_rms(4.0, 0.364, 1) == near(1.9246, 0.00005)
    assert input_capacitor_rms(4.0, 0.364, 1) == near(1.92, 0.005)


def test_MB_22_SLUS930B_p53_single_phase():
    assert input_capacitor_rms(20.0, 1.2 / 14.0, 1) == near(5.599, 0.0005)
    assert input_capacitor_rms(20.0, 1.2 / 14.0, 1) == near(5.6, 0.05)
    assert input_capacitor_rms(20.0, 0.1, 1) == near(6.000, 0.0005)


def test_MB_23_normalised_input_rms():
    expected = [0.3, 0.2, 0.152753, 0.122474, 0.0816497, 0.05, 0]
    np.testing.assert_allclose(input_capacitor_rms(1.0, 0.1, [1, 2, 3, 4, 6, 8, 10]), expected, rtol=0, atol=1e-6)


def test_MB_24_input_rms_with_ripple_over_phase_count():
    expected = [60.011, 40.031, 30.612, 24.597, 20.156, 16.559, 13.424, 10.490, 3.543, 7.013]
    computed = input_capacitor_rms(200.0, 0.1, COUNTS, 12.2727)
    np.testing.assert_allclose(computed, expected, rtol=0, atol=0.002)
    assert computed[COUNTS.index(10)] > 3.0, "ripple remains at duty 1/N"


def test_MB_25_ADP3180_minimum_inductance():
    assert inductance_for_output_ripple(1.5, 0.125, 3, 228e3, 1.3e-3, 10e-3) == pytest.approx(534.5e-9, rel=1e-4)


def test_MB_26_DCR_sensing():
    # ADP3180 p. 13, then ADP3212/NCP3218 p. 29 (printed 2.1 nF).
    assert dcr_sense_capacitance(600e-9, 1.6e-3, 100e3) == pytest.approx(3.75e-9, rel=1e-9)
    assert dcr_sense_resistance(1.6e-3, 1.3e-3, 100e3) == pytest.approx(123.08e3, rel=5e-5)
    assert round(dcr_sense_resistance(1.6e-3, 1.3e-3, 100e3) / 1e3) == 123
    assert dcr_sense_capacitance(330e-9, 0.8e-3, 200e3) == pytest.approx(2.06e-9, rel=0.003)
    assert round(dcr_sense_capacitance(330e-9, 0.8e-3, 200e3) * 1e9, 1) == 2.1


# ---- traps: printed figures that do not add up --------------------------------------------------------------------


def test_T_6_SLUU195_p9_normalises_by_the_phase_current():
    right = input_capacitor_rms(100.0, 1.5 / 12.0, 4)
    assert 12.4 <= right <= 12.5
    assert input_capacitor_rms(25.0, 1.5 / 12.0, 4) == near(3.125, 0.0005)
    assert abs(right - 3.18) > 9.0


def test_T_7_ADP3212_p29_ripple_is_not_at_the_stated_frequency():
    # 19 V and 1.05 V are our inference: with them 490 nH and 300 kHz give the 6.75 A that the arithmetic asks for.
    at_stated = phase_ripple(19.0, 1.05, 490e-9, 300e3)
    assert at_stated == near(6.75, 0.005)
    assert at_stated != pytest.approx(9.0, rel=0.2)


def test_T_8_TPS40303_p15_ripple():
    assert phase_ripple(14.0, 1.8, 400e-9, 1.2e6) == near(3.27, 0.005)
    assert phase_ripple(14.0, 1.8, 400e-9, 1.2e6) != pytest.approx(3.5, rel=0.05)


def test_T_9_SLUS930B_p53_startup_peak():
    peak = inductor_peak(20.0, 4.88) + 0.3
    assert peak == near(22.74, 0.005)
    assert peak != pytest.approx(23.04, abs=0.2)


def test_T_10_SLUS660H_p43_ripple_voltage_and_resistance():
    # 880 uF and 30 mV are our inference: with them the arithmetic gives the 755 uV and 10.9 to 11.0 mOhm of the row.
    ripple = phase_ripple(13.2, 1.5, 1e-6, 500e3)
    assert capacitive_ripple(ripple, 880e-6, 500e3, 1) == pytest.approx(755e-6, rel=1e-3)
    assert capacitive_ripple(ripple, 880e-6, 500e3, 1) != pytest.approx(863e-6, rel=0.1)
    assert 10.9e-3 <= esr_limit(30e-3, ripple, 880e-6, 500e3, 1) <= 11.0e-3
