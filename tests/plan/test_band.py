"""Where a protection's threshold may lie, against published ripple figures and the chance to trip."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.bench import BenchFault
from phasewright.plan import Workload, protection_band
from phasewright.plan.chances import chance_to_trip
from phasewright.plan.currents import phases_of


def of_regulator(bench, supply=12.0, **changes):
    inductance = changes.pop("inductance", bench.regulator.inductor.inductance)
    inductor = replace(bench.regulator.inductor, inductance=inductance)
    regulator = replace(bench.regulator, inductor=inductor, **changes)
    return replace(bench, board=replace(bench.board, input_voltage=supply), regulator=regulator)


def test_inductor_peak_of_slus930b_p_52_eq_39(bench):
    """TPS40400 data sheet SLUS930B, p. 52, Eq. 37-39: 14 to 1.2 V, 750 nH, 300 kHz, 20 A: peak 22.44 A."""
    one = of_regulator(bench, 14.0, inductance=750e-9, switching_frequency=300e3, rail_voltage=1.2, sharing_error=0.0)
    phases = phases_of(one, {"phase_count": 1})
    assert phases.ripple == pytest.approx(4.88, abs=0.005)
    assert phases.peak(20.0) == pytest.approx(22.44, abs=0.005)
    assert phases.rail_current_at(22.44) == pytest.approx(20.0, abs=0.005)


@pytest.mark.parametrize(
    ("count", "total"),
    [(1, 12.2727), (2, 10.9091), (3, 9.5455), (4, 8.1818), (6, 5.4545), (8, 2.7273), (10, 0.0), (12, 1.8182)],
)
def test_total_ripple_of_isl6316_p_12_eq_2(bench, count, total):
    """Data sheet ISL6316, p. 12, Eq. 1-2 (D below 1/N), and the closed form beyond: 12 to 1.2 V, 0.22 uH, 400 kHz."""
    many = of_regulator(bench, inductance=0.22e-6, switching_frequency=400e3, rail_voltage=1.2)
    phases = phases_of(many, {"phase_count": count})
    assert phases.ripple == pytest.approx(12.2727, abs=1e-3)
    assert phases.total_ripple == pytest.approx(total, abs=1e-3)


def bands(bench, phases, current, **options):
    found = protection_band(bench, {"phase_count": phases}, Workload(rail_current=current), **options)
    return {item.name: item for item in found}


def test_band_of_a_phase_by_hand(bench, fitted):
    """180 A on 4 phases: (peak / 4 x 1.08 + half the ripple) / 0.95 up to (110 A - half the ripple) / 1.05."""
    from phasewright.model import predict

    peak = predict(fitted, {"phase_count": 4, "rail_current": 180.0}).quantities["rail_current_peak"].high95
    half = 0.5 * 1.22 * (1 - 1.22 / 12.0) / (150e-9 * 550e3)
    found = bands(bench, 4, 180.0)["phase_current"]
    assert found.low == pytest.approx((peak / 4 * 1.08 + half) / 0.95)
    assert found.high == pytest.approx((110.0 - half) / 1.05)
    assert found.rated == pytest.approx(80.0 / 1.05)
    assert not found.empty
    assert "98 A: inside" in found.sentence


def test_an_empty_band_says_what_would_open_it(bench):
    found = bands(bench, 3, 300.0)["phase_current"]
    assert found.empty
    more, less, parts = found.opens
    count = int(more.split()[0])
    assert not bands(bench, count, 300.0)["phase_current"].empty
    assert bands(bench, count - 1, 300.0)["phase_current"].empty
    assert "a load below" in less
    assert "bear more than" in parts
    assert found.sentence.startswith("No threshold for phase current fits")
    # The load that it names, at its peak, is where the band closes.
    closing = float(less.split()[3])
    asked = bands(bench, 3, 300.0)
    peak = float(asked["phase_current"].reasons[0].split(" itself may trip it: ")[1].split(" A")[0])
    assert bands(bench, 3, 300.0 * 0.97 * closing / peak)["phase_current"].empty is False
    assert bands(bench, 3, 300.0 * 1.03 * closing / peak)["phase_current"].empty is True


@settings(max_examples=15, deadline=None)
@given(phases=st.integers(1, 10), low=st.floats(20.0, 300.0), more=st.floats(1.0, 150.0), tolerance=st.floats(0.0, 0.2))
def test_lower_end_rises_with_the_load_and_no_end_passes_an_absolute_maximum(
    bench, fitted, phases, low, more, tolerance
):
    mild = bands(bench, phases, low, fitted=fitted, tolerance=tolerance)
    hard = bands(bench, phases, low + more, fitted=fitted, tolerance=tolerance)
    for name in ("phase_current", "total_current"):
        assert hard[name].low > mild[name].low
        assert hard[name].high == mild[name].high
    stage = bench.regulator.stage
    for found in (mild, hard):
        assert found["phase_current"].high <= min(stage.peak_current_rating, 110.0)
        assert found["total_current"].high <= phases * min(stage.peak_current_rating, 110.0)
        assert found["temperature_trip"].high <= stage.temperature_limit
        assert found["phase_current"].rated <= found["phase_current"].high


@settings(max_examples=8, deadline=None)
@given(st.floats(10.0, 200.0), st.floats(10.0, 200.0))
def test_upper_end_follows_the_lesser_of_stage_and_inductor(bench, fitted, stage, inductor):
    regulator = bench.regulator
    other = replace(
        bench,
        regulator=replace(
            regulator,
            stage=replace(regulator.stage, peak_current_rating=stage),
            inductor=replace(regulator.inductor, saturation_current=inductor),
        ),
    )
    found = bands(other, 8, 100.0, fitted=fitted)["phase_current"]
    assert found.high <= min(stage, inductor)
    assert found.low >= 0.0


def test_a_threshold_inside_the_band_does_not_trip(bench, fitted):
    """The lower end against the model's own chance to trip, with the protections of the bench out of the way."""
    found = bands(bench, 5, 220.0)
    free = replace(bench.regulator.protection, phase_current=None, total_current=None, temperature_trip=None)
    for name in ("phase_current", "total_current"):
        for share, most in ((0.0, 0.025), (0.5, 0.01)):
            set_to = found[name].low + share * (found[name].high - found[name].low)
            guarded = replace(bench, regulator=replace(bench.regulator, protection=replace(free, **{name: set_to})))
            chance = chance_to_trip(
                replace(fitted, bench=guarded), {"phase_count": 5, "rail_current": 220.0}, tolerance=0.05, seed=1
            )
            assert chance <= most


