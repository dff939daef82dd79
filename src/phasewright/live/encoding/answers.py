"""What SCPI instruments answer: numbers, the not-a-number and infinity sentinels, definite-length blocks, error queue.

Source: IEEE 488.2 (number and block formats) and SCPI-99, volume 1, 7.2.1.4 and 7.2.1.5 (9.91E37, 9.9E37), as quoted in
public instrument manuals.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

NOT_A_NUMBER, INFINITE = 9.91e37, 9.9e37
NUMBER = re.compile(r"[-+]?(?:[0-9]{1,30}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})(?:[eE][-+]?[0-9]{1,3})?")
WORDS = {
    "nan": "the instrument answered that it has no number", "inf": "beyond the range of the instrument",
    "+inf": "beyond the range of the instrument", "-inf": "beyond the range of the instrument",
    "ninf": "beyond the range of the instrument", "ovld": "overload", "overload": "overload", "ol": "overload",
    "+ol": "overload", "-ol": "overload", "over": "overload",
    "----": "the instrument shows no number", "---": "the instrument shows no number",
    "--": "the instrument shows no number", "n/a": "the instrument has no number",
    "na": "the instrument has no number", "null": "the instrument has no number", "none": "the instrument has no number",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Answered:
    """A number, or the reason why there is none."""

    value: float | None
    missing: str = ""


def number_answer(text: str) -> Answered:
    """Return the number in an answer, or why it is missing. A locale never applies; nothing is guessed."""
    plain = text.strip()
    if not plain:
        return Answered(None, "empty answer")
    word = WORDS.get(plain.strip('"').lower())
    if word is not None:
        return Answered(None, word)
    if not NUMBER.fullmatch(plain):
        return Answered(None, f"no number: {plain[:40]!r}")
    value = float(plain)
    if abs(value - NOT_A_NUMBER) <= 1e-4 * NOT_A_NUMBER:
        return Answered(None, "the instrument answered 9.91E37: not a number")
    if abs(value) >= INFINITE * (1.0 - 1e-4):
        return Answered(None, "the instrument answered 9.9E37: overload, or no measurement can be made")
    return Answered(value)


def numbers_answer(text: str) -> tuple[Answered, ...]:
    """Return every number of an answer that lists them with commas."""
    return tuple(number_answer(part) for part in text.split(","))


def block_length(head: bytes, most: int) -> tuple[int, int]:
    """Return (length of the head, length of the data) of a definite-length block; (0, 0) while the head is incomplete.

    Raises ValueError when `head` begins no such block, or it claims more than `most` bytes.
    """
    if head[:1] not in (b"#", b""):
        raise ValueError(f"no block (answer = {head[:20]!r}) - a block begins with # and a digit - ask for text instead")
    if len(head) < 2:
        return 0, 0
    digits = head[1] - ord("0")
    if not 1 <= digits <= 9:
        raise ValueError(f"length of a block is not stated (answer = {head[:20]!r}) - # and a digit from 1 to 9 - drop it")
    if len(head) < 2 + digits:
        return 0, 0
    stated = head[2 : 2 + digits]
    if not stated.isdigit():
        raise ValueError(f"length of a block is no number (answer = {head[:20]!r}) - {digits} digits - drop it")
    if int(stated) > most:
        raise ValueError(f"block of {int(stated)} bytes (answer = {head[:20]!r}) - at most {most} - ask for less")
    return 2 + digits, int(stated)


def block_numbers(data: bytes, *, wide: bool = False, big_end_first: bool = True) -> tuple[float, ...]:
    """Return the IEEE 754 numbers of a block's data: 4 bytes each, 8 when `wide`; ValueError for a length that is none."""
    size = 8 if wide else 4
    if len(data) % size:
        raise ValueError(f"block of {len(data)} bytes (size = {size}) - must be whole numbers - it was cut, ask again")
    return struct.unpack(f"{'>' if big_end_first else '<'}{len(data) // size}{'d' if wide else 'f'}", data)


def queue_entry(text: str) -> tuple[int, str]:
    """Return (code, text) of an error queue entry such as ``-350,"Queue overflow"``; code 0 = the queue is empty.

    Raises ValueError when it is no such entry.
    """
    found = re.fullmatch(r"\s*([-+]?\d{1,6})\s*(?:,\s*\"?(.*?)\"?)?\s*", text, re.DOTALL)
    if found is None:
        raise ValueError(f"no entry of an error queue (answer = {text[:40]!r}) - code and text - reopen the connection")
    return int(found[1]), (found[2] or "")[:200]
