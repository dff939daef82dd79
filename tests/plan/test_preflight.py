"""Whether to go: the case everybody knows, what speaks against a step, when it must end, what it brings along."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.bench import Board, Campaign, Copper, Instrument, Step
from phasewright.model import predict
from phasewright.plan import READINESS, Workload, matrix, preflight
from phasewright.plan.chances import NODES, chance_to_trip

HEAVY = {"phase_count": 3, "rail_current": 180.0}


def rank(readiness) -> int:
    return READINESS.index(readiness.verdict)


def only(readiness):
    assert len(readiness.steps) == 1
    return readiness.steps[0].forecast


def silent(bench, **protection):
    """The bench with no threshold but those given."""
    none = dict.fromkeys(("phase_current", "total_current", "temperature_warning", "temperature_trip"))
    usual = replace(bench.regulator.protection, **{**none, **protection})
    return replace(bench, regulator=replace(bench.regulator, protection=usual))


def test_180_A_trips_three_phases_protected_at_52_A_each(bench):
    """Common practice, no source: 3 x 52 A = 156 A in total is less than the 180 A asked for."""
    found = preflight(bench, {**HEAVY, "protection_phase_current": 52.0})
    assert found.verdict == "no-go"
    assert only(found).chance_to_trip > 0.999
    reason = only(found).reasons[0]
    for number in ("180", "3 phases", "60.0", "52 A a phase", "156 A in total"):
        assert number in reason, number
    assert "no-go" in found.sentence


def test_enough_phases_carry_the_same_load(bench):
    found = preflight(bench, {**HEAVY, "phase_count": 8, "protection_phase_current": 52.0})
    assert (found.verdict, only(found).chance_to_trip) == ("go", 0.0)


def test_chance_is_a_half_where_the_threshold_is_the_median_of_the_peak(bench, fitted):
    """Against the quantiles of the model's own peak current."""
    free = silent(bench)
    peak = predict(replace(fitted, bench=free), HEAVY, draws=20000, level=0.5, generator=np.random.default_rng(7))
    low, high = peak.intervals["phase_current_peak"]
    for threshold, chance in ((low, 0.75), (high, 0.25)):
        guarded = replace(fitted, bench=silent(bench, phase_current=float(threshold)))
        assert chance_to_trip(guarded, HEAVY, tolerance=0.0, seed=3) == pytest.approx(chance, abs=0.04)


def test_nodes_are_gauss_legendre():
    """numpy.polynomial.legendre.leggauss; weights of a mean over -1 to 1 are halved."""
    points, weights = np.polynomial.legendre.leggauss(3)
    assert np.allclose([node for node, _ in NODES], points)
    assert np.allclose([weight for _, weight in NODES], weights / 2)


def test_threshold_error_is_averaged_over_its_bound(bench, fitted):
    """Three Gauss-Legendre nodes against a fine midpoint sum over thresholds that err by up to 10 %."""

    def chance(threshold: float, tolerance: float) -> float:
        guarded = replace(fitted, bench=silent(bench, phase_current=threshold))
        return chance_to_trip(guarded, HEAVY, tolerance=tolerance, seed=3)

    threshold = predict(replace(fitted, bench=silent(bench)), HEAVY).quantities["phase_current_peak"].value * 1.08
    fine = np.mean([chance(threshold * (1.0 + 0.1 * x), 0.0) for x in (np.arange(16) + 0.5) / 8.0 - 1.0])
    assert chance(threshold, 0.1) == pytest.approx(fine, abs=0.02)
    assert chance(threshold, 0.1) > chance(threshold, 0.0) + 0.02


thresholds = st.fixed_dictionaries(
    {},
    optional={
        "phase_current": st.floats(20.0, 119.0),
        "total_current": st.floats(60.0, 1000.0),
        "temperature_warning": st.floats(45.0, 149.0),
        "temperature_trip": st.floats(45.0, 149.0),
    },
)


