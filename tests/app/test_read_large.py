"""A log that would fill the memory is read onto the disk: the same result, and nothing left behind."""

import pytest

from phasewright.app import bring, jobs
from phasewright.bench import LogFault


def left(folder):
    return [path for path in (folder / "derived").rglob("*") if path.is_file() or path.name.startswith(".part")]


def test_a_large_log_is_taken_in_like_a_small_one(tmp_path, demo_folder, monkeypatch):
    found = {}
    for name, large in (("small", 1 << 40), ("large", 0)):
        monkeypatch.setattr(bring, "LARGE", large)
        jobs.new(tmp_path / name)
        found[name] = jobs.read(tmp_path / name, demo_folder / "logs" / "host.txt")
        assert not left(tmp_path / name)
    assert found["large"] == found["small"]
    assert found["large"].entry.channels
    texts = [(tmp_path / name / "campaign.toml").read_text(encoding="utf-8") for name in found]
    assert texts[0] == texts[1]


@pytest.mark.parametrize("large", [0, 1 << 40])
def test_what_a_refused_large_log_left_is_gone(tmp_path, monkeypatch, large):
    monkeypatch.setattr(bring, "LARGE", large)
    jobs.new(tmp_path / "board")
    log = tmp_path / "meter.csv"
    rows = [f"{second},{100 + second}" for second in range(40)]
    log.write_text("\n".join(["Time [s],Power [W]", *rows, "40,1,2,3", "end of file"]) + "\n", encoding="utf-8")
    with pytest.raises(LogFault):
        jobs.read(tmp_path / "board", log, strict=True)
    assert not left(tmp_path / "board")
    assert not list((tmp_path / "board" / "logs").glob("*.csv"))
