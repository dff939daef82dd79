"""Rows C01 to C15, E01 and F01 to F04 of the catalogue of bad inputs, and the form of every fault."""

import os
import re
import time

import pytest

from phasewright.bench import BenchFault, check_folder, read_bench, read_campaign

FORM = re.compile(r"^[^\n]+?(:\d+(:\d+)?)? .+ - .+$")


def faults_of(folder):
    checked = check_folder(folder.path)
    for fault in checked.faults:
        assert FORM.match(str(fault)), str(fault)
        assert "\n" not in str(fault)
    return checked.faults


def only_fault(folder, file, line):
    faults = faults_of(folder)
    assert len(faults) == 1, [str(item) for item in faults]
    assert (faults[0].file, faults[0].line) == (file, line), str(faults[0])
    return faults[0]


def test_sound_folder_has_no_faults(folder):
    assert faults_of(folder) == ()


# ---- C01: misspelt keys -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "old", "new", "near"),
    [
        ("bench.toml", 'load_line = "0.3 mOhm"', 'lode_line = "0.3 mOhm"', "write load_line"),
        ("bench.toml", "phase_count = 10", "phase_count = 10\nphases = 10", "write phase_count"),
        ("bench.toml", 'coolant = "liquid"', 'coolant = "liquid"\nfan_mapp = 1', "write fan_map"),
        (
            "bench.toml",
            'inductance = "150 nH"',
            'inductance = "150 nH"\ngate_charge = "1 nC"',
            "belongs in [regulator.stage]",
        ),
        ("campaign.toml", "window_lead =", "window_led =", "write window_lead"),
        ("campaign.toml", 'cooling = "second fan wall on"', 'coolign = "second fan wall on"', "write cooling"),
        ("campaign.toml", 'zone = "Europe/Berlin"', 'zone = "Europe/Berlin"\ntimezone = "UTC"', "write zone"),
    ],
)
def test_misspelt_key_is_refused_with_the_nearest_one(folder, file, old, new, near):
    line = folder.change(file, old, new) + new.count("\n")
    fault = only_fault(folder, file, line)
    assert "unknown key" in fault.what
    assert near in fault.mend


def test_misspelt_key_of_a_channel_is_no_label(folder):
    line = folder.change("campaign.toml", '{ column = "Iout", unit = "mA"', '{ colum = "Iout", unit = "mA"')
    faults = faults_of(folder)
    assert {fault.line for fault in faults} == {line}
    assert any("unknown key colum" in fault.what and fault.mend == "write column" for fault in faults)


def test_misspelt_channel_names_the_nearest(folder):
    line = folder.change("campaign.toml", 'package_power = "Package', 'pakage_power = "Package')
    fault = only_fault(folder, "campaign.toml", line)
    assert fault.mend == "write package_power"


# ---- C02: twice ---------------------------------------------------------------------------------------------------


def test_key_that_stands_twice_names_both_lines_and_hides_no_other_fault(folder):
    line = folder.change("bench.toml", "phase_count = 10", "phase_count = 10\nphase_count = 12")
    other = folder.change("bench.toml", 'gate_voltage = "5 V"', "gate_voltage = 5")
    faults = faults_of(folder)
    assert [fault.line for fault in faults] == [line + 1, other]
    assert f"on lines {line} and {line + 1}" in faults[0].what


def test_table_that_stands_twice(folder):
    text = folder.text("bench.toml")
    first = text[: text.index("[cooling]")].count("\n") + 1
    folder.write("bench.toml", text + '\n[cooling]\ncoolant = "air"\n')
    fault = faults_of(folder)[0]
    assert f"cooling stands twice, on lines {first} and {text.count(chr(10)) + 2}" in fault.what


# ---- C03, C07, C09: kinds, ranges, units --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "value", ["0", "-3", "2.5", "1000000000", '"10"', "true", "nan", "1e3", "2026-01-01", "[10]", "{}"]
)
def test_phase_count_is_a_whole_number_from_1_to_64(folder, value):
    line = folder.change("bench.toml", "phase_count = 10", f"phase_count = {value}")
    fault = only_fault(folder, "bench.toml", line)
    assert fault.path == "regulator.phase_count"
    assert "1 to 64" in fault.mend


