"""`phasewright read`: what was read, mapped, refused, repaired, noted and doubted, line by line, with counts."""

import json
import re

import pytest

LINE = re.compile(r"^[^\n]+?:\d+(?::\d+)? \S[^\n]* - \S[^\n]*$")


@pytest.fixture
def messy(tmp_path):
    """A log with everything in it that reading mends, refuses or doubts."""
    rows = ["bench logger", "serial;17", "", "time;power [W];Rail current [A];Regulator temp [°C];note"]
    for i in range(900):
        power = (300 + i * 37 % 11 / 5) if (i // 120) % 2 else (40 + i * 37 % 11 / 10)
        current, heat = 0.8 * power + i * 29 % 7 / 100, 40 + (i // 120 % 2) * 10 + i * 41 % 5 / 10
        cells = [f"{power:.2f}", f"{current:.2f}", f"{heat:.1f}"]
        cells = [cell.replace(".", ",") for cell in cells]
        if i in (100, 101, 350):
            cells[2] = "-127,0"
        if i == 200:
            cells[0] = "n/a"
        if i == 210:
            cells[1] = "1_000"
        if i == 400:
            rows.append(rows[3])
        rows.append(f"13.03.2026 12:{i // 60:02d}:{i % 60:02d};" + ";".join(cells) + ("" if i == 500 else ";ok"))
    rows.append("Average;;;;")
    path = tmp_path / "messy.csv"
    path.write_bytes(("\n".join(rows) + "\n13.03.2026 12:15:00;30").encode("cp1252"))
    return path


@pytest.fixture
def empty(tmp_path, invoke):
    assert invoke("new", tmp_path / "mine").exit_code == 0
    return tmp_path / "mine"


MAP = (
    "--map", "input_power=power", "--map", "rail_current=Rail current", "--map", "regulator_temperature=Regulator temp",
)  # fmt: skip


def test_every_line_that_was_touched_is_told(empty, messy, invoke):
    result = invoke("read", empty, messy, *MAP)
    assert result.exit_code == 3, "a cell was refused: done, with stated losses"
    text = result.output
    titles = [line.partition(" (")[0] for line in text.splitlines() if line and not line.startswith(" ")]
    assert titles[1:7] == [
        "read", "mapped", "refused", "repaired", "noted", "values that no sensor took, or that contradict each other"
    ]  # fmt: skip
    assert "messy.csv: 900 rows, 5 columns" in text
    assert re.search(r"input_power +=", text)
    assert re.search(r"not used +note", text)
    # Lines counted by hand: 4 lines in front, a header repeated after row 399.
    assert re.search(r"line 215 +Rail current \[A\]: not a number \(1_000\) - mend the cell", text)
    assert re.search(r"line 405 +header repeated", text)
    assert re.search(r"line 506 +row with fewer fields", text)
    assert re.search(r"line 906 +footer row left out", text)
    assert re.search(r"line 205 +power \[W\]: missing: n/a", text)
    assert re.search(r"3 times from line 105 +Regulator temp \[°C\]: jumps to -127 °C", text)
    counts = re.search(r"in all +900 rows read; 1 refused, (\d+) repaired, (\d+) noted, 3 doubted", text)
    assert counts
    for count, title in zip(counts.groups(), ("repaired", "noted"), strict=True):
        assert f"{title} ({count})" in text


def test_json_holds_the_same(empty, messy, invoke):
    result = invoke("read", empty, messy, *MAP, "--json")
    found = json.loads(result.output)["logs"][0]
    assert [d["count"] for d in found["doubts"]] == [3]
    assert sum(r["count"] for r in found["report"]["remarks"] if r["kind"] == "refuse") == 1


def test_strict_refuses_instead_of_repairing(empty, messy, invoke):
    before = (empty / "campaign.toml").read_bytes()
    result = invoke("read", empty, messy, *MAP, "--strict")
    assert result.exit_code == 2
    lines = [line for line in result.output.splitlines() if " - " in line]
    assert len(lines) >= 7
    for line in lines:
        assert LINE.match(line), line
    assert (empty / "campaign.toml").read_bytes() == before
    assert not (empty / "logs" / "messy.csv").exists()


def test_strict_takes_a_sound_log(empty, tmp_path, invoke):
    path = tmp_path / "sound.csv"
    path.write_text("time,power [W]\n" + "".join(f"2026-03-13T12:00:{i:02d},{100 + i * 7 % 5}\n" for i in range(60)))
    result = invoke("read", empty, path, "--map", "input_power=power", "--strict")
    assert result.exit_code == 0, result.output
    assert "0 refused, 0 repaired" in result.output


def test_a_slipped_unit_is_refused_where_it_is_read(empty, tmp_path, invoke):
    """The map is kept, so that the unit can be stated in it; reading says so and analysis refuses until then."""
    path = tmp_path / "slip.csv"
    rows = [f"{i // 60:02d}:{i % 60:02d},{(300000 if i // 60 % 2 else 40000) + i * 7 % 50}\n" for i in range(600)]
    path.write_text("time,power [W]\n" + "".join(f"2026-03-13T12:{row}" for row in rows))
    result = invoke("read", empty, path, "--map", "input_power=power")
    assert result.exit_code == 3, result.output
    assert "it looks like mW" in result.output
    assert 'unit = "mW"' in result.output
    result = invoke("read", empty, path, "--map", "input_power=power", "--strict")
    assert result.exit_code == 2
    assert LINE.match(result.output.splitlines()[0])


@pytest.fixture
def wrapping(tmp_path):
    """A running energy counter of 65 532.610987 J that wraps once, after row 138 of 300."""
    path = tmp_path / "counter.csv"
    rows = [f"{i},{(60_000 + 40 * i) % 65532.610987:.3f}\n" for i in range(300)]
    path.write_text("time [s],package energy [J]\n" + "".join(rows))
    return path


def test_an_unwrapped_counter_is_told_as_a_repair(empty, wrapping, invoke):
    result = invoke("read", empty, wrapping)
    assert result.exit_code == 0, result.output
    assert re.search(r"repaired \(1\)\n +line 141 +package energy \[J\]: the counter wraps at 65532.6 J", result.output)
    assert "0 refused, 1 repaired, 0 noted, 0 doubted" in result.output


def test_strict_refuses_an_unwrapped_counter(empty, wrapping, invoke):
    result = invoke("read", empty, wrapping, "--strict")
    assert result.exit_code == 2
    first = result.output.splitlines()[0]
    assert LINE.match(first), first
    assert first.startswith("logs/counter.csv:141 the counter wraps") and "counter unwrapped" in first
    assert not (empty / "logs" / "counter.csv").exists()


def test_what_is_stated_is_no_repair(empty, tmp_path, invoke):
    """A log whose ways are stated in campaign.toml passes strict reading, unchanged."""
    path = tmp_path / "stated.csv"
    text = "bench\nZeit;input power [W]\n" + "".join(f"13.03.2026 12:00:{i:02d};{i + 100},5\n" for i in range(60))
    path.write_bytes(text.encode("cp1252"))
    assert invoke("read", empty, path, "--strict").exit_code == 2
    assert invoke("read", empty, path).exit_code == 0
    campaign = empty / "campaign.toml"
    said = campaign.read_text(encoding="utf-8").replace(
        'name = "stated"\n', 'name = "stated"\nheader_line = 2\ndecimal = ","\n'
    )
    campaign.write_text(said, encoding="utf-8")
    result = invoke("read", empty, path, "--strict")
    assert result.exit_code == 0, result.output
    assert "0 refused, 0 repaired" in result.output


def test_a_channel_that_another_log_holds_is_refused_with_a_label(empty, tmp_path, invoke):
    path = tmp_path / "one.csv"
    path.write_text("time [s],input power [W]\n" + "".join(f"{i},{100 + i % 7}\n" for i in range(60)))
    assert invoke("read", empty, path).exit_code == 0
    before = (empty / "campaign.toml").read_bytes()
    path = path.rename(tmp_path / "two.csv")
    result = invoke("read", empty, path)
    assert result.exit_code == 2
    mend = re.search(r"give it a label: --map (input_power\.two)='(input power \[W\])'", result.output)
    assert mend and LINE.match(result.output.splitlines()[0])
    assert (empty / "campaign.toml").read_bytes() == before
    assert invoke("read", empty, path, "--map", f"{mend[1]}={mend[2]}").exit_code == 0


def test_time_of_day_is_shown_as_such(empty, tmp_path, invoke):
    path = tmp_path / "night.csv"
    rows = ["23:59:58", "23:59:59", "00:00:00", "00:00:01"]
    path.write_text("Time,input power [W]\n" + "".join(f"{row},{100 + i}\n" for i, row in enumerate(rows)))
    assert "time of day: 23:59:58 to 00:00:01 of day 2" in invoke("read", empty, path).output
