"""The keys of the two files: what kind of value each takes, its unit, range, meaning and an example.

A table of a file is a pydantic model; each key is declared with one of the functions below. The declaration is the
only place where a key is described: reading, the JSON Schema and the reference pages are made from it.
"""

from __future__ import annotations

import datetime
import difflib
import math
import re
from collections.abc import Mapping
from typing import Any, cast

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from phasewright.bench.faults import escape
from phasewright.quantity import parse_quantity

CLOCK_TIME = r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?|\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?"
PRICE = r"(?P<number>\d+(\.\d+)?)\s*(?P<currency>[^\s\d/.,+-]{1,12})\s*/\s*kWh"


def refused(what: str, mend: str) -> PydanticCustomError:
    """Return the error that carries what is wrong with a value and the mend through pydantic."""
    return PydanticCustomError("key", "{what} - {mend}", {"what": what, "mend": mend})


def shown(value: object) -> str:
    """Return `value` as it would stand in the file, cut and escaped."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{escape(value, 60)}"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return "a list" if len(value) > 4 else escape("[" + ", ".join(shown(item) for item in value) + "]", 80)
    if isinstance(value, int) and abs(value) > 10**60:
        return "a number of more than 60 digits"
    return escape(str(value), 60)


class Keys(BaseModel):
    """One table of a file: unknown keys are refused, every value goes through the check of its kind."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)

    @field_validator("*", mode="before")
    @classmethod
    def _check(cls, value: Any, info: ValidationInfo) -> Any:
        name = info.field_name or ""
        key = facts(cls.model_fields[name])
        check = _CHECKS.get(key["kind"])
        return value if check is None else check(name, value, key)


def facts(field: FieldInfo) -> dict[str, Any]:
    """Return what a key's declaration says: kind, example, and by kind unit, low, high, choices."""
    return cast("dict[str, Any]", field.json_schema_extra)


def _key(kind: str, meaning: str, required: bool, default: Any, **extra: Any) -> Any:
    return Field(... if required else default, description=meaning, json_schema_extra={"kind": kind, **extra})


def text(meaning: str, example: str, *, required: bool = False) -> Any:
    """A key that takes text."""
    return _key("text", meaning, required, "", example=example)


def choice(meaning: str, *choices: str, default: str) -> Any:
    """A key that takes one of a few words."""
    return _key("choice", meaning, False, default, choices=list(choices), example=default or choices[0])


def flag(meaning: str, *, default: bool = False) -> Any:
    """A key that takes true or false."""
    return _key("flag", meaning, False, default, example=not default)


def count(meaning: str, example: int, *, low: int, high: int, required: bool = False, default: Any = None) -> Any:
    """A key that takes a whole number."""
    return _key("count", meaning, required, default, example=example, low=low, high=high)


def number(meaning: str, example: float, *, low: float, high: float, default: Any = None) -> Any:
    """A key that takes a bare number; its unit, if any, is part of its name."""
    return _key("number", meaning, False, default, example=example, low=low, high=high)


def quantity(unit: str, meaning: str, example: str, *, low: str, high: str) -> Any:
    """A key that takes a number with its unit; `low` and `high` are the allowed range, ends included."""
    return _key("quantity", meaning, False, None, unit=unit, example=example, low=low, high=high)


def channel_quantity(meaning: str, example: str) -> Any:
    """A key that takes a number with the unit of the channel that its table is for."""
    return _key("channel_quantity", meaning, False, None, example=example)


def products(meaning: str, example: list[list[str]]) -> Any:
    """A key that takes a sum of products of columns."""
    return _key("products", meaning, False, (), example=example)


def moment(meaning: str, example: str) -> Any:
    """A key that takes a time: counted from the first stamp of a log, or a clock time."""
    return _key("moment", meaning, False, "", example=example)


def file_path(meaning: str, example: str) -> Any:
    """A key that takes the name of a file inside the campaign folder."""
    return _key("file", meaning, False, "", example=example)


def file_paths(meaning: str, example: list[str]) -> Any:
    """A key that takes a list of files inside the campaign folder."""
    return _key("files", meaning, False, (), example=example)


def file_map(meaning: str, example: dict[str, str]) -> Any:
    """A key that takes a table from a name to a file inside the campaign folder."""
    return _key("file_map", meaning, False, {}, example=example)


