"""Bad input at the doors: each a clear error with file, place, rule and mend; nothing half-written; exit code 2."""

import re

import pytest

PLACE = re.compile(r"^\S.*(:\d+)?.* - .+$", re.MULTILINE)


def edit(path, old, new, count=1):
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{old!r} is not in {path.name}"
    path.write_text(text.replace(old, new, count), encoding="utf-8")


def refused(result, *words):
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    assert PLACE.search(result.output), result.output
    for word in words:
        assert word in result.output, result.output


def nothing_written(folder):
    derived = folder / "derived"
    assert not (derived / "analysis.json").exists()
    assert not [path for path in folder.rglob("*") if path.name.endswith(".part")]


def test_missing_log(campaign, invoke):
    (campaign / "logs/host.txt").unlink()
    refused(invoke("analyze", campaign), "host.txt")
    nothing_written(campaign)


def test_empty_log(campaign, invoke):
    (campaign / "logs/host.txt").write_text("", encoding="utf-8")
    refused(invoke("analyze", campaign), "host.txt", "empty")
    nothing_written(campaign)


def test_wrong_column(campaign, invoke):
    edit(campaign / "campaign.toml", '"package power"', '"package pover"')
    refused(invoke("analyze", campaign), "package pover", "package power")
    nothing_written(campaign)


def test_unknown_unit_in_the_bench_file(campaign, invoke):
    text = (campaign / "bench.toml").read_text(encoding="utf-8")
    line = next(row for row in text.splitlines() if row.startswith("switching_frequency"))
    edit(campaign / "bench.toml", line, 'switching_frequency = "500 furlongs"')
    number = text.splitlines().index(line) + 1
    refused(invoke("analyze", campaign), f"bench.toml:{number}", "furlongs", "kHz")
    nothing_written(campaign)


def test_unknown_unit_in_a_log(campaign, invoke):
    log = campaign / "logs/host.txt"
    text = log.read_text(encoding="utf-8").replace("W;A;V;", "Wobble;A;V;", 1)
    log.write_text(text, encoding="utf-8")
    refused(invoke("analyze", campaign), "host.txt", "Wobble")
    nothing_written(campaign)


def test_steps_that_do_not_match_the_record(campaign, invoke):
    text = (campaign / "campaign.toml").read_text(encoding="utf-8")
    start = re.search(r'start = "(2025-03-04)', text)[1]
    (campaign / "campaign.toml").write_text(text.replace(start, "2025-03-09"), encoding="utf-8")
    refused(invoke("analyze", campaign), "step")
    nothing_written(campaign)


def test_two_logs_without_overlap(campaign, invoke):
    """The host's log says it was written ten days later."""
    log = campaign / "logs/host.txt"
    log.write_text(log.read_text(encoding="utf-8").replace("04.03.2025", "14.03.2025"), encoding="utf-8")
    refused(invoke("analyze", campaign), "host", "overlap")
    nothing_written(campaign)


def test_a_log_that_ends_early_is_said_and_told_by_the_exit_code(campaign, invoke):
    log = campaign / "logs/host.txt"
    rows = log.read_text(encoding="utf-8").splitlines(keepends=True)
    log.write_text("".join(rows[: len(rows) // 2]), encoding="utf-8")
    result = invoke("analyze", campaign)
    assert result.exit_code == 3, result.output
    assert "unknown" in result.output


def test_no_campaign_at_all(tmp_path, invoke):
    refused(invoke("analyze", tmp_path / "nowhere"), "bench.toml")
    assert not (tmp_path / "nowhere").exists()


def test_every_fault_of_both_files_at_once(campaign, invoke):
    edit(campaign / "bench.toml", "phase_count = 10", "phase_count = -3")
    edit(campaign / "campaign.toml", 'price = "0.32 EUR/kWh"', 'price = "cheap"')
    edit(campaign / "campaign.toml", "hours_per_day", "hours_a_day")
    result = invoke("check", campaign)
    assert result.exit_code == 2
    assert "bench.toml:" in result.output
    assert "hours_per_day" in result.output, "the nearest valid key is named"
    assert "cheap" in result.output
    assert re.search(r"^[3-9] faults", result.output, re.MULTILINE)


@pytest.mark.parametrize("pair, words", [
    ("input_power", "CHANNEL=COLUMN"), ("inputpower=Ua", "inputpower"), ("input_power=Uz", "Uz"),
])
def test_bad_map(tmp_path, campaign, invoke, pair, words):
    before = (campaign / "campaign.toml").read_bytes()
    refused(invoke("read", campaign, campaign / "logs/meter.csv", "--map", pair), words)
    assert (campaign / "campaign.toml").read_bytes() == before


def test_a_log_of_the_same_name_is_never_replaced(tmp_path, campaign, invoke):
    other = tmp_path / "meter.csv"
    other.write_text("t [s],P [W]\n" + "".join(f"{i},{100 + i % 7}\n" for i in range(50)), encoding="utf-8")
    before = (campaign / "logs/meter.csv").read_bytes()
    refused(invoke("read", campaign, other, "--map", "input_power=P"), "meter.csv")
    assert (campaign / "logs/meter.csv").read_bytes() == before


def test_strict_refuses_what_would_be_repaired(campaign, invoke):
    log = campaign / "logs/thermometer.tsv"
    log.write_text(log.read_text(encoding="utf-8").rstrip("\n")[:-3], encoding="utf-8")
    assert invoke("analyze", campaign).exit_code in (0, 3)
    refused(invoke("analyze", campaign, "--strict"), "thermometer.tsv")
