"""The answers: one sentence a question, with numbers, in plain words, and honest about what is not known."""

import re

import pytest

from phasewright.findings.answers import QUESTIONS


def answers(hand, *steps, **options):
    return {item.question: item for item in hand.analyzed(*steps, **options).answers}


def ladder(hand):
    """Phase counts at one load: 12 and 8 hold, 6 is held back, 4 trips."""
    made = []
    for count, power, more in (
        (12, 295.0, {}),
        (8, 303.0, {}),
        (6, 316.0, {"outcome": "clamped"}),
        (4, 330.0, {"outcome": "tripped"}),
    ):
        levels = {"input_power": power, "regulator_temperature": 60.0 + 3.0 * (12 - count)}
        made.append(
            hand.Played(
                f"{count} phases", {"phase_count": count, "load": "all cores"}, levels, baseline=count == 12, **more
            )
        )
    return made


def test_all_six_questions_are_answered_in_order_with_one_sentence(hand):
    analysis = hand.analyzed(*ladder(hand))
    assert tuple(item.question for item in analysis.answers) == QUESTIONS
    for item in analysis.answers:
        assert item.sentence.endswith(".") and "\n" not in item.sentence and "nan" not in item.sentence.lower()
        assert item.sentence[0].isupper() or item.sentence[0].isdigit()
        assert not re.search(r"[a-z]_[a-z]", item.sentence), "words, not identifiers"


def test_fewest_phases_that_held_with_the_nearest_limit(hand):
    found = answers(hand, *ladder(hand))[QUESTIONS[0]]
    assert found.sentence.startswith("2 of 4 settings held: at all cores, 8 phases were the fewest that held")
    assert "6 phases were held back and 4 phases tripped" in found.sentence
    assert found.numbers["fewest phases"] == 8.0
    assert found.numbers["nearest margin"].u > 0.0


def test_fewer_that_were_not_tried_are_not_claimed(hand):
    found = answers(hand, *ladder(hand)[:2])[QUESTIONS[0]]
    assert "8 phases, the fewest tried, held" in found.sentence


def test_each_load_has_its_own_count(hand):
    steps = ladder(hand)[:2] + [
        hand.Played("heavy", {"phase_count": 10, "load": "burst"}, {"input_power": 420.0, "package_power": 350.0})
    ]
    found = answers(hand, *steps)[QUESTIONS[0]]
    assert found.numbers["fewest phases at load 1"] == 8.0 and found.numbers["fewest phases at load 2"] == 10.0
    assert "at all cores" in found.sentence and "at burst" in found.sentence


def test_how_hot_names_step_rise_and_settling(hand):
    found = answers(hand, *ladder(hand))[QUESTIONS[1]]
    assert "hottest in 6 phases" in found.sentence and "above the coolant" in found.sentence
    assert "settled to within 0.4 K" in found.sentence and "K/W of conversion loss" in found.sentence
    assert "not answered: that takes a fitted thermal model" in found.sentence


def test_waste_with_the_cost_of_the_difference(hand):
    found = answers(hand, *ladder(hand))[QUESTIONS[2]]
    assert found.numbers["step"] == "6 phases" and found.numbers["baseline"] == "12 phases"
    assert found.numbers["extra input power"].value == pytest.approx(21.0, abs=0.2)
    assert found.numbers["extra cost a year"].value == pytest.approx(21.0 * 8 * 365 / 1000 * 0.30, rel=0.01)
    assert "EUR a year at 8 hours on 365 days" in found.sentence


def test_part_of_the_difference_that_reached_the_package_is_not_called_waste(hand):
    steps = ladder(hand)[:2]
    steps[1].levels["package_power"] = 256.0
    found = answers(hand, *steps, noise={})[QUESTIONS[2]]
    assert "is loss, the rest reached the package" in found.sentence
    assert found.numbers["extra loss"].value == pytest.approx(8.0 - 6.0, abs=0.01)


def test_difference_that_cannot_be_told_from_zero_is_not_priced(hand):
    steps = [hand.Played(f"{n} phases", {"phase_count": n, "load": "x"}, baseline=n == 12) for n in (12, 8)]
    found = answers(hand, *steps, noise={"input_power": 8.0})[QUESTIONS[2]]
    assert "cannot be told from" in found.sentence and "EUR" not in found.sentence


def test_first_to_give_is_said_with_its_margin(hand):
    found = answers(hand, *ladder(hand))[QUESTIONS[3]]
    assert found.sentence.startswith("6 phases were held back (seen at the bench: clamped) and 4 phases tripped")
    assert "closest to a limit otherwise is" in found.sentence and "probability that the limit is kept" in found.numbers


def test_prediction_is_honestly_not_answered(hand):
    found = answers(hand, *ladder(hand))[QUESTIONS[4]]
    assert found.sentence.startswith("Not answered:") and "model" in found.sentence and not found.numbers


def test_trust_names_clocks_settling_and_checks(hand):
    good = answers(hand, *ladder(hand)[:2])[QUESTIONS[5]]
    assert good.sentence.startswith(
        "Yes, within the intervals stated: the clock of host is aligned within 0.039 s at 95 %"
    )
    bad = answers(hand, hand.Played(levels={"package_power": 350.0}))[QUESTIONS[5]]
    assert bad.sentence.startswith("With doubts") and "efficiency" in bad.sentence


def test_nothing_logged_is_nothing_claimed(hand):
    found = answers(hand, hand.Played(levels={name: None for name in hand.LEVELS} | {"processor_temperature": 60.0}))
    assert all(found[QUESTIONS[index]].sentence.startswith("Not answered") for index in (1, 2, 3, 4))
    assert "cannot be judged" in found[QUESTIONS[0]].sentence


def test_step_name_with_a_comma_stands_in_quotes(hand):
    found = answers(hand, hand.Played("8 phases, second run"))[QUESTIONS[1]]
    assert "\u201c8 phases, second run\u201d" in found.sentence
