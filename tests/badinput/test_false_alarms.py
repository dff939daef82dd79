"""Clean campaigns of the trials of planted faults that once raised an alarm, each with its cause."""

import planted
import planted_trials
import pytest


@pytest.mark.parametrize("seed, number", [
    (21, 288),  # a slow sensor of 1 K steps under a pause of 18 s, whose reach came from a step with few phases
    (401, 139),  # a machine that hardly rests: the line to no load went through readings at load
    (401, 306),  # a part that heats up by 8 K a second past 85 degC
])  # fmt: skip
def test_clean_campaigns_raise_no_alarm(tmp_path, seed, number):
    base = planted.make_base(number, seed)
    planted.write(base, tmp_path / "campaign")
    bench, campaign, logs = planted_trials.opened(tmp_path / "campaign")
    flags = planted_trials.flags_of(planted_trials.recorded(bench, campaign, logs))
    assert planted_trials.alarms_of(flags, base) == []
