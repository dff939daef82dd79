"""Rows LS-01 to LS-20 of the reference values: losses of a synchronous buck, and traps T-1 and T-3."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from phasewright.physics import (
    bank_loss,
    charge_of,
    conduction_efficiency,
    copper_coefficient,
    copper_resistance,
    core_loss_sine,
    core_loss_triangular,
    core_loss_waveform,
    dead_time_loss,
    gate_loss,
    high_side_loss,
    hot_resistance,
    igse_coefficient,
    inductor_rms,
    input_capacitor_rms,
    loss_u,
    loss_worst_error,
    low_side_loss,
    ohmic_loss,
    output_capacitance_loss,
    output_charge_loss,
    overlap_loss,
    part_loss,
    recovery_charge_of,
    recovery_loss,
    supply_loss,
    transition_time,
    triangular_loss_ratio,
)


def near(expected, tolerance):
    return pytest.approx(expected, abs=tolerance, rel=0)


# ---- LM2743, efficiency section (LS-01 to LS-05) --------------------------------------------------------------------


def lm2743():
    hot = 13e-3 * 1.3
    return {
        "high side": high_side_loss(0.364, 4.0, hot),
        "low side": low_side_loss(0.364, 4.0, hot),
        "overlap": overlap_loss(3.3, 4.0, 15e-9, 16e-9, 300e3),
        "gate": gate_loss(3e-9, 3.3, 300e3, 2),
        "controller": supply_loss(1.7e-3, 3.3),
        "input capacitor": bank_loss(1.92, 24e-3),
        "inductor": ohmic_loss(4.0, 11e-3),
    }


def test_LS_01_LM2743_conduction():
    items = lm2743()
    assert items["high side"] == near(98.42e-3, 0.1e-3)
    assert items["low side"] == near(171.97e-3, 0.1e-3)
    assert items["high side"] + items["low side"] == near(270.4e-3, 0.1e-3)


def test_LS_02_LM2743_overlap():
    assert lm2743()["overlap"] == pytest.approx(61.38e-3, rel=1e-12)


def test_LS_03_LM2743_gate_and_controller():
    assert lm2743()["gate"] == pytest.approx(5.94e-3, rel=1e-12)
    assert lm2743()["controller"] == pytest.approx(5.61e-3, rel=1e-12)


def test_LS_04_LM2743_input_capacitor():
    assert lm2743()["input capacitor"] == near(88.8e-3, 0.4e-3)
    assert bank_loss(input_capacitor_rms(4.0, 0.364, 1), 24e-3) == near(88.90e-3, 0.005e-3)
    assert bank_loss(input_capacitor_rms(4.0, 0.364, 1), 24e-3) == near(88.8e-3, 0.2e-3)


def test_LS_05_LM2743_inductor_total_and_efficiency():
    items = lm2743()
    assert items["inductor"] == pytest.approx(176e-3, rel=1e-12)
    items["input capacitor"] = bank_loss(input_capacitor_rms(4.0, 0.364, 1), 24e-3)  # with the unrounded current
    total = sum(items.values())
    assert total == near(608.2e-3, 0.1e-3)
    assert 4.8 / (4.8 + total) == near(0.8875, 0.00005)


# ---- LM2727/LM2737 SNVS205D p. 15, Eq. 14-22 (LS-06) ----------------------------------------------------------------


def lm2727():
    return [
        10e-3,
        gate_loss(36e-9, 5.0, 300e3, 2),
        overlap_loss(5.0, 10.0, 11e-9, 47e-9, 300e3),
        ohmic_loss(10.0, 4.1e-3 * 1.3),
        0.084,  # as printed; see T-3
        ohmic_loss(2.82, 7e-3),
        ohmic_loss(10.0, 4e-3),
    ]


def test_LS_06_SNVS205D_p15_full_budget():
    printed = [0.010, 0.108, 0.435, 0.533, 0.084, 0.055, 0.400]
    items = lm2727()
    # The input choke is 55.67 mW, printed cut to 0.055; everything else rounds.
    np.testing.assert_allclose(items, printed, rtol=0, atol=0.0007)
    assert sum(items) == near(1.625, 0.002)
    assert sum(printed) == near(1.625, 1e-9)
    assert 12.0 / (12.0 + sum(printed)) == near(0.8807, 0.00005)


def test_T_3_SNVS205D_input_capacitor_is_for_the_bank():
    assert bank_loss(4.28, 0.018, 2) == near(0.165, 0.0005)
    assert part_loss(4.28, 0.018, 2) == near(0.082, 0.0005)
    assert bank_loss(4.28, 0.018, 2) != pytest.approx(0.084, rel=0.1)


# ---- ADP1872/ADP1873 Rev. B p. 29; ADP1882/ADP1883 Rev. 0 p. 30 (LS-07) ---------------------------------------------


def adp1872():
    duty, current, frequency = 1.8 / 12.0, 15.0, 300e3
    edge = transition_time(1.5, 3.3e-9)
    driver = sum(gate_loss(charge_of(3.3e-9, v), v, frequency) + supply_loss(2e-3, v) for v in (5.12, 5.5))
    return {
        "conduction": high_side_loss(duty, current, 5.4e-3) + low_side_loss(duty, current, 5.4e-3),
        "diode": dead_time_loss(0.84, current, 20e-9, 20e-9, frequency),
        "switching": overlap_loss(12.0, current, edge, edge, frequency),
        "driver": driver,
        "inductor": ohmic_loss(current, 3e-3),
        "input capacitor": bank_loss(7.5, 1e-3),
        "output capacitor": bank_loss(1.5, 1.4e-3),
    }


def test_LS_07_ADP1872_p29_every_item():
    items = adp1872()
    expected = [1.215, 151.2e-3, 534.6e-3, 77.14e-3, 675e-3, 56.25e-3, 3.15e-3]
    np.testing.assert_allclose(list(items.values()), expected, rtol=1e-6, atol=0.005e-3)
    assert items["driver"] == near(77.13e-3, 0.015e-3)


def test_T_1_ADP1872_p29_total_is_the_sum_of_its_items():
    total = sum(adp1872().values())
    assert total == near(2.712, 0.0005)
    assert total != pytest.approx(2.62, abs=0.05), "the printed total leaves something out"
    output = 1.8 * 15.0
    assert output / (output + total) == near(0.9087, 0.00005)


# ---- single rows ----------------------------------------------------------------------------------------------------


def test_LS_08_ADP2102_p21_small_converter():
    conduction = high_side_loss(0.5, 0.6, 310e-3) + low_side_loss(0.5, 0.6, 145e-3)
    overlap = overlap_loss(3.6, 0.6, 5e-9, 5e-9, 3e6)
    gate = gate_loss(charge_of(200e-12, 3.6), 3.6, 3e6)
    winding = ohmic_loss(0.6, 80e-3)
    assert conduction == near(81.9e-3, 0.05e-3)
    assert overlap == near(32.4e-3, 0.05e-3)
    assert gate == near(7.776e-3, 0.0005e-3)
    assert winding == near(28.8e-3, 0.05e-3)
    assert conduction + overlap + gate + winding == near(150.9e-3, 0.05e-3)


def test_LS_10_SLUS930B_p52_eq40_inductor_copper():
    assert ohmic_loss(20.05, 1.2e-3) == near(0.482, 0.001)
    assert ohmic_loss(inductor_rms(20.0, 4.88), 1.2e-3) == near(0.482, 0.001)


def test_LS_11_64AN035E_dead_time():
    assert dead_time_loss(0.8, 20.0, 15e-9, 15e-9, 400e3) == pytest.approx(192e-3, rel=1e-12)


def test_LS_12_64AN035E_recovery_both_forms():
    charge = recovery_charge_of(5.0, 12e-9)
    assert charge == pytest.approx(30e-9, rel=1e-12)
    assert recovery_loss(charge, 12.0, 400e3) == pytest.approx(144e-3, rel=1e-12)
    assert 0.5 * 12.0 * 5.0 * 12e-9 * 400e3 == pytest.approx(recovery_loss(charge, 12.0, 400e3), rel=1e-12)


def test_LS_13_64AN035E_output_capacitance():
    assert output_capacitance_loss(1e-9, 2.5e-9, 12.0, 400e3) == pytest.approx(100.8e-3, rel=1e-12)
    assert output_charge_loss(charge_of(3.5e-9, 12.0), 12.0, 400e3) == pytest.approx(100.8e-3, rel=1e-12)


def test_LS_14_erickson_conduction_efficiency():
    assert conduction_efficiency(1.2, 20.0, 0.1, 0.5e-3, 3e-3, 1e-3) == near(0.972447, 1e-6)
    # The same from the losses themselves.
    loss = high_side_loss(0.1, 20.0, 3e-3) + low_side_loss(0.1, 20.0, 1e-3) + ohmic_loss(20.0, 0.5e-3)
    assert 24.0 / (24.0 + loss) == near(0.972447, 1e-6)


@pytest.mark.parametrize(("duty", "expected"), [(0.5, 0.912891), (0.1, 1.360858), (0.08, 1.477610)])
def test_LS_15_igse_triangular_ratio(duty, expected):
    assert triangular_loss_ratio(duty, 1.5, 2.5) == near(expected, 1e-6)
    sine = core_loss_sine(3.0, 1.5, 2.5, 400e3, 0.05)
    assert core_loss_triangular(3.0, 1.5, 2.5, 400e3, 0.1, duty) / sine == near(expected, 1e-6)


@pytest.mark.parametrize("duty", [0.02, 0.1, 0.37, 0.5, 0.9])
def test_LS_15_igse_is_exact_at_alpha_one_beta_two(duty):
    assert triangular_loss_ratio(duty, 1.0, 2.0) == near(1.0, 1e-12)


@pytest.mark.parametrize(("alpha", "beta"), [(1.46, 2.75), (1.0, 2.0), (1.2, 2.3), (1.7, 2.1), (2.0, 3.0)])
def test_LS_16_igse_on_a_sine_is_steinmetz_by_quadrature(alpha, beta):
    k_i = igse_coefficient(2.0, alpha, beta)
    frequency, amplitude = 1.0, 0.3
    slope = 2 * math.pi * frequency * amplitude
    quarter, _ = quad(lambda angle: (slope * math.cos(angle)) ** alpha, 0.0, math.pi / 2, epsabs=0, epsrel=1e-12)
    generalized = k_i * (2 * amplitude) ** (beta - alpha) * quarter / (math.pi / 2)
    assert generalized / core_loss_sine(2.0, alpha, beta, frequency, amplitude) == near(1.0, 1e-9)


def test_LS_16_waveform_form_on_a_sine_and_a_triangle():
    angle = np.arange(20000) / 20000 * 2 * np.pi
    sine = core_loss_waveform(2.0, 1.46, 2.75, 0.05 * np.sin(angle), 1 / 400e3)
    assert sine / core_loss_sine(2.0, 1.46, 2.75, 400e3, 0.05) == near(1.0, 1e-6)
    x = np.arange(1000) / 1000
    triangle = np.where(x < 0.1, x / 0.1, (1 - x) / 0.9) * 0.1 - 0.05
    expected = core_loss_triangular(2.0, 1.46, 2.75, 400e3, 0.1, 0.1)
    assert core_loss_waveform(2.0, 1.46, 2.75, triangle, 1 / 400e3) == pytest.approx(expected, rel=1e-9)


def test_LS_17_MIC2164_p16_hot_resistance():
    # +50 % and +75 % for 75 K; a flat 1.3 for "hot" (LM2743) is 0.4 %/K over the same 75 K.
    assert hot_resistance(1e-3, 100.0, 0.50 / 75.0) == pytest.approx(1.50e-3, rel=1e-12)
    assert hot_resistance(1e-3, 100.0, 0.75 / 75.0) == pytest.approx(1.75e-3, rel=1e-12)
    assert hot_resistance(13e-3, 100.0, 0.004) == pytest.approx(1.3 * 13e-3, rel=1e-12)


def test_LS_18_copper_DCR_over_temperature():
    assert copper_resistance(0.8e-3, 100.0) == near(1.0312e-3, 0.0001e-3)
    assert copper_coefficient(25.0) == near(0.003854, 0.0000005)
    assert hot_resistance(0.8e-3, 100.0, copper_coefficient(25.0)) == pytest.approx(
        copper_resistance(0.8e-3, 100.0), rel=1e-12
    )


def test_LS_19_erdl_loss_by_difference():
    assert loss_worst_error(0.95, 0.005, 0.005) == near(0.195, 1e-12)
    assert loss_worst_error(0.95, 0.005, 0.005) == near(0.20, 0.005 + 1e-12)
    # By brute force: both readings at their bounds.
    worst = max(abs((1 + a) - 0.95 * (1 + b) - 0.05) / 0.05 for a in (-0.005, 0.005) for b in (-0.005, 0.005))
    assert loss_worst_error(0.95, 0.005, 0.005) == near(worst, 1e-12)


@pytest.mark.parametrize(("efficiency", "expected"), [(0.90, 0.013454), (0.95, 0.027586)])
def test_LS_20_loss_by_difference_as_standard_uncertainty(efficiency, expected):
    assert loss_u(efficiency, 0.001, 0.001) == near(expected, 1e-6)


def test_LS_20_agrees_with_the_uncertainties_package():
    from uncertainties import ufloat

    power_in, power_out = ufloat(400.0, 0.4), ufloat(380.0, 0.38)
    loss = power_in - power_out
    assert loss_u(0.95, 0.001, 0.001) == pytest.approx(loss.std_dev / loss.nominal_value, rel=1e-12)
