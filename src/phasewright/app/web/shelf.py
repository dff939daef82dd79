"""The campaigns of a folder, each under an address that holds no file name."""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

BENCH_FILE, CAMPAIGN_FILE = "bench.toml", "campaign.toml"
_DEVICES = re.compile(r"(?i)^(con|prn|aux|nul|com\d|lpt\d)(\..*)?$")
"""Names that some systems take for devices."""


@dataclass(frozen=True, slots=True)
class Place:
    """One campaign folder."""

    id: str
    """Stands in addresses: letters of the folder's name and a digest of it."""
    folder: Path

    @property
    def name(self) -> str:
        """Name of the folder, as people gave it."""
        return self.folder.name


class Shelf:
    """A folder with campaigns, or a campaign folder itself. Addresses are looked up, never turned into paths."""

    def __init__(self, folder: Path):
        self.folder = folder.resolve()
        self.single = (self.folder / CAMPAIGN_FILE).is_file() or (self.folder / BENCH_FILE).is_file()

    def places(self) -> tuple[Place, ...]:
        """Return every campaign, by name."""
        if self.single:
            return (_place(self.folder),)
        try:
            found = [path for path in self.folder.iterdir() if _is_campaign(path)]
        except OSError:
            return ()
        return tuple(_place(path) for path in sorted(found, key=lambda path: path.name.casefold()))

    def find(self, campaign: str) -> Place | None:
        """Return the campaign with this address; None when there is none."""
        if self.single:
            return next((place for place in self.places() if place.id == campaign), None)
        try:
            with os.scandir(self.folder) as inside:
                near = [item.path for item in inside if _digest(item.name) == campaign[-8:]]
        except OSError:
            return None
        found = (_place(Path(path)) for path in sorted(near) if _is_campaign(Path(path)))
        return next((place for place in found if place.id == campaign), None)

    def free_folder(self, name: str) -> Path:
        """Return a folder for a new campaign called `name` that is not there yet."""
        stem = slug(name)
        for number in range(1, 10_000):
            path = self.folder / (stem if number == 1 else f"{stem}-{number}")
            if not path.exists() and not path.is_symlink():
                return path
        raise OSError(f"no free folder for {stem}")


def _is_campaign(path: Path) -> bool:
    return (
        not path.name.startswith(".")
        and not path.is_symlink()
        and path.is_dir()
        and ((path / CAMPAIGN_FILE).is_file() or (path / BENCH_FILE).is_file())
    )


def _place(folder: Path) -> Place:
    return Place(f"{slug(folder.name)[:32]}-{_digest(folder.name)}", folder)


def _digest(name: str) -> str:
    return hashlib.sha256(name.encode("utf-8", "surrogateescape")).hexdigest()[:8]


def slug(text: str) -> str:
    """Return `text` as a folder's name of a-z, 0-9 and hyphens."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii").lower()
    name = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-") or "campaign"
    return f"x-{name}" if _DEVICES.match(name) else name


def log_file_name(text: str) -> str:
    """Return a name for an uploaded log: the last part of what was given, of letters, digits, dot, hyphen, underscore.

    Whatever is given, the result is one plain file name that no system takes for a device or a hidden file.
    """
    last = re.split(r"[/\\]", unicodedata.normalize("NFKC", text).replace("\0", ""))[-1]
    stem, dot, ending = last.rpartition(".")
    stem, ending = (stem, ending) if dot else (last, "")
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", stem).strip("-_")[:80] or "log"
    ending = re.sub(r"[^A-Za-z0-9]+", "", ending)[:8] or "txt"
    name = f"{stem}.{ending}"
    return f"log-{name}" if _DEVICES.match(name) else name
