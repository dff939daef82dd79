"""What remains of a step: the parts of the method against scipy, the whole of it on made-up benches whose truth is known."""

import numpy as np
import pytest
from scipy import signal, stats

from phasewright.bench import Bench, Board, Campaign, Cooling, Processor, Regulator, Step
from phasewright.logs import AlignedTrace, Recording, StepSpan, find_window
from phasewright.logs.steady import learning
from phasewright.logs.steady.drive import CONSTANTS, SLOW, make_drive
from phasewright.logs.steady.load import Load
from phasewright.logs.steady.mixture import chance_beyond, magnitude_bound
from phasewright.logs.steady.response import Response, columns_of, dying

BENCH = Bench("trial", Board("board"), Regulator("rail", 8), Processor(), Cooling("liquid"), ())
GAINS = ((0.05, 4.0), (0.10, 60.0), (0.05, 150.0))
"""Gain [K/W] and time constant [s] of each part of the made-up bench."""


def played(levels, *, resolution=0.0, noise=0.05, gains=GAINS, seed=1, room=None):
    """Return (recording, spans, what remains at each step's end [K]) of steps (power [W], length [s]), 15 s apart."""
    generator = np.random.default_rng(seed)
    pieces, spans, clock = [np.full(40, 40.0)], [], 40.0
    for number, (level, length) in enumerate(levels):
        spans.append(StepSpan(f"step {number}", clock, clock + length, "times"))
        pieces += [np.full(int(length), level), np.full(15, 40.0)]
        clock += length + 15.0
    calm = np.concatenate(pieces)
    wobble = signal.lfilter([0.4], [1.0, -0.9], generator.normal(0.0, 0.012, len(calm)))
    power = calm * (1.0 + wobble)
    time = np.arange(len(calm)) + 1.0
    value, left = np.full(len(calm), 24.0), np.zeros(len(calm))
    for gain, constant in gains:
        keep = np.exp(-1.0 / constant)

        def behind(x, keep=keep):
            return signal.lfilter([1.0 - keep], [1.0, -keep], x - 40.0) + 40.0

        value += gain * behind(power)
        left += gain * (calm - behind(calm))
    drift = np.zeros(len(time)) if room is None else room(time)
    value = value + drift + generator.normal(0.0, noise, len(value))
    if resolution:
        value = np.round(value / resolution) * resolution
    common = {"instrument": "host", "start_s": time - 1.0, "end_s": time, "averaging": 1.0, "time_u": 0.001}
    traces = {
        "input_power": AlignedTrace("input_power", "W", "meter", value=power, **common),
        "regulator_temperature": AlignedTrace("regulator_temperature", "degC", "host", value=value, **common),
    }
    if room is not None:
        traces["ambient_temperature"] = AlignedTrace("ambient_temperature", "degC", "room", value=24.0 + drift, **common)
    remaining = [left[int(span.end_s) - 1] for span in spans]
    return Recording("meter", "", traces, (), ()), tuple(spans), remaining


def windows_of(recording, spans, settings=None):
    steps = tuple(Step(span.name, (settings or {}).get(span.name, {})) for span in spans)
    campaign = Campaign("trial", (), steps)
    return [find_window(recording, span, step, BENCH, campaign, spans=spans) for span, step in zip(spans, steps,
                                                                                                    strict=True)]


# ---- the parts, against scipy ---------------------------------------------------------------------------------------


def test_own_columns_are_the_stretch_alone_behind_the_lag():
    time = np.arange(600) + 0.5
    power = np.where((time > 100) & (time < 400), 250.0, 60.0)
    drive = make_drive(Load(time, power, 190.0), {}, ((100.0, 400.0),), 0.0, 600.0)
    own = drive.columns(drive.time, 0.0)[:, 1 + 4 * len(CONSTANTS) : 1 + 5 * len(CONSTANTS)]
    for number, constant in enumerate(CONSTANTS):
        keep = np.exp(-1.0 / constant)
        alone = signal.lfilter([1.0 - keep], [1.0, -keep], np.where((time > 100) & (time < 400), power, 0.0))
        assert own[:, number] == pytest.approx(alone, abs=1e-8)
        assert drive.own_state(0, 500.0)[number] == pytest.approx(alone[499], abs=1e-8)