@settings(max_examples=12, deadline=None)
@given(few=thresholds, more=thresholds, phases=st.integers(2, 10), power=st.floats(80.0, 320.0))
def test_a_further_protection_never_makes_it_milder(bench, fitted, few, more, phases, power):
    setting = {"phase_count": phases, "package_power": power}
    before, after = (preflight(silent(bench, **found), setting, fitted=fitted) for found in (few, {**more, **few}))
    assert rank(after) >= rank(before)
    assert (only(after).chance_to_trip or 0.0) >= (only(before).chance_to_trip or 0.0)


@pytest.mark.parametrize("phases", [4, 3, 2])
def test_a_lower_threshold_never_makes_it_milder(bench, phases):
    ranks = [
        rank(preflight(bench, {"phase_count": phases, "package_power": 210.0, "protection_phase_current": value}))
        for value in (98.0, 70.0, 50.0)
    ]
    assert ranks == sorted(ranks)


def test_beyond_an_absolute_maximum_is_refused_with_the_mend(bench):
    found = only(preflight(bench, {**HEAVY, "protection_phase_current": 130.0}))
    assert found.verdict == "no-go"
    assert found.prediction is None
    assert "absolute maximum" in found.reasons[0]
    assert "120 A or less" in found.reasons[0]


def test_a_protection_raised_above_the_bench_needs_care(bench):
    found = preflight(bench, {"phase_count": 8, "rail_current": 150.0, "protection_phase_current": 110.0})
    assert found.verdict == "go with care"
    assert "raised from 98 to 110 A" in only(found).reasons[0]
    assert "protection" in {item.topic for item in found.cautions}


def test_no_load_cannot_be_judged(bench):
    found = preflight(bench, {"phase_count": 4, "load": "all cores"})
    assert found.verdict == "no-go"
    assert "add package_power" in only(found).reasons[0]


def test_impossible_numbers_are_told_not_raised(bench):
    for setting in (
        {"phase_count": 40, "rail_current": 50.0},
        {"phase_count": float("nan"), "rail_current": 50.0},
        {"phase_count": 4, "rail_current": -3.0},
        {"phase_count": 2.5, "rail_current": 90.0},
    ):
        assert preflight(bench, setting).verdict == "no-go"
    with pytest.raises(ValueError, match="tolerance = 0.7"):
        preflight(bench, HEAVY, tolerance=0.7)


def test_heat_that_is_hardly_known_needs_care_though_the_model_would_refuse(bench, blind):
    from phasewright.bench import NotReady

    setting = {"phase_count": 10, "package_power": 150.0}
    with pytest.raises(NotReady):
        predict(blind, setting)
    found = only(preflight(bench, setting, fitted=blind))
    assert found.undecided
    assert found.verdict != "go"
    assert any("cannot say how hot" in reason for reason in found.reasons)
    assert found.quantities["regulator_temperature"].high95 > 80.0
    assert not only(preflight(bench, setting)).undecided


def test_where_only_heat_speaks_against_every_step_the_mildest_may_be_tried(bench, blind):
    """Something has to be measured first, or nothing ever could be."""
    stage = replace(bench.regulator.stage, temperature_limit=70.0)
    tender = silent(replace(bench, regulator=replace(bench.regulator, stage=stage)), phase_current=98.0)
    steps = [{"phase_count": n, "package_power": 200.0} for n in (10, 5)]
    found = preflight(tender, steps, fitted=blind)
    assert [item.forecast.verdict for item in found.steps] == ["go with care", "no-go"]
    assert "may be tried first" in found.steps[0].forecast.reasons[-1]
    heavy = preflight(tender, [{"phase_count": 3, "package_power": 250.0}], fitted=blind)
    assert heavy.verdict == "no-go"  # currents are near their limits as well


def test_heat_near_an_absolute_maximum_needs_care_and_beyond_is_a_no_go(bench, fitted):
    hot = predict(fitted, {"phase_count": 4, "package_power": 250.0}).quantities["regulator_temperature"]
    verdicts = {}
    for limit in (hot.high95 - 3.0, hot.value - 2.0):
        stage = replace(bench.regulator.stage, temperature_limit=limit)
        tight = silent(replace(bench, regulator=replace(bench.regulator, stage=stage)), phase_current=98.0)
        verdicts[limit] = preflight(tight, {"phase_count": 4, "package_power": 250.0}).verdict
    assert list(verdicts.values()) == ["go with care", "no-go"]


