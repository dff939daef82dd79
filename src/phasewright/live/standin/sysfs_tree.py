"""A tree of files in the shape of Linux sysfs: hwmon and iio chips, powercap zones."""

from __future__ import annotations

import os
from pathlib import Path


class SysfsTree:
    """Files under `root`. Values are set as whole counts, in the units of the kernel's documents."""

    def __init__(self, root: Path):
        self.root = root

    def chip(self, kind: str, number: int, name: str, device: str = "") -> Path:
        """Make (or find) the folder of a chip of `kind` hwmon, iio or powercap."""
        place = {"hwmon": f"class/hwmon/hwmon{number}", "iio": f"bus/iio/devices/iio:device{number}",
                 "powercap": f"class/powercap/zone:{number}"}[kind]
        folder = self.root / place
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "name").write_text(name + "\n", encoding="ascii")
        if device and not (folder / "device").exists():
            home = self.root / "devices" / device
            home.mkdir(parents=True, exist_ok=True)
            os.symlink(home, folder / "device")
        return folder

    @staticmethod
    def put(folder: Path, file: str, count: int | str) -> None:
        """Set one file; who reads sees the old text or the new one, as with the kernel's."""
        part = folder / f".{file}.part"
        part.write_bytes(f"{count}\n".encode("ascii"))
        part.replace(folder / file)
