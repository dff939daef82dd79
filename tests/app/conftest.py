"""One demo campaign for all tests of the doors, and small campaigns to spoil."""

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from phasewright.app.cli import main


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "campaign"
    result = CliRunner().invoke(main, ["demo", str(folder), "--no-page"])
    assert result.exit_code in (0, 3), result.output
    (folder.parent / "printed.txt").write_text(result.output, encoding="utf-8")
    return folder


@pytest.fixture
def campaign(demo_folder, tmp_path) -> Path:
    """A copy of the demo campaign without anything derived, to spoil."""
    folder = tmp_path / "campaign"
    shutil.copytree(demo_folder, folder, ignore=shutil.ignore_patterns("derived", "guide"))
    return folder


@pytest.fixture
def invoke():
    def run(*words, input=None):
        return CliRunner().invoke(main, [str(word) for word in words], input=input)

    return run
