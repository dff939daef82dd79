"""What is allowed but doubtful is said, with what is then not computed and the line to add."""

import re

import pytest

from phasewright.bench import check_folder


def cautions(folder):
    checked = check_folder(folder.path)
    assert checked.faults == ()
    for text in checked.cautions:
        assert re.match(r"^(bench|campaign)\.toml\b.* - \S", text), text
    return checked.cautions


def about(folder, word):
    return [text for text in cautions(folder) if word in text]


def test_well_described_bench_has_few_cautions(folder):
    assert len(cautions(folder)) == 4  # the frozen example leaves a stamp, a channel and two accuracies open


@pytest.mark.parametrize(
    ("line", "word", "lost"),
    [
        ('input_resistance = "1.5 mOhm"\n', "board.input_resistance:", "loss in cables"),
        ('other_loads = "6 W"\n', "board.other_loads:", "conversion efficiency is not computed"),
        ('input_resistance_u = "0.4 mOhm"\n', "board.input_resistance_u", "taken without error"),
        ('current_rating = "60 A"\n', "stage.current_rating", "margin of the power stages in current"),
        ('peak_current_rating = "90 A"\n', "stage.peak_current_rating", "absolute maximum"),
        ('temperature_limit = "150 °C"\n', "stage.temperature_limit", "in temperature is not computed"),
        ('gate_charge = "35 nC"\n', "gate_charge not stated", "cannot be foreseen from part data"),
        ('inductance = "150 nH"\n', "inductor.inductance", "ripple is not computed"),
        ('saturation_current = "80 A"\n', "inductor.saturation_current", "its margin is not computed"),
        ('temperature_trip = "125 degC"\n', "protection.temperature_trip", "shutting down"),
        ('power_limit = "400 W"\n\n[cooling]', "processor.power_limit", "may pass for sustained"),
        ('coolant_limit = "50 degC"\n', "cooling.coolant_limit", "margin of the coolant"),
        ('resistance = "0.12 K/W"\n', 'part "block plate"', "no resistance"),
        ('averaging = "50 ms"\n', 'instrument "meter": averaging', "less certain"),
        ('stamp_at = "end"\n', 'instrument "meter": stamp_at', "half an averaging time"),
    ],
)
def test_line_taken_out_of_the_bench_is_missed(folder, line, word, lost):
    assert about(folder, word) == []
    folder.change("bench.toml", line, "[cooling]" if line.endswith("[cooling]") else "")
    found = about(folder, word)
    assert len(found) == 1
    assert lost in found[0]
    key = line.split(" = ")[0]
    assert key in found[0].split(" - ")[-1] or "gate_charge" in found[0]


def test_instrument_without_accuracy(folder):
    text = folder.text("bench.toml")
    folder.write("bench.toml", text[: text.index("[instrument.accuracy]")])
    found = about(folder, 'instrument "host": states no accuracy')
    assert len(found) == 1
    assert "error bars hold the scatter only" in found[0]


def test_package_power_without_accuracy_says_what_is_taken(folder):
    folder.change("bench.toml", "package_power = { gain", "processor_clock = { gain")
    folder.change("bench.toml", 'offset = "1 W", resolution = "10 mW"', 'offset = "1 MHz"')
    assert "so 3 % + 1 W is taken" in about(folder, "accuracy of package_power")[0]


def test_accuracy_that_states_nothing(folder):
    folder.change("bench.toml", 'gain = "0.5 %"\noffset = "0.2 W"\nresolution = "10 mW"\n', "")
    assert "counts as exact" in about(folder, "accuracy of input_power")[0]


@pytest.mark.parametrize(
    ("file", "old", "new", "what"),
    [
        (
            "bench.toml",
            'phase_current = "52 A"',
            'phase_current = "61 A"',
            "above the power stages' continuous rating of 60 A",
        ),
        ("bench.toml", 'total_current = "500 A"', 'total_current = "601 A"', "continuous rating of 600 A together"),
        ("bench.toml", 'phase_current = "52 A"', 'phase_current = "85 A"', "above the inductor's saturation at 80 A"),
        ("campaign.toml", 'phase_current = "50 A"', 'phase_current = "53 A"', "raised above the bench's 52 A"),
        ("campaign.toml", 'total_current = "480 A"', 'total_current = "501 A"', "raised above the bench's 500 A"),
        ("campaign.toml", 'trip = "120 degC"', 'trip = "130 degC"', "raised above the bench's 125 degC"),
        ("campaign.toml", 'warning = "105 degC"', 'warning = "115 degC"', "raised above the bench's 110 degC"),
    ],
)
def test_raised_protections_are_said(folder, file, old, new, what):
    assert about(folder, what) == []
    folder.change(file, old, new)
    assert len(about(folder, what)) == 1


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("baseline = true\n", "", "none is the baseline"),
        ('price = "0.30 EUR/kWh"\n', "", "not turned into money"),
        ("input_power = { sum", "input_power.x = { sum", None),
        ("simulated = true\n", "", "the bench is simulated, the campaign is not"),
        ('package_power = "Package Power [W]"\n', "", "delivery efficiency is not computed"),
        ('rail_current = { column = "Iout", unit = "mA", factor = -1 }\n', "", "current per phase is not computed"),
        ('regulator_temperature = { column = "#7", unit = "degC" }\n', "", "no step can be called sustained"),
    ],
)
def test_what_a_campaign_lacks(folder, old, new, what):
    folder.change("campaign.toml", old, new)
    if what is None:  # a labelled input power is an input power
        assert about(folder, "loss and efficiency are not computed") == []
    else:
        assert len(about(folder, what)) == 1


def test_no_power_at_all(folder):
    text = folder.text("campaign.toml")
    start, end = text.index("input_power ="), text.index("input_voltage =")
    folder.write("campaign.toml", text[:start] + text[end:])
    assert len(about(folder, "loss and efficiency are not computed")) == 1
    folder.change("campaign.toml", 'input_voltage = "U1"', 'input_voltage = "U1"\ninput_current = "I1"')
    assert about(folder, "loss and efficiency are not computed") == []


def test_logs_that_nobody_described_are_named(folder):
    for number in range(7):
        (folder.path / "logs" / f"extra-{number}.csv").write_text("x")
    (folder.path / "logs" / ".hidden").write_text("x")
    (folder.path / "logs" / "bad\x1bname.csv").write_text("x")
    found = about(folder, "no log names")
    assert len(found) == 1
    assert "bad\\x1bname.csv" in found[0]
    assert "and 3 more" in found[0]