def test_a_campaign_is_judged_step_by_step(bench):
    steps = (Step("all", {"package_power": 200.0}), Step("two", {"phase_count": 2, "package_power": 300.0}))
    found = preflight(bench, Campaign("demo", (), steps, settle_bound=2.0))
    assert [item.name for item in found.steps] == ["all", "two"]
    assert found.steps[0].forecast.phase_count == bench.regulator.phase_count
    assert [item.forecast.verdict for item in found.steps] == ["go", "no-go"]
    assert found.sentence == "Of 2 steps, 1 go (all), 1 no-go (two)."
    assert not found.measured


def test_generator_changes_draws_and_seed_repeats_them(bench):
    setting = {"phase_count": 3, "package_power": 270.0}
    same = [only(preflight(bench, setting)).chance_to_trip for _ in range(2)]
    other = only(preflight(bench, setting, generator=np.random.default_rng(1))).chance_to_trip
    assert same[0] == same[1]
    assert other != same[0]
    assert other == pytest.approx(same[0], abs=0.05)


def stops(readiness) -> dict[tuple[str, str, str], float]:
    return {(item.channel, item.unit, item.action): item.threshold for item in only(readiness).stops}


def test_stop_conditions_stand_before_every_limit(bench):
    found = stops(preflight(bench, {"phase_count": 4, "package_power": 200.0}))
    assert found["regulator_temperature", "degC", "stop"] == 110.0  # 5 K below the warning at 115 degC
    assert found["regulator_temperature", "degC", "hold"] < 110.0
    assert found["coolant_temperature", "degC", "stop"] == 50.0
    assert found["input_power", "W", "stop"] == pytest.approx(8 * 8.0 * 12.0)
    # Stage rating 80 A: the mean of the fullest of 4 phases, 8 % above the others.
    assert found["rail_current", "A", "stop"] == pytest.approx(4 * 80.0 / 1.08)
    assert found["error_count", "1", "stop"] == 1.0


def test_stale_readings_stop_after_three_periods_or_two_seconds(bench):
    from phasewright.live.virtual.demo import host_log, power_meter

    def instrument(item):
        return Instrument(item.name, period=item.period, accuracy=item.accuracy)

    seen = replace(bench, instruments=(instrument(power_meter()), instrument(host_log(period=5.0))))
    found = stops(preflight(seen, {"phase_count": 8, "package_power": 200.0}))
    assert found["input_power", "s", "stop"] == 2.0
    assert found["regulator_temperature", "s", "stop"] == 15.0
    assert ("coolant_temperature", "s", "stop") not in found  # nobody measures it on this bench


def topics(readiness) -> set[str]:
    return {item.topic for item in readiness.cautions}


MILD = {"phase_count": 10, "rail_current": 12.0, "coolant_temperature": 26.0}


def test_cautions_stand_only_where_they_apply(bench):
    air = replace(bench, cooling=replace(bench.cooling, coolant="air", fan_map=()))
    assert topics(preflight(air, MILD)) == set()
    heavy = {**MILD, "rail_current": 230.0}
    assert topics(preflight(air, heavy)) == {"hot", "current"}
    # About 3 A a contact: near what a weak one bears, far from what a common one does.
    weak = tuple(replace(item, contact_rating=4.0) for item in air.board.connectors)
    assert topics(preflight(replace(air, board=replace(air.board, connectors=weak)), heavy)) == {"hot", "current", "connectors"}
    for width, expected in ((0.3, set()), (0.03, {"connectors"}), (0.001, {"connectors"})):
        run = Copper("output plane", "rail_current", width, 70e-6, "outer", 2, 20.0)
        found = preflight(replace(air, board=replace(air.board, copper=(run,))), heavy)
        assert topics(found) - {"hot", "current"} == expected
        assert all("output plane" in item.why for item in found.cautions if item.topic == "connectors")
    assert topics(preflight(air, {**MILD, "fan_duty": 0.3})) == {"unattended"}
    assert topics(preflight(bench, MILD)) == {"liquid", "unattended"}
    assert topics(preflight(bench, {**MILD, "coolant_temperature": 15.0})) == {"liquid", "unattended", "condensation"}
    dry = {**MILD, "coolant_temperature": 15.0, "ambient_temperature": 14.0}
    assert topics(preflight(bench, dry)) == {"liquid", "unattended"}
    scope = replace(air, instruments=(Instrument("oscilloscope"),))
    assert topics(preflight(scope, MILD)) == {"probe"}
    assert topics(preflight(replace(air, board=Board("plain")), MILD)) == {"connectors"}
    assert "unstable" in topics(preflight(bench, {"phase_count": 3, "rail_current": 230.0}))


