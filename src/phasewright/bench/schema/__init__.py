"""The JSON Schema of both files, as shipped."""

from __future__ import annotations


def json_schema(kind: str) -> dict:
    """Return the JSON Schema (draft 2020-12) of one file: ``bench`` or ``campaign``; ValueError for any other word."""
    if kind not in ("bench", "campaign"):
        raise ValueError(f"kind = {kind!r} - one of two files is asked for - write 'bench' or 'campaign'")
    import json
    from importlib import resources

    return json.loads(resources.files(__name__).joinpath(f"{kind}.json").read_text("utf-8"))
