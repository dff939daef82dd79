"""Planted faults, the short version of benchmarks/planted_trials.py; and every flag reaches findings and guide."""

import html
import re
import shutil
from dataclasses import replace

import numpy as np
import planted
import planted_trials
import pytest

from phasewright.app import jobs
from phasewright.bench import LogFault

REFUSAL = re.compile(r"^[^\n]+?:\d+(?::\d+)? \S[^\n]* - \S[^\n]*$")


@pytest.mark.parametrize("kind", planted.KINDS, ids=lambda kind: kind.__name__)
def test_every_kind_of_fault_is_flagged(lab, kind):
    """Each kind planted in one campaign; flagged means refused, or new words on a channel that it touches."""
    base = replace(lab.base, seed=3)
    generator = np.random.default_rng(11)
    fault = next(found for _ in range(50) if (found := kind(base, generator)) is not None)
    folder = lab.folder / "planted"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(lab.folder / "clean", folder)
    planted.write(base, folder, fault, only=True)
    try:
        bench, campaign, logs = lab.open(folder, lab.logs, (fault.log, *fault.readings))
        spoiled = planted_trials.flags_of(lab.record(logs, bench, campaign))
    except LogFault as refused:
        assert all(REFUSAL.match(str(item)) for item in refused.faults)
        return
    clean = planted_trials.flags_of(lab.clean)
    new = {key: words for key, words in spoiled.items() if key not in clean}
    assert planted_trials.is_flagged(fault, new, campaign), (fault.what, new)


def test_whole_trials():
    trials = [planted_trials.run_trial(number, seed=21) for number in (0, 7)]
    assert [trial.failure for trial in trials if trial.failure] == []
    assert [trial.what for trial in trials if not trial.flagged] == []
    assert [trial.alarms for trial in trials if trial.alarms] == []
    assert not planted_trials.missed(trials)


def test_a_clean_campaign_raises_no_alarm(lab):
    assert planted_trials.alarms_of(planted_trials.flags_of(lab.clean), lab.base) == []


def test_a_trial_can_fail(lab):
    """The judge of the trials tells a flag on the channel from one elsewhere, and none from either."""
    fault = planted.Planted("stuck", "", "host", ("rail_current",))
    there, elsewhere = ("rail_current", "#"), ("input_power", "#")
    assert planted_trials.is_flagged(fault, {there: "rail_current: stuck"}, lab.campaign)
    assert not planted_trials.is_flagged(fault, {elsewhere: "input_power: stuck"}, lab.campaign)
    assert not planted_trials.is_flagged(fault, {}, lab.campaign)
    silent = planted_trials.Trial(0, "stuck", "x", False, [], {"step loss": 0.05})
    assert planted_trials.missed([silent])
    assert "step loss 5.0 %" in planted_trials.table([silent])


@pytest.fixture(scope="module")
def told(lab, tmp_path_factory):
    """One campaign with a fault of every kind that does not refuse it: (analysis, text of the guide)."""
    folder = tmp_path_factory.mktemp("told") / "campaign"
    shutil.copytree(lab.folder / "clean", folder, ignore=shutil.ignore_patterns("derived"))
    host, meter, probe = (lab.base.readings[log] for log in ("host", "meter", "thermometer"))
    n = len(host.end)
    columns = {name: values.copy() for name, values in host.columns.items()}
    columns["regulator hottest"][[50, 51, 52]] = -127.0
    columns["rail current"] = np.minimum(columns["rail current"], 0.99 * np.quantile(columns["rail current"], 0.98))
    columns["rail current"] = np.round(columns["rail current"], 1)
    columns["package power"][200] *= 2.0
    a, b = np.searchsorted(host.end, [host.end[0] + 60.0, host.end[0] + 400.0])
    columns["processor hottest"][a:b] = columns["processor hottest"][a]
    for values in columns.values():
        values[n - 160 : n - 140] = values[n - 160]
    stamp = meter.stamp.copy()
    stamp[1000] = stamp[999]
    readings = {
        "host": replace(host, columns=columns), "meter": replace(meter, stamp=stamp),
        "thermometer": replace(probe, stamp=probe.stamp - np.where(np.arange(len(probe.stamp)) > 150, 40 * 10**9, 0)),
    }  # fmt: skip
    cells = tuple((row, "room", "9.91E37") for row in (20, 21))
    for log, found in readings.items():
        fault = planted.Planted("", "", log, (), {log: found}, cells=cells if log == "thermometer" else ())
        planted.write(lab.base, folder, fault, only=True)
    analysis = jobs.analyze(folder)
    files = jobs.report(folder, analysis=analysis)
    page = html.unescape(re.sub(r"<[^>]+>", "", files.html.read_text(encoding="utf-8")))
    # People read true minus signs and numbers that keep to their units.
    page = page.replace("\u2212", "-").replace("\u00a0", " ").replace("\u202f", " ")
    return analysis, re.sub(r"\s+", " ", page)


@pytest.mark.parametrize("words", [
    "jumps to -127 °C", "flat top at", "single readings of", "stands still at", "the link was down",
    "same stamp as the row before", "not-a-number", "clock step",
])  # fmt: skip
def test_every_flag_reaches_the_findings_and_the_guide(told, words):
    analysis, page = told
    assert [note for note in analysis.notes if words in note], "\n".join(analysis.notes)
    assert words in page


def test_flags_name_their_channel(told):
    analysis, _ = told
    marked = {key for key, trace in analysis.recording.traces.items() if trace.remarks}
    assert {"regulator_temperature", "rail_current", "package_power", "processor_temperature"} <= marked
    notes = "\n".join(analysis.notes)
    assert "caution: regulator_temperature (log host): jumps to -127 °C" in notes


def test_a_coarse_sensor_that_lets_go_in_a_leap_is_flagged():
    """Trial 333 of seed 21: 1 K steps, stuck for 140 s while the part goes on warming under an even load.

    Nothing but the leap at its end tells: 6 K in one reading, where the log's other edges of the load make 2 K.
    """
    trial = planted_trials.run_trial(333, 21)
    assert trial.flagged and not trial.failure
    assert any("stands still at 52 °C" in text for text in trial.said)
    assert not trial.alarms


@pytest.mark.parametrize("number", [78, 130, 446])
def test_trials_that_once_failed_or_were_wrong_in_silence(number):
    """Of seed 97: a fit that ran away, package power of zero throughout, and a clock set by 9 s between readings."""
    trial = planted_trials.run_trial(number, 97)
    assert not trial.failure and trial.flagged and not trial.moved
