"""Linux sensors: hwmon, iio and powercap. Files are opened for reading only, chips are found by name and place."""

from __future__ import annotations

import errno
from abc import ABC, abstractmethod
from collections.abc import Iterator
from pathlib import Path

from phasewright.bench import Instrument, ReadingSource, base_channel, escape
from phasewright.live.encoding import sysfs_files as files
from phasewright.live.encoding.answers import Answered
from phasewright.live.instruments.driver import DriverFault, Polled, Reading, Surroundings, missing, to_channel

GREATEST_POWER = 20_000.0
"""[W] More than any counter can have seen: the counter was set back instead of having gone round."""
SAID = {
    errno.ENODATA: "the driver has no data", errno.EIO: "the device does not answer", errno.EAGAIN: "busy",
    errno.EBUSY: "busy", errno.ENOENT: "the file has gone", errno.ENODEV: "the device has gone",
    errno.EACCES: "may not be read by this user: grant read permission for this one file", errno.ENXIO: "no device",
    errno.EPERM: "may not be read by this user: grant read permission for this one file",
}  # fmt: skip
_LONGEST = 4096


def read_text(path: Path) -> tuple[str, str]:
    """Return (text, '') or ('', why) of a sysfs file."""
    try:
        with path.open("rb") as file:
            return file.read(_LONGEST).decode("ascii", "replace").strip(), ""
    except OSError as error:
        return "", SAID.get(error.errno or 0, error.strerror or "cannot be read")


