"""The I2C bus of Linux, with the optional extra ``pmbus`` (smbus2). Reads, and the one write that chooses a page."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Protocol

PAGE = 0x00
"""The only command that may be written, and only where nothing else talks to the device."""


class Bus(Protocol):
    """What a device driver may do on the bus. Every call may raise OSError."""

    def read_byte(self, address: int, command: int) -> int:
        """Return the byte behind a command."""
        ...

    def read_word(self, address: int, command: int) -> int:
        """Return the word behind a command."""
        ...

    def write_page(self, address: int, page: int) -> None:
        """Choose a page."""
        ...

    def close(self) -> None:
        """Let go."""
        ...


class LinuxBus:
    """``/dev/i2c-N``."""

    def __init__(self, number: int, *, error_code: bool = True):
        """Open the bus; ImportError without smbus2, OSError where it cannot be opened."""
        from smbus2 import SMBus

        self._bus: Any = SMBus(number)
        self._bus.pec = 1 if error_code else 0

    def read_byte(self, address: int, command: int) -> int:
        """See `Bus`."""
        return self._bus.read_byte_data(address, command)

    def read_word(self, address: int, command: int) -> int:
        """See `Bus`."""
        return self._bus.read_word_data(address, command)

    def write_page(self, address: int, page: int) -> None:
        """See `Bus`."""
        self._bus.write_byte_data(address, PAGE, page)

    def close(self) -> None:
        """See `Bus`."""
        self._bus.close()


def bound_driver(root: Path, bus: int, address: int) -> str:
    """Return the name of the kernel driver that holds a device, '' = none; raw access beside one is never allowed."""
    place = root / "bus" / "i2c" / "devices" / f"{bus}-{address:04x}" / "driver"
    return place.resolve().name if place.exists() else ""