def test_evidence_is_the_density_of_the_readings():
    """Log evidence of linear models, differences against the multivariate normal density of scipy."""
    generator = np.random.default_rng(3)
    time = np.arange(200) + 0.5
    power = np.where((time > 30) & (time < 160), 250.0, 60.0)
    drive = make_drive(Load(time, power, 190.0), {}, ((30.0, 160.0),), 0.0, 200.0)
    columns = drive.columns(time[::4], 0.0)
    prior = generator.uniform(0.01, 1.0, columns.shape[1]) ** 2
    noise = generator.uniform(0.1, 0.3, len(columns)) ** 2
    value = generator.normal(0.0, 3.0, len(columns))
    pairs, own = np.array([[2, 8], [4, 6], [0, 10]]), np.array([0.1, 0.4, 0.03])
    gram, moment = (columns / noise[:, None]).T @ columns, columns.T @ (value / noise)
    evidence, _, index = learning._evidence(gram, moment, prior, pairs, own, drive)
    direct = []
    for number in range(3):
        x = columns[:, index[number]]
        size = 1.0 / learning._stiffness(prior, index, own, drive)[number]
        cover = (x * size) @ x.T + np.diag(noise)
        direct.append(stats.multivariate_normal.logpdf(value, np.zeros(len(value)), cover) - np.log(pairs[number, 1] - 1))
    assert np.diff(evidence) == pytest.approx(np.diff(direct), rel=1e-6)


def test_a_gain_that_cannot_be_negative_is_a_truncated_normal_one():
    """What remains where its only uncertain part is the gain of the slowest lag, against scipy's truncnorm."""
    time = np.arange(300) + 0.5
    power = np.where(time > 100, 200.0, 0.0)
    drive = make_drive(Load(time, power, 200.0), {}, ((100.0, 300.0),), 0.0, 300.0)
    pairs = np.array([[3, 12]])
    index = columns_of(pairs, 1, 1 + 5 * len(CONSTANTS) + len(drive.drift) + 1)
    slowest = 4
    for mean, u in ((0.02, 0.04), (-0.03, 0.02), (0.3, 0.02)):
        covariance = np.full((1, index.shape[1]), 1e-16)
        covariance[0, slowest] = u**2
        gains = np.zeros((1, index.shape[1]))
        gains[0, slowest] = mean
        response = Response(drive, 0.0, pairs, index, np.ones(1), gains, np.diag(covariance[0])[None], 1e-9, 24.0, time,
                            time, 0.0, True)
        found = response.remaining(0, 300.0, 300.0, np.array([200.0, 0.0, 0.0]))
        law = stats.truncnorm(-mean / u, np.inf, mean, u)
        share = 200.0 * np.exp(-200.0 / SLOW[12])
        assert found.mean[0] == pytest.approx(share * law.mean(), rel=1e-3)
        # The misfit and the floor stand beside it.
        beside = (0.12 * found.mean[0]) ** 2 + 0.03**2
        assert found.u[0] ** 2 - beside == pytest.approx((share * law.std()) ** 2, rel=1e-2, abs=1e-6)


def test_mean_of_a_decay_over_a_window():
    t = np.linspace(240.0, 300.0, 200_001)
    assert dying(300.0, 60.0) == pytest.approx([np.exp(-t / c).mean() for c in CONSTANTS], rel=1e-4, abs=1e-12)
    assert dying(300.0, 0.0) == pytest.approx(np.exp(-300.0 / CONSTANTS))


def test_bound_of_a_mixture_is_where_scipy_says():
    generator = np.random.default_rng(5)
    for _ in range(20):
        weight = generator.dirichlet(np.ones(6))
        mean, u = generator.normal(0.0, 1.0, 6), generator.uniform(0.01, 1.0, 6)
        beyond = lambda x: float(weight @ (stats.norm.sf((x - mean) / u) + stats.norm.sf((x + mean) / u)))  # noqa: B023, E731
        for level in (0.9, 0.95, 0.99):
            bound = magnitude_bound(weight, mean, u, level)
            assert beyond(bound) == pytest.approx(1.0 - level, abs=2e-6)
            assert chance_beyond(weight, mean, u, bound) <= 1.0 - level


# ---- the whole, on benches made up ----------------------------------------------------------------------------------


