"""Whether the numbers can be trusted is never answered with a yes while no figure has an interval."""

from dataclasses import replace

from phasewright.findings import unstated_accuracy
from phasewright.findings.answers import QUESTIONS


def bare_bench(hand):
    bench = hand.analyzed(a_step(hand)).bench
    return replace(bench, instruments=tuple(replace(item, accuracy={}) for item in bench.instruments))


def a_step(hand):
    return hand.Played("8 phases", {"phase_count": 8, "load": "all cores"}, {"input_power": 303.0}, baseline=True)


def test_without_any_accuracy_the_answer_is_not_yet(hand):
    analysis = hand.analyzed(a_step(hand), bench=bare_bench(hand))
    assert "input_power" in unstated_accuracy(analysis.steps)
    sentence = {item.question: item.sentence for item in analysis.answers}[QUESTIONS[-1]]
    assert sentence.startswith("Not yet: the accuracy of ") and "input power" in sentence
    assert "no measured figure has an interval" in sentence


def test_with_accuracy_stated_nothing_is_asked_for(hand):
    analysis = hand.analyzed(a_step(hand))
    assert unstated_accuracy(analysis.steps) == ()
    assert "not stated in bench.toml" not in analysis.answers[-1].sentence
