"""Every stated ceiling becomes a limit, against published sums where there are any."""

import dataclasses
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.bench import (
    CHANNELS,
    Bench,
    BenchFault,
    Board,
    CapacitorBank,
    Connector,
    Cooling,
    Inductor,
    Processor,
    Protection,
    Regulator,
    Stage,
    limits_of,
    read_bench,
)  # fmt: skip

FROZEN = Path(__file__).parents[1] / "frozen"


def make_bench(connectors=(), processor=None, cooling=None, **regulator):
    return Bench(
        name="b",
        board=Board(name="b", connectors=tuple(connectors)),
        regulator=Regulator(**{"name": "r", "phase_count": 10, **regulator}),
        processor=processor or Processor(),
        cooling=cooling or Cooling(),
        instruments=(),
    )


def values(limits, applies_to):
    return [item.value for item in limits if item.applies_to == applies_to]


def test_common_practice_phase_protection_of_52_A_on_8_phases_is_416_A():
    """common practice, no source: 52 A x 8 = 416 A, about 500 W of output at 1.2 V."""
    bench = make_bench(protection=Protection(phase_current=52.0))
    limits = limits_of(bench, {"phase_count": 8})
    assert values(limits, "phase_current") == [52.0]
    assert values(limits, "rail_current") == [416.0]
    assert values(limits, "rail_current")[0] * 1.2 == pytest.approx(500, rel=0.002)
    total = next(item for item in limits if item.applies_to == "rail_current")
    assert total.kind == "protection"
    assert "52 A a phase x 8 phases in use" in total.source


@pytest.mark.parametrize(
    ("contacts", "rating", "watts"),
    [
        # Upgrading and Repairing PCs, tables 18.14-18.15: two 12 V contacts at 8 / 11 / 12 A = 192 / 264 / 288 W
        (2, 8.0, 192.0), (2, 11.0, 264.0), (2, 12.0, 288.0),
        # the same ratings and the 6 A planning figure on a connector with four 12 V contacts = 384 / 288 W
        (4, 8.0, 384.0), (4, 6.0, 288.0),
    ],
)  # fmt: skip
def test_mueller_tables_18_14_and_18_15_contact_ratings(contacts, rating, watts):
    limits = limits_of(make_bench([Connector("p", contacts, rating)]), {})
    assert values(limits, "contact_current") == [rating]
    assert values(limits, "input_current")[0] * 12.0 == pytest.approx(watts)


def test_design_guide_336521_table_5_7_twelve_contact_connector():
    """Power supply design guide 336521, table 5-7: 600 W on six 12 V contacts, 8.333 A each (the division is ours)."""
    limits = limits_of(make_bench([Connector("p", 6, 8.333)]), {})
    assert values(limits, "input_current")[0] * 12.0 == pytest.approx(600.0, abs=0.05)


def test_connectors_share_by_contact_so_the_weakest_rating_bounds_all():
    limits = limits_of(make_bench([Connector("a", 4, 8.0), Connector("b", 2, 6.0)]), {})
    assert values(limits, "contact_current") == [6.0]
    assert values(limits, "input_current") == [36.0]
    assert "connector b" in next(item for item in limits if item.applies_to == "contact_current").source


def test_total_of_the_connectors_needs_every_rating():
    limits = limits_of(make_bench([Connector("a", 4, 8.0), Connector("b", 2)]), {})
    assert values(limits, "contact_current") == [8.0]
    assert values(limits, "input_current") == []


FULL = {
    "power stage rating": ("stage_current", "rating", 60.0),
    "over-current protection of a phase": ("phase_current", "protection", 52.0),
    "over-current protection of all phases": ("rail_current", "protection", 520.0),
    "over-current protection of the regulator": ("rail_current", "protection", 500.0),
    "temperature warning": ("regulator_temperature", "protection", 110.0),
    "over-temperature protection": ("regulator_temperature", "protection", 125.0),
    "inductor saturation": ("phase_current", "physics", 80.0),
    "output capacitor rating": ("board_temperature", "rating", 105.0),
    "input capacitor rating": ("board_temperature", "rating", 105.0),
    "coolant limit": ("coolant_temperature", "rating", 50.0),
    "connector contact rating": ("contact_current", "rating", 8.0),
    "rating of all input contacts": ("input_current", "rating", 64.0),
    "processor temperature limit": ("processor_temperature", "protection", 95.0),
    "processor power limit": ("package_power", "protection", 400.0),
}


