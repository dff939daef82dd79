"""The virtual bench behind the same transports as a real one: SCPI over loopback, an I2C bus, a sysfs tree, a growing log.

The bench file that is written here is read like any other; only the bus and the root of the files are stand-ins.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

from phasewright.bench import Accuracy, Step
from phasewright.live.clock import Clock
from phasewright.live.encoding.pmbus_words import to_linear11, to_ulinear16
from phasewright.live.instruments.driver import Driver, Polled, Surroundings
from phasewright.live.load import Load
from phasewright.live.standin.bench import RunningBench, SimulatedLoad
from phasewright.live.standin.pmbus_device import PmbusDevice
from phasewright.live.standin.scpi_server import ScpiServer
from phasewright.live.standin.sysfs_tree import SysfsTree
from phasewright.live.virtual.demo import demo_scenario
from phasewright.live.virtual.files import bench_text, quantity, text
from phasewright.live.virtual.instruments import Dialect, VirtualInstrument
from phasewright.live.virtual.scenario import PlannedStep, Scenario

COUNT_RANGE = 262_143_328_850
"""[uJ] Where the simulated energy counter starts again."""
AVERAGED = "SENS:AVER:COUN?"
THERMOMETER = "thermometer-own-log.csv"


@dataclass(frozen=True, slots=True)
class _Wire:
    """How the bench file says that an instrument is reached."""

    connection: tuple[tuple[str, str], ...]
    readings: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]


def _instrument(name: str, period: float, averaging: float, about: str, accuracy: dict[str, Accuracy]) -> VirtualInstrument:
    return VirtualInstrument(name, name, (), period, averaging, "end", MappingProxyType(accuracy), dialect=Dialect(),
                             description=f"simulated {about}")


def live_scenario(base: Scenario | None = None) -> Scenario:
    """Return the demonstration's scenario with the instruments of the dry run."""
    base = base or demo_scenario()
    sheet = "simulated data sheet"
    instruments = (
        _instrument("meter", 0.2, 0.2, "power meter on both 12 V connectors, SCPI over a socket",
                    {"input_power": Accuracy(0.005, 0.3, 0.012, "limit", "stated by the simulated meter's maker")}),
        _instrument("regulator", 0.5, 0.1, "telemetry of the regulator, PMBus", {
            "rail_current": Accuracy(0.02, 0.5, 0.25, "standard", sheet),
            "rail_voltage": Accuracy(0.005, 0.002, 0.002, "limit", sheet),
            "regulator_temperature": Accuracy(0.0, 1.5, 0.25, "limit", sheet)}),
        _instrument("package", 1.0, 1.0, "energy counter of the processor", {
            "package_power": Accuracy(0.03, 1.0, 0.1, "standard", "no comparison with a better meter: 3 % and 1 W")}),
        _instrument("host", 1.0, 0.0, "temperature of the processor", {
            "processor_temperature": Accuracy(0.0, 2.0, 0.125, "limit", sheet)}),
        _instrument("thermometer", 2.0, 0.0, "thermometer that keeps a log of its own", {
            "coolant_temperature": Accuracy(0.0, 0.2, 0.01, "limit", "probe class of the simulated thermometer")}),
        _instrument("room", 2.0, 0.0, "converter that reads the room", {
            "ambient_temperature": Accuracy(0.0, 0.3, 0.05, "limit", sheet)}),
    )
    return replace(base, instruments=instruments, name="How few phases are enough at 300 W? (dry run)",
                   notes="Simulated dry run of the recorder: an invented board behind the same transports as a real one.")