@pytest.mark.parametrize(
    ("old", "new", "allowed"),
    [
        ('switching_frequency = "500 kHz"\nrail', 'switching_frequency = "0 Hz"\nrail', "1 kHz to 50 MHz"),
        ('switching_frequency = "500 kHz"\nrail', 'switching_frequency = "-5 kHz"\nrail', "1 kHz to 50 MHz"),
        ('inductance = "150 nH"', 'inductance = "0 H"', "1 nH to 1 mH"),
        ('temperature_limit = "150 °C"', 'temperature_limit = "1500 °C"', "20 degC to 300 degC"),
        ('sharing_error = "8 %"', 'sharing_error = "800 %"', "0 % to 100 %"),
        ('period = "1 s"', 'period = "0 s"', "1 us to 1 d"),
        ('["45 degC", "100 %"]', '["45 degC", "120 %"]', "0 % to 100 %"),
    ],
)
def test_out_of_range_names_the_range(folder, old, new, allowed):
    line = folder.change("bench.toml", old, new)
    faults = faults_of(folder)
    assert len(faults) == 1
    assert faults[0].line - line in (0, -3)
    assert f"allowed is {allowed}" in faults[0].mend


@pytest.mark.parametrize("pair", ['["90 degC", "70 A"]', '["80 degC", "50 A"]'])
def test_derating_curve_falls_while_temperature_rises(folder, pair):
    table = "[regulator.stage]\n"
    folder.change("bench.toml", table, f'{table}derating = [["80 degC", "60 A"], {pair}]\n')
    (fault,) = faults_of(folder)
    assert "does not go on as it should" in fault.what
    assert 'derating = [["80 degC", "60 A"], ["125 degC", "30 A"]]' in fault.mend


@pytest.mark.parametrize(
    ("pair", "what"),
    [('["38 degC", "20 %"]', "does not rise"), ('["29 degC", "60 %"]', "does not rise"),
     ('["30 degC", "60 %"]', "does not rise"),
     ('["38 degC"]', "not a list of pairs"), ('"38 degC"', "not a list of pairs"), ('[38, "60 %"]', "has no unit")],
)  # fmt: skip
def test_fan_map_is_rising_pairs(folder, pair, what):
    folder.change("bench.toml", '["38 degC", "60 %"]', pair)
    fault = only_fault(folder, "bench.toml", 103)
    assert what in fault.what
    assert 'fan_map = [["30 degC", "30 %"], ["45 degC", "100 %"]]' in fault.mend


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('offset = "2 K", res', 'offset = "-2 K", res', "below zero"),
        ('offset = "2 K", res', 'offset = "2 degF", res', "cannot be read"),
        ('offset = "1 W", res', "offset = 1, res", "has no unit"),
        ('offset = "1 W", res', 'offset = "1 %", res', "cannot be read"),
        ('gain = "3 %"', "gain = 0.03", "has no unit"),
        ('gain = "3 %"', 'gain = "0.03"', "has no unit"),
    ],
)
def test_accuracy_is_stated_in_the_channels_unit(folder, old, new, what):
    line = folder.change("bench.toml", old, new)
    assert what in only_fault(folder, "bench.toml", line).what


@pytest.mark.parametrize("text", ["2 K", "2 °C", "2 degC", "2C", "2.0 K"])
def test_accuracy_of_a_temperature_is_a_difference(folder, text):
    folder.change("bench.toml", 'offset = "2 K", res', f'offset = "{text}", res')
    assert faults_of(folder) == ()
    assert read_bench(folder.path).instruments[1].accuracy["regulator_temperature"].offset == 2.0


@pytest.mark.parametrize("voltage", ["12 V", "13 V", "30 V"])
def test_rail_voltage_is_below_the_input_voltage(folder, voltage):
    line = folder.change("bench.toml", 'rail_voltage = "1.10 V"', f'rail_voltage = "{voltage}"')
    fault = only_fault(folder, "bench.toml", line)
    assert "not below input_voltage = 12 V" in fault.what


@pytest.mark.parametrize("value", ["45", "45.0", '"45"', '"4.5e1"', '" 45 "'])
def test_quantity_without_unit_is_refused_with_an_example_to_paste(folder, value):
    line = folder.change("bench.toml", 'current_rating = "60 A"\npeak', f"current_rating = {value}\npeak")
    fault = only_fault(folder, "bench.toml", line)
    assert "has no unit" in fault.what
    assert fault.mend.endswith('current_rating = "60 A"')


@pytest.mark.parametrize(
    ("value", "word"), [('"60 V"', "A or a multiple"), ('"60 Amperes!"', "unknown unit"), ('"2,4 A"', "point")]
)
def test_wrong_unit_says_which_one_is_asked_for(folder, value, word):
    line = folder.change("bench.toml", 'current_rating = "60 A"\npeak', f"current_rating = {value}\npeak")
    assert word in only_fault(folder, "bench.toml", line).what


