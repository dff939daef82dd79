"""Many campaigns side by side: published statistics, honest intervals, and the rate at which noise is called real."""

import math

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from phasewright.findings import Held, compare_groups, stated_u
from phasewright.quantity import Value


def held(campaign, board, number, u=1.0, unit="W", day="2031-03-04"):
    half = None if u is None else 1.96 * u
    value = Value(number, unit, u, None if u is None else number - half, None if u is None else number + half,
                  reason="" if u is not None else "no accuracy stated")  # fmt: skip
    return Held(campaign, campaign, board, "a cooler", day, "3 phases", "sustained", "", value)


def board_of(name, numbers, u=1.0):
    return [held(f"{name}{index}", name, number, u) for index, number in enumerate(numbers)]


def test_agreement_is_cochrans_q_as_statsmodels_has_it():
    generator = np.random.default_rng(4)
    from scipy.stats import chi2

    for size in (2, 5, 30):
        numbers, errors = generator.normal(40.0, 1.5, size), generator.uniform(0.5, 2.0, size)
        rows = [held(f"c{i}", "A", x, u) for i, (x, u) in enumerate(zip(numbers, errors, strict=True))]
        expected = combine_effects(numbers, errors**2)
        found = compare_groups(rows, "loss").groups[0]
        assert found.agreement == pytest.approx(chi2.sf(expected.q, size - 1), rel=1e-9)
        assert found.scatter == pytest.approx(np.std(numbers, ddof=1))
        assert found.value.value == pytest.approx(numbers.mean())


def test_many_campaigns_never_make_an_interval_narrower_than_the_instruments_allow():
    few = compare_groups(board_of("A", [40.0, 40.2]), "loss").groups[0].value
    many = compare_groups(board_of("A", [40.0, 40.2] * 200), "loss").groups[0].value
    assert few.u >= many.u >= 1.0
    assert many.u == pytest.approx(1.0, rel=0.01)


def test_a_single_campaign_keeps_what_it_stated():
    (group,) = compare_groups([held("a", "A", 40.0, 2.0)], "loss").groups
    assert (group.value.value, group.value.u, group.scatter, group.agreement) == (40.0, 2.0, None, None)


def test_a_real_difference_is_seen_and_turns_its_sign_with_the_baseline():
    rows = board_of("A", [40.0, 40.5, 39.5]) + board_of("B", [52.0, 52.4]) + board_of("C", [40.3])
    found = compare_groups(rows, "loss")
    assert found.baseline == "A" and [g.group for g in found.groups] == ["A", "B", "C"]
    verdicts = {item.group: item.real for item in found.contrasts}
    assert verdicts == {"B": True, "C": False}
    back = compare_groups(rows, "loss", baseline="B")
    one = next(item.difference for item in found.contrasts if item.group == "B")
    other = next(item.difference for item in back.contrasts if item.group == "A")
    assert one.value == pytest.approx(12.2) and other.value == pytest.approx(-one.value)


def test_noise_is_called_real_in_at_most_five_percent_of_comparisons():
    generator = np.random.default_rng(12)
    trials, wrong = 1500, 0
    for _ in range(trials):
        rows = []
        for board in "ABCDE":
            shared = generator.normal(0.0, 1.0)  # the meters of one group err alike
            rows += board_of(board, 40.0 + shared + generator.normal(0.0, 0.7, 4))
        wrong += any(item.real for item in compare_groups(rows, "loss").contrasts)
    assert wrong <= 0.05 * trials + 3.0 * (0.05 * 0.95 * trials) ** 0.5
    assert wrong > 0, "a test that never calls anything real would prove nothing"


def test_an_unknown_uncertainty_is_neither_real_nor_not():
    found = compare_groups(board_of("A", [40.0, 41.0]) + [held("b", "B", 90.0, None)], "loss")
    (contrast,) = found.contrasts
    assert contrast.real is None and contrast.probability is None
    assert found.groups[1].value.u is None and found.groups[1].value.reason == "no accuracy stated"


def test_temperatures_differ_in_kelvin_and_days_without_a_name_are_one_group():
    rows = [held("a", "A", 60.0, 1.0, "degC", ""), held("b", "A", 61.0, 1.0, "degC", "2031-03-05")]
    found = compare_groups(rows, "regulator_temperature", by="day")
    assert [group.group for group in found.groups] == ["day not stated", "2031-03-05"]
    assert found.contrasts[0].difference.unit == "K"


def test_a_stated_interval_is_never_made_narrower():
    assert stated_u(1.0, 8.0, 12.0) == pytest.approx(2.0 / 1.959964, rel=1e-6)
    assert stated_u(1.0, 9.0, 11.0) == 1.0
    assert stated_u(None, None, None) is None
    assert stated_u(1.0, 10.0 - math.sqrt(3), 10.0 + math.sqrt(3)) == 1.0


@pytest.mark.parametrize("words", [{"by": "phase"}, {"baseline": "Z"}])
def test_wrong_arguments_are_refused(words):
    with pytest.raises(ValueError, match=" - "):
        compare_groups(board_of("A", [40.0]), "loss", **words)


def test_mixed_units_are_refused():
    with pytest.raises(ValueError, match="no common unit"):
        compare_groups([held("a", "A", 1.0), held("b", "A", 1.0, unit="K")], "loss")
