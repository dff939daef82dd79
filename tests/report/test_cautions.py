"""All nine cautions where they apply and none where they do not; temperature bands right (goal S8)."""

from dataclasses import replace

import numpy as np
import pytest

from phasewright.bench import Limit
from phasewright.findings import Margin
from phasewright.logs import AlignedTrace
from phasewright.quantity import Value
from phasewright.report import cautions_of, guide_document
from phasewright.report.cautions import RULES


def names(analysis) -> dict[str, str]:
    return {caution.name: caution.grade for caution in cautions_of(analysis)}


def quiet(make):
    """Return an analysis that calls for no caution at all: cool, passive air, small current, nothing raised or lost."""
    bench = make.bench()
    bench = replace(
        bench,
        board=replace(bench.board, connectors=()),
        cooling=replace(bench.cooling, coolant="air", fan_map=()),
        notes="",
    )
    plans = (make.Plan("calm", 4, 5.0, "sustained"),)
    base = make.analysis(bench=bench, plans=plans)
    keep = {"package_power": 5.0, "regulator_temperature": 30.0, "rail_current": 4.0}
    traces = {name: with_level(base.recording.traces[name], level) for name, level in keep.items()}
    steps = tuple(
        replace(step, quantities={"package_power": step.quantities["package_power"]}, margins=()) for step in base.steps
    )
    return replace(base, recording=replace(base.recording, traces=traces), steps=steps)


def with_level(trace, level: float):
    return replace(trace, value=np.full(len(trace.value), level), low=None, high=None)


def with_trace(analysis, channel: str, level: float, unit: str = "degC"):
    """Return the analysis with one more channel at a constant level."""
    end = np.arange(1.0, 101.0)
    trace = AlignedTrace(channel, unit, "host", "host", end - 1.0, end, np.full(100, level), 1.0, 0.02)
    traces = {**analysis.recording.traces, channel: trace}
    return replace(analysis, recording=replace(analysis.recording, traces=traces))


def with_settings(analysis, **settings):
    steps = tuple(
        replace(item, step=replace(item.step, settings={**item.step.settings, **settings})) for item in analysis.steps
    )
    return replace(analysis, steps=steps)


def with_bench(analysis, **changes):
    return replace(analysis, bench=replace(analysis.bench, **changes))


def with_cooling(analysis, **changes):
    return with_bench(analysis, cooling=replace(analysis.bench.cooling, **changes))


def test_there_are_nine():
    assert len(RULES) == 9


def test_a_quiet_bench_calls_for_none(make):
    assert names(quiet(make)) == {}


@pytest.mark.parametrize(
    ("level", "grade"),
    [(47.9, None), (48.0, "amber"), (59.9, "amber"), (60.0, "red"), (90.0, "red")],
)
@pytest.mark.parametrize("channel", ["regulator_temperature.left", "board_temperature", "connector_temperature"])
def test_temperature_bands(make, channel, level, grade):
    """Amber from 48 degC, red from 60 degC at any reachable surface."""
    assert names(with_trace(quiet(make), channel, level)).get("hot") == grade


def test_the_upper_end_of_the_interval_counts(make, analysis):
    base = quiet(make)
    warm = replace(analysis.steps[0].quantities["regulator_temperature"], value=46.0, low95=43.0, high95=49.0)
    steps = (replace(base.steps[0], quantities={**base.steps[0].quantities, "regulator_temperature": warm}),)
    assert names(replace(base, steps=steps)) == {"hot": "amber"}


def test_the_processor_is_no_reachable_surface(make):
    assert names(with_trace(quiet(make), "processor_temperature", 90.0)) == {}


def test_without_any_temperature_nothing_is_called_cool(make):
    base = quiet(make)
    traces = {k: v for k, v in base.recording.traces.items() if k != "regulator_temperature"}
    found = cautions_of(replace(base, recording=replace(base.recording, traces=traces)))
    assert [c.name for c in found] == ["hot"] and "No surface temperature was recorded" in found[0].why


def test_high_current(make):
    base = quiet(make)
    assert "current" in names(with_trace(base, "rail_current", 25.0, "A"))
    unknown = {k: v for k, v in base.recording.traces.items() if k not in ("rail_current", "package_power")}
    steps = tuple(replace(item, quantities={}) for item in base.steps)
    assert "current" in names(replace(base, recording=replace(base.recording, traces=unknown), steps=steps))


def test_connectors(make):
    base = quiet(make)
    board = make.bench().board
    assert names(with_bench(base, board=board)) == {"connectors": "amber"}
    assert "connectors" in names(with_trace(base, "input_power", 50.0, "W"))


def near(analysis, name: str, unit: str, figure: float, bound: float):
    """Return the analysis with one margin more in its step: of `figure`, known to 2 %, to `bound`."""
    value = Value(figure, unit, 0.01 * figure, 0.98 * figure, 1.02 * figure)
    left = Value(bound - figure, unit, 0.01 * figure, bound - 1.02 * figure, bound - 0.98 * figure)
    limit = Limit("bound of " + name, name, bound, unit, "rating", "invented")
    (step,) = analysis.steps
    return replace(analysis, steps=(replace(step, margins=(*step.margins, Margin(limit, value, left, None, None))),))


