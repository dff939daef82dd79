"""The tables and keys of campaign.toml, in the order in which people read them."""

from __future__ import annotations

from typing import Any

from pydantic import field_validator

from phasewright.bench._keys import (
    Keys,
    by_channel,
    choice,
    count,
    file_map,
    file_path,
    file_paths,
    flag,
    flatten_channels,
    moment,
    number,
    price,
    products,
    quantity,
    table,
    tables,
    text,
    words,
)  # fmt: skip

FORMAT = "phasewright-campaign-1"


class CostKeys(Keys):
    """What extra input power costs in a year."""

    hours_per_day: float = number("hours a day at the step's load", 8, low=0, high=24, default=8.0)
    days_per_year: float = number("days a year", 365, low=0, high=366, default=365.0)
    price: tuple[float, str] | None = price("price of energy, with its currency", "0.30 EUR/kWh")


class TimeKeys(Keys):
    """How the log writes time. Leave out what the reader finds by itself."""

    column: str = text("column that holds the time; #1 is the first column", "Time")
    columns: tuple[str, ...] = words("date column and time-of-day column, where time is split in two", ["Date", "Time"])
    format: str = text(
        "date format as in strptime, or epoch_s, epoch_ms, epoch_us, epoch_ns, elapsed_s, elapsed_ms",
        "%d.%m.%Y %H:%M:%S",
    )
    zone: str = text("time zone of the stamps: UTC, +02:00 or a zone name", "UTC")
    shared_clock: str = text(
        "name of the clock, where one and the same clock stamped several logs; such logs are not shifted", "recorder"
    )
    offset: float | None = quantity(
        "s", "what to add to this clock to get the reference clock, where a person chose it; searched within 5 s of it",
        "-3601.5 s", low="-10000 d", high="10000 d"
    )  # fmt: skip


class TermKeys(Keys):
    """One product of columns."""

    columns: tuple[str, ...] = words("columns that are multiplied", ["U1", "I1"], required=True)
    units: tuple[str, ...] = words("their units, one for each column, where the header does not say", ["V", "mA"])
    factor: float = number("number that the product is multiplied by", -1, low=-1e12, high=1e12, default=1.0)


class ChannelKeys(Keys):
    """Where one channel comes from: a column's name alone, or a table with these keys."""

    column: str = text("column name as in the header; #3 is the third column", "Iout")
    unit: str = text("unit of the column, where the header does not say or is wrong", "mA")
    factor: float = number("number that the reading is multiplied by", -1, low=-1e12, high=1e12, default=1.0)
    counter_range: float | None = quantity(
        "J", "count at which an energy counter starts again from 0", "262143.3 J", low="1 J", high="1e15 J"
    )
    sum: tuple[TermKeys, ...] = products("sum of products of columns", [["U1", "I1"], ["U2", "I2"]])


class LogKeys(Keys):
    """One log: what one instrument wrote, in one file or in several in order."""

    name: str = text("name of the log", "meter", required=True)
    file: str = file_path("file inside the campaign folder", "logs/meter.csv")
    files: tuple[str, ...] = file_paths(
        "several files of the same log, in order", ["logs/meter-1.csv", "logs/meter-2.csv"]
    )
    instrument: str = text("name of the instrument in bench.toml", "meter", required=True)
    encoding: str = text("text encoding, where the reader finds it wrongly", "cp1252")
    delimiter: str = text("character between columns", ";")
    decimal: str = choice("decimal mark", ".", ",", "", default="")
    header_line: int | None = count("line of the header, the first line is 1", 3, low=1, high=100_000)
    time: TimeKeys = table("how the log writes time")
    channels: dict[str, ChannelKeys] = by_channel("which column is which channel")

    @field_validator("channels", mode="before")
    @classmethod
    def _sources(cls, value: Any) -> Any:
        flat = flatten_channels(value, set(ChannelKeys.model_fields))
        if not isinstance(flat, dict):
            return flat
        return {name: {"column": item} if isinstance(item, str) else item for name, item in flat.items()}


