"""Strict reading of the tables that a person keeps for the design: every fault at once, each with its line."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from phasewright.bench import Fault, escape
from phasewright.quantity import parse_quantity

MAX_SIZE = 4 << 20
"""Greatest size of a file that a person writes [bytes]."""
_PRICE = re.compile(r"(?P<number>\d+(\.\d+)?)\s*(?P<currency>[A-Za-z€$£¥]{1,12})?(?P<per>\s*/\s*kWh)?")


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table: what it takes."""

    unit: str
    """Base unit of a quantity, or text | count | price | flag | curve | list:UNIT | one of:A,B"""
    low: float = -math.inf
    high: float = math.inf
    required: bool = False
    example: str = ""


@dataclass(slots=True)
class Reading:
    """One file being read, with the faults found so far."""

    file: str
    faults: list[Fault] = field(default_factory=list)
    lines: dict[tuple[str, int, str], int] = field(default_factory=dict)
    fingerprint: str = ""

    def add(self, place: tuple[str, int, str], what: str, mend: str) -> None:
        """Note a fault at (table, index, key)."""
        table, index, key = place
        line = self.lines.get(place, self.lines.get((table, index, "")))
        path = ".".join(item for item in (f"{table}[{index + 1}]" if table and index >= 0 else table, key) if item)
        self.faults.append(Fault(self.file, what, mend, line, None, path))


def read_text(path: Path, reading: Reading) -> str | None:
    """Return the text of a file; None, with a fault noted, where it cannot be read."""
    try:
        data = path.read_bytes() if path.stat().st_size <= MAX_SIZE else None
    except OSError as error:
        said = error.strerror or str(error)
        reading.faults.append(Fault(reading.file, f"the file cannot be read ({escape(said)})",
                                    "lay one down with: phasewright design DIR --new"))  # fmt: skip
        return None
    if data is None:
        reading.faults.append(Fault(reading.file, f"the file is larger than {MAX_SIZE >> 20} MiB", "keep only parts here"))
        return None
    reading.fingerprint = sha256(data).hexdigest()
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        reading.faults.append(Fault(reading.file, f"byte 0x{data[error.start]:02x} is not UTF-8 text", "save it as UTF-8", line))
        return None


def parse_toml(text: str, reading: Reading) -> Mapping[str, Any] | None:
    """Return the tables of a TOML text and note the line of each key; None, with a fault, where it is no TOML."""
    table, index = "", -1
    counts: dict[str, int] = {}
    for number, line in enumerate(text.split("\n"), 1):
        head = re.match(r"\s*(\[\[?)\s*([\w.-]+)\s*\]", line)
        if head:
            table = head.group(2)
            index = counts.get(table, -1) + 1 if head.group(1) == "[[" else -1
            counts[table] = index
            reading.lines[(table, index, "")] = number
            continue
        key = re.match(r"\s*([\w-]+)\s*=", line)
        if key:
            reading.lines.setdefault((table, index, key.group(1)), number)
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        found = re.search(r"line (\d+)", str(error))
        at = int(found.group(1)) if found else None
        reading.faults.append(Fault(reading.file, f"this is no TOML ({escape(str(error), 120)})",
                                    'write key = "value with unit"', at))  # fmt: skip
        return None


def take_table(row: Any, keys: Mapping[str, Key], place: tuple[str, int], reading: Reading, currency: str,
               rates: Mapping[str, float]) -> dict[str, Any]:  # fmt: skip
    """Return the values of one table by key, SI; what is wrong goes to `reading`."""
    table, index = place
    if not isinstance(row, Mapping):
        reading.add((table, index, ""), f"{escape(str(row), 40)} is no table", f"write [{table}] and keys below it")
        return {}
    found: dict[str, Any] = {}
    for name, value in row.items():
        key = keys.get(name)
        if key is None:
            near = difflib.get_close_matches(name, keys, 1, 0.6)
            mend = f"write {near[0]}" if near else "take it out; known are " + ", ".join(keys)
            reading.add((table, index, name), f"{escape(str(name), 40)} is no key of {table or 'this file'}", mend)
            continue
        try:
            found[name] = _value(value, key, currency, rates)
        except ValueError as error:
            what, _, mend = str(error).rpartition(" - ")
            reading.add((table, index, name), what or str(error), mend)
    for name, key in keys.items():
        if key.required and name not in row:
            reading.add((table, index, name), f"{name} is missing", f"add {name} = {key.example or '...'}")
    return found


