"""True margins of a step of the simulated bench, and the verdicts that they allow."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from phasewright.bench import Accuracy, Limit, limits_of
from phasewright.live.virtual.scenario import PlannedStep, Scenario
from phasewright.live.virtual.signals import Signals
from phasewright.live.virtual.workload import BLOCK

BY_PEAK = ("protection", "absolute_maximum")
"""Kinds of limit that a short peak reaches as well as a mean."""
SURE = 5.0
"""Standard uncertainties of the bench's own readings beyond which no reader may doubt the sign of a margin."""


@dataclass(frozen=True, slots=True)
class TrueMargin:
    """How far the truth was from one limit, in the limit's unit.

    `low` and `high` span the readings of the word: from mean to peak, from mean phase to worst phase, from the last
    temperature to the settled one. `u` is the standard uncertainty with which these instruments can know the figure.
    """

    limit: str
    applies_to: str
    low: float
    high: float
    u: float

    @property
    def sign(self) -> int:
        """1 surely below the limit, -1 surely above, 0 open to a careful reader."""
        return 1 if self.low > SURE * self.u else -1 if self.high < -SURE * self.u else 0


def settings_of(step: PlannedStep) -> dict[str, float | str]:
    """Return the settings of a planned step as the campaign file states them."""
    found: dict[str, float | str] = {"phase_count": step.phase_count, "package_power": step.package_power}
    for key in ("protection_phase_current", "power_limit", "fan_duty"):
        value = getattr(step, key)
        if value is not None:
            found[key] = value
    return found


def true_margins(scenario: Scenario, signals: Signals, step: PlannedStep, start: float, end: float,
                 hot: float) -> tuple[TrueMargin, ...]:
    """Return the true margin to every limit between two lab times [s]; `hot` is the settled hottest stage [degC]."""
    found = []
    for limit in limits_of(scenario.bench, settings_of(step)):
        span = _figures(scenario, signals, limit, step, start, end, hot)
        if span is not None:
            low, high, u = span
            found.append(TrueMargin(limit.name, limit.applies_to, limit.value - high, limit.value - low, u))
    return tuple(found)


def _figures(scenario: Scenario, signals: Signals, limit: Limit, step: PlannedStep, start: float, end: float,
             hot: float) -> tuple[float, float, float] | None:
    """Return (least, greatest, u) of what may fairly be called the figure that `limit` bounds; None = not logged."""
    regulator, name = scenario.bench.regulator, limit.applies_to
    mean = lambda channel: float(signals.get(channel).mean(start, end))  # noqa: E731
    by_peak = limit.kind in BY_PEAK
    first, last = int(start), max(int(end), int(start) + 1)
    if name in ("phase_current", "stage_current", "rail_current"):
        current = mean("rail_current")
        u = _u(scenario, "rail_current", current)
        peak = _finest_peak(signals, "rail_current", first, last) if by_peak else current
        if name == "rail_current":
            return current, peak, u
        share = step.phase_count * (regulator.stages_per_phase if name == "stage_current" else 1)
        worst = float(signals.run.peak[first:last].max()) * step.phase_count / share if by_peak else (
            current / share * (1.0 + (regulator.sharing_error or 0.0)))
        return current / share, max(worst, peak / share), np.hypot(u / share, 0.02 * current / share)
    if name in ("contact_current", "input_current"):
        contacts = sum(item.contact_count for item in scenario.bench.board.connectors)
        drawn = mean("input_current") / (max(contacts, 1) if name == "contact_current" else 1)
        return drawn, 1.15 * drawn, 0.01 * drawn
    logged = {column.signal for item in scenario.instruments for column in item.columns}
    if name not in logged:
        return None
    value = mean(name)
    if name == "regulator_temperature":
        settled = hot if np.isfinite(hot) else value
        peak = float(signals.points[name][first : last + 1].max())
        return min(value, settled), max(value, settled, peak), _u(scenario, name, value) + 0.3
    if name in signals.fine:
        return value, _finest_peak(signals, name, first, last) if by_peak else value, _u(scenario, name, value)
    peak = float(signals.points[name][first : last + 1].max()) if name in signals.points else value
    return value, max(peak, value), _u(scenario, name, value) + 0.3


def _finest_peak(signals: Signals, name: str, first: int, last: int) -> float:
    return float(signals.fine[name][first * BLOCK : last * BLOCK].max())


def _u(scenario: Scenario, channel: str, value: float) -> float:
    """Return the standard uncertainty with which the instruments of the bench state `channel`."""
    for item in scenario.instruments:
        if channel in item.accuracy:
            return stated_u(item.accuracy[channel], value)
    return 0.05 * abs(value)


def stated_u(stated: Accuracy, value: float) -> float:
    """Return the standard uncertainty that an instrument's stated accuracy means at `value`."""
    divisor = {"limit": np.sqrt(3.0), "standard": 1.0, "expanded": 2.0}[stated.stated_as]
    return float(np.sqrt((stated.gain * value / divisor) ** 2 + (stated.offset / divisor) ** 2
                         + stated.resolution**2 / 12.0))


def verdicts(state: str, acted: float, remaining: Mapping[str, float], bound: float,
             found: tuple[TrueMargin, ...]) -> tuple[str, frozenset[str]]:
    """Return (the verdict of one who knows all, every verdict that a careful reader of the logs may give).

    The margin rules are those of the design: `sustained` needs a settled step, nothing acting and every margin surely
    positive; `marginal` a margin that these instruments cannot tell from zero, or one surely negative although it ran.
    A settled step may still be called unsettled, because noise, a wandering load and a coarse sensor can hide how flat
    it is (how often that happens is counted). One that has more than the bound to go must be, unless an extrapolation
    can decide it: `sustained` is then admitted when every temperature that still moves is surely below its limits where
    it settles, and all else is as a settled step needs it (docs/decisions/0015).
    `acted` is the share of the time for which a protection held back.
    """
    if state in ("tripped", "clamped"):
        return state, frozenset({state})
    drift = max(abs(value) for value in remaining.values())
    close = [item for item in found if item.sign == 0]
    beyond = [item for item in found if item.sign < 0]
    held = "marginal" if beyond or any(item.low <= 0.0 for item in close) else "sustained"
    best = held if drift < bound else "unsettled"
    allowed = {best, "unsettled"}
    if drift < 1.25 * bound:
        allowed.add(held)
        if close and not beyond:
            allowed |= {"marginal", "sustained"}
    moving = [item for item in found if abs(remaining.get(item.applies_to, 0.0)) >= bound]
    if np.isfinite(drift) and held == "sustained" and all(_holds_settled(item, remaining) for item in moving):
        allowed.add("sustained")
    if beyond or any(item.low <= 0.0 for item in close):
        # Beyond a limit is said before how settled it is.
        allowed.add("marginal")
    if acted > 0.0:
        allowed.add("clamped")
    return best, frozenset(allowed)


def _holds_settled(margin: TrueMargin, remaining: Mapping[str, float]) -> bool:
    """Whether a margin is surely positive when its temperature has risen by all that is still to come."""
    to_come = max(remaining.get(margin.applies_to, 0.0), 0.0)
    return margin.low - to_come > SURE * margin.u
