"""Faults planted in the logs of virtual campaigns: what logs in the field show, each with the channels it touches.

Shared by `planted_trials.py` and its short version among the tests. A fault is planted in the readings before they are
written, or in the written text where the text is the fault; the bench file and the channel map stay as they are,
except where the fault is one of the map.
"""

from __future__ import annotations

import copy
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from phasewright.live import Scenario, random_scenario
from phasewright.live.virtual import campaign as making
from phasewright.live.virtual import writing
from phasewright.live.virtual.instruments import Column, Readings, VirtualInstrument

LONGEST_STEP = 180.0
"""Steps are cut to this [s], so that hundreds of campaigns can be run."""
FASTEST = 0.05
"""Meters are slowed down to this period [s], for the same reason."""
COUNTERS = (65532.610987, 262143.328850, (2**32 - 1) * 1e-6)
"""Ranges of energy counters [J]."""


@dataclass
class Base:
    """A clean campaign in memory."""

    scenario: Scenario
    made: making.Made
    readings: dict[str, Readings]
    seed: int

    def instrument(self, log: str) -> VirtualInstrument:
        return next(item for item in self.scenario.instruments if item.log == log)

    def power(self, log: str) -> np.ndarray:
        """Return the true input power behind each row of a log [W]."""
        end = self.readings[log].end
        return self.made.signals.get("input_power").mean(np.maximum(end - 1.0, 0.0), np.maximum(end, 1.0))

    def column(self, log: str, name: str) -> Column:
        return next(c for c in self.instrument(log).columns if c.name == name)

    def select(self, *units: str, logs: tuple[str, ...] = ()) -> list[tuple[str, Column]]:
        """Return (log, column) of every column in one of `units`."""
        return [
            (item.log, c) for item in self.scenario.instruments for c in item.columns
            if c.unit in units and (not logs or item.log in logs)
        ]  # fmt: skip


@dataclass
class Planted:
    """One fault."""

    kind: str
    what: str
    log: str
    channels: tuple[str, ...]
    """Channels on any of which a flag counts; () = the log's."""
    readings: dict[str, Readings] = field(default_factory=dict)
    """Readings to write in place of the clean ones, by log."""
    instruments: dict[str, VirtualInstrument] = field(default_factory=dict)
    cells: tuple[tuple[int, str, str], ...] = ()
    """(row, column, text) to put into the written log."""
    edit: Callable[[str], str] | None = None
    """Change of campaign.toml."""


def small_scenario(generator: np.random.Generator) -> Scenario:
    """Return a random scenario, cut short."""
    return cut_short(random_scenario(generator))


def cut_short(scenario: Scenario) -> Scenario:
    """Return a scenario of four steps at most, three minutes each, with a slower meter and sound instruments."""
    counts = dict.fromkeys(step.phase_count for step in scenario.steps)
    first = {count: next(s for s in scenario.steps if s.phase_count == count) for count in counts}
    chosen = list(first.values())[:4]
    for step in scenario.steps:
        if len(chosen) < 4 and step not in chosen:
            chosen.append(step)
    chosen = [step for step in scenario.steps if step in chosen]
    if not any(step.baseline for step in chosen):
        chosen[0] = replace(chosen[0], baseline=True)
    steps = tuple(replace(step, dwell=min(step.dwell, LONGEST_STEP)) for step in chosen)
    instruments = []
    for item in scenario.instruments:
        clock = replace(item.clock, step_at=None, restart_at=None)
        item = replace(item, stuck_rate=0.0, duplicate_rate=0.0, clock=clock)
        if item.period < FASTEST:
            item = replace(item, averaging=item.averaging / item.period * FASTEST, period=FASTEST)
        instruments.append(item)
    return replace(scenario, steps=steps, instruments=tuple(instruments))


def base_of(scenario: Scenario, seed: int) -> Base:
    """Return a scenario's campaign in memory."""
    made = making.run_scenario(scenario, seed)
    return Base(scenario, made, dict(made.readings), seed)


