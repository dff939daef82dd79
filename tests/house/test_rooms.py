"""Tests about the repository itself: cards, faces, sizes, words (house rules, from the design document)."""

import ast
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "src" / "phasewright"
ROOMS = sorted(path.name for path in PACKAGE.iterdir() if (path / "__init__.py").exists())
MODULES = sorted(PACKAGE.rglob("*.py"))


def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def place(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_opens_with_its_card(room):
    card = ast.get_docstring(tree(PACKAGE / room / "__init__.py"))
    lines = [line.partition(":")[0] for line in card.splitlines()]
    assert [word for word in lines if word in ("Takes", "Gives", "May import", "May touch", "Asks")] == [
        "Takes", "Gives", "May import", "May touch", "Asks",
    ]


@pytest.mark.parametrize("room", ROOMS)
def test_face_is_what_is_there(room):
    face = importlib.import_module(f"phasewright.{room}")
    missing = [name for name in face.__all__ if not hasattr(face, name)]
    assert not missing
    assert len(set(face.__all__)) == len(face.__all__)
    modules = {path.stem for path in (PACKAGE / room).iterdir()}
    public = {
        name for name, thing in vars(face).items()
        if not name.startswith("_") and name not in modules and name != "annotations"
        and getattr(thing, "__module__", "phasewright").startswith("phasewright")
    }
    assert public <= set(face.__all__), f"reachable but not in __all__: {sorted(public - set(face.__all__))}"


@pytest.mark.parametrize("room", ROOMS)
def test_everything_on_the_face_is_documented(room):
    face = importlib.import_module(f"phasewright.{room}")
    undocumented = [
        name for name in face.__all__
        if (isinstance(getattr(face, name), type) or callable(getattr(face, name)))
        and not (getattr(getattr(face, name), "__doc__", None) or "").strip()
    ]
    assert not undocumented


@pytest.mark.parametrize("path", MODULES, ids=place)
def test_files_stay_small(path):
    written = (line.strip() for line in path.read_text(encoding="utf-8").splitlines())
    lines = [line for line in written if line and not line.startswith("#")]
    docstrings = sum(
        node.end_lineno - node.lineno + 1
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
    )
    assert len(lines) - docstrings <= 500, "split by phenomenon (style, trap 16)"


def test_no_attic():
    attics = {"utils", "util", "helpers", "helper", "common", "misc", "tools", "shared"}
    assert not [place(path) for path in MODULES if path.stem in attics or path.parent.name in attics]


TOUCHING = {
    "read_text", "write_text", "read_bytes", "write_bytes", "unlink", "mkdir", "urlopen", "system", "Popen",
}
WRITERS = ("bench/", "logs/", "live/", "design/", "report/", "app/")


@pytest.mark.parametrize("path", [path for path in MODULES if not place(path).startswith(WRITERS)], ids=place)
def test_rooms_without_the_world_open_no_file(path):
    """quantity, physics, findings, model touch nothing; ruff does not see open() or Path.read_text()."""
    touched = [
        ast.unparse(node) for node in ast.walk(tree(path))
        if isinstance(node, ast.Call) and (
            (isinstance(node.func, ast.Name) and node.func.id == "open")
            or (isinstance(node.func, ast.Attribute) and node.func.attr in TOUCHING)
        )
    ]
    allowed = {"files('phasewright.findings').joinpath('analysis.schema.json').read_text(encoding='utf-8')"}
    assert not [call for call in touched if call not in allowed]


def test_help_loads_nothing_heavy():
    heavy = {"numpy", "scipy", "duckdb", "matplotlib", "pydantic", "starlette", "jinja2", "tomlkit", "polars", "pandas"}
    code = (
        "import sys\nfrom phasewright.app.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "print('LOADED', *sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    loaded = set(out.rpartition("LOADED ")[2].split())
    assert "click" in loaded
    assert not loaded & heavy


def tracked() -> list[Path]:
    names = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split("\n")
    return [ROOT / name for name in names if name and (ROOT / name).is_file()]


def test_no_machine_paths_or_registry_hosts():
    pattern = re.compile(r"(?<![\w.])/(?:work|farm|root)/|pypi[.]org|pythonhosted|registry[.]npmjs|/tmp/bash_jobs")
    found = []
    for path in tracked():
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        if path == Path(__file__):
            continue
        found += [f"{path.relative_to(ROOT)}: {match.group()}" for match in pattern.finditer(text)]
    assert not found


def test_lock_files_pin_every_package_with_a_hash():
    for name in ("requirements.lock.txt", "requirements-dev.lock.txt"):
        text = (ROOT / name).read_text(encoding="utf-8").replace("\\\n", " ")
        entries = [line for line in text.splitlines() if line.strip() and not line.strip().startswith("#")]
        assert len(entries) > 10
        assert not [line[:60] for line in entries if "==" not in line or "--hash=sha256:" not in line]


def test_every_command_is_in_the_readme_and_has_help():
    from phasewright.app.cli import main

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name, command in main.commands.items():
        assert f"phasewright {name}" in readme, name
        assert command.help and command.help.strip()
        assert all(option.help for option in command.params if option.param_type_name == "option"), name


def test_front_door_offers_every_job():
    import phasewright
    from phasewright.app import jobs

    for name in phasewright.__all__:
        assert getattr(phasewright, name) is not None
    assert phasewright.analyze is jobs.analyze
    with pytest.raises(AttributeError, match="nonsense"):
        _ = phasewright.nonsense


def test_version_is_said_once():
    import tomllib

    import phasewright

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == phasewright.__version__


def test_decisions_are_numbered_without_gaps():
    numbers = sorted(int(path.name[:4]) for path in (ROOT / "docs" / "decisions").glob("0*.md"))
    assert numbers == list(range(1, len(numbers) + 1))
    for path in (ROOT / "docs" / "decisions").glob("0*.md"):
        text = path.read_text(encoding="utf-8")
        assert all(f"## {head}" in text for head in ("Context", "Decision", "Consequences")), path.name