class DryRun:
    """A running virtual bench with its stand-in instruments; writes the campaign's two files."""

    def __init__(self, folder: Path, scenario: Scenario, seed: int, clock: Clock, known: dict[str, float] | None = None):
        """`known` are gain errors by ``instrument/channel`` that the bench file declares, so that they are corrected."""
        self.folder, self.scenario, self.clock = folder, scenario, clock
        self.bench = RunningBench(scenario, seed, clock)
        self._known = known or {}
        self._stated = {item.name: item.accuracy for item in scenario.instruments}
        self._energy, self._energy_at = 0.0, 0.0
        self.server = ScpiServer(self._meter, identity="SIMULATED,INLINE METER,0001,1.0")
        self.device = PmbusDevice(0x40, self._register)
        self.tree = SysfsTree(folder / "simulated-sysfs")
        self._package = self.tree.chip("powercap", 0, "package-0")
        self._host = self.tree.chip("hwmon", 3, "simhost", "sim-host")
        self._room = self.tree.chip("iio", 0, "simroom")
        SysfsTree.put(self._package, "max_energy_range_uj", COUNT_RANGE)
        SysfsTree.put(self._room, "in_temp_scale", "50")
        self._log = folder / THERMOMETER
        self._log.write_text("second;coolant [degC]\n", encoding="ascii")
        self.refresh()

    def close(self) -> None:
        """Take the stand-ins away."""
        self.server.close()

    def surroundings(self) -> Surroundings:
        """Return what the drivers need to reach the stand-ins."""
        return Surroundings(self.clock, self.folder, self.tree.root, lambda number, code: self.device)

    def load_of(self, step: Step) -> Load:
        """Return the load of a step; its package power is what it takes."""
        return SimulatedLoad(self.bench, float(step.settings.get("package_power", 100.0)))

    def set_up(self, step: Step) -> None:
        """Do what a person does by hand before a step."""
        given = step.settings

        def number(key: str) -> float | None:
            return float(given[key]) if key in given else None

        self.bench.set_by_hand(PlannedStep(
            step.name, int(given.get("phase_count", self.scenario.bench.regulator.phase_count)), 0.0, 0.0,
            protection_phase_current=number("protection_phase_current"), power_limit=number("power_limit"),
            fan_duty=number("fan_duty")))

    def _shown(self, instrument: str, channel: str, value: float) -> float:
        value = self.bench.off_by(instrument, self._stated[instrument], channel, value)
        return value * (1.0 + self._known.get(f"{instrument}/{channel}", 0.0))

    def _meter(self, question: str) -> str | None:
        if question == AVERAGED:
            return "20"
        if question != "READ:ALL?":
            return None
        cells = []
        for label in ("1", "2"):
            volts = self.bench.mean(f"input_voltage.{label}", 0.2)
            amperes = self.bench.mean(f"input_current.{label}", 0.2)
            # The meter's stated accuracy is that of its power; the error sits in the current.
            power = self._shown("meter", "input_power", volts * amperes)
            cells += [f"{volts + self.bench.noise(0.002):.4f}", f"{power / volts + self.bench.noise(0.012):.4f}"]
        return ",".join(cells)

    def _register(self, command: str) -> int | None:
        if not self.bench.alive:
            return None
        if command == "READ_VOUT":
            return to_ulinear16(self._shown("regulator", "rail_voltage", self.bench.mean("rail_voltage", 0.1)), -9)
        if command == "READ_IOUT":
            value = self._shown("regulator", "rail_current", self.bench.mean("rail_current", 0.1))
            return to_linear11(value + self.bench.noise(0.3))
        if command == "READ_TEMPERATURE_1":
            value = self._shown("regulator", "regulator_temperature", self.bench.mean("regulator_temperature", 0.0))
            return to_linear11(round((value + self.bench.noise(0.15)) * 4.0) / 4.0, -2)
        if command == "STATUS_WORD":
            return 0x4000 if self.bench.mean("protection_active", 0.5) > 0.2 else 0
        return None

    def fresh(self, drivers: Mapping[str, Driver]) -> dict[str, Driver]:
        """Return the drivers such that files are brought up to the moment before each look, as a kernel's are."""
        made = {"package": self._fresh_package, "host": self._fresh_host, "thermometer": self._fresh_log,
                "room": self._fresh_room}
        return {name: _Fresh(driver, made[name]) if name in made else driver for name, driver in drivers.items()}

    def refresh(self) -> None:
        """Bring every file up to the present moment."""
        for fresh in (self._fresh_package, self._fresh_host, self._fresh_log, self._fresh_room):
            fresh()

    def _fresh_package(self) -> None:
        lab = self.bench.lab
        if not self.bench.alive:
            SysfsTree.put(self._package, "energy_uj", "")
        else:
            if lab > self._energy_at:
                power = self._shown("package", "package_power", self.bench.mean("package_power", lab - self._energy_at))
                self._energy += power * (lab - self._energy_at)
            SysfsTree.put(self._package, "energy_uj", round(self._energy * 1e6) % COUNT_RANGE)
        self._energy_at = lab

    def _fresh_host(self) -> None:
        value = self._shown("host", "processor_temperature", self.bench.mean("processor_temperature", 0.0))
        SysfsTree.put(self._host, "temp1_input", round(value * 8.0) * 125 if self.bench.alive else "")

    def _fresh_room(self) -> None:
        room = self._shown("room", "ambient_temperature", self.bench.mean("ambient_temperature", 0.0))
        SysfsTree.put(self._room, "in_temp_raw", round(room * 20.0))

    def _fresh_log(self) -> None:
        value = self._shown("thermometer", "coolant_temperature", self.bench.mean("coolant_temperature", 0.0))
        with self._log.open("a", encoding="ascii") as file:
            file.write(f"{self.bench.lab:.1f};{value + self.bench.noise(0.02):.2f}\n")

    def write_files(self) -> None:
        """Write bench.toml, with every instrument's connection, and campaign.toml, with the steps to be run."""
        (self.folder / "bench.toml").write_text(self.bench_file(), encoding="utf-8", newline="\n")
        (self.folder / "campaign.toml").write_text(campaign_file(self.scenario), encoding="utf-8", newline="\n")

    def bench_file(self) -> str:
        """Return the bench file of the dry run."""
        head, *blocks = bench_text(self.scenario.bench, self.scenario.instruments).split("\n[[instrument]]")
        names = [item.name for item in self.scenario.instruments]
        wires = self._wires()
        made = [head]
        for name, block in zip(names, blocks, strict=True):
            lines = [block.rstrip("\n"), "", "[instrument.connection]"]
            lines += [f"{key} = {value}" for key, value in wires[name].connection]
            for channel, keys in wires[name].readings:
                lines += ["", f"[instrument.reading.{channel}]", *(f"{key} = {value}" for key, value in keys)]
            made.append("\n".join(lines) + "\n")
        return "\n[[instrument]]".join(made)

    def _wires(self) -> dict[str, _Wire]:
        def factor(place: str) -> tuple[tuple[str, str], ...]:
            known = self._known.get(place, 0.0)
            return (("factor", f"{1.0 / (1.0 + known):.12g}"),) if known else ()

        meter = tuple(
            (f"{channel}.{label}", (("ask", text("READ:ALL?")), ("item", str(2 * k + 1 + (channel == "input_current"))),
                                    *(factor("meter/input_power") if channel == "input_current" else ())))
            for k, label in enumerate(("1", "2")) for channel in ("input_voltage", "input_current"))
        return {
            "meter": _Wire((("kind", text("scpi")), ("address", text(self.server.address)),
                            ("settings", f"[{text(AVERAGED)}]")), meter),
            "regulator": _Wire((("kind", text("pmbus")), ("address", text("i2c:7:0x40"))), tuple(
                (channel, (("ask", text(ask)), *factor(f"regulator/{channel}"))) for channel, ask in (
                    ("rail_voltage", "READ_VOUT"), ("rail_current", "READ_IOUT"),
                    ("regulator_temperature", "READ_TEMPERATURE_1"), ("protection_active", "STATUS_WORD")))),
            "package": _Wire((("kind", text("powercap")), ("address", text("package-0"))), (
                ("package_power", (("ask", text("energy_uj")), *factor("package/package_power"))),)),
            "host": _Wire((("kind", text("hwmon")), ("address", text("simhost"))), (
                ("processor_temperature", (("ask", text("temp1_input")),)),)),
            "thermometer": _Wire((("kind", text("tail")), ("address", text(THERMOMETER)), ("delimiter", text(";"))), (
                ("coolant_temperature", (("ask", text("coolant")),)),)),
            "room": _Wire((("kind", text("iio")), ("address", text("simroom"))), (
                ("ambient_temperature", (("ask", text("in_temp")), ("must_see", "false"))),)),
        }