def make_base(number: int, seed: int) -> Base:
    """Return clean campaign `number`; a third of them log a running energy counter in place of package power."""
    generator = np.random.default_rng([seed, number])
    base = base_of(small_scenario(generator), seed * 100_000 + number)
    return with_counter(base, generator) if generator.random() < 1 / 3 else base


def with_counter(base: Base, generator: np.random.Generator) -> Base:
    """Return the campaign with package energy [J] in place of package power; the counter starts at random."""
    host = base.instrument("host")
    old = host.columns[0]
    new = replace(old, name="package energy", signal="package_energy", unit="J", channel="", decimals=3)
    accuracy = {k: v for k, v in host.accuracy.items() if k != "package_power"}
    swapped = replace(host, columns=(new, *host.columns[1:]), accuracy=accuracy)
    readings = base.readings["host"]
    step = np.diff(readings.end, prepend=readings.end[0] - host.period)
    # Noise about 0 W, where the machine is off, runs no counter backwards.
    energy = np.cumsum(np.maximum(readings.columns[old.name], 0.0) * step) + float(generator.uniform(0.0, 20e3))
    columns = {k: v for k, v in readings.columns.items() if k != old.name}
    columns = {new.name: np.round(energy, 3), **columns}
    instruments = tuple(swapped if item.log == "host" else item for item in base.scenario.instruments)
    readings = replace(readings, columns=columns)
    return replace(base, scenario=replace(base.scenario, instruments=instruments),
                   readings={**base.readings, "host": readings})  # fmt: skip


def write(base: Base, folder: Path, planted: Planted | None = None, *, only: bool = False) -> None:
    """Write a campaign folder; with `only`, into a copy of the clean one, the logs that `planted` changes."""
    shutil.rmtree(folder, ignore_errors=True) if not only else None
    logs = folder / "logs" if only else making.empty_folder(folder)
    files = {}
    for item in base.scenario.instruments:
        if only and planted is not None and item.log != planted.log and item.log not in planted.readings:
            files[item.log] = (f"logs/{item.log}.{writing.suffix(item.dialect)}",)
            continue
        readings = planted.readings.get(item.log) if planted else None
        item = planted.instruments.get(item.log, item) if planted else item
        readings = base.readings[item.log] if readings is None else readings
        files[item.log] = making._write(logs, item, readings)
        if planted and planted.cells and item.log == planted.log:
            _put_cells(folder / files[item.log][0], item, planted.cells)
    if not only:
        stand_in = copy.copy(base.made.truth)
        stand_in.scenario = base.scenario
        making.write_files(folder, stand_in, files, base.seed)
    if planted and planted.edit:
        path = folder / "campaign.toml"
        path.write_text(planted.edit(path.read_text(encoding="utf-8")), encoding="utf-8")


def _put_cells(path: Path, item: VirtualInstrument, cells: tuple[tuple[int, str, str], ...]) -> None:
    dialect = item.dialect
    head = writing.header(dialect, item.columns).count(dialect.newline)
    end, mark = dialect.newline.encode(), dialect.delimiter.encode()
    lines = path.read_bytes().split(end)
    names = [c.name for c in item.columns]
    for row, column, text in cells:
        parts = lines[head + row].split(mark)
        parts[len(dialect.stamp_names) + names.index(column)] = text.encode()
        lines[head + row] = mark.join(parts)
    path.write_bytes(end.join(lines))


# ---- what is planted ----------------------------------------------------------------------------------------------


def channel_of(column: Column) -> str:
    """Return the channel that a column is mapped to; connectors are summed into input power."""
    base = column.signal.partition(".")[0]
    return "input_power" if base in ("input_voltage", "input_current") else column.signal


def changed(base: Base, log: str, values: dict[str, np.ndarray]) -> dict[str, Readings]:
    readings = base.readings[log]
    return {log: replace(readings, columns={**readings.columns, **values})}


def _runs(generator: np.random.Generator, n: int, longest: int) -> np.ndarray:
    """Return row numbers of one to five runs of 1 to `longest` rows."""
    rows = []
    for _ in range(generator.integers(1, 6)):
        length = int(np.exp(generator.uniform(0.0, np.log(longest))))
        begin = int(generator.integers(1, max(n - length - 1, 2)))
        rows.append(np.arange(begin, min(begin + length, n - 1)))
    return np.unique(np.concatenate(rows))


