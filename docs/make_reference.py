"""Write docs/reference/physics.md from the docstrings and the declared ranges of the formulas.

Run it after a change of a formula: ``python docs/make_reference.py``. A test compares the page with the code.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import re
from dataclasses import MISSING, dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

SECTIONS = ("Parameters", "Returns", "Range", "Assumptions", "Example", "Source")
PAGE = Path(__file__).parent / "reference" / "physics.md"
# Order of a reader's way through the room: power, ripple, losses, copper, steps, heat, life and claims.
MODULES = (
    "delivery",
    "energy",
    "protocol",
    "sharing",
    "buck",
    "interleaving",
    "capacitors",
    "conduction",
    "switching",
    "magnetics",
    "copper",
    "connectors",
    "load_line",
    "transient",
    "load_step",
    "thermal",
    "runaway",
    "coolant",
    "lifetime",
    "stability",
)


@dataclass(frozen=True, slots=True)
class Described:
    """A formula's docstring, taken apart."""

    sentence: str
    equation: tuple[str, ...]
    """Equation first, then further paragraphs (conventions)."""
    parameters: dict[str, tuple[str, str]]
    """name -> (unit, meaning)"""
    sections: dict[str, str]


def describe(function: Any) -> Described:
    """Take the docstring of a formula apart; ValueError says what is missing or out of order."""
    text = inspect.getdoc(function) or ""
    parts = re.split(r"^(\w+):\n", text, flags=re.MULTILINE)
    found = tuple(parts[1::2])
    if found != SECTIONS:
        raise ValueError(f"sections of {function.__name__} (found = {found}) - must be {SECTIONS} - mend the docstring")
    head = [part.strip() for part in re.split(r"\n\s*\n", parts[0]) if part.strip()]
    if len(head) < 2:
        raise ValueError(f"{function.__name__} lacks its sentence or its equation - add it above Parameters")
    bodies = {name: inspect.cleandoc(body) for name, body in zip(found, parts[2::2], strict=True)}
    parameters = {}
    for entry in re.split(r"\n(?=\S)", bodies["Parameters"]):
        match = re.fullmatch(r"(\w+) \[([^\]]+)\]: (.+)", " ".join(entry.split()))
        if not match:
            raise ValueError(f"parameter of {function.__name__} (entry = {entry!r}) - must read: name [unit]: meaning")
        parameters[match[1]] = (match[2], match[3])
    sections = {name: body if name == "Example" else " ".join(body.split()) for name, body in bodies.items()}
    return Described(
        " ".join(head[0].split()), tuple(" ".join(part.split()) for part in head[1:]), parameters, sections
    )


def formulas(module: Any) -> list[Any]:
    """Return the public formulas of a module in the order in which they are written."""
    listed = [getattr(module, name) for name in module.__all__]
    return sorted((f for f in listed if hasattr(f, "range")), key=lambda f: inspect.getsourcelines(f)[1])


def _bound_text(function: Any, name: str) -> str:
    bound = function.range.get(name)
    if bound is None:
        return ""
    text = bound.rule().removeprefix("must ").replace("be a whole number", "whole").replace(" be ", " ")
    text = text.removeprefix("be ").replace("may be any number", "any")
    inner = function.possible.get(name)
    if inner is not None and bound != inner:
        return f"{text} ({bound.said_by})"
    return text


def _formula_page(function: Any) -> list[str]:
    described = describe(function)
    lines = [f"### `{function.__name__}`", "", described.sentence, "", f"    {described.equation[0]}", ""]
    for paragraph in described.equation[1:]:
        lines += [paragraph, ""]
    lines += ["| argument | unit | meaning | range |", "|---|---|---|---|"]
    defaults = inspect.signature(function).parameters
    for name, (unit, meaning) in described.parameters.items():
        default = defaults[name].default
        shown = name if default is inspect.Parameter.empty else f"{name} = {default}"
        lines.append(f"| `{shown}` | {unit} | {meaning} | {_bound_text(function, name)} |")
    lines += ["", f"**Returns** {described.sections['Returns']}", ""]
    for name in ("Range", "Assumptions", "Source"):
        lines += [f"**{name}** {described.sections[name]}", ""]
    lines += ["```python", described.sections["Example"], "```", ""]
    return lines


