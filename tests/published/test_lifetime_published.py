"""Rows LF-01 to LF-11 of the reference values: life against temperature, voltage and cycling, and trap T-14."""

import math

import numpy as np
import pytest

from phasewright.physics import (
    arrhenius_factor,
    coffin_manson_factor,
    derated_life,
    electrolytic_life,
    equivalent_activation_energy,
    failure_rate_bound,
    failures_in_time,
    norris_landzberg_factor,
    polymer_life,
)

HOUR = 3600.0


def near(expected, tolerance):
    return pytest.approx(expected, abs=tolerance, rel=0)


def test_LF_01_JEP122_arrhenius():
    assert arrhenius_factor(0.7, 55.0, 125.0) == near(77.65, 0.005)
    assert arrhenius_factor(0.7, 55.0, 125.0) == near(77.6454, 0.0005)


@pytest.mark.parametrize("printed", [77.5, 77.6, 77.9, 78.0, 78.6])
def test_T_14_printed_arrhenius_factors_differ_by_rounded_constants(printed):
    assert arrhenius_factor(0.7, 55.0, 125.0) == pytest.approx(printed, rel=0.013)


def test_T_14_rounded_constants_reach_the_far_end():
    rounded = math.exp(0.7 / 8.6e-5 * (1 / 328.0 - 1 / 398.0))
    assert rounded == near(78.6, 0.35)
    assert rounded != pytest.approx(arrhenius_factor(0.7, 55.0, 125.0), rel=0.005)


def test_LF_02_reliability_package_documentation():
    assert arrhenius_factor(1.2, 60.0, 100.0) == pytest.approx(88.29574588, rel=1e-6)


def test_LF_03_yang_example_7_1():
    assert arrhenius_factor(0.323, 35.0, 70.0) == near(3.458, 0.0005)
    assert round(arrhenius_factor(0.323, 35.0, 70.0), 2) == 3.46


def test_LF_04_NCP5314_p20_electrolytic():
    life = electrolytic_life(2000 * HOUR, 105.0, [95.0, 85.0, 65.0]) / HOUR
    np.testing.assert_allclose(life, [4000, 8000, 32000], rtol=1e-12)


def test_LF_05_polymer():
    life = polymer_life(2000 * HOUR, 105.0, [95.0, 85.0, 65.0]) / HOUR
    np.testing.assert_allclose(life, [6325, 20000, 200000], rtol=0, atol=0.5)


def test_LF_07_voltage_derating():
    life = derated_life(electrolytic_life(4000 * HOUR, 90.0, 70.0), 400.0, 200.0, 2.5) / HOUR
    assert life == near(90509.7, 0.05)
    assert int(life) == 90509, "printed, cut"


def test_LF_08_activation_energy_behind_the_rules():
    assert equivalent_activation_energy(2.0, 95.0, 105.0) == near(0.8315, 0.00005)
    assert equivalent_activation_energy(10.0, 85.0, 105.0) == near(1.3437, 0.00005)
    assert arrhenius_factor(equivalent_activation_energy(2.0, 95.0, 105.0), 95.0, 105.0) == pytest.approx(2.0)


@pytest.mark.parametrize(("exponent", "expected"), [(2.0, 4.0), (2.5, 5.657), (4.0, 16.0)])
def test_LF_09_JEP122_coffin_manson(exponent, expected):
    assert coffin_manson_factor(120.0, 60.0, exponent) == near(expected, 0.0005)


def test_LF_09_JEP122_exponent_ranges_are_in_the_bound():
    bound = coffin_manson_factor.range["exponent"]
    for low, high in ((1, 3), (3, 5), (6, 9)):
        assert not bound.outside(low) and not bound.outside(high)
    assert bound.outside(0.5) and bound.outside(10.0)


def test_LF_10_norris_landzberg():
    tin_lead = norris_landzberg_factor(60.0, 100.0, 6.0, 24.0, 60.0, 100.0, 1.9, 1 / 3, 1414.0)
    tin_silver_copper = norris_landzberg_factor(60.0, 100.0, 6.0, 24.0, 60.0, 100.0, 2.65, 0.136, 2185.0)
    assert tin_lead == near(2.6207, 0.00005)
    assert tin_silver_copper == near(6.4767, 0.00005)


def test_LF_11_JESD85_FIT_from_a_zero_failure_test():
    rate = failure_rate_bound(3 * 77 * 1000 * HOUR * 77.645, 0.60)
    assert failures_in_time(rate) == near(51.09, 0.005)
