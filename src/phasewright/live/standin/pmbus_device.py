"""A PMBus device on a bus of its own, with a log of every transfer and errors on demand."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from phasewright.live.encoding import pmbus_words as words


class PmbusDevice:
    """Stands in for the bus as drivers see it. `word` is called with a command's name and returns its register."""

    def __init__(self, address: int, word: Callable[[str], int | None], *, vout_mode: int = 0x17):
        self.address, self.word, self.vout_mode = address, word, vout_mode
        self.log: list[tuple[str, int, int, int]] = []
        """(read | write, address, command, data) of every transfer."""
        self.page = 0
        self.failing: list[int] = []
        """errno of the next transfers, 0 = none."""
        self.disturb = False
        """Somebody else changes the page between two transfers."""
        self._names: Mapping[int, str] = {code: name for name, code in words.TELEMETRY.items()}

    def _turn(self, kind: str, address: int, command: int, data: int) -> None:
        self.log.append((kind, address, command, data))
        code = self.failing.pop(0) if self.failing else 0
        if address != self.address:
            code = 6  # nobody acknowledges
        if code:
            raise OSError(code, "bus error")

    def read_byte(self, address: int, command: int) -> int:
        """See the bus that drivers use."""
        self._turn("read", address, command, 0)
        if command == words.VOUT_MODE:
            return self.vout_mode
        if command == 0x00:
            return self.page
        return self._register(command, 0xFF)

    def read_word(self, address: int, command: int) -> int:
        """See the bus that drivers use."""
        self._turn("read", address, command, 0)
        if self.disturb:
            self.page = 1
        return self._register(command, 0xFFFF)

    def _register(self, command: int, absent: int) -> int:
        found = self.word(self._names.get(command, ""))
        return absent if found is None else found

    def write_page(self, address: int, page: int) -> None:
        """See the bus that drivers use."""
        self._turn("write", address, 0x00, page)
        self.page = page

    def close(self) -> None:
        """See the bus that drivers use."""

    @property
    def written(self) -> tuple[int, ...]:
        """Return every command that was ever written to."""
        return tuple(command for kind, _, command, _ in self.log if kind == "write")