def test_every_ceiling_of_the_frozen_example_is_a_limit_with_kind_and_source():
    limits = limits_of(read_bench(FROZEN / "bench-1.toml"), {})
    found = {item.name: (item.applies_to, item.kind, item.value) for item in limits}
    assert found.items() >= FULL.items()
    assert all(item.source for item in limits)
    absolute = {item.applies_to: item.value for item in limits if item.kind == "absolute_maximum"}
    assert absolute == {"stage_current": 90.0, "regulator_temperature": 150.0}
    ratings = {item.applies_to: item.value for item in limits if item.name == "inductor rating"}
    assert ratings == {"phase_current": 55.0, "inductor_temperature": 125.0}
    assert len(limits) == len(FULL) + 4


def test_units_are_those_of_the_channel():
    for item in limits_of(read_bench(FROZEN / "bench-1.toml"), {}):
        if item.applies_to in CHANNELS:
            assert item.unit == CHANNELS[item.applies_to].unit
        else:
            assert (item.applies_to, item.unit) in [(f"{name}_current", "A") for name in ("phase", "stage", "contact")]


def test_what_is_not_stated_is_no_limit():
    assert limits_of(make_bench(), {}) == ()


def test_settings_of_a_step_stand_in_for_the_bench():
    bench = read_bench(FROZEN / "bench-1.toml")
    step = {
        "phase_count": 6, "protection_phase_current": 70.0, "protection_total_current": 300.0,
        "protection_temperature_warning": 90.0, "protection_temperature_trip": 100.0, "power_limit": 250.0,
    }  # fmt: skip
    limits = limits_of(bench, step)
    assert sorted(values(limits, "rail_current")) == [300.0, 420.0]
    assert values(limits, "package_power") == [250.0]
    temperatures = [item for item in limits if item.applies_to == "regulator_temperature" and item.kind == "protection"]
    assert [(item.value, item.source) for item in temperatures] == [
        (90.0, "set in this step"),
        (100.0, "set in this step"),
    ]


_BENCH = make_bench(
    stages_per_phase=2,
    stage=Stage(peak_current_rating=90.0, temperature_limit=150.0, source="sheet"),
    inductor=Inductor(),
    output_capacitors=CapacitorBank(),
)
_BOUND = {
    "protection_phase_current": 180.0,
    "protection_total_current": 1800.0,
    "protection_temperature_warning": 150.0,
    "protection_temperature_trip": 150.0,
}


@settings(max_examples=500, deadline=None)
@given(
    st.sampled_from(sorted(_BOUND)), st.floats(1e-3, 1e9) | st.sampled_from([math.inf, math.nan]), st.integers(1, 10)
)
def test_no_setting_gets_above_an_absolute_maximum(name, value, phases):
    """Goal S2 of the reliability notes: through the API no limit above the part's maximum comes out."""
    chosen = {name: value, "phase_count": phases}
    try:
        limits = limits_of(_BENCH, chosen)
    except BenchFault as error:
        assert not value <= _BOUND[name]
        assert all(fault.mend for fault in error.faults)
        if math.isfinite(value):
            assert "(sheet)" in error.faults[0].mend
        return
    assert value <= _BOUND[name]
    for item in limits:
        if item.kind == "protection":
            bound = 150.0 if item.unit == "degC" else 180.0 if item.applies_to == "phase_current" else 1800.0
            assert item.value <= bound


@pytest.mark.parametrize(
    "chosen",
    [{"phase_count": 0}, {"phase_count": 11}, {"phase_count": 2.5}, {"phase_count": "8"}, {"rail_voltage": 12.0},
     {"rail_voltage": 0.0}, {"fan_duty": 1.1}, {"pump_duty": -0.1}, {"protection_phase_current": 0.0},
     {"protection_temperature_warning": 110.0, "protection_temperature_trip": 100.0}, {"power_limit": True}],
)  # fmt: skip
def test_impossible_settings_are_refused(chosen):
    with pytest.raises(BenchFault) as caught:
        limits_of(_BENCH, chosen)
    assert len(caught.value.faults) == 1


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 10), st.integers(1, 10))
def test_fewer_phases_never_raise_a_limit(one, two):
    bench = dataclasses.replace(read_bench_once(), simulated=True)
    few, many = sorted((one, two))
    low, high = (limits_of(bench, {"phase_count": count}) for count in (few, many))
    assert [item.name for item in low] == [item.name for item in high]
    assert all(a.value <= b.value for a, b in zip(low, high, strict=True))


_once = []


def read_bench_once():
    if not _once:
        _once.append(read_bench(FROZEN / "bench-1.toml"))
    return _once[0]


def test_graphics_regulator_has_the_same_limits_under_its_own_name():
    bench = make_bench(
        [Connector("p", 6, 9.2)], processor=Processor(kind="graphics", temperature_limit=90.0, power_limit=450.0)
    )
    names = {item.name for item in limits_of(bench, {})}
    assert {"graphics temperature limit", "graphics power limit", "rating of all input contacts"} <= names
