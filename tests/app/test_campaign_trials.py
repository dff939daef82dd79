"""The short version of the trial on whole simulated campaigns: the same statements as the long one, on a few of them."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

TRIALS = Path(__file__).parents[2] / "benchmarks" / "campaign_trials.py"
SEED, NUMBERS = 7, range(3)


@pytest.fixture(scope="module")
def trials():
    import sys

    found = importlib.util.spec_from_file_location("campaign_trials", TRIALS)
    module = importlib.util.module_from_spec(found)
    sys.modules[found.name] = module
    found.loader.exec_module(module)
    return module, module.run(len(NUMBERS), SEED, 1, None, NUMBERS)


def test_every_campaign_is_analyzed(trials):
    _, done = trials
    assert [trial.failure for trial in done] == [""] * len(NUMBERS)
    assert sum(trial.steps for trial in done) >= 3 * len(NUMBERS)


def test_no_verdict_is_wrong(trials):
    _, done = trials
    assert [line for trial in done for line in trial.wrong_verdicts] == []


def test_no_unsettled_step_is_called_settled_and_most_settled_ones_are(trials):
    _, done = trials
    assert [line for trial in done for line in trial.false_settled] == []
    truly = sum(trial.truly_settled for trial in done)
    assert truly >= 6
    assert sum(trial.seen_settled for trial in done) >= 0.75 * truly


def test_intervals_hold_the_truth(trials):
    """A systematic error acts on all steps of a campaign alike: with a few campaigns, one may miss as a whole."""
    module, done = trials
    for name in module.WATCHED:
        held = [np.mean(trial.held[name]) for trial in done if trial.held[name]]
        assert sum(share > 0.5 for share in held) >= len(held) - 1, name


def test_clocks_are_placed_within_a_quarter_of_the_slower_period(trials):
    _, done = trials
    by_power = [item for trial in done for item in trial.offset_error if item[0] == "by power"]
    assert len(by_power) >= len(NUMBERS) - 1
    assert np.median([error for _, error, _ in by_power]) < 0.05
    assert all(error < 0.25 * period for _, error, period in by_power)


def test_the_table_counts_what_the_trials_showed(trials, tmp_path):
    module, done = trials
    kept = tmp_path / "kept.jsonl"
    kept.write_text("".join(module.to_line(trial) + "\n" for trial in done), encoding="utf-8")
    again = module.run(len(NUMBERS), SEED, 1, kept, NUMBERS)
    assert module.table(again) == module.table(done)
    assert f"{len(NUMBERS)} campaigns, {sum(trial.steps for trial in done)} steps, 0 failed" in module.table(done)
