"""The tables and keys of bench.toml, in the order in which people read them."""

from __future__ import annotations

from typing import Any

from pydantic import field_validator

from phasewright.bench._keys import (
    Keys,
    by_channel,
    channel_quantity,
    choice,
    count,
    flag,
    flatten_channels,
    number,
    pairs,
    quantity,
    table,
    tables,
    text,
    words,
)  # fmt: skip

FORMAT = "phasewright-bench-1"

_SOURCE = "where the figures come from: document, edition, table"


class ConnectorKeys(Keys):
    """One 12 V input connector of the board."""

    name: str = text("name printed on the board", "PWR_1", required=True)
    contact_count: int = count("contacts that carry +12 V", 4, low=1, high=64, required=True)
    contact_rating: float | None = quantity(
        "A", "continuous current rating of one contact", "8 A", low="0.1 A", high="200 A"
    )
    contact_resistance: float | None = quantity(
        "Ohm", "resistance of one mated contact", "6 mOhm", low="0 Ohm", high="1 Ohm"
    )
    temperature_limit: float | None = quantity(
        "degC", "highest temperature of housing and contacts", "105 degC", low="20 degC", high="300 degC"
    )
    wire_gauge: int | None = count("gauge of each wire (AWG number)", 18, low=4, high=30)
    wire_count: int | None = count("wires that carry +12 V; contact_count when left out", 4, low=1, high=64)
    wire_length: float | None = quantity("m", "length of the cable, one way", "60 cm", low="1 mm", high="10 m")
    wire_temperature_limit: float | None = quantity(
        "degC", "temperature that the wire's insulation bears", "80 degC", low="20 degC", high="300 degC"
    )
    source: str = text(_SOURCE, "connector data sheet, table 2")


class CopperKeys(Keys):
    """One copper run of the board through which input or output current flows."""

    name: str = text("where it is", "input plane", required=True)
    carries: str = choice("which current flows through it", "input_current", "rail_current", default="input_current")
    width: float | None = quantity("m", "width at the narrowest place", "30 mm", low="0.1 mm", high="1 m")
    thickness: float | None = quantity("m", "thickness of one layer", "70 um", low="1 um", high="5 mm")
    layer: str = choice("where the layers lie", "outer", "inner", default="inner")
    layer_count: int = count("layers that carry it side by side", 2, low=1, high=64, default=1)
    rise_limit: float | None = quantity("K", "own heating that is allowed", "20 K", low="1 K", high="200 K")
    source: str = text(_SOURCE, "measured on the board")


class BoardKeys(Keys):
    """The board between the meter and the regulator."""

    name: str = text("name of the board", "demo board", required=True)
    description: str = text("free text", "six-layer board, open bench")
    input_voltage: float | None = quantity("V", "nominal input voltage", "12 V", low="1 V", high="100 V")
    input_resistance: float | None = quantity(
        "Ohm",
        "cables, connectors and copper between meter and regulator, both ways",
        "1.5 mOhm",
        low="0 Ohm",
        high="1 Ohm",
    )
    input_resistance_u: float | None = quantity(
        "Ohm", "standard uncertainty of input_resistance", "0.5 mOhm", low="0 Ohm", high="1 Ohm"
    )
    other_loads: float | None = quantity(
        "W", "power that the same input feeds besides the regulator under test", "6 W", low="0 W", high="2000 W"
    )
    other_loads_u: float | None = quantity("W", "standard uncertainty of other_loads", "3 W", low="0 W", high="2000 W")
    service_life: float | None = quantity(
        "s", "hours of use that the parts are wished to last", "20000 h", low="1 h", high="1000000 h"
    )
    cycles_per_day: float | None = number("times a day that the load comes and goes", 4, low=0.001, high=100000)
    connector: tuple[ConnectorKeys, ...] = tables("the board's 12 V input connectors")
    copper: tuple[CopperKeys, ...] = tables("copper runs of the board")