def words(meaning: str, example: list[str], *, required: bool = False) -> Any:
    """A key that takes a list of texts."""
    return _key("words", meaning, required, (), example=example)


def pairs(
    meaning: str,
    example: list[list[str]],
    *,
    units: tuple[str, str],
    high: tuple[str, str],
    low: tuple[str, str] = ("-50 degC", "0 %"),
    falling: bool = False,
) -> Any:
    """A key that takes a list of pairs of quantities: the first rises, the second never falls (never rises)."""
    return _key("pairs", meaning, False, (), example=example, units=list(units), high=list(high), low=list(low),
                falling=falling)  # fmt: skip


def price(meaning: str, example: str) -> Any:
    """A key that takes money per kilowatt-hour."""
    return _key("price", meaning, False, None, example=example)


def table(meaning: str) -> Any:
    """A sub-table."""
    return Field(default_factory=dict, validate_default=True, description=meaning, json_schema_extra={"kind": "table"})


def tables(meaning: str) -> Any:
    """A list of sub-tables, each under its own double bracket."""
    return Field(default=(), description=meaning, json_schema_extra={"kind": "tables"})


def by_channel(meaning: str) -> Any:
    """A table with one entry for each channel."""
    return Field(default_factory=dict, description=meaning, json_schema_extra={"kind": "by_channel"})


def flatten_channels(value: Any, own: set[str]) -> Any:
    """Return a by-channel table with dotted channel names (``rail_current.phase_1``) as single names.

    TOML reads ``[accuracy.rail_current.phase_1]`` as a table in a table; `own` are the keys that a channel's own
    table may hold, by which the two are told apart.
    """
    if not isinstance(value, dict):
        return value
    flat: dict[str, Any] = {}
    for name, entry in value.items():
        if isinstance(entry, dict) and entry and "." not in name:
            labels = {key: item for key, item in entry.items() if _is_label(key, item, own)}
            flat.update({f"{name}.{label}": item for label, item in labels.items()})
            entry = {key: item for key, item in entry.items() if key not in labels}
            if not entry:
                continue
        flat[name] = entry
    return flat


def _is_label(key: str, item: Any, own: set[str]) -> bool:
    """Return whether `key` is a channel's label rather than a key of its table, misspelt perhaps."""
    if key in own or not isinstance(item, dict | str):
        return False
    if isinstance(item, dict):
        return True
    return "column" in own and not difflib.get_close_matches(key, own, 1, 0.7)


# ---- checks of one value --------------------------------------------------------------------------------------------


def _check_text(name: str, value: Any, key: Mapping) -> str:
    if not isinstance(value, str):
        raise refused(f"{name} = {shown(value)} is not text", f'put it in quotes, e.g. {name} = "{key["example"]}"')
    if len(value) > 10_000:
        raise refused(f"{name} has {len(value)} characters", "keep it under 10000 characters")
    if not value.strip() and name in ("name", "instrument"):
        raise refused(f"{name} is empty", f'give it, e.g. {name} = "{key["example"]}"')
    return value


def _check_choice(name: str, value: Any, key: Mapping) -> str:
    if value not in key["choices"] or not isinstance(value, str):
        allowed = " | ".join(f'"{word}"' for word in key["choices"] if word)
        raise refused(f"{name} = {shown(value)} is not one of the known words", f"write one of {allowed}")
    return value


def _check_flag(name: str, value: Any, key: Mapping) -> bool:
    if not isinstance(value, bool):
        raise refused(f"{name} = {shown(value)} is neither true nor false", f"write {name} = true, without quotes")
    return value


def _check_count(name: str, value: Any, key: Mapping) -> int:
    allowed = f"a whole number from {key['low']} to {key['high']}"
    if isinstance(value, bool) or not isinstance(value, int):
        raise refused(
            f"{name} = {shown(value)} is not a whole number", f"write {allowed}, e.g. {name} = {key['example']}"
        )
    if not key["low"] <= value <= key["high"]:
        raise refused(f"{name} = {shown(value)} is out of range", f"write {allowed}")
    return value


def _check_number(name: str, value: Any, key: Mapping) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refused(
            f"{name} = {shown(value)} is not a number", f"write it without quotes, e.g. {name} = {key['example']}"
        )
    if not key["low"] <= value <= key["high"]:
        raise refused(f"{name} = {shown(value)} is out of range", f"write a number from {key['low']} to {key['high']}")
    return float(value)