def _value(value: Any, key: Key, currency: str, rates: Mapping[str, float]) -> Any:
    """Return one value, SI. Raises ValueError "what - mend"."""
    unit = key.unit
    shown = escape(str(value), 40)
    if unit == "text":
        if not isinstance(value, str) or not value.strip():
            raise ValueError(f"{shown} is no text - write {key.example or 'text in quotes'}")
        return value.strip()
    if unit == "flag":
        if not isinstance(value, bool):
            raise ValueError(f"{shown} is neither true nor false - write true or false")
        return value
    if unit.startswith("one of:"):
        words = unit[7:].split(",")
        if value not in words:
            raise ValueError(f"{shown} is none of {', '.join(words)} - write {words[0]}")
        return value
    if unit == "count":
        number = int(value) if isinstance(value, str) and value.strip().isdigit() else value
        if isinstance(number, bool) or not isinstance(number, int):
            raise ValueError(f"{shown} is no whole number - write e.g. {key.example or 4}")
        return _ranged(number, key, shown)
    if unit in ("price", "energy price"):
        return _price(value, unit, currency, rates)
    if unit == "curve":
        return _curve(value)
    if unit.startswith("list:"):
        if not isinstance(value, list) or not value:
            raise ValueError(f"{shown} is no list - write e.g. {key.example}")
        return tuple(_ranged(parse_quantity(item, unit[5:]), key, escape(str(item), 40)) for item in value)
    if unit == "counts":
        if not (isinstance(value, list) and len(value) == 2 and all(type(item) is int for item in value)
                and 1 <= value[0] <= value[1] <= key.high):  # fmt: skip
            raise ValueError(f"{shown} is no range of whole numbers up to {key.high:g} - write e.g. {key.example}")
        return (value[0], value[1])
    return _ranged(parse_quantity(value, unit), key, shown)


def _ranged(number: Any, key: Key, shown: str) -> Any:
    if not key.low <= number <= key.high:
        raise ValueError(f"{shown} is out of range - allowed is {key.low:g} to {key.high:g} in SI units")
    return number


def _price(value: Any, unit: str, currency: str, rates: Mapping[str, float]) -> float:
    match = _PRICE.fullmatch(value.strip()) if isinstance(value, str) else None
    per = unit == "energy price"
    if match is None or bool(match.group("per")) != per:
        example = f"0.30 {currency or 'EUR'}" + ("/kWh" if per else "")
        raise ValueError(f'{escape(str(value), 40)} is no price - write e.g. "{example}"')
    named = match.group("currency") or currency
    if named == currency:
        return float(match.group("number"))
    if named not in rates:
        raise ValueError(f"no rate from {escape(named)} to {currency} - add [exchange] with {escape(named)} = 1.05, "
                         f"what one {escape(named)} costs in {currency}")  # fmt: skip
    return float(match.group("number")) * rates[named]


def _curve(value: Any) -> tuple[tuple[float, float], ...]:
    """Return (degC, A) pairs from [["80 degC", "60 A"], ...] or "80 degC: 60 A; 125 degC: 30 A"."""
    mend = 'write [["80 degC", "60 A"], ["125 degC", "30 A"]]'
    pairs: Sequence[Any] = [item.split(":") for item in value.split(";")] if isinstance(value, str) else value
    if not isinstance(pairs, list) or not pairs or not all(isinstance(p, list) and len(p) == 2 for p in pairs):
        raise ValueError(f"{escape(str(value), 40)} is no derating curve - {mend}")
    curve = tuple((parse_quantity(_bare(a), "degC"), parse_quantity(_bare(b), "A")) for a, b in pairs)
    rising = all(a[0] < b[0] and a[1] >= b[1] for a, b in zip(curve, curve[1:], strict=False))
    if not rising:
        raise ValueError(f"temperature must rise and current must not along {escape(str(value), 40)} - {mend}")
    return curve


def _bare(text: Any) -> Any:
    return text.strip() if isinstance(text, str) else text


def parse_csv(text: str, table: str, reading: Reading) -> list[dict[str, str]]:
    """Return the rows of a CSV table as the TOML table would hold them: units stand in the header, ``price [EUR]``."""
    import csv
    import io

    rows = list(csv.reader(io.StringIO(text), delimiter=";" if text.split("\n")[0].count(";") else ","))
    if not rows:
        reading.add((table, -1, ""), "the table is empty", "write a header line and one line for each part")
        return []
    heads = [re.fullmatch(r"\s*(\w+)\s*(?:\[([^\]]*)\])?\s*", head) for head in rows[0]]
    for head, said in zip(heads, rows[0], strict=True):
        if head is None:
            reading.add((table, -1, ""), f"{escape(said, 40)} is no header", "write e.g. inductance [nH]")
    found: list[dict[str, str]] = []
    for number, cells in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in cells):
            continue
        index = len(found)
        reading.lines[(table, index, "")] = number
        if len(cells) != len(heads):
            reading.add((table, index, ""), f"{len(cells)} cells, but {len(heads)} heads", "write one cell for each head")
        row = {}
        for head, cell in zip(heads, cells, strict=False):
            if head is None or not cell.strip():
                continue
            bare = re.fullmatch(r"[-+\d.eE]+", cell.strip())
            row[head.group(1)] = f"{cell.strip()} {head.group(2)}" if head.group(2) and bare else cell.strip()
        found.append(row)
    return found
