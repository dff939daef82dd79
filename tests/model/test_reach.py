"""Where loss goes, how far up and how few, what to measure next, many settings at once."""

import math
from dataclasses import replace

import numpy as np
import pytest

from phasewright.model import fewest_phases, headroom, loss_split, next_step, predict, predict_many
from phasewright.model.formula import settle
from phasewright.model.lessons import READING
from phasewright.model.spreading import moved_scores, spread_of

SETTING = {"phase_count": 5, "package_power": 230.0, "coolant_temperature": 34.0}


# ---- where loss goes -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("setting", [SETTING, SETTING | {"phase_count": 9}, SETTING | {"switching_frequency": 3e5}])
def test_loss_by_cause_adds_up_to_what_is_predicted(untouched, setting):
    split, found = loss_split(untouched, setting), predict(untouched, setting).quantities
    own = found["conversion_loss"].value
    assert sum(value.value for name, value in split.parts.items() if name != "cables") == pytest.approx(own, rel=1e-12)
    assert split.parts["cables"].value == pytest.approx(found["path_loss"].value, rel=1e-12)
    assert sum(value.value for value in split.causes.values()) == pytest.approx(split.whole.value, rel=1e-12)
    assert split.whole.value == pytest.approx(own + found["path_loss"].value, rel=1e-12)


def test_uncertainty_of_a_cause_is_at_least_that_of_its_part(untouched):
    """What a cause is not known to is what its part data are not, and some more: current, temperature, other causes."""
    from phasewright.model.causes import causes_of

    split = loss_split(untouched, {"phase_count": 5, "rail_current": 190.0, "coolant_temperature": 34.0})
    causes, _ = causes_of(untouched.bench)
    for name in ("high side", "low side", "overlap", "gate", "core"):
        cause = next(item for item in causes if item.name == name)
        value = split.causes[name]
        assert 0.85 * cause.spread < value.u / value.value < 1.7 * cause.spread, name
    # What cannot be told apart within a term cancels in its sum.
    parts = [value.u for value in split.causes.values()]
    assert split.whole.u < math.sqrt(sum(u * u for u in parts)) * 1.3


def test_runaway_leaves_no_split(untouched):
    split = loss_split(untouched, {"phase_count": 1, "rail_current": 600.0, "coolant_temperature": 60.0})
    assert split.whole.reason and math.isnan(split.whole.value)


# ---- how far up and how few ------------------------------------------------------------------------------------------


def test_a_ceiling_holds_and_a_little_more_does_not(untouched):
    (ceiling,) = headroom(untouched, SETTING, (34.0,), counts=(4,))
    load = ceiling.prediction.setting.package_power
    ends = next(item for item in ceiling.prediction.margins if item.limit.name == ceiling.ends)
    assert ends.margin.value - 1.645 * ends.margin.u > 0.0
    more = predict(untouched, SETTING | {"phase_count": 4, "package_power": 1.03 * load})
    past = next(item for item in more.margins if item.limit.name == ceiling.ends)
    assert past.margin.value - 1.645 * past.margin.u < 0.0


def test_more_phases_bear_no_less_and_warmer_coolant_no_more(untouched):
    found = headroom(untouched, SETTING, (25.0, 45.0), counts=(3, 5, 8))
    loads = {(item.coolant, item.count): item.prediction.quantities["rail_current"].value for item in found}
    for coolant in (25.0, 45.0):
        assert loads[coolant, 3] <= 1.02 * loads[coolant, 5] <= 1.04 * loads[coolant, 8]
    assert all(loads[45.0, count] <= 1.02 * loads[25.0, count] for count in (3, 5, 8))


def test_voltage_headroom_ends_where_a_limit_does(untouched):
    (ceiling,) = headroom(untouched, SETTING, (34.0,), counts=(5,), voltage=True)
    now = predict(untouched, SETTING).quantities
    volts, amperes = now["rail_voltage"].value, now["rail_current"].value
    factor = 1.0 + ceiling.voltage_headroom / volts
    assert factor > 1.05
    past = {"phase_count": 5, "coolant_temperature": 34.0, "rail_current": 1.04 * factor * amperes,
            "rail_voltage": 1.04 * factor * volts}  # fmt: skip
    assert predict(untouched, past).probability < 0.95


def test_fewest_phases_hold_and_one_fewer_does_not(untouched):
    (found,) = fewest_phases(untouched, SETTING, (34.0,))
    assert found.prediction.probability >= 0.95
    fewer = predict(untouched, SETTING | {"phase_count": found.count - 1})
    assert fewer.probability < 0.95


def test_what_the_bench_forbids_is_collected(untouched):
    refused = {}
    (found,) = fewest_phases(untouched, SETTING | {"protection_temperature_trip": 400.0}, refused=refused)
    assert found.count is None or found.prediction is not None
    (none,) = fewest_phases(untouched, SETTING | {"package_power": 4000.0}, refused=refused)
    assert none.count is None


def test_heat_runs_away_at_the_runaway_current(untouched):
    """`runaway_current` is where the loop gain is 1: a hundredth below it settles, a hundredth above does not."""
    found = predict(untouched, SETTING, refuse=False).quantities
    spread = spread_of(untouched, predict(untouched, SETTING).setting)
    assert found["runaway_current"].value == pytest.approx(spread.point["runaway_current"])
    from phasewright.model.fitting import values_at
    from phasewright.model.formula import excess_of, load_from_current

    p = values_at(untouched.prior, untouched.score)
    excess = excess_of(p, 5.0, untouched.bench.regulator.phase_count, 0.0)
    limit = found["runaway_current"].value
    below, above = (settle(p, 5, load_from_current(p, share * limit, 1.0), 34.0, excess) for share in (0.99, 1.01))
    assert np.isfinite(below.temperature) and np.isinf(above.temperature)