class StageKeys(Keys):
    """One power stage: both switches and their driver, data-sheet figures."""

    name: str = text("type of the power stage", "simulated 60 A stage")
    current_rating: float | None = quantity("A", "continuous current rating", "60 A", low="0.1 A", high="1000 A")
    peak_current_rating: float | None = quantity(
        "A", "absolute maximum peak current", "90 A", low="0.1 A", high="2000 A"
    )
    temperature_limit: float | None = quantity(
        "degC", "absolute maximum junction temperature", "150 degC", low="20 degC", high="300 degC"
    )
    high_side_resistance: float | None = quantity(
        "Ohm", "R_DS(on) of the high side at 25 degC", "4.2 mOhm", low="0.01 mOhm", high="1 Ohm"
    )
    low_side_resistance: float | None = quantity(
        "Ohm", "R_DS(on) of the low side at 25 degC", "1.1 mOhm", low="0.01 mOhm", high="1 Ohm"
    )
    resistance_temperature_coefficient: float | None = quantity(
        "1/K", "relative rise of R_DS(on) per kelvin, at 25 degC", "0.004 1/K", low="0 1/K", high="0.05 1/K"
    )
    rise_time: float | None = quantity("s", "rise time of the switch node", "4 ns", low="0 s", high="1 us")
    fall_time: float | None = quantity("s", "fall time of the switch node", "3 ns", low="0 s", high="1 us")
    dead_time: float | None = quantity("s", "dead time, both edges together", "20 ns", low="0 s", high="1 us")
    diode_voltage: float | None = quantity(
        "V", "forward voltage of the low side's body diode", "0.7 V", low="0 V", high="5 V"
    )
    gate_charge: float | None = quantity(
        "C", "total gate charge, both switches, at gate_voltage", "35 nC", low="0 nC", high="1000 nC"
    )
    gate_voltage: float | None = quantity("V", "gate drive voltage", "5 V", low="1 V", high="20 V")
    output_charge: float | None = quantity(
        "C", "output charge, both switches, at input_voltage", "30 nC", low="0 nC", high="1000 nC"
    )
    recovery_charge: float | None = quantity(
        "C", "reverse recovery charge of the low side", "15 nC", low="0 nC", high="1000 nC"
    )
    quiescent_power: float | None = quantity(
        "W", "driver and sensing power of one stage at rest", "20 mW", low="0 W", high="5 W"
    )
    thermal_resistance: float | None = quantity("K/W", "junction to case top", "1.2 K/W", low="0 K/W", high="500 K/W")
    derating: tuple[tuple[float, float], ...] = pairs(
        "continuous current against temperature; held at the first and last pair beyond them",
        [["80 degC", "60 A"], ["125 degC", "30 A"]],
        units=("degC", "A"),
        low=("-50 degC", "0 A"),
        high=("300 degC", "1000 A"),
        falling=True,
    )
    rated_life: float | None = quantity(
        "s", "life at rated_life_temperature", "100000 h", low="1 h", high="100000000 h"
    )
    rated_life_temperature: float | None = quantity(
        "degC", "temperature for which rated_life holds", "125 degC", low="20 degC", high="300 degC"
    )
    activation_energy_ev: float | None = number("activation energy of its wear in eV", 0.7, low=0.05, high=2.0)
    rated_cycles: int | None = count("temperature cycles borne at rated_swing", 3000, low=1, high=1000000000)
    rated_swing: float | None = quantity("K", "swing of those cycles", "100 K", low="1 K", high="300 K")
    cycle_exponent: float | None = number("exponent of cycles over swing", 2.5, low=1.0, high=9.0)
    source: str = text(_SOURCE, "stage data sheet, rev. 2, table 4")


class InductorKeys(Keys):
    """One output inductor."""

    name: str = text("type of the inductor", "simulated 150 nH")
    inductance: float | None = quantity("H", "inductance at rated current", "150 nH", low="1 nH", high="1 mH")
    resistance: float | None = quantity("Ohm", "DCR at 25 degC", "0.29 mOhm", low="0.001 mOhm", high="1 Ohm")
    saturation_current: float | None = quantity(
        "A", "current at which the inductance has dropped as the data sheet says", "80 A", low="0.1 A", high="2000 A"
    )
    current_rating: float | None = quantity(
        "A", "continuous current at the data sheet's temperature rise", "55 A", low="0.1 A", high="2000 A"
    )
    temperature_limit: float | None = quantity(
        "degC", "highest operating temperature, own heating included", "125 degC", low="20 degC", high="300 degC"
    )
    core_loss: float | None = quantity(
        "W", "core loss of one inductor at the nominal setting", "0.25 W", low="0 W", high="50 W"
    )
    tolerance: float | None = quantity("1", "bound of the inductance's relative error", "20 %", low="0 %", high="90 %")
    source: str = text(_SOURCE, "inductor data sheet, page 2")