def campaign_file(scenario: Scenario) -> str:
    """Return a campaign file that lists the scenario's steps and no log yet."""
    lines = ["# SIMULATED. The steps below are run by phasewright record on the virtual bench.",
             'format = "phasewright-campaign-1"', f"name = {text(scenario.name)}", "simulated = true",
             f"notes = {text(scenario.notes)}"]
    cost = scenario.cost
    if cost.price is not None:
        lines += ["", "[cost]", f"hours_per_day = {cost.hours_per_day:g}", f"days_per_year = {cost.days_per_year:g}",
                  f"price = {text(f'{cost.price:.2f} {cost.currency}/kWh')}"]
    for step in scenario.steps:
        lines += ["", "[[step]]", f"name = {text(step.name)}", f"phase_count = {step.phase_count}",
                  f"load = {text(step.load)}", f"package_power = {quantity(step.package_power, 'W')}"]
        if step.fan_duty is not None:
            lines.append(f"fan_duty = {quantity(step.fan_duty, '1')}")
        if step.protection_phase_current is not None:
            lines.append(f"protection_phase_current = {quantity(step.protection_phase_current, 'A')}")
        if step.power_limit is not None:
            lines.append(f"power_limit = {quantity(step.power_limit, 'W')}")
        if step.baseline:
            lines.append("baseline = true")
    return "\n".join(lines) + "\n"


class _Fresh:
    """A driver whose files are brought up to the moment before it looks."""

    def __init__(self, driver: Driver, fresh: Callable[[], None]):
        self._driver, self._fresh = driver, fresh

    @property
    def identity(self) -> str:
        return self._driver.identity

    def open(self) -> None:
        self._driver.open()

    def read(self) -> Polled:
        self._fresh()
        return self._driver.read()

    def close(self) -> None:
        self._driver.close()
