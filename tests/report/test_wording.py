"""Numbers for people: rounding after the GUM, display units, true minus signs."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from phasewright.quantity import Value
from phasewright.quantity import number_text as rounded_elsewhere
from phasewright.report.wording import (
    MINUS,
    THIN,
    axis_title,
    clock_text,
    decimals,
    number_text,
    pair_text,
    plain,
    quantity_title,
    setting_text,
    shared_decimals,
    tie,
)


def value(number, unit, half, kind="measured"):
    return Value(number, unit, half / 1.96, number - half, number + half, kind)


def test_gum_mass_standard_is_rounded_as_printed():
    """JCGM 100:2008, 7.2.2: m = 100.021 47 g with u = 0.35 mg is written to the fifth decimal."""
    assert plain(100.021471, decimals(0.00035, 100.021471)) == "100.02147"
    assert plain(0.00035, decimals(0.00035, 100.0)) == "0.00035"


def test_gum_end_gauge_is_rounded_as_printed():
    """JCGM 100:2008, H.1.7: l = 50.000 838 mm with U = 93 nm."""
    assert plain(50.000838, decimals(0.000093, 50.0)) == "50.000838"


@given(
    st.floats(-1e6, 1e6, allow_nan=False),
    st.floats(1e-4, 90.0),
)
def test_rounding_agrees_with_the_quantity_room(number, half):
    """Two separate implementations; ties of the last digit may fall either way in binary, so values stay off them."""
    places = decimals(half, number)
    scaled = number * 10.0**places
    if abs(abs(scaled - math.floor(scaled)) - 0.5) < 1e-6:
        number += 0.1 * 10.0**-places
    ours = plain(number, places).replace(MINUS, "-").replace(THIN, "")
    assert float(ours) == float(rounded_elsewhere(number, half))


@given(st.floats(1e-9, 1e9))
def test_never_more_than_two_significant_digits(half):
    """JCGM 100:2008, 7.2.6."""
    text = plain(half, decimals(half, 0.0)).replace(THIN, "").replace(".", "").lstrip("0").rstrip("0")
    assert 1 <= len(text) <= 2


def test_half_width_stands_beside_the_number():
    assert pair_text(value(412.34, "W", 2.13)) == ("412.3", "± 2.1")
    assert number_text(value(412.34, "W", 2.13)).replace("\u00a0", " ") == f"412.3 ± 2.1{THIN}W"
    assert pair_text(value(0.8571, "1", 0.0512), "delivery_efficiency") == ("85.7", "± 5.1")
    assert pair_text(value(-2.4, "K", 0.5)) == (f"{MINUS}2.40", "± 0.50")


def test_a_lopsided_interval_shows_both_sides():
    lopsided = Value(5.2, "W", 0.9, 4.1, 7.6, "derived")
    assert pair_text(lopsided) == ("5.2", f"{MINUS}1.1 +2.4")


def test_unknown_uncertainty_is_said():
    unknown = Value(22.0, "degC", None, None, None, "assumed", reason="no accuracy stated")
    assert pair_text(unknown)[1] == "± ?"
    assert "±\u00a0?" in number_text(unknown)


def test_exact_values_stand_alone():
    assert pair_text(Value(8.0, "1", 0.0, 8.0, 8.0, "set")) == ("8", "")


def test_columns_share_decimals_where_they_can():
    column = [value(412.34, "W", 2.1), value(398.1, "W", 1.3)]
    assert shared_decimals(column) == 1
    assert shared_decimals([value(412.34, "W", 21.0), value(398.1, "W", 0.13)]) is None
    assert shared_decimals([]) is None


def test_axis_titles_say_quantity_and_unit():
    """NIST SP 811, 7.1: quantity / unit."""
    assert axis_title("regulator_temperature", "degC") == "Regulator temperature / °C"
    assert axis_title("regulator_rise", "K") == "Regulator rise / K"
    assert axis_title("delivery_efficiency", "1") == "Delivery efficiency / %"
    assert axis_title("input_power", "W") == "Input power / W"
    assert axis_title("phase_count", "1") == "Phase count"


def test_names_of_quantities():
    assert quantity_title("regulator_temperature.left_peak") == "Regulator temperature, left, peak"
    assert quantity_title("regulator_temperature_settled") == "Regulator temperature, settled"
    assert quantity_title("something_new") == "Something new"


def test_large_and_unknown_numbers():
    assert plain(16_384.2, 0) == f"16{THIN}384"
    assert plain(9999.0, 0) == "9999"
    assert plain(float("nan"), 1) == plain(float("inf"), 1) == "–"
    assert plain(-0.04, 1) == "0.0"


def test_times_and_settings():
    assert clock_text(65.0) == "1:05"
    assert clock_text(3_725.4) == "1:02:05"
    assert clock_text(-12.0) == f"{MINUS}0:12"
    assert setting_text("protection_phase_current", 52.0) == f"protection phase current 52{THIN}A"
    assert setting_text("fan_duty", 0.3) == f"fan duty 30{THIN}%"
    assert setting_text("load", "all cores") == "all cores"


@pytest.mark.parametrize("sentence", ["412.3 ± 2.1 W of loss", "at 4 phases", "3 K/W and 5 %"])
def test_numbers_keep_to_their_units(sentence):
    tied = tie(sentence)
    assert tied.replace("\u00a0", " ") == sentence
    assert "\u00a0" in tied and " W" not in tied.split("of")[0] and " ±" not in tied