def read_quantity(name: str, value: Any, unit: str, example: str, low: str = "", high: str = "") -> float:
    """Return `value` (text with a unit) in SI [`unit`]; raises a pydantic error that says what, rule and mend."""
    paste = f'{name} = "{example}"'
    if not isinstance(value, str):
        raise refused(
            f"{name} = {shown(value)} has no unit", f"write the unit with the number, in quotes, e.g. {paste}"
        )
    if re.fullmatch(r"\s*[-+]?[\d.,]+(e[-+]?\d+)?\s*", value, re.IGNORECASE):
        raise refused(f"{name} = {shown(value)} has no unit", f"write the unit with the number, e.g. {paste}")
    try:
        result = parse_quantity(value, unit)
    except ValueError as error:
        raise refused(
            f"{name} = {shown(value)} cannot be read ({escape(str(error), 200)})", f"write e.g. {paste}"
        ) from None
    if not math.isfinite(result):
        raise refused(f"{name} = {shown(value)} is not finite", f"write e.g. {paste}")
    if low and not parse_quantity(low, unit) <= result <= parse_quantity(high, unit):
        raise refused(f"{name} = {shown(value)} is out of range", f"allowed is {low} to {high}, e.g. {paste}")
    return result


def _check_quantity(name: str, value: Any, key: Mapping) -> float:
    return read_quantity(name, value, key["unit"], key["example"], key["low"], key["high"])


def _check_channel_quantity(name: str, value: Any, key: Mapping) -> str:
    if not isinstance(value, str):
        raise refused(
            f"{name} = {shown(value)} has no unit",
            f'write the channel\'s unit with the number, in quotes, e.g. {name} = "{key["example"]}"',
        )
    return value


def _check_products(name: str, value: Any, key: Mapping) -> list:
    if not isinstance(value, list) or not value:
        raise refused(
            f"{name} = {shown(value)} is not a list of products", f'write e.g. {name} = [["U1", "I1"], ["U2", "I2"]]'
        )
    return [
        {"columns": item if isinstance(item, list) else [item]} if isinstance(item, str | list) else item
        for item in value
    ]


def _check_moment(name: str, value: Any, key: Mapping) -> str:
    mend = f'write time since the first stamp, {name} = "120 s", or a clock time, {name} = "14:05:30"'
    if isinstance(value, datetime.datetime | datetime.time):
        if value.tzinfo is not None:
            raise refused(f"{name} = {shown(value)} has a zone", "write the time as the log writes it, without zone")
        return value.isoformat()
    if not isinstance(value, str):
        raise refused(f"{name} = {shown(value)} is neither a duration with unit nor a clock time", mend)
    clean = value.strip()
    if re.fullmatch(CLOCK_TIME, clean):
        try:
            return parse_clock(clean).isoformat()
        except ValueError as error:
            raise refused(f"{name} = {shown(value)} is no time of the calendar ({error})", mend) from None
    try:
        seconds = parse_quantity(clean, "s")
    except ValueError:
        raise refused(f"{name} = {shown(value)} is neither a duration with unit nor a clock time", mend) from None
    if not 0 <= seconds <= 1e8:
        raise refused(f"{name} = {shown(value)} is out of range", "allowed is 0 s to 1e8 s after the log's first stamp")
    return clean


def parse_clock(value: str) -> datetime.datetime | datetime.time:
    """Return the date and time, or the time of day, that `value` names; ValueError if the calendar has none such."""
    if "-" in value:
        return datetime.datetime.fromisoformat(value.replace(" ", "T", 1))
    return datetime.time.fromisoformat("0" + value if value[1] == ":" else value)


def check_path(name: str, value: Any) -> str:
    """Return `value` as a path inside the campaign folder; raises a pydantic error for any other path."""
    mend = 'name a file inside the campaign folder, with forward slashes, e.g. "logs/meter.csv"'
    if not isinstance(value, str):
        raise refused(f"{name} = {shown(value)} is not the name of a file", mend)
    if not value.strip() or "\x00" in value or len(value) > 1000:
        raise refused(f"{name} = {shown(value)} is no usable file name", mend)
    if "\\" in value:
        raise refused(f"{name} = {shown(value)} holds a backslash", mend)
    if value.startswith(("/", "~")) or re.match(r"[A-Za-z]:", value):
        raise refused(f"{name} = {shown(value)} is an absolute path", mend)
    parts = [part for part in value.split("/") if part not in ("", ".")]
    if ".." in parts or not parts:
        raise refused(f"{name} = {shown(value)} climbs out of the campaign folder", mend)
    return "/".join(parts)


