"""Writes the two files: lays down a new campaign folder, and keeps the description of a log."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from phasewright.bench.faults import BenchFault, Fault, escape
from phasewright.bench.read import BENCH_FILE, CAMPAIGN_FILE


def lay_down(folder: str | Path) -> tuple[Path, ...]:
    """Write commented bench.toml and campaign.toml into `folder`, and return their paths.

    An empty logs/ is made beside them. Nothing is overwritten, and nothing is left behind when something fails.

    Raises
    ------
    BenchFault
        When one of the files is there already, or the folder cannot be written.
    """
    folder = Path(folder)
    files = {folder / name: template(name) for name in (BENCH_FILE, CAMPAIGN_FILE)}
    faults = [
        Fault(path.name, f"{path.name} is there already", "choose another folder, or take the file away yourself")
        for path in files
        if path.exists() or path.is_symlink()
    ]
    if faults:
        raise BenchFault(faults)
    undo: list[Callable[[], Any]] = []
    try:
        for place in (*reversed(folder.parents), folder, folder / "logs"):
            if not place.is_dir():
                place.mkdir()
                undo.append(place.rmdir)
        for path, content in files.items():
            with open(path, "x", encoding="utf-8", newline="\n") as stream:
                undo.append(path.unlink)
                stream.write(content)
    except OSError as error:
        _take_back(undo)
        what = f"the campaign folder cannot be written ({escape(error.strerror or str(error))})"
        raise BenchFault(Fault(escape(str(folder), 255), what, "choose a folder that may be written")) from None
    except BaseException:
        _take_back(undo)
        raise
    return tuple(files)


def _take_back(undo: list[Callable[[], Any]]) -> None:
    for step in reversed(undo):
        try:
            step()
        except OSError:
            continue  # what somebody else put there meanwhile stays


def template(name: str) -> str:
    """Return the commented text that a new `name` (bench.toml | campaign.toml) starts with."""
    from importlib import resources

    return resources.files("phasewright.bench").joinpath("templates", name).read_text("utf-8")