class CapacitorKeys(Keys):
    """A whole bank of capacitors."""

    kind: str = choice("kind of capacitor", "polymer", "electrolytic", "ceramic", "", default="")
    capacitance: float | None = quantity("F", "capacitance of the whole bank", "4.4 mF", low="1 nF", high="10 F")
    resistance: float | None = quantity("Ohm", "ESR of the whole bank", "0.5 mOhm", low="0 Ohm", high="10 Ohm")
    current_rating: float | None = quantity(
        "A", "RMS ripple current rating of the whole bank", "40 A", low="0.001 A", high="2000 A"
    )
    temperature_limit: float | None = quantity("degC", "rated temperature", "105 degC", low="20 degC", high="300 degC")
    life: float | None = quantity("s", "rated life at temperature_limit", "5000 h", low="1 h", high="1000000 h")
    tolerance: float | None = quantity("1", "bound of the capacitance's relative error", "20 %", low="0 %", high="90 %")
    thermal_resistance: float | None = quantity(
        "K/W", "from the bank's cores to the board, whole bank", "2 K/W", low="0 K/W", high="500 K/W"
    )
    source: str = text(_SOURCE, "capacitor series data sheet")


class ProtectionKeys(Keys):
    """Thresholds as set on the regulator. A step of the campaign may override each."""

    phase_current: float | None = quantity(
        "A", "over-current threshold of one phase (OCP)", "52 A", low="0.1 A", high="4000 A"
    )
    total_current: float | None = quantity(
        "A", "over-current threshold of the whole regulator", "450 A", low="0.1 A", high="20000 A"
    )
    temperature_warning: float | None = quantity(
        "degC", "temperature at which the regulator warns or holds back", "110 degC", low="20 degC", high="300 degC"
    )
    temperature_trip: float | None = quantity(
        "degC", "temperature at which the regulator shuts down (OTP)", "125 degC", low="20 degC", high="300 degC"
    )
    source: str = text("where the thresholds were read or set", "board firmware setting")


class RegulatorKeys(Keys):
    """The regulator under test."""

    name: str = text("name of the regulator", "core rail", required=True)
    phase_count: int = count("phases fitted on the board", 10, low=1, high=64, required=True)
    stages_per_phase: int = count("power stages in each phase", 1, low=1, high=8, default=1)
    switching_frequency: float | None = quantity(
        "Hz", "switching frequency of one phase", "500 kHz", low="1 kHz", high="50 MHz"
    )
    rail_voltage: float | None = quantity("V", "nominal output voltage", "1.1 V", low="0.1 V", high="60 V")
    load_line: float | None = quantity("Ohm", "output voltage drop per ampere", "0.3 mOhm", low="0 Ohm", high="0.1 Ohm")
    tolerance_band: float | None = quantity(
        "V", "how far the rail may stray from its load line, to either side", "20 mV", low="0.1 mV", high="1 V"
    )
    settling_time: float | None = quantity(
        "s", "time within which the rail is back in its band after a load step", "20 us", low="0.1 us", high="1 s"
    )
    ripple_limit: float | None = quantity(
        "V", "output ripple allowed, peak to peak", "10 mV", low="0.1 mV", high="1 V"
    )
    response_delay: float | None = quantity(
        "s", "time from a load step until the phases act", "0.3 us", low="0 s", high="1 ms"
    )
    controller_power: float | None = quantity("W", "power of the controller", "0.5 W", low="0 W", high="50 W")
    drive_power_limit: float | None = quantity(
        "W", "what the supply of drivers and controller bears", "8 W", low="0.01 W", high="200 W"
    )
    sharing_error: float | None = quantity(
        "1", "greatest excess of one phase's current over the mean", "10 %", low="0 %", high="100 %"
    )
    stage: StageKeys = table("power stage")
    inductor: InductorKeys = table("output inductor")
    output_capacitors: CapacitorKeys = table("output capacitor bank")
    input_capacitors: CapacitorKeys = table("input capacitor bank")
    protection: ProtectionKeys = table("protection thresholds")


