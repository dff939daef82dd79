"""PMBus and SMBus numbers: LINEAR11, ULINEAR16, DIRECT, IEEE half precision, and the packet error code.

Source: PMBus Power System Management Protocol Specification, part II, section 7 (number formats, as quoted in public data
sheets) and SMBus specification (packet error code); the rows that tests assert are named beside them.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

TELEMETRY = {
    "STATUS_BYTE": 0x78, "STATUS_WORD": 0x79, "STATUS_VOUT": 0x7A, "STATUS_IOUT": 0x7B, "STATUS_INPUT": 0x7C,
    "STATUS_TEMPERATURE": 0x7D, "STATUS_CML": 0x7E, "READ_VIN": 0x88, "READ_IIN": 0x89, "READ_VCAP": 0x8A,
    "READ_VOUT": 0x8B, "READ_IOUT": 0x8C, "READ_TEMPERATURE_1": 0x8D, "READ_TEMPERATURE_2": 0x8E,
    "READ_TEMPERATURE_3": 0x8F, "READ_FAN_SPEED_1": 0x90, "READ_DUTY_CYCLE": 0x94, "READ_FREQUENCY": 0x95,
    "READ_POUT": 0x96, "READ_PIN": 0x97,
}  # fmt: skip
"""Code of every command that only reports. Source: command codes as in Linux drivers/hwmon/pmbus/pmbus.h."""
VOUT_MODE = 0x20
"""Says how output voltages are coded; read, never written."""
BYTE_WIDE = frozenset(code for name, code in TELEMETRY.items() if name.startswith("STATUS_") and name != "STATUS_WORD")
ALL_ONES = 0xFFFF
"""What an absent or confused device leaves on the lines."""
STATUS_BITS = {
    "STATUS_WORD": (
        "none of the above", "communication, memory or logic", "temperature", "input under-voltage",
        "output over-current", "output over-voltage", "off", "busy", "unknown", "other", "fans",
        "power good negated", "manufacturer", "input", "output current or power", "output voltage",
    ),
    "STATUS_IOUT": (
        "over-power warning", "over-power fault", "power limiting", "current share fault", "under-current fault",
        "over-current warning", "over-current fault with low voltage", "over-current fault",
    ),
    "STATUS_TEMPERATURE": (
        "", "", "", "", "under-temperature fault", "under-temperature warning", "over-temperature warning",
        "over-temperature fault",
    ),
}  # fmt: skip
"""Meaning of each bit, bit 0 first. STATUS_IOUT is listed from bit 0: over-power warning to bit 7: over-current fault."""
# Bits 6 and 7 of STATUS_IOUT: 7 over-current fault, 6 the same with low voltage, 5 warning, 4 under-current fault.


def _word(word: int, width: int = 16) -> int:
    if not 0 <= word < 1 << width:
        raise ValueError(f"word is not {width} bits wide (word = {word}) - 0 to {(1 << width) - 1} - read it again")
    return word


def _signed(value: int, width: int) -> int:
    return value - (1 << width) if value >> (width - 1) else value


def linear11(word: int) -> float:
    """Return the number that a LINEAR11 word codes: Y * 2^N, Y signed in 11 bits, N signed in the upper 5."""
    return _signed(_word(word) & 0x7FF, 11) * 2.0 ** _signed(word >> 11, 5)


def to_linear11(value: float, exponent: int | None = None) -> int:
    """Return the LINEAR11 word nearest to `value`; without `exponent` the mantissa is made as long as it can be.

    Raises ValueError when `value` does not fit.
    """
    exponents = range(-16, 16) if exponent is None else (exponent,)
    for n in exponents:
        mantissa = round(value / 2.0**n)
        # The rule of the published words scales the mantissa's size into 511 to 1023; -1024 is used where nothing else fits.
        if abs(mantissa) <= 1023 or (mantissa == -1024 and n == exponents[-1]):
            return (n & 0x1F) << 11 | mantissa & 0x7FF
    raise ValueError(f"value does not fit LINEAR11 (value = {value}) - at most 1023 * 2^N - choose a greater exponent")


def ulinear16(word: int, exponent: int) -> float:
    """Return the number that a ULINEAR16 word codes: word * 2^exponent, the exponent from VOUT_MODE."""
    return _word(word) * 2.0**exponent


def to_ulinear16(value: float, exponent: int) -> int:
    """Return the ULINEAR16 word nearest to `value`; ValueError when it does not fit."""
    return _word(round(value / 2.0**exponent))


def direct(word: int, m: int, b: int, r: int) -> float:
    """Return X = (Y * 10^-R - b) / m of a DIRECT word, Y signed in 16 bits; ValueError for m = 0."""
    if m == 0:
        raise ValueError("coefficient m (m = 0) - must not be zero - take it from the device's data sheet")
    return (_signed(_word(word), 16) * 10.0**-r - b) / m


def to_direct(value: float, m: int, b: int, r: int) -> int:
    """Return the DIRECT word Y = (m X + b) * 10^R nearest to `value`; ValueError when it does not fit."""
    y = round((m * value + b) * 10.0**r)
    if not -32768 <= y <= 32767:
        raise ValueError(f"value does not fit DIRECT (value = {value}) - Y = {y} needs more than 16 bits - check m, b, R")
    return y & 0xFFFF


def half(word: int) -> float:
    """Return the number that an IEEE 754 binary16 word codes; infinity and NaN as such."""
    return struct.unpack("<e", struct.pack("<H", _word(word)))[0]


def to_half(value: float) -> int:
    """Return the binary16 word nearest to `value`; ValueError when it is too large."""
    try:
        return struct.unpack("<H", struct.pack("<e", value))[0]
    except OverflowError:
        raise ValueError(f"value does not fit half precision (value = {value}) - at most 65504 - scale it") from None


@dataclass(frozen=True, slots=True)
class VoutMode:
    """How a device codes its output voltage."""

    kind: str
    """linear | vid | direct | half"""
    exponent: int
    """Of ULINEAR16 for kind linear, else 0."""
    code: int
    """Lower five bits as they stand."""
    relative: bool
    """Bit 7: limits are relative to the commanded voltage (PMBus 1.3)."""


def vout_mode(byte: int) -> VoutMode:
    """Return what a VOUT_MODE byte says."""
    _word(byte, 8)
    kind = ("linear", "vid", "direct", "half")[byte >> 5 & 0x3]
    code = byte & 0x1F
    return VoutMode(kind, _signed(code, 5) if kind == "linear" else 0, code, bool(byte & 0x80))


def packet_error_code(frame: bytes, crc: int = 0) -> int:
    """Return the SMBus packet error code of `frame`, both address bytes in it: CRC-8, polynomial 07h, start 0."""
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x07) & 0xFF if crc & 0x80 else crc << 1
    return crc


def status_names(command: str, word: int) -> tuple[str, ...]:
    """Return the meanings of the bits set in a status `word`; KeyError for a command without a list."""
    return tuple(name for bit, name in enumerate(STATUS_BITS[command]) if word >> bit & 1 and name)


def is_absent(word: int, width: int = 16) -> bool:
    """Return whether a word is all ones, as an absent device or an unknown command answers."""
    return word == (1 << width) - 1


def finite(value: float) -> bool:
    """Return whether a decoded number is one that can be booked."""
    return math.isfinite(value)
