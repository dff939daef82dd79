"""Signs in the record that a step tripped: power that collapses, a machine that falls silent or starts again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from phasewright.bench import Step, base_channel
from phasewright.findings.figures import Source
from phasewright.findings.poweroff import SHORTEST, find_power_off
from phasewright.findings.readings import Readings, take_readings
from phasewright.logs import StepSpan

__all__ = ["Incident", "find_incident", "machine_stamps"]

POWER = ("input_power", "input_current", "rail_power", "rail_current", "package_power")
"""Channels that show whether the machine still draws power, the most independent of it first."""
MACHINE = ("package_power", "package_energy", "processor_temperature", "processor_clock")
"""Channels that the machine under test writes itself."""
COLLAPSED = 0.4
"""Share of the step's load below which power counts as collapsed; between idle and load on benches of 100-600 W."""


@dataclass(frozen=True, slots=True)
class Incident:
    """What the record says: `tripped` with its sentence, or only something to mind."""

    tripped: bool
    sentence: str
    at_s: float
    """When it began, on the reference clock [s]."""
    load_ended: bool = False
    """The load ended there although nothing tripped."""


def find_incident(
    sources: Mapping[str, Source],
    stamps: np.ndarray | None,
    span: StepSpan,
    step: Step,
    until: float = math.inf,
) -> Incident | None:
    """Return the sign of a trip within the step, or None.

    `stamps` are the `machine_stamps` of the recording, `until` is where the next step begins [s]. A collapse of power
    alone can be the end of the load program. It counts as a trip when the machine falls silent with it, when no log
    of the machine could tell, or when the step was stated to last longer.
    """
    off = find_power_off(sources, stamps, span, until)
    if off is not None:
        words = f"{off.channel.replace('_', ' ')} went from {off.level:.0f} {off.unit} to nothing at {off.at_s:.0f} s"
        began = ", as the step began," if off.at_s < span.start_s + 1.0 else ""
        return Incident(True, f"{words}{began} and the machine's log fell silent with it", off.at_s)
    collapse = _collapse(sources, span)
    silence = _silence(sources, stamps, span)
    restart = _restart(sources, span)
    if restart is not None and (collapse is not None or silence is not None):
        return Incident(True, f"the machine's log starts again at {restart:.0f} s: it was lost and came back", restart)
    if silence is not None:
        return _judge_silence(sources, span, silence, collapse)
    if collapse is None:
        if restart is None:
            return None
        return Incident(
            False, f"the machine's log begins anew at {restart:.0f} s within the step; power went on", restart
        )
    at, high, low, name = collapse
    words = (
        f"{name.replace('_', ' ')} fell from {high:.0f} to {low:.0f} {sources[name].trace.unit} at {at:.0f} s, "
        f"{span.end_s - at:.0f} s before the step's end"
    )
    machine_logs = any(base_channel(item).name in MACHINE for item in sources)
    if step.end or not machine_logs:
        return Incident(True, words, at)
    ended = f"{words}, while the machine went on logging: the load ended, or the step's end should be stated"
    return Incident(False, ended, at, True)


def _collapse(sources: Mapping[str, Source], span: StepSpan) -> tuple[float, float, float, str] | None:
    """Return (time s, level before, level after, channel) of a collapse of power that lasts to the step's end."""
    for name in POWER:
        if name not in sources:
            continue
        readings = take_readings(sources[name].trace, span.start_s, span.end_s)
        if readings.count < 10:
            continue
        found = _collapse_of(readings, span)
        return (*found, name) if found else None
    return None


def _collapse_of(readings: Readings, span: StepSpan) -> tuple[float, float, float] | None:
    value = readings.value
    level = float(np.percentile(value, 98.0))
    low = value < COLLAPSED * level
    if level <= 0.0 or not low[-1] or low.all():
        return None
    first_high, last_high = (int(index) for index in np.flatnonzero(~low)[[0, -1]])
    at = float(readings.end_s[last_high])
    lasted = float(readings.end_s[-1]) - at
    # A load that comes and goes has low stretches all along; only one far longer than those is a collapse.
    between = low[first_high : last_high + 1]
    longest = 0.0
    if between.any():
        edges = np.flatnonzero(np.diff(between.astype(np.int8)))
        times = readings.end_s[first_high : last_high + 1][edges]
        longest = float(np.max(times[1::2] - times[::2][: len(times[1::2])], initial=0.0))
    if lasted < max(SHORTEST, 0.05 * (span.end_s - span.start_s), 3.0 * longest):
        return None
    before = float(np.median(value[first_high : last_high + 1]))
    return at, before, float(np.median(value[last_high + 1 :]))


