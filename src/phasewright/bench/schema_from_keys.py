"""The JSON Schema of both files, made from the declarations that the files are read with."""

from __future__ import annotations

from typing import Any

from phasewright.bench._keys import CLOCK_TIME, PRICE, Keys, facts
from phasewright.bench._reference import inner, top_keys
from phasewright.bench.channels import CHANNELS

_NUMBER = r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?"
_QUANTITY = rf"^\s*{_NUMBER}(\s*(?![eE][+-]?[0-9])[^\s0-9.,+-].*|\s+1/.*)$"
_PATH = r"^(?![/~])(?!.*(^|/)\.\.(/|$))(?![A-Za-z]:)[^\\]+$"
_CHANNEL = "^(" + "|".join(CHANNELS) + r")(\.[A-Za-z0-9_-]+)?$"


def schema_from_keys(kind: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of one file: ``bench`` or ``campaign``; ValueError for any other word."""
    model = top_keys(kind)
    table = _table(model)
    table["required"] = ["format", *table.get("required", [])]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"{kind}.toml",
        "description": model.__doc__,
        **table,
    }


def _table(model: type[Keys]) -> dict[str, Any]:
    properties: dict[str, Any] = {}
    required = []
    for name, field in model.model_fields.items():
        properties[name] = {"description": field.description, **_value(facts(field), field.annotation)}
        below = inner(field.annotation)
        needs = facts(field)["kind"] == "table" and below is not None and "required" in _table(below)
        if field.is_required() or needs:
            required.append(name)
    table = {"type": "object", "properties": properties, "additionalProperties": False}
    return {**table, "required": required} if required else table


def _value(extra: dict[str, Any], annotation: Any) -> dict[str, Any]:
    kind = extra["kind"]
    below = inner(annotation)
    if below is None:
        return {**_leaf(extra), "examples": [extra["example"]]}
    if kind == "table":
        return _table(below)
    if kind == "tables":
        return {"type": "array", "items": _table(below)}
    if kind == "by_channel":
        return _by_channel(below)
    term = {"anyOf": [{"type": "string"}, _words(), _table(below)]}
    return {"type": "array", "minItems": 1, "items": term, "examples": [extra["example"]]}


def _leaf(extra: dict[str, Any]) -> dict[str, Any]:
    kind = extra["kind"]
    if kind == "quantity":
        return {"type": "string", "pattern": _QUANTITY, "$comment": f"{extra['low']} to {extra['high']}"}
    if kind in ("count", "number"):
        of = "integer" if kind == "count" else "number"
        return {"type": of, "minimum": extra["low"], "maximum": extra["high"]}
    if kind == "choice":
        return {"enum": list(extra["choices"])}
    if kind == "pairs":
        pair = {"type": "array", "items": {"type": "string", "pattern": _QUANTITY}, "minItems": 2, "maxItems": 2}
        return {"type": "array", "items": pair}
    path = {"type": "string", "pattern": _PATH}
    others: dict[str, dict[str, Any]] = {
        "text": {"type": "string"},
        "flag": {"type": "boolean"},
        "channel_quantity": {"type": "string", "pattern": _QUANTITY},
        "moment": {"type": "string", "pattern": f"{_QUANTITY}|^\\s*({CLOCK_TIME})\\s*$"},
        "price": {"type": "string", "pattern": "^" + PRICE.replace("?P<number>", "").replace("?P<currency>", "") + "$"},
        "file": path,
        "files": {"type": "array", "minItems": 1, "items": path},
        "file_map": {"type": "object", "additionalProperties": path},
        "words": _words(),
    }
    return others[kind]


def _words() -> dict[str, Any]:
    return {"type": "array", "minItems": 1, "items": {"type": "string"}}


def _by_channel(model: type[Keys]) -> dict[str, Any]:
    """A channel's entry; a channel without label may hold one entry for each of its labels instead."""
    entry: dict[str, Any] = _table(model)
    if "column" in model.model_fields:
        entry = {"anyOf": [{"type": "string"}, entry]}
    labels = {"type": "object", "patternProperties": {"^[A-Za-z0-9_-]+$": entry}, "additionalProperties": False}
    return {
        "type": "object",
        "patternProperties": {_CHANNEL: {"anyOf": [entry, labels]}},
        "additionalProperties": False,
    }