def test_value_without_quotes_is_refused_with_the_line_to_paste(folder):
    line = folder.change("bench.toml", 'current_rating = "60 A"\npeak', "current_rating = 60 A  # rated\npeak")
    other = folder.change("bench.toml", 'load_line = "0.3 mOhm"', "load_line = soft")
    faults = faults_of(folder)
    assert [fault.line for fault in faults][-1] == line
    assert faults[-1].mend == 'write current_rating = "60 A"'
    assert {fault.line for fault in faults} == {line, other}


@pytest.mark.parametrize(
    ("value", "line_mend"),
    [
        ('"0.30"', "price"),
        ('"0.30 EUR"', "price"),
        ("0.30", "price"),
        ('"EUR 0.30/kWh"', "price"),
        ('"0,30 EUR/kWh"', "price"),
    ],
)
def test_price_has_currency_and_energy_unit(folder, value, line_mend):
    line = folder.change("campaign.toml", 'price = "0.30 EUR/kWh"', f"price = {value}")
    assert '"0.30 EUR/kWh"' in only_fault(folder, "campaign.toml", line).mend


# ---- C04, C06: size and depth -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "bomb", ["x = " + "[" * 100_000, "a." * 300_000 + "a = 1", "[" + "a." * 100_000 + "b]", "x = " + "{a=" * 50_000]
)
def test_nested_bomb_is_refused_quickly(folder, bomb):
    folder.write("bench.toml", bomb)
    before = time.perf_counter()
    fault = faults_of(folder)[0]
    assert "nested too deep" in fault.what
    assert fault.line == 1
    assert time.perf_counter() - before < 10


def test_large_file_is_refused(folder):
    folder.write("bench.toml", folder.text("bench.toml") + "# " + "x" * (1 << 20))
    assert "larger than 1024 KiB" in faults_of(folder)[0].what


# ---- C08: absolute maxima -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "old", "new", "figure"),
    [
        ("bench.toml", 'phase_current = "52 A"', 'phase_current = "90.1 A"', "peak_current_rating = 90 A"),
        ("bench.toml", 'total_current = "500 A"', 'total_current = "901 A"', "peak_current_rating = 90 A"),
        (
            "bench.toml",
            'temperature_trip = "125 degC"',
            'temperature_trip = "151 degC"',
            "temperature_limit = 150 degC",
        ),
        (
            "campaign.toml",
            'protection_phase_current = "50 A"',
            'protection_phase_current = "91 A"',
            "peak_current_rating = 90 A",
        ),
        ("campaign.toml", 'trip = "120 degC"', 'trip = "150.5 degC"', "temperature_limit = 150 degC"),
    ],
)
def test_threshold_above_the_absolute_maximum_names_the_part_figure_and_its_source(folder, file, old, new, figure):
    line = folder.change(file, old, new)
    fault = only_fault(folder, file, line)
    assert "above the power stage" in fault.what
    assert f"regulator.stage.{figure}" in fault.mend
    assert "(invented figure)" in fault.mend


def test_threshold_at_the_absolute_maximum_is_allowed_with_a_caution(folder):
    folder.change("bench.toml", 'phase_current = "52 A"', 'phase_current = "80 A"')
    assert faults_of(folder) == ()
    cautions = check_folder(folder.path).cautions
    assert any("80 A is raised above the power stages' continuous rating of 60 A a phase" in text for text in cautions)


# ---- C10: paths ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["../meter.csv", "logs/../../meter.csv", "/etc/passwd", "C:/logs/meter.csv", "c:meter.csv", "~/meter.csv",
     "//server/x.csv", "..", ".", "", "logs/\\u0000x", "logs\\\\meter.csv", "./.."],
)  # fmt: skip
def test_path_that_leaves_the_campaign_is_refused(folder, name):
    line = folder.change("campaign.toml", 'file = "logs/meter.csv"', f'file = "{name}"')
    fault = only_fault(folder, "campaign.toml", line)
    assert fault.path == "log[1].file"
    assert "forward slashes" in fault.mend


def test_single_backslash_in_a_path_is_explained(folder):
    line = folder.change("campaign.toml", 'file = "logs/meter.csv"', 'file = "logs\\meter.csv"')
    fault = only_fault(folder, "campaign.toml", line)
    assert "forward slashes" in fault.mend