def machine_stamps(sources: Mapping[str, Source]) -> np.ndarray | None:
    """Return the sorted times at which the machine wrote something itself [s], None when no log is the machine's."""
    for name, item in sources.items():
        if base_channel(name).name in MACHINE:
            trace = item.trace
            return np.sort(trace.end_s[np.isfinite(trace.value)], kind="stable")
    return None


def _silence(sources: Mapping[str, Source], stamps: np.ndarray | None, span: StepSpan) -> tuple[float, float] | None:
    """Return (from, to) [s] of a silence of the machine that begins well before the step's end.

    At the end of a step a logger may be stopped by hand, so a silence that begins there says nothing.
    """
    if stamps is None or stamps.size < 3:
        return None
    ends = [item.trace.end_s[-1] for item in sources.values() if len(item.trace.end_s)]
    gaps = np.diff(stamps, append=max(float(max(ends, default=stamps[-1])), float(stamps[-1])))
    least = max(SHORTEST, 8.0 * float(np.median(gaps)))
    late = span.end_s - max(0.5 * SHORTEST, 0.02 * (span.end_s - span.start_s))
    for index in np.flatnonzero((gaps >= least) & (stamps >= span.start_s) & (stamps <= late)):
        begin, end = float(stamps[index]), float(stamps[index] + gaps[index])
        if not _others_speak(sources, begin, end):
            return begin, end
    return None


def _others_speak(sources: Mapping[str, Source], begin: float, end: float) -> bool:
    """Return True when another channel of a machine's log has readings in the silence: then one column was empty."""
    machine = _machine_logs(sources)
    return any(
        item.trace.log in machine and take_readings(item.trace, begin + 1e-3, end - 1e-3).count > 0
        for item in sources.values()
    )


def _machine_logs(sources: Mapping[str, Source]) -> set[str]:
    return {item.trace.log for name, item in sources.items() if base_channel(name).name in MACHINE}


def _judge_silence(
    sources: Mapping[str, Source],
    span: StepSpan,
    silence: tuple[float, float],
    collapse: tuple[float, float, float, str] | None,
) -> Incident:
    begin, end = silence
    words = f"the machine's log falls silent for {end - begin:.0f} s at {begin:.0f} s"
    if begin < span.end_s:
        words += f", {span.end_s - begin:.0f} s before the step's end"
    if collapse is not None:
        at, high, low, name = collapse
        return Incident(True, f"{words}, and {name.replace('_', ' ')} fell from {high:.0f} to {low:.0f}", at)
    for name in POWER:
        if name not in sources or base_channel(name).name in MACHINE:
            continue
        trace = sources[name].trace
        during = take_readings(trace, begin, end)
        before = take_readings(trace, max(span.start_s, begin - 60.0), begin)
        if during.count < 3 or before.count < 3:
            continue
        level, rest = float(np.median(before.value)), float(np.median(during.value))
        if rest < COLLAPSED * level:
            fell = f"{words}, and {name.replace('_', ' ')} fell from {level:.0f} to {rest:.0f} {trace.unit}"
            return Incident(True, fell, begin)
        return Incident(False, f"{words}, but {name.replace('_', ' ')} went on at {rest:.0f} {trace.unit}", begin)
    if end <= span.end_s or _others_go_on(sources, begin):
        return Incident(True, f"{words}; no other log tells whether power went on", begin)
    return Incident(False, f"the record ends at {begin:.0f} s, {span.end_s - begin:.0f} s before the step's end", begin)


def _others_go_on(sources: Mapping[str, Source], begin: float) -> bool:
    """Return True when any log that is not the machine's has readings past `begin` [s] by more than a pause."""
    machine = _machine_logs(sources)
    return any(
        item.trace.log not in machine and len(item.trace.end_s) and float(item.trace.end_s[-1]) > begin + SHORTEST
        for item in sources.values()
    )


def _restart(sources: Mapping[str, Source], span: StepSpan) -> float | None:
    """Return the time [s] at which the machine's log begins a new segment within the step."""
    for name, item in sources.items():
        if base_channel(name).name not in MACHINE:
            continue
        for first, past in item.trace.segments[1:]:
            if past > first and span.start_s < float(item.trace.start_s[first]) < span.end_s:
                return float(item.trace.start_s[first])
        return None
    return None
