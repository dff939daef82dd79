"""Error codes that come so often that they make their own jumps the usual ones, and readings that no bench shows."""

import numpy as np
import pytest

from phasewright.bench import ChannelSource, ColumnTerm, LogEntry
from phasewright.logs import open_log
from phasewright.logs.sanity.survey import quantile


def opened(folder, channel, unit, values, decimals=1):
    """Return the trace of one channel whose log holds `values`, a reading a second."""
    text = "".join(f"{i},{value:.{decimals}f}\n" for i, value in enumerate(values))
    (folder / "log.csv").write_text(f"time_s,x [{unit}]\n{text}", encoding="utf-8")
    entry = LogEntry("log", ("log.csv",), "meter", (ChannelSource(channel, (ColumnTerm((f"x [{unit}]",)),)),))
    return open_log(folder, entry, None).traces[0]


def warm(n):
    generator = np.random.default_rng(5)
    return np.round(45.0 + 10.0 * np.sin(np.arange(n) / 50.0) + 0.3 * generator.normal(size=n), 1)


@pytest.mark.parametrize("every", [2, 3, 8, 12])
@pytest.mark.parametrize("code", [-127.0, 85.0, 255.0])
@pytest.mark.parametrize("n", [12, 300])
def test_a_code_in_every_few_rows_is_no_reading(tmp_path, n, code, every):
    values = warm(n)
    values[every // 2 :: every] = code
    trace = opened(tmp_path, "regulator_temperature", "degC", values)
    assert np.flatnonzero(np.isnan(trace.value)).tolist() == list(range(every // 2, n, every))
    assert any("jumps to" in remark.what for remark in trace.remarks)


def test_a_part_that_heats_up_past_the_power_on_value_is_left(tmp_path):
    """Trial 306 of seed 401 of the planted faults: 8 K a second at the onset of a load, one reading of 85.0."""
    values = np.concatenate([66.0 + 0.2 * np.sin(np.arange(300)), [67.7, 76.3, 85.0, 90.9, 93.5, 94.9], np.full(200, 97.0)])
    values[-200:] += 0.3 * np.sin(np.arange(200))
    trace = opened(tmp_path, "regulator_temperature", "degC", values)
    assert np.isfinite(trace.value).all() and not trace.remarks


@pytest.mark.parametrize("every", [3, 9, 30])
def test_power_that_is_zero_between_loads_is_no_answer(tmp_path, every):
    power = 300.0 + 20.0 * np.sin(np.arange(600) / 7.0)
    power[every // 2 :: every] = 0.0
    trace = opened(tmp_path, "input_power", "W", power)
    assert np.flatnonzero(np.isnan(trace.value)).tolist() == list(range(every // 2, 600, every))


def test_a_machine_that_goes_off_is_at_zero(tmp_path):
    power = np.concatenate([np.full(200, 300.0), np.zeros(100), np.full(200, 60.0)]) + np.arange(500) % 7 * 0.1
    power[200:300] = np.arange(100) % 2 * 0.01
    assert np.isfinite(opened(tmp_path, "input_power", "W", power, 2).value).all()


@pytest.mark.parametrize(
    "channel, unit, level, beyond",
    [("input_power", "W", 300.0, 999999.0), ("rail_current", "A", 200.0, -99999.0), ("rail_voltage", "V", 1.1, 6553.5),
     ("regulator_temperature", "degC", 60.0, 3276.7), ("coolant_temperature", "degC", 30.0, -3276.8)],
)  # fmt: skip
@pytest.mark.parametrize("every", [7, 30, 400])
def test_readings_beyond_any_bench_are_none(tmp_path, channel, unit, level, beyond, every):
    values = level * (1.0 + 0.02 * np.sin(np.arange(600) / 11.0))
    values[every // 2 :: every] = beyond
    trace = opened(tmp_path, channel, unit, values, 4)
    assert np.flatnonzero(np.isnan(trace.value)).tolist() == list(range(every // 2, 600, every))
    assert trace.remarks[0].line == 2 + every // 2


def test_nitrogen_is_a_coolant(tmp_path):
    """Liquid nitrogen boils at -195.8 degC."""
    values = np.concatenate([np.linspace(20.0, -190.0, 300), -190.0 + np.sin(np.arange(300))])
    assert np.isfinite(opened(tmp_path, "coolant_temperature", "degC", values).value).all()


def test_quantiles_are_those_of_numpy():
    generator = np.random.default_rng(3)
    for _ in range(300):
        values = generator.normal(size=int(generator.integers(1, 60))).round(int(generator.integers(0, 5)))
        share = float(generator.choice([0.0, 0.02, 0.5, 0.68, 0.9, 0.95, 1.0, generator.random()]))
        assert quantile(values, share) == np.quantile(values, share)
