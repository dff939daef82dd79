"""A campaign folder to spoil: the frozen example, with the logs that it names."""

import shutil
from pathlib import Path

import pytest

FROZEN = Path(__file__).parents[1] / "frozen"


class Folder:
    """A campaign folder whose files can be changed line by line."""

    def __init__(self, path: Path):
        self.path = path
        (path / "logs").mkdir(parents=True)
        shutil.copy(FROZEN / "bench-1.toml", path / "bench.toml")
        shutil.copy(FROZEN / "campaign-1.toml", path / "campaign.toml")
        for name in ("meter", "host-1", "host-2"):
            (path / "logs" / f"{name}.csv").write_text("t\n0\n", encoding="utf-8")

    def text(self, file: str) -> str:
        return (self.path / file).read_text(encoding="utf-8")

    def write(self, file: str, text: str) -> None:
        (self.path / file).write_bytes(text.encode("utf-8"))

    def change(self, file: str, old: str, new: str) -> int:
        """Put `new` in the place of `old`, which must stand there exactly once; return its line."""
        text = self.text(file)
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        self.write(file, text.replace(old, new))
        return text.count("\n", 0, text.index(old)) + 1


@pytest.fixture
def folder(tmp_path):
    return Folder(tmp_path / "campaign")
