"""How sure a suggestion is: words that say more, and units that fit, make it surer; nothing is surer than sure."""

import pytest

from phasewright.logs import read_log, suggest_channels


def best(tmp_path, head, channel):
    names = head.split(";")
    rows = "".join(";".join([str(i), *(str(10 + k) for k in range(len(names) - 1))]) + "\n" for i in range(4))
    path = tmp_path / "log.csv"
    path.write_text(head + "\n" + rows, encoding="utf-8")
    return {item.channel: item for item in suggest_channels(read_log(path))}[channel]


@pytest.mark.parametrize(("with_unit", "without", "channel"), [
    ("time_s;Input power [W]", "time_s;Input power", "input_power"),
    ("time_s;Package power [W]", "time_s;Package power", "package_power"),
    ("time_s;Coolant temperature [°C]", "time_s;Coolant temperature", "coolant_temperature")])
def test_a_unit_that_fits_makes_a_suggestion_surer_and_a_missing_one_is_said(tmp_path, with_unit, without, channel):
    sure, unsure = best(tmp_path, with_unit, channel), best(tmp_path, without, channel)
    assert 0.0 < unsure.score < sure.score <= 0.95
    assert sure.score - unsure.score == pytest.approx(0.4)  # 0.3 for one that fits, 0.1 less for none
    assert "no unit stated" in unsure.why and not any("no unit" in why for why in sure.why)
    assert any(why.startswith("unit ") for why in sure.why)


def test_the_surest_comes_first(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time_s;x [W];Coolant temperature [°C];Package power\n" + "".join(f"{row};1;2;3\n" for row in range(4)),
                    encoding="utf-8")
    scores = [item.score for item in suggest_channels(read_log(path))]
    assert len(scores) >= 2 and scores == sorted(scores, reverse=True)


def test_the_temperature_of_phases_is_not_their_number(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time_s;phases temperature [°C];active phases\n" + "".join(f"{row};50;8\n" for row in range(4)),
                    encoding="utf-8")
    found = {item.channel: item.source.terms[0].columns for item in suggest_channels(read_log(path))}
    assert found["phase_count"] == ("active phases",)
