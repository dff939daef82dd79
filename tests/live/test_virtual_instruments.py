"""Simulated instruments: with noise off, what they read and when must follow exactly from the true signal."""

from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from phasewright.bench import Accuracy
from phasewright.live import demo_scenario
from phasewright.live.virtual import instruments, workload
from phasewright.live.virtual.campaign import run_scenario
from phasewright.live.virtual.instruments import ClockError, Column, Dialect, VirtualInstrument, read
from phasewright.live.virtual.scenario import PlannedStep
from phasewright.live.virtual.signals import Signal, lagged

ISO = Dialect(stamp="iso", stamp_decimals=6)


class Ramp:
    """Stands in for the signals of a run: one signal that grows by `slope` a second for `length` seconds."""

    def __init__(self, length=120.0, slope=2.0):
        self.length, self.slope = length, slope
        t = np.arange(int(length / 0.02) + 1) * 0.02
        self.signal = Signal(0.02, 0.5 * slope * t * t)
        self.steps = {"alive": np.where(np.arange(int(length)) // 40 == 1, 0.0, 1.0)}

    def get(self, name, lag=0.0):
        return self.signal


def meter(**changes):
    base = VirtualInstrument(
        name="probe", log="probe", columns=(Column("x", "ramp", "W", "input_power", decimals=6),), period=0.5,
        averaging=0.5, dialect=ISO)
    return replace(base, **changes)


def rng(seed=0):
    return np.random.default_rng(seed)


def test_reading_is_the_mean_over_the_averaging_that_ends_at_the_stamp():
    made = read(meter(averaging=1.5, start=10.0), Ramp(), rng(), {})
    end = made.stamp * 1e-9
    assert end[0] == pytest.approx(10.5)
    assert np.diff(end) == pytest.approx(0.5)
    # The mean of 2 t over (end - 1.5, end); the ramp's own grid of 20 ms adds at most 2*0.01*0.02.
    assert made.columns["x"] == pytest.approx(2.0 * (end - 0.75), abs=5e-4)


@pytest.mark.parametrize(("stamp_at", "shift"), [("end", 0.0), ("middle", 0.4), ("start", 0.8)])
def test_stamp_marks_the_moment_that_is_stated(stamp_at, shift):
    made = read(meter(averaging=0.8, stamp_at=stamp_at, start=5.0), Ramp(), rng(), {})
    assert made.end - made.stamp * 1e-9 == pytest.approx(np.full(len(made.end), shift), abs=1e-6)


@pytest.mark.parametrize("drift", [-80.0, 0.0, 55.0])
def test_clock_has_its_offset_and_drift(drift):
    made = read(meter(clock=ClockError(offset=3.25, drift=drift), start=2.0, jitter=0.05), Ramp(1000.0), rng(), {})
    own = made.stamp * 1e-9
    slope, at_zero = np.polyfit(made.end - 2.0, own, 1)
    assert (slope - 1.0) * 1e6 == pytest.approx(drift, abs=0.01)
    assert at_zero == pytest.approx(2.0 + 3.25, abs=1e-6)


def test_clock_that_is_set_makes_two_segments():
    made = read(meter(clock=ClockError(step_at=60.0, step=-7.0)), Ramp(), rng(), {})
    (a, b), (c, d) = made.segments
    assert b == c
    assert (made.stamp * 1e-9 - made.end)[a:b] == pytest.approx(0.0, abs=1e-6)
    assert (made.stamp * 1e-9 - made.end)[c:d] == pytest.approx(-7.0, abs=1e-6)


def test_elapsed_clock_that_restarts_counts_from_zero_again():
    item = meter(clock=ClockError(restart_at=60.0), dialect=Dialect(stamp="elapsed_s"), start=1.0)
    made = read(item, Ramp(), rng(), {})
    (a, b), (c, d) = made.segments
    assert made.stamp[a] == made.stamp[c] == 500_000_000
    assert made.end[c] == pytest.approx(60.5)
    assert made.end[b - 1] <= 56.0


@pytest.mark.parametrize("stated_as", ["limit", "standard", "expanded"])
@pytest.mark.parametrize("z", [-1.5, 0.0, 0.7])
def test_errors_follow_from_the_stated_accuracy_and_the_quantile(stated_as, z):
    item = meter(accuracy={"input_power": Accuracy(0.01, 0.4, 0.0, stated_as)})
    plain = read(item, Ramp(), rng(), {}).columns["x"]
    moved = read(item, Ramp(), rng(), {"probe/input_power/gain": z, "probe/input_power/offset": -z}).columns["x"]
    share = {"limit": 2.0 * NormalDist().cdf(z) - 1.0, "standard": z, "expanded": z / 2.0}[stated_as]
    assert moved == pytest.approx(plain * (1.0 + 0.01 * share) - 0.4 * share, abs=2e-6)


def test_limit_means_rectangular_and_standard_means_normal():
    z = rng(5).standard_normal(20_000)
    limit = np.array([instruments.drawn_error(2.0, "limit", value) for value in z])
    assert np.abs(limit).max() <= 2.0
    assert limit.std() == pytest.approx(2.0 / np.sqrt(3.0), rel=0.02)
    standard = np.array([instruments.drawn_error(2.0, "standard", value) for value in z])
    assert standard.std() == pytest.approx(2.0, rel=0.02)


def test_resolution_rounds_to_its_step():
    made = read(meter(columns=(Column("x", "ramp", decimals=2, resolution=0.25),)), Ramp(), rng(), {})
    assert made.columns["x"] % 0.25 == pytest.approx(0.0)
    fine = read(meter(), Ramp(), rng(), {}).columns["x"]
    assert np.abs(made.columns["x"] - fine).max() <= 0.125 + 1e-6


def test_log_of_a_lost_machine_has_a_hole():
    made = read(meter(dies_with_machine=True), Ramp(), rng(), {})
    assert not ((made.end >= 40.0) & (made.end < 80.0)).any()
    assert (made.end < 40.0).sum() == 79
    # The first averaging after the restart begins when the machine is up.
    assert made.end[made.end > 80.0].min() == pytest.approx(80.5)


def test_gaps_stuck_values_and_rows_written_twice():
    clean = read(meter(), Ramp(), rng(), {})
    gaps = read(meter(dropout_rate=0.05), Ramp(), rng(), {})
    assert len(gaps.stamp) < len(clean.stamp)
    assert set(gaps.stamp) <= set(clean.stamp)
    stuck = read(meter(stuck_rate=0.05), Ramp(), rng(), {})
    assert (np.diff(stuck.columns["x"]) == 0.0).sum() >= 4
    twice = read(meter(duplicate_rate=0.1), Ramp(), rng(), {})
    again = np.diff(twice.stamp) == 0
    assert again.sum() == len(twice.stamp) - len(clean.stamp) > 5
    assert (np.diff(twice.columns["x"])[again] == 0.0).all()


def test_parts_of_a_log_are_the_whole():
    item = meter(averaging=1.0, clock=ClockError(drift=30.0))
    whole = read(item, Ramp(), rng(), {})
    parts = list(instruments.read_in_parts(item, Ramp(), rng(), {}, 37))
    stamp = np.concatenate([part.stamp for part in parts])
    assert np.isin(whole.stamp, stamp).all()
    both = np.isin(stamp, whole.stamp)
    assert np.concatenate([part.columns["x"] for part in parts])[both] == pytest.approx(whole.columns["x"], abs=1e-9)
    assert len(stamp) - both.sum() <= 2


def test_first_order_lag_is_exact_on_a_ramp():
    """y' = (x - y)/lag with x = t: y = t - lag*(1 - exp(-t/lag)) (closed form)."""
    t = np.arange(60.0)
    assert lagged(t, 4.0) == pytest.approx(t - 4.0 * (1.0 - np.exp(-t / 4.0)), abs=1e-12)


def test_mean_of_a_signal_between_grid_points():
    signal = Signal(0.5, np.array([0.0, 1.0, 1.5, 4.0]))
    assert float(signal.mean(0.25, 0.75)) == pytest.approx((1.25 - 0.5) / 0.5)
    assert float(signal.mean(1.0, 1.5)) == pytest.approx(5.0)
    assert float(signal.mean(1.2, 1.2)) == pytest.approx(5.0)


def quiet(item):
    """The instrument without noise, gaps, jitter or errors, and with many decimals."""
    columns = tuple(replace(c, noise=0.0, resolution=0.0, decimals=9) for c in item.columns)
    return replace(item, columns=columns, accuracy={}, jitter=0.0, stamp_noise=0.0, dropout_rate=0.0)


@pytest.fixture(scope="module")
def short():
    """A short campaign on the demonstration's bench with noise off."""
    whole = demo_scenario()
    return replace(
        whole, instruments=tuple(quiet(item) for item in whole.instruments),
        steps=(PlannedStep("ten", 10, 250.0, 60.0, baseline=True), PlannedStep("five", 5, 250.0, 60.0)))


def test_true_clock_maps_put_every_stamp_where_it_was_read(short):
    made = run_scenario(short, 4)
    for item in short.instruments:
        readings = made.readings[item.log]
        (clock,) = made.truth.clocks[item.log]
        expected = made.truth.to_reference(readings.end)
        tick = 1e-3
        assert clock.to_reference(readings.stamp) == pytest.approx(expected, abs=0.51 * tick + 1e-9)
        # The convention of the clock maps: t + offset + drift*1e-6*(t - pivot).
        pivot = 40.0
        t = (readings.stamp - clock.zero_ns) * 1e-9
        mapped = t + clock.offset_at(pivot) + clock.drift * 1e-6 * (t - pivot)
        assert mapped == pytest.approx(clock.to_reference(readings.stamp), abs=1e-9)
        later = clock.zero_ns + 5_000_000_000
        t = (readings.stamp - later) * 1e-9
        mapped = t + clock.offset_at(pivot, later) + clock.drift * 1e-6 * (t - pivot)
        assert mapped == pytest.approx(clock.to_reference(readings.stamp), abs=1e-9)
    reference = made.truth.clocks[short.reference_log][0]
    assert reference.drift == 0.0
    assert reference.offset == pytest.approx(0.0, abs=1e-9)


def test_true_means_are_what_perfect_instruments_read(short):
    made = run_scenario(short, 4)
    truth, step = made.truth, made.truth.step("five")
    readings = made.readings["meter"]
    power = sum(readings.columns[u] * readings.columns[i] for u, i in (("Ua", "Ia"), ("Ub", "Ib")))
    at = truth.clocks["meter"][0].to_reference(readings.stamp)
    inside = (at > step.start_s + 10.0) & (at <= step.end_s - 10.0)
    start, end = at[inside][0] - 0.02, at[inside][-1]
    # Products of means within 20 ms cells that the meter's clock cuts: far below a milliwatt.
    assert power[inside].mean() == pytest.approx(truth.mean("input_power", start, end), rel=1e-5)
    host = made.readings["host"]
    at = truth.clocks["host"][0].to_reference(host.stamp)
    inside = (at > step.start_s + 10.0) & (at <= step.end_s - 10.0)
    start, end = at[inside][0] - 1.0, at[inside][-1]
    assert host.columns["package power"][inside].mean() == pytest.approx(
        truth.mean("package_power", start, end), rel=1e-5)


def test_energy_adds_up(short):
    """Input = every loss + package + what else hangs on the input, at every instant; and every watt warms a node."""
    made = run_scenario(short, 5)
    run, fine = made.run, made.signals.fine
    h = run.parts.hidden
    pieces = run.pieces_loss.sum(axis=1)
    i = run.current.reshape(-1, workload.BLOCK)
    plane = run.constant[:, 1:2] * i * i
    parts = pieces[:, :1] + pieces[:, 1:2] * i + pieces[:, 2:] * i * i + run.constant[:, :1] + plane
    assert parts.reshape(-1) == pytest.approx(fine["regulator_loss"], rel=1e-12)
    out = fine["path_loss"] + fine["regulator_loss"] + fine["package_power"] + fine["other_loads"] - h.auxiliary_power
    assert fine["input_power"] == pytest.approx(out, rel=1e-12)
    by_connector = sum(fine[f"input_voltage.{k}"] * fine[f"input_current.{k}"] for k in (1, 2))
    assert by_connector == pytest.approx(fine["input_power"], rel=1e-12)
    second = lambda name: fine[name].reshape(-1, workload.BLOCK).mean(axis=1)  # noqa: E731
    warming = second("regulator_loss") + second("path_loss") + second("package_power")
    assert run.heat.sum(axis=1) == pytest.approx(warming, rel=1e-9)
