"""Windows that a person states for one step: kept to, clear of the step's edges, and said when they reach too far."""

from types import SimpleNamespace

import numpy as np
import pytest

from phasewright.bench import Campaign, LogEntry, Step
from phasewright.logs import StepSpan, Trace, align, find_window

SPAN = StepSpan("one", 100.0, 700.0, "times")


@pytest.fixture(scope="module")
def recording():
    """1 Hz power: 40 W, then 300 W from 110 s to 690 s, then 40 W; the step is listed from 100 s to 700 s."""
    time = np.arange(0, 901)
    load = np.where((time > 110) & (time <= 690), 300.0, 40.0) + np.random.default_rng(1).normal(0.0, 0.5, len(time))
    trace = Trace("input_power", "W", "meter", time * 1_000_000_000, load, 1.0, "end", ((0, len(time)),), False)
    entry = LogEntry("meter", ("logs/meter.csv",), "meter", ())
    said = Campaign("trial", (entry,), ())
    return align({"meter": SimpleNamespace(traces=(trace,), reports=())}, None, said), said


def window(recording, **stated):
    aligned, said = recording
    return find_window(aligned, SPAN, Step("one", {}, **stated), None, said)


def test_without_a_word_the_window_lies_where_the_load_was_held(recording):
    found = window(recording)
    assert found.found and found.start_s >= 110.0 and found.end_s <= 690.0 and not found.remarks


@pytest.mark.parametrize(("start", "end"), [(100.0, 300.0), (200.0, 230.5), (60.0, 540.0)])
def test_a_stated_window_is_kept_to(recording, start, end):
    found = window(recording, window_start=start, window_end=end)
    assert (found.start_s, found.end_s) == pytest.approx((100.0 + start, 100.0 + end))
    assert found.found and not found.remarks
    left_out = [item for item in found.discarded if item[2] == "left out as stated for the step"]
    assert left_out and all(b <= found.start_s or a >= found.end_s for a, b, _ in found.discarded)


def test_one_end_alone_leaves_the_other_as_found(recording):
    free = window(recording)
    later = window(recording, window_start=300.0)
    assert (later.start_s, later.end_s) == pytest.approx((400.0, free.end_s))
    sooner = window(recording, window_end=580.0)
    assert (sooner.start_s, sooner.end_s) == pytest.approx((free.start_s, 680.0))


def test_a_window_that_leaves_the_held_load_says_how_far(recording):
    found = window(recording, window_start=2.0, window_end=598.0)
    assert (found.start_s, found.end_s) == pytest.approx((102.0, 698.0))
    assert len(found.remarks) == 1 and "in which the load was not held" in found.remarks[0]
    assert float(found.remarks[0].split("takes in ")[1].split(" s")[0]) == pytest.approx(8.0 + 8.0, abs=6.0)


def test_no_window_leaves_its_step_or_is_too_short(recording):
    found = window(recording, window_start=0.0, window_end=5000.0)
    assert found.start_s > 100.0 and found.end_s < 700.0
    short = window(recording, window_start=100.0, window_end=110.0)
    assert not short.found and "10.0 s long" in short.reasons[0] and not short.settled
    assert not window(recording, window_start=300.0, window_end=200.0).found
