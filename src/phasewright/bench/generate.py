"""Writes what is made from the key declarations: the JSON Schemas and the reference sections of the how-to pages.

Run from the project's folder after keys were changed: ``python -m phasewright.bench.generate``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from phasewright.bench._reference import with_reference
from phasewright.bench.schema_from_keys import schema_from_keys


def made_files(folder: Path) -> Mapping[Path, str]:
    """Return path -> content of every file that is made from the keys, `folder` being the project's."""
    files = {}
    for kind in ("bench", "campaign"):
        schema = json.dumps(schema_from_keys(kind), indent=1, ensure_ascii=False) + "\n"
        files[folder / "src/phasewright/bench/schema" / f"{kind}.json"] = schema
        page = folder / "docs/how-to" / f"{kind}-file.md"
        files[page] = with_reference(page.read_text("utf-8"), kind)
    return files


if __name__ == "__main__":
    for path, content in made_files(Path.cwd()).items():
        path.write_text(content, "utf-8", newline="\n")
