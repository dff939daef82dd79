"""`phasewright read` shows the first values of what was mapped, not of what was suggested."""

import json
import re

import pytest

from phasewright.app import jobs


@pytest.fixture
def two(tmp_path, invoke):
    """A folder and a log of two connectors, 12 V x 5 A and 12 V x 6 A."""
    assert invoke("new", tmp_path / "mine").exit_code == 0
    rows = [f"{i},12,{5 + i % 3},12,{6 + i % 2}\n" for i in range(30)]
    path = tmp_path / "meter.csv"
    path.write_text("time [s],Ua [V],Ia [A],Ub [V],Ib [A]\n" + "".join(rows))
    return tmp_path / "mine", path


@pytest.mark.parametrize("text, first", [
    ("Ua*Ia", "60, 72, 84 W"), ("Ub*Ib", "72, 84, 72 W"), ("Ua*Ia + Ub*Ib", "132, 156, 156 W"),
])  # fmt: skip
def test_first_values_are_those_of_the_map(two, invoke, text, first):
    folder, path = two
    result = invoke("read", folder, path, "--map", f"input_power={text}")
    assert re.search(rf"input_power += {re.escape(text.replace('*', ' * '))}   {first}\n", result.output), result.output


def test_json_has_them_too(two, invoke):
    folder, path = two
    found = json.loads(invoke("read", folder, path, "--map", "input_power=Ua*Ia", "--json").output)["logs"][0]
    assert found["first_values"] == {"input_power": [60.0, 72.0, 84.0, 60.0, 72.0]}


def test_a_channel_that_cannot_be_made_shows_none(two, invoke):
    folder, path = two
    result = invoke("read", folder, path, "--map", "input_power=Ua*Ub")
    assert result.exit_code == 3
    assert re.search(r"input_power += Ua \* Ub\n", result.output), result.output
    assert "V x V of columns Ua, Ub is no W" in result.output


def test_a_wrong_map_is_refused_with_the_line_of_the_header(two, invoke):
    folder, path = two
    result = invoke("read", folder, path, "--map", "power=Ua", "--map", "input_power=Watts")
    assert result.exit_code == 2
    lines = result.output.splitlines()[:2]
    assert all(re.match(r"^\S*meter.csv:1 \S.* - use one of", line) for line in lines), lines


def test_a_further_file_keeps_factors_and_units_of_the_map(two, invoke):
    folder, path = two
    assert invoke("read", folder, path, "--name", "meter", "--map", "input_current=Ia").exit_code == 0
    kept = folder / "campaign.toml"
    text = kept.read_text(encoding="utf-8")
    assert 'input_current = "Ia"' in text
    kept.write_text(text.replace('input_current = "Ia"', 'input_current = { column = "Ia", factor = -1 }'))
    more = path.with_name("more.csv")
    more.write_bytes(path.read_bytes())
    result = jobs.read(folder, more, name="meter", append=True)
    assert result.entry.files == ("logs/meter.csv", "logs/more.csv")
    assert [term.factor for source in result.entry.channels for term in source.terms] == [-1.0]
    assert result.first_values["input_current"][0] == -5.0