def test_link_that_leaves_the_campaign_is_refused(folder):
    secret = folder.path.parent / "secret.csv"
    secret.write_text("secret")
    (folder.path / "logs" / "meter.csv").unlink()
    (folder.path / "logs" / "meter.csv").symlink_to(secret)
    fault = only_fault(folder, "campaign.toml", 19)
    assert "leads out of the campaign folder" in fault.what


def test_log_that_is_no_regular_file_is_refused_without_opening_it(folder):
    (folder.path / "logs" / "meter.csv").unlink()
    os.mkfifo(folder.path / "logs" / "meter.csv")
    (folder.path / "logs" / "host-1.csv").unlink()
    (folder.path / "logs" / "host-2.csv").unlink()
    (folder.path / "logs" / "host-2.csv").symlink_to("host-2.csv")
    whats = [fault.what for fault in faults_of(folder)]
    assert ["is not a regular file" in whats[0], "is not there" in whats[1], "cannot be reached" in whats[2]] == [
        True
    ] * 3


# ---- C12 to C15: hostile text is text -----------------------------------------------------------------------------

HOSTILE = [
    "<img src=x onerror=alert(1)>", "[x](javascript:alert(1))", "real\\n2026-01-01 ERROR forged line", "{0.__class__}",
    "%s%n", "${x}", "{{7*7}}", "\\u202egnp.exe", "\\u001b[31mred",
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_kept_literally_and_printed_on_one_line(folder, name):
    folder.change("campaign.toml", 'name = "8 phases"', f'name = "{name}"')
    folder.change("bench.toml", 'name = "PWR_1"', f'name = "{name}"')
    meant = name.replace("\\n", "\n").replace("\\u202e", "\u202e").replace("\\u001b", "\x1b")
    assert faults_of(folder) == ()
    assert read_campaign(folder.path).steps[1].name == meant
    assert read_bench(folder.path).board.connectors[0].name == meant
    folder.change("campaign.toml", 'name = "6 phases"', f'name = "{name}"')
    fault = faults_of(folder)[0]
    assert "is also the name of step[2]" in fault.what
    assert not re.search("[\n\x1b\u202e]", str(fault))


@pytest.mark.parametrize("key", ["{0.__class__}", "%s%n", "<b>", "a\\nb", "${x}"])
def test_hostile_unknown_keys_are_printed_on_one_line(folder, key):
    folder.write("bench.toml", folder.text("bench.toml").replace("[board]\n", f'[board]\n"{key}" = 1\n'))
    fault = only_fault(folder, "bench.toml", 8)
    assert "unknown key" in fault.what
    assert "\n" not in str(fault)


# ---- E01, F01 to F04: the files themselves ------------------------------------------------------------------------


def test_byte_order_mark_and_carriage_returns_are_read(folder):
    folder.write("bench.toml", "\ufeff" + folder.text("bench.toml").replace("\n", "\r\n"))
    assert faults_of(folder) == ()
    line = folder.change("bench.toml", "phase_count = 10", "phase_count = 0")
    assert only_fault(folder, "bench.toml", line).line == line


def test_other_encodings_are_refused_with_the_line(folder):
    (folder.path / "bench.toml").write_bytes(folder.text("bench.toml").encode("cp1252"))
    fault = faults_of(folder)[0]
    assert fault.what == "byte 0xb0 is not UTF-8 text"
    assert fault.line == folder_line(folder, "150 ")


def folder_line(folder, text):
    data = (folder.path / "bench.toml").read_bytes()
    return data[: data.index(text.encode() + b"\xb0")].count(b"\n") + 1


def test_missing_folder_and_odd_files_are_refused_by_kind(tmp_path):
    checked = check_folder(tmp_path / "nowhere")
    assert [fault.what for fault in checked.faults] == [f"there is no folder {(tmp_path / 'nowhere').as_posix()}"] * 2
    assert f"phasewright new {tmp_path.as_posix()}/nowhere" in checked.faults[0].mend
    (tmp_path / "bench.toml").mkdir()
    os.mkfifo(tmp_path / "campaign.toml")
    checked = check_folder(tmp_path)
    assert ["a folder" in checked.faults[0].what, "not a regular file" in checked.faults[1].what] == [True, True]
    assert (checked.bench, checked.campaign) == (None, None)


# ---- all at once --------------------------------------------------------------------------------------------------


def test_all_faults_of_both_files_come_at_once_in_the_order_of_lines(folder):
    planted = [
        ("bench.toml", 'input_resistance = "1.5 mOhm"', "input_resistance = 1.5"),
        ("bench.toml", 'name = "PWR_2"\ncontact_count = 4', 'name = "PWR_2"\ncontact_count = 0'),
        ("bench.toml", 'load_line = "0.3 mOhm"', 'lode_line = "0.3 mOhm"'),
        ("bench.toml", 'dead_time = "20 ns"', 'dead_time = "20 nF"'),
        ("bench.toml", 'kind = "pad"', 'kind = "jam"'),
        ("bench.toml", 'offset = "0.2 W"', 'offset = "0.2 V"'),
        ("bench.toml", 'stated_as = "standard"', 'stated_as = "sure"'),
        ("campaign.toml", 'reference_log = "meter"', 'reference_log = "metre"'),
        ("campaign.toml", "header_line = 3", "header_line = 0"),
        ("campaign.toml", 'instrument = "host"', 'instrument = "hist"'),
        ("campaign.toml", 'column = "#7"', 'column = "#0"'),
        ("campaign.toml", "phase_count = 8", "phase_count = 11"),
        ("campaign.toml", 'start = "700 s"', 'start = "600 s"'),
        ("campaign.toml", 'end = "35 min"', 'end = "20 min"'),
    ]  # fmt: skip
    for file, old, new in planted:
        folder.change(file, old, new)
    ends = [(file, folder.text(file).index(new) + len(new)) for file, _, new in planted]
    faults = faults_of(folder)
    assert len(faults) == len(planted)
    assert {(item.file, item.line) for item in faults} == {
        (file, folder.text(file).count("\n", 0, end) + 1) for file, end in ends
    }
    for file in ("bench.toml", "campaign.toml"):
        own = [fault.line for fault in faults if fault.file == file]
        assert own == sorted(own)
    with pytest.raises(BenchFault) as caught:
        read_bench(folder.path)
    assert caught.value.faults == tuple(fault for fault in faults if fault.file == "bench.toml")
    with pytest.raises(BenchFault) as caught:
        read_campaign(folder.path)
    assert len(caught.value.faults) >= 5


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ('name = "x\n', "close the quote"),
        ("[board\n", "write one key"),
        ("= 3\n", "begin the line"),
        ("fan_map = [1, 2\n", "close the bracket"),
        ("board\n", "write key = value"),
        ("x = \n", "in quotes"),
        ('x = "\x07"\n', "control character"),
    ],
)
def test_broken_lines_are_explained(folder, text, mend):
    folder.write("bench.toml", 'format = "phasewright-bench-1"\n' + text)
    fault = faults_of(folder)[0]
    assert fault.line == 2 or "Unclosed" in fault.what
    assert mend in fault.mend


