"""Class C of the catalogue: bench and campaign files, and foreign text on its way through everything that is written.

Cases of the files go through the command line, as a person meets them. The wider tables of cases are in tests/bench and
tests/report.
"""

import csv
import re
import shutil
import time
from html.parser import HTMLParser

import pytest
from click.testing import CliRunner

from phasewright.app.cli import main

LINE = re.compile(r"^[^\n]+?:\d+(?::\d+)? \S[^\n]* - \S[^\n]*$")
FORMULAS = ["=1+1", "+1", "-1+cmd", "@SUM(A1)", "\tx"]
PAYLOADS = {
    "C12": "<img src=x onerror=alert(1)>",
    "C13": "[click](javascript:alert(1))",
    "C14": "real\n2026-01-01 ERROR forged entry",
    "C15": "{0.__class__} %s%n ${x} {{7*7}}",
    "C17": "</script><script>alert(1)</script>\u2028",
}


class Spoiled:
    """A copy of the small campaign whose files can be changed."""

    def __init__(self, folder, row):
        self.folder, self.row = folder, row

    def change(self, file, old, new, count=1):
        path = self.folder / file
        text = path.read_text(encoding="utf-8")
        assert old in text, old
        path.write_text(text.replace(old, new, count), encoding="utf-8")

    def put(self, file, text):
        (self.folder / file).write_text(text, encoding="utf-8")

    def refused(self, *words, command="check"):
        """Return what a command prints when it refuses: each fault in the form of every refusal, nothing written."""
        assert self.row["do"] == "refuse"
        begin = time.perf_counter()
        result = CliRunner().invoke(main, [command, str(self.folder)])
        assert time.perf_counter() - begin < 10
        assert result.exit_code == 2, result.output
        assert result.exception is None or isinstance(result.exception, SystemExit)
        lines = [line for line in result.output.splitlines() if " - " in line and not line.startswith("caution: ")]
        assert lines, result.output
        for line in lines:
            assert LINE.match(line), line
            assert line.isprintable()
        for word in words:
            assert word in result.output, result.output
        return result.output


@pytest.fixture
def spoiled(lab, row, tmp_path):
    shutil.copytree(lab.folder / "clean", tmp_path / "campaign")
    return Spoiled(tmp_path / "campaign", row)


@pytest.mark.parametrize("key, near", [("phase_cuont = 10", "phase_count"), ("rail_volt = 1", "rail_voltage")])
def test_C01_misspelt_key(spoiled, key, near):
    spoiled.change("bench.toml", "[regulator]\n", f"[regulator]\n{key}\n")
    spoiled.refused("unknown key", near)


def test_C02_key_twice(spoiled):
    spoiled.change("bench.toml", "phase_count = 10", "phase_count = 10\nphase_count = 12")
    assert re.search(r"on lines \d+ and \d+", spoiled.refused("stands twice"))


@pytest.mark.parametrize("value", ["no", "off", "1e3", "012", "12:30:00", "2026-01-01", "true", '"10"'])
def test_C03_values_of_another_kind(spoiled, value):
    spoiled.change("bench.toml", "phase_count = 10", f"phase_count = {value}")
    spoiled.refused("bench.toml:")


@pytest.mark.parametrize("value", ["no", "off", "1e3", "12:30:00"])
def test_C03_a_name_is_a_text(spoiled, value):
    spoiled.change("campaign.toml", 'name = "8 phases, 210 W"', f"name = {value}")
    spoiled.refused("campaign.toml:")


BOMB = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{b}: &{b} [{','.join(['*' + a] * 9)}]\n" for a, b in zip("abcdefgh", "bcdefghi", strict=True)
)


@pytest.mark.parametrize("file", ["bench.toml", "campaign.toml"])
@pytest.mark.parametrize("bomb", [BOMB, "x = " + "[" * 100_000, "a." * 200_000 + "a = 1"])
def test_C04_bombs(spoiled, file, bomb):
    spoiled.put(file, bomb)
    begin = time.perf_counter()
    spoiled.refused(f"{file}:1")
    assert time.perf_counter() - begin < 5


def test_C05_text_that_builds_objects(spoiled, tmp_path):
    spoiled.put("bench.toml", f'x: !!python/object/apply:os.system ["touch {tmp_path}/ran"]\n')
    spoiled.refused("bench.toml:1")
    assert not (tmp_path / "ran").exists()


def test_C06_nested_deep(spoiled, bad):
    spoiled.put("bench.toml", "[" * 100_000 + "]" * 100_000)
    spoiled.refused("bench.toml:1")
    spoiled.put("bench.toml", "x = " + "[" * 100_000 + "]" * 100_000)
    spoiled.refused("nested too deep")
    assert "JSON" in bad.refusal("[" * 100_000 + "]" * 100_000 + "\n")


@pytest.mark.parametrize("old, new, allowed", [
    ("phase_count = 10", "phase_count = 0", "1 to 64"), ("phase_count = 10", "phase_count = -3", "1 to 64"),
    ("phase_count = 10", "phase_count = 2.5", "1 to 64"), ("phase_count = 10", "phase_count = 1000000000", "1 to 64"),
    ('switching_frequency = "550 kHz"', 'switching_frequency = "0 Hz"', "1 kHz to 50 MHz"),
    ('rail_voltage = "1.22 V"', 'rail_voltage = "13 V"', "below"),
])  # fmt: skip
def test_C07_impossible_figures(spoiled, old, new, allowed):
    spoiled.change("bench.toml", old, new)
    spoiled.refused(allowed)


