"""The word list: argument names, record fields and file keys that are not in docs/words.md are refused."""

import dataclasses
import importlib
import inspect
import json
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "src" / "phasewright"
ROW = re.compile(r"^\| *([^|]+?) *\| *([^|]*?) *\| *([^|]+?) *\|$", re.MULTILINE)


def tables() -> dict[str, list[tuple[str, str, str]]]:
    text = (ROOT / "docs" / "words.md").read_text(encoding="utf-8")
    parts = re.split(r"^## (.+)$", text, flags=re.MULTILINE)[1:]
    return {
        room.strip(): [row for row in ROW.findall(body) if row[0] not in ("word", "---")]
        for room, body in zip(parts[::2], parts[1::2], strict=True)
    }


WORDS = {row[0].strip("`") for rows in tables().values() for row in rows}


ROOMS = sorted(path.parent.name for path in PACKAGE.glob("*/__init__.py"))


def names_of(thing) -> set[str]:
    """Return the argument names, record fields and method arguments that `thing` of a face shows its users."""
    found: set[str] = set()
    if inspect.isclass(thing):
        if dataclasses.is_dataclass(thing):
            found |= {item.name for item in dataclasses.fields(thing)}
        methods = [item for name, item in vars(thing).items() if inspect.isfunction(item) and name[0] != "_"]
        found |= {name for method in methods for name in names_of(method)}
        found |= {name for name, item in vars(thing).items() if isinstance(item, property)}
    elif callable(thing):
        found |= set(inspect.signature(thing).parameters)
    return {name for name in found if name not in ("self", "cls", "args", "kwargs") and name[0] != "_"}


@pytest.mark.parametrize("room", ROOMS)
def test_names_on_the_face_are_on_the_word_list(room):
    face = importlib.import_module(f"phasewright.{room}")
    used = {name: item for item in face.__all__ for name in names_of(getattr(face, item))}
    unknown = {name: item for name, item in used.items() if name not in WORDS}
    assert not unknown, f"add to docs/words.md with unit and meaning, or use a word that is there: {unknown}"


def keys_of(schema) -> set[str]:
    """Return every property name of a JSON Schema, however deep."""
    found: set[str] = set()
    if isinstance(schema, dict):
        found |= set(schema.get("properties", {}))
        for item in schema.values():
            found |= keys_of(item)
    elif isinstance(schema, list):
        for item in schema:
            found |= keys_of(item)
    return found


@pytest.mark.parametrize("kind", ["bench", "campaign"])
def test_keys_of_the_files_are_on_the_word_list(kind):
    from phasewright.bench import CHANNELS, json_schema

    unknown = keys_of(json_schema(kind)) - WORDS - set(CHANNELS)
    assert not unknown


def test_keys_of_the_analysis_are_on_the_word_list():
    schema = json.loads((PACKAGE / "findings" / "analysis.schema.json").read_text(encoding="utf-8"))
    assert not keys_of(schema) - WORDS


def test_tables_are_sorted_and_say_something():
    for room, rows in tables().items():
        words = [row[0].strip("`") for row in rows]
        assert words == sorted(words, key=str.casefold), room
        assert all(row[2] for row in rows), room


def test_no_word_stands_twice():
    words = [row[0].strip("`") for rows in tables().values() for row in rows]
    assert sorted(words) == sorted(set(words))