class ProcessorKeys(Keys):
    """What the regulator feeds."""

    name: str = text("name of the processor", "demo processor")
    kind: str = choice("what it is", "processor", "graphics", default="processor")
    temperature_limit: float | None = quantity(
        "degC", "temperature at which it holds itself back", "95 degC", low="20 degC", high="200 degC"
    )
    power_limit: float | None = quantity("W", "sustained package power limit", "350 W", low="1 W", high="10000 W")
    load_step: float | None = quantity(
        "A", "greatest sudden change of the rail current", "120 A", low="0.1 A", high="5000 A"
    )
    load_slew: float | None = quantity(
        "A/s", "how fast that change is; at once when left out", "300 A/us", low="1 A/s", high="100000 A/us"
    )


class CoolingPartKeys(Keys):
    """One link of the chain from power stage to coolant, hottest first."""

    name: str = text("name of the part", "thermal pad", required=True)
    kind: str = choice(
        "what it is", "pad", "paste", "plate", "heatsink", "block", "radiator", "fan", "other", default="other"
    )
    resistance: float | None = quantity("K/W", "thermal resistance", "0.9 K/W", low="0 K/W", high="500 K/W")
    shared: bool = flag(
        "true: resistance is for the heat of the whole regulator; false: for one power stage", default=True
    )
    source: str = text(_SOURCE, "pad data sheet, 1 mm")


class CoolingKeys(Keys):
    """What takes the heat away."""

    coolant: str = choice("what takes the heat in the end", "liquid", "air", default="air")
    description: str = text("free text", "one loop, two radiators")
    coolant_limit: float | None = quantity(
        "degC", "highest coolant temperature that the loop bears", "50 degC", low="0 degC", high="150 degC"
    )
    fan_map: tuple[tuple[float, float], ...] = pairs(
        "fan duty against coolant temperature; the fan can do no more at the last pair",
        [["30 degC", "30 %"], ["45 degC", "100 %"]],
        units=("degC", "1"),
        high=("150 degC", "100 %"),
    )
    part: tuple[CoolingPartKeys, ...] = tables("the chain from power stage to coolant, hottest first")


class AccuracyKeys(Keys):
    """What the maker of an instrument states for one channel. `offset` and `resolution` are in the channel's unit."""

    gain: float | None = quantity("1", "relative part of the accuracy", "0.5 %", low="0 %", high="100 %")
    offset: str | None = channel_quantity("constant part of the accuracy", "0.2 W")
    resolution: str | None = channel_quantity("step of the reading", "0.01 W")
    stated_as: str = choice(
        "limit: bound that is never exceeded; standard: one standard uncertainty; expanded: k = 2",
        "limit", "standard", "expanded", default="limit",
    )  # fmt: skip
    source: str = text(_SOURCE, "meter manual, section 9")


class ConnectionKeys(Keys):
    """How `phasewright record` reaches the instrument. It only ever reads."""

    kind: str = text(
        "scpi, pmbus, hwmon, iio, powercap, lines (a program that prints), tail (a growing log file), or an installed "
        "driver",
        "scpi",
    )
    address: str = text(
        "scpi: tcp:HOST:PORT, serial:PORT or visa:RESOURCE; pmbus: i2c:BUS:0xADDRESS; hwmon and iio: name of the chip; "
        "powercap: zone; tail: file",
        "tcp:192.168.1.20:5025",
    )
    command: tuple[str, ...] = words("lines: program and its arguments", ["my-logger", "--csv"])
    delimiter: str = text("lines and tail: sign between columns; left out, it is found", ",")
    timeout: float | None = quantity("s", "longest wait for an answer", "1 s", low="1 ms", high="60 s")
    baud: int | None = count("serial: signs a second, in bits", 115200, low=50, high=4_000_000)
    page: int | None = count("pmbus: page of the rail; to choose it is a write", 0, low=0, high=31)
    exclusive: bool = flag("pmbus: nothing else talks to the device, so that its page may be chosen")
    error_code: bool = flag("pmbus: read with the packet error code", default=True)
    settings: tuple[str, ...] = words(
        "scpi: queries that tell how the instrument is set; what changes in a run makes its readings count for nothing",
        ["SENS:VOLT:RANG?", "SENS:AVER:COUN?"],
    )