def _record_page(record: Any) -> list[str]:
    lines = [f"### `{record.__name__}`", "", " ".join((inspect.getdoc(record) or "").split()), ""]
    lines += ["Fields: " + ", ".join(f"`{field.name}`" for field in fields(record)) + ".", ""]
    return lines


def _field_lines(record: Any) -> list[str]:
    """Return one row a field, with the text that stands below it in the code."""
    if not is_dataclass(record):
        return []
    body = ast.parse(inspect.getsource(record)).body[0]
    told: dict[str, str] = {}
    for field, below in zip(body.body, body.body[1:], strict=False):  # type: ignore[attr-defined]
        if isinstance(field, ast.AnnAssign) and isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant):
            told[ast.unparse(field.target)] = " ".join(str(below.value.value).split())
    lines = ["| field | meaning |", "|---|---|"]
    for field in fields(record):
        plain = field.default is MISSING
        lines.append(f"| `{field.name if plain else f'{field.name} = {field.default}'}` | {told.get(field.name, '')} |")
    return [*lines, ""]


def _simulation_page() -> list[str]:
    """Return the switching simulation: its functions as formulas are, its records with every field."""
    waveform = importlib.import_module("phasewright.physics.waveform")
    lines = [f"## {(waveform.__doc__ or '').splitlines()[0].rstrip('.')}", ""]
    things = [getattr(waveform, name) for name in waveform.__all__]
    for function in (item for item in things if inspect.isfunction(item)):
        described = describe(function)
        defaults = inspect.signature(function).parameters
        lines += [f"### `{function.__name__}`", "", described.sentence, "", f"    {described.equation[0]}", ""]
        for paragraph in described.equation[1:]:
            lines += [paragraph, ""]
        lines += ["| argument | unit | meaning |", "|---|---|---|"]
        for name, (unit, meaning) in described.parameters.items():
            default = defaults[name].default
            shown = name if default is inspect.Parameter.empty else f"{name} = {default}"
            lines.append(f"| `{shown}` | {unit} | {meaning} |")
        lines.append("")
        for name in ("Returns", "Range", "Assumptions", "Source"):
            lines += [f"**{name}** {described.sections[name]}", ""]
        lines += ["```python", described.sections["Example"], "```", ""]
    for record in (item for item in things if inspect.isclass(item)):
        paragraphs = re.split(r"\n\s*\n", inspect.getdoc(record) or "")
        lines += [f"### `{record.__name__}`", ""]
        for paragraph in paragraphs:
            lines += [" ".join(paragraph.split()), ""]
        lines += _field_lines(record)
        for name, item in vars(record).items():
            if name[0] != "_" and (inspect.isfunction(item) or isinstance(item, property)):
                said = " ".join((inspect.getdoc(item) or "").split())
                shown = f"{name}{inspect.signature(item)}" if inspect.isfunction(item) else name
                shown = re.sub(r"\(self(, )?", "(", shown)
                lines += [f"- `{re.sub(r': [^,)=]+| -> .*', '', shown)}`: {said}"]
        if lines[-1]:
            lines.append("")
    return lines


def page() -> str:
    """Return the whole reference page."""
    lines = [
        "# Formulas",
        "",
        "Written by `docs/make_reference.py` from the docstrings; do not edit by hand.",
        "",
        "Plain functions on SI numbers and arrays (`from phasewright.physics import ...`); temperatures in degC,",
        "differences in K. An argument that is impossible is refused with a `ValueError`. What lies outside the range",
        "that somebody vouches for is computed all the same: ask `out_of_range(function, name=value)`, which returns a",
        "sentence for each such argument. NaN in, NaN out.",
        "",
    ]
    for name in MODULES:
        module = importlib.import_module(f"phasewright.physics.{name}")
        title = (module.__doc__ or "").split("\n")[0].rstrip(".")
        lines += [f"## {title}", ""]
        for function in formulas(module):
            lines += _formula_page(function)
    lines += _simulation_page()
    lines += ["## Records", ""]
    records = importlib.import_module("phasewright.physics.records")
    for name in records.__all__:
        record = getattr(records, name)
        if is_dataclass(record):
            lines += _record_page(record)
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    PAGE.parent.mkdir(exist_ok=True)
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
