"""A clock that was set while it recorded: split at the reading, or refused; never one wrong offset for all."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from phasewright.bench import Campaign, LogEntry
from phasewright.logs import align
from phasewright.logs.clocks import matching
from phasewright.logs.clocks.integral import integrate
from phasewright.logs.clocks.vouching import find_dissent
from phasewright.logs.condense import condense

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

import trials_align

CASE = next(case for case in trials_align.TABLE if case.clock_step)
CAMPAIGN = Campaign(
    "trial",
    (LogEntry("meter", ("meter.csv",), "meter", ()), LogEntry("host", ("host.csv",), "host", ())), (),
    reference_log="meter",
)  # fmt: skip


def placed(number, *, seed=1, case=CASE):
    """Return (clocks of the host, worst error [s] over all readings that got a place, readings without one)."""
    logs, truth = trials_align.make_pair(np.random.default_rng([seed, number]), case)
    clocks = [c for c in align(logs, None, CAMPAIGN).clocks if c.log == "host"]
    stamp = logs["host"].traces[0].time_ns
    own = (stamp - truth["zero"]) * 1e-9
    own[truth["at"] :] -= truth["step"]
    true = own * (1.0 + truth["drift"] * 1e-6) + truth["offset"] - truth["first"]
    worst, held = 0.0, np.zeros(len(stamp), dtype=bool)
    restarts = len(logs["host"].traces[0].segments) > 1
    for clock in clocks:
        if clock.status != "aligned":
            continue
        t = (stamp - clock.zero_ns) * 1e-9
        inside = (t >= clock.first - 1e-6) & (t <= clock.last + 1e-6)
        if restarts:
            inside &= (np.arange(len(stamp)) >= truth["at"]) == (clock is clocks[-1])
        worst = max(worst, float(np.abs(clock.to_reference(stamp) - true)[inside].max(initial=0.0)))
        held |= inside
    return clocks, worst, int(np.count_nonzero(~held))


@pytest.mark.parametrize("number", [6, 93])
def test_a_step_among_many_places_that_fit_is_found(number):
    """Both were once split at wrong places, by steps that explained a little and hid the great one."""
    clocks, worst, lost = placed(number)
    assert [c.status for c in clocks] == ["aligned", "aligned"]
    assert worst < 0.1 and lost == 0
    assert all("clock was set by" in clock.note for clock in clocks)


@pytest.mark.parametrize("number", [89, 329])
def test_the_place_of_a_step_in_an_even_load_is_told_by_the_stamps(number):
    clocks, worst, _ = placed(number)
    assert len(clocks) == 2 and worst < 0.1


def test_readings_that_may_belong_to_either_side_are_left_out_and_said():
    clocks, worst, lost = placed(358)
    assert len(clocks) == 2 and worst < 0.1
    assert 0 < lost < 60
    assert all(f"{lost} readings between the two stretches may belong to either" in clock.note for clock in clocks)


@pytest.mark.parametrize("number", [6, 93])
def test_what_the_search_misses_is_refused(number, monkeypatch):
    """With the search for great steps taken away nothing wrong may come out as aligned."""
    monkeypatch.setattr(matching, "propose_steps", lambda *args: [])
    clocks, worst, _ = placed(number)
    assert worst < 0.5
    assert any(clock.status == "ambiguous" and "clock was set" in clock.note for clock in clocks)


def halves_apart(step):
    """Return (reference, host, truth): a host log whose second half is `step` [s] late, in one stretch."""
    case = replace(CASE, clock_step=0.0, length=900.0, drift=0.0, offset=0.0)
    logs, truth = trials_align.make_pair(np.random.default_rng(5), case)
    meter, host = logs["meter"].traces[0], logs["host"].traces[0]
    time_ns = host.time_ns.copy()
    time_ns[len(time_ns) // 2 :] += int(step * 1e9)
    zero = int(meter.time_ns[0])
    return integrate(condense(meter, zero)), condense(replace(host, time_ns=time_ns), zero)


def test_a_part_that_belongs_elsewhere_dissents():
    reference, host = halves_apart(20.0)
    gain = matching.gain_between(reference, host.value)
    words = {"offset": 0.0, "drift": 0.0, "pivot": 0.0, "window": 1.0, "averaging": 1.0, "gain": gain}
    found = find_dissent(reference, host, 0, len(host.end), **words)
    assert found is not None and found.offset == pytest.approx(-20.0, abs=0.5)
    assert found.first > host.end[len(host.end) // 4]
    reference, host = halves_apart(0.0)
    assert find_dissent(reference, host, 0, len(host.end), **words) is None
