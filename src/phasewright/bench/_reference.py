"""The reference of keys in the how-to pages, made from the declarations that the files are read with."""

from __future__ import annotations

import typing
from collections.abc import Iterator
from typing import Any

from phasewright.bench._keys import Keys, facts
from phasewright.bench.bench_keys import BenchKeys
from phasewright.bench.campaign_keys import CampaignKeys
from phasewright.bench.channels import CHANNELS

BEGIN = "<!-- keys: made from the key declarations, do not edit by hand -->"
END = "<!-- keys: end -->"
_TOP: dict[str, type[Keys]] = {"bench": BenchKeys, "campaign": CampaignKeys}


def top_keys(kind: str) -> type[Keys]:
    """Return the model of the whole file `kind` (bench | campaign); ValueError for any other word."""
    if kind not in _TOP:
        raise ValueError(f"kind = {kind!r} - one of two files is asked for - write 'bench' or 'campaign'")
    return _TOP[kind]


def inner(annotation: Any) -> type[Keys] | None:
    """Return the model inside an annotation (``tuple[StepKeys, ...]``, ``dict[str, ChannelKeys]``); None if none."""
    if isinstance(annotation, type) and issubclass(annotation, Keys):
        return annotation
    for part in typing.get_args(annotation):
        found = inner(part)
        if found is not None:
            return found
    return None


def walk_tables(model: type[Keys], head: str = "", inline: bool = False) -> Iterator[tuple[str, type[Keys]]]:
    """Yield (head as written in the file, model) of every table below `model`, in order; '' is the top of the file."""
    yield head, model
    plain = head.strip("[]")
    for name, field in model.model_fields.items():
        kind = facts(field)["kind"]
        below = inner(field.annotation)
        if below is None:
            continue
        path = f"{plain}.{name}" if plain else name
        if kind == "tables":
            yield from walk_tables(below, f"[[{path}]]")
        elif kind == "by_channel":
            yield from walk_tables(below, f"[{path}.CHANNEL]")
        elif kind == "table":
            yield from walk_tables(below, f"[{path}]")
        else:
            yield from walk_tables(below, f"{plain}, in {name}")


def example_text(extra: dict) -> str:
    """Return the example of a key as it would stand in the file."""
    return _toml(extra.get("example", ""))


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + " }"
    return f'"{value}"' if isinstance(value, str) else str(value)


def _unit_and_range(extra: dict) -> str:
    kind = extra["kind"]
    if kind == "quantity":
        return f"{extra['low']} to {extra['high']}"
    if kind in ("count", "number"):
        return f"{extra['low']} to {extra['high']}"
    if kind == "choice":
        return ", ".join(f"`{word}`" for word in extra["choices"] if word)
    return {
        "flag": "true or false", "file": "path inside the campaign", "files": "paths inside the campaign",
        "file_map": "log name = path", "moment": "duration or clock time", "channel_quantity": "in the channel's unit",
        "price": "money per kWh", "pairs": "falling pairs" if extra.get("falling") else "rising pairs",
        "words": "list of texts", "products": "list of lists",
    }.get(kind, "text")  # fmt: skip


def _row(name: str, field: Any, top: bool) -> str:
    extra = facts(field)
    if extra["kind"] in ("table", "tables", "by_channel"):
        return ""
    needed = " (needed)" if field.is_required() or (top and name == "format") else ""
    example = f"`{name} = {example_text(extra)}`"
    return f"| `{name}`{needed} | {field.description} | {_unit_and_range(extra)} | {example} |"


def reference(kind: str) -> str:
    """Return the reference of the keys of one file (bench | campaign) as Markdown, markers included."""
    lines = [BEGIN, ""]
    for head, model in walk_tables(top_keys(kind)):
        lines += [f"### {'Top of the file' if not head else '`' + head + '`'}", "", model.__doc__ or "", ""]
        rows = [_row(name, field, not head) for name, field in model.model_fields.items()]
        rows = [row for row in rows if row]
        if rows:
            lines += ["| key | meaning | allowed | example |", "|---|---|---|---|", *rows, ""]
    if kind == "campaign":
        lines += [
            "### Channels", "",
            "In logs any unit of the same kind will do; this is the unit that figures are given in.", "",
            "| channel | meaning | unit |", "|---|---|---|",
            *(f"| `{item.name}` | {item.meaning} | {item.unit} |" for item in CHANNELS.values()), "",
        ]  # fmt: skip
    return "\n".join([*lines, END])


def with_reference(page: str, kind: str) -> str:
    """Return the how-to `page` with its reference section made anew; ValueError when the page has no markers."""
    if BEGIN not in page or END not in page:
        raise ValueError(f"page ({len(page)} characters) - the reference stands between markers - add {BEGIN} {END}")
    before, _, rest = page.partition(BEGIN)
    return before + reference(kind) + rest.partition(END)[2]
