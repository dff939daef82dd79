"""Published and common figures through the whole findings path: from readings to differences, losses and money."""

import math
from dataclasses import replace

import pytest

from phasewright.bench import Accuracy, Cost, Instrument
from phasewright.findings import analyze

KWH = 3.6e6


def exact(hand, *steps, accuracy=None, cost=None):
    """Return the analysis of noiseless steps, instruments with the given accuracy, and the given cost section."""
    campaign, recording, spans, windows = hand.played(steps, noise={})
    accuracy = accuracy or {"input_power": Accuracy(gain=0.001, stated_as="standard")}
    instruments = (Instrument("meter", accuracy=accuracy), Instrument("host", accuracy=accuracy))
    if cost is not None:
        campaign = replace(campaign, cost=cost)
    return analyze(replace(hand.bench(), instruments=instruments), campaign, recording, spans, windows)


def two_inputs(hand, first, second, package=(250.0, 250.0), **options):
    base = hand.Played(
        "base", {"phase_count": 12, "load": "x"}, {"input_power": first, "package_power": package[0]}, baseline=True
    )
    less = hand.Played("less", {"phase_count": 8, "load": "x"}, {"input_power": second, "package_power": package[1]})
    return exact(hand, base, less, **options)


@pytest.mark.parametrize(("days", "kwh"), [(365.0, 8.760), (365.25, 8.766)])
def test_en_01_one_watt_all_year(hand, days, kwh):
    """EN-01 (arithmetic): 1 W is 8.760 kWh in 365 days, 8.766 kWh in a mean year."""
    found = two_inputs(hand, 300.0, 301.0, cost=Cost(24.0, days)).comparisons[0]
    assert found.extra_energy_year.value / KWH == pytest.approx(kwh, rel=1e-9)
    assert found.extra_cost_year is None


def test_en_02_ten_watts_eight_hours(hand):
    """EN-02 (arithmetic): 10 W, 8 h a day, 365 days, 0.30 per kWh: 29.2 kWh and 8.76."""
    found = two_inputs(hand, 300.0, 310.0, cost=Cost(8.0, 365.0, 0.30, "EUR")).comparisons[0]
    assert found.extra_energy_year.value / KWH == pytest.approx(29.2, rel=1e-9)
    assert found.extra_cost_year.value == pytest.approx(8.76, rel=1e-9)
    assert found.extra_cost_year.unit == "EUR"


def test_en_03_loss_for_a_given_output(hand):
    """EN-03 (arithmetic): 300 W at 0.90 and 0.93 lose 33.333 and 22.581 W; 94.19 kWh a year apart, day and night."""
    found = two_inputs(hand, 300.0 / 0.93, 300.0 / 0.90, package=(300.0, 300.0), cost=Cost(24.0, 365.0))
    assert found.steps[0].quantities["loss"].value == pytest.approx(22.581, abs=5e-4)
    assert found.steps[1].quantities["loss"].value == pytest.approx(33.333, abs=5e-4)
    assert found.comparisons[0].extra_energy_year.value / KWH == pytest.approx(94.19, abs=5e-3)


def test_en_04_loss_ratio_behind_a_small_efficiency_difference(hand):
    """EN-04 (arithmetic): 92 % against 95 % is a loss 1.652 times as large."""
    found = two_inputs(hand, 300.0 / 0.95, 300.0 / 0.92, package=(300.0, 300.0))
    assert found.comparisons[0].ratios["loss"].value == pytest.approx(1.652, abs=5e-4)


def test_ls_19_loss_by_difference_of_two_readings_worst_case(hand):
    """LS-19 (B. Erdl, Accurate measurement of power supply efficiency): half a percent on each at 95 % is 19.5 %."""
    limits = {name: Accuracy(gain=0.005, stated_as="limit") for name in ("input_power", "package_power")}
    loss = (
        exact(hand, hand.Played(levels={"input_power": 300.0, "package_power": 285.0}), accuracy=limits)
        .steps[0]
        .quantities["loss"]
    )
    worst = sum(abs(part.contribution) * math.sqrt(3.0) for part in loss.parts if part.source.endswith("/gain"))
    assert worst / loss.value == pytest.approx(0.195, abs=1e-6)


@pytest.mark.parametrize(("efficiency", "percent"), [(0.90, 1.3454), (0.95, 2.7586)])
def test_ls_20_loss_by_difference_standard_uncertainty(hand, efficiency, percent):
    """LS-20 (GUM law of propagation): u = 0.1 % on each reading."""
    stated = {name: Accuracy(gain=0.001, stated_as="standard") for name in ("input_power", "package_power")}
    levels = {"input_power": 300.0, "package_power": 300.0 * efficiency}
    loss = exact(hand, hand.Played(levels=levels), accuracy=stated).steps[0].quantities["loss"]
    # The clock part of a noiseless level is rounding of floats only, so the published digits must come out.
    assert 100.0 * loss.u / loss.value == pytest.approx(percent, abs=1e-4)


def test_37_watts_more_at_77_than_at_85_percent(hand):
    """Common practice, no source: 300 W at the package costs 37 W more input at 77 % than at 85 %."""
    found = two_inputs(hand, 300.0 / 0.85, 300.0 / 0.77, package=(300.0, 300.0))
    assert found.steps[0].quantities["delivery_efficiency"].value == pytest.approx(0.85)
    assert found.steps[1].quantities["delivery_efficiency"].value == pytest.approx(0.77)
    assert round(found.comparisons[0].differences["input_power"].value) == 37


def test_52_amperes_on_8_phases_are_416(hand):
    """Common practice, no source: 52 A a phase on 8 phases is 416 A in total, about 500 W at 1.2 V."""
    step = exact(hand, hand.Played(levels={"rail_voltage": 1.2})).steps[0]
    total = next(margin for margin in step.margins if margin.limit.applies_to == "rail_current")
    assert total.limit.value == pytest.approx(416.0)
    assert total.limit.value * step.quantities["rail_voltage"].value == pytest.approx(500.0, rel=0.01)


def test_package_up_28_and_input_up_37_percent(hand):
    """Common practice, no source: that takes a delivery efficiency of 77.1 % to 72 %."""
    found = two_inputs(hand, 250.0 / 0.771, 1.37 * 250.0 / 0.771, package=(250.0, 1.28 * 250.0))
    ratios = found.comparisons[0].ratios
    assert ratios["package_power"].value == pytest.approx(1.28)
    assert ratios["input_power"].value == pytest.approx(1.37)
    assert found.steps[0].quantities["delivery_efficiency"].value == pytest.approx(0.771)
    assert found.steps[1].quantities["delivery_efficiency"].value == pytest.approx(0.72, abs=1e-3)


def test_351_watts_for_505_are_69_5_percent(hand):
    """Common practice, no source."""
    step = exact(hand, hand.Played(levels={"input_power": 505.0, "package_power": 351.0})).steps[0]
    assert step.quantities["delivery_efficiency"].value == pytest.approx(0.695, abs=5e-4)
    assert step.quantities["loss"].value == pytest.approx(154.0)


def test_loss_at_90_percent_with_nothing_stated_about_the_package(hand):
    """Reliability note, 5.3: 3 % and 1 W on package power is about 27 % on the loss at 90 %."""
    levels = {"input_power": 300.0, "package_power": 270.0}
    stated = {"input_power": Accuracy(gain=0.0001, stated_as="standard")}
    loss = exact(hand, hand.Played(levels=levels), accuracy=stated).steps[0].quantities["loss"]
    assert loss.u / loss.value == pytest.approx(0.27, abs=0.01)