def _pick(generator: np.random.Generator, options: list):
    return options[int(generator.integers(len(options)))] if options else None


def sentinel(base: Base, g: np.random.Generator) -> Planted | None:
    """Error codes of temperature sensors."""
    log, column = _pick(g, base.select("degC"))
    values = base.readings[log].columns[column.name].copy()
    code = float(g.choice([0.0, -1.0, -127.0, -128.0, 127.0, 127.5, 255.0, 85.0]))
    if code == 85.0:
        if values.max() > 78.0:
            return None
        rows = np.arange(int(g.integers(1, 6)))
    else:
        rows = _runs(g, len(values), 60)
    values[rows] = np.round(code, column.decimals)
    return Planted("sentinel", f"{code:g} in {column.name}, {len(rows)} rows", log, (channel_of(column),),
                   changed(base, log, {column.name: values}))  # fmt: skip


def together(base: Base, g: np.random.Generator) -> Planted | None:
    """-1 or -2 in volts, amperes and watts at once."""
    log = str(g.choice(["meter", "host"]))
    names = [c.name for other, c in base.select("V", "A", "W") if other == log]
    if len(names) < 2:
        return None
    readings = base.readings[log]
    rows, code = _runs(g, len(readings.end), 60), float(g.choice([-1.0, -2.0]))
    values = {name: readings.columns[name].copy() for name in names}
    for column in values.values():
        column[rows] = code
    channels = tuple({channel_of(base.column(log, name)) for name in names})
    return Planted("sentinel", f"{code:g} in all of {log}, {len(rows)} rows", log, channels, changed(base, log, values))


def instrument_nan(base: Base, g: np.random.Generator) -> Planted:
    """What instruments write for no number."""
    log, column = _pick(g, base.select("degC", "V", "A", "W"))
    text = str(g.choice(["9.91E37", "9.91E+37", "9.9E37", "-9.9E37", "NaN", "OL", "OVLD", "N/A", "---", "inf"]))
    if base.instrument(log).dialect.decimal == ",":
        text = text.replace(".", ",")
    rows = _runs(g, len(base.readings[log].end), 40)
    return Planted("instrument not-a-number", f"{text} in {column.name}, {len(rows)} rows", log, (channel_of(column),),
                   cells=tuple((int(row), column.name, text) for row in rows))  # fmt: skip


def all_ones(base: Base, g: np.random.Generator) -> Planted | None:
    """The word 0xFFFF in the formats that buses use."""
    log, column = _pick(g, base.select("degC", "V", "A", "W"))
    codes = {"degC": [255.996, 127.998, -0.5, 127.996], "V": [15.99976, 127.998, 255.996], "A": [-0.5], "W": [-0.5]}
    code = float(g.choice(codes[column.unit]))
    values = base.readings[log].columns[column.name].copy()
    rows = _runs(g, len(values), 60)
    values[rows] = np.round(code, max(column.decimals, 1))
    if column.decimals == 0 and code == -0.5:
        return None
    return Planted("all-ones", f"{code:g} in {column.name}, {len(rows)} rows", log, (channel_of(column),),
                   changed(base, log, {column.name: values}))  # fmt: skip


def _moved(base: Base, log: str, low: int, high: int) -> float:
    """Return by what share of its greatest value the power changes within rows."""
    power = base.power(log)
    return float(np.ptp(power[low:high])) / float(power.max())


def _stretch(base: Base, g: np.random.Generator, log: str, low: float, high: float) -> tuple[int, int] | None:
    """Return (first, past-the-last) row of a stretch of `low` to `high` seconds in which power changes by 30 %."""
    end = base.readings[log].end
    for _ in range(50):
        length = float(g.uniform(low, high))
        begin = float(g.uniform(end[0], max(end[-1] - length, end[0] + 1.0)))
        a, b = np.searchsorted(end, [begin, begin + length])
        if b - a >= 5 and _moved(base, log, int(a), int(b)) >= 0.3:
            return int(a), int(b)
    return None


