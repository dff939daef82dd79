"""The two files of a simulated campaign as commented TOML text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from phasewright.bench import Accuracy, Bench
from phasewright.live.virtual.instruments import Column, VirtualInstrument
from phasewright.live.virtual.scenario import PlannedStep, Scenario
from phasewright.live.virtual.writing import header_names

_PREFIX = (("n", 1e-9), ("u", 1e-6), ("m", 1e-3), ("", 1.0), ("k", 1e3), ("M", 1e6))


def quantity(value: float, unit: str) -> str:
    """Return a number with its unit as people write it: ``"2.4 mOhm"``, ``"0.5 %"``, ``"5000 h"``."""
    if unit == "1":
        return f'"{value * 100:.6g} %"'
    if unit == "h":
        return f'"{value / 3600:.6g} h"'
    if unit == "A/s":
        return f'"{value / 1e6:.6g} A/us"'
    if unit in ("degC", "K", "K/W", "1/K") or value == 0:
        return f'"{value:.6g} {unit}"'
    size, factor = "", 1.0
    for name, scale in _PREFIX:
        if (name in ("k", "M") and unit not in ("Hz", "Ohm")) or (name in ("n", "u") and unit in ("V", "A", "W", "Hz")):
            continue
        if abs(value) >= 0.9995 * scale or factor == 1.0 and not size:
            size, factor = name, scale
            if abs(value) < 999.5 * scale:
                break
    return f'"{value / factor:.6g} {size}{unit}"'


def text(value: str) -> str:
    """Return a TOML basic string."""
    escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\t")
    return f'"{escaped}"'


class _Page:
    """Lines of a file, keys with a short comment behind."""

    def __init__(self):
        self.lines: list[str] = []

    def head(self, title: str, comment: str = "") -> None:
        self.lines += ["", *([f"# {comment}"] if comment else []), title]

    def put(self, key: str, value: str | None, comment: str = "") -> None:
        if value is not None and value != '""':
            self.lines.append(f"{key} = {value}" + (f"  # {comment}" if comment else ""))

    def number(self, record, key: str, unit: str, comment: str = "") -> None:
        value = getattr(record, key)
        if value is not None:
            self.put(key, quantity(value, unit), comment)

    def plain(self, record, *keys: str) -> None:
        for key in keys:
            if getattr(record, key) is not None:
                self.put(key, f"{getattr(record, key):g}")

    def curve(self, key: str, pairs, units: tuple[str, str], comment: str = "") -> None:
        if pairs:
            rows = ", ".join(f"[{quantity(x, units[0])}, {quantity(y, units[1])}]" for x, y in pairs)
            self.put(key, f"[{rows}]", comment)

    def done(self) -> str:
        return "\n".join(self.lines) + "\n"


def bench_text(bench: Bench, instruments: Sequence[VirtualInstrument]) -> str:
    """Return ``bench.toml`` of a simulated bench."""
    page = _Page()
    page.lines += ["# SIMULATED. This bench does not exist: board, parts and instruments are invented,",
                   "# and the logs beside this file were written by the virtual bench.",
                   'format = "phasewright-bench-1"', f"name = {text(bench.name)}", "simulated = true"]
    page.put("notes", text(bench.notes))
    board = bench.board
    page.head("[board]", "what stands between the meter and the regulator")
    page.put("name", text(board.name))
    page.put("description", text(board.description))
    page.number(board, "input_voltage", "V")
    page.number(board, "input_resistance", "Ohm", "cables, connectors and copper, both ways")
    page.number(board, "input_resistance_u", "Ohm", "one standard uncertainty")
    page.number(board, "other_loads", "W", "what else this input feeds")
    page.number(board, "other_loads_u", "W", "one standard uncertainty")
    page.number(board, "service_life", "h", "wished hours of use")
    page.plain(board, "cycles_per_day")
    for item in board.connectors:
        page.head("[[board.connector]]")
        page.put("name", text(item.name))
        page.put("contact_count", str(item.contact_count))
        page.number(item, "contact_rating", "A")
        page.plain(item, "wire_gauge", "wire_count")
        for key, unit in _CONNECTOR:
            page.number(item, key, unit)
        page.put("source", text(item.source))
    for run in board.copper:
        page.head("[[board.copper]]")
        page.put("name", text(run.name))
        page.put("carries", text(run.carries))
        page.put("layer", text(run.layer))
        page.plain(run, "layer_count")
        for key, unit in _COPPER:
            page.number(run, key, unit)
        page.put("source", text(run.source))
    _regulator(page, bench)
    processor = bench.processor
    page.head("[processor]")
    page.put("name", text(processor.name))
    page.put("kind", text(processor.kind))
    page.number(processor, "temperature_limit", "degC")
    page.number(processor, "power_limit", "W", "sustained package power limit")
    page.number(processor, "load_step", "A", "greatest sudden change of the rail current")
    page.number(processor, "load_slew", "A/s")
    _cooling(page, bench)
    for item in instruments:
        _instrument(page, item)
    return page.done()


_STAGE = (("current_rating", "A"), ("peak_current_rating", "A"), ("temperature_limit", "degC"),
          ("high_side_resistance", "Ohm"), ("low_side_resistance", "Ohm"),
          ("resistance_temperature_coefficient", "1/K"), ("rise_time", "s"), ("fall_time", "s"), ("dead_time", "s"),
          ("diode_voltage", "V"), ("gate_charge", "C"), ("gate_voltage", "V"), ("output_charge", "C"),
          ("recovery_charge", "C"), ("quiescent_power", "W"), ("thermal_resistance", "K/W"), ("rated_life", "h"),
          ("rated_life_temperature", "degC"), ("rated_swing", "K"))
_PLAIN = ("activation_energy_ev", "rated_cycles", "cycle_exponent")
_INDUCTOR = (("inductance", "H"), ("resistance", "Ohm"), ("saturation_current", "A"), ("current_rating", "A"),
             ("temperature_limit", "degC"), ("core_loss", "W"), ("tolerance", "1"))
_BANK = (("capacitance", "F"), ("resistance", "Ohm"), ("current_rating", "A"), ("temperature_limit", "degC"),
         ("life", "h"), ("tolerance", "1"), ("thermal_resistance", "K/W"))
_PROTECTION = (("phase_current", "A"), ("total_current", "A"), ("temperature_warning", "degC"),
               ("temperature_trip", "degC"))
_CONNECTOR = (("contact_resistance", "Ohm"), ("temperature_limit", "degC"), ("wire_length", "m"),
              ("wire_temperature_limit", "degC"))
_COPPER = (("width", "m"), ("thickness", "m"), ("rise_limit", "K"))


def _regulator(page: _Page, bench: Bench) -> None:
    regulator = bench.regulator
    page.head("[regulator]", "the regulator under test, data-sheet figures")
    page.put("name", text(regulator.name))
    page.put("phase_count", str(regulator.phase_count))
    page.put("stages_per_phase", str(regulator.stages_per_phase))
    page.number(regulator, "switching_frequency", "Hz")
    page.number(regulator, "rail_voltage", "V")
    page.number(regulator, "load_line", "Ohm")
    page.number(regulator, "controller_power", "W")
    page.number(regulator, "sharing_error", "1", "greatest excess of one phase over the mean")
    for key, unit in (("tolerance_band", "V"), ("settling_time", "s"), ("ripple_limit", "V"), ("response_delay", "s"),
                      ("drive_power_limit", "W")):
        page.number(regulator, key, unit)
    for title, record, keys in (
        ("stage", regulator.stage, _STAGE), ("inductor", regulator.inductor, _INDUCTOR),
        ("output_capacitors", regulator.output_capacitors, _BANK),
        ("input_capacitors", regulator.input_capacitors, _BANK), ("protection", regulator.protection, _PROTECTION),
    ):
        if all(getattr(record, key) is None for key, _ in keys):
            continue
        page.head(f"[regulator.{title}]")
        page.put("name", text(getattr(record, "name", "")))
        page.put("kind", text(getattr(record, "kind", "")))
        for key, unit in keys:
            page.number(record, key, unit)
        if title == "stage":
            page.curve("derating", regulator.stage.derating, ("degC", "A"), "continuous current against temperature")
            page.plain(regulator.stage, *_PLAIN)
        page.put("source", text(record.source))


def _cooling(page: _Page, bench: Bench) -> None:
    cooling = bench.cooling
    page.head("[cooling]")
    page.put("coolant", text(cooling.coolant))
    page.put("description", text(cooling.description))
    page.number(cooling, "coolant_limit", "degC")
    page.curve("fan_map", cooling.fan_map, ("degC", "1"), "coolant temperature and fan duty")
    for part in cooling.chain:
        page.head("[[cooling.part]]")
        page.put("name", text(part.name))
        page.put("kind", text(part.kind))
        page.number(part, "resistance", "K/W")
        page.put("shared", "true" if part.shared else "false",
                 "for the whole regulator" if part.shared else "for one power stage")
        page.put("source", text(part.source))


def _instrument(page: _Page, item: VirtualInstrument) -> None:
    page.head("[[instrument]]")
    page.put("name", text(item.name))
    page.put("description", text(item.description))
    page.put("period", quantity(item.period, "s"))
    if item.tell_averaging:
        page.put("averaging", quantity(item.averaging, "s"))
        page.put("stamp_at", text(item.stamp_at), "moment of the averaging that the stamp marks")
    for channel, stated in item.accuracy.items():
        page.head(f"[instrument.accuracy.{channel}]")
        _accuracy(page, stated, channel, item.tell_resolution)


def _accuracy(page: _Page, stated: Accuracy, channel: str, tell_resolution: bool) -> None:
    from phasewright.bench import base_channel

    unit = base_channel(channel).unit
    # An error of a temperature is a difference.
    step = "K" if unit == "degC" else unit
    page.put("gain", quantity(stated.gain, "1"))
    page.put("offset", quantity(stated.offset, step))
    if tell_resolution:
        page.put("resolution", quantity(stated.resolution, step))
    page.put("stated_as", text(stated.stated_as))
    page.put("source", text(stated.source))


# ---- campaign -------------------------------------------------------------------------------------------------------


def campaign_text(scenario: Scenario, files: Mapping[str, tuple[str, ...]],
                  steps: Sequence[tuple[PlannedStep, str, str, str]]) -> str:
    """Return ``campaign.toml``; `steps` holds (step, start, end, outcome) as noted at the bench."""
    page = _Page()
    page.lines += ["# SIMULATED. The logs of this campaign were written by the virtual bench.",
                   'format = "phasewright-campaign-1"', f"name = {text(scenario.name)}", "simulated = true"]
    page.put("notes", text(scenario.notes))
    page.put("reference_log", text(scenario.reference_log), "all other clocks are put on this one")
    page.put("step_source", text(scenario.step_source))
    cost = scenario.cost
    page.head("[cost]", "what extra input power costs")
    page.put("hours_per_day", f"{cost.hours_per_day:g}")
    page.put("days_per_year", f"{cost.days_per_year:g}")
    if cost.price is not None:
        page.put("price", text(f"{cost.price:.2f} {cost.currency}/kWh"))
    for item in scenario.instruments:
        _log(page, item, files[item.log])
    for step, start, end, outcome in steps:
        _step(page, scenario, step, start, end, outcome)
    return page.done()


def _log(page: _Page, item: VirtualInstrument, files: tuple[str, ...]) -> None:
    page.head("[[log]]")
    page.put("name", text(item.log))
    if len(files) == 1:
        page.put("file", text(files[0]))
    else:
        page.put("files", "[" + ", ".join(text(name) for name in files) + "]")
    page.put("instrument", text(item.name))
    page.head("[log.time]")
    names = item.dialect.stamp_names
    bare = [name.split(" [")[0] for name in names]
    if len(names) == 2:
        page.put("columns", "[" + ", ".join(text(name) for name in bare) + "]")
    else:
        page.put("column", text(bare[0]))
    if item.dialect.stamp in ("epoch_s", "epoch_ms", "elapsed_s"):
        page.put("format", text(item.dialect.stamp))
    elif item.dialect.stamp == "split":
        fraction = f"{item.dialect.decimal}%f" if item.dialect.stamp_decimals else ""
        page.put("format", text(f"{item.dialect.date} %H:%M:%S{fraction}"))
    if item.dialect.stamp in ("iso", "split"):
        page.put("zone", text("UTC"))
    page.head("[log.channels]")
    names_by_column = header_names(item.dialect, item.columns)
    for channel, value in _sources(item.columns, names_by_column):
        page.put(channel, value)


def _sources(columns: Sequence[Column], names: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return (channel, TOML value) of a log's columns; voltages and currents of connectors become products."""
    plain, volts, amperes = [], {}, {}
    for column in columns:
        base, _, label = column.signal.partition(".")
        if base == "input_voltage":
            volts[label] = names[column.name]
        elif base == "input_current":
            amperes[label] = names[column.name]
        else:
            plain.append((column.signal, text(names[column.name])))
    if volts:
        products = ", ".join(f"[{text(volts[label])}, {text(amperes[label])}]" for label in volts)
        plain.insert(0, ("input_power", f"{{ sum = [{products}] }}"))
    return plain


def _step(page: _Page, scenario: Scenario, step: PlannedStep, start: str, end: str, outcome: str) -> None:
    page.head("[[step]]")
    page.put("name", text(step.name))
    page.put("phase_count", str(step.phase_count))
    page.put("load", text(step.load))
    page.put("package_power", quantity(step.package_power, "W"), "intended")
    if step.protection_phase_current is not None:
        page.put("protection_phase_current", quantity(step.protection_phase_current, "A"))
    if step.power_limit is not None:
        page.put("power_limit", quantity(step.power_limit, "W"))
    if step.fan_duty is not None:
        page.put("fan_duty", quantity(step.fan_duty, "1"))
    page.put("start", text(start))
    page.put("end", text(end))
    if start and scenario.step_clock:
        page.put("clock", text(scenario.step_clock))
    if step.baseline:
        page.put("baseline", "true")
    page.put("outcome", text(outcome))
    page.put("note", text(step.note))
