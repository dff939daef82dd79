"""Channels suggested from plain header words and units, never from the place of a column."""

import pytest

from phasewright.logs import read_log, suggest_channels


def suggested(tmp_path, head):
    names = head.split(";")
    rows = "".join(";".join([str(i), *(str(10 + k) for k in range(len(names) - 1))]) + "\n" for i in range(4))
    path = tmp_path / "log.csv"
    path.write_text(head + "\n" + rows, encoding="utf-8")
    return {s.channel: s for s in suggest_channels(read_log(path))}


@pytest.mark.parametrize(
    "head, channels",
    [
        ("time_s;Input power [W];Package power [W];VRM temp [°C]", "input_power package_power regulator_temperature"),
        ("Zeit [s];Eingangsleistung [W];Reglertemperatur [°C]", "input_power regulator_temperature"),
        ("Zeit [s];Wassertemperatur [°C];Umgebung [°C];Lüfter [1/min]",
         "coolant_temperature ambient_temperature fan_speed"),
        ("temps [s];Puissance entrée [W];Température régulateur [°C]", "input_power regulator_temperature"),
        ("tiempo [s];Potencia entrada [W];Temperatura regulador [°C]", "input_power regulator_temperature"),
        ("t_s;vin_V;iin_A;vout_V;iout_A", "input_voltage input_current rail_voltage rail_current input_power"),
        ("t_s;fan duty [%];pump duty [%];coolant flow [L/min]", "fan_duty pump_duty coolant_flow"),
        ("t_s;phase 1 [A];phase 2 [A];active phases", "rail_current.phase_1 rail_current.phase_2 phase_count"),
        ("t_s;VRM left [°C];VRM right [°C]", "regulator_temperature.left regulator_temperature.right"),
        ("t_s;switching frequency [kHz];CPU clock [MHz]", "switching_frequency processor_clock"),
    ],
)  # fmt: skip
def test_words_and_units_decide(tmp_path, head, channels):
    assert set(suggested(tmp_path, head)) == set(channels.split())


def test_order_of_columns_does_not_matter(tmp_path):
    names = ["Input power [W]", "Package power [W]", "VRM temp [°C]", "Coolant [°C]"]
    one = suggested(tmp_path, ";".join(["time_s", *names]))
    other = suggested(tmp_path, ";".join(["time_s", *names[::-1]]))
    assert {c: s.source for c, s in one.items()} == {c: s.source for c, s in other.items()}


def test_two_connectors_are_one_input_power(tmp_path):
    found = suggested(tmp_path, "time_s;U1 [V];I1 [A];U2 [V];I2 [A]")["input_power"]
    assert [term.columns for term in found.source.terms] == [("U1 [V]", "I1 [A]"), ("U2 [V]", "I2 [A]")]
    assert found.first_values[0] == 10 * 11 + 12 * 13


def test_the_reasons_are_said_and_values_shown(tmp_path):
    found = suggested(tmp_path, "time_s;Package power [mW]")["package_power"]
    assert any("package" in why for why in found.why)
    assert found.first_values == (0.01,) * 4
    assert found.score > 0.5


def test_a_bare_power_is_only_a_guess(tmp_path):
    assert suggested(tmp_path, "time_s;x [W]")["input_power"].score < 0.5


def test_nothing_is_suggested_for_words_alone_that_fit_nothing(tmp_path):
    assert suggested(tmp_path, "time_s;alpha;beta [V]") == {}


def test_columns_without_names_are_referred_to_by_position(tmp_path):
    found = suggested(tmp_path, "time_s;;Input power [W]")
    assert found["input_power"].source.terms[0].columns == ("Input power [W]",)


def test_one_of_two_connectors_is_not_the_board_s_input(tmp_path):
    found = suggested(tmp_path, "time_s;Slot V [V];Slot A [A];12V cable V [V];12V cable A [A]")
    assert "input_voltage" not in found
    assert [term.columns for term in found["input_current"].source.terms] == [("Slot A [A]",), ("12V cable A [A]",)]
    assert len(found["input_power"].source.terms) == 2
