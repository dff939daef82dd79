"""Every figure of one step that comes straight from its channels: means, peaks, settled values, energy."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from phasewright.bench import Bench, Campaign, Step, base_channel
from phasewright.findings.labels import combine_labels
from phasewright.findings.means import (
    Figure,
    Lead,
    lead_of,
    mean_energy_power,
    mean_of,
    mean_product,
    peak_of,
    same_stamps,
)
from phasewright.findings.readings import Readings, sum_of_products, take_readings
from phasewright.findings.sheet import Sheet, channel_mend
from phasewright.findings.trust import PACKAGE_OFFSET_U, Trust, observed_resolution, resolution_u, trust_of
from phasewright.limits import NotComputable
from phasewright.logs import AlignedTrace, Recording, StepSpan, Window
from phasewright.quantity import Part, Value, Wander, value_from_parts

__all__ = ["Source", "lead_channel", "measure_step", "readings_of_step", "sources_of"]

LEADS = ("input_power", "package_power", "rail_current")
"""Channels that show how the load wandered, the most precise first."""
FOLLOWERS = ("W", "A", "V")
"""Units of channels that follow the load at once."""
NEEDED = (
    "input_power",
    "package_power",
    "rail_power",
    "rail_current",
    "regulator_temperature",
    "coolant_temperature",
    "ambient_temperature",
)
"""Said to be missing when they are not logged, because figures hang on them."""


@dataclass(frozen=True, slots=True)
class Source:
    """One channel of the recording and how far it can be trusted."""

    trace: AlignedTrace
    trust: Trust


def sources_of(
    bench: Bench, campaign: Campaign, recording: Recording
) -> tuple[dict[str, Source], dict[str, NotComputable]]:
    """Return every channel whose readings have a place in time, and those that a log brought but that have none."""
    clocks: dict[str, set[str]] = {}
    for clock in recording.clocks:
        clocks.setdefault(clock.log, set()).add(clock.status)
    ambiguous = {log for log, statuses in clocks.items() if statuses == {"ambiguous"}}
    mend = 'write offset = "..." under [log.time] of that log, or log a load that does not repeat'
    found, lost = {}, {}
    for name, trace in recording.traces.items():
        if trace.log in ambiguous:
            lost[name] = NotComputable(name, f"the clock of log {trace.log} is ambiguous", mend)
        else:
            found[name] = Source(trace, trust_of(bench, trace.instrument, name, observed_resolution(trace)))
    for entry in campaign.logs:
        for channel in entry.channels:
            if channel.channel in found or channel.channel in lost:
                continue
            why = (
                f"the clock of log {entry.name} is ambiguous"
                if entry.name in ambiguous
                else (f"log {entry.name} has no readings of it that could be placed in time")
            )
            lost[channel.channel] = NotComputable(channel.channel, why, mend)
    return found, lost


def lead_channel(sources: Mapping[str, Source]) -> str | None:
    """Return the channel that shows best how the load wanders; None when no power or current is logged."""
    return next((name for name in LEADS if name in sources), None)


def measure_step(
    bench: Bench,
    sources: Mapping[str, Source],
    lost: Mapping[str, NotComputable],
    span: StepSpan,
    step: Step,
    window: Window,
    wander: Wander | None = None,
) -> Sheet:
    """Return the sheet of one step with all that its channels say; derived figures are not on it yet.

    `wander` is how the load moves, as seen by the first of `LEADS` that is logged.
    """
    sheet = Sheet(span.name, missing=dict(lost))
    readings: dict[str, Readings] = {}
    lead = None
    first = [name for name in LEADS if name in sources]
    for name in [*first, *(name for name in sources if name not in first)]:
        _measure_channel(
            sheet, name, sources[name], span, window, readings, lead, wander if name == lead_channel(sources) else None
        )
        if lead is None and name in first and name in readings:
            lead = lead_of(Figure(sheet.quantities[name], ""), readings[name])
    combine_labels(sheet)
    _powers(sheet, sources, readings, span, window, lead)
    _phase_count(sheet, bench, step, readings)
    _settled_values(sheet, sources, span, window)
    _energy(sheet, sources, span)
    for name in NEEDED:
        if name not in sheet.quantities:
            sheet.lack_channel(name)
    return sheet


def _measure_channel(
    sheet: Sheet,
    name: str,
    source: Source,
    span: StepSpan,
    window: Window,
    readings: dict[str, Readings],
    lead: Lead | None,
    wander: Wander | None,
) -> None:
    trace = source.trace
    inside = take_readings(trace, window.start_s, window.end_s) if window.found else None
    if inside is None or not inside.count:
        why = f"no reading of {name} lies inside the window" if window.found else "the step has no window"
        sheet.lack(name, why, "hold the step longer, or look at the log for gaps")
    else:
        readings[name] = inside
    if name.partition(".")[0] == "error_count":
        _count_errors(sheet, name, trace, span)
        return
    if trace.unit == "J":
        return
    if name in readings and inside is not None:
        lead = lead if trace.unit in FOLLOWERS else None
        sheet.put(name, mean_of(trace, inside, source.trust, window, span, lead, wander))
        if inside.left_out > 0.2 * (inside.count + inside.left_out):
            sheet.notes.append(
                f"caution: {span.name}: {inside.left_out} of {inside.count + inside.left_out} readings of {name} "
                "are missing"
            )
    if trace.unit not in ("W", "A", "degC"):
        return
    # Power and current follow the setting at once, so their peak is sought in the whole step, first seconds included;
    # temperatures carry the step before into this one, so theirs is sought in the window only.
    peaks = inside if trace.unit == "degC" else readings_of_step(trace, span)
    if peaks is not None and peaks.count:
        sheet.put(f"{name}_peak", peak_of(trace, peaks, source.trust, span))
        sheet.peak_averaging[f"{name}_peak"] = peaks.raw_averaging


def _count_errors(sheet: Sheet, name: str, trace: AlignedTrace, span: StepSpan) -> None:
    """Enter how many errors the load reported within the step: the rise of its count."""
    count = readings_of_step(trace, span).value
    if count.size:
        rise = float(np.sum(np.maximum(np.diff(count), 0.0)))
        sheet.put(name, Figure(Value(rise, "1", 0.0, rise, rise, "measured"), "rise of the count over the step"))


def readings_of_step(trace: AlignedTrace, span: StepSpan) -> Readings:
    """Return the readings that surely belong to the step: those further from its ends than its clock is unsure."""
    unsure = 3.0 * trace.time_u if math.isfinite(trace.time_u) else 0.1 * (span.end_s - span.start_s)
    guard = min(max(unsure, trace.averaging, 0.5), 0.1 * (span.end_s - span.start_s))
    return take_readings(trace, span.start_s + guard, span.end_s - guard)


def _powers(
    sheet: Sheet,
    sources: Mapping[str, Source],
    readings: Mapping[str, Readings],
    span: StepSpan,
    window: Window,
    lead: Lead | None,
) -> None:
    """Enter input, rail and package power from voltage and current, or from an energy counter, where not logged."""
    for side in ("input", "rail"):
        name, volts, amperes = f"{side}_power", f"{side}_voltage", f"{side}_current"
        if name in sheet.quantities or volts not in sheet.quantities or amperes not in sheet.quantities:
            continue
        pair = [
            (sources[item].trace, readings[item], sources[item].trust) for item in (volts, amperes) if item in readings
        ]
        if len(pair) == 2 and pair[0][0].log == pair[1][0].log and same_stamps(pair[0][1], pair[1][1]):
            sheet.put(name, mean_product(pair[0], pair[1], name, window, span, lead))
            continue
        sheet.derive(
            name,
            lambda voltage, current: voltage * current,
            {"voltage": volts, "current": amperes},
            "W",
            f"mean {volts} x mean {amperes}: not read together, so right for a steady load only",
        )
    for side in ("input", "package"):
        counter = f"{side}_energy"
        if f"{side}_power" in sheet.quantities or counter not in readings:
            continue
        source = sources[counter]
        offset = PACKAGE_OFFSET_U if side == "package" and "not stated" in source.trust.basis else 0.0
        figure = mean_energy_power(source.trace, readings[counter], source.trust, span, offset)
        if figure is None:
            sheet.lack(f"{side}_power", f"{counter} does not rise throughout the window", channel_mend(f"{side}_power"))
        else:
            sheet.put(f"{side}_power", figure)


def _phase_count(sheet: Sheet, bench: Bench, step: Step, readings: Mapping[str, Readings]) -> None:
    """Settle how many phases carried current: as logged, else as set, else all that are fitted."""
    said = step.settings.get("phase_count")
    logged = readings.get("phase_count")
    if logged is not None:
        counts, times = np.unique(np.round(logged.value), return_counts=True)
        usual = float(counts[int(np.argmax(times))])
        share = float(times.max()) / logged.count
        basis = (
            "as logged" if share == 1.0 else f"as logged in {100.0 * share:.0f} % of the window; it changed in the rest"
        )
        if share < 1.0:
            sheet.notes.append(
                f"doubt: {step.name}: the phase count changed within the window "
                f"({usual:.0f} in {100.0 * share:.0f} % of it)"
            )
        if said is not None and float(said) != usual:
            sheet.notes.append(
                f"doubt: {step.name}: {said:g} phases were set, {usual:.0f} are logged; the logged count is used"
            )
        sheet.put("phase_count", Figure(Value(usual, "1", 0.0, usual, usual, "measured"), basis))
        return
    number = float(said) if said is not None else float(bench.regulator.phase_count)
    basis = "as set for this step" if said is not None else "not said for this step: all phases fitted"
    if said is None:
        sheet.notes.append(
            f"caution: {step.name}: the phase count is not said, all {number:.0f} fitted phases are taken "
            "(add phase_count = ... to the step)"
        )
    sheet.put("phase_count", Figure(Value(number, "1", 0.0, number, number, "set"), basis))


def _settled_values(sheet: Sheet, sources: Mapping[str, Source], span: StepSpan, window: Window) -> None:
    """Enter the settled value of every channel that was not settled but may be extrapolated."""
    for item in window.settling:
        source = sources.get(item.channel)
        if item.settled or item.extrapolated is None or item.extrapolated_u is None or source is None:
            continue
        trust = source.trust
        parts = [
            Part(f"{span.name}/{item.channel}/extrapolation", item.extrapolated_u),
            Part(trust.source("gain"), item.extrapolated * trust.gain_u, trust.shape),
            Part(trust.source("offset"), trust.offset_u, trust.shape),
            Part(f"{span.name}/{item.channel}/resolution", resolution_u(trust.resolution, 0.0), "rectangular"),
        ]
        value = value_from_parts(
            item.extrapolated, source.trace.unit, [part for part in parts if part.contribution], kind="extrapolated"
        )
        if not trust.known:
            value = replace(value, u=None, low95=None, high95=None, reason=trust.reason)
        sheet.put(f"{item.channel}_settled", Figure(value, f"extrapolated from the window: {item.reason}"))
        base = base_channel(item.channel).name
        present = sheet.quantities.get(f"{base}_settled")
        if base != item.channel and (present is None or present.value < value.value):
            sheet.put(f"{base}_settled", Figure(value, f"{item.channel}, extrapolated from the window: {item.reason}"))


def _energy(sheet: Sheet, sources: Mapping[str, Source], span: StepSpan) -> None:
    """Enter the input energy of the whole step: the readings themselves are the integral, so scatter does not count."""
    source = sources.get("input_power")
    duration = span.end_s - span.start_s
    if source is None or duration <= 0.0:
        sheet.lack("step_energy", "input power is not logged as a channel", channel_mend("input_power"))
        return
    readings = take_readings(source.trace, span.start_s, span.end_s)
    if readings.count < 2:
        sheet.lack("step_energy", "no input power is logged in the step", "look at the log for gaps")
        return
    weights = readings.weights()
    mean = sum_of_products(weights, readings.value) / float(weights.sum())
    covered = min(float(weights.sum()) / duration, 1.0)
    trust, energy = source.trust, mean * duration
    step_change = abs(float(readings.value[-1] - readings.value[0]))
    time_u = source.trace.time_u if math.isfinite(source.trace.time_u) else 0.0
    parts = [
        Part(trust.source("gain"), energy * trust.gain_u, trust.shape),
        Part(trust.source("offset"), duration * trust.offset_u, trust.shape),
        Part(f"clock/{source.trace.log}", step_change * time_u),
        Part(f"{span.name}/input_power/gaps", (1.0 - covered) * duration * float(np.std(readings.value))),
    ]
    value = value_from_parts(energy, "J", [part for part in parts if part.contribution], kind="derived")
    if not trust.known:
        value = replace(value, u=None, low95=None, high95=None, reason=trust.reason)
    sheet.put(
        "step_energy", Figure(value, f"input power over the whole step; readings cover {100.0 * covered:.1f} % of it")
    )
