"""Campaigns side by side: published procedure, symmetry, and the rate at which noise is called real."""

from dataclasses import replace

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from phasewright.findings import compare_campaigns
from phasewright.findings.campaigns import Contrast, SettingContrast, _adjusted, chance_of, holm
from phasewright.quantity import Part, difference, value_from_parts


def ladder(hand, extra=0.0, counts=(12, 8, 6), **more):
    return [
        hand.Played(
            f"{count} phases", {"phase_count": count, "load": "all cores"},
            {"input_power": 295.0 + 20.0 * (12 - count) + extra, "regulator_temperature": 60.0 + 2.0 * (12 - count)},
            baseline=count == 12, **more,
        )
        for count in counts
    ]  # fmt: skip


def test_holm_agrees_with_statsmodels_multipletests():
    generator = np.random.default_rng(3)
    for size in (1, 2, 7, 40):
        chances = generator.uniform(0.0, 1.0, size) ** 3
        expected = multipletests(chances, alpha=0.05, method="holm")[1]
        np.testing.assert_allclose(holm(list(chances)), expected, rtol=1e-12)
    assert holm([]) == []


def test_a_campaign_does_not_differ_from_itself(hand):
    analysis = hand.analyzed(*ladder(hand))
    for shared in (False, True):
        found = compare_campaigns([analysis, analysis], ["a", "b"], same_instruments=shared)
        assert len(found.settings) == 3 and not found.unmatched
        for item in found.settings:
            assert item.step == item.baseline_step and item.contrasts
            assert all(c.difference.value == 0.0 and c.real is False for c in item.contrasts)
        assert all("no difference that stands out" in sentence for sentence in found.sentences)


def test_the_same_instruments_tell_more_and_swapping_turns_the_sign(hand):
    plain, wasteful = hand.analyzed(*ladder(hand)), hand.analyzed(*ladder(hand, extra=12.0))
    apart = compare_campaigns([plain, wasteful], ["plain", "wasteful"])
    shared = compare_campaigns([plain, wasteful], ["plain", "wasteful"], same_instruments=True)
    swapped = compare_campaigns([wasteful, plain], ["wasteful", "plain"], same_instruments=True)
    for one, other, back in zip(apart.settings, shared.settings, swapped.settings, strict=True):
        for a, b, c in zip(one.contrasts, other.contrasts, back.contrasts, strict=True):
            assert b.difference.u <= a.difference.u * (1.0 + 1e-9)
            assert b.difference.value == pytest.approx(-c.difference.value)
    losses = [c for item in shared.settings for c in item.contrasts if c.quantity == "loss"]
    assert len(losses) == 3 and all(c.real and c.difference.value == pytest.approx(12.0, abs=1.0) for c in losses)
    assert any("wasteful against plain, loss: 3 of 3 settings differ for real" in text for text in shared.sentences)


def test_settings_are_matched_by_count_and_load_and_the_rest_is_listed(hand):
    few, more = hand.analyzed(*ladder(hand, counts=(12, 8))), hand.analyzed(*ladder(hand, counts=(12, 6)))
    found = compare_campaigns([few, more], ["few", "more"])
    assert [item.step for item in found.settings] == ["12 phases"]
    assert found.unmatched == (("more", "6 phases"),)
    assert ("all cores", "more", "6 phases") in found.fewest and ("all cores", "few", "8 phases") in found.fewest


def test_unknown_uncertainty_is_neither_real_nor_not(hand):
    analysis = hand.analyzed(*ladder(hand))
    bare = replace(
        analysis.bench, instruments=tuple(replace(item, accuracy={}) for item in analysis.bench.instruments)
    )
    found = compare_campaigns([analysis, hand.analyzed(*ladder(hand, extra=50.0), bench=bare)], ["known", "bare"])
    assert all(c.real is None and c.probability is None for item in found.settings for c in item.contrasts)
    assert any("uncertainties are not known" in sentence for sentence in found.sentences)


def test_noise_is_called_real_in_at_most_five_percent_of_comparisons():
    generator = np.random.default_rng(11)
    trials, wrong = 2000, 0
    for _ in range(trials):
        contrasts = []
        for index in range(8):
            one, other = (
                value_from_parts(float(generator.normal(50.0, 2.0)), "W", [Part(f"{side}{index}", 2.0)]) for side in "ab"
            )
            apart = difference(one, other)
            contrasts.append(Contrast("loss", one, other, apart, chance_of(apart), None))
        item = SettingContrast("b", "s", "sustained", "s", "sustained", 8.0, "all cores", tuple(contrasts))
        wrong += any(c.real for c in next(iter(_adjusted([item]))).contrasts)
    # 5 % and three standard deviations of the count.
    assert wrong <= 0.05 * trials + 3.0 * (0.05 * 0.95 * trials) ** 0.5
    assert wrong > 0, "a test that never calls anything real would prove nothing"


@pytest.mark.parametrize("count, names", [(1, ["a"]), (2, ["a", "a"]), (2, ["a"])])
def test_wrong_arguments_are_refused(hand, count, names):
    analysis = hand.analyzed(*ladder(hand, counts=(12,)))
    with pytest.raises(ValueError, match=" - "):
        compare_campaigns([analysis] * count, names)