class StepKeys(Keys):
    """One setting held for a time. What is not stated here is as on the bench."""

    name: str = text("name of the step", "8 phases", required=True)
    phase_count: int | None = count("phases that carry current", 8, low=1, high=64)
    load: str = text("what the processor does", "all cores, fixed work")
    package_power: float | None = quantity("W", "set or intended package power", "250 W", low="0 W", high="10000 W")
    rail_current: float | None = quantity("A", "set or intended rail current", "210 A", low="0 A", high="20000 A")
    rail_voltage: float | None = quantity("V", "set output voltage", "1.1 V", low="0.1 V", high="60 V")
    switching_frequency: float | None = quantity("Hz", "set switching frequency", "500 kHz", low="1 kHz", high="50 MHz")
    load_line: float | None = quantity("Ohm", "set load line", "0.3 mOhm", low="0 Ohm", high="0.1 Ohm")
    protection_phase_current: float | None = quantity(
        "A", "over-current threshold of one phase in this step", "52 A", low="0.1 A", high="4000 A"
    )
    protection_total_current: float | None = quantity(
        "A", "over-current threshold of the regulator in this step", "450 A", low="0.1 A", high="20000 A"
    )
    protection_temperature_warning: float | None = quantity(
        "degC", "warning temperature in this step", "110 degC", low="20 degC", high="300 degC"
    )
    protection_temperature_trip: float | None = quantity(
        "degC", "shut-down temperature in this step", "125 degC", low="20 degC", high="300 degC"
    )
    power_limit: float | None = quantity("W", "package power limit in this step", "350 W", low="1 W", high="10000 W")
    cooling: str = text("what is different about the cooling in this step", "second pad fitted")
    fan_duty: float | None = quantity("1", "set fan duty", "60 %", low="0 %", high="100 %")
    pump_duty: float | None = quantity("1", "set pump duty", "80 %", low="0 %", high="100 %")
    coolant_temperature: float | None = quantity(
        "degC", "set coolant temperature", "35 degC", low="-50 degC", high="150 degC"
    )
    ambient_temperature: float | None = quantity(
        "degC", "room temperature in this step", "23 degC", low="-50 degC", high="100 degC"
    )
    start: str = moment(
        "when it begins: time since the first stamp of the log that clock names, or a clock time on it", "120 s"
    )
    end: str = moment("when it ends; left out, where the next step begins, the last one with the record", "720 s")
    duration: float | None = quantity("s", "how long it lasts, instead of end", "10 min", low="1 s", high="100 d")
    clock: str = text("log that start and end are read on; left out, the reference log", "host")
    window_start: float | None = quantity(
        "s", "time after the step's start at which its window begins; left out, it is found", "120 s", low="0 s",
        high="100 d"
    )  # fmt: skip
    window_end: float | None = quantity(
        "s", "time after the step's start at which its window ends; left out, it is found", "280 s", low="1 s",
        high="100 d"
    )  # fmt: skip
    files: dict[str, str] = file_map(
        "log name and the file that holds exactly this step, with step_source = files", {"meter": "logs/8-phases.csv"}
    )
    baseline: bool = flag("true for the one step that the others are compared with")
    outcome: str = choice("what was seen", "ran", "clamped", "tripped", "crashed", "", default="")
    note: str = text("free text", "fan at its end after four minutes")


class CampaignKeys(Keys):
    """campaign.toml: what was done and which files tell of it."""

    format: str = choice("says which format this file is in; first line", FORMAT, default=FORMAT)
    name: str = text("name of the campaign", "how few phases are enough", required=True)
    simulated: bool = flag("true: the logs come from the virtual bench")
    notes: str = text("free text", "second run, after the pads were changed")
    reference_log: str = text("log whose clock all others are put on; left out, the fastest power log", "meter")
    step_source: str = choice(
        "where the steps are found: times given here, one file a step, or edges of the load",
        "times", "files", "edges", default="times",
    )  # fmt: skip
    settle_bound: float | None = quantity(
        "K", "settled means: less than this remains to be gained or lost", "1 K", low="0.01 K", high="50 K"
    )
    window_length: float | None = quantity(
        "s", "wished length of a steady window; left out, it is found", "120 s", low="1 s", high="10 d"
    )
    window_lead: float | None = quantity(
        "s", "time after the start of a step that no window may use", "60 s", low="0 s", high="10 d"
    )
    cost: CostKeys = table("what extra input power costs")
    log: tuple[LogKeys, ...] = tables("the logs, one for each instrument's clock")
    step: tuple[StepKeys, ...] = tables("the steps, in order of time")
