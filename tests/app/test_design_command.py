"""`phasewright design`: from an empty folder to the answer, the figure and the kept facts."""

import json
import re

from click.testing import CliRunner

from phasewright.app import jobs
from phasewright.app.cli import main


def small(folder):
    """Make the example in a folder small enough for a test."""
    jobs.new_design(folder)
    path = folder / "requirement.toml"
    text = path.read_text().replace("[4, 14]", "[8, 9]")
    path.write_text(text.replace('["400 kHz", "500 kHz", "600 kHz", "800 kHz"]', '["400 kHz"]'))
    parts = folder / "catalogue.toml"
    blocks = parts.read_text().split("\n[[")
    left = {"stage]]": 3, "inductor]]": 2, "cooler]]": 2, "controller]]": 2, "connector]]": 2}
    kept = [blocks[0]]
    for block in blocks[1:]:
        kind = block.split("\n")[0]
        left[kind] = left.get(kind, 99) - 1
        if left[kind] >= 0:
            kept.append(block)
    parts.write_text("\n[[".join(kept))


def test_design_is_said_drawn_and_kept(tmp_path):
    small(tmp_path)
    figure = tmp_path / "front.svg"
    result = CliRunner().invoke(main, ["design", str(tmp_path), "--quick", "--draws", "300", "--figure", str(figure)])
    assert result.exit_code == 0, result.output
    for title in ("What would be enough?", "To build", "On the front", "Why not its neighbours", "How it was found"):
        assert title in result.output
    assert max(len(line) for line in result.output.splitlines()) <= 80
    assert "would be enough" in figure.read_text()
    kept = jobs.kept_design(tmp_path)
    assert kept is not None and kept.verdict.sentence[:8] in result.output
    (tmp_path / "requirement.toml").write_text((tmp_path / "requirement.toml").read_text().replace("240 A", "241 A"))
    assert jobs.kept_design(tmp_path) is None


def test_json_is_one_object_and_a_silent_folder_is_told_what_to_do(tmp_path):
    small(tmp_path)
    result = CliRunner().invoke(main, ["design", str(tmp_path), "--quick", "--draws", "0", "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["format"] == "phasewright-design-1" and told["front"] and told["chosen"]["fails"] == []
    empty = CliRunner().invoke(main, ["design", str(tmp_path / "none")])
    assert empty.exit_code == 2
    assert len(re.findall("--new", empty.output)) >= 2


def test_new_lays_down_the_example_once(tmp_path):
    first = CliRunner().invoke(main, ["design", str(tmp_path), "--new"])
    assert first.exit_code == 0 and (tmp_path / "catalogue.toml").is_file()
    assert CliRunner().invoke(main, ["design", str(tmp_path), "--new"]).exit_code == 2