def stuck(base: Base, g: np.random.Generator) -> Planted | None:
    """One sensor holds its reading while the load changes by 30 % or more (row P06 of the catalogue)."""
    log, column = _pick(g, [
        (a, c) for a, c in base.select("degC", "A", "W")
        if c.signal not in ("ambient_temperature",)
        and not (c.signal == "coolant_temperature" and base.scenario.bench.cooling.coolant == "air")
    ])  # fmt: skip
    slow = column.unit == "degC" and log == "thermometer"
    span = _stretch(base, g, log, 120.0 if slow else 30.0, 400.0 if slow else 200.0)
    if span is None:
        return None
    a, b = span
    if g.random() < 0.2:
        a, b = a, len(base.readings[log].end)
    values = base.readings[log].columns[column.name].copy()
    values[a:b] = values[a]
    return Planted("stuck", f"{column.name} for {base.readings[log].end[b - 1] - base.readings[log].end[a]:.0f} s", log,
                   (channel_of(column),), changed(base, log, {column.name: values}))  # fmt: skip


def stale(base: Base, g: np.random.Generator) -> Planted | None:
    """The link is down and the logger repeats the last row."""
    log = str(g.choice(["meter", "host"]))
    end = base.readings[log].end
    length = float(g.uniform(10.0, 120.0))
    a, b = np.searchsorted(end, [begin := float(g.uniform(end[0], end[-1] - length)), begin + length])
    values = {name: column.copy() for name, column in base.readings[log].columns.items()}
    if b - a < 5:
        return None
    for column in values.values():
        column[a:b] = column[a]
    return Planted("stale rows", f"{log} for {length:.0f} s", log, (), changed(base, log, values))


def saturated(base: Base, g: np.random.Generator) -> Planted | None:
    """A converter that clips at 75 to 95 % of what it would show."""
    log, column = _pick(g, base.select("A", "W"))
    values = base.readings[log].columns[column.name].copy()
    top = float(g.uniform(0.75, 0.95)) * float(np.quantile(values, 0.98))
    step = column.resolution or 10.0**-column.decimals
    top = round(round(top / step) * step, column.decimals)
    if np.count_nonzero(values >= top) < 30:
        return None
    return Planted("saturated", f"{column.name} at {top:g}", log, (channel_of(column),),
                   changed(base, log, {column.name: np.minimum(values, top)}))  # fmt: skip