def test_two_stages_a_phase_bear_twice_as_much(bench):
    double = of_regulator(bench, stages_per_phase=2, inductance=150e-9)
    double = replace(
        double,
        regulator=replace(double.regulator, inductor=replace(double.regulator.inductor, saturation_current=None)),
    )
    assert bands(double, 4, 180.0)["phase_current"].high > 1.8 * 120.0 / 1.05


def test_unknown_ends_are_said(bench):
    regulator = replace(
        bench.regulator,
        stage=replace(bench.regulator.stage, peak_current_rating=None, temperature_limit=None, current_rating=None),
        inductor=replace(bench.regulator.inductor, saturation_current=None, current_rating=None),
    )
    found = bands(replace(bench, regulator=regulator), 4, 180.0)
    assert [item.high for item in found.values()] == [None, None, None]
    assert 'peak_current_rating = "90 A"' in " ".join(found["phase_current"].reasons)
    assert found["phase_current"].rated is None
    assert not found["phase_current"].empty


def test_heat_that_is_hardly_known_only_moves_the_band_of_temperature(bench, fitted, blind):
    known, wide = bands(bench, 4, 180.0, fitted=fitted), bands(bench, 4, 180.0, fitted=blind)
    assert wide["phase_current"].low == pytest.approx(known["phase_current"].low)
    assert wide["temperature_trip"].low > known["temperature_trip"].low + 30.0


def test_a_setting_beyond_the_bench_is_refused(bench):
    with pytest.raises(BenchFault, match="10 phases are fitted"):
        bands(bench, 11, 100.0)