class ReadingKeys(Keys):
    """One channel that the instrument gives."""

    ask: str = text(
        "scpi: the query; pmbus: the command; hwmon, iio, powercap: the file; lines and tail: the column", "READ:POW?",
        required=True,
    )  # fmt: skip
    item: int = count("which of the numbers in the answer", 1, low=1, high=1000, default=1)
    unit: str = text("unit of the number, where the standard or the header does not say", "mW")
    factor: float | None = number(
        "number that the reading is multiplied by: a divider, a shunt, a known gain error", 1.002, low=-1e12, high=1e12
    )
    number_format: str = choice(
        "pmbus: how the number is coded, where the standard leaves it open", "linear11", "ulinear16", "direct", "half",
        "unsigned", "", default="",
    )  # fmt: skip
    m: float | None = number("coefficient m of the direct format", 807, low=-1e9, high=1e9)
    b: float | None = number("coefficient b of the direct format", 20475, low=-1e9, high=1e9)
    r: float | None = number("coefficient R of the direct format", -1, low=-20, high=20)
    sensor: str = choice(
        "sensor that the number, in ohms or millivolts, comes from", "pt100", "pt1000", "type_k", "type_t", "",
        default="",
    )  # fmt: skip
    must_see: bool = flag("false: the run goes on when this channel stays away", default=True)


class LoadKeys(Keys):
    """A program that loads the processor; `phasewright record` starts, watches and stops it."""

    name: str = text("as the steps of the campaign call it", "all cores, fixed work", required=True)
    command: tuple[str, ...] = words("program and its arguments", ["my-load", "--threads", "16"], required=True)


class StopKeys(Keys):
    """What else is done when a run is stopped in need, beside ending the load."""

    command: tuple[str, ...] = words("program and its arguments", ["my-fans", "--full"])


class InstrumentKeys(Keys):
    """One instrument: it has one clock and writes one log."""

    name: str = text("name by which the campaign's logs call it", "meter", required=True)
    description: str = text("free text", "inline power meter, 20 readings a second")
    period: float | None = quantity("s", "time between readings", "50 ms", low="1 us", high="1 d")
    averaging: float | None = quantity("s", "time over which one reading is averaged", "50 ms", low="0 s", high="1 d")
    stamp_at: str = choice(
        "which moment of the averaging the time stamp marks", "start", "middle", "end", "unknown", default="unknown"
    )
    accuracy: dict[str, AccuracyKeys] = by_channel("accuracy of each channel, [instrument.accuracy.input_power]")
    connection: ConnectionKeys = table("how the instrument is read live")
    reading: dict[str, ReadingKeys] = by_channel("what is read live, [instrument.reading.input_power]")

    @field_validator("accuracy", mode="before")
    @classmethod
    def _flatten(cls, value: Any) -> Any:
        return flatten_channels(value, set(AccuracyKeys.model_fields))

    @field_validator("reading", mode="before")
    @classmethod
    def _flatten_reading(cls, value: Any) -> Any:
        return flatten_channels(value, set(ReadingKeys.model_fields))


class BenchKeys(Keys):
    """bench.toml: what stands on the table."""

    format: str = choice("says which format this file is in; first line", FORMAT, default=FORMAT)
    name: str = text("name of this bench", "open bench with a liquid loop", required=True)
    simulated: bool = flag("true: this bench does not exist, its logs come from the virtual bench")
    notes: str = text("free text", "panel removed, room air conditioned")
    board: BoardKeys = table("the board")
    regulator: RegulatorKeys = table("the regulator under test")
    processor: ProcessorKeys = table("what the regulator feeds")
    cooling: CoolingKeys = table("what takes the heat away")
    instrument: tuple[InstrumentKeys, ...] = tables("the instruments; each has its own clock")
    load: tuple[LoadKeys, ...] = tables("programs that load the processor, for phasewright record")
    stop: StopKeys = table("what else is done when a run is stopped in need")