def _check_file(name: str, value: Any, key: Mapping) -> str:
    return check_path(name, value)


def _check_files(name: str, value: Any, key: Mapping) -> tuple[str, ...]:
    if not isinstance(value, list) or not value:
        raise refused(
            f"{name} = {shown(value)} is not a list of files", f'write e.g. {name} = ["logs/a.csv", "logs/b.csv"]'
        )
    return tuple(check_path(name, item) for item in value)


def _check_file_map(name: str, value: Any, key: Mapping) -> dict[str, str]:
    if not isinstance(value, dict):
        raise refused(f"{name} = {shown(value)} is not a table", f'write {name} = {{ meter = "logs/8-phases.csv" }}')
    return {log: check_path(f"{name}.{log}", item) for log, item in value.items()}


def _check_words(name: str, value: Any, key: Mapping) -> tuple[str, ...]:
    example = ", ".join(f'"{word}"' for word in key["example"])
    if not isinstance(value, list) or not value or not all(isinstance(item, str) for item in value):
        raise refused(f"{name} = {shown(value)} is not a list of texts", f"write e.g. {name} = [{example}]")
    return tuple(value)


def _check_pairs(name: str, value: Any, key: Mapping) -> tuple[tuple[float, float], ...]:
    order = "the second falling" if key["falling"] else "both rising"
    mend = f"write pairs, {order}, e.g. {name} = {key['example']}".replace("'", '"')
    if not isinstance(value, list) or not all(isinstance(row, list) and len(row) == 2 for row in value):
        raise refused(f"{name} = {shown(value)} is not a list of pairs", mend)
    rows = []
    for row in value:
        try:
            first = read_quantity(name, row[0], key["units"][0], key["example"][0][0], key["low"][0], key["high"][0])
            second = read_quantity(name, row[1], key["units"][1], key["example"][0][1], key["low"][1], key["high"][1])
        except PydanticCustomError as error:
            said = error.context or {}
            raise refused(
                f"in the pair {shown(row)} {said['what']}", f"{said['mend'].split(', e.g.')[0]}; {mend}"
            ) from None
        rows.append((first, second))
    for index in range(1, len(rows)):
        before, after = rows[index - 1], rows[index]
        turned = after[1] > before[1] if key["falling"] else after[1] < before[1]
        if after[0] <= before[0] or turned:
            way = "go on as it should" if key["falling"] else "rise"
            raise refused(f"{name} does not {way} from {shown(value[index - 1])} to {shown(value[index])}", mend)
    return tuple(rows)


def _check_price(name: str, value: Any, key: Mapping) -> tuple[float, str]:
    match = re.fullmatch(PRICE, value.strip()) if isinstance(value, str) else None
    if match is None:
        raise refused(
            f"{name} = {shown(value)} is no price with currency and energy unit",
            f'write e.g. {name} = "{key["example"]}"',
        )
    return float(match["number"]), match["currency"]


def _check_table(name: str, value: Any, key: Mapping) -> Any:
    if not isinstance(value, dict):
        raise refused(f"{name} = {shown(value)} is not a table", f"give its keys under [{name}] or in braces")
    return value


def _check_tables(name: str, value: Any, key: Mapping) -> Any:
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        raise refused(f"{name} is not a list of tables", f"write each one under double brackets, [[{name}]]")
    return value


_CHECKS = {
    "text": _check_text, "choice": _check_choice, "flag": _check_flag, "count": _check_count, "number": _check_number,
    "quantity": _check_quantity, "moment": _check_moment, "file": _check_file, "files": _check_files,
    "file_map": _check_file_map, "words": _check_words, "pairs": _check_pairs, "price": _check_price,
    "table": _check_table, "tables": _check_tables, "channel_quantity": _check_channel_quantity,
    "products": _check_products,
}  # fmt: skip
