"""Do the 95 % intervals hold the truth? Recordings by hand with errors drawn as the instruments state them."""

import math

import numpy as np
import pytest

TRIALS = 100


def wander(generator, count, sigma, lag1):
    """Return correlated noise (count,) of standard deviation `sigma` and lag-1 correlation `lag1`."""
    white = generator.standard_normal(count) * sigma * math.sqrt(1.0 - lag1**2)
    out = np.empty(count)
    out[0] = sigma * generator.standard_normal()
    for index in range(1, count):
        out[index] = lag1 * out[index - 1] + white[index]
    return out


def drawn(hand, generator):
    """Return (analysis, true levels) of two steps whose instruments err as they state, under a load that wanders."""
    limit = lambda bound: generator.uniform(-bound, bound)  # noqa: E731
    input_gain, input_offset = limit(0.005), limit(0.2)
    package_gain, package_offset = 0.02 * generator.standard_normal(), generator.standard_normal()
    sensor = limit(1.0)
    truth, steps = [], []
    for name, count, power, package, heat in (("12", 12, 300.0, 250.0, 70.0), ("6", 6, 318.0, 251.0, 88.0)):
        load = wander(generator, 300, 2.0, 0.9)

        def played(level, gain, offset, share, load=load):
            def readings(t, _):
                index = np.minimum(t.astype(int), len(load) - 1)
                return (level + share * load[index]) * (1.0 + gain) + offset

            return readings

        shape = {
            "input_power": played(power, input_gain, input_offset, 1.15),
            "package_power": played(package, package_gain, package_offset, 1.0),
            "regulator_temperature": played(heat, 0.0, sensor, 0.05),
        }
        levels = {"input_power": power, "package_power": package, "regulator_temperature": heat}
        steps.append(
            hand.Played(
                name, {"phase_count": count, "load": "x"}, levels, length=300.0, baseline=count == 12, shape=shape
            )
        )
        truth.append({**levels, "loss": power - package, "delivery_efficiency": package / power})
    return hand.analyzed(*steps, generator=generator), truth


@pytest.fixture(scope="module")
def trial(hand):
    generator = np.random.default_rng(20260105)
    held: dict[str, list[bool]] = {}
    widths: dict[str, list[float]] = {}
    for _ in range(TRIALS):
        analysis, truth = drawn(hand, generator)
        for finding, true in zip(analysis.steps, truth, strict=True):
            for name, level in true.items():
                value = finding.quantities[name]
                held.setdefault(name, []).append(value.low95 <= level <= value.high95)
        found = analysis.comparisons[0]
        for name in ("input_power", "loss", "delivery_efficiency", "regulator_temperature"):
            value = found.differences[name]
            held.setdefault(f"difference of {name}", []).append(
                value.low95 <= truth[1][name] - truth[0][name] <= value.high95
            )
            widths.setdefault(name, []).append(value.u / analysis.steps[0].quantities[name].u)
    return held, widths


def test_intervals_hold_the_truth_as_often_as_they_say(trial):
    """95 % within what this many trials can tell (three standard deviations); not always, for that says too little."""
    held, _ = trial
    for name, hits in held.items():
        share, spread = np.mean(hits), math.sqrt(0.95 * 0.05 / TRIALS)
        assert share >= 0.95 - 3.0 * spread, f"{name} held in {share:.1%}"
        if name.startswith("difference of loss") or name in ("loss", "delivery_efficiency", "package_power"):
            assert share <= 0.995, f"{name} held in {share:.1%}: intervals are too wide"


def test_differences_are_far_tighter_than_the_figures(trial):
    """The shared gain and offset cancel, and a wander that both sides saw does too."""
    _, widths = trial
    assert np.median(widths["loss"]) < 0.15
    assert np.median(widths["delivery_efficiency"]) < 0.15
    assert np.median(widths["regulator_temperature"]) < 0.5
