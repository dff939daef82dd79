"""The line of bench.toml that states a figure, as an example to be filled in."""

from __future__ import annotations

import json


def example_line(path: str) -> str:
    """Return what to add to bench.toml so that `path`, e.g. ``regulator.stage.derating``, is stated.

    Raises KeyError for a path that bench.toml does not have.
    """
    from phasewright.bench.bench_keys import BenchKeys  # loads what checks files, which limits need only here

    *tables, key = path.split(".")
    model, heads, listed = BenchKeys, [], False
    for name in tables:
        field = model.model_fields[name]
        kind = field.json_schema_extra["kind"]  # type: ignore[index,call-overload]
        listed = kind == "tables"
        heads.append(name)
        model = field.annotation.__args__[0] if listed else field.annotation  # type: ignore[union-attr,assignment]
    facts = model.model_fields[key].json_schema_extra
    if facts["kind"] == "tables":  # type: ignore[index,call-overload]
        return f"add a [[{'.'.join([*heads, key])}]] block to bench.toml"
    example = json.dumps(facts["example"], ensure_ascii=False)  # type: ignore[index,call-overload]
    head = ".".join(heads)
    place = f" under {f'each [[{head}]]' if listed else f'[{head}]'}" if heads else ""
    return f"add {key} = {example}{place} in bench.toml"
