"""The word list: argument names, record fields and file keys that are not in docs/words.md are refused."""

import ast
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


def names_of(path: Path) -> set[str]:
    """Return argument names of public functions and field names of public records in `path`."""
    found: set[str] = set()

    def walk(body, public):
        for node in body:
            if isinstance(node, ast.FunctionDef) and public and not node.name.startswith("_"):
                given = node.args
                found.update(arg.arg for arg in given.posonlyargs + given.args + given.kwonlyargs)
                found.update(arg.arg for arg in (given.vararg, given.kwarg) if arg)
            elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                walk(node.body, True)
                found.update(
                    item.target.id for item in node.body
                    if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name)
                    and not item.target.id.startswith("_")
                )

    walk(ast.parse(path.read_text(encoding="utf-8")).body, True)
    return {name for name in found if name not in ("self", "cls") and not name.startswith("_")}


ROOMS = sorted(path.parent.name for path in PACKAGE.glob("*/__init__.py"))


@pytest.mark.parametrize("room", ROOMS)
def test_names_are_on_the_word_list(room):
    used: dict[str, str] = {}
    for path in sorted((PACKAGE / room).rglob("*.py")):
        if path.name.startswith("_") and path.name != "__init__.py":
            continue
        for name in names_of(path):
            used.setdefault(name, path.name)
    unknown = {name: file for name, file in used.items() if name not in WORDS}
    assert not unknown, f"add to docs/words.md with unit and meaning, or use a word that is there: {unknown}"


def test_tables_are_sorted_and_say_something():
    for room, rows in tables().items():
        words = [row[0].strip("`") for row in rows]
        assert words == sorted(words, key=str.casefold), room
        assert all(row[2] for row in rows), room


def test_no_word_stands_twice():
    words = [row[0].strip("`") for rows in tables().values() for row in rows]
    assert sorted(words) == sorted(set(words))
