"""Files of a campaign that a job writes: whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_atomically(path: Path, data: str | bytes) -> None:
    """Write a text (UTF-8) or bytes to `path` so that a reader sees the old file or the new one, never half of it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data if isinstance(data, bytes) else data.encode("utf-8"))
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def refuse_unwritable(folder: Path) -> None:
    """Refuse, before any work is done, a folder that cannot be written into."""
    from phasewright.bench import BenchFault, Fault

    if folder.exists() and not folder.is_dir():
        raise BenchFault(Fault(str(folder), "a file stands where the folder should be", "move it away", 1))
    inside = folder if folder.exists() else folder.parent
    if inside.exists() and not os.access(inside, os.W_OK):
        raise BenchFault(Fault(str(inside), "the folder cannot be written into", "grant write permission", 1))
