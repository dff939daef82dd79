"""Derived figures, several sensors of one kind, and what is said when something lacks."""

from dataclasses import replace

import pytest

from phasewright.bench import Board, ChannelSource, Connector, LogEntry
from phasewright.findings import analyze
from phasewright.logs import ClockMap, Settling


def step_of(hand, bench=None, noise=None, **played):
    return hand.analyzed(hand.Played(**played), bench=bench, noise=noise).steps[0]


def lacking(step):
    return {item.name: item for item in step.missing}


def test_loss_and_efficiency_say_their_boundary(hand):
    step = step_of(hand)
    assert "everything between meter and package" in step.basis["loss"]
    assert "less other loads" in step.basis["conversion_loss"]
    assert "conversion loss" in step.basis["thermal_resistance"]


def test_conversion_needs_the_other_loads_and_names_the_line(hand):
    step = step_of(hand, replace(hand.bench(), board=Board("b")))
    found = lacking(step)
    assert "conversion_efficiency" in found and 'other_loads = "' in found["conversion_efficiency"].mend
    assert "delivery loss" in step.basis["thermal_resistance"]


def test_other_loads_without_uncertainty_make_the_conversion_loss_unknown(hand):
    board = Board("b", other_loads=6.0)
    value = step_of(hand, replace(hand.bench(), board=board)).quantities["conversion_loss"]
    assert value.value == pytest.approx(54.0, abs=0.5)
    assert value.u is None and "other_loads_u" in value.reason


def test_path_loss_from_the_stated_resistance(hand):
    board = Board("b", input_resistance=0.004, input_resistance_u=0.001)
    value = step_of(hand, replace(hand.bench(), board=board), noise={}).quantities["path_loss"]
    assert value.value == pytest.approx((300.0 / 12.0) ** 2 * 0.004)
    assert value.u / value.value == pytest.approx(0.25, rel=0.05)


def test_contact_current_with_and_without_a_measured_voltage(hand):
    nominal = step_of(hand, noise={}).quantities["contact_current"]
    measured = step_of(hand, noise={}, levels={"input_voltage": 12.1}).quantities["contact_current"]
    assert nominal.value == pytest.approx(300.0 / 12.0 / 6)
    assert measured.value == pytest.approx(300.0 / 12.1 / 6)
    assert nominal.u / nominal.value == pytest.approx(0.05 / 3**0.5, rel=0.02)
    assert measured.u < 0.25 * nominal.u


def test_contacts_not_described_name_the_table_to_add(hand):
    found = lacking(step_of(hand, replace(hand.bench(), board=Board("b"))))
    assert "[[board.connector]]" in found["contact_current"].mend


def test_two_stages_a_phase_share_the_phase_current(hand):
    bench = hand.bench()
    doubled = replace(bench, regulator=replace(bench.regulator, stages_per_phase=2))
    found = step_of(hand, doubled, noise={}).quantities
    assert found["phase_current"].value == pytest.approx(25.0)
    assert found["stage_current"].value == pytest.approx(12.5)


def test_missing_rail_current_is_said_with_its_line_for_all_that_hangs_on_it(hand):
    found = lacking(step_of(hand, levels={"rail_current": None}))
    for name in ("rail_current", "phase_current", "stage_current", "rail_power", "conversion_loss"):
        assert "rail_current" in found[name].mend or "rail_power" in found[name].mend, name
    assert any(name.startswith("margin to over-current") for name in found)


def test_rise_is_over_the_coolant_and_over_ambient_where_there_is_none(hand):
    both = step_of(hand, noise={})
    assert both.quantities["regulator_rise"].value == pytest.approx(43.0)
    assert both.quantities["regulator_rise_over_ambient"].value == pytest.approx(51.0)
    only = step_of(hand, noise={}, levels={"coolant_temperature": None})
    assert only.quantities["regulator_rise"].value == pytest.approx(51.0)
    assert only.basis["regulator_rise"].endswith("less ambient_temperature")
    assert "ambient" in only.basis["thermal_resistance"]


def test_offset_shared_by_two_channels_of_one_instrument_stays_apart(hand):
    """Coolant and room are two sensors: their offsets are independent although one instrument reads both."""
    value = step_of(hand, noise={}).quantities["coolant_rise"]
    assert value.u == pytest.approx((2.0**0.5) * 0.3 / 3.0**0.5, rel=1e-6)


# ---- several sensors ----------------------------------------------------------------------------------------------


def test_hottest_of_several_regulator_sensors_speaks_and_each_is_kept(hand):
    levels = {"regulator_temperature": None, "regulator_temperature.left": 71.0, "regulator_temperature.right": 79.0}
    step = step_of(hand, levels=levels)
    assert step.quantities["regulator_temperature"].value == pytest.approx(79.0, abs=0.1)
    assert {"regulator_temperature.left", "regulator_temperature.right"} <= set(step.quantities)
    assert step.basis["regulator_temperature"].startswith("hottest of 2: regulator_temperature.right")
    assert step.quantities["regulator_rise"].value == pytest.approx(47.0, abs=0.1)


def test_hotter_labelled_sensor_is_held_against_the_limit_beside_a_plain_one(hand):
    step = step_of(hand, levels={"regulator_temperature": 70.0, "regulator_temperature.back": 90.0})
    heat = next(margin for margin in step.margins if margin.limit.name == "over-temperature protection")
    assert step.quantities["regulator_temperature"].value == pytest.approx(70.0, abs=0.1)
    assert heat.figure.value == pytest.approx(90.0, abs=0.1)