# ---- what to measure next --------------------------------------------------------------------------------------------


def test_lessons_against_the_information_form(untouched):
    """Rasmussen and Williams, Gaussian Processes for Machine Learning, Eq. 2.8-2.9: covariance (X X'/s2 + S^-1)^-1."""
    settings = [SETTING | {"phase_count": n} for n in (9, 6, 4)]
    target = SETTING | {"phase_count": 3}
    lessons = {item.setting.phase_count: item for item in next_step(untouched, settings, [target])}

    def row(setting):
        spread = spread_of(untouched, predict(untouched, setting, refuse=False).setting)
        moved, _, own = moved_scores(untouched, predict(untouched, setting, refuse=False).setting)
        kept = len(untouched.score)
        slope = spread.slopes[spread.names.index("regulator_temperature")]
        return slope[:kept], slope[kept] if own == kept else 0.0

    x, own = row(target)
    for setting in settings:
        slope, alone = row(setting)
        after = np.linalg.inv(np.outer(slope, slope) / (alone**2 + READING**2) + np.linalg.inv(untouched.covariance))
        found = lessons[setting["phase_count"]]
        assert found.before == pytest.approx(math.sqrt(x @ untouched.covariance @ x + own**2), rel=1e-9)
        assert found.after == pytest.approx(math.sqrt(x @ after @ x + own**2), rel=1e-6)


def test_the_nearest_setting_teaches_most(untouched):
    settings = [SETTING | {"phase_count": n} for n in (9, 6, 4)]
    lessons = next_step(untouched, settings, [SETTING | {"phase_count": 3}])
    assert [item.setting.phase_count for item in lessons] == [4, 6, 9]
    assert all(item.after < item.before for item in lessons)


# ---- many at once ----------------------------------------------------------------------------------------------------


def test_many_settings_are_each_what_predict_says(untouched):
    generator = np.random.default_rng(5)
    count = generator.integers(2, 11, 40)
    current, coolant = generator.uniform(20.0, 200.0, 40), generator.uniform(20.0, 40.0, 40)
    by_current = predict_many(untouched, count, current, coolant_temperature=coolant)
    by_power = predict_many(untouched, count, package_power=current, coolant_temperature=coolant)
    for k in range(0, 40, 5):
        for many, load in ((by_current, "rail_current"), (by_power, "package_power")):
            setting = {"phase_count": int(count[k]), load: current[k], "coolant_temperature": coolant[k]}
            found = predict(untouched, setting, refuse=False).quantities
            for name in ("regulator_temperature", "conversion_loss", "input_power", "package_power", "loop_gain",
                         "delivery_efficiency"):  # fmt: skip
                assert getattr(many, name)[k] == pytest.approx(found[name].value, rel=1e-9), (name, load)


def test_many_settings_take_shapes_that_go_together(untouched):
    table = predict_many(untouched, np.arange(1, 11)[:, None], np.linspace(10.0, 900.0, 300), coolant_temperature=30.0)
    assert table.regulator_temperature.shape == (10, 300)
    assert np.isinf(table.regulator_temperature[0, -1]) and np.isinf(table.conversion_loss[0, -1])
    settled = np.isfinite(table.regulator_temperature)
    assert np.array_equal(settled, table.loop_gain < 1.0)
    alone = predict_many(untouched, np.arange(1, 11)[:, None], np.linspace(10.0, 900.0, 300),
                         coolant_temperature=30.0, workers=1)  # fmt: skip
    assert np.array_equal(alone.input_power, table.input_power, equal_nan=True)


def test_many_settings_refuse_what_is_not_fitted(untouched):
    with pytest.raises(ValueError, match="10 are fitted"):
        predict_many(untouched, 11, 100.0, coolant_temperature=30.0)
    with pytest.raises(ValueError, match="either is needed"):
        predict_many(untouched, 5, 100.0, package_power=100.0, coolant_temperature=30.0)


def test_a_phase_count_with_its_own_excess_is_taken_by_many(untouched):
    seen = replace(untouched, phase_counts=(5,), score=np.append(untouched.score, 1.5),
                   covariance=np.eye(len(untouched.score) + 1))  # fmt: skip
    many = predict_many(seen, 5, 150.0, coolant_temperature=30.0)
    one = predict(seen, {"phase_count": 5, "rail_current": 150.0, "coolant_temperature": 30.0}, refuse=False)
    assert float(many.regulator_temperature) == pytest.approx(one.quantities["regulator_temperature"].value, rel=1e-9)
    assert float(many.regulator_temperature) > float(
        predict_many(untouched, 5, 150.0, coolant_temperature=30.0).regulator_temperature
    )


def test_parts_of_a_known_sum_against_a_general_minimizer():
    """scipy.optimize.minimize: least sum of squared log departures over spreads, with the sum held."""
    from scipy.optimize import minimize

    from phasewright.model.splitting import _parted

    value, spread = np.array([0.5, 1.2, 0.3]), np.array([0.1, 0.25, 0.4])
    for whole in (1.8, 2.0, 2.3):
        best = minimize(lambda z: np.sum((z / spread) ** 2), np.zeros(3), method="SLSQP", tol=1e-12,
                        constraints={"type": "eq", "fun": lambda z, w=whole: np.sum(value * np.exp(z)) - w})  # fmt: skip
        ours = _parted(value, spread, np.array([whole]))[:, 0]
        assert ours.sum() == pytest.approx(whole, rel=1e-12)
        assert ours == pytest.approx(value * np.exp(best.x), rel=0.01)
