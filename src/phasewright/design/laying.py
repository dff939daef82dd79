"""Lays down an invented catalogue and requirement to start from."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from phasewright.bench import BenchFault, Fault, escape
from phasewright.design.catalogue import CATALOGUE_FILE
from phasewright.design.requirement import REQUIREMENT_FILE

__all__ = ["lay_down_design"]


def lay_down_design(folder: str | Path) -> tuple[Path, ...]:
    """Write an invented catalogue.toml and requirement.toml into `folder`, and return their paths.

    What is there already stays as it is; the other file is written.

    Raises
    ------
    BenchFault
        When both are there already, or the folder cannot be written.
    """
    folder, written = Path(folder), []
    names = [name for name in (REQUIREMENT_FILE, CATALOGUE_FILE) if not (folder / name).exists()]
    if not names:
        raise BenchFault(Fault(CATALOGUE_FILE, f"{REQUIREMENT_FILE} and {CATALOGUE_FILE} are there already",
                               "choose another folder, or take them away yourself"))  # fmt: skip
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in names:
            text = resources.files("phasewright.design").joinpath("templates", name).read_text("utf-8")
            with open(folder / name, "x", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
            written.append(folder / name)
    except OSError as error:
        what = f"the folder cannot be written ({escape(error.strerror or str(error))})"
        raise BenchFault(Fault(escape(str(folder), 255), what, "choose a folder that may be written")) from None
    return tuple(written)