@pytest.mark.parametrize("file, old, new", [
    ("bench.toml", 'phase_current = "98 A"', 'phase_current = "130 A"'),
    ("bench.toml", 'temperature_trip = "125 degC"', 'temperature_trip = "160 degC"'),
    ("campaign.toml", "[[step]]\n", '[[step]]\nprotection_phase_current = "130 A"\n'),
])  # fmt: skip
def test_C08_above_the_absolute_maximum(spoiled, file, old, new):
    spoiled.change(file, old, new)
    spoiled.refused("above the power stage", "regulator.stage.")


@pytest.mark.parametrize("value", ["98", '"98"', '"9.8e1"'])
def test_C09_quantity_without_unit(spoiled, value):
    spoiled.change("bench.toml", 'phase_current = "98 A"', f"phase_current = {value}")
    spoiled.refused("has no unit", 'phase_current = "')


@pytest.mark.parametrize("path", ["../secret.csv", "/etc/passwd", "logs/../../secret.csv", "C:/x.csv"])
def test_C10_path_that_climbs_out(spoiled, path):
    (spoiled.folder.parent / "secret.csv").write_text("time,secret_W\n0,1\n")
    spoiled.change("campaign.toml", 'file = "logs/thermometer.tsv"', f'file = "{path}"')
    spoiled.refused("campaign.toml:")


def test_C16_pattern_as_a_column(spoiled):
    """A column is named literally: no pattern is ever tried against a name."""
    log = spoiled.folder / "logs/thermometer.tsv"
    log.write_text(log.read_text(encoding="utf-8").replace("coolant_degC", "a" * 4000 + "!", 1), encoding="utf-8")
    spoiled.change("campaign.toml", 'coolant_temperature = "coolant_degC"', 'coolant_temperature = "(a+)+$"')
    begin = time.perf_counter()
    spoiled.refused("(a+)+$", command="analyze")
    assert time.perf_counter() - begin < 10


# ---- foreign text that is allowed: it goes through everything as text ----------------------------------------------


class Tags(HTMLParser):
    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.text = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_data(self, data):
        self.text.append(data)


@pytest.fixture(scope="module")
def guide(lab, tmp_path_factory):
    """A campaign in which names, notes and headers are attacks, written as a guide from the command line."""
    folder = tmp_path_factory.mktemp("hostile") / "campaign"
    shutil.copytree(lab.folder / "clean", folder)
    attack = " ".join(PAYLOADS.values())
    shown = attack.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\u2028", "\\u2028")

    def edit(file, old, new):
        text = (folder / file).read_text(encoding="utf-8")
        assert old in text, old
        (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")

    edit("bench.toml", 'name = "Tarrowmere TM-10"', f'name = "{shown}"')
    lines = (folder / "campaign.toml").read_text(encoding="utf-8").splitlines()
    names = [line for line in lines if "phases, 210" in line]
    for number, line in enumerate(names[:4]):
        payload = FORMULAS[number - 1] if number else shown
        edit("campaign.toml", line, f'name = "{payload.replace(chr(9), chr(92) + "t")}"')
    log = folder / "logs/thermometer.tsv"
    text = log.read_text(encoding="utf-8")
    header = "<img src=x onerror=alert(1)>=1+1{{7*7}}[x](javascript:alert(1))"
    log.write_text(text.replace("coolant_degC", header + " [degC]", 1), encoding="utf-8")
    edit("campaign.toml", 'coolant_temperature = "coolant_degC"', f'coolant_temperature = "{header}"')
    printed = CliRunner().invoke(main, ["report", str(folder)])
    assert printed.exit_code in (0, 3), printed.output
    html = (folder / "guide/index.html").read_text(encoding="utf-8")
    markdown = (folder / "guide/guide.md").read_text(encoding="utf-8")
    return folder, Tags(html), html, markdown, printed.output


def test_C11_formulas_in_tables(guide):
    folder, seen = guide[0], 0
    for path in (folder / "guide/tables").glob("*.csv"):
        with path.open(newline="", encoding="utf-8") as stream:
            for cells in csv.reader(stream):
                for cell in cells:
                    assert not re.match(r"[=+@\t\r\x00]", cell), cell
                    # A number keeps its sign; a text does not begin with one.
                    assert not cell.startswith("-") or re.fullmatch(r"-[\d.]+(e[-+]?\d+)?", cell), cell
                    seen += cell.lstrip("'").startswith("=1+1")
    assert seen, "the step that is called =1+1 is in the tables, as text"


@pytest.mark.parametrize("name", ["C12", "C13", "C15", "C17"])
def test_text_of_the_guide_shows_every_attack(guide, name):
    shown = "".join(guide[1].text)
    wanted = PAYLOADS[name].replace("\u2028", "\\u2028")
    assert wanted in shown


def test_C12_nothing_runs(guide):
    page = guide[1]
    assert "img" not in page.tags
    assert "script" not in page.tags
    assert not [item for item in page.attributes if item[1].startswith("on")]


def test_C13_no_link_runs_a_script(guide):
    assert not [item for item in guide[1].attributes if "javascript:" in item[2].lower()]
    assert not re.search(r"\]\(\s*javascript:", guide[3])


def test_C14_no_forged_lines(guide):
    assert not [line for line in guide[4].splitlines() if line.startswith("2026-01-01 ERROR")]
    assert not [line for line in guide[3].splitlines() if line.startswith("2026-01-01 ERROR")]


def test_C15_nothing_is_formatted(guide):
    shown = "".join(guide[1].text)
    assert "<class" not in shown
    assert "{{7*7}}" in shown
    assert "49 }}" not in shown


def test_C17_the_page_stays_whole(guide):
    assert guide[1].tags.count("html") == guide[1].tags.count("body") == 1
    assert "\u2028" not in guide[2]
    assert guide[2].rstrip().endswith("</html>")