def test_phase_currents_add_up_to_a_rail_current_that_is_not_logged(hand):
    levels = {f"rail_current.phase_{k}": 24.0 + k for k in range(1, 5)} | {"rail_current": None}
    step = step_of(hand, noise={}, settings={"phase_count": 4, "load": "x"}, levels=levels)
    assert step.quantities["rail_current"].value == pytest.approx(4 * 24.0 + 10.0)
    assert step.quantities["phase_current_greatest"].value == pytest.approx(28.0)
    ocp = next(m for m in step.margins if m.limit.applies_to == "phase_current" and not m.note.startswith("peak"))
    assert ocp.figure.value == pytest.approx(28.0)


def test_two_input_powers_without_a_plain_one_are_not_guessed(hand):
    levels = {"input_power": None, "input_power.one": 150.0, "input_power.two": 150.0}
    found = lacking(step_of(hand, levels=levels))
    assert "is not said" in found["input_power"].why and "sum = " in found["input_power"].mend


def test_coolant_sensors_are_averaged(hand):
    levels = {"coolant_temperature": None, "coolant_temperature.in": 30.0, "coolant_temperature.out": 34.0}
    assert step_of(hand, levels=levels).quantities["coolant_temperature"].value == pytest.approx(32.0, abs=0.1)


# ---- phases and saturation ----------------------------------------------------------------------------------------


def test_logged_phase_count_wins_over_the_set_one_and_is_doubted(hand):
    analysis = hand.analyzed(hand.Played(levels={"phase_count": 7.0}), noise={})
    assert analysis.steps[0].quantities["phase_count"].value == 7.0
    assert any("8 phases were set, 7 are logged" in note for note in analysis.notes)


def test_phase_count_that_nobody_states_is_all_that_are_fitted_with_a_caution(hand):
    analysis = hand.analyzed(hand.Played(settings={"load": "x"}))
    value = analysis.steps[0].quantities["phase_count"]
    assert (value.value, value.kind) == (12.0, "set")
    assert any("all 12 fitted phases are taken" in note for note in analysis.notes)


def test_coolant_is_saturated_at_the_end_of_the_fan_map(hand):
    step = step_of(hand, levels={"coolant_temperature": 41.0})
    assert step.quantities["coolant_saturated"].value == 1.0
    assert "past the end of the fan's map (40.0 °C)" in step.basis["coolant_saturated"]


def test_coolant_is_saturated_with_the_fan_at_its_end_but_not_when_the_step_sets_the_fan(hand):
    assert step_of(hand, levels={"fan_duty": 1.0}).quantities["coolant_saturated"].value == 1.0
    set_fan = {"phase_count": 8, "load": "x", "fan_duty": 1.0}
    assert step_of(hand, settings=set_fan, levels={"fan_duty": 1.0}).quantities["coolant_saturated"].value == 0.0


def test_coolant_is_saturated_while_it_climbs(hand):
    climbing = Settling("coolant_temperature", 0.002, 0.0001, 900.0, 2.0, 1.0, False, "slope")
    step = step_of(hand, settled=False, settling=(climbing,))
    assert step.quantities["coolant_saturated"].value == 1.0
    assert "still climbs by 7.2 K/h" in step.basis["coolant_saturated"]


def test_coolant_short_of_the_end_is_not_saturated(hand):
    assert step_of(hand).quantities["coolant_saturated"].value == 0.0


# ---- clocks that have no place ------------------------------------------------------------------------------------


def test_channel_of_a_log_whose_clock_is_ambiguous_is_missing_with_the_reason(hand):
    campaign, recording, spans, windows = hand.played([hand.Played(levels={"ambient_temperature": None})])
    lost = ClockMap("room", 0, "meter", "ambiguous", 0, 0.0, None, candidates=((10.0, 0.9), (70.0, 0.88)))
    recording = replace(recording, clocks=(*recording.clocks, lost))
    entry = LogEntry("room", ("room.csv",), "meter", (ChannelSource("ambient_temperature", ()),))
    analysis = analyze(hand.bench(), replace(campaign, logs=(entry,)), recording, spans, windows)
    missing = lacking(analysis.steps[0])
    assert missing["ambient_temperature"].why == "the clock of log room is ambiguous"
    assert "the clock of log room is ambiguous" in missing["coolant_rise"].why
    assert any("+10.00 s, +70.00 s" in note for note in analysis.notes)
    assert "ambiguous" in analysis.answers[-1].sentence


def test_trace_of_an_ambiguous_log_is_not_used(hand):
    campaign, recording, spans, windows = hand.played([hand.Played()])
    clocks = (recording.clocks[0], replace(recording.clocks[1], status="ambiguous"))
    step = analyze(hand.bench(), campaign, replace(recording, clocks=clocks), spans, windows).steps[0]
    assert "package_power" not in step.quantities and step.verdict == "unknown"


def test_connector_rating_is_held_against_contacts_and_sum(hand):
    bench = replace(hand.bench(), board=Board("b", connectors=(Connector("a", 4, 8.0), Connector("b", 2, 7.0))))
    names = {margin.limit.name for margin in step_of(hand, bench).margins}
    assert {"connector contact rating", "rating of all input contacts"} <= names
