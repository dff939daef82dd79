"""The few calls by which a journal reaches the disk, in one place so that trials can let each of them fail."""

from __future__ import annotations

import os
from pathlib import Path


class Disk:
    """Opens, writes, syncs and closes files of a journal. Every call may raise OSError."""

    def make(self, path: Path) -> int:
        """Create a new file for appending and return its handle; the folder's entry is synced."""
        handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o644)
        self._sync_folder(path.parent)
        return handle

    def write(self, handle: int, data: bytes) -> int:
        """Write, and return how much was taken."""
        return os.write(handle, data)

    def sync(self, handle: int) -> None:
        """Return only when all that was written is on the disk."""
        os.fsync(handle)

    def close(self, handle: int) -> None:
        """Close."""
        os.close(handle)

    def _sync_folder(self, folder: Path) -> None:
        if not hasattr(os, "O_DIRECTORY"):
            return
        place = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(place)
        finally:
            os.close(place)
