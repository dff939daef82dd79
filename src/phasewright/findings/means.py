"""Means and peaks of channels over a window, each with its budget of uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.findings.readings import Readings, means_over, sum_of_products, take_readings
from phasewright.findings.trust import Trust, resolution_u
from phasewright.findings.wanders import covered_time
from phasewright.logs import AlignedTrace, StepSpan, Window
from phasewright.quantity import Part, Value, Wander, series_mean, value_from_parts

__all__ = ["Figure", "Lead", "lead_of", "mean_energy_power", "mean_of", "mean_product", "peak_of", "same_stamps"]


@dataclass(frozen=True, slots=True)
class Figure:
    """A value and what it was made from, in words."""

    value: Value
    basis: str


def _value(number: float, unit: str, parts: Sequence[Part], reason: str, kind: str = "measured") -> Value:
    """Return a Value; with a reason given its uncertainty is unknown and the known parts are kept as its budget."""
    kept = tuple(part for part in parts if part.contribution != 0.0)
    if reason:
        return Value(number, unit, kind=kind, parts=kept, reason=reason)
    return value_from_parts(number, unit, kept, kind=kind)


@dataclass(frozen=True, slots=True)
class Lead:
    """The channel that shows best how the load wandered in the window, and what that adds to its own mean."""

    readings: Readings
    part: Part


def _statistics(
    series: np.ndarray, readings: Readings, source: str, lead: Lead | None = None, wander: Wander | None = None
) -> tuple[float, list[Part], str]:
    """Return the mean, the parts that scatter adds to it, and why they are unknown ('' = known).

    A load that wanders moves input, rail and package power together, so their scatter is not independent. The share
    of the series that follows the lead channel (regression on its means over the same intervals) is put down to the
    lead's own part; only the rest is this channel's. A loss then does not suffer from a wander that both sides saw.
    The lead itself has its part from `wander`, where its load's is known: a window shows little of its slow movements.
    """
    weights = readings.weights()
    if series.size == 1:
        return float(series[0]), [], "one reading in the window: its scatter is unknown"
    if np.ptp(series) == 0.0:
        # Identical readings have no scatter to estimate; what rounding hides is the resolution part.
        return float(series[0]), [], ""
    if wander is not None:
        mean = sum_of_products(weights, series) / float(weights.sum())
        u, dof = wander.mean_u(covered_time(readings))
        return mean, [Part(source, abs(mean) * u, "student", max(dof, 1.0))], ""
    follows, rest = _follow(series, readings, lead)
    found = series_mean(rest, weights=weights)
    mean = sum_of_products(weights, series) / float(weights.sum())
    if found.u is None or not math.isfinite(found.u):
        return mean, [], "too few independent readings in the window: their scatter is unknown"
    parts = [Part(source, float(found.u), "student", max(float(found.dof), 1.0))]
    if lead is not None and follows:
        parts.append(Part(lead.part.source, follows * lead.part.contribution, lead.part.shape, lead.part.dof))
    return mean, parts, ""


def _follow(series: np.ndarray, readings: Readings, lead: Lead | None) -> tuple[float, np.ndarray]:
    """Return how far a series follows the lead [unit of the series / unit of the lead], and what is left of it."""
    if lead is None or series.size < 8 or lead.readings.count < 8 or np.any(np.diff(lead.readings.end_s) < 0.0):
        return 0.0, series
    guide = means_over(lead.readings, readings.start_s, readings.end_s)
    guide = guide - guide.mean()
    power = sum_of_products(guide, guide)
    if power <= 0.0:
        return 0.0, series
    slope = sum_of_products(guide, series - series.mean()) / power
    rest = series - slope * guide
    return (slope, rest) if np.ptp(rest) > 0.0 else (0.0, series)


def lead_of(figure: Figure, readings: Readings) -> Lead | None:
    """Return the lead that a measured channel makes for the others; None when it does not scatter."""
    found = next((part for part in figure.value.parts if part.source.endswith("/statistics")), None)
    return Lead(readings, found) if found is not None else None


def _shift_u(trace: AlignedTrace, readings: Readings, window: Window, span: StepSpan, mean: float) -> float:
    """Return what a shift of this log by its time uncertainty does to the mean, signed, in the channel's unit.

    Slope of the readings times the time uncertainty, and what an edge beside the window could spill into it.
    """
    if not math.isfinite(trace.time_u):
        # Placed by nothing: any part of the step might be the window.
        whole = take_readings(trace, span.start_s, span.end_s)
        return float(np.std(whole.value)) if whole.count > 1 else 0.0
    length = window.end_s - window.start_s
    if readings.count < 3 or length <= 0.0 or trace.time_u <= 0.0:
        return 0.0
    t = readings.middle_s
    t -= t.mean()
    spread = sum_of_products(t, t)
    shift = trace.time_u * sum_of_products(t, readings.value) / spread if spread > 0.0 else 0.0
    reach = 2.0 * trace.time_u
    beside = max(5.0, 5.0 * trace.averaging)
    for gap, low, high in (
        (window.start_s - span.start_s, span.start_s - beside, span.start_s),
        (span.end_s - window.end_s, span.end_s, span.end_s + beside),
    ):
        if gap < reach:
            outside = take_readings(trace, low, high)
            if outside.count:
                height = abs(float(outside.value.mean()) - mean)
                shift += math.copysign(0.5 * height * (reach - gap) / length, shift)
    return shift


def _shared(trust: Trust, gain_times: float, offset_times: float) -> list[Part]:
    """Return the gain and offset parts of `trust`, for the given sensitivities."""
    return [
        Part(trust.source("gain"), gain_times * trust.gain_u, trust.shape),
        Part(trust.source("offset"), offset_times * trust.offset_u, trust.shape),
    ]


def mean_of(
    trace: AlignedTrace,
    readings: Readings,
    trust: Trust,
    window: Window,
    span: StepSpan,
    lead: Lead | None = None,
    wander: Wander | None = None,
) -> Figure:
    """Return the time-weighted mean of `readings` with statistics, gain, offset, resolution and alignment parts.

    `wander` is how the load moves relative to its level, for the channel that leads.
    """
    name = f"{span.name}/{trust.channel}"
    mean, parts, lacking = _statistics(readings.value, readings, f"{name}/statistics", lead, wander)
    parts += _shared(trust, mean, 1.0)
    scatter = float(np.std(readings.value))
    parts.append(Part(f"{name}/resolution", resolution_u(trust.resolution, scatter), "rectangular"))
    parts.append(Part(f"clock/{trace.log}", _shift_u(trace, readings, window, span, mean)))
    basis = f"mean of {readings.count} readings of {trust.instrument}; {trust.basis}"
    return Figure(_value(mean, trace.unit, parts, trust.reason or lacking), basis)


def peak_of(trace: AlignedTrace, readings: Readings, trust: Trust, span: StepSpan) -> Figure:
    """Return the greatest reading; gain, offset and rounding count, scatter does not (it is one reading)."""
    peak = float(readings.high.max())
    parts = _shared(trust, peak, 1.0)
    parts.append(
        Part(f"{span.name}/{trust.channel}/peak resolution", resolution_u(trust.resolution, 0.0), "rectangular")
    )
    length = readings.raw_averaging
    over = (
        f"averages over {length:.3g} s"
        if math.isfinite(length) and length > 0.0
        else ("momentary readings" if length == 0.0 else "readings of unknown averaging")
    )
    basis = f"greatest of {over}; anything shorter is not seen; {trust.basis}"
    return Figure(_value(peak, trace.unit, parts, trust.reason), basis)


def same_stamps(one: Readings, other: Readings) -> bool:
    """Return True when the readings of two channels belong together one by one."""
    return one.count == other.count and bool(
        np.array_equal(one.start_s, other.start_s) and np.array_equal(one.end_s, other.end_s)
    )


def mean_product(
    volts: tuple[AlignedTrace, Readings, Trust],
    amperes: tuple[AlignedTrace, Readings, Trust],
    name: str,
    window: Window,
    span: StepSpan,
    lead: Lead | None = None,
) -> Figure:
    """Return the mean power [W] of simultaneous readings of voltage and current: the mean of the products."""
    (u_trace, u_readings, u_trust), (i_trace, i_readings, i_trust) = volts, amperes
    series = u_readings.value * i_readings.value
    mean, parts, lacking = _statistics(series, u_readings, f"{span.name}/{name}/statistics", lead)
    voltage, current = float(u_readings.value.mean()), float(i_readings.value.mean())
    parts += _shared(u_trust, mean, current) + _shared(i_trust, mean, voltage)
    for trace, readings, trust, times in (
        (u_trace, u_readings, u_trust, current),
        (i_trace, i_readings, i_trust, voltage),
    ):
        left = resolution_u(trust.resolution, float(np.std(readings.value)))
        parts.append(Part(f"{span.name}/{trust.channel}/resolution", times * left, "rectangular"))
        shift = _shift_u(trace, readings, window, span, float(readings.value.mean()))
        parts.append(Part(f"clock/{trace.log}", times * shift))
    reason = "; ".join(text for text in (u_trust.reason, i_trust.reason, lacking) if text)
    basis = (
        f"mean of {u_readings.count} products of simultaneous {u_trust.channel} and {i_trust.channel} "
        f"readings of {u_trust.instrument}"
    )
    return Figure(_value(mean, "W", parts, reason), basis)


def mean_energy_power(
    trace: AlignedTrace, readings: Readings, trust: Trust, span: StepSpan, offset_u: float
) -> Figure | None:
    """Return the mean power [W] that an energy counter [J] advanced by between its first and last reading.

    None when the counter does not rise throughout (it wrapped or was set back). `offset_u` [W] is a standard
    uncertainty to add (package power's default offset), 0 for none.
    """
    if readings.count < 2 or np.any(np.diff(readings.value) < 0.0):
        return None
    duration = float(readings.end_s[-1] - readings.end_s[0])
    if duration <= 0.0:
        return None
    power = float(readings.value[-1] - readings.value[0]) / duration
    parts = [
        Part(trust.source("gain"), power * trust.gain_u, trust.shape),
        Part(trust.source("power offset"), offset_u, trust.shape),
        # Two readings, each rounded on its own; the counter's own offset cancels.
        Part(
            f"{span.name}/{trust.channel}/rounding of the rise",
            math.sqrt(2.0) * resolution_u(trust.resolution, 0.0) / duration,
        ),
    ]
    basis = f"rise of {trust.channel} over {duration:.1f} s; {trust.basis}"
    return Figure(_value(power, "W", parts, trust.reason), basis)
