"""Changes single lines of bench.toml and campaign.toml, as a person would: comments and order stay.

A line that stands there commented out as an example is brought to life where it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path

from phasewright.bench.add import _above, _replace
from phasewright.bench.faults import BenchFault, Fault, escape
from phasewright.bench.read import BENCH_FILE, CAMPAIGN_FILE, check_bench_text, check_campaign_text
from phasewright.bench.write import template

_BARE = frozenset((
    "phase_count", "stages_per_phase", "contact_count", "hours_per_day", "days_per_year", "header_line", "baseline",
    "simulated", "shared",
))  # fmt: skip
"""Keys whose value is written without quotes."""
_HEAD = re.compile(r"^[ \t]*(\[\[?)[ \t]*([^\[\]#\n]+?)[ \t]*\]\]?[ \t]*(?:#.*)?$", re.MULTILINE)
_VALUE = r"""(?:"(?:[^"\\\n]|\\.)*"|'[^'\n]*'|\[[^\n#]*\]|[^\s#"'\[][^#\n]*?)"""


def new_text(name: str) -> str:
    """Return the commented text that a new file called `name` (bench.toml | campaign.toml) starts with."""
    return template(name)


def edited(text: str, values: Mapping[str, str | None]) -> str:
    """Return the text of a bench or campaign file with lines changed; nothing is checked.

    Parameters
    ----------
    text
        The file as it is.
    values
        Path -> value as it is written in the file (``45 A``, ``8``, ``true``); None takes the line out. A path is
        ``name``, ``regulator.stage.current_rating`` or, in a list of blocks, ``step.3.start`` (1 = the first). A block
        that is one past the last is added, a table that is not there as well. Values of more than one line are refused.

    Raises
    ------
    ValueError
        When a path names no block that is there or could be added, or what it would replace spans several lines.
    """
    for path, value in values.items():
        words = path.split(".")
        key, table, index = words[-1], [word for word in words[:-1] if not word.isdecimal()], None
        numbers = [int(word) for word in words[:-1] if word.isdecimal()]
        if numbers:
            index = numbers[0] - 1
        text = _with_line(text, ".".join(table), index, key, value)
    return text


def without_block(text: str, table: str, number: int) -> str:
    """Return the text without the block [[table]] of this number (1 = the first), comments after it kept.

    Raises ValueError when there is none.
    """
    heads = _heads(text, table, True)
    if not 1 <= number <= len(heads):
        raise ValueError(f"no such block (number = {number}) - there are {len(heads)} - take one of them")
    start = heads[number - 1].start()
    later = [item for item in _HEAD.finditer(text, heads[number - 1].end()) if not _inside(item, table)]
    end = _above(text, later[0].start()) if later else len(text)
    return text[:start] + text[end:]


def file_faults(name: str, text: str) -> tuple[Fault, ...]:
    """Return every fault of the text of bench.toml or campaign.toml, the latter without looking at a bench."""
    return (check_bench_text if name == BENCH_FILE else check_campaign_text)(text, name)


def keep_text(folder: str | Path, name: str, text: str) -> str:
    """Replace bench.toml or campaign.toml of a campaign, whole or not at all, and return the text that stood there.

    Faulty text may be kept, to be mended later: whoever uses the file is told of every fault.

    Raises
    ------
    BenchFault
        When `name` is neither file, or the file cannot be read or written.
    """
    if name not in (BENCH_FILE, CAMPAIGN_FILE):
        raise BenchFault(Fault(escape(name), "is no file of a campaign", f"take {BENCH_FILE} or {CAMPAIGN_FILE}"))
    path = Path(folder) / name
    try:
        before = path.read_bytes().decode("utf-8")
        _replace(path, text.replace("\r\n", "\n").replace("\r", "\n"))
    except (OSError, UnicodeDecodeError) as error:
        what = escape(getattr(error, "strerror", None) or str(error))
        raise BenchFault(Fault(name, f"cannot be changed ({what})", "give yourself the right to write it")) from None
    return before


def _inside(head: re.Match[str], table: str) -> bool:
    """Tell whether a head opens a part of the block `table`, not a block of its own."""
    return head[2].replace('"', "").startswith(table + ".")


