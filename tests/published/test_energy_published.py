"""Rows EN-01 to EN-09 of the reference values, and the project's figures of common practice (no source)."""

import numpy as np
import pytest

from phasewright.physics import (
    cost_of,
    delivery_efficiency,
    drift_bound,
    energy_per_year,
    extra_input_power,
    loss_from_efficiency,
    loss_of,
    loss_ratio,
    meter_resolution_asked,
    meter_uncertainty_asked,
    phase_current,
    spread_bound,
    total_protection,
)

KWH = 3.6e6


def near(expected, tolerance):
    return pytest.approx(expected, abs=tolerance, rel=0)


def test_EN_01_one_watt_for_a_year():
    assert energy_per_year(1.0, 24.0, 365.0) / KWH == near(8.760, 1e-12)
    assert energy_per_year(1.0, 24.0, 365.25) / KWH == near(8.766, 1e-12)


def test_EN_02_ten_watts_saved():
    energy = energy_per_year(10.0, 8.0, 365.0)
    assert energy / KWH == near(29.2, 1e-12)
    assert cost_of(energy, 0.30) == near(8.76, 1e-12)


def test_EN_03_loss_for_a_given_output():
    poor, good = loss_from_efficiency(300.0, [0.90, 0.93])
    assert poor == near(33.333, 0.0005)
    assert good == near(22.581, 0.0005)
    assert energy_per_year(poor - good, 24.0, 365.0) / KWH == near(94.19, 0.005)
    assert extra_input_power(300.0, 0.90, 0.93) == near(poor - good, 1e-12)


def test_EN_04_loss_ratio():
    assert loss_ratio(0.92, 0.95) == near(1.652, 0.0005)


def test_EN_05_IEC_62301_resolution():
    powers = [0.3, 10.0, 10.1, 100.0, 100.1, 505.0]
    np.testing.assert_array_equal(meter_resolution_asked(powers), [0.01, 0.01, 0.1, 0.1, 1.0, 1.0])


def test_EN_06_IEC_62301_uncertainty():
    np.testing.assert_allclose(meter_uncertainty_asked([0.2, 0.49, 0.5, 400.0]), [0.01, 0.01, 0.01, 8.0])


def test_EN_07_IEC_62301_2011_drift():
    np.testing.assert_allclose(drift_bound([0.5, 1.0, 400.0]) * 3600.0, [0.010, 0.010, 4.0])


def test_EN_09_protocol_spread():
    assert spread_bound(400.0) == near(20.0, 1e-12)


# ---- common practice, no source -------------------------------------------------------------------------------------


def test_practice_37_W_between_77_and_85_percent():
    assert round(extra_input_power(300.0, 0.77, 0.85)) == 37


def test_practice_52_A_on_8_phases():
    assert total_protection(52.0, 8) == 416.0
    assert total_protection(52.0, 8) * 1.2 == near(500.0, 1.0)


def test_practice_180_A_trips_three_phases_at_52_A():
    assert total_protection(52.0, 3) == 156.0
    assert phase_current(180.0, 3) > 52.0


def test_practice_efficiency_from_grown_powers():
    assert delivery_efficiency(0.771 * 1.28, 1.37) == near(0.72, 0.0005)


def test_practice_351_W_of_505_W():
    assert delivery_efficiency(351.0, 505.0) == near(0.695, 0.0005)
    assert loss_of(505.0, 351.0) == 154.0
