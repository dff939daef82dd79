"""The tutorial is run: every console line in it, in order, in an empty folder."""

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from phasewright.app.cli import main

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs" / "tutorial.md").read_text(encoding="utf-8")
LINES = [
    line for block in re.findall(r"```console\n(.*?)```", TEXT, re.DOTALL) for line in block.splitlines() if line.strip()
]


def test_every_console_line_of_the_tutorial_works(tmp_path, monkeypatch):
    assert len(LINES) >= 7
    monkeypatch.chdir(tmp_path)
    for line in LINES:
        words = shlex.split(line)
        assert words[0] == "phasewright"
        result = CliRunner().invoke(main, words[1:])
        assert result.exit_code in (0, 3), f"{line}\n{result.output}"
    assert (tmp_path / "finished/guide/index.html").stat().st_size > 50_000
    campaign = (tmp_path / "mine/campaign.toml").read_text(encoding="utf-8")
    assert all(channel in campaign for channel in ("input_power", "package_power", "coolant_temperature"))


@pytest.mark.parametrize("page", sorted((ROOT / "docs").rglob("*.md")) + [ROOT / "README.md"], ids=lambda p: p.name)
def test_links_between_pages_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_every_verdict_of_the_code_is_explained():
    from phasewright.findings import VERDICTS

    assert all(f"| {verdict} |" in TEXT for verdict in VERDICTS)