def _heads(text: str, table: str, listed: bool) -> list[re.Match[str]]:
    mark = "[[" if listed else "["
    return [head for head in _HEAD.finditer(text) if head[1] == mark and head[2].replace(" ", "") == table]


def _with_line(text: str, table: str, index: int | None, key: str, value: str | None) -> str:
    """Return `text` with `key` of one table set; see `edited`."""
    if value is not None and ("\n" in value or "\r" in value):
        raise ValueError(f"several lines ({key} = {escape(value)!r}) - a value stands on one line - join them")
    if not table:
        first = _HEAD.search(text)
        start, end = 0, _above(text, first.start()) if first else len(text)
    else:
        heads = _heads(text, table, index is not None)
        at = index or 0
        if at > len(heads) or at < 0:
            raise ValueError(f"no such block (number = {at + 1}) - there are {len(heads)} of {table} - add them in order")
        if at == len(heads):
            if value is None:
                return text
            block = f"[[{table}]]\n" if index is not None else f"[{table}]\n"
            spot = _block_end(text, heads[-1], table) if heads else len(text)
            head, tail = text[:spot].rstrip("\n"), text[spot:].lstrip("\n")
            text = f"{head}\n\n{block}" + (f"\n{tail}" if tail else "")
            heads = _heads(text, table, index is not None)
        start = heads[at].end() + 1
        following = _HEAD.search(text, heads[at].end())
        end = _above(text, following.start()) if following else len(text)
    body = text[start:end]
    return text[:start] + _body_with(body, key, value) + text[end:]


def _block_end(text: str, head: re.Match[str], table: str) -> int:
    """Return where the block that begins with `head` ends, behind its last line that is no comment."""
    later = [item for item in _HEAD.finditer(text, head.end()) if not _inside(item, table)]
    end = _above(text, later[0].start()) if later else len(text)
    return head.start() + len(text[head.start() : end].rstrip()) + 1


def _body_with(body: str, key: str, value: str | None) -> str:
    """Return the lines of one table with `key` set to `value`, None = taken out."""
    live = re.search(rf"^([ \t]*){re.escape(key)}[ \t]*=[ \t]*({_VALUE})([ \t]*#.*|[ \t]*)$", body, re.MULTILINE)
    if live is None and re.search(rf"^[ \t]*{re.escape(key)}[ \t]*=", body, re.MULTILINE):
        raise ValueError(f"{key} is written over several lines - only single lines are changed here - edit the file")
    if value is None:
        return body if live is None else body[: live.start()] + body[live.end() + 1 :]
    if live is not None:
        note = re.sub(r"#\s*change this(?::\s*|\s*$)", "# ", live[3]).rstrip()
        note = "" if note.strip() == "#" else note
        return f"{body[: live.start()]}{live[1]}{key} = {_written(key, value)}{note}{body[live.end() :]}"
    asleep = re.search(rf"^#[ \t]*{re.escape(key)}[ \t]*=[ \t]*{_VALUE}([ \t]*#.*|[ \t]*)$", body, re.MULTILINE)
    if asleep is not None:
        line = f"{key} = {_written(key, value)}{asleep[1].rstrip()}"
        return body[: asleep.start()] + line + body[asleep.end() :]
    alive = [item for item in re.finditer(r"^[ \t]*[^\s#\[].*$", body, re.MULTILINE)]
    at = alive[-1].end() + 1 if alive else 0
    head = body[:at] if not body[:at] or body[:at].endswith("\n") else body[:at] + "\n"
    return f"{head}{key} = {_written(key, value)}\n{body[at:]}"


def _written(key: str, value: str) -> str:
    """Return a value as TOML."""
    if key in _BARE and re.fullmatch(r"-?\d+(\.\d+)?|true|false", value.strip()):
        return value.strip()
    shown: Callable[[str], str] = lambda ch: ch if ch.isprintable() else f"\\u{ord(ch):04X}"  # noqa: E731
    plain = value.strip().replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(ch if ord(ch) > 0xFFFF else shown(ch) for ch in plain) + '"'
