"""One file for each step and instrument, no shared calendar, no load edge: the files of a step begin together."""

import numpy as np
import pytest

from phasewright.bench import (
    Bench,
    Board,
    Campaign,
    ChannelSource,
    ColumnTerm,
    Cooling,
    Instrument,
    LogEntry,
    Processor,
    Regulator,
    Step,
)
from phasewright.logs import align, find_steps, open_log

LATE = (2.0, -3.0, 4.0)
"""[s] How much later than the meter the host's file of each step was started."""


def write(path, head, rows):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([head, *(",".join(f"{x:.4f}" for x in row) for row in rows)]) + "\n", encoding="utf-8")


@pytest.fixture
def made(tmp_path):
    """Three steps of 200 s at constant load; every file's stamps begin at 0."""
    generator = np.random.default_rng(5)
    for number in range(3):
        t = np.arange(0.0, 200.0, 0.1)
        power = 300.0 + 5.0 * number + generator.normal(0.0, 1.0, t.size)
        write(tmp_path / f"logs/meter_{number}.csv", "Time [s],Power [W]", np.column_stack([t, power]))
        t = np.arange(0.0, 200.0, 1.0)
        heat = 60.0 + 4.0 * number + generator.normal(0.0, 0.2, t.size)
        pack = 250.0 + generator.normal(0.0, 1.0, t.size)
        write(tmp_path / f"logs/host_{number}.csv", "Time [s],Package [W],Hot [degC]", np.column_stack([t, pack, heat]))
    meter = LogEntry("meter", tuple(f"logs/meter_{n}.csv" for n in range(3)), "meter",
                     (ChannelSource("input_power", (ColumnTerm(("Power",)),)),))  # fmt: skip
    host = LogEntry("host", tuple(f"logs/host_{n}.csv" for n in range(3)), "host",
                    (ChannelSource("package_power", (ColumnTerm(("Package",)),)),
                     ChannelSource("regulator_temperature", (ColumnTerm(("Hot",)),))))  # fmt: skip
    steps = tuple(
        Step(f"{8 - n} phases", {"phase_count": 8 - n},
             files={"meter": f"logs/meter_{n}.csv", "host": f"logs/host_{n}.csv"}) for n in range(3)
    )  # fmt: skip
    campaign = Campaign("files", steps=steps, logs=(meter, host), step_source="files")
    bench = Bench("b", Board("b"), Regulator("r", 8), Processor(), Cooling(),
                  (Instrument("meter", period=0.1), Instrument("host", period=1.0)))  # fmt: skip
    opened = {entry.name: open_log(tmp_path, entry, None) for entry in (meter, host)}
    return opened, bench, campaign


def test_every_file_gets_a_place_that_says_it_is_assumed(made):
    opened, bench, campaign = made
    recording = align(opened, bench, campaign)
    clocks = [clock for clock in recording.clocks if clock.log == "host"]
    assert len(clocks) == 3
    for clock in clocks:
        assert clock.status == "assumed" and clock.offset_u >= 10.0
        assert "taken to begin together" in clock.note
    assert any("begin with its step's file" in remark.what for remark in recording.remarks)


def test_steps_hold_the_readings_of_their_own_files(made):
    opened, bench, campaign = made
    recording = align(opened, bench, campaign)
    spans = find_steps(recording, campaign)
    assert [span.name for span in spans] == ["8 phases", "7 phases", "6 phases"]
    for number, span in enumerate(spans):
        assert 170.0 < span.end_s - span.start_s <= 200.0
        for name, level in (("regulator_temperature", 60.0 + 4.0 * number), ("input_power", 300.0 + 5.0 * number)):
            trace = recording.traces[name]
            inside = (trace.start_s > span.start_s) & (trace.end_s < span.end_s)
            assert np.nanmean(trace.value[inside]) == pytest.approx(level, abs=0.2)


def test_with_times_as_the_source_of_steps_nothing_is_assumed_so(made):
    from dataclasses import replace

    opened, bench, campaign = made
    recording = align(opened, bench, replace(campaign, step_source="times"))
    assert not any("begin together" in clock.note for clock in recording.clocks)


def test_a_reference_log_whose_clock_starts_anew_keeps_every_stretch(made):
    opened, bench, campaign = made
    recording = align({"meter": opened["meter"]}, bench, campaign)
    trace = recording.traces["input_power"]
    assert trace.start_s[0] == pytest.approx(0.0, abs=0.2)
    assert 3 * 200.0 <= trace.end_s[-1] <= 3 * 200.0 + 60.0
    assert np.sum(trace.end_s - trace.start_s) == pytest.approx(3 * 200.0, rel=0.01)
    assert np.all(np.diff(trace.start_s) > 0.0)