class SysfsDriver(ABC):
    """What the three kinds have in common: a folder that is found by the name inside it, and may come back elsewhere."""

    place = ""
    """Folder of all chips, below the root."""
    pattern = ""

    def __init__(self, instrument: Instrument, surroundings: Surroundings):
        connection = instrument.connection
        name, _, where = (connection.address if connection else "").partition("@")
        self.instrument, self._around = instrument, surroundings
        self._name, self._where = name, where
        self.identity, self._folder, self._home = "", None, ""
        for source in instrument.reading.values():
            self._check(source)

    _folder: Path | None

    def _check(self, source: ReadingSource) -> None:
        if "/" in source.ask or ".." in source.ask:
            raise DriverFault(f"{self.instrument.name}: ask = {escape(source.ask)!r} is no name of a file - see the "
                              "chip's folder")

    def open(self) -> None:
        """See `Driver`."""
        found = list(self._chips())
        if len(found) > 1:
            places = ", ".join(_home(path) for path in found)
            raise DriverFault(f"{self.instrument.name}: {len(found)} chips are called {escape(self._name)} - write address = "
                              f'"{escape(self._name)}@PLACE" with a part of one of: {escape(places, 300)}')
        self._bind()

    def _chips(self) -> Iterator[Path]:
        for path in sorted((self._around.root / self.place).glob(self.pattern)):
            if read_text(path / "name")[0] == self._name and self._where in _home(path):
                yield path

    def _bind(self) -> str:
        found = next((path for path in self._chips() if not self._home or _home(path) == self._home), None)
        if found is None:
            self._folder = None
            return f"no chip called {escape(self._name)} is there"
        self._folder, self._home = found, _home(found)
        self.identity = f"{self._name} at {self._home}"
        return ""

    def close(self) -> None:  # noqa: B027 - no file is kept open between two readings
        """See `Driver`."""

    def read(self) -> Polled:
        """See `Driver`."""
        polled, clock = Polled(), self._around.clock
        # Numbers of chips change when drivers are loaded anew: the name is looked at every time.
        if self._folder is None or read_text(self._folder / "name")[0] != self._name or _home(self._folder) != self._home:
            why = self._bind()
            if why:
                polled.readings = missing(self.instrument, clock.monotonic_ns(), why)
                return polled
        for source in self.instrument.reading.values():
            before = clock.monotonic_ns()
            found, raw = self._one(self._folder, source, before)
            after = clock.monotonic_ns()
            polled.readings.append(Reading(source.channel, found.value, (before + after) // 2, raw, found.missing,
                                           (after - before) // 2))
        return polled

    @abstractmethod
    def _one(self, folder: Path | None, source: ReadingSource, now: int) -> tuple[Answered, str]:
        """Return the answer to one reading, and its raw text."""


def _home(path: Path) -> str:
    """Return the device that a chip's folder belongs to: its place stays when its number changes."""
    device = path / "device"
    return str(device.resolve() if device.exists() else path.resolve())


class HwmonDriver(SysfsDriver):
    """``kind = "hwmon"``, address: the chip's name."""

    place, pattern = "class/hwmon", "hwmon*"

    def _check(self, source: ReadingSource) -> None:
        try:
            files.hwmon_unit(source.ask)
        except ValueError as error:
            raise DriverFault(f"{self.instrument.name}: {error}") from None

    def _one(self, folder, source, now):
        text, why = read_text(folder / source.ask)
        if why:
            return Answered(None, why), ""
        stem = source.ask.partition("_")[0]
        if (folder / f"{stem}_fault").exists() and read_text(folder / f"{stem}_fault")[0] != "0":
            return Answered(None, f"{stem}_fault says that the reading must not be trusted"), text
        try:
            count = files.whole_number(text)
        except ValueError as error:
            return Answered(None, str(error)), text
        unit, factor = files.hwmon_unit(source.ask)
        return to_channel(source, count * factor, unit), text


class IioDriver(SysfsDriver):
    """``kind = "iio"``, address: the device's name; ask: the channel without its ending, such as ``in_voltage0``."""

    place, pattern = "bus/iio/devices", "iio:device*"

    def _one(self, folder, source, now):
        kind = source.ask.split("_")[-1].rstrip("0123456789")
        if kind not in files.IIO:
            return Answered(None, f"no kind of iio channel: {kind[:20]!r}"), ""
        text, why = read_text(folder / f"{source.ask}_raw")
        if why:
            return Answered(None, why), ""
        try:
            raw = files.decimal_number(text)
            # Both may change in mid-run, so both are read every time; a whole kind of channel may share one.
            scale = self._shared(folder, source.ask, "scale", 1.0)
            offset = self._shared(folder, source.ask, "offset", 0.0)
        except ValueError as error:
            return Answered(None, str(error)), text
        unit, factor = files.IIO[kind]
        return to_channel(source, files.iio_value(raw, scale, offset) * factor, unit), text

    def __init__(self, instrument: Instrument, surroundings: Surroundings):
        super().__init__(instrument, surroundings)
        self._had: set[str] = set()

    def _shared(self, folder: Path, ask: str, ending: str, default: float) -> float:
        for stem in (ask, ask.rstrip("0123456789")):
            name = f"{stem}_{ending}"
            if (folder / name).exists():
                self._had.add(name)
                return files.decimal_number(read_text(folder / name)[0])
            if name in self._had:
                raise ValueError(f"{name} has gone: the reading cannot be scaled")
        return default


class PowercapDriver(SysfsDriver):
    """``kind = "powercap"``, address: the zone's name; an energy counter gives energy since the start, or power."""

    place, pattern = "class/powercap", "*"

    def __init__(self, instrument: Instrument, surroundings: Surroundings):
        super().__init__(instrument, surroundings)
        self._last: dict[str, tuple[int, int]] = {}
        self._total: dict[str, int] = {}

    def _one(self, folder, source, now):
        if source.ask not in files.POWERCAP:
            return Answered(None, f"no reading of powercap is called {source.ask[:40]!r}"), ""
        text, why = read_text(folder / source.ask)
        if why:
            return Answered(None, why), ""
        try:
            count = files.whole_number(text)
            if source.ask != "energy_uj":
                return to_channel(source, count * 1e-6, files.POWERCAP[source.ask][0]), text
            count_range = files.whole_number(read_text(folder / "max_energy_range_uj")[0])
        except ValueError as error:
            return Answered(None, str(error)), text
        return self._counted(source, count, count_range, now), text

    def _counted(self, source: ReadingSource, count: int, count_range: int, now: int) -> Answered:
        before, self._last[source.channel] = self._last.get(source.channel), (count, now)
        if before is None:
            self._total[source.channel] = 0
            if base_channel(source.channel).unit == "J":
                return to_channel(source, 0.0, "J")
            return Answered(None, "first reading of a counter")
        step, seconds = files.energy_step(before[0], count, count_range), (now - before[1]) * 1e-9
        if seconds <= 0.0 or step * 1e-6 > GREATEST_POWER * seconds:
            return Answered(None, "the counter was set back")
        self._total[source.channel] += step
        if base_channel(source.channel).unit == "J":
            return to_channel(source, self._total[source.channel] * 1e-6, "J")
        return to_channel(source, step * 1e-6 / seconds, "W")