def counter_wrap(base: Base, g: np.random.Generator) -> Planted | None:
    """A counter that starts anew at its range, or is set back to zero."""
    if "package energy" not in base.readings["host"].columns:
        base = with_counter(base, g)
    readings = base.readings["host"]
    energy = readings.columns["package energy"]
    n = len(energy)
    if n < 60:
        return None
    if g.random() < 0.6:
        fitting = [r for r in COUNTERS if r < 0.9 * (energy[-1] - energy[0])]
        # Small ranges wrap by themselves; a large one is entered shortly before its end.
        span = float(g.choice(fitting)) if fitting else float(g.choice(COUNTERS))
        at = int(g.integers(n // 10, 9 * n // 10))
        values = np.mod(energy - energy[at] + span * (1.0 - 1e-9), span)
        what = f"wraps at {span:.0f} J"
    else:
        at = int(g.integers(n // 10, 9 * n // 10))
        values = energy.copy()
        values[at:] -= energy[at] - float(g.uniform(0.0, 50.0))
        what = "set back to zero"
    found = changed(base, "host", {"package energy": np.round(values, 3)})
    item = base.instrument("host")
    return Planted("counter wrap", what, "host", ("package_energy", "package_power"), found, {"host": item},
                   edit=_count_energy)  # fmt: skip


def _count_energy(text: str) -> str:
    return re.sub(r'package_power = "package power"', 'package_energy = "package energy"', text)


def unit_slip(base: Base, g: np.random.Generator) -> Planted | None:
    """Readings in another unit than the header says: mW, mA, mV, kW, kelvin, Fahrenheit."""
    if g.random() < 0.3:
        log, column = _pick(g, base.select("degC"))
        values = base.readings[log].columns[column.name]
        unit = str(g.choice(["K", "degF"]))
        values = values + 273.15 if unit == "K" else values * 1.8 + 32.0
        found = {column.name: np.round(values, column.decimals)}
        channels = (channel_of(column),)
        what = f"{unit} under °C in {column.name}"
    else:
        log, one = _pick(g, base.select("V", "A", "W"))
        # A setting of the instrument acts on every column of the kind, a typing error on one.
        same = [c for other, c in base.select(one.unit) if other == log] if g.random() < 0.5 else [one]
        scale = float(g.choice([1e3, 1e-3]))
        readings = base.readings[log]
        found = {c.name: np.round(readings.columns[c.name] * scale, c.decimals + 3) for c in same}
        channels = tuple({channel_of(c) for c in same})
        what = f"x{scale:g} under {one.unit} in {', '.join(found)}"
        item = base.instrument(log)
        wide = tuple(replace(c, decimals=c.decimals + (3 if scale < 1 else 0)) if c.name in found else c
                     for c in item.columns)  # fmt: skip
        return Planted("unit slip", what, log, channels, changed(base, log, found), {log: replace(item, columns=wide)})
    return Planted("unit slip", what, log, channels, changed(base, log, found))


def swapped(base: Base, g: np.random.Generator) -> Planted | None:
    """Two columns exchanged: input and package power in the map, or two temperatures."""
    if g.random() < 0.4 and "package energy" not in base.readings["host"].columns:
        def exchange(text: str) -> str:
            text = text.replace("\npackage_power = ", "\n\x00 = ").replace("\ninput_power = ", "\npackage_power = ")
            return text.replace("\n\x00 = ", "\ninput_power = ")

        return Planted("swapped columns", "input and package power", "host", ("input_power", "package_power"),
                       edit=lambda text: _swap_powers(text, exchange))  # fmt: skip
    liquid = base.scenario.bench.cooling.coolant != "air"
    pairs = [("host", "regulator_temperature", "processor_temperature"),
             ("thermometer", "coolant_temperature", "board_temperature")]  # fmt: skip
    if liquid:
        pairs.append(("thermometer", "coolant_temperature", "ambient_temperature"))
    log, one, other = _pick(g, pairs)
    columns = {c.signal: c for c in base.instrument(log).columns}
    if one not in columns or other not in columns:
        return None
    a, b = columns[one].name, columns[other].name

    def exchange_in_map(text: str) -> str:
        first, second = re.search(rf'\n{one} = (.*)', text)[1], re.search(rf'\n{other} = (.*)', text)[1]
        text = text.replace(f"\n{one} = {first}", f"\n{one} = {second}", 1)
        return text.replace(f"\n{other} = {second}", f"\n{other} = {first}", 1)

    return Planted("swapped columns", f"{a} and {b}", log, (one, other), edit=exchange_in_map)


def _swap_powers(text: str, exchange: Callable[[str], str]) -> str:
    head, mark, tail = text.partition("[[step]]")
    return exchange(head) + mark + tail


def negative(base: Base, g: np.random.Generator) -> Planted | None:
    """A probe the wrong way round."""
    log, one = _pick(g, base.select("A"))
    same = [c for other, c in base.select("A") if other == log] if g.random() < 0.5 else [one]
    readings = base.readings[log]
    found = {c.name: -readings.columns[c.name] for c in same}
    return Planted("negative current", ", ".join(found), log, tuple({channel_of(c) for c in same}),
                   changed(base, log, found))  # fmt: skip


def _with_stamps(base: Base, log: str, stamp: np.ndarray) -> dict[str, Readings]:
    return {log: replace(base.readings[log], stamp=stamp)}


def _any_log(base: Base, g: np.random.Generator, absolute: bool = False) -> str | None:
    return _pick(g, [i.log for i in base.scenario.instruments if not absolute or i.dialect.stamp in ("iso", "split")])


def duplicate_stamps(base: Base, g: np.random.Generator) -> Planted:
    """Rows that carry the stamp of the row before, or stand twice."""
    log = _any_log(base, g)
    readings = base.readings[log]
    rows = _runs(g, len(readings.end), 8)
    if g.random() < 0.5:
        stamp = readings.stamp.copy()
        for row in rows:
            stamp[row] = stamp[row - 1]
        return Planted("duplicate stamps", f"{len(rows)} stamps of {log} repeated", log, (),
                       _with_stamps(base, log, stamp))  # fmt: skip
    index = np.sort(np.concatenate([np.arange(len(readings.end)), rows]))
    twice = Readings(readings.stamp[index], readings.end[index], {k: v[index] for k, v in readings.columns.items()},
                     ((0, len(index)),))  # fmt: skip
    return Planted("duplicate stamps", f"{len(rows)} rows of {log} stand twice", log, (), {log: twice})


def backward_stamps(base: Base, g: np.random.Generator) -> Planted:
    """Stamps that go back for some rows and then go on."""
    log = _any_log(base, g)
    readings = base.readings[log]
    stamp, period = readings.stamp.copy(), base.instrument(log).period
    at = int(g.integers(5, len(stamp) - 20))
    length = int(g.integers(1, 8))
    back = float(g.uniform(1.5, 20.0)) * period
    stamp[at : at + length] -= _ticks(base, log, back + length * period)
    return Planted("backward stamps", f"{length} stamps of {log} back by {back:.2f} s", log, (),
                   _with_stamps(base, log, stamp))  # fmt: skip


def _ticks(base: Base, log: str, seconds: float) -> int:
    tick = 10 ** (9 - base.instrument(log).dialect.stamp_decimals)
    return int(round(seconds * 1e9 / tick)) * tick


def clock_step(base: Base, g: np.random.Generator) -> Planted | None:
    """Somebody, or a time server, sets the clock by 3 s to 1 h, forward or back."""
    log = _any_log(base, g)
    size = float(np.exp(g.uniform(np.log(3.0), np.log(3600.0)))) * (1.0 if g.random() < 0.5 else -1.0)
    size = size if abs(size) > 2.0 * base.instrument(log).period else 2.5 * size
    stamp = base.readings[log].stamp.copy()
    at = int(g.uniform(0.2, 0.8) * len(stamp))
    stamp[at:] += _ticks(base, log, size)
    return Planted("clock step", f"{log} by {size:+.1f} s", log, (), _with_stamps(base, log, stamp))


def summer_time(base: Base, g: np.random.Generator) -> Planted | None:
    """Local time passes the change of summer time: an hour comes twice, or never."""
    log = _any_log(base, g, absolute=True)
    if log is None:
        return None
    size = float(g.choice([-3600.0, -3600.0, 3600.0]))
    stamp = base.readings[log].stamp.copy()
    at = int(g.uniform(0.2, 0.8) * len(stamp))
    stamp[at:] += int(size * 1e9)
    edit = (lambda text: text.replace('zone = "UTC"\n', "")) if g.random() < 0.5 else None
    said = "zone not stated" if edit else "called UTC"
    return Planted("summer time", f"{log} by {size:+.0f} s, {said}", log, (), _with_stamps(base, log, stamp), edit=edit)


KINDS: tuple[Callable[[Base, np.random.Generator], Planted | None], ...] = (
    sentinel, instrument_nan, all_ones, stuck, saturated, counter_wrap, unit_slip, swapped, negative,
    duplicate_stamps, backward_stamps, clock_step, summer_time, stale, together,
)  # fmt: skip


def plant(base: Base, number: int) -> Planted:
    """Return fault `number` for a campaign: the kinds in turn; one that the campaign cannot show gives way."""
    generator = np.random.default_rng([base.seed, 5])
    for turn in range(len(KINDS) * 20):
        # A kind is tried four times before another takes its place.
        found = KINDS[(number + turn // 4) % len(KINDS)](base, generator)
        if found is not None:
            return found
    raise ValueError("no fault fits this campaign")
