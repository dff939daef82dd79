"""Which steps tell together how their load wanders."""

import math
from dataclasses import replace

import numpy as np
import pytest

from phasewright.findings.wanders import wanders_of


def moving(seed, size):
    def shape(t, level):
        keep = math.exp(-0.1)
        noise = np.random.default_rng(seed).standard_normal(2000) * math.sqrt(1.0 - keep**2)
        for index in range(1, len(noise)):
            noise[index] += keep * noise[index - 1]
        return level * (1.0 + size * noise[np.minimum(t.astype(int), 1999)])

    return {"input_power": shape}


def steps_of(hand, sizes, loads, powers=None):
    powers = powers or [300.0] * len(sizes)
    return [
        hand.Played(
            f"{number}", {"phase_count": 12 - number, **({"load": load} if load else {})}, {"input_power": power},
            length=300.0, baseline=number == 0, shape=moving(number, size),
        )
        for number, (size, load, power) in enumerate(zip(sizes, loads, powers, strict=True))
    ]


def wanders(hand, *arguments, **more):
    campaign, recording, _, windows = hand.played(steps_of(hand, *arguments, **more))
    return wanders_of(campaign, recording.traces["input_power"], campaign.steps, windows)


def test_steps_with_one_load_tell_together(hand):
    one, two, other = wanders(hand, [0.01, 0.01, 0.01], ["x", "x", "y"])
    assert one is two and one is not other
    assert len(one.levels) == 2 and len(other.levels) == 1


def test_loads_that_are_not_stated_belong_together_by_level(hand):
    one, two, other = wanders(hand, [0.01] * 3, [""] * 3, [300.0, 306.0, 360.0])
    assert one is two and one is not other


@pytest.mark.parametrize("size", [0.001, 0.05])
def test_a_step_that_wanders_far_less_or_more_stands_for_itself(hand, size):
    """Held back by a limit, or another program at work: it neither takes from the others nor gives to them."""
    alike = wanders(hand, [0.01, 0.01, 0.01], ["x"] * 3)[0]
    found = wanders(hand, [0.01, 0.01, 0.01, size], ["x"] * 4)
    assert found[0] is found[1] is found[2] and len(found[3].levels) == 1
    assert found[0].mean_u(100.0) == pytest.approx(alike.mean_u(100.0), rel=0.02)
    assert (found[3].mean_u(100.0)[0] > found[0].mean_u(100.0)[0]) == (size > 0.01)


def test_a_step_without_a_window_tells_nothing(hand):
    campaign, recording, _, windows = hand.played(steps_of(hand, [0.01, 0.01], ["x", "x"]))
    windows = (windows[0], replace(windows[1], found=False))
    found = wanders_of(campaign, recording.traces["input_power"], campaign.steps, windows)
    assert len(found[0].levels) == 1 and found[1] is None


def test_what_was_left_out_because_it_was_warm_up_is_used_and_what_a_person_left_out_is_not(hand):
    campaign, recording, spans, windows = hand.played(steps_of(hand, [0.01], ["x"]))
    first, last = spans[0].start_s, windows[0].end_s
    cut = replace(windows[0], start_s=last - 60.0, discarded=((first, last - 60.0, "temperatures still moving"),))
    trace = recording.traces["input_power"]
    (found,) = wanders_of(campaign, trace, campaign.steps, (cut,))
    (kept,) = wanders_of(replace(campaign, window_length=60.0), trace, campaign.steps, (cut,))
    assert found.mean_u(60.0)[1] > kept.mean_u(60.0)[1]


def test_the_lead_has_its_statistical_part_from_the_load(hand):
    """The part of input power is the relative wander times the mean, with its degrees of freedom."""
    steps = steps_of(hand, [0.01, 0.01], ["x", "x"])
    campaign, recording, _, windows = hand.played(steps)
    wander = wanders_of(campaign, recording.traces["input_power"], campaign.steps, windows)[0]
    value = hand.analyzed(*steps).steps[0].quantities["input_power"]
    part = next(item for item in value.parts if item.source == "0/input_power/statistics")
    u, dof = wander.mean_u(windows[0].end_s - windows[0].start_s)
    assert part.contribution == pytest.approx(value.value * u, rel=0.15)
    assert part.dof == pytest.approx(dof, rel=0.3)