@pytest.mark.parametrize(
    ("name", "unit", "bound", "levels"),
    [
        ("contact_current", "A", 9.0, {5.8: None, 6.0: "amber", 8.7: "amber", 8.9: "red", 9.5: "red"}),
        ("copper_current", "A", 30.0, {19.5: None, 20.0: "amber", 31.0: "red"}),
        ("connector_temperature", "degC", 85.0, {60.0: None, 75.0: "amber", 86.0: "red"}),
        ("wire_temperature", "degC", 80.0, {60.0: None, 70.0: "amber", 81.0: "red"}),
    ],
)
def test_connectors_cables_and_copper_only_near_what_they_bear(make, name, unit, bound, levels):
    """Two thirds of a rated current, 15 K below a temperature; the upper end of the interval counts."""
    base = with_bench(quiet(make), board=make.bench().board)
    base = near(base, "contact_current", "A", 1.0, 9.0)
    for level, grade in levels.items():
        found = [c for c in cautions_of(near(base, name, unit, level, bound)) if c.name == "connectors"]
        assert (found[0].grade if found else None) == grade, level
        assert not found or f"bound of {name}" in found[0].why


def test_liquid_and_what_moves_it(make):
    found = names(with_cooling(quiet(make), coolant="liquid"))
    assert found == {"liquid": "amber", "unattended": "amber"}


@pytest.mark.parametrize(
    ("coolant", "room", "expected"),
    [(15.0, 22.0, True), (22.0, 22.0, False), (30.0, 22.0, False), (15.0, None, True), (30.0, None, False)],
)
def test_condensation(make, coolant, room, expected):
    wet = with_trace(with_cooling(quiet(make), coolant="liquid"), "coolant_temperature", coolant)
    if room is not None:
        wet = with_trace(wet, "ambient_temperature", room)
    assert ("condensation" in names(wet)) is expected


def test_cold_air_does_not_condense_on_a_warm_board(make):
    assert "condensation" not in names(with_trace(quiet(make), "coolant_temperature", 10.0))


@pytest.mark.parametrize(
    ("settings", "expected"),
    [
        ({"protection_phase_current": 52.0}, False),
        ({"protection_phase_current": 40.0}, False),
        ({"protection_phase_current": 60.0}, True),
        ({"protection_phase_current": "off"}, True),
        ({"protection_temperature_trip": 120.0}, True),
        ({"protection_temperature_trip": 110.0}, False),
    ],
)
def test_raised_and_disabled_protections(make, settings, expected):
    found = names(with_settings(quiet(make), **settings))
    assert found == ({"protection": "red"} if expected else {})


@pytest.mark.parametrize(
    ("description", "expected"),
    [
        ("oscilloscope, 4 channels", True),
        ("scope with passive probe on the rail", True),
        ("three-probe thermometer", False),
        ("two-channel input power meter", False),
    ],
)
def test_probe_ground_clips(make, description, expected):
    base = quiet(make)
    instruments = (replace(base.bench.instruments[0], description=description),)
    assert names(with_bench(base, instruments=instruments)) == ({"probe": "amber"} if expected else {})


@pytest.mark.parametrize(
    "change",
    [
        lambda a: with_cooling(a, fan_map=((30.0, 0.3), (40.0, 1.0))),
        lambda a: with_settings(a, fan_duty=0.5),
        lambda a: with_trace(a, "fan_speed", 20.0, "Hz"),
    ],
)
def test_fans(make, change):
    assert names(change(quiet(make))) == {"unattended": "amber"}


def test_unstable_machine(make):
    base = quiet(make)
    lost = replace(base, steps=tuple(replace(item, verdict="tripped") for item in base.steps))
    seen = replace(base, steps=tuple(replace(item, step=replace(item.step, outcome="crashed")) for item in base.steps))
    assert names(lost) == names(seen) == names(with_trace(base, "error_count", 1.0, "1")) == {"unstable": "amber"}
    assert names(with_trace(base, "error_count", 0.0, "1")) == {}


@pytest.mark.parametrize("which", ["whole", "quiet"])
def test_the_guide_shows_those_that_apply_and_no_other(make, analysis, which):
    subject = analysis if which == "whole" else quiet(make)
    shown = [caution.name for caution in guide_document(subject).cautions()]
    assert sorted(shown) == sorted(names(subject))
    assert len(shown) == len(set(shown))


def test_each_caution_stands_in_its_chapter(analysis):
    places = {
        caution.name: section.anchor
        for section in guide_document(analysis).sections
        for block in section.blocks
        if type(block).__name__ == "Cautions"
        for caution in block.items
    }
    assert places["hot"] == "heat" and places["protection"] == "first" and places["unstable"] == "hold"
    assert {places[name] for name in ("current", "connectors", "liquid")} == {"bench"}