def test_hot_is_amber_from_48_and_red_from_60(bench):
    grades = {}
    for power in (150.0, 250.0):
        found = preflight(bench, {"phase_count": 8, "package_power": power, "coolant_temperature": 30.0})
        top = only(found).quantities["regulator_temperature"].high95
        grades[top] = next((item.grade for item in found.cautions if item.topic == "hot"), "")
    for top, grade in grades.items():
        assert grade == ("red" if top >= 60.0 else "amber" if top >= 48.0 else "")
    assert len(set(grades.values())) == 2


def test_what_is_missing_is_said_with_the_line_to_add(bench):
    bare = silent(bench)
    bare = replace(
        bare,
        regulator=replace(
            bare.regulator, stage=replace(bare.regulator.stage, temperature_limit=None), sharing_error=None
        ),
    )
    found = preflight(bare, {"phase_count": 8, "package_power": 200.0})
    assert found.verdict == "go with care"  # nothing to hold the heat against
    assert only(found).chance_to_trip is None
    assert "the chance to trip is not known" in only(found).reasons[-1]
    mends = " ".join(item.mend for item in found.missing)
    for key in ("phase_current", "temperature_trip", "temperature_limit", "sharing_error", "coolant_temperature"):
        assert f"{key} = " in mends
    whole = preflight(bench, {"phase_count": 8, "package_power": 200.0, "coolant_temperature": 32.0})
    assert whole.missing == ()


def test_matrix_makes_each_combination_once(bench):
    loads = (Workload("scalar", 210.0), Workload("vector", rail_current=240.0))
    steps = matrix(bench, (8, 4, 4), loads, (None, 35.0), settings={"fan_duty": 0.5})
    assert len(steps) == len({step.name for step in steps}) == 8
    assert steps[2].name == "8 phases, 210 W, coolant 35 °C"
    assert dict(steps[0].settings) == {
        "fan_duty": 0.5,
        "phase_count": 8,
        "load": "scalar",
        "package_power": 210.0,
    }
    twins = matrix(bench, (8,), (Workload("a", 210.0), Workload("b", 210.0), Workload("b", 210.0)))
    assert [step.name for step in twins] == ["8 phases, 210 W, a", "8 phases, 210 W, b (1)", "8 phases, 210 W, b (2)"]
    with pytest.raises(ValueError, match="10 phases are fitted"):
        matrix(bench, (12,), loads)
    with pytest.raises(ValueError, match="nothing is wanted"):
        matrix(bench, (), loads)
    with pytest.raises(ValueError, match="states no load"):
        Workload("idle")


def test_every_step_knows_where_its_thresholds_may_lie(bench):
    """The band of a step is that of protection_band for its setting; the text says where what is set lies outside."""
    from phasewright.plan import Workload, protection_band
    from phasewright.report import preflight_text

    found = preflight(bench, [{"phase_count": 6, "rail_current": 180.0}, HEAVY])
    for item, count in zip(found.steps, (6, 3), strict=True):
        asked = protection_band(bench, {"phase_count": count}, Workload(rail_current=180.0))
        assert [band.name for band in item.bands] == [band.name for band in asked]
        for ours, theirs in zip(item.bands, asked, strict=True):
            assert (ours.low, ours.high, ours.threshold) == pytest.approx((theirs.low, theirs.high, theirs.threshold))
    text = preflight_text(found)
    assert "Where thresholds may lie" in text
    assert all(len(line) <= 80 for line in text.splitlines())
