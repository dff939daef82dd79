"""Rows CU-01 to CU-15 of the reference values: copper, wire, board, connector."""

import numpy as np
import pytest

from phasewright.physics import (
    contact_current,
    contact_power,
    copper_coefficient,
    copper_resistance,
    copper_resistivity,
    harness_drop,
    harness_resistance,
    ohmic_loss,
    sheet_resistance,
    trace_current,
    trace_width,
    wire_area,
    wire_diameter,
    wire_resistance,
)

MIL = 25.4e-6
OUNCE = 1.378 * MIL
GAUGES = np.array([14, 16, 18, 20, 22, 24])


def near(expected, tolerance):
    return pytest.approx(expected, abs=tolerance, rel=0)


def test_CU_01_IEC_60028_resistivity():
    assert copper_resistivity() == pytest.approx(1.724138e-8, rel=1e-6)


@pytest.mark.parametrize(("temperature", "ratio"), [(85.0, 1.25545), (100.0, 1.3144), (125.0, 1.41265)])
def test_CU_02_IEC_60028_temperature(temperature, ratio):
    assert copper_resistivity(temperature) / copper_resistivity(20.0) == pytest.approx(ratio, rel=1e-6)


def test_CU_03_winding_law():
    assert copper_resistance(1.0, 100.0, 20.0) == near(1.314342, 0.0000005)
    assert copper_coefficient(20.0) == near(0.0039293, 0.00000005)
    # With the constant 235 of IEC 60034-1 instead.
    assert (235 + 100) / (235 + 20) == near(1.313725, 0.0000005)


def test_CU_04_ASTM_B258_diameter():
    expected = [1.6277, 1.2908, 1.0237, 0.8118, 0.6438, 0.5106]
    np.testing.assert_allclose(wire_diameter(GAUGES) * 1e3, expected, rtol=0, atol=1e-4)


def test_CU_05_ASTM_B258_area_and_resistance():
    areas = [2.0809, 1.3087, 0.8230, 0.5176, 0.3255, 0.2047]
    np.testing.assert_allclose(wire_area(GAUGES) * 1e6, areas, rtol=0.001)
    per_km = [8.286, 13.174, 20.948, 33.309, 52.963, 84.215]
    np.testing.assert_allclose(wire_resistance(GAUGES, 1000.0), per_km, rtol=0.001)
    assert wire_resistance(18, 304.8) == pytest.approx(6.385, rel=0.001)


@pytest.mark.parametrize(("thickness", "expected"), [(35e-6, 0.4926), (34.8e-6, 0.4954), (70e-6, 0.2463)])
def test_CU_06_sheet_resistance(thickness, expected):
    assert sheet_resistance(thickness) * 1e3 == near(expected, 0.00005)


@pytest.mark.parametrize(("layer", "mils", "millimetres"), [("outer", 11.83, 0.300), ("inner", 30.76, 0.781)])
def test_CU_07_IPC_2221_width(layer, mils, millimetres):
    width = trace_width(1.0, OUNCE, 10.0, layer)
    assert width / MIL == pytest.approx(mils, rel=0.001)
    assert width * 1e3 == pytest.approx(millimetres, rel=0.002)
    assert trace_current(width, OUNCE, 10.0, layer) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize(
    ("mils", "ounces", "rise", "expected"),
    [(100, 1, 10.0, 4.701), (100, 1, 20.0, 6.377), (300, 2, 10.0, 17.233), (300, 2, 20.0, 23.378)],
)
def test_CU_08_IPC_2221_current(mils, ounces, rise, expected):
    assert trace_current(mils * MIL, ounces * OUNCE, rise) == pytest.approx(expected, rel=0.001)


@pytest.mark.parametrize(("rating", "power"), [(8.0, 192.0), (11.0, 264.0), (12.0, 288.0)])
def test_CU_10_mueller_tables_18_14_15_four_position_housing(rating, power):
    assert contact_power(rating, 12.0, 2) == near(power, 1e-9)


@pytest.mark.parametrize(("rating", "power"), [(6.0, 144.0), (9.0, 216.0), (11.0, 264.0)])
def test_CU_11_mueller_table_18_6_larger_housing_rates_lower(rating, power):
    # The ratings are the source's, the products of two contacts at 12 V ours.
    assert contact_power(rating, 12.0, 2) == near(power, 1e-9)


def test_CU_12_336521_planning_figure_and_CU_13_eight_contact_connector():
    # 6 to 8 A a pin; four 12 V contacts of an 8-contact connector.
    assert contact_power(8.0, 12.0, 4) == near(384.0, 1e-9)
    assert contact_power(6.0, 12.0, 4) == near(288.0, 1e-9)
    assert contact_current(384.0, 12.0, 4) == near(8.0, 1e-12)


def test_CU_14_336521_table_5_7_twelve_contact_connector():
    assert contact_current(600.0, 12.0, 6) == near(8.333, 0.0005)


def test_CU_15_harness():
    resistance = harness_resistance(18, 0.60, 4, 4)
    assert resistance == near(6.284e-3, 0.0005e-3)
    assert harness_drop(25.0, resistance) == near(157.1e-3, 0.05e-3)
    assert ohmic_loss(25.0, resistance) == near(3.93, 0.005)