@pytest.mark.parametrize("resolution", [0.1, 1.0])
def test_steps_of_one_bench_share_its_time_constants(resolution):
    """Constants of 60 and 150 s: 420 s settle a step to 0.6 K of 40 K and more, 120 s do not."""
    recording, spans, remaining = played([(240.0, 900.0), (300.0, 420.0), (240.0, 420.0), (300.0, 120.0)],
                                         resolution=resolution)
    windows = windows_of(recording, spans)
    assert [abs(left) < 1.0 for left in remaining] == [True, True, True, False]
    assert [window.settled for window in windows] == [True, True, True, False]
    for window, left in zip(windows, remaining, strict=True):
        assert window.settling[0].remaining >= abs(left) - 0.1


def test_no_unsettled_step_is_called_settled():
    """Random benches of two or three parts, steps of random length, sensors of any step: never one with over 1 K to go."""
    generator = np.random.default_rng(20)
    unsettled = seen = settled = 0
    for number in range(40):
        gains = ((0.03, 3.0), (generator.uniform(0.02, 0.1), generator.uniform(15.0, 60.0)),
                 (generator.uniform(0.03, 0.15), generator.uniform(60.0, 300.0)))
        levels = [(generator.uniform(150.0, 350.0), float(generator.integers(80, 600))) for _ in range(3)]
        recording, spans, remaining = played(levels, resolution=float(generator.choice([0.0, 0.1, 1.0])), gains=gains,
                                             seed=number)
        for window, left in zip(windows_of(recording, spans), remaining, strict=True):
            assert not (window.settled and abs(left) > 1.0), f"bench {number}, {window.step}: {left:.2f} K to come"
            unsettled += abs(left) > 1.0
            settled += abs(left) < 0.5
            seen += window.settled and abs(left) < 0.5
    assert unsettled > 40
    assert seen > 0.7 * settled


def test_other_cooling_has_constants_of_its_own():
    """Slower fans stretch the slowest part to 400 s in the last step; told of it, nothing is taken over from before."""
    levels = [(240.0, 600.0), (240.0, 420.0), (300.0, 300.0)]
    recording, spans, _ = played(levels)
    slow, _, left = played(levels, gains=((0.05, 4.0), (0.1, 60.0), (0.05, 400.0)))
    trace, after = recording.traces["regulator_temperature"], slow.traces["regulator_temperature"]
    later = trace.end_s >= spans[2].start_s
    jump = after.value[later][0] - trace.value[later][0]
    joined = np.where(later, after.value - jump, trace.value)
    trace = AlignedTrace("regulator_temperature", "degC", "host", "host", trace.start_s, trace.end_s, joined, 1.0, 0.001)
    mixed = Recording("meter", "", {**recording.traces, "regulator_temperature": trace}, (), ())
    windows = windows_of(mixed, spans, {"step 2": {"fan_duty": 0.3}})
    assert left[2] > 1.0
    assert [window.settled for window in windows] == [True, True, False]
    assert windows[2].settling[0].time_constant > windows[0].settling[0].time_constant


def test_a_drift_of_the_room_is_not_what_remains():
    """1 K in 25 min: every temperature climbs with it for ever, and the steps are settled all the same."""
    recording, spans, remaining = played([(240.0, 900.0), (300.0, 500.0)], room=lambda t: t / 1500.0)
    windows = windows_of(recording, spans)
    assert max(abs(left) for left in remaining) < 0.5
    assert all(window.settled for window in windows)


def test_without_any_power_the_steps_themselves_are_the_load():
    recording, spans, _ = played([(240.0, 900.0), (240.0, 80.0)])
    bare = Recording("host", "", {"regulator_temperature": recording.traces["regulator_temperature"]}, (), ())
    windows = windows_of(bare, spans)
    assert windows[0].settled and not windows[1].settled


def test_where_a_step_would_settle():
    """The last step is stopped 2 K short, after 3.1 of its longest constants: its end is foretold for its own load."""
    held = given = 0
    for seed in range(20):
        recording, spans, left = played([(240.0, 900.0), (240.0, 300.0), (400.0, 470.0)], seed=seed,
                                        gains=((0.05, 4.0), (0.1, 60.0), (0.3, 150.0)))
        window = windows_of(recording, spans)[2]
        item = window.settling[0]
        assert left[2] > 1.0
        if item.extrapolated is not None:
            given += 1
            power = recording.traces["input_power"]
            inside = (power.start_s >= window.start_s) & (power.end_s <= window.end_s)
            held += abs(item.extrapolated - (24.0 + 0.45 * power.value[inside].mean())) <= 1.96 * item.extrapolated_u
    assert given >= 10
    assert held >= 0.9 * given