@pytest.mark.parametrize(
    ("new", "mend"),
    [
        ("", 'write format = "phasewright-bench-1" as the first line'),
        ('format = "phasewright-bench-2"', "newer version"),
        ('format = "phasewright-campaign-1"', 'write format = "phasewright-bench-1"'),
        ("format = 1", 'write format = "phasewright-bench-1"'),
    ],
)
def test_format_is_checked(folder, new, mend):
    folder.change("bench.toml", 'format = "phasewright-bench-1"', new)
    assert mend in faults_of(folder)[0].mend


def test_missing_keys_and_tables_are_named_with_an_example(folder):
    folder.write("bench.toml", 'format = "phasewright-bench-1"\n[regulator]\n')
    faults = {fault.path: fault for fault in faults_of(folder) if fault.file == "bench.toml"}
    assert set(faults) == {"name", "board.name", "regulator.name", "regulator.phase_count"}
    assert faults["regulator.phase_count"].line == 2
    assert faults["regulator.phase_count"].mend == "add phase_count = 10"


@pytest.mark.parametrize(
    ("text", "path"),
    [
        ("board = 3", "board"), ("regulator = []", "regulator"), ("instrument = 5", "instrument"),
        ("instrument = [1, 2]", "instrument"), ("instrument = {}", "instrument"),
        ("[[regulator]]\nname = 'x'", "regulator"), ("[instrument]\nname = 'x'", "instrument"),
    ],
)  # fmt: skip
def test_tables_of_the_wrong_kind_are_faults(folder, text, path):
    folder.write("bench.toml", f'format = "phasewright-bench-1"\nname = "x"\n{text}\n')
    assert any(fault.path == path and fault.line == 3 for fault in faults_of(folder))
